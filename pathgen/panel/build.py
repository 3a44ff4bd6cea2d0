"""Panel: the thickness map of picture and rim, as it stands on the platform.

Maps are (rows, cols) arrays with row 0 at the top. The rim and the eyelets are added while the map is
upright, that is, as the viewer sees the panel; `stand_on_edge` then turns it onto the edge on which it is
printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.eyelet import Eyelet, eyelets, raise_lugs
from pathgen.panel.pixels import grid_over
from pathgen.panel.rim import RimShape, rim
from pathgen.panel.view import View


@dataclass(frozen=True, slots=True)
class Panel:
    """Flat panel as it stands on the platform.

    Attributes
    ----------
    thickness : (rows, cols) float64
        Thickness of the whole panel including the rim, mm; the last row stands on the platform.
    pixel : float
        Pixel size, mm.
    rim : int
        Rim width of a rectangular panel in pixels, equal on all sides. 0 for other outlines, and for a ring
        whose seam has no rim.
    edge : (rows, cols) bool
        True outside the picture: rim, bevel, border line and eyelets. By default the whole map is picture.
    view : View
        Transformation from the map as the viewer sees it to this one; ``view.upright(thickness)`` inverts it.
    """

    thickness: NDArray[np.float64]
    pixel: float
    rim: int = 0
    edge: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((1, 1), bool))
    view: View = View()

    @property
    def width(self) -> float:
        """Outer width of the standing panel, mm."""
        return int(self.thickness.shape[1]) * self.pixel

    @property
    def height(self) -> float:
        """Outer height of the standing panel, mm."""
        return int(self.thickness.shape[0]) * self.pixel

    @property
    def picture(self) -> tuple[slice, slice]:
        """Array index of the area inside a rectangular rim: picture, bevel and border line."""
        rows, cols = self.thickness.shape
        return slice(self.rim, rows - self.rim), slice(self.rim, cols - self.rim)


def chamfer(panel: Panel, angle: float) -> Panel:
    """Make the rim above the picture thinner, so that the rim keeps to the overhang limit.

    Parameters
    ----------
    panel : Panel
    angle : float
        Maximum overhang, degrees from the vertical.

    Returns
    -------
    Panel
        Rim pixels above thinner wall are thinned; all other pixels are unchanged.

    Examples
    --------
    >>> plain = add_rim(np.ones((4, 4)), 0.5, 1.5, 4.0)
    >>> chamfer(plain, 45.0).thickness[:4, 4].tolist()
    [2.5, 2.0, 1.5, 1.0]
    """
    thickness = panel.thickness.copy()
    step = panel.pixel * np.tan(np.radians(angle))
    for row in range(len(thickness) - 2, -1, -1):
        below = thickness[row + 1]
        limited = panel.edge[row] & (below > 0)
        np.minimum(thickness[row], below + step, out=thickness[row], where=limited)
    return replace(panel, thickness=thickness)


def stand_on_edge(panel: Panel, view: View) -> Panel:
    """Turn an upright panel onto the edge on which it is printed.

    Parameters
    ----------
    panel : Panel
        Its map is as the viewer sees it.
    view : View

    Returns
    -------
    Panel
        Its map stands; ``view.upright`` restores the original one.

    Examples
    --------
    >>> plain = Panel(np.array([[1.0, 2.0, 3.0]]), 0.1)
    >>> stand_on_edge(plain, View(turn=180)).thickness.tolist()
    [[3.0, 2.0, 1.0]]
    """
    edge = view.standing(np.broadcast_to(panel.edge, panel.thickness.shape))
    return replace(panel, thickness=view.standing(panel.thickness), edge=edge, view=view)


def cut_out(
    picture: NDArray[np.floating],
    outline: Polygon,
    pixel: float,
    shape: RimShape,
    loops: Sequence[Eyelet] = (),
) -> Panel:
    """Cut a picture's thickness map to an outline; add a rim along the edge and eyelets on top.

    Parameters
    ----------
    picture : (rows, cols) float
        Thickness over the bounding box of the outline, mm, row 0 at the top, on the grid of `grid_over`.
    outline : shapely polygon
        mm.
    pixel : float
        mm.
    shape : RimShape
        Of the rim along the edge.
    loops : sequence of Eyelet
        Eyelets are as thick as the rim, and their projection adds to the height of the panel.

    Returns
    -------
    Panel
        Thickness is 0 outside the outline and in the openings of the eyelets. `rim` is 0; the caller sets it
        for a rectangular outline.

    Raises
    ------
    PathgenError
        If a value is out of range, an eyelet cannot be placed, or no picture is left.

    Examples
    --------
    >>> from pathgen.panel.outline_disc import ellipse
    >>> disc = cut_out(np.ones((80, 80)), ellipse(8, 8), 0.1, RimShape(0.0, 3.0))
    >>> round(float(disc.thickness.sum()) / 100, 1)
    50.2
    """
    whole, lugs = eyelets(outline, loops, shape.width) if loops else (outline, None)
    grid = grid_over(whole, pixel)
    # Eyelets make a panel higher, but not wider.
    around = np.pad(picture, ((grid.rows - picture.shape[0], 0), (0, 0)), mode="edge")
    thickness, is_picture = rim(around, outline, grid, shape)
    if lugs is not None:
        thickness = raise_lugs(thickness, whole, lugs, grid, shape.thickness)
    return Panel(thickness, pixel, 0, (thickness > 0) & ~is_picture)


def add_rim(picture: NDArray[np.floating], pixel: float, rim_width: float, rim_thickness: float) -> Panel:
    """Add a rectangular rim around a picture's thickness map.

    Parameters
    ----------
    picture : (rows, cols) float
        Thickness of the picture, mm, row 0 at the top.
    pixel : float
        Pixel size, mm.
    rim_width, rim_thickness : float
        mm; a width of 0 omits the rim.

    Returns
    -------
    Panel
        Its map is larger than the picture by the rim on all four sides.

    Raises
    ------
    PathgenError
        If the picture has no rows or no columns.

    Examples
    --------
    >>> add_rim(np.ones((4, 6)), 0.5, 1.0, 3.0).thickness.shape
    (8, 10)
    """
    if picture.ndim != 2 or 0 in picture.shape:
        what = f"the picture array has the shape {picture.shape}"
        raise PathgenError(what, allowed="at least one row and one column")
    wide = round(rim_width / pixel)
    thickness = np.pad(np.asarray(picture, np.float64), wide, constant_values=rim_thickness)
    panel = Panel(thickness, pixel, wide, np.ones(thickness.shape, bool))
    panel.edge[panel.picture] = False
    return panel
