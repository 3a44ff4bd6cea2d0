"""The rim of a panel of any outline: a raised frame along the edge, with a bevel and a border line inside.

Read from the outline's edge inward, the panel is: the rim, at its own thickness; where asked for, a line at
the picture's edge; the picture. A bevel lets the rim fall to what is inside it at an angle instead of a step.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.panel.pixels import EXACT, Floats, Grid, Mask, box_distance, edge_distance

STEEPEST, FLATTEST = 0.0, 89.0  # degrees from the panel's normal


def rim(
    thickness: NDArray[np.floating],
    outline: BaseGeometry,
    grid: Grid,
    width: float,
    rim_thickness: float,
    bevel: float = 0.0,
    line: float = 0.0,
    line_thickness: float = 0.0,
    ring: bool = False,
) -> tuple[Floats, Mask]:
    """Cut a thickness map to an outline and raise a rim along its edge.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness of the picture over the whole map, mm, row 0 at the top; 0 where there is no wall.
    outline : shapely polygon or multipolygon
        mm. Its holes have a rim as well.
    grid : Grid
        Where the map lies.
    width, rim_thickness : float
        Of the rim, mm. The width is rounded to whole pixels, as in `frame`; 0 gives no rim, and no bevel.
    bevel : float
        Angle of the rim's inner face from the panel's normal, degrees: 0 a step, 45 falls 1 mm each mm, 60
        falls 1 mm in 1.73. The wall is the thicker of picture and rim − distance beyond the rim / tan(bevel).
    line, line_thickness : float
        Width and thickness of a border line just inside the rim, mm; width 0 for none. A bevel falls onto it.
    ring : bool
        The outline is a rectangle whose sides meet: rim, bevel and line run below and above only.

    Returns
    -------
    thickness : (rows, cols) float64
        A new map; 0 outside the outline. Gaps in the picture (0 mm) are closed by the rim only: line and
        bevel leave them open.
    picture : (rows, cols) bool
        Where the map is the picture as it was given.

    Raises
    ------
    PathgenError
        When the map is not of the grid's size, a value is out of its range, or rim, line or bevel leave no
        picture.

    Examples
    --------
    >>> import shapely
    >>> plate = shapely.box(0, 0, 6, 5)
    >>> from pathgen.panel.pixels import grid_over
    >>> framed, picture = rim(np.full((5, 6), 1.6), plate, grid_over(plate, 1.0), 1.0, 3.0, bevel=45)
    >>> framed[2].round(9).tolist()
    [3.0, 2.5, 1.6, 1.6, 2.5, 3.0]
    """
    _check(thickness, grid, width, rim_thickness, bevel, line, line_thickness)
    border = round(width / grid.pixel) * grid.pixel
    inner = border + round(line / grid.pixel) * grid.pixel
    given = np.asarray(thickness, np.float64)
    fall = math.tan(math.radians(bevel)) if border else 0.0  # mm inward for each mm of thickness
    lowest = min(float(given.min(where=given > 0, initial=rim_thickness)), rim_thickness)
    if ring or outline.equals(shapely.box(*outline.bounds)):
        distance = box_distance(outline, grid, sides=not ring)
    else:
        distance = edge_distance(outline, grid, max(inner, border + (rim_thickness - lowest) * fall))
    # Rounding must not decide which side of a limit a pixel at exactly that distance is on.
    inside, hair = distance > 0, 10.0**-EXACT * grid.pixel
    in_rim, framed = inside & (distance < border - hair), inside & (distance < inner - hair)
    _check_left(inside & ~framed, distance, width, line)
    panel = np.where(inside, given, 0.0)
    wall = panel > 0
    panel[wall & framed] = line_thickness
    if fall:
        np.maximum(panel, rim_thickness - (distance - border) / fall, out=panel, where=wall)
    panel[in_rim] = rim_thickness
    shows = inside & ~framed & (panel == given)
    if not shows.any():
        what = f"a bevel of {bevel:g} degrees from a rim of {rim_thickness:g} mm leaves no picture"
        raise PathgenError(what, where="rim_bevel", hint="make it steeper (fewer degrees)")
    return panel, shows


def _check(
    thickness: NDArray[np.floating],
    grid: Grid,
    width: float,
    rim_thickness: float,
    bevel: float,
    line: float,
    line_thickness: float,
) -> None:
    if thickness.shape != grid.shape:
        what = f"thickness map of {' × '.join(map(str, thickness.shape))} pixels"
        raise PathgenError(what, allowed=f"the outline's {grid.rows} × {grid.cols}")
    for name, key, length in (("rim", "rim_width", width), ("border line", "line_width", line)):
        if not 0 <= length < np.inf:
            what = f"width of the {name} is {length:g} mm"
            raise PathgenError(what, where=key, allowed="0 mm or more")
    for name, key, length, needed in (
        ("rim", "rim_thickness", rim_thickness, width),
        ("border line", "line_thickness", line_thickness, line),
    ):
        if needed and not 0 < length < np.inf:
            what = f"thickness of the {name} is {length:g} mm"
            raise PathgenError(what, where=key, allowed="more than 0 mm")
    if not STEEPEST <= bevel <= FLATTEST:
        allowed = f"{STEEPEST:g} (a step) to {FLATTEST:g} degrees from the panel's normal"
        raise PathgenError(f"bevel is {bevel:g} degrees", where="rim_bevel", allowed=allowed)


def _check_left(picture: Mask, distance: Floats, width: float, line: float) -> None:
    if not distance.any():
        raise PathgenError("no pixel of the map lies inside the outline", hint="choose a smaller pixel")
    if not picture.any():
        what = f"rim {width:g} mm wide" + (f" and border line of {line:g} mm" if line else "")
        allowed = f"less than {distance.max():.4g} mm together"
        where = "line_width" if line else "rim_width"
        verb = "leave" if line else "leaves"
        raise PathgenError(f"{what} {verb} no picture", where=where, allowed=allowed)
