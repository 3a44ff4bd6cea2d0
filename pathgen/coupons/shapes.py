"""Shapes that coupons are made of: maps of thickness in pixels, with notches to count instead of figures.

All maps are as the viewer sees them, row 0 at the top, and have whole pixels: a length is rounded to them.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import PanelArea
from pathgen.settings import Job

Floats = NDArray[np.float64]

INDEX = 4.0  # mm, width of the thicker edge on the side where counting begins
INDEX_OVER = 1.0  # mm that it is thicker than what stands beside it
NOTCH = 1.0  # mm wide and deep; one that stands for five is three times as wide
SPACE = 1.2  # mm from notch to notch


def plain_job(base: Job, **changes: object) -> Job:
    """Strip a job of everything that would change a coupon's shape or light; machine and feeds stay.

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
    if base.layer == "auto":  # a coupon's layers are even
        kept["layer"] = base.layer_like
    return Job(**{**kept, "rim_width": 0.0, "wedges": "auto", **changes})  # type: ignore[arg-type]


def across(widths: Sequence[float], values: Sequence[float], height: float, pixel: float) -> Floats:
    """Make a map of upright stripes, from left to right.

    Parameters
    ----------
    widths, values : sequence of float
        Width and thickness of each, mm.
    height, pixel : float
        mm.

    Examples
    --------
    >>> across([0.2, 0.1], [1.0, 2.0], 0.1, 0.1).tolist()
    [[1.0, 1.0, 2.0]]
    """
    edges = np.rint(np.cumsum([0.0, *widths]) / pixel).astype(np.intp)
    row = np.repeat(np.asarray(values, np.float64), np.diff(edges))
    return np.tile(row, (pixels(height, pixel), 1))


def pixels(length: float, pixel: float) -> int:
    """Count the pixels of a length, mm; at least one."""
    return max(1, round(length / pixel))


def notched(thickness: Floats, pixel: float, counts: Sequence[tuple[float, int]]) -> Floats:
    """Cut notches into the upper edge: as many as each count, those for five of it three times as wide.

    Parameters
    ----------
    thickness : (rows, cols) float64
        mm.
    pixel : float
        mm.
    counts : sequence of (left, count)
        Where a group begins, mm, and what it counts to.

    Returns
    -------
    (rows, cols) float64
        A copy; the notches are open, thickness 0.

    Examples
    --------
    >>> bare = np.ones((40, 200))
    >>> int((notched(bare, 0.1, [(1.0, 7)])[0] == 0).sum())  # one for five and two for one
    50
    """
    cut = thickness.copy()
    deep = pixels(NOTCH, pixel)
    for left, count in counts:
        at = left
        for wide in [3 * NOTCH] * (count // 5) + [NOTCH] * (count % 5):
            cut[:deep, round(at / pixel) : round((at + wide) / pixel)] = 0.0
            at += wide + SPACE
    return cut


def notches_wide(count: int) -> float:
    """Tell how much room the notches of a count take, mm.

    Examples
    --------
    >>> notches_wide(1), round(notches_wide(7), 1)
    (1.0, 7.4)
    """
    fives, ones = divmod(count, 5)
    return NOTCH * (3 * fives + ones) + SPACE * (fives + ones - 1)


def inside(box: PanelArea, margin: float) -> PanelArea:
    """Shrink a box by a margin on all sides, mm.

    Examples
    --------
    >>> inside(PanelArea(0, 0, 10, 10), 2)
    PanelArea(left=2, bottom=2, right=8, top=8)
    """
    return PanelArea(box.left + margin, box.bottom + margin, box.right - margin, box.top - margin)


def replace_keys(job: Job, **changes: object) -> Job:
    """Change some keys of a job."""
    return msgspec.structs.replace(job, **changes)
