"""Outline of a rectangle with square or rounded corners."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.outline import check_sides, ring_polygon, rounded_corners
from pathgen.panel.outlines import Sides


def rectangle(width: float, height: float, corner: float = 0.0) -> Polygon:
    """Return a rectangle with square or rounded corners.

    Parameters
    ----------
    width, height : float
        mm.
    corner : float
        Radius of the corners, mm; 0 for square corners.

    Returns
    -------
    Polygon

    Raises
    ------
    PathgenError
        If a side is outside 0.01 to 2000 mm, or the radius is more than half the shorter side.

    Examples
    --------
    >>> rectangle(60, 40).area, round(rectangle(60, 40, corner=5).area, 1)
    (2400.0, 2378.5)
    """
    check_sides(width, height)
    largest = min(width, height) / 2
    if not 0 <= corner <= largest:
        allowed = f"0 to {largest:g} mm, half the shorter side"
        raise PathgenError(f"corner is {corner:g} mm", where="corner", allowed=allowed)
    if corner == 0:
        return ring_polygon(np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float64))
    return ring_polygon(rounded_corners(width, height, corner, corner, corner, corner))


def rectangle_outline(sides: Sides) -> Polygon:
    """Return a rectangle with the picture's aspect ratio and the requested corner radius."""
    return rectangle(sides.width, sides.height, sides.corner)
