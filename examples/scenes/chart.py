"""A sea chart on the table under a lamp, with a pair of dividers."""

from __future__ import annotations

import numpy as np
from PIL import Image

from scenes.solids import Place, Vector, capsule, ellipsoid, join, normal, openness, shade_toward, walk
from scenes.survey import printed
from scenes.tools import Array, develop, fractal, grid, mix, noise, sample, shrink, smoothstep

SIZE = 1120, 840
FINE = 2
SHEET = 1.56, 1.14  # the chart's sides, in the table's units
EYE = 0.10, 1.28, 1.02
TARGET = 0.02, 0.0, -0.015
TURN = -0.16  # of the chart on the table, radians
FOLDS = 0.26, 0.02  # across the sheet at either side, and along it
LAMP = -0.66, 0.78, -0.40  # over the table


def draw(scale: float = 1.0) -> Image.Image:
    """Draw the picture; `scale` under 1 gives a quick small one."""
    width, height = (round(side * scale) * FINE for side in SIZE)
    way = rays(width, height)
    far = -EYE[1] / way[1]
    x, z = EYE[0] + way[0] * far, EYE[2] + way[2] * far
    cos, sin = np.cos(TURN), np.sin(TURN)
    s, t = x * cos - z * sin, x * sin + z * cos
    dots = round(1500 * FINE * max(scale, 0.5)), round(1500 * FINE * max(scale, 0.5) * SHEET[1] / SHEET[0])
    chart = printed(*dots)
    ink = sample(chart, (s / SHEET[0] + 0.5) * dots[0], (t / SHEET[1] + 0.5) * dots[1])
    light = table(x, z, s, t, ink)
    light = instrument(light, way, far)
    return develop(
        shrink(light, FINE), 53, exposure=1.4, black=0.008, contrast=1.12, glow=0.04, grain=0.002, edge=0.45
    )


def rays(width: int, height: int) -> tuple[Array, Array, Array]:
    """Direction in which each point of the picture looks."""
    x, y = grid(width, height)
    ahead = np.array(TARGET) - np.array(EYE)
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, (0, 1, 0))
    right /= np.linalg.norm(right)
    up = np.cross(right, ahead)
    u, v = (x - width / 2) / width * 0.86, (height / 2 - y) / width * 0.86
    way = [np.float32(ahead[i]) + u * np.float32(right[i]) + v * np.float32(up[i]) for i in range(3)]
    size = np.sqrt(sum(q * q for q in way))
    return tuple(q / size for q in way)  # type: ignore[return-value]


def table(x: Array, z: Array, s: Array, t: Array, ink: Array) -> Array:
    """Light from the sheet and from the wood beside it, before the dividers are laid down."""
    over_s = np.abs(s) - SHEET[0] / 2 + 0.004 * noise(851, t * 9, s * 0)
    over_t = np.abs(t) - SHEET[1] / 2 + 0.004 * noise(852, s * 9, t * 0)
    on = smoothstep(0.0015, -0.0015, np.maximum(over_s, over_t))
    raised = relief(s, t)
    gap_t, gap_s = np.gradient(t, axis=0) + 1e-9, np.gradient(s, axis=1) + 1e-9
    tilt_s, tilt_t = np.gradient(raised, axis=1) / gap_s, np.gradient(raised, axis=0) / gap_t
    cos, sin = np.cos(TURN), np.sin(TURN)
    nx, nz = -(tilt_s * cos + tilt_t * sin), -(tilt_t * cos - tilt_s * sin)
    lx, ly, lz, near = lamp_at(x, z)
    facing = np.clip((nx * lx + ly + nz * lz) / np.sqrt(1 + nx * nx + nz * nz), 0, 1)
    edge = np.minimum(SHEET[0] / 2 - np.abs(s), SHEET[1] / 2 - np.abs(t))
    grain = fractal(931, x * 2.2 + 0.1 * fractal(941, x * 2, z * 3, octaves=3), z * 26, octaves=6)
    wood = 0.045 * (1 + 0.75 * grain) + 0.10 * smoothstep(0.90, 1.0, facing)
    wood = wood * (1 - 0.65 * smoothstep(0.030, 0.0, -edge) * (s + t > -0.2))
    shown = mix(wood, paper(s, t, edge) * mix(0.055, 1.0, ink), on)
    return (shown * (1.05 * facing * near + 0.012)).astype(np.float32)


def relief(s: Array, t: Array) -> Array:
    """Height of the paper over the table: it cockles, and does not lie flat where it was folded."""
    raised = 0.0018 * fractal(861, s * 5, t * 5, octaves=4)
    raised += 0.00035 * fractal(871, s * 60, t * 60, octaves=4)
    for at, deep in ((-FOLDS[0], 0.0050), (FOLDS[0], -0.0046)):
        raised += deep * np.exp(-np.abs(s - at) / 0.022)
    return raised + 0.0044 * np.exp(-np.abs(t - FOLDS[1]) / 0.02)


def paper(s: Array, t: Array, edge: Array) -> Array:
    """How light the bare paper is: fibres, brown edges, worn folds, the ring a mug has left."""
    fibre = 1 + 0.05 * fractal(881, s * 25, t * 90, octaves=4) + 0.05 * fractal(891, s * 3, t * 3, octaves=4)
    age = 1 - 0.28 * np.exp(-np.maximum(edge, 0) / 0.05) * (1 + 0.5 * fractal(901, s * 6, t * 6, octaves=4))
    stain = np.abs(np.hypot(s - 0.47, t - 0.34) - 0.092 + 0.004 * noise(911, s * 14, t * 14))
    age = age * (1 - 0.20 * smoothstep(0.007, 0.001, stain) * (0.6 + 0.5 * noise(921, s * 9, t * 9)))
    fold = np.minimum(np.abs(np.abs(s) - FOLDS[0]), np.abs(t - FOLDS[1]))
    return 0.80 * fibre * age * (1 - 0.10 * smoothstep(0.006, 0.0, fold))


def lamp_at(x: Array, z: Array) -> tuple[Array, Array, Array, Array]:
    """Direction to the lamp from places on the table, and how strong its light is there."""
    dx, dy, dz = LAMP[0] - x, np.float32(LAMP[1]), LAMP[2] - z
    away = np.sqrt(dx * dx + dy * dy + dz * dz)
    shade = smoothstep(1.15, 0.15, np.hypot(x + 0.14, (z + 0.02) * 1.1))
    return dx / away, dy / away, dz / away, (0.95 / away) ** 1.5 * (0.10 + 0.90 * shade)


def dividers(p: Place) -> Array:
    """Distance to a pair of dividers that lies on the chart, legs apart."""
    q = p.turned(0.62, (0.33, 0, -0.02))
    d = np.full_like(p.x, 9.0)
    for hand in (-1, 1):
        knee = (hand * 0.075, 0.020, 0.20)
        tip = (hand * 0.125, 0.006, 0.44)
        leg = capsule(q, (hand * 0.010, 0.024, 0.0), knee, 0.0135, 0.0105)
        collar = capsule(q, (hand * 0.071, 0.0205, 0.185), (hand * 0.079, 0.0195, 0.215), 0.0150)
        point = capsule(q, knee, tip, 0.0072, 0.0012)
        d = np.minimum(d, join(join(leg, collar, 0.004), point, 0.002))
    d = join(d, ellipsoid(q, (0, 0.024, -0.012), (0.034, 0.020, 0.034)), 0.006)
    d = np.minimum(d, ellipsoid(q, (0, 0.041, -0.012), (0.012, 0.008, 0.012)))
    return join(d, capsule(q, (0, 0.024, -0.04), (0, 0.024, -0.085), 0.008, 0.013), 0.008)


def instrument(light: Array, way: tuple[Array, Array, Array], far: Array) -> Array:
    """Lay the dividers down: their shade on the paper, then themselves."""
    flat = [q.ravel() for q in way]
    ground = Place(*(np.float32(o) + q * far.ravel() for o, q in zip(EYE, flat, strict=True)))
    lamp = np.array(LAMP) - np.array((0.33, 0.0, 0.05))
    toward = tuple(lamp / np.linalg.norm(lamp))
    out = light.ravel().copy()
    close = np.flatnonzero(np.hypot(ground.x - 0.33, ground.z - 0.05) < 0.75)
    out[close] *= shade(ground.part(close), toward)
    near = np.flatnonzero(np.hypot(ground.x - 0.33, ground.z - 0.02) < 0.62)
    ray = tuple(q[near] for q in flat)
    away = walk(dividers, EYE, ray, 0.7, 2.6, 110)
    hit = np.isfinite(away) & (away < far.ravel()[near])
    p = Place(*(np.float32(o) + q[hit] * away[hit] for o, q in zip(EYE, ray, strict=True)))
    out[near[hit]] = brass(p, tuple(q[hit] for q in ray), toward)
    return out.reshape(light.shape).astype(np.float32)


def shade(below: Place, toward: Vector) -> Array:
    """Give what the dividers leave of the light at places on the paper."""
    start = Place(below.x, below.y + 0.0005, below.z)
    soft = shade_toward(dividers, start, toward, 0.07, 0.4, stride=0.10, steps=70)
    up = (np.zeros_like(below.x), np.ones_like(below.x), np.zeros_like(below.x))
    return (0.10 + 0.90 * soft) * openness(dividers, below, up, 0.05)


def brass(p: Place, way: tuple[Array, ...], toward: Vector) -> Array:
    """Light from polished brass at places seen along `way`: the room, the paper, the lamp in it."""
    n = normal(dividers, p, 0.0006)

    def dot(a: tuple, b: tuple) -> Array:
        return sum(q * o for q, o in zip(a, b, strict=True))

    facing = dot(n, way)
    bounce = tuple(q - 2 * facing * o for q, o in zip(way, n, strict=True))
    glare = np.clip(dot(bounce, toward), 0, 1)
    room = 0.05 + 0.30 * smoothstep(-0.1, -0.7, bounce[1]) + 0.14 * smoothstep(0.55, 0.95, -bounce[0])
    metal = 0.55 * room + 1.3 * glare**14 + 4.0 * glare**160 + 0.10 * np.clip(dot(n, toward), 0, 1)
    return metal * (0.15 + lamp_at(p.x, p.z)[3]) * openness(dividers, p, n, 0.03)
