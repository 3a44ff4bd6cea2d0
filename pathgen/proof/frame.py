"""The frame of a panel: its position on the platform, and the grid of its columns and layers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.panel.bend import Bend, column_thickness
from pathgen.panel.view import View
from pathgen.proof.header import Header, find_fact, require
from pathgen.route import Placement
from pathgen.settings.job import MIN_BEND

Floats = NDArray[np.float64]

MAX_COLUMNS = 100_000  # of a panel; more are taken for a mistyped width or pixel
MAX_ROWS = 100_000  # of a panel's maps or layers
CELLS = 100_000_000  # of a panel's maps: layers × columns, or rows × columns
LARGEST = 10_000.0  # mm, size and position of a panel; no machine is that large
SNAP = 1e-9  # pixels; a position this close to the border of a column counts as on the border


def read_bend(header: Header, width: float) -> Bend | None:
    """Return the bend in the header of a panel that is `width` mm wide; None for a flat panel.

    Raises
    ------
    PathgenError
        For a bend beyond a full circle, and for one too small to make.
    """
    degrees = header.job.bend or 0.0
    if not degrees:
        return None
    if not MIN_BEND <= abs(degrees) <= 360:
        raise find_fact(header.job, "bend").wrong(degrees, f"0, or {MIN_BEND:g} to 360 in either direction")
    return Bend(width, -degrees if header.job.relief == "away" else degrees)


def read_view(header: Header) -> View:
    """Return the orientation that a panel's header states; upright if the header states none.

    Raises
    ------
    PathgenError
        For a turn other than 0, 90, 180 or 270 degrees.
    """
    return View(int(header.job.turn or 0), header.job.relief == "away", int(header.roll or 0))


def check_grid(width: float, pixel: float, layers: float, height: float = 0.0) -> None:
    """Reject a grid that is larger than any real panel, before its memory is allocated.

    Parameters
    ----------
    width, pixel : float
        Of the panel and of its columns, mm, above 0.
    layers : float
        Number of layers; it may still be fractional in an unchecked header.
    height : float
        mm; 0 if it is not known yet.

    Raises
    ------
    PathgenError
        For more than `LARGEST`, `MAX_COLUMNS`, `MAX_ROWS` or `CELLS`.
    """
    if max(width, height) > LARGEST:
        what = f"the panel measures {width:g} mm" + (f" × {height:g} mm" if height else "")
        raise PathgenError(what, where="frame", allowed=f"at most {LARGEST:g} mm in either direction")
    columns, rows = max(1.0, width / pixel), max(layers, height / pixel)
    if columns > MAX_COLUMNS:
        what = f"a panel {width} mm wide has too many columns of {pixel} mm"
        allowed = f"at most {MAX_COLUMNS} columns"
    elif rows > MAX_ROWS:
        what = f"a panel of {layers:g} layers and {height:g} mm has too many rows of {pixel:g} mm"
        allowed = f"at most {MAX_ROWS} layers and {MAX_ROWS} rows"
    elif columns * rows > CELLS:
        what = f"the panel has {rows:.0f} rows or layers of {columns:.0f} columns"
        allowed = f"at most {CELLS:,} cells in total"
    else:
        return
    raise PathgenError(what, where="frame", allowed=allowed, hint="use a larger --pixel")


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Position of a panel on the platform, and the grid of its columns and layers.

    Panel coordinates are u to the viewer's right, n toward the viewer and z up, so (u, n, z) is left-handed:
    at rotation 0, (x, y) = (x0 + u, y0 - n); at rotation 90, (x, y) = (x0 + n, y0 + u).

    Attributes
    ----------
    rotation : float
        Rotation of the panel on the platform, degrees counter-clockwise.
    x0, y0 : float
        Machine position of u = 0, n = 0, mm.
    width : float
        mm along u; the columns cover u = 0 to width.
    pixel : float
        Width of a column, mm. The last column is narrower if `width` is not a multiple of it.
    tops : (L,) float64
        Height of the top of each layer, ascending, mm. The first layer stands on z = 0.
    bend : Bend, optional
        Bend of the panel; x0, y0 then belong to plan coordinates. By default the panel is flat.
    box : ((low u, high u), (low n, high n)), optional
        Extent of this panel in plan coordinates, mm; deposits outside it belong to a neighbour.
    """

    rotation: float
    x0: float
    y0: float
    width: float
    pixel: float
    tops: Floats
    bend: Bend | None = None
    box: tuple[tuple[float, float], tuple[float, float]] | None = None

    def __post_init__(self) -> None:
        """Reject values that do not form a grid."""
        object.__setattr__(self, "tops", np.asarray(self.tops, np.float64))
        if not 0 <= self.rotation < 360:
            raise PathgenError(f"rotation is {self.rotation}", where="frame", allowed="0 to 360 degrees")
        if not (self.width > 0 and self.pixel > 0):
            what = f"width is {self.width} mm, pixel {self.pixel} mm"
            raise PathgenError(what, where="frame", allowed="a width and a pixel size above 0 mm")
        if not max(abs(self.x0), abs(self.y0)) <= LARGEST:
            what = f"the panel is at x {self.x0:g}, y {self.y0:g} mm"
            raise PathgenError(what, where="frame", allowed=f"-{LARGEST:g} to {LARGEST:g} mm")
        if self.tops.ndim != 1 or not len(self.tops) or not (self.heights > 0).all():
            allowed = "ascending heights above 0"
            raise PathgenError(
                "the heights of the layer tops do not increase", where="frame", allowed=allowed
            )
        check_grid(self.width, self.pixel, len(self.tops), float(self.tops[-1]))

    @property
    def heights(self) -> Floats:
        """Height of each layer, bottom first, mm."""
        return np.diff(self.tops, prepend=0.0)

    @property
    def borders(self) -> Floats:
        """Borders of the columns, mm: (C + 1,) from 0 to width."""
        columns = max(1, math.ceil(self.width / self.pixel - SNAP))
        return np.asarray(np.minimum(np.arange(columns + 1) * self.pixel, self.width))

    @classmethod
    def of(cls, program: Program) -> Frame:
        """Return the frame of a program, from its header and its layer comments.

        Raises
        ------
        PathgenError
            When the header lacks a value: the program is not from pathgen, or its header was removed.
        """
        header = Header.read(program.header)
        width = require(header, "width")
        return cls(
            rotation=require(header, "rotation"),
            x0=require(header, "x0"),
            y0=require(header, "y0"),
            width=width,
            pixel=require(header.job, "pixel"),
            tops=program.tops,
            bend=read_bend(header, width),
        )

    def u(self, x: Floats, y: Floats) -> Floats:
        """Return the coordinate u (along the width) of machine positions, mm.

        Examples
        --------
        >>> Frame(90, 50.0, 20.0, 30.0, 0.1, np.array([0.2])).u(np.array([51.0]), np.array([23.0]))
        array([3.])
        """
        across, out = self.plan(x, y)
        return across if self.bend is None else self.bend.to_flat(across, out)[0]

    def plan(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return the plan coordinates (u, n) of machine positions, mm, without undoing a bend."""
        return Placement(self.rotation, self.x0, self.y0).to_panel(x, y)

    def holds(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Return a mask of the machine positions that belong to this panel."""
        if self.box is None:
            return np.ones(np.shape(x), bool)
        inside = np.ones(np.shape(x), bool)
        for values, (low, high) in zip(self.plan(x, y), self.box, strict=True):
            inside &= (values >= low) & (values <= high)
        return inside

    def spans(self, start: tuple[Floats, Floats], end: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
        """Return u at both ends of moves, mm; an end on a ring's seam gets the side that its move is on.

        Parameters
        ----------
        start, end : tuple of (N,) float
            Machine x and y.
        """
        first, last = self.u(*start), self.u(*end)
        if self.bend is not None and self.bend.closed:
            across = np.abs(last - first) > self.width / 2
            at_first = np.minimum(first, self.width - first) < np.minimum(last, self.width - last)
            first = np.where(across & at_first, first + self.width * np.sign(last - first), first)
            last = np.where(across & ~at_first, last + self.width * np.sign(first - last), last)
        return first, last

    def thickness(self, volume_per_area: Floats) -> Floats:
        """Return the wall thickness, mm, for a volume per area of the back, corrected for the bend."""
        if self.bend is None:
            return volume_per_area
        return column_thickness(volume_per_area, self.bend.radius)
