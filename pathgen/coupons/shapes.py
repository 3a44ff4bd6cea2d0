"""Shapes of coupons: thickness maps with notches to count instead of printed numbers.

All maps are as the viewer sees them, row 0 at the top. Lengths are rounded to whole pixels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pathgen.coupons.fit_result import Floats
from pathgen.settings import Job

INDEX = 4.0  # mm, width of the thicker edge at which counting begins
INDEX_OVER = 1.0  # mm by which this edge exceeds the thickness beside it
NOTCH = 1.0  # mm, width and depth; a notch that counts five is three times as wide
SPACE = 1.2  # mm between notches


def plain_job(base: Job, **changes: object) -> Job:
    """Reset all settings of a job that would change the shape or the light of a coupon.

    Examples
    --------
    >>> plain_job(Job(bend=120.0, layer=0.2, tones="local"), brim=5.0).layer
    0.2
    """
    kept = {
        name: getattr(base, name)
        for name in (
            "machine", "material", "pixel", "layer", "first_layer", "fill", "feed", "first_feed", "packing",
            "nozzle_temperature", "platform_temperature", "axis", "spacing", "spacing_min", "spacing_max",
        )
    }  # fmt: skip
    if base.layer == "auto":  # all layers of a coupon have the same height
        kept["layer"] = base.layer_like
    return Job(**{**kept, "rim_width": 0.0, "wedges": "auto", **changes})  # type: ignore[arg-type]


def build_stripes(widths: Sequence[float], values: Sequence[float], height: float, pixel: float) -> Floats:
    """Build a thickness map of upright stripes, from left to right.

    Parameters
    ----------
    widths, values : sequence of float
        Width and thickness of each stripe, mm.
    height, pixel : float
        Height of the map, and size of a pixel, mm.

    Examples
    --------
    >>> build_stripes([0.2, 0.1], [1.0, 2.0], 0.1, 0.1).tolist()
    [[1.0, 1.0, 2.0]]
    """
    edges = np.rint(np.cumsum([0.0, *widths]) / pixel).astype(np.intp)
    row = np.repeat(np.asarray(values, np.float64), np.diff(edges))
    return np.tile(row, (pixel_count(height, pixel), 1))


def pixel_count(length: float, pixel: float) -> int:
    """Return the number of pixels in a length in mm, at least one."""
    return max(1, round(length / pixel))


def cut_notches(thickness: Floats, pixel: float, counts: Sequence[tuple[float, int]]) -> Floats:
    """Cut groups of notches into the upper edge; a wide notch counts as five.

    Parameters
    ----------
    thickness : (rows, cols) float64
        mm.
    pixel : float
        mm.
    counts : sequence of (middle, count)
        Middle of each group, mm, and its count.

    Returns
    -------
    (rows, cols) float64
        A copy; the thickness is 0 in the notches, which are open at the top.

    Examples
    --------
    >>> bare = np.ones((40, 200))
    >>> int((cut_notches(bare, 0.1, [(9.0, 7)])[0] == 0).sum())  # one wide notch and two narrow ones
    50
    """
    cut = thickness.copy()
    deep = pixel_count(NOTCH, pixel)
    for middle, count in counts:
        widths = [3 * NOTCH] * (count // 5) + [NOTCH] * (count % 5)
        at = middle - (sum(widths) + SPACE * (len(widths) - 1)) / 2
        for wide in widths:
            cut[:deep, round(at / pixel) : round((at + wide) / pixel)] = 0.0
            at += wide + SPACE
    return cut
