"""Portraits with known subjects: heads and shoulders drawn before plain backdrops, for tests alone."""

import numpy as np
from scipy import ndimage


def portrait(seed, rows=420, cols=340):
    """Draw one: linear sRGB and the share of every pixel that is subject.

    Edges are soft over 1 to 3 pixels, the backdrop has a gradient of light, both have grain.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float64)
    middle, head = cols * rng.uniform(0.4, 0.6), rows * rng.uniform(0.3, 0.4)
    size = cols * rng.uniform(0.15, 0.2)
    shape = ((x - middle) / size) ** 2 + ((y - head) / (1.3 * size)) ** 2 < 1
    wide = cols * rng.uniform(0.28, 0.36)
    shape |= ((x - middle) / wide) ** 2 + ((y - rows) / (rows * 0.42)) ** 2 < 1
    shape |= (np.abs(x - middle) < size * 0.55) & (y > head) & (y < rows * 0.75)
    if seed % 3 == 0:  # a hat with a brim
        shape |= (np.abs(y - head + size) < 0.16 * size) & (np.abs(x - middle) < 1.6 * size)
    true = shape.astype(np.float64)
    alpha = ndimage.gaussian_filter(true, rng.uniform(0.5, 1.4))
    tint = rng.uniform(0.45, 0.85) * (1 + rng.uniform(-0.06, 0.06, 3))
    lean = rng.uniform(-0.25, 0.25, 2)
    light = 1 + lean[0] * (x / cols - 0.5) + lean[1] * (y / rows - 0.5)
    backdrop = np.clip(tint * light[..., None], 0, 1)
    skin = np.array([0.35, 0.22, 0.16]) * rng.uniform(0.4, 1.0)
    cloth = rng.uniform(0.01, 0.15, 3)
    figure = np.where((y > head + 1.4 * size)[..., None], cloth, skin)
    figure = figure * (1 + 0.3 * np.sin(x / 9 + y / 13))[..., None]
    rgb = alpha[..., None] * figure + (1 - alpha[..., None]) * backdrop
    grain = rng.normal(0, rng.uniform(0.003, 0.015), rgb.shape)
    return np.clip(rgb + grain * np.sqrt(np.clip(rgb, 0.02, 1)), 0, 1).astype(np.float32), shape
