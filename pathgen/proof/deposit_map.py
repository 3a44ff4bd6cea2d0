"""Deposit map: the volume that a program deposits, on a grid of layers and columns.

Glossary. *Deposit map*: for every layer and every column of a panel, the volume of filament fed there, and
the thickness of wall that this volume fills. *Column*: a range of u one pixel wide.

`pathgen.deposit.extruded` bins the volume of each move exactly. Nothing is resolved across the wall (along
n), because light passes through the whole column. The blur by nozzle and wall is applied later, in separate
steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.deposit.extruded import bin_volumes, find_layers
from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.frame import SNAP, Frame

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COUNTED = (Kind.WALL, Kind.HAIRPIN)  # brim and start line are not part of the panel
BLOCK = 1 << 18  # moves processed at once


@dataclass(frozen=True, slots=True, eq=False)
class DepositMap:
    """Volume deposited in each layer and column of a panel.

    Attributes
    ----------
    volume : (L, C) float64
        Filament fed, mm³; row 0 is the top layer, as in pictures.
    frame : Frame
    packing : float or (L,) float64
        Deposited volume over geometric volume, for all layers or for each, bottom first.
    outside : float
        Volume of the counted kinds beside the panel or between layers, mm³.
    """

    volume: Floats
    frame: Frame
    packing: float | Floats
    outside: float

    @property
    def thickness(self) -> Floats:
        """Wall thickness equivalent to the volume, mm, (L, C), top layer first."""
        cell = top_first(self.frame.heights * self.packing)[:, None] * np.diff(self.frame.borders)
        return np.asarray(self.frame.thickness(self.volume / cell))

    def upright(self, rows: int | None = None) -> Floats:
        """Resample the layers to the rows of a picture without changing the volume.

        Parameters
        ----------
        rows : int, optional
            Number of equal rows over the height of the panel. By default the pixels are nearly square.

        Returns
        -------
        (rows, C) float64
            Thickness, mm, top row first: the mean over the height of each row.

        Raises
        ------
        PathgenError
            For fewer than one row.
        """
        tops = self.frame.tops
        rows = max(1, round(tops[-1] / self.frame.pixel)) if rows is None else rows
        if rows < 1:
            raise PathgenError(
                f"a picture of {rows} rows was requested", where="upright", allowed="at least 1 row"
            )
        below = np.concatenate([[0.0], tops])
        filled = np.zeros((len(below), self.volume.shape[1]))
        np.cumsum(top_first(self.thickness) * self.frame.heights[:, None], axis=0, out=filled[1:])
        edge = np.linspace(0.0, tops[-1], rows + 1)
        layer = np.clip(np.searchsorted(below, edge, side="right") - 1, 0, len(tops) - 1)
        share = ((edge - below[layer]) / self.frame.heights[layer])[:, None]
        reached = filled[layer] * (1 - share) + filled[layer + 1] * share
        return np.asarray(top_first(np.diff(reached, axis=0)) / (tops[-1] / rows))


def top_first(rows: Floats) -> Floats:
    """Reverse the order of the rows: from bottom first to top first, or back."""
    return rows[::-1]


def deposit(
    source: Moves | Program,
    frame: Frame,
    *,
    packing: float | Floats,
    filament_diameter: float,
    kinds: tuple[Kind, ...] = COUNTED,
) -> DepositMap:
    """Distribute the deposited volume of moves over the grid of a panel.

    Parameters
    ----------
    source : Moves or Program
        In machine coordinates; without moves the map is 0 everywhere.
    frame : Frame
    packing : float or (L,) float64
        Deposited volume over geometric volume, for all layers or for each, bottom first.
    filament_diameter : float
        mm.
    kinds : tuple of Kind
        Kinds of move that are counted.

    Returns
    -------
    DepositMap
        `volume` and `outside` add up to the filament of all counted moves with positive feed. If the frame
        has a box, moves outside it belong to another panel and are ignored.

    Raises
    ------
    PathgenError
        For a packing or diameter not above 0.

    Notes
    -----
    A move belongs to the layer whose top is nearest to the z of its end, within half the height of that
    layer. Comments are not used. A move without extent along u belongs to the column that contains it; on a
    border, to the column on the right (at u = width, to the last column).

    Examples
    --------
    >>> one, wall, lowest = np.ones(1), np.array([5], np.uint8), np.array([0], np.int32)
    >>> move = Moves((0.0, 0.0, 0.2), one, 0 * one, 0.2 * one, one, one, wall, lowest)
    >>> frame = Frame(0, 0.0, 0.0, 1.0, 0.5, np.array([0.2]))
    >>> deposit(move, frame, packing=1.0, filament_diameter=1.75).thickness.round(4)
    array([[12.0264, 12.0264]])
    """
    if not (np.all(np.asarray(packing) > 0) and filament_diameter > 0):
        what = f"packing is {packing}, filament diameter {filament_diameter} mm"
        raise PathgenError(what, where="deposit", allowed="a packing and a filament diameter above 0")
    moves = source.moves if isinstance(source, Program) else source
    volume = np.zeros((len(frame.tops), len(frame.borders) - 1))
    outside = 0.0
    for first in range(0, len(moves), BLOCK):
        part = slice(first, first + BLOCK)
        at = first + np.flatnonzero(np.isin(moves.kind[part], kinds) & (moves.filament[part] > 0))
        if frame.box is not None:
            at = at[frame.holds(moves.x[at], moves.y[at])]
        outside += _add_moves(moves, at, frame, math.pi * filament_diameter**2 / 4, volume)
    return DepositMap(top_first(volume), frame, packing, outside)


def thickness_error(
    found: DepositMap | Floats, wanted: Floats, *, ends: float = 0.0, pixel: float | None = None
) -> dict[str, float]:
    """Compute the error of the deposited thickness relative to the target thickness.

    Parameters
    ----------
    found : DepositMap or (R, C) array
        Deposited thickness, mm, top row first. A map is used layer by layer if `wanted` has one row per
        layer; otherwise it is resampled to the rows of `wanted`.
    wanted : (R, C) array
        mm, top row first; NaN where any thickness is allowed.
    ends : float
        Distance from either end of every stretch of wall that is ignored, mm.
    pixel : float, optional
        Width of a column, mm; required for `ends` if `found` is an array.

    Returns
    -------
    dict
        In mm: `rms`; `bias`, the mean of found minus wanted; `p99` and `max` of the absolute difference.

    Raises
    ------
    PathgenError
        If the shapes differ, or nothing is left to compare.

    Examples
    --------
    >>> thickness_error(np.array([[1.0, 2.0]]), np.array([[1.0, 1.0]]))["bias"]
    0.5
    """
    wanted = np.asarray(wanted, np.float64)
    if isinstance(found, DepositMap):
        pixel = found.frame.pixel
        found = found.thickness if len(found.volume) == len(wanted) else found.upright(len(wanted))
    if found.shape != wanted.shape:
        what = f"the target thickness has shape {wanted.shape}, the deposited thickness {found.shape}"
        raise PathgenError(what, where="replay", allowed="equal shapes")
    if ends and pixel is None:
        raise PathgenError("`ends` was passed without `pixel`", where="replay", hint="pass `pixel` too")
    inner = inside_ends(wanted, ends, pixel) if pixel else np.ones(wanted.shape, bool)
    difference = (found - wanted)[inner & ((wanted != 0) | (found != 0))]
    difference = difference[np.isfinite(difference)]
    if not inner.any() or not (len(difference) or (wanted == 0).any()):
        raise PathgenError("no part of the wall is left to compare", where="replay", hint="reduce `ends`")
    difference = difference if len(difference) else np.zeros(1)
    size = np.abs(difference)
    return {
        "rms": math.sqrt(np.mean(difference**2)),
        "bias": float(difference.mean()),
        "p99": float(np.percentile(size, 99)),
        "max": float(size.max()),
    }


def inside_ends(wanted: Floats, ends: float, pixel: float) -> NDArray[np.bool_]:
    """Return a mask of the cells that are at least `ends` mm from both ends of their wall, along u.

    Beads are round at their ends and turn there, so a grid of columns shows excess and lack side by side.

    Parameters
    ----------
    wanted : (R, C) array
        Thickness, mm; 0 where there is no wall.
    ends, pixel : float
        mm.

    Returns
    -------
    (R, C) bool

    Raises
    ------
    PathgenError
        For `ends` below 0 or not finite.

    Examples
    --------
    >>> inside_ends(np.array([[1.0, 1.0, 1.0, 1.0, 0.0, 0.0]]), 1.0, 1.0).tolist()
    [[False, True, True, False, False, False]]
    """
    if not 0 <= ends < math.inf:
        raise PathgenError(f"`ends` is {ends:g} mm", where="replay", allowed="0 mm or more")
    columns = wanted.shape[1]
    skip = math.ceil(ends / pixel - SNAP)
    border = np.ones((len(wanted), columns + 1), np.int32)
    border[:, 1:-1] = np.diff((wanted != 0).astype(np.int8), axis=1) != 0
    passed = np.concatenate([np.zeros((len(wanted), 1), np.int32), np.cumsum(border, axis=1)], axis=1)
    column = np.arange(columns)
    low, high = np.maximum(column - skip + 1, 0), np.minimum(column + skip + 1, columns + 1)
    return np.asarray(passed[:, high] == passed[:, np.minimum(low, high)])


def _add_moves(moves: Moves, at: Ints, frame: Frame, area: float, volume: Floats) -> float:
    """Add the moves `at` to `volume` (bottom row first), and return the volume outside the map, mm³."""
    z, fed = moves.z[at], moves.filament[at] * area
    starts, ends = frame.spans((_before(moves, at, 0), _before(moves, at, 1)), (moves.x[at], moves.y[at]))
    layer, placed = find_layers(z, frame.tops, frame.heights)
    lost = float(fed[~placed].sum())
    if not placed.any():
        return lost
    layer = layer[placed]
    lowest = int(layer.min())
    rows = int(layer.max()) - lowest + 1
    binned, beside = bin_volumes(
        starts[placed], ends[placed], fed[placed], layer - lowest, rows, frame.borders, frame.pixel
    )
    volume[lowest : lowest + rows] += binned
    return lost + beside


def _before(moves: Moves, at: Ints, axis: int) -> Floats:
    """Return the position of the head along one axis before each move."""
    column = moves.x if axis == 0 else moves.y
    return np.where(at > 0, column[at - 1], moves.start[axis])
