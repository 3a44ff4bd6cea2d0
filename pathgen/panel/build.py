"""The panel: a thickness map with its rim, as it stands on the platform.

Maps are (rows, cols) with row 0 at the top, as pictures are. Rim and loops are put on as the viewer sees the
panel; `stand` then puts it on the edge it is made on, as its `View` says.
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
from pathgen.panel.rim import rim
from pathgen.panel.view import View


@dataclass(frozen=True, slots=True)
class Panel:
    """A flat panel as it stands on the platform.

    Attributes
    ----------
    thickness : (rows, cols) float64
        Thickness of the whole panel, rim included, mm; the last row stands on the platform.
    pixel : float
        Spacing of the map, mm.
    rim : int
        Width of a rectangle's rim in pixels, the same on all sides, whichever way it was made. 0 for other
        outlines, and for a ring without rims at its seam.
    edge : (rows, cols) bool
        Pixels that are not the picture's: rim, bevel, border line, eyelets. By default there are none.
    view : View
        How this map differs from the one its viewer sees; ``view.upright(thickness)`` gives that.
    """

    thickness: NDArray[np.float64]
    pixel: float
    rim: int = 0
    edge: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((1, 1), bool))
    view: View = View()

    @property
    def width(self) -> float:
        """Outer width as it stands, mm."""
        return int(self.thickness.shape[1]) * self.pixel

    @property
    def height(self) -> float:
        """Outer height as it stands, mm."""
        return int(self.thickness.shape[0]) * self.pixel

    @property
    def picture(self) -> tuple[slice, slice]:
        """Index of what lies inside a rectangle's rim: the picture, with its bevel and border line."""
        rows, cols = self.thickness.shape
        return slice(self.rim, rows - self.rim), slice(self.rim, cols - self.rim)


def chamfer(panel: Panel, angle: float) -> Panel:
    """Have the rim grow out of the picture below it no faster than a layer carries the next.

    Parameters
    ----------
    panel : Panel
    angle : float
        Degrees from the vertical that a layer may lean out over the one below.

    Returns
    -------
    Panel
        Pixels of the rim that stand over thinner wall are thinned; all others stay.

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
        held = panel.edge[row] & (below > 0)
        np.minimum(thickness[row], below + step, out=thickness[row], where=held)
    return replace(panel, thickness=thickness)


def stand_on_edge(panel: Panel, view: View) -> Panel:
    """Put an upright panel on the edge that it is made on.

    Parameters
    ----------
    panel : Panel
        Its map is the one the viewer sees.
    view : View

    Returns
    -------
    Panel
        Its map stands; turned, mirrored and rolled back by the view it is the one given.

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
    rim_width: float,
    rim_thickness: float,
    loops: Sequence[Eyelet] = (),
    *,
    bevel: float = 0.0,
    line: float = 0.0,
    line_thickness: float = 0.0,
    ring: bool = False,
) -> Panel:
    """Cut a picture's thickness map to an outline, with a rim along its edge and loops on its top.

    Parameters
    ----------
    picture : (rows, cols) float
        Thickness over the outline's bounding box, mm, row 0 at the top, on the grid of `grid_over`.
    outline : shapely polygon
        mm.
    pixel, rim_width, rim_thickness : float
        mm; rim width 0 gives no rim.
    loops : sequence of Eyelet
        They are as thick as the rim, and the panel gets higher by what they stand out.
    bevel, line, line_thickness : float
        Of the rim's inner face, degrees, and of the border line, mm, as with `pathgen.panel.rim.rim`.
    ring : bool
        The outline is a rectangle whose sides meet: rim and line run above and below only.

    Returns
    -------
    Panel
        Thickness 0 outside the outline and in the loops' openings. Its `rim` is 0; whoever knows that the
        outline is a rectangle sets it.

    Raises
    ------
    PathgenError
        For values out of range, loops that have no place, and where no picture is left.

    Examples
    --------
    >>> from pathgen.panel.outline import ellipse
    >>> round(float(cut_out(np.ones((80, 80)), ellipse(8, 8), 0.1, 0.0, 3.0).thickness.sum()) / 100, 1)
    50.2
    """
    hung, lugs = eyelets(outline, loops, rim_width) if loops else (outline, None)
    grid = grid_over(hung, pixel)
    above, beside = grid.rows - picture.shape[0], grid.cols - picture.shape[1]
    left = min(max(round((outline.bounds[0] - hung.bounds[0]) / pixel), 0), beside)
    around = np.pad(picture, ((above, 0), (left, beside - left)), mode="edge")
    thickness, shows = rim(around, outline, grid, rim_width, rim_thickness, bevel, line, line_thickness, ring)
    if lugs is not None:
        thickness = raise_lugs(thickness, hung, lugs, grid, rim_thickness)
    return Panel(thickness, pixel, 0, (thickness > 0) & ~shows)


def add_rim(picture: NDArray[np.floating], pixel: float, rim_width: float, rim_thickness: float) -> Panel:
    """Set a picture's thickness map in its rim.

    Parameters
    ----------
    picture : (rows, cols) float
        Thickness of the picture, mm, row 0 at the top.
    pixel : float
        Spacing of the map, mm.
    rim_width, rim_thickness : float
        The rim goes around the picture, mm; width 0 gives none.

    Returns
    -------
    Panel
        Its map is the picture grown by the rim on all four sides.

    Raises
    ------
    PathgenError
        When the picture has no rows or columns.

    Examples
    --------
    >>> add_rim(np.ones((4, 6)), 0.5, 1.0, 3.0).thickness.shape
    (8, 10)
    """
    if picture.ndim != 2 or 0 in picture.shape:
        raise PathgenError(f"picture of {picture.shape} pixels", allowed="rows and columns, at least 1 each")
    wide = round(rim_width / pixel)
    rows, cols = picture.shape
    thickness = np.full((rows + 2 * wide, cols + 2 * wide), float(rim_thickness))
    panel = Panel(thickness, pixel, wide, np.ones(thickness.shape, bool))
    thickness[panel.picture] = picture
    panel.edge[panel.picture] = False
    return panel
