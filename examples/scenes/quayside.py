"""What stands on the quay before the cranes: men, an iron bollard, the hawser that leads to the ship."""

from __future__ import annotations

import numpy as np

from scenes.rigging import QUAY, hawse
from scenes.tools import Array, Mask, birds, fractal, grid, mix, smoothstep
from scenes.view import View

MEN = ((-5.6, 25.5, 1.75), (-4.7, 26.2, 1.68), (-8.9, 33.0, 1.72))  # to the right, away, height, m


def foreground(light: Array, haze: Array, view: View) -> Array:
    """Men at work, gulls, a bollard with its hawser; `haze` is the fog's light at the horizon."""
    height, width = light.shape
    x, y = grid(width, height)
    edge = 0.012 + 0.07 * haze
    for pose, (at, z, tall) in enumerate(MEN):
        cx, foot = view.at(at, QUAY, z)
        light = mix(light, edge, man(width, height, cx, foot, view.focal / z * tall / 1.75, pose))
    light = birds(
        light,
        (0.67 * width, 0.20 * height),
        (0.10 * width, 0.07 * height),
        0.011 * width,
        9,
        seed=5,
        grey=0.06,
    )
    return bollard(light, view, x, y)


def man(width: int, height: int, x: float, foot: float, metre: float, pose: int) -> Array:
    """Draw a docker in a long jacket and a cap, standing, turned, or pointing out over the water."""
    lean = (0.05, -0.07, 0.02)[pose]

    def at(*points: tuple[float, float]) -> list[tuple[float, float]]:
        return [(x + (a + lean * b) * metre, foot - b * metre) for a, b in points]

    mask = Mask(width, height, 2)
    mask.limb(at((-0.11, 0.85), (-0.13, 0.45), (-0.15, 0.04)), 0.15 * metre)
    mask.limb(at((0.10, 0.85), (0.15, 0.46), (0.19, 0.04)), 0.15 * metre)
    mask.limb(at((-0.22, 0.03), (-0.12, 0.03)), 0.07 * metre).limb(
        at((0.17, 0.03), (0.28, 0.03)), 0.07 * metre
    )
    mask.polygon(
        at(
            (-0.20, 0.74),
            (0.21, 0.72),
            (0.19, 1.05),
            (0.23, 1.32),
            (0.13, 1.46),
            (-0.12, 1.46),
            (-0.23, 1.32),
            (-0.18, 1.05),
        )
    )
    mask.ellipse(*at((-0.15, 1.36))[0], 0.085 * metre, 0.085 * metre).ellipse(
        *at((0.15, 1.36))[0], 0.085 * metre, 0.085 * metre
    )
    left = ((-0.19, 1.36), (-0.27, 1.08), (-0.19, 0.86))
    right = ((0.19, 1.36), (0.28, 1.10), (0.20, 0.90))
    if pose == 1:
        left = ((-0.19, 1.36), (-0.42, 1.42), (-0.68, 1.56))
    if pose == 0:
        right = ((0.19, 1.36), (0.30, 1.12), (0.10, 1.06))
    mask.limb(at(*left), 0.105 * metre).limb(at(*right), 0.105 * metre)
    mask.limb(at((0.0, 1.44), (0.01, 1.52)), 0.11 * metre).ellipse(
        *at((0.015, 1.60))[0], 0.095 * metre, 0.118 * metre
    )
    turned = -1 if pose == 1 else 1
    mask.polygon(at((-0.11, 1.63), (-0.12, 1.70), (-0.05, 1.755), (0.08, 1.75), (0.135, 1.69), (0.13, 1.63)))
    mask.limb(at((0.09 * turned, 1.635), (0.17 * turned, 1.62)), 0.03 * metre)
    return mask.array()


def bollard(light: Array, view: View, x: Array, y: Array) -> Array:
    """Draw an iron bollard near the viewer, and the hawser that leads from it to the ship."""
    cx, foot = view.at(-2.55, QUAY, 8.6)
    m = view.focal / 8.6
    level, across = (foot - y) / m, (x - cx) / m
    bulge = 0.055 * np.sqrt(np.clip(1 - (across / 0.30) ** 2, 0, 1))  # rings are seen a little from above
    heights = np.array([-0.2, 0.0, 0.05, 0.09, 0.15, 0.34, 0.41, 0.46, 0.53, 0.58, 0.61])
    widths = np.array([0.30, 0.30, 0.285, 0.215, 0.175, 0.165, 0.185, 0.245, 0.26, 0.235, 0.16])
    half = np.interp(level + bulge * (level < 0.3), heights, widths, left=0, right=0).astype(np.float32)
    inside = (
        smoothstep(0.005, -0.005, np.abs(across) - half)
        * smoothstep(-0.004, 0.004, level + bulge)
        * (half > 0)
    )
    turn = np.clip(across / np.maximum(half, 1e-3), -1, 1)
    flare = np.interp(level, heights, np.gradient(widths, heights)).astype(np.float32)
    rise = -flare / np.sqrt(1 + flare**2)
    rust = 0.75 + 0.6 * fractal(501, across * 16, level * 16, octaves=5)
    rim = 0.55 * np.clip(turn, 0, 1) ** 5 + 0.10 * np.clip(-turn, 0, 1) ** 6
    top = smoothstep(0.565, 0.60, level) * 0.30
    light = mix(
        light,
        np.float32(0.004),
        0.85 * smoothstep(1.25, 0.7, np.hypot((across + 0.10) / 0.40, (level + 0.03) / 0.10)),
    )
    light = mix(light, (0.010 + rim + 0.14 * np.clip(rise, 0, 1) + top) * rust, inside)
    for i in range(4):
        t = np.linspace(-1.35, 1.35, 30)
        coil = np.column_stack(
            [cx + 0.205 * m * np.sin(t), foot - m * (0.145 + 0.056 * i) + 0.040 * m * np.cos(t)]
        )
        light = rope(light, coil, np.full(30, 0.031 * m))
    bow = hawse()
    t = np.linspace(0, 1, 90) ** 1.6
    lead_x, lead_z = -2.38 + t * (bow[0] + 2.38), 8.5 + t * (bow[2] - 8.5)
    lead_y = QUAY + 0.33 + t * 2.6 - 4.6 * t * (1 - t)
    lead = np.array([view.at(a, b, c) for a, b, c in zip(lead_x, lead_y, lead_z, strict=True)])
    return rope(light, lead, np.maximum(view.focal * 0.033 / lead_z, 0.45))


def rope(light: Array, points: np.ndarray, radius: np.ndarray) -> Array:
    """Draw a laid rope along points, `radius` pixels at each, with the twist of its strands."""
    height, width = light.shape
    low = np.maximum(np.floor(points.min(axis=0) - radius.max() - 2).astype(int), 0)
    high = np.minimum(np.ceil(points.max(axis=0) + radius.max() + 2).astype(int), (width, height))
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(np.float32) + 0.5
    nearest, side, far = np.full(x.shape, 1e9, np.float32), np.zeros_like(x), np.zeros_like(x)
    gone = 0.0
    for a, b, ra, rb in zip(points, points[1:], radius, radius[1:], strict=False):
        along = b - a
        length = max(float(np.hypot(*along)), 1e-6)
        share = np.clip(((x - a[0]) * along[0] + (y - a[1]) * along[1]) / length**2, 0, 1)
        r = ra + (rb - ra) * share
        off = ((x - a[0]) * along[1] - (y - a[1]) * along[0]) / length
        away = np.hypot(x - a[0] - share * along[0], y - a[1] - share * along[1]) / r
        closer = away < nearest
        nearest = np.where(closer, away, nearest)
        side = np.where(closer, off / r, side)
        far = np.where(closer, gone + share * length / ((ra + rb) / 2), far)
        gone += length / ((ra + rb) / 2)
    r = float(radius.mean())
    cover = smoothstep(1 + 0.5 / r, 1 - 0.5 / r, nearest)
    groove = np.abs(np.sin(np.pi * (far * 0.42 + 0.55 * np.clip(side, -1, 1))))
    lit = 0.05 + 0.42 * smoothstep(-0.1, 1.0, side) * (0.35 + 0.65 * groove)
    out = light.copy()
    part = out[low[1] : high[1], low[0] : high[0]]
    part[:] = mix(part, lit * (0.45 + 0.55 * groove), cover)
    return out
