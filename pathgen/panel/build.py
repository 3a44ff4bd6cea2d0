"""The panel: a thickness map with its rim, standing upright on the platform.

Maps are (rows, cols) with row 0 at the top, as pictures are; column 0 is at the viewer's left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError


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
        Width of the rim in pixels; the picture is what lies inside.
    """

    thickness: NDArray[np.float64]
    pixel: float
    rim: int = 0

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


def chamfer_top(panel: Panel, angle: float) -> Panel:
    """Have the top rim grow out of the picture no faster than a layer carries the next.

    Parameters
    ----------
    panel : Panel
    angle : float
        Degrees from the vertical that a layer may lean out over the one below.

    Returns
    -------
    Panel
        The rows of the top rim are thinned from below; all others stay.

    Examples
    --------
    >>> plain = frame(np.ones((4, 4)), 0.5, 1.5, 4.0)
    >>> chamfer_top(plain, 45.0).thickness[:4, 4].tolist()
    [2.5, 2.0, 1.5, 1.0]
    """
    thickness = panel.thickness.copy()
    step = panel.pixel * np.tan(np.radians(angle))
    top = thickness[panel.rim :: -1] - step * np.arange(panel.rim + 1)[:, None]
    reached = np.minimum.accumulate(top, axis=0) + step * np.arange(panel.rim + 1)[:, None]
    inside = panel.picture[1]
    thickness[panel.rim :: -1, inside] = reached[:, inside]
    return Panel(thickness, panel.pixel, panel.rim)


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
    rim = round(rim_width / pixel)
    rows, cols = picture.shape
    thickness = np.full((rows + 2 * rim, cols + 2 * rim), float(rim_thickness))
    panel = Panel(thickness, pixel, rim)
    thickness[panel.picture] = picture
    return panel
