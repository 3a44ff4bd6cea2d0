"""A camera for tests: a coupon on an even light, seen aslant, with a lens that darkens its corners."""

import numpy as np
from PIL import Image
from scipy.ndimage import map_coordinates

from pathgen.picture import encode_srgb

SIZE = 2400, 700  # pixels across and down
CORNERS = ((210.0, 250.0), (2190.0, 215.0), (2225.0, 430.0), (180.0, 420.0))  # upper left first, clockwise


def homography(size, corners):
    """Matrix from mm on the coupon to pixels, by the linear equations of four points (any textbook)."""
    wide, high = size
    own = [(0, high), (wide, high), (wide, 0), (0, 0)]
    rows, right = [], []
    for (u, z), (x, y) in zip(own, corners, strict=True):
        rows += [[u, z, 1, 0, 0, 0, -x * u, -x * z], [0, 0, 0, u, z, 1, -y * u, -y * z]]
        right += [x, y]
    return np.append(np.linalg.solve(np.array(rows, float), np.array(right)), 1.0).reshape(3, 3)


def photograph(
    path, through, pixel, *, exposure=0.85, noise=0.01, seed=0, bare=1.0, corners=CORNERS, dark=0.3
):
    """Write a photograph of a lit coupon; `through` is its light, (rows, cols), row 0 at the top."""
    rows, cols = through.shape
    size = cols * pixel, rows * pixel
    x, y = np.meshgrid(np.arange(SIZE[0]) + 0.5, np.arange(SIZE[1]) + 0.5)
    back = np.linalg.inv(homography(size, corners))
    u, z, w = np.tensordot(back, np.stack([x, y, np.ones_like(x)]), axes=1)
    u, z = u / w, z / w
    inside = (u > 0) & (u < size[0]) & (z > 0) & (z < size[1])
    light = map_coordinates(through, [(size[1] - z) / pixel - 0.5, u / pixel - 0.5], order=1, mode="nearest")
    light = np.where(inside, light, bare)
    across = (x / SIZE[0] - 0.5) ** 2 + (y / SIZE[0] - 0.5 * SIZE[1] / SIZE[0]) ** 2
    light *= exposure * (1 + dark * across / 0.25) ** -2  # cos⁴ law of a lens, near enough
    rng = np.random.default_rng(seed)
    light *= 1 + noise * rng.standard_normal(light.shape)
    codes = np.rint(255 * encode_srgb(np.clip(light, 0, 1))).astype(np.uint8)
    Image.fromarray(codes).convert("RGB").save(path)
    return " ".join(f"{x:g},{y:g}" for x, y in corners)
