"""The outline of a round-topped window."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import Polygon

from pathgen.panel.outline import check_sides, closed_polygon, count_pieces, rounded_points
from pathgen.panel.outlines import Sides


def arch(width: float, height: float) -> Polygon:
    """Outline a round-topped window: a rectangle below, half a disc of the same width above.

    Where the height is less than half the width, half a disc has no room; the whole outline is then a
    segment of a larger disc, its arc going from one foot over the crown to the other.

    Parameters and errors as with `rectangle`.

    Examples
    --------
    >>> arch(60, 80).bounds
    (0.0, 0.0, 60.0, 80.0)
    >>> round(arch(60, 80).area, 1), round(60 * 50 + np.pi * 30**2 / 2, 1)
    (4413.6, 4413.7)
    """
    check_sides(width, height)
    if height >= width / 2:
        return closed_polygon(rounded_points(width, height, 0.0, 0.0, width / 2, width / 2))
    # Circle through the two feet and the crown (exact geometry).
    radius = (width**2 / 4 + height**2) / (2 * height)
    half = math.asin(min(1.0, width / 2 / radius))
    turn = np.linspace(0.0, half, count_pieces(radius, half) + 1)
    right = np.column_stack([radius * np.sin(turn), height - radius * (1 - np.cos(turn))])
    right[-1] = width / 2, 0.0
    left = right * (-1, 1)
    return closed_polygon(np.concatenate([right[::-1], left[1:]]) + (width / 2, 0))


def arch_outline(sides: Sides) -> Polygon:
    """Return an arch of the picture's proportions."""
    return arch(sides.width, sides.height)
