"""Outline of a disc or an ellipse."""

from __future__ import annotations

from shapely.geometry import Polygon

from pathgen.panel.outline import check_sides, ring_polygon, rounded_corners
from pathgen.panel.outlines import Sides


def ellipse(width: float, height: float) -> Polygon:
    """Return an ellipse, or a disc if the sides are equal.

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
    >>> import math
    >>> round(ellipse(100, 100).area, 1), round(math.pi * 50**2, 1)
    (7853.6, 7854.0)
    """
    check_sides(width, height)
    return ring_polygon(rounded_corners(width, height, width / 2, height / 2, width / 2, height / 2))


def disc_outline(sides: Sides) -> Polygon:
    """Return a disc as wide as the picture or one requested side, or an ellipse from two requested sides."""
    if sides.asked_width is not None and sides.asked_height is not None:
        return ellipse(sides.width, sides.height)
    diameter = sides.width if sides.asked_height is None else sides.height
    return ellipse(diameter, diameter)
