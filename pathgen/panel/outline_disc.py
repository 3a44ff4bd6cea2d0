"""The outline of a disc or an ellipse."""

from __future__ import annotations

from shapely.geometry import Polygon

from pathgen.panel.outline import check_sides, closed_polygon, rounded_points
from pathgen.panel.outlines import Sides


def ellipse(width: float, height: float) -> Polygon:
    """Outline an ellipse; a disc when the sides are equal.

    Parameters and errors as with `rectangle`.

    Examples
    --------
    >>> round(ellipse(100, 100).area, 1), round(np.pi * 50**2, 1)
    (7853.6, 7854.0)
    """
    check_sides(width, height)
    return closed_polygon(rounded_points(width, height, width / 2, height / 2, width / 2, height / 2))


def disc_outline(sides: Sides) -> Polygon:
    """Return a disc with the width of the picture or the one side asked for; with both, an ellipse."""
    if sides.asked_width is not None and sides.asked_height is not None:
        return ellipse(sides.width, sides.height)
    side = sides.width if sides.asked_height is None else sides.height
    return ellipse(side, side)
