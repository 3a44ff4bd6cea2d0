"""Rim of a panel: a raised frame along its edge, with an optional bevel and border line on the inside.

From the edge inward, a panel consists of the rim, an optional border line, and the picture. A bevel makes the
inner face of the rim slope at an angle instead of ending in a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.panel.pixels import EXACT, Floats, Grid, Mask, box_distance, check_shape, edge_distance

BEVEL = 0.0, 89.0  # limits, degrees from the panel's normal


@dataclass(frozen=True, slots=True)
class RimShape:
    """Shape of a rim.

    Attributes
    ----------
    width, thickness : float
        mm. The width is rounded to whole pixels; 0 omits the rim and the bevel.
    bevel : float
        Angle of the rim's inner face from the panel's normal, degrees: 0 is a step, 45 falls by 1 mm per mm,
        60 by 1 mm per 1.73 mm. The wall is the larger of the picture and rim − distance beyond the rim /
        tan(bevel).
    line, line_thickness : float
        Width and thickness of a border line just inside the rim, mm; a width of 0 omits the line. A bevel
        ends on the line.
    ring : bool
        True if the outline is a rectangle whose left and right sides join. Rim, bevel and line then run along
        the bottom and the top only.
    """

    width: float
    thickness: float
    bevel: float = 0.0
    line: float = 0.0
    line_thickness: float = 0.0
    ring: bool = False


def rim(
    thickness: NDArray[np.floating], outline: BaseGeometry, grid: Grid, shape: RimShape
) -> tuple[Floats, Mask]:
    """Cut a thickness map to an outline and raise a rim along its edge.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness of the picture over the whole map, mm, row 0 at the top; 0 where there is no wall.
    outline : shapely polygon or multipolygon
        mm. Its holes get a rim as well.
    grid : Grid
        Position of the map.
    shape : RimShape

    Returns
    -------
    thickness : (rows, cols) float64
        A new map, 0 outside the outline. Only the rim closes gaps in the picture (0 mm); line and bevel leave
        them open.
    picture : (rows, cols) bool
        Pixels at which the map equals the picture.

    Raises
    ------
    PathgenError
        If the shapes of map and grid differ, a value is out of range, or rim, line or bevel leave no picture.

    Examples
    --------
    >>> import shapely
    >>> plate = shapely.box(0, 0, 6, 5)
    >>> from pathgen.panel.pixels import grid_over
    >>> shape = RimShape(1.0, 3.0, bevel=45)
    >>> framed, picture = rim(np.full((5, 6), 1.6), plate, grid_over(plate, 1.0), shape)
    >>> framed[2].round(9).tolist()
    [3.0, 2.5, 1.6, 1.6, 2.5, 3.0]
    """
    check_shape(thickness, grid)
    _check("rim", shape.width, shape.thickness)
    _check("line", shape.line, shape.line_thickness)
    if not BEVEL[0] <= shape.bevel <= BEVEL[1]:
        allowed = f"{BEVEL[0]:g} (a step) to {BEVEL[1]:g} degrees from the panel's normal"
        raise PathgenError(f"bevel is {shape.bevel:g} degrees", where="rim_bevel", allowed=allowed)
    border = round(shape.width / grid.pixel) * grid.pixel
    inner = border + round(shape.line / grid.pixel) * grid.pixel
    source = np.asarray(thickness, np.float64)
    run = math.tan(math.radians(shape.bevel)) if border else 0.0  # mm inward per mm of thickness
    thinnest = float(source.min(where=source > 0, initial=shape.thickness))
    if shape.ring or outline.equals(shapely.box(*outline.bounds)):
        distance = box_distance(outline, grid, sides=not shape.ring)
    else:
        distance = edge_distance(outline, grid, max(inner, border + (shape.thickness - thinnest) * run))
    # Rounding errors must not decide on which side of a limit a pixel at exactly that distance falls.
    inside, hair = distance > 0, 10.0**-EXACT * grid.pixel
    in_rim, framed = inside & (distance < border - hair), inside & (distance < inner - hair)
    _check_left(inside & ~framed, distance, shape)
    panel = np.where(inside, source, 0.0)
    wall = panel > 0
    panel[wall & framed] = shape.line_thickness
    if run:
        np.maximum(panel, shape.thickness - (distance - border) / run, out=panel, where=wall)
    panel[in_rim] = shape.thickness
    picture = inside & ~framed & (panel == source)
    if not picture.any():
        what = f"a bevel of {shape.bevel:g} degrees from a rim of {shape.thickness:g} mm leaves no picture"
        raise PathgenError(what, where="rim_bevel", hint="make the bevel steeper by reducing `rim_bevel`")
    return panel, picture


def _check(part: str, width: float, thickness: float) -> None:
    name = {"rim": "rim", "line": "border line"}[part]
    if not 0 <= width < np.inf:
        what = f"width of the {name} is {width:g} mm"
        raise PathgenError(what, where=f"{part}_width", allowed="0 mm or more")
    if width and not 0 < thickness < np.inf:
        what = f"thickness of the {name} is {thickness:g} mm"
        raise PathgenError(what, where=f"{part}_thickness", allowed="more than 0 mm")


def _check_left(picture: Mask, distance: Floats, shape: RimShape) -> None:
    if not distance.any():
        raise PathgenError(
            "no pixel of the thickness map lies inside the outline", hint="use a smaller `pixel`"
        )
    if not picture.any():
        line_too = f" and a border line of {shape.line:g} mm leave" if shape.line else " leaves"
        what = f"a rim of {shape.width:g} mm{line_too} no picture"
        where = "line_width" if shape.line else "rim_width"
        raise PathgenError(
            what, where=where, allowed=f"less than {distance.max():.4g} mm for the total width"
        )
