"""What beads cover, seen from above: stadium outlines of a program's moves, and the section they should fill.

Glossary. *Bead*: what one straight move deposits. *Footprint*: its outline in (u, n), a stadium: the centre
line grown by half a width. *Run*: the beads of one stroke up to where it reverses; a serpentine is a run for
each of its lines. *Joint*: where a run goes over into the next.

Two widths can be meant. The *spacing* p is the bead's cross-section over the layer height: beads of that
width
that fill a wall exactly abut, so it is the one to look for gaps and overlap with. The *visible* width is the
stadium section's own, w = p + h(1 − π/4), from (w − h)h + πh²/4 = p·h: what a microscope shows of a bead
alone. Visible widths of a full wall overlap by h(1 − π/4) a bead, since round flanks leave room that the
neighbour takes.

Two joints can be meant where the beads of a run meet. *Round*: every bead is a whole stadium, so where a wide
one meets a narrow one its end bulges past it, into what is the neighbour's; a run whose width keeps changing
then covers a few per cent more than was deposited. *Fitted*: the round end is as wide as the narrower of the
two, which keeps what a run covers near to what it deposits. Free ends are round in both.
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

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import DEPOSITS, Kind, Moves
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.frame import SNAP, Frame
from pathgen.route import Placement

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]

Width = Literal["spacing", "visible"]
Joints = Literal["round", "fitted"]
QUARTER = 4  # chords to a quarter of a bead's round end: 0.5 % of its radius off, and only there
SIDEWAYS = 0.1  # share of its length that a move must go along the stroke's axis to have a direction on it


@dataclass(frozen=True, slots=True)
class Beads:
    """Moves that deposit on the panel, in panel coordinates: columns of N, in program order.

    Attributes
    ----------
    start, end : (N, 2) float64
        Ends of the centre line, (u, n) mm.
    area : (N,) float64
        What the bead fills seen from above, mm²: filament volume over layer height and packing.
    layer : (N,) intp
        Layer number from 0.
    stroke : (N,) intp
        Number of the continuous deposit it belongs to, from 0.
    run : (N,) intp
        Number of its run, from 0, over all strokes.
    row : (N,) intp
        Its row among the moves.
    """

    start: Floats
    end: Floats
    area: Floats
    layer: Ints
    stroke: Ints
    run: Ints
    row: Ints

    def __len__(self) -> int:
        """Count the beads."""
        return len(self.area)

    @property
    def length(self) -> Floats:
        """Length of the centre lines, mm, (N,)."""
        return np.asarray(np.hypot(*(self.end - self.start).T))

    @property
    def spacing(self) -> Floats:
        """Area over length, mm, (N,)."""
        return np.asarray(self.area / self.length)

    def only(self, rows: NDArray[Any]) -> Beads:
        """Keep some beads, by mask or by number; strokes and runs keep theirs."""
        columns = (self.start, self.end, self.area, self.layer, self.stroke, self.run, self.row)
        return Beads(*(column[rows] for column in columns))


def beads_of(
    source: Moves | Program,
    frame: Frame,
    *,
    packing: float,
    filament_diameter: float,
    kinds: tuple[Kind, ...] = COUNTED,
    layers: Sequence[int] | None = None,
) -> Beads:
    """Gather the beads of a program's panel.

    Parameters
    ----------
    source : Moves or Program
        Machine coordinates; none gives no beads.
    frame : Frame
        How the panel stands. A move belongs to the layer whose top is nearest to the height it ends at,
        within half that layer's height; moves at no layer's height are left out.
    packing : float
        Deposited volume over geometric volume.
    filament_diameter : float
        mm.
    kinds : tuple of Kind
        Kinds of move that count.
    layers : sequence of int, optional
        Only these layers' beads; by default all. Strokes and runs are numbered among those kept.

    Returns
    -------
    Beads
        Only moves that feed and go somewhere in x or y.

    Raises
    ------
    PathgenError
        For a packing or diameter that is not above 0, and for a bent panel.

    Notes
    -----
    A stroke ends where the next move does not deposit, is of another kind of part, or lies in another layer.

    Examples
    --------
    >>> fed, kind = np.full(2, 0.4 * 0.2 * 5 / 2.405282), np.full(2, Kind.WALL, np.uint8)
    >>> none = np.zeros(2)
    >>> there, layer = np.array([5.0, 0.0]), np.zeros(2, np.int32)
    >>> and_back = Moves((0, 0, 0.2), there, none, none + 0.2, fed, fed, kind, layer)
    >>> frame = Frame(0, 0, 0, 5, 0.1, np.array([0.2]))
    >>> found = beads_of(and_back, frame, packing=1, filament_diameter=1.75)
    >>> found.spacing.round(4), found.stroke, found.run
    (array([0.4, 0.4]), array([0, 0]), array([0, 1]))
    """
    if not (packing > 0 and filament_diameter > 0):
        what = f"packing {packing}, filament diameter {filament_diameter} mm"
        raise PathgenError(what, where="footprint", allowed="more than 0")
    if frame.bend is not None:
        what = f"a panel bent by {frame.bend.degrees:g}°"
        raise PathgenError(what, where="footprint", allowed="a flat panel")
    moves = source.moves if isinstance(source, Program) else source
    layer, placed = layer_of(moves.z, frame)
    counted = deposits(moves) & np.isin(moves.kind, kinds) & placed
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


def deposits(moves: Moves) -> Bools:
    """Tell which moves deposit: they feed while they go somewhere in x or y, (N,)."""
    moved = np.zeros(len(moves), np.bool_)
    for values, first in ((moves.x, moves.start[0]), (moves.y, moves.start[1])):
        moved[1:] |= values[1:] != values[:-1]
        moved[:1] |= values[:1] != first
    return moved & (moves.filament > 0) & np.isin(moves.kind, DEPOSITS)


def layer_of(z: Floats, frame: Frame) -> tuple[Ints, Bools]:
    """Find the layer whose top is nearest to each height.

    Parameters
    ----------
    z : (N,) float64
        mm.
    frame : Frame

    Returns
    -------
    layer : (N,) intp
    placed : (N,) bool
        The height lies within half the layer's height of its top.
    """
    layer = np.searchsorted((frame.tops[:-1] + frame.tops[1:]) / 2, z)
    return layer, np.abs(z - frame.tops[layer]) <= frame.heights[layer] / 2 + SNAP


def visible_width(spacing: Floats, height: float | Floats) -> Floats:
    """Width of the stadium section whose area is spacing · height: w = p + h(1 − π/4), mm.

    Where the bead is no wider than high, below p = h·π/4, there is no such section; the result is then less
    than the height.

    Examples
    --------
    >>> visible_width(np.array([0.0714159 / 0.2]), 0.2).round(6)
    array([0.4])
    """
    return np.asarray(spacing + height * (1 - math.pi / 4))


def stadiums(start: Floats, end: Floats, width: Floats) -> Shapes:
    """Grow centre lines by half a width, with round ends.

    Parameters
    ----------
    start, end : (N, 2) float64
        mm; they may be the same point, which gives a disc.
    width : (N,) float64
        mm.

    Returns
    -------
    (N,) object
        Shapely polygons. Straight sides are exact; a round end is `QUARTER` chords a quarter turn, inscribed.

    Examples
    --------
    >>> one = stadiums(np.array([[0.0, 0.0]]), np.array([[2.0, 0.0]]), np.array([0.4]))
    >>> one[0].bounds
    (-0.2, -0.2, 2.2, 0.2)
    """
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    return np.asarray(shapely.buffer(lines, np.asarray(width) / 2, quad_segs=QUARTER), object)


def fitted_outlines(beads: Beads, width: Floats) -> Shapes:
    """Outline beads so that those of a run meet in fitted joints.

    Parameters
    ----------
    beads : Beads
        Of one layer, none of them without length.
    width : (N,) float64
        mm.

    Returns
    -------
    (N,) object
        Shapely polygons: straight sides a width apart, and at either end a half disc, as wide as the narrower
        bead where two of a run meet.

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
    """Join the footprints of every run.

    Parameters
    ----------
    beads : Beads
        Of one layer.
    width : (N,) float64
        mm.
    joints : {"round", "fitted"}
        How the beads of a run meet; see the module.

    Returns
    -------
    (runs,) object
        Shapely polygons in program order; empty for no beads.
    """
    first = np.flatnonzero(np.diff(beads.run, prepend=-1))
    if not len(first):
        return np.zeros(0, object)
    count = np.diff(first, append=len(beads))
    # GEOS joins the members of a row; rows are filled up with nothing.
    table = np.full((len(first), int(count.max())), None, object)
    each = fitted_outlines(beads, width) if joints == "fitted" else stadiums(beads.start, beads.end, width)
    table[np.arange(table.shape[1]) < count[:, None]] = each
    return np.asarray(shapely.union_all(table, axis=1), object)


def joint_shapes(beads: Beads, width: Floats, shapes: Shapes) -> Shapes:
    """Find what two runs share only because one goes over into the other.

    Parameters
    ----------
    beads : Beads
        Of one layer.
    width : (N,) float64
        mm.
    shapes : (runs,) object
        From `run_shapes`, of the same beads and widths.

    Returns
    -------
    (joints,) object
        Where both runs cover a disc around the point they share, as wide on each side as the wider bead
        there. A stroke that closes on itself has a joint there too.
    """
    first = np.flatnonzero(np.diff(beads.run, prepend=-1))
    last = np.append(first[1:], len(beads)) - 1
    if not len(first):
        return np.zeros(0, object)
    onward = np.flatnonzero(beads.stroke[first[1:]] == beads.stroke[last[:-1]])
    pairs = [(onward, onward + 1)]
    opens = np.flatnonzero(np.diff(beads.stroke[first], prepend=-1))
    closes = np.append(opens[1:], len(first)) - 1
    closed = (opens < closes) & closes_itself(beads, first[opens], last[closes])
    pairs.append((closes[closed], opens[closed]))
    one, other = (np.concatenate(side) for side in zip(*pairs, strict=True))
    reach = np.maximum(width[last[one]], width[first[other]])
    discs = shapely.buffer(shapely.points(beads.end[last[one]]), reach, quad_segs=QUARTER)
    shared = shapely.intersection(shapely.intersection(shapes[one], discs), shapes[other])
    return np.asarray(shared, object)


def closes_itself(beads: Beads, first: Ints, last: Ints) -> Bools:
    """Tell which strokes, by first and last bead, end where they begin: within half a spacing, and longer."""
    gap = np.hypot(*(beads.end[last] - beads.start[first]).T)
    return np.asarray((gap < beads.spacing[first] / 2) & (last > first + 1))


def section_shape(thickness: Floats, frame: Frame) -> BaseGeometry:
    """Outline of the wall a layer should be, every column as thick as it should be.

    Parameters
    ----------
    thickness : (C,) float64
        mm, column 0 at u = 0; 0 or NaN where there is no wall.
    frame : Frame
        Its columns.

    Returns
    -------
    shapely polygon or multipolygon
        With the columns' steps: its area is the sum of the columns'. Empty where there is no wall.

    Raises
    ------
    PathgenError
        When it is not a thickness for each of the frame's columns.

    Examples
    --------
    >>> section_shape(np.array([1.0, 2.0]), Frame(0, 0, 0, 1.0, 0.5, np.array([0.2]))).area
    1.5
    """
    borders = frame.borders
    if thickness.shape != (len(borders) - 1,):
        what = f"a section of shape {thickness.shape}"
        raise PathgenError(what, where="section", allowed=f"({len(borders) - 1},), a thickness a column")
    wall = thickness > 0
    edge = np.diff(wall.astype(np.int8), prepend=0, append=0)
    pieces = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        up = np.concatenate([[0.0], np.repeat(thickness[lo:hi], 2), [0.0]])
        pieces.append(shapely.Polygon(np.column_stack([np.repeat(borders[lo : hi + 1], 2), up])))
    joined: BaseGeometry = shapely.union_all(pieces)
    return joined


def check_outline(width: str, joints: str) -> None:
    """Refuse what is no meaning of width or joints."""
    for name, value, known in (("width", width, get_args(Width)), ("joints", joints, get_args(Joints))):
        if value not in known:
            raise PathgenError(f"{name} {value!r}", where="footprint", allowed=" or ".join(known))


def _runs(step: Floats, stroke: Ints) -> Ints:
    """Cut strokes where they reverse along the axis they cover more way on; number the parts."""
    if not len(stroke):
        return np.zeros(0, np.intp)
    way = np.abs(step)
    total = [np.bincount(stroke, weights=way[:, axis]) for axis in (0, 1)]
    along = np.where((total[0] >= total[1])[stroke], step[:, 0], step[:, 1])
    clear = np.abs(along) > SIDEWAYS * np.hypot(*step.T)
    opens = np.diff(stroke, prepend=-1) != 0
    # A move without a direction on the axis, such as a turn, has that of the last move that had one.
    told = np.maximum.accumulate(np.where(clear | opens, np.arange(len(stroke)), 0))
    heading = (np.sign(along) * clear)[told]
    cut = opens
    cut[1:] |= heading[1:] * heading[:-1] < 0
    return np.asarray(np.cumsum(cut) - 1)


def _before(moves: Moves, row: Ints, axis: int) -> Floats:
    """Where the head stands on an axis before each move."""
    column = moves.x if axis == 0 else moves.y
    return np.where(row > 0, column[row - 1], moves.start[axis])
