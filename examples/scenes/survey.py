"""The sea chart as it was printed: land and sea bed, contours and tints, with the line work over them."""

from __future__ import annotations

import numpy as np

from scenes.engraving import TITLE, engrave
from scenes.tools import Array, fractal, grid, mix, noise, smoothstep

DEPTHS = (-0.05, -0.11, -0.19, -0.30, -0.44, -0.62)
HEIGHTS = (0.10, 0.20, 0.30, 0.42)


def sea_bed(a: Array, b: Array) -> Array:
    """Height of the land, or of the sea's bottom under 0, over the sheet; a, b run 0 to 1 and down it."""
    p = a + 0.10 * fractal(801, a * 3, b * 3, octaves=4)
    q = b + 0.10 * fractal(811, a * 3 + 5, b * 3, octaves=4)

    def mound(at_p: Array | float, at_q: float, wide: float, tall: float) -> Array:
        return np.exp(-(((p - at_p) / wide) ** 2) - ((q - at_q) / tall) ** 2)

    coast = 1.15 * (p - 0.62) - 0.62 * (q - 0.42) + 0.20 * np.sin(7.5 * q + 0.6)
    bay = 0.55 * mound(0.80, 0.50, 0.13, 0.10) + 0.34 * mound(0.66 - 0.3 * (q - 0.5), 0.52, 0.09, 0.05)
    isles = 0.34 * mound(0.50, 0.34, 0.050, 0.040) + 0.30 * mound(0.40, 0.45, 0.026, 0.030)
    bank = 0.20 * mound(0.27, 0.70, 0.13, 0.06)
    rough = 0.16 * fractal(821, a * 5, b * 5, octaves=7, gain=0.52)
    return (coast - bay + isles + bank + rough).astype(np.float32)


def printed(width: int, height: int) -> Array:
    """Draw the whole sheet, 0 for ink and 1 for bare paper."""
    x, y = grid(width, height)
    unit = width / 3000
    a, b = x / width, y / height
    bed = sea_bed(a, b)
    slope_y, slope_x = np.gradient(bed)
    steep = np.hypot(slope_x, slope_y) + 1e-7
    inside = (np.abs(a - 0.5) < 0.455) & (np.abs(b - 0.5) < 0.44)
    panel = np.maximum(np.abs(a - TITLE[0]) - TITLE[2], np.abs(b - TITLE[1]) - TITLE[3])
    paper = 1 - (bed < 0) * inside * stipple(bed, x / (6.5 * unit), y / (6.5 * unit))
    paper -= (bed > 0) * inside * hachures(bed, a, b, slope_x / steep, slope_y / steep)
    paper = mix(paper, 1.0, smoothstep(0.004, -0.004, panel))

    def line(level: float, wide: float) -> Array:
        off = np.abs(bed - level) / steep
        return smoothstep(wide * unit + 0.7, wide * unit - 0.7, off) * (inside & (panel >= 0))

    for i, level in enumerate(DEPTHS):
        dash = np.sin(2 * np.pi * (a * np.cos(i) + b * np.sin(i) * 0.75) * (46 - 5 * i))
        paper -= 0.78 * line(level, 1.7) * (smoothstep(-0.2, 0.2, dash) if i % 2 else 1.0)
    for level in HEIGHTS:
        paper -= 0.60 * line(level, 1.4)
    paper -= 0.97 * line(0.0, 4.2)
    return np.clip(paper - 0.95 * engrave(width, height, bed, (bed < 0) & inside), 0.03, 1)


def stipple(bed: Array, x: Array, y: Array) -> Array:
    """Dots on the shallows, one a unit of x and y, a little out of line."""
    out = 0.25 * noise(831, np.floor(x) * 3.7, np.floor(y) * 5.3)
    dot = smoothstep(0.30, 0.18, np.hypot(x % 1 - 0.5 + out, y % 1 - 0.5))
    return 0.55 * dot * smoothstep(-0.16, -0.01, bed) * smoothstep(-0.16, -0.02, bed)


def hachures(bed: Array, a: Array, b: Array, slope_x: Array, slope_y: Array) -> Array:
    """Shade the land by a tint, and by fine lines down its slopes, denser on those away from the light."""
    hill = fractal(841, a * 9, b * 9, octaves=5)
    lines = np.sin(np.arctan2(slope_y, slope_x) * 95 + 3 * hill) ** 2
    dark = np.clip(0.55 + 0.6 * (0.8 * slope_x - 0.6 * slope_y) + 0.5 * hill, 0, 1)
    return 0.26 + 0.55 * smoothstep(0.0, 0.16, bed) * lines * dark
