"""The panel: a thickness map with its rim, standing upright on the platform.

Maps are (rows, cols) with row 0 at the top, as pictures are; column 0 is at the viewer's left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.eyelet import Eyelet, eyelets, raise_lugs
from pathgen.panel.raster import grid_over
from pathgen.panel.rim import rim


@dataclass(frozen=True, slots=True)
class Panel:
    """A flat panel.

    Attributes
    ----------
    thickness : (rows, cols) float64
        Thickness of the whole panel, rim included, mm.
    pixel : float
        Pitch of the map, mm.
    rim : int
        Width of a rectangle's rim in pixels; the picture is what lies inside. 0 for other outlines.
    edge : (rows, cols) bool
        Pixels of the rim; by default there is none.
    """

    thickness: NDArray[np.float64]
    pixel: float
    rim: int = 0
    edge: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((1, 1), bool))

    @property
    def width(self) -> float:
        """Outer width, mm."""
        return int(self.thickness.shape[1]) * self.pixel

    @property
    def height(self) -> float:
        """Outer height, mm."""
        return int(self.thickness.shape[0]) * self.pixel

    @property
    def picture(self) -> tuple[slice, slice]:
        """Index of the picture inside the map."""
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
    >>> plain = frame(np.ones((4, 4)), 0.5, 1.5, 4.0)
    >>> chamfer(plain, 45.0).thickness[:4, 4].tolist()
    [2.5, 2.0, 1.5, 1.0]
    """
    thickness = panel.thickness.copy()
    step = panel.pixel * np.tan(np.radians(angle))
    for row in range(len(thickness) - 2, -1, -1):
        below = thickness[row + 1]
        held = panel.edge[row] & (below > 0)
        np.minimum(thickness[row], below + step, out=thickness[row], where=held)
    return Panel(thickness, panel.pixel, panel.rim, panel.edge)


def cut_out(
    picture: NDArray[np.floating],
    outline: Polygon,
    pixel: float,
    rim_width: float,
    rim_thickness: float,
    loops: Sequence[Eyelet] = (),
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

    Returns
    -------
    Panel
        Thickness 0 outside the outline and in the loops' openings.

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
    thickness, shows = rim(around, outline, grid, rim_width, rim_thickness)
    if lugs is not None:
        thickness = raise_lugs(thickness, hung, lugs, grid, rim_thickness)
    return Panel(thickness, pixel, 0, (thickness > 0) & ~shows)


def frame(picture: NDArray[np.floating], pixel: float, rim_width: float, rim_thickness: float) -> Panel:
    """Set a picture's thickness map in its rim.

    Parameters
    ----------
    picture : (rows, cols) float
        Thickness of the picture, mm, row 0 at the top.
    pixel : float
        Pitch of the map, mm.
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
    >>> frame(np.ones((4, 6)), 0.5, 1.0, 3.0).thickness.shape
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
