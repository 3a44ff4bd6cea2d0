"""Footprints of beads in plan view, and the target section of a layer.

Glossary. *Bead*: the deposit of one straight move. *Footprint*: its outline in (u, n), a stadium around the
centreline. *Run*: the beads of one stroke up to a reversal; each line of a serpentine is a run. *Joint*: the
place where one run continues as the next.

A bead has two widths. Its *spacing* p is the cross-section divided by the layer height. Beads of this width
that fill a wall exactly touch without overlap, so it is the width to use for gaps and overlap. The *visible*
width w is that of a stadium-shaped section, w = p + h(1 − π/4), from (w − h)h + πh²/4 = p·h; a microscope
shows it on a single bead. In a full wall, visible widths overlap by h(1 − π/4) per bead, because the
neighbour fills the space beside the round flanks.

Beads of one run meet in one of two ways. *Round*: every bead is a complete stadium, so the end of a wide bead
bulges into a narrow neighbour. A run with varying width then covers a few per cent more than was deposited.
*Fitted*: the round end is as wide as the narrower bead, so a run covers almost exactly what was deposited.
Free ends are round in both cases.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.deposit.extruded import find_layers
from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import DEPOSITS, Moves
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.frame import Frame
from pathgen.route import Placement

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]

Width = Literal["spacing", "visible"]
Joints = Literal["round", "fitted"]
QUARTER = 4  # chords per quarter of a round end; the radius is off by 0.5 % there
SIDEWAYS = 0.1  # minimum share of a move's length along the stroke's axis for a move with a direction


@dataclass(frozen=True, slots=True)
class Beads:
    """Deposits of a panel in panel coordinates, in program order; arrays of shape (N,).

    Attributes
    ----------
    start, end : (N, 2) float64
        Ends of the centreline, (u, n), mm.
    area : (N,) float64
        Area that the bead fills as viewed from above, mm²: filament volume per layer height and packing.
    layer : (N,) intp
        Layer number from 0.
    stroke : (N,) intp
        Number of the stroke, from 0.
    run : (N,) intp
        Number of the run, from 0, over all strokes.
    row : (N,) intp
        Row of the move.
    """

    start: Floats
    end: Floats
    area: Floats
    layer: Ints
    stroke: Ints
    run: Ints
    row: Ints

    def __len__(self) -> int:
        """Return the number of beads."""
        return len(self.area)

    @property
    def length(self) -> Floats:
        """Length of the centrelines, mm, (N,)."""
        return np.asarray(np.hypot(*(self.end - self.start).T))

    @property
    def spacing(self) -> Floats:
        """Bead spacing: area in plan divided by length, mm, (N,)."""
        return np.asarray(self.area / self.length)

    def select(self, rows: NDArray[Any]) -> Beads:
        """Return selected beads, by mask or row; stroke and run numbers are unchanged."""
        columns = (self.start, self.end, self.area, self.layer, self.stroke, self.run, self.row)
        return Beads(*(column[rows] for column in columns))


def extract_beads(
    source: Moves | Program,
    frame: Frame,
    *,
    packing: float,
    filament_diameter: float,
    layers: Sequence[int] | None = None,
) -> Beads:
    """Extract the beads of one panel from a program.

    Parameters
    ----------
    source : Moves or Program
        Machine coordinates.
    frame : Frame
        Position of the panel. A move belongs to the layer whose top is closest to the height of its end,
        within half of the layer height; other moves are excluded.
    packing : float
        Deposited volume divided by geometric volume.
    filament_diameter : float
        mm.
    layers : sequence of int, optional
        Layers to include; by default, all. Strokes and runs are numbered within these.

    Returns
    -------
    Beads
        Moves that feed filament and travel in x or y; empty for no moves.

    Raises
    ------
    PathgenError
        If packing or diameter is not positive, or the panel is bent.

    Notes
    -----
    A stroke ends where the next move does not deposit, belongs to another kind of part, or is in another
    layer.

    Examples
    --------
    >>> from pathgen.motion import Kind
    >>> fed, kind = np.full(2, 0.4 * 0.2 * 5 / 2.405282), np.full(2, Kind.WALL, np.uint8)
    >>> none = np.zeros(2)
    >>> there, layer = np.array([5.0, 0.0]), np.zeros(2, np.int32)
    >>> and_back = Moves((0, 0, 0.2), there, none, none + 0.2, fed, fed, kind, layer)
    >>> frame = Frame(0, 0, 0, 5, 0.1, np.array([0.2]))
    >>> found = extract_beads(and_back, frame, packing=1, filament_diameter=1.75)
    >>> found.spacing.round(4), found.stroke, found.run
    (array([0.4, 0.4]), array([0, 0]), array([0, 1]))
    """
    if not (packing > 0 and filament_diameter > 0):
        what = f"packing is {packing}, filament diameter {filament_diameter} mm"
        raise PathgenError(what, where="footprint", allowed="a packing and a filament diameter above 0")
    if frame.bend is not None:
        what = f"the panel is bent by {frame.bend.degrees:g}°"
        raise PathgenError(
            what,
            where="footprint",
            allowed="a flat panel, because the footprints of a bent panel cannot be computed",
        )
    moves = source.moves if isinstance(source, Program) else source
    layer, placed = find_layers(moves.z, frame.tops, frame.heights)
    counted = find_deposits(moves) & np.isin(moves.kind, COUNTED) & placed
    if layers is not None:
        counted &= np.isin(layer, layers)
    row = np.flatnonzero(counted)
    at = Placement(frame.rotation, frame.x0, frame.y0)
    end = np.column_stack(at.to_panel(moves.x[row], moves.y[row]))
    start = np.column_stack(at.to_panel(*(_before(moves, row, axis) for axis in (0, 1))))
    layer = layer[row]
    fresh = np.diff(row, prepend=-2) != 1
    fresh[1:] |= layer[1:] != layer[:-1]
    stroke = np.cumsum(fresh) - 1
    volume = moves.filament[row] * filament_area(filament_diameter)
    area = volume / (frame.heights[layer] * packing)
    return Beads(start, end, area, layer, stroke, _runs(end - start, stroke), row)


def find_deposits(moves: Moves) -> Bools:
    """Return a mask of the moves that feed filament while they travel in x or y, (N,)."""
    x, y, _ = moves.steps()
    return np.asarray(((x != 0) | (y != 0)) & (moves.filament > 0) & np.isin(moves.kind, DEPOSITS))


def visible_width(spacing: Floats, height: float | Floats) -> Floats:
    """Compute the width of a stadium-shaped bead section, w = p + h(1 − π/4), mm.

    A bead narrower than its height, with p below h·π/4, has no such section; the result is then smaller than
    the height.

    Examples
    --------
    >>> visible_width(np.array([0.0714159 / 0.2]), 0.2).round(6)
    array([0.4])
    """
    return np.asarray(spacing + height * (1 - math.pi / 4))


def stadium_shapes(start: Floats, end: Floats, width: Floats) -> Shapes:
    """Widen the centrelines of beads to stadium shapes.

    Parameters
    ----------
    start, end : (N, 2) float64
        mm; equal points give a disc.
    width : (N,) float64
        mm.

    Returns
    -------
    (N,) object
        Shapely polygons. Sides are exact; round ends are inscribed polygons of `QUARTER` chords per quarter.

    Examples
    --------
    >>> one = stadium_shapes(np.array([[0.0, 0.0]]), np.array([[2.0, 0.0]]), np.array([0.4]))
    >>> one[0].bounds
    (-0.2, -0.2, 2.2, 0.2)
    """
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    return np.asarray(shapely.buffer(lines, np.asarray(width) / 2, quad_segs=QUARTER), object)


def fitted_outlines(beads: Beads, width: Floats) -> Shapes:
    """Outline beads, with a half disc at each end of a run and fitted joints inside the run.

    Parameters
    ----------
    beads : Beads
        Beads of one layer, all longer than 0.
    width : (N,) float64
        mm.

    Returns
    -------
    (N,) object
        Shapely polygons: parallel sides, and at each end a half disc; where two beads of a run meet, it is as
        wide as the narrower bead.

    Examples
    --------
    >>> ends, zero = np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0]]), np.zeros(2, np.intp)
    >>> two = Beads(ends[:2], ends[1:], np.ones(2), zero, zero, zero, zero)
    >>> fitted_outlines(two, np.array([0.6, 0.4]))[0].bounds
    (-0.3, -0.3, 2.2, 0.3)
    """
    along = (beads.end - beads.start) / beads.length[:, None]
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    meets = beads.run[1:] == beads.run[:-1]
    narrower = np.minimum(width[1:], width[:-1])
    first, last = width.copy(), width.copy()
    first[1:][meets] = last[:-1][meets] = narrower[meets]
    angle = np.linspace(-np.pi / 2, np.pi / 2, 2 * QUARTER + 1)
    arc = along[:, None] * np.cos(angle)[:, None] + left[:, None] * np.sin(angle)[:, None]
    side = (left * (width / 2)[:, None])[:, None]
    start, end = beads.start[:, None], beads.end[:, None]
    head, tail = end + arc * (last / 2)[:, None, None], start - arc * (first / 2)[:, None, None]
    ring = np.concatenate([end - side, head, end + side, start + side, tail, start - side], axis=1)
    return np.asarray(shapely.polygons(ring), object)


def run_shapes(beads: Beads, width: Floats, joints: Joints = "round") -> Shapes:
    """Merge the bead footprints of each run into one shape.

    Parameters
    ----------
    beads : Beads
        Beads of one layer.
    width : (N,) float64
        mm.
    joints : {"round", "fitted"}
        Shape of joints inside a run, see the module's description.

    Returns
    -------
    (runs,) object
        Shapely polygons in program order; empty for no beads.
    """
    first = np.flatnonzero(np.diff(beads.run, prepend=-1))
    if not len(first):
        return np.zeros(0, object)
    count = np.diff(first, append=len(beads))
    # GEOS merges the shapes of each row; None fills short rows.
    table = np.full((len(first), int(count.max())), None, object)
    each = stadium_shapes(beads.start, beads.end, width)
    if joints == "fitted":
        each = fitted_outlines(beads, width)
    table[np.arange(table.shape[1]) < count[:, None]] = each
    return np.asarray(shapely.union_all(table, axis=1), object)


def joint_shapes(beads: Beads, width: Floats, shapes: Shapes) -> Shapes:
    """Find the overlap at the joint of two consecutive runs of one stroke.

    Parameters
    ----------
    beads : Beads
        Beads of one layer.
    width : (N,) float64
        mm.
    shapes : (runs,) object
        Result of `run_shapes` for the same beads and widths.

    Returns
    -------
    (joints,) object
        Overlap of both runs inside a disc around their common point; the radius is the width of the wider
        bead. A stroke that closes on itself has a joint at its ends.
    """
    first = np.flatnonzero(np.diff(beads.run, prepend=-1))
    last = np.append(first[1:], len(beads)) - 1
    if not len(first):
        return np.zeros(0, object)
    onward = np.flatnonzero(beads.stroke[first[1:]] == beads.stroke[last[:-1]])
    pairs = [(onward, onward + 1)]
    opens = np.flatnonzero(np.diff(beads.stroke[first], prepend=-1))
    closes = np.append(opens[1:], len(first)) - 1
    closed = (opens < closes) & is_closed(beads, first[opens], last[closes])
    pairs.append((closes[closed], opens[closed]))
    one, other = (np.concatenate(side) for side in zip(*pairs, strict=True))
    reach = np.maximum(width[last[one]], width[first[other]])
    discs = shapely.buffer(shapely.points(beads.end[last[one]]), reach, quad_segs=QUARTER)
    shared = shapely.intersection(shapely.intersection(shapes[one], discs), shapes[other])
    return np.asarray(shared, object)


def is_closed(beads: Beads, first: Ints, last: Ints) -> Bools:
    """Return a mask of strokes that end within half a spacing of their start."""
    gap = np.hypot(*(beads.end[last] - beads.start[first]).T)
    return np.asarray((gap < beads.spacing[first] / 2) & (last > first + 1))


def section_shape(thickness: Floats, frame: Frame) -> BaseGeometry:
    """Outline the target section of a layer from the thickness of each column.

    Parameters
    ----------
    thickness : (C,) float64
        mm, column 0 at u = 0; 0 or NaN for no wall.
    frame : Frame
        Position of the panel and its columns.

    Returns
    -------
    shapely polygon or multipolygon
        Stepped at the columns, so its area is the sum of the columns; empty for no wall.

    Raises
    ------
    PathgenError
        If the number of thicknesses differs from the number of columns.

    Examples
    --------
    >>> section_shape(np.array([1.0, 2.0]), Frame(0, 0, 0, 1.0, 0.5, np.array([0.2]))).area
    1.5
    """
    borders = frame.borders
    if thickness.shape != (len(borders) - 1,):
        what = f"the thickness of the section has shape {thickness.shape}"
        raise PathgenError(
            what, where="section", allowed=f"shape ({len(borders) - 1},), with one thickness per column"
        )
    wall = thickness > 0
    edge = np.diff(wall.astype(np.int8), prepend=0, append=0)
    pieces = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        up = np.concatenate([[0.0], np.repeat(thickness[lo:hi], 2), [0.0]])
        pieces.append(shapely.Polygon(np.column_stack([np.repeat(borders[lo : hi + 1], 2), up])))
    joined: BaseGeometry = shapely.union_all(pieces)
    return joined


def check_options(width: str, joints: str) -> None:
    """Reject unknown names for width or joints."""
    for name, value, known in (("width", width, get_args(Width)), ("joints", joints, get_args(Joints))):
        if value not in known:
            raise PathgenError(f"{name} is {value!r}", where="footprint", allowed=" or ".join(known))


def _runs(step: Floats, stroke: Ints) -> Ints:
    """Split strokes into numbered runs, at the points where the direction reverses along the longer axis."""
    if not len(stroke):
        return np.zeros(0, np.intp)
    way = np.abs(step)
    total = [np.bincount(stroke, weights=way[:, axis]) for axis in (0, 1)]
    along = np.where((total[0] >= total[1])[stroke], step[:, 0], step[:, 1])
    clear = np.abs(along) > SIDEWAYS * np.hypot(*step.T)
    opens = np.diff(stroke, prepend=-1) != 0
    # A move without a direction on the axis, such as a hairpin, keeps the direction of an earlier move.
    latest = np.maximum.accumulate(np.where(clear | opens, np.arange(len(stroke)), 0))
    heading = (np.sign(along) * clear)[latest]
    cut = opens
    cut[1:] |= heading[1:] * heading[:-1] < 0
    return np.asarray(np.cumsum(cut) - 1)


def _before(moves: Moves, row: Ints, axis: int) -> Floats:
    """Return the head's position along one axis before each move."""
    column = moves.x if axis == 0 else moves.y
    return np.where(row > 0, column[row - 1], moves.start[axis])
