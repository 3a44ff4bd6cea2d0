"""A lighthouse on its rock, at dusk, with fog coming in from the sea."""

from __future__ import annotations

import numpy as np
from PIL import Image

from scenes.tools import (
    Array,
    Mask,
    birds,
    blur,
    develop,
    fractal,
    grid,
    mix,
    noise,
    ripples,
    sample,
    shrink,
    smoothstep,
)

SIZE = 1200, 900
FINE = 2  # points of each pixel, across and down
FOCAL = 1.07  # of the width
HORIZON = 0.665  # of the height
EYE = 3.2  # m above the sea
TOWER = 27.0, 118.0  # m to the right of the viewer, and away
FOOT, LANTERN = 14.5, 39.5  # m above the sea
HAZE = 0.0011  # of the light lost, per m


def draw(scale: float = 1.0) -> Image.Image:
    """Draw the picture; `scale` under 1 gives a quick small one."""
    width, height = (round(side * scale) * FINE for side in SIZE)
    x, y = grid(width, height)
    focal, horizon = FOCAL * width, HORIZON * height
    right, up = (x - width / 2) / focal, (horizon - y) / focal
    metre = focal / TOWER[1]
    lamp = width / 2 + metre * TOWER[0], horizon - metre * (LANTERN - EYE)
    light = sky(right, up)
    land, away = rock(right, up)
    behind = np.where(away < 1e6, land, light)
    front = away < TOWER[1] - 1.5
    light = np.where(front, land, tower(behind, lamp, metre))
    light = mist(light, right, up, np.minimum(away, 2000))
    light = boat(light, metre, horizon)
    light = birds(
        light, (lamp[0] - 13 * metre, lamp[1] + 9 * metre), (9 * metre, 5 * metre), metre, 11, seed=19
    )
    light = water(light, right, up, away, TOWER[0] / TOWER[1])
    light = light + beams(x, y, lamp, metre)
    return develop(shrink(light, FINE), 11, exposure=1.6, black=0.028, contrast=1.15)


def sky(right: Array, up: Array) -> Array:
    """Dusk: a band of light low on the left, torn clouds lit from below, darker overhead."""
    up = np.maximum(up, 0)
    glow = np.exp(-((right + 0.55) ** 2) / 0.22) * np.exp(-up / 0.13)
    base = 0.018 + 0.17 * np.exp(-up / 0.15) + 0.95 * glow
    far = 1.0 / (up + 0.075)
    u, v = right * far * 1.3 + 0.4, far * 1.6
    bend = fractal(31, u * 0.5, v * 0.5, octaves=3)
    thick = fractal(41, u + 0.8 * bend, v + 0.5 * bend, octaves=7, gain=0.55)
    lit = fractal(41, u + 0.8 * bend - 0.14, v + 0.5 * bend + 0.22, octaves=6, gain=0.55)
    cover = smoothstep(-0.16, 0.26, thick) * smoothstep(0.0, 0.05, up)
    edge = np.clip((thick - lit) * 2.4 + 0.42, 0.05, 1.6)
    cloud = base * (0.22 + 0.85 * edge) + 0.045 * edge
    return mix(base, cloud, 0.85 * cover)


def ground(x: Array, z: Array, octaves: int) -> Array:
    """Height of the rock over the sea, m; under 0 where the water covers it."""
    shore = 3.0 + 8 * noise(51, z / 31, z * 0 + 0.5) - 0.12 * (z - 100)
    bend = 5 * noise(52, x / 17, z / 17)
    lump = fractal(61, (x + bend) / 19, (z - bend) / 19, octaves=octaves, gain=0.50, ridged=True)
    inland = x - shore + 7 * lump
    cliff = smoothstep(-9, 26, inland)
    near = smoothstep(56, 122, z + 16 * lump)
    height = (
        -4.5
        + (15.0 + 0.05 * np.clip(inland, 0, 40)) * cliff * near
        + 3.4 * lump * (0.4 + near * (1 - 0.6 * cliff))
    )
    skerry = smoothstep(7.0, 0.0, np.hypot((x + 33) / 1.7, z - 150)) + smoothstep(
        5, 0, np.hypot((x + 15) / 1.4, z - 118)
    )
    height = height + skerry * (4.6 + 3.2 * lump)
    # Beds of harder stone stand out as ledges, tilted a little.
    bed = (height + 0.11 * x - 0.05 * z) / 2.3
    height = height + 0.62 * np.sin(2 * np.pi * bed) * smoothstep(-1, 2, height)
    flat = smoothstep(20, 8, np.hypot((x - TOWER[0] - 6) * 0.8, z - TOWER[1] + 3))
    return mix(height, FOOT - 0.5 + 0.9 * lump, flat).astype(np.float32)


def march(right: Array, up: Array) -> Array:
    """Distance at which each pixel sees the rock, m; 1e9 where it does not."""
    away = np.full(right.shape, 1e9, np.float32)
    rays = np.flatnonzero((right > -0.42) & (up < 0.17) & (up > -0.09))
    r, s = right.ravel()[rays], up.ravel()[rays]
    step, z = 0.8, 48.0
    while z < 230 and len(rays):
        hit = EYE + s * z < ground(r * z, np.full_like(r, z), 5)
        near = np.full(hit.sum(), z - step, np.float32)
        far = np.full(hit.sum(), z, np.float32)
        for _ in range(6):
            middle = (near + far) / 2
            below = EYE + s[hit] * middle < ground(r[hit] * middle, middle, 7)
            near, far = np.where(below, near, middle), np.where(below, middle, far)
        away.ravel()[rays[hit]] = far
        rays, r, s = rays[~hit], r[~hit], s[~hit]
        z += step
        step *= 1.006
    return away


def rock(right: Array, up: Array) -> tuple[Array, Array]:
    """Light from the rock, and its distance, m."""
    away = march(right, up)
    seen = away < 1e6
    z, x = away[seen], right[seen] * away[seen]
    h = ground(x, z, 10)
    gap = 0.10
    dx, dz = (ground(x + gap, z, 10) - h) / gap, (ground(x, z + gap, 10) - h) / gap
    length = np.sqrt(dx * dx + dz * dz + 1)
    nx, ny, nz = -dx / length, 1 / length, -dz / length
    shadow = np.ones_like(x)
    for run in (0.5, 1.0, 2.0, 3.5, 5.5, 8.0, 12.0):
        blocked = ground(x - 0.86 * run, z - 0.30 * run, 6) - (h + 0.34 * run + 0.12)
        shadow = np.minimum(shadow, smoothstep(0.7, -0.25, blocked / (0.35 + 0.12 * run)))
    key = np.clip(-0.83 * nx + 0.36 * ny - 0.42 * nz, 0, None) * shadow
    open_sky = 0.5 + 0.5 * ny - 0.25 * np.clip(nx, 0, 1)
    stone = 0.60 + 0.42 * fractal(81, x / 1.7, h / 1.1, z / 1.7, octaves=5, gain=0.6)
    stone = stone * (
        0.45 + 0.55 * smoothstep(-0.55, 0.25, fractal(61, x / 6, z / 6 + h / 4, octaves=5, ridged=True))
    )
    wet = smoothstep(2.4, 0.2, h + 0.9 * noise(77, x / 2, z / 2))
    turf = smoothstep(0.72, 0.90, ny) * smoothstep(5.5, 9, h) * (1 - wet)
    stone = mix(stone * (1 - 0.62 * wet), 0.36 + 0.16 * fractal(83, x / 0.5, z / 0.9, octaves=4), turf)
    gleam = 0.8 * wet * np.clip(key - 0.25, 0, None) ** 2
    land = np.zeros_like(right)
    land[seen] = in_fog(stone * (0.022 * open_sky + 0.30 * key**1.5) + gleam, z, x / z)
    return land, away


def fog_light(right: Array) -> Array:
    """Give what the fog itself shows of the evening, brighter to the left."""
    return 0.07 + 0.24 * np.exp(-((right + 0.5) ** 2) / 0.22)


def in_fog(light: Array, away: Array | float, right: Array) -> Array:
    """Give what is left of a light after the haze, and the haze's own."""
    through = np.exp(-HAZE * np.asarray(away, np.float32))
    return light * through + (1 - through) * fog_light(right)


def mist(light: Array, right: Array, up: Array, away: Array) -> Array:
    """Draw a bank of fog on the water, thicker far out and in the coves, in wisps above."""
    wisps = fractal(151, right * 7, up * 26, octaves=5)
    level = 0.030 + 0.022 * wisps + 0.012 * fractal(161, right * 2.3, up * 6, octaves=3)
    thick = smoothstep(level * 1.9, -0.01, up) * smoothstep(90, 420, away + 60 * wisps)
    low = 0.62 * smoothstep(0.055, -0.005, up + 0.03 * wisps) * smoothstep(70, 150, away + 30 * wisps)
    return mix(light, fog_light(right) * (1.15 + 0.2 * wisps), np.clip(0.80 * thick + low, 0, 0.92))


def boat(light: Array, metre: float, horizon: float) -> Array:
    """Draw a cutter under sail, far out."""
    height, width = light.shape
    unit, left, line = 0.27 * metre, 0.185 * width, horizon + 0.5 * metre

    def at(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(left + a * unit, line - b * unit) for a, b in points]

    sails = Mask(width, height).polygon(at([(0.3, 2.2), (0.5, 15.2), (7.4, 12.6), (7.9, 2.6)]))
    sails.polygon(at([(-0.3, 2.6), (0.1, 14.6), (-6.9, 2.2)])).polygon(
        at([(0.5, 15.6), (0.6, 18.6), (6.0, 14.0)])
    )
    hull = Mask(width, height).polygon(at([(-6.0, 1.9), (8.2, 2.2), (7.6, 0), (-4.4, 0)]))
    hull.line(at([(0, 1), (0.2, 19.4)]), 0.3 * unit).line(at([(-8.6, 2.6), (-4, 1.8)]), 0.3 * unit)
    x, _ = grid(width, height)
    cloth = 0.13 + 0.05 * np.sin((x - left) / unit * 1.1)
    return mix(mix(light, cloth, 0.85 * sails.array()), np.float32(0.05), 0.9 * hull.array())


def tower(light: Array, lamp: tuple[float, float], metre: float) -> Array:
    """Draw the tower with its gallery and lantern, the keeper's house beside it."""
    height, width = light.shape
    x, y = grid(width, height)
    cx, top = lamp[0], lamp[1] + 2.2 * metre
    foot = lamp[1] + (LANTERN - FOOT + 2.5) * metre

    def half(row: Array) -> Array:
        down = np.clip((row - top) / (foot - top), 0, 1)
        return metre * (2.35 + 1.25 * down + 0.9 * down**6)

    def shaft(
        first: float, last: float, wide: Array | float, grey: Array | float, shine: float = 0.0
    ) -> None:
        nonlocal light
        across = (x - cx) / wide
        inside = smoothstep(0.5, -0.5, (np.abs(across) - 1) * wide) * smoothstep(-0.5, 0.5, y - first)
        inside = inside * smoothstep(0.5, -0.5, y - last)
        turn = np.clip(across, -1, 1)
        lit = np.clip(-0.80 * turn + 0.55 * np.sqrt(1 - turn * turn), 0, None)
        rim = 0.10 * np.clip(turn, 0, 1) ** 4
        body = in_fog(grey * (0.030 + 0.78 * lit + rim) + shine, TOWER[1], (x - width / 2) / (FOCAL * width))
        light = mix(light, body, inside)

    band = smoothstep(-1, 1, (y - top - 9.5 * metre)) * smoothstep(1, -1, (y - top - 15.0 * metre))
    stain = fractal(91, (x - cx) / metre * 0.7, y / metre * 0.16, octaves=5)
    course = 1 - 0.09 * smoothstep(0.80, 0.95, np.abs(np.cos(np.pi * y / metre / 0.9)))
    white = (0.80 + 0.16 * stain) * course
    shaft(top, foot, half(y), mix(white, 0.16 + 0.05 * stain, band))
    shaft(top - 0.1 * metre, top + 0.7 * metre, 2.9 * metre, 0.55)
    shaft(top - 0.5 * metre, top - 0.1 * metre, 3.5 * metre, 0.30)
    glass = lamp[1] - 1.5 * metre
    shaft(glass, top - 0.4 * metre, 1.75 * metre, 0.2, 0.55)
    light = ironwork(light, cx, glass, top, metre)
    return house(slits(light, cx, top, metre), cx, foot, metre)


def ironwork(light: Array, cx: float, glass: float, top: float, metre: float) -> Array:
    """Gallery rail, lantern bars, dome and vane."""
    mask = Mask(light.shape[1], light.shape[0])
    rail = top - 1.55 * metre
    for level in (0.0, 0.35, 0.7):
        mask.line(
            [(cx - 3.5 * metre, rail + level * metre), (cx + 3.5 * metre, rail + level * metre)], 0.09 * metre
        )
    for turn in np.linspace(-np.pi / 2, np.pi / 2, 19):
        at = cx + 3.5 * metre * np.sin(turn)
        mask.line([(at, rail), (at, top - 0.3 * metre)], 0.10 * metre)
    for turn in np.linspace(-np.pi / 2, np.pi / 2, 9):
        at = cx + 1.75 * metre * np.sin(turn)
        mask.line([(at, glass), (at, top - 0.4 * metre)], 0.10 * metre)
    angle = np.linspace(0, np.pi, 40)
    dome = np.column_stack([cx + 2.05 * metre * np.cos(angle), glass - 1.75 * metre * np.sin(angle) ** 0.8])
    mask.polygon([*map(tuple, dome)])
    mask.polygon(
        [
            (cx - 2.2 * metre, glass),
            (cx + 2.2 * metre, glass),
            (cx + 2.2 * metre, glass + 0.3 * metre),
            (cx - 2.2 * metre, glass + 0.3 * metre),
        ]
    )
    mask.ellipse(cx, glass - 1.9 * metre, 0.42 * metre, 0.42 * metre)
    mask.line([(cx, glass - 1.8 * metre), (cx, glass - 4.4 * metre)], 0.13 * metre)
    x, _ = grid(light.shape[1], light.shape[0])
    metal = 0.05 + 0.16 * smoothstep(cx - 0.4 * metre, cx - 2.1 * metre, x)
    return mix(light, metal, mask.array())


def house(light: Array, cx: float, foot: float, metre: float) -> Array:
    """Draw the keeper's house: gable to the viewer, a lean-to, chimneys."""
    height, width = light.shape
    left, ground_line = cx + 5.2 * metre, foot - 3.4 * metre

    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * metre, ground_line - y * metre

    front = Mask(width, height).polygon([at(0, -1), at(0, 3.6), at(2.6, 6.0), at(5.2, 3.6), at(5.2, -1)])
    side = Mask(width, height).polygon([at(5.2, -1), at(5.2, 3.6), at(15, 3.4), at(15, -1)])
    roof = Mask(width, height).polygon([at(2.5, 6.15), at(5.4, 3.45), at(15.3, 3.25), at(13.2, 5.95)])
    roof.polygon([at(-0.3, 3.4), at(2.5, 6.2), at(2.75, 6.0), at(0, 3.3)])
    stacks = Mask(width, height).polygon([at(4.4, 5.5), at(4.4, 7.5), at(5.5, 7.5), at(5.5, 5.5)])
    stacks.polygon([at(11.6, 5.5), at(11.6, 7.3), at(12.7, 7.3), at(12.7, 5.5)])
    x, y = grid(width, height)
    rough = fractal(95, x / metre, y / metre, octaves=4)
    for mask, grey in ((stacks, 0.07), (side, 0.055), (front, 0.30), (roof, 0.035)):
        light = mix(light, in_fog(grey * (1 + 0.25 * rough), TOWER[1], np.float32(0.25)), mask.array())
    panes = Mask(width, height)
    for left_edge, wide in ((1.9, 0.62), (2.6, 0.62), (7.0, 0.8), (11.4, 0.8)):
        panes.polygon(
            [at(left_edge, 1.1), at(left_edge + wide, 1.1), at(left_edge + wide, 2.5), at(left_edge, 2.5)]
        )
    lit = panes.array()
    return mix(light, np.float32(1.4), lit) + 0.5 * blur(lit, metre * 0.9) + 0.3 * blur(lit, metre * 3)


def slits(light: Array, cx: float, top: float, metre: float) -> Array:
    """Windows up the stair."""
    mask = Mask(light.shape[1], light.shape[0])
    for i, level in enumerate((4.0, 12.0, 19.5)):
        at, wide = cx + (0.5 - 0.35 * i) * metre, 0.42 * metre
        mask.polygon(
            [
                (at - wide, top + level * metre),
                (at + wide, top + level * metre),
                (at + wide, top + (level + 1.6) * metre),
                (at - wide, top + (level + 1.6) * metre),
            ]
        )
    return mix(light, np.float32(0.02), mask.array())


def water(light: Array, right: Array, up: Array, away: Array, lamp: float) -> Array:
    """Draw the sea: swell and ripples that mirror what stands above them, foam where they break."""
    height, width = light.shape
    focal, horizon = FOCAL * width, HORIZON * height
    z = np.minimum(EYE / np.maximum(-up, 1e-4), 4000).astype(np.float32)
    sea = (up < 0) & (away > z)
    x, _ = grid(width, height)
    x, right, z = x[sea], right[sea], z[sea]
    down, u = EYE / z, right * z
    tilt_x, tilt_z = ripples(u, z, z * z / (EYE * focal), wind=2.1, seed=101)
    # Facets that lean away are hidden by those before them; the mirrored ray never goes under the horizon.
    rise = np.sqrt((down + 1.7 * tilt_z) ** 2 + 0.012**2)
    mirrored = sample(light, x + focal * 0.7 * tilt_x, horizon - focal * rise)
    soft = sample(blur(light, width / 70, width / 40), x, horizon - focal * (rise + 0.03))
    mirrored = mix(mirrored, soft, 0.25 + 0.35 * smoothstep(20, 200, z))
    lean = down + tilt_z
    facing = np.minimum((lean + np.sqrt(lean * lean + 0.06**2)) / 2, 1)
    shown = mix(0.006 + 0.02 * facing, 1.12 * mirrored, 0.04 + 0.96 * (1 - facing) ** 5.5)
    to_lamp = (LANTERN - EYE) / TOWER[1]
    spark = np.exp(
        -(((right - lamp + 1.6 * tilt_x) / 0.030) ** 2) - ((down + 2 * tilt_z - to_lamp) / 0.10) ** 2
    )
    shown += 1.5 * spark * (1 - facing) ** 2 * np.exp(-((down / 0.16) ** 2))
    bed = ground(u, z, 6)
    lace = fractal(121, u / 1.6, z / 2.6, octaves=6, ridged=True)
    surf = smoothstep(-2.2, 0.1, bed + 1.2 * lace) * smoothstep(
        0.0, 0.7, lace + 0.5 * smoothstep(-1.6, 0, bed)
    )
    shown = mix(shown, 0.40 + 0.25 * lace, np.where((z > 50) & (z < 230), np.clip(surf, 0, 0.95), 0))
    out = light.copy()
    out[sea] = mist(in_fog(shown, np.minimum(z, 1200), right), right, -down, np.minimum(z, 1500))
    return out


RAYS = (  # direction on the picture, half width (radians), power
    (np.pi - 0.10, 0.070, 1.0),
    (0.20, 0.085, 0.42),
    (np.pi + 0.36, 0.10, 0.20),
    (np.pi - 0.62, 0.13, 0.24),
    (1.15, 0.16, 0.13),
)


def beams(x: Array, y: Array, lamp: tuple[float, float], metre: float) -> Array:
    """Rays from the lens through drifting fog, and the lamp itself."""
    width = x.shape[1]
    dx, dy = x - lamp[0], y - lamp[1]
    r, angle = np.hypot(dx, dy) / metre, np.arctan2(-dy, dx)
    drift = 0.75 + 0.75 * fractal(131, x / width * 5, y / width * 9, octaves=6)
    drift += 0.35 * fractal(141, x / width * 19, y / width * 27, octaves=4)
    total = np.zeros_like(x)
    for at, wide, power in RAYS:
        off = np.abs((angle - at + np.pi) % (2 * np.pi) - np.pi)
        cone = smoothstep(1.25 * wide, 0.55 * wide, off) * (0.6 + 0.4 * np.exp(-((off / (0.4 * wide)) ** 2)))
        total += power * (cone + 0.3 * np.exp(-((off / (2.2 * wide)) ** 2))) * np.exp(-r / 120) / (1 + r / 55)
    halo = 0.9 * np.exp(-r / 1.3) + 0.20 * np.exp(-r / 6) + 0.05 * np.exp(-r / 24)
    core = 3.0 * smoothstep(1.35, 0.4, r)
    return (0.62 * total * np.clip(drift, 0.15, 2) + halo * np.clip(drift + 0.2, 0, 2) + core).astype(
        np.float32
    )
