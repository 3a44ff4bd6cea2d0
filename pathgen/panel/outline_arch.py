"""Outline of a round-topped window."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import Polygon

from pathgen.panel.outline import arc_segments, check_sides, ring_polygon, rounded_corners
from pathgen.panel.outlines import Sides


def arch(width: float, height: float) -> Polygon:
    """Return a round-topped window: a rectangle below a half disc of the same width.

    If the height is less than half the width, the outline is a segment of a larger disc instead, whose arc
    runs from one foot over the crown to the other.

    Parameters
    ----------
    width, height : float
        Sides of the bounding box, mm.

    Returns
    -------
    Polygon

    Raises
    ------
    PathgenError
        If a side is outside 0.01 to 2000 mm.

    Examples
    --------
    >>> arch(60, 80).bounds
    (0.0, 0.0, 60.0, 80.0)
    >>> round(arch(60, 80).area, 1), round(60 * 50 + np.pi * 30**2 / 2, 1)
    (4413.6, 4413.7)
    """
    check_sides(width, height)
    if height >= width / 2:
        return ring_polygon(rounded_corners(width, height, 0.0, 0.0, width / 2, width / 2))
    # Circle through the two feet and the crown (exact geometry).
    radius = (width**2 / 4 + height**2) / (2 * height)
    half = math.asin(min(1.0, width / 2 / radius))
    angle = np.linspace(0.0, half, arc_segments(radius, half) + 1)
    right = np.column_stack([radius * np.sin(angle), height - radius * (1 - np.cos(angle))])
    right[-1] = width / 2, 0.0
    left = right * (-1, 1)
    return ring_polygon(np.concatenate([right[::-1], left[1:]]) + (width / 2, 0))


def arch_outline(sides: Sides) -> Polygon:
    """Return an arch with the picture's aspect ratio."""
    return arch(sides.width, sides.height)
