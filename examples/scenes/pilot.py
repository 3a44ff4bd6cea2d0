"""A ship's pilot, before a plain backdrop."""

from __future__ import annotations

import numpy as np
from PIL import Image

from scenes.solids import (
    Place,
    capsule,
    carve,
    ellipsoid,
    join,
    normal,
    openness,
    shade_toward,
    slab,
    sphere,
    walk,
)
from scenes.tools import Array, develop, fractal, grid, noise, shrink, smoothstep

SIZE = 960, 1200
FINE = 2
EYE = 0.35, -0.55, 11.0
SEEN = 5.0  # height of what the frame takes in, at the head
LOOK = -0.60  # how far the head is turned, radians; to the left is less than nothing
STAND = -0.28
KEY, RIM = (-0.80, 0.44, 0.41), (0.84, 0.30, -0.45)  # directions to the lamps

SKIN, EYES, HAIR, CLOTH, LEATHER, WOOL, COAT, METAL, BRIAR = range(9)


def draw(scale: float = 1.0) -> Image.Image:
    """Draw the picture; `scale` under 1 gives a quick small one."""
    width, height = (round(side * scale) * FINE for side in SIZE)
    x, y = grid(width, height)
    u, v = (x - width / 2) / height, (height / 2 - y) / height
    light = backdrop(u, v)
    spread = SEEN / EYE[2]
    dx, dy, dz = u * spread, v * spread - 0.035, -np.ones_like(u)
    length = np.sqrt(dx * dx + dy * dy + 1)
    way = tuple((q / length).ravel() for q in (dx, dy, dz))
    far = walk(whole, EYE, way, 8.2, 14.0, 90)
    hit = np.flatnonzero(np.isfinite(far))
    p = Place(*(np.float32(o) + q[hit] * far[hit] for o, q in zip(EYE, way, strict=True)))
    light.ravel()[hit] = lit(p, tuple(q[hit] for q in way))
    light = light + smoke(u, v)
    return develop(shrink(light, FINE), 37, exposure=1.7, black=0.010, contrast=1.2, glow=0.05, edge=0.45)


def backdrop(u: Array, v: Array) -> Array:
    """Painted canvas: a pool of light behind the shoulder, nearly black at the corners."""
    pool = np.exp(-(((u - 0.17) / 0.36) ** 2) - ((v + 0.02) / 0.42) ** 2)
    brushed = fractal(601, u * 3.1, v * 3.5, octaves=6, gain=0.55)
    return (0.012 + 0.115 * pool * (1 + 0.28 * brushed)).astype(np.float32)


def face(p: Place) -> Array:
    """Shape the head without hair, in its own directions: z out of the face."""
    m = p.mirrored()
    d = ellipsoid(p, (0, 0.28, -0.14), (0.74, 0.80, 0.92))
    d = join(d, ellipsoid(p, (0, -0.24, 0.16), (0.57, 0.78, 0.62)), 0.22)
    d = join(d, ellipsoid(p, (0, -0.74, 0.30), (0.40, 0.27, 0.42)), 0.20)
    d = join(d, sphere(m, (0.36, -0.13, 0.50), 0.20), 0.20)
    d = join(d, capsule(m, (0.06, 0.17, 0.73), (0.40, 0.17, 0.58), 0.085), 0.12)
    d = carve(d, ellipsoid(m, (0.255, -0.005, 0.86), (0.155, 0.105, 0.22)), 0.10)
    d = join(d, capsule(p, (0, 0.13, 0.73), (0, -0.02, 0.875), 0.056, 0.062), 0.10)
    d = join(d, capsule(p, (0, -0.02, 0.875), (0, -0.21, 0.945), 0.060, 0.072), 0.05)
    d = join(d, sphere(p, (0, -0.245, 0.945), 0.082), 0.06)
    d = join(d, ellipsoid(m, (0.092, -0.265, 0.850), (0.058, 0.056, 0.085)), 0.05)
    d = carve(d, ellipsoid(m, (0.050, -0.322, 0.895), (0.030, 0.024, 0.045)), 0.025)
    # Folds from the nose to the corners of the mouth, and bags under the eyes.
    d = carve(d, capsule(m, (0.17, -0.25, 0.80), (0.30, -0.52, 0.70), 0.020), 0.07)
    d = carve(d, capsule(m, (0.15, -0.105, 0.765), (0.37, -0.115, 0.645), 0.012), 0.05)
    d = join(d, capsule(p, (-0.11, -0.57, 0.745), (0.11, -0.57, 0.745), 0.050), 0.06)
    d = join(d, lids(m), 0.02)
    ear = ellipsoid(m, (0.735, -0.06, -0.11), (0.055, 0.20, 0.115))
    helix = (
        np.hypot(np.hypot((m.y + 0.03) / 1.65, m.z + 0.12 - 0.10 * (m.y + 0.03)) - 0.105, m.x - 0.775) - 0.026
    )
    d = join(d, join(ear, helix.astype(np.float32), 0.03), 0.04)
    fan = np.arctan2(m.y - 0.0, m.x - 0.30)
    crow = (
        0.0022
        * np.cos(26 * fan + 2 * noise(672, p.x * 4, p.y * 4, p.z * 4))
        * smoothstep(0.40, 0.50, m.x)
        * smoothstep(0.62, 0.52, m.x)
        * (np.abs(fan) < 0.9)
    )
    brow_lines = (
        0.006 * np.cos(48 * m.y + 3 * noise(671, p.x * 3, p.y * 3, p.z * 3)) * smoothstep(0.26, 0.34, m.y)
    )
    skin = 0.006 * fractal(673, p.x * 9, p.y * 9, p.z * 9, octaves=4)
    d = d + (crow + brow_lines + skin) * smoothstep(0.15, 0.03, np.abs(d))
    return join(d, capsule(p, (0, -0.75, -0.22), (0, -1.9, -0.42), 0.47, 0.55), 0.12)


def lids(m: Place) -> Array:
    """Lids round the eyes, a little lowered."""
    shell = np.abs(sphere(m, (0.255, 0.005, 0.565), 0.163)) - 0.018
    gap = ellipsoid(m, (0.262, -0.022, 0.76), (0.120, 0.030, 0.2))
    return carve(shell, gap, 0.02)


def eyes(p: Place) -> Array:
    return sphere(p.mirrored(), (0.255, 0.005, 0.565), 0.158)


def hair(p: Place) -> Array:
    """Beard, moustache, brows, and the hair under the cap; strands run downward."""
    m = p.mirrored()
    d = ellipsoid(p, (0, -0.86, 0.36), (0.47, 0.42, 0.48))
    d = join(d, capsule(m, (0.66, 0.05, 0.02), (0.46, -0.62, 0.26), 0.10, 0.20), 0.18)
    d = join(d, capsule(m, (0.50, -0.45, 0.34), (0.30, -0.80, 0.55), 0.15), 0.16)
    d = carve(d, ellipsoid(p, (0, -0.580, 0.93), (0.12, 0.034, 0.24)), 0.05)
    d = join(d, capsule(m, (0.05, -0.435, 0.845), (0.27, -0.555, 0.695), 0.085, 0.06), 0.05)
    back = ellipsoid(p, (0, 0.12, -0.22), (0.78, 0.78, 0.90))
    back = np.maximum(back, p.z - 0.02 - 0.12 * (p.y + 0.2))
    d = join(d, np.maximum(back, -0.72 - p.y), 0.08)
    d = join(d, capsule(m, (0.42, -0.40, -0.42), (0.36, -0.80, -0.34), 0.24, 0.20), 0.12)
    brow = capsule(m, (0.11, 0.175, 0.79), (0.30, 0.215, 0.72), 0.040, 0.036)
    d = join(d, join(brow, capsule(m, (0.30, 0.215, 0.72), (0.43, 0.165, 0.585), 0.036, 0.018), 0.03), 0.02)
    x, z = flow(p)
    strands = noise(621, x * 42, p.y * 6, z * 42)
    fine = noise(625, x * 85, p.y * 9, z * 85)
    locks = noise(631, x * 17, p.y * 3.0, z * 17)
    near = smoothstep(0.25, 0.05, np.abs(d))
    return (
        d
        - near * (0.010 * strands + 0.004 * fine + 0.024 * locks) * smoothstep(0.4, 0.0, p.y - 0.1)
        - 0.008 * near * strands
    )


def flow(p: Place) -> tuple[Array, Array]:
    """Across the strands of the beard, which run down and a little crookedly."""
    bend = 0.06 * noise(611, p.x * 4, p.y * 3, p.z * 4) + 0.02 * noise(613, p.x * 11, p.y * 8, p.z * 11)
    spread = 1 + 0.25 * np.clip(-p.y - 0.4, 0, 1)
    return p.x * spread + bend, p.z * spread + bend


def cap_cloth(p: Place) -> Array:
    """Shape a soft-topped cap, pushed a little to one side."""
    q = Place(p.x, p.y, p.z).turned(0, (0, -0.07, 0), roll=0.06, nod=-0.03)
    crown = ellipsoid(q, (0, 0.98, -0.04), (1.00, 0.25, 1.12))
    fold = (
        0.018
        * np.sin(13 * np.arctan2(q.x, q.z + 0.1) + 2.5 * noise(641, q.x * 2, q.y * 2, q.z * 2))
        * smoothstep(0.55, 0.9, np.hypot(q.x, q.z))
    )
    crown = crown + fold + 0.03 * noise(645, q.x * 1.7, q.y * 3, q.z * 1.7)
    ring = np.hypot(q.x / 0.80, (q.z + 0.05) / 0.97)
    band = np.maximum((ring - 1) * 0.80, np.abs(q.y - 0.68) - 0.20)
    return join(crown, band, 0.10)


def cap_peak(p: Place) -> Array:
    """Shape the peak, and the strap above it."""
    q = Place(p.x, p.y, p.z).turned(0, (0, -0.07, 0), roll=0.06, nod=-0.03)
    droop = 0.47 - 0.50 * np.maximum(q.z - 0.72, 0) - 0.30 * q.x * q.x
    sheet = np.abs(q.y - droop) - 0.020
    edge = np.hypot(q.x / 0.84, (q.z - 0.30) / 1.08) - 1
    peak = np.maximum(np.maximum(sheet * 0.85, edge * 0.8), 0.55 - q.z)
    strap_y = 0.545 + 0.02 * q.x
    ring = (np.hypot(q.x / 0.825, (q.z + 0.05) / 0.995) - 1) * 0.82
    strap = np.sqrt(np.maximum(np.abs(q.y - strap_y) - 0.035, 0) ** 2 + ring**2) - 0.016
    return np.minimum(peak, np.maximum(strap, 0.12 - q.z)).astype(np.float32)


def badge(p: Place) -> Array:
    """Shape an anchor on the cap, and the strap's buttons."""
    q = Place(p.x, p.y, p.z).turned(0, (0, -0.07, 0), roll=0.06, nod=-0.03)
    z = 0.945
    d = capsule(q, (0, 0.62, z), (0, 0.80, z - 0.01), 0.018)
    d = np.minimum(d, capsule(q.mirrored(), (0, 0.615, z), (0.085, 0.685, z - 0.01), 0.018, 0.012))
    d = np.minimum(d, capsule(q.mirrored(), (0, 0.765, z), (0.055, 0.765, z), 0.014))
    ring = np.hypot(np.hypot(q.x, q.y - 0.825) - 0.028, q.z - z + 0.01) - 0.010
    d = np.minimum(d, ring)
    return np.minimum(d, sphere(q.mirrored(), (0.80, 0.55, 0.13), 0.05))


def wool(p: Place) -> Array:
    """Shape the roll neck of a knitted jersey, and its front."""
    axis = np.hypot(p.x, p.z + 0.36 + 0.06 * p.y)
    angle = np.arctan2(p.x, p.z + 0.36)
    ribs = 0.016 * np.cos(46 * angle)
    roll = np.hypot(np.maximum(np.abs(p.y + 1.13 + 0.22 * (p.z + 0.36)) - 0.29, 0), axis - 0.55) - 0.13
    under = np.hypot(np.maximum(np.abs(p.y + 1.62) - 0.16, 0), axis - 0.63) - 0.10
    chest = ellipsoid(p, (0, -2.85, -0.22), (1.06, 1.35, 0.66))
    rows = 0.017 * np.cos(p.x * 36)
    near = smoothstep(0.2, 0.04, np.abs(roll))
    return join(
        join(roll - ribs * near, under - ribs * near, 0.05),
        chest - rows * smoothstep(0.2, 0.04, np.abs(chest)),
        0.08,
    )


def coat(p: Place) -> Array:
    """Shape a heavy coat: shoulders, turned-up collar, lapels."""
    m = p.mirrored()
    d = capsule(m, (0.35, -2.15, -0.38), (1.42, -2.52, -0.40), 0.50, 0.52)
    d = join(d, ellipsoid(p, (0, -3.3, -0.28), (1.72, 1.55, 0.95)), 0.35)
    d = join(d, capsule(m, (1.46, -2.6, -0.40), (1.86, -4.6, -0.1), 0.50, 0.55), 0.22)
    folds = 0.07 * noise(651, p.x * 1.9 + p.y, p.y * 1.2, p.z * 2) + 0.03 * noise(
        655, p.x * 4 + 2.5 * p.y, p.y * 2.0, p.z * 4
    )
    d = d - folds
    # Open in front as a narrow V, so that the jersey shows.
    wide = 0.02 + 0.46 * smoothstep(-3.1, -1.6, p.y)
    d = carve(d, np.maximum(np.abs(p.x - 0.03) - wide, np.maximum(0.05 - p.z, -3.15 - p.y)), 0.06)
    axis = np.hypot(p.x, p.z + 0.42)
    angle = np.abs(np.arctan2(p.x, p.z + 0.42))
    flare = 0.80 + 0.20 * (p.y + 1.9) + 0.10 * smoothstep(2.0, 0.6, angle)
    top = -1.33 - 0.26 * smoothstep(1.9, 0.55, angle)
    sheet = np.hypot(np.maximum(np.maximum(p.y - top, -2.25 - p.y), 0), axis - flare) - 0.055
    sheet = np.maximum(sheet, (0.50 - angle) * 0.6)
    d = join(d, sheet.astype(np.float32), 0.10)
    for side in (-1, 1):
        q = Place(p.x * side, p.y, p.z).turned(0.42, (0.66, -2.35, 0.42), roll=0.50 if side > 0 else 0.44)
        bent = Place(q.x - 0.10 * q.y, q.y, q.z + 0.16 * q.x * q.x)
        lapel = slab(bent, (0.04, 0, 0), (0.25 + 0.10 * np.clip(q.y, -0.6, 0.6), 0.66, 0.04), 0.03)
        d = join(d, lapel.astype(np.float32), 0.04)
    return d


def buttons(p: Place) -> Array:
    """Two rows of buttons."""
    d = np.full_like(p.x, 9.0)
    for row, y in enumerate((-2.95, -3.5)):
        for x, z in ((-0.52, 0.62 + 0.06 * row), (0.62, 0.60 + 0.06 * row)):
            d = np.minimum(d, ellipsoid(p, (x, y, z), (0.088, 0.088, 0.045)))
    return d


def pipe(p: Place) -> Array:
    """Shape a short pipe in the corner of the mouth."""
    d = capsule(p, (-0.13, -0.555, 0.76), (-0.30, -0.66, 1.16), 0.030, 0.036)
    bowl = capsule(p, (-0.325, -0.70, 1.24), (-0.345, -0.46, 1.27), 0.105, 0.115)
    bowl = np.maximum(bowl, p.y + 0.44)
    bowl = carve(bowl, capsule(p, (-0.335, -0.58, 1.255), (-0.35, -0.2, 1.28), 0.075), 0.015)
    return join(d, bowl, 0.06)


def poses(p: Place) -> tuple[Place, Place]:
    """Points as the head and as the body have them."""
    return p.turned(LOOK, (0, -0.13, 0.03), roll=0.03, nod=0.03), p.turned(STAND)


def head_parts(p: Place) -> dict[int, Array]:
    """Distance to each material of the head."""
    q, _ = poses(p)
    return {
        SKIN: face(q),
        EYES: eyes(q),
        HAIR: hair(q),
        CLOTH: cap_cloth(q),
        LEATHER: cap_peak(q),
        METAL: badge(q),
        BRIAR: pipe(q),
    }


def body_parts(p: Place) -> dict[int, Array]:
    """Distance to each material of the body."""
    _, q = poses(p)
    return {WOOL: wool(q), COAT: coat(q), METAL: buttons(q)}


def material(p: Place) -> Array:
    """Which material each point of the surface is of."""
    nearest, which = np.full(p.x.shape, np.inf, np.float32), np.zeros(p.x.shape, np.intp)
    for group in (head_parts, body_parts):
        for kind, away in group(p).items():
            which = np.where(away < nearest, kind, which)
            nearest = np.minimum(nearest, away)
    return which


BALLS = ((0.0, 0.1, 0.1, 1.75), (0.0, -3.2, -0.3, 2.9))  # what holds the head with its cap, and the body


def whole(p: Place) -> Array:
    """Distance to the nearest of it all.

    Far from the head, or the body, the distance to a ball round it will do: it is never too long.
    """
    away = [np.sqrt((p.x - x) ** 2 + (p.y - y) ** 2 + (p.z - z) ** 2) - r + 0.25 for x, y, z, r in BALLS]
    for ball, group in zip(away, (head_parts, body_parts), strict=True):
        near = np.flatnonzero(ball < 0.5)
        if near.size:
            ball[near] = np.minimum.reduce(list(group(p.part(near)).values()))
    return np.minimum(*away).astype(np.float32)


def lit(p: Place, way: tuple[Array, Array, Array]) -> Array:
    """Light that leaves the points toward the viewer."""
    which = material(p)
    nx, ny, nz = normal(whole, p, np.where(which == HAIR, 0.007, 0.0025).astype(np.float32))
    head, body = poses(p)
    albedo, gloss, sharp = surface(which, head, body)

    def facing(lamp: tuple[float, float, float]) -> Array:
        return nx * lamp[0] + ny * lamp[1] + nz * lamp[2]

    def shine(lamp: tuple[float, float, float]) -> Array:
        half = [a - b for a, b in zip(lamp, way, strict=True)]
        size = np.sqrt(sum(q * q for q in half))
        return np.clip(sum(n * q for n, q in zip((nx, ny, nz), half, strict=True)) / size, 0, 1) ** sharp

    wrap = np.where(which == SKIN, 0.22, np.where(which == HAIR, 0.15, 0.02)).astype(np.float32)
    start = p.moved((nx, ny, nz), 0.012)
    key = shade_toward(whole, start, KEY, 0.16, 5.0)
    rim = shade_toward(whole, start, RIM, 0.22, 5.0)
    free = openness(whole, p, (nx, ny, nz))
    front = np.clip((facing(KEY) + wrap) / (1 + wrap), 0, 1) * (key * (1 - 0.25 * wrap) + 0.1 * wrap)
    side = np.clip(facing(RIM), 0, 1) * rim
    fill = free * (0.055 + 0.035 * ny + 0.035 * np.clip(-nx, 0, 1) + 0.02 * nz)
    edge = (1 - np.clip(-(nx * way[0] + ny * way[1] + nz * way[2]), 0, 1)) ** 3
    out = albedo * (2.6 * front + 2.6 * side + 1.0 * fill)
    out += gloss * (1.4 * key * shine(KEY) + 0.8 * rim * shine(RIM) * (0.3 + edge) + 0.05 * free * edge)
    return out.astype(np.float32)


def surface(which: Array, head: Place, body: Place) -> tuple[Array, Array, Array]:
    """How light each material is, how much it shines, and how sharply."""
    base = np.array([0.30, 0.34, 0.21, 0.040, 0.016, 0.17, 0.034, 0.13, 0.07], np.float32)[which]
    gloss = np.array([0.055, 0.6, 0.03, 0.012, 0.30, 0.01, 0.012, 0.8, 0.25], np.float32)[which]
    sharp = np.array([16, 220, 12, 8, 60, 6, 7, 40, 50], np.float32)[which]
    pores = fractal(661, head.x * 17, head.y * 17, head.z * 17, octaves=3)
    ruddy = 1 - 0.20 * smoothstep(0.30, 0.0, np.hypot(np.abs(head.x) - 0.33, head.y + 0.18))
    base = np.where(which == SKIN, base * (1 + 0.18 * pores) * ruddy, base)
    x, z = flow(head)
    strand = 0.7 * noise(681, x * 70, head.y * 7, z * 70) + 0.5 * noise(683, x * 130, head.y * 11, z * 130)
    grizzle = noise(691, head.x * 4, head.y * 2, head.z * 4)
    low = smoothstep(0.0, -0.7, head.y)
    base = np.where(which == HAIR, base * (0.55 + 0.55 * low) * (1 + 0.60 * strand + 0.30 * grizzle), base)
    gaze = np.hypot(np.abs(head.x) - 0.235, head.y + 0.012)
    iris = np.where(gaze < 0.030, 0.005, np.where(gaze < 0.072, 0.07, base))
    base = np.where(which == EYES, iris, base)
    weave = 0.6 * noise(701, body.x * 70, body.y * 70, body.z * 70) + 0.6 * noise(
        703, body.x * 6, body.y * 6, body.z * 6
    )
    base = np.where((which == COAT) | (which == CLOTH), base * (1 + 0.28 * weave), base)
    base = np.where(which == WOOL, base * (1 + 0.20 * weave), base)
    return base.astype(np.float32), gloss, sharp


def smoke(u: Array, v: Array) -> Array:
    """Draw a thread of smoke from the pipe, unravelling as it rises."""
    bowl = -0.289, 0.062
    t = np.clip(v - bowl[1], 0, None)
    sway = -0.06 * t + 0.05 * np.sin(9.5 * t + 3.4) * smoothstep(0.02, 0.25, t)
    curl = 0.10 * smoothstep(0.03, 0.40, t) * fractal(711, u * 6, v * 6, octaves=4, gain=0.45)
    across = u - bowl[0] - sway + curl
    total = np.zeros_like(u)
    for i, (shift, wide) in enumerate(((0.0, 0.0035), (0.3, 0.003), (-0.25, 0.0025), (0.6, 0.006))):
        strand = across - shift * 0.11 * t * (1 + 0.7 * noise(721 + i, t * 9, t * 0 + i))
        total += np.exp(-((strand / (wide + 0.020 * t)) ** 2)) * wide / (wide + 0.016 * t)
    ragged = 0.8 + 0.6 * fractal(731, across * 22, v * 7, octaves=4)
    fade = smoothstep(0.0, 0.02, t) * np.exp(-t / 0.20) * smoothstep(0.42, 0.25, t)
    return (0.20 * total * np.clip(ragged, 0, 2) * fade).astype(np.float32)
