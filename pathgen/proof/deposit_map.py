"""Replay: a program's filament laid down on a grid, layer by layer.

Glossary. *Deposit map*: for every layer and every column of the panel, the volume of filament fed there, and
the thickness of wall that volume fills. *Column*: a span of u one pixel wide. *Inner column*: one that a
move crosses from side to side.

A move's volume is spread evenly over the u-range it crosses, and what falls into each column is exact: the
two columns a move ends in get their shares, and the inner ones get a density, entered as a step up and a
step down and summed along the row. So nothing is sampled, and a map holds every cubic millimetre fed.

Across the wall (along n) nothing is resolved: light sees the column's total. Smear of the nozzle and the
spread of light come later, as steps of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.frame import SNAP, Frame

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COUNTED = (Kind.WALL, Kind.HAIRPIN)  # brim and start line come off with the panel, or stand beside it
BLOCK = 1 << 18  # moves laid down at once


@dataclass(frozen=True, slots=True, eq=False)
class DepositMap:
    """What was laid down where.

    Attributes
    ----------
    volume : (L, C) float64
        Filament fed, mm³; row 0 is the top layer, as in pictures.
    frame : Frame
    packing : float or (L,) float64
        Deposited volume over geometric volume, of all layers or of each, bottom first.
    outside : float
        Volume of the counted kinds fed beside the panel, or at no layer's height, mm³.
    """

    volume: Floats
    frame: Frame
    packing: float | Floats
    outside: float

    @property
    def thickness(self) -> Floats:
        """Thickness of wall the volume fills, mm: (L, C), top layer first."""
        cell = top_first(self.frame.heights * self.packing)[:, None] * np.diff(self.frame.borders)
        return np.asarray(self.frame.thickness(self.volume / cell))

    def upright(self, rows: int | None = None) -> Floats:
        """Resample layers to the rows of a picture; volume is kept.

        Parameters
        ----------
        rows : int, optional
            Equal rows over the panel's height. By default as many as make pixels nearest to square.

        Returns
        -------
        (rows, C) float64
            Thickness, mm, top row first: the mean over the height of each row.

        Raises
        ------
        PathgenError
            For less than one row.
        """
        tops = self.frame.tops
        rows = max(1, round(tops[-1] / self.frame.pixel)) if rows is None else rows
        if rows < 1:
            raise PathgenError(f"{rows} rows", where="upright", allowed="1 or more")
        below = np.concatenate([[0.0], tops])
        filled = np.zeros((len(below), self.volume.shape[1]))
        np.cumsum(top_first(self.thickness) * self.frame.heights[:, None], axis=0, out=filled[1:])
        edge = np.linspace(0.0, tops[-1], rows + 1)
        layer = np.clip(np.searchsorted(below, edge, side="right") - 1, 0, len(tops) - 1)
        share = ((edge - below[layer]) / self.frame.heights[layer])[:, None]
        reached = filled[layer] * (1 - share) + filled[layer + 1] * share
        return np.asarray(top_first(np.diff(reached, axis=0)) / (tops[-1] / rows))


def top_first(rows: Floats) -> Floats:
    """Turn rows over: bottom first to top first, and back."""
    return rows[::-1]


def deposit(
    source: Moves | Program,
    frame: Frame,
    *,
    packing: float | Floats,
    filament_diameter: float,
    kinds: tuple[Kind, ...] = COUNTED,
) -> DepositMap:
    """Lay down the filament of moves on the panel's grid.

    Parameters
    ----------
    source : Moves or Program
        Machine coordinates; none gives an empty map (all 0).
    frame : Frame
    packing : float or (L,) float64
        Deposited volume over geometric volume, of all layers or of each, bottom first.
    filament_diameter : float
        mm.
    kinds : tuple of Kind
        Kinds of move that count.

    Returns
    -------
    DepositMap
        Its `volume` and `outside` add up to all filament of the counted moves that feed, a neighbour's aside
        where the frame has a box.

    Raises
    ------
    PathgenError
        For a packing or diameter that is not above 0.

    Notes
    -----
    A move belongs to the layer whose top is nearest to the height it ends at, within half that layer's
    height: the text's own z, not a comment, says the layer. A move without u-extent goes to the one column it
    stands in, and to the one on the right where it stands on a border (at u = width, to the last).

    Examples
    --------
    >>> one, wall, lowest = np.ones(1), np.array([5], np.uint8), np.array([0], np.int32)
    >>> move = Moves((0.0, 0.0, 0.2), one, 0 * one, 0.2 * one, one, one, wall, lowest)
    >>> frame = Frame(0, 0.0, 0.0, 1.0, 0.5, np.array([0.2]))
    >>> deposit(move, frame, packing=1.0, filament_diameter=1.75).thickness.round(4)
    array([[12.0264, 12.0264]])
    """
    if not (np.all(np.asarray(packing) > 0) and filament_diameter > 0):
        what = f"packing {packing}, filament diameter {filament_diameter} mm"
        raise PathgenError(what, where="deposit", allowed="more than 0")
    moves = source.moves if isinstance(source, Program) else source
    volume = np.zeros((len(frame.tops), len(frame.borders) - 1))
    outside = 0.0
    for first in range(0, len(moves), BLOCK):
        part = slice(first, first + BLOCK)
        at = first + np.flatnonzero(np.isin(moves.kind[part], kinds) & (moves.filament[part] > 0))
        if frame.box is not None:
            at = at[frame.holds(moves.x[at], moves.y[at])]
        outside += _lay(moves, at, frame, math.pi * filament_diameter**2 / 4, volume)
    return DepositMap(top_first(volume), frame, packing, outside)


def thickness_error(
    found: DepositMap | Floats, wanted: Floats, *, ends: float = 0.0, pixel: float | None = None
) -> dict[str, float]:
    """Compare the thickness deposited with the thickness wanted.

    Parameters
    ----------
    found : DepositMap or (R, C) array
        What was laid down, mm, top row first. A map is taken layer by layer where `wanted` has a row a
        layer, and otherwise resampled to the rows of `wanted`.
    wanted : (R, C) array
        mm, top row first; NaN where nothing is asked for.
    ends : float
        mm at either end (small and large u) of every stretch of wall that are left out.
    pixel : float, optional
        Width of a column, mm; needed for `ends` where `found` is an array.

    Returns
    -------
    dict
        In mm: `rms`; `bias`, the mean of found less wanted; `p99` and `max` of the absolute difference.

    Raises
    ------
    PathgenError
        Where the shapes differ, or nothing is left to compare.

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
        what = f"wanted thickness of shape {wanted.shape}"
        raise PathgenError(what, where="replay", allowed=str(found.shape))
    if ends and pixel is None:
        raise PathgenError("ends to leave out, but no pixel to count them in", where="replay")
    away = inside_ends(wanted, ends, pixel) if pixel else np.ones(wanted.shape, bool)
    gap = (found - wanted)[away & ((wanted != 0) | (found != 0))]
    gap = gap[np.isfinite(gap)]
    if not away.any() or not (len(gap) or (wanted == 0).any()):
        raise PathgenError("no thickness to compare", where="replay", hint="leave less out at the ends")
    size = np.abs(gap) if len(gap) else np.zeros(1)
    gap = gap if len(gap) else np.zeros(1)
    return {
        "rms": math.sqrt(np.mean(gap**2)),
        "bias": float(gap.mean()),
        "p99": float(np.percentile(size, 99)),
        "max": float(size.max()),
    }


def inside_ends(wanted: Floats, ends: float, pixel: float) -> NDArray[np.bool_]:
    """Mark what is at least `ends` mm along u from every place where wall begins or stops.

    A bead is round at its end and turns there, which a grid of columns shows as too much and too little side
    by side.

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
        For ends that are not 0 or more.

    Examples
    --------
    >>> inside_ends(np.array([[1.0, 1.0, 1.0, 1.0, 0.0, 0.0]]), 1.0, 1.0).tolist()
    [[False, True, True, False, False, False]]
    """
    if not 0 <= ends < math.inf:
        raise PathgenError(f"ends is {ends:g} mm", where="replay", allowed="0 or more")
    columns = wanted.shape[1]
    skip = math.ceil(ends / pixel - SNAP)
    border = np.ones((len(wanted), columns + 1), np.int32)
    border[:, 1:-1] = np.diff((wanted != 0).astype(np.int8), axis=1) != 0
    passed = np.concatenate([np.zeros((len(wanted), 1), np.int32), np.cumsum(border, axis=1)], axis=1)
    column = np.arange(columns)
    low, high = np.maximum(column - skip + 1, 0), np.minimum(column + skip + 1, columns + 1)
    return np.asarray(passed[:, high] == passed[:, np.minimum(low, high)])


def _lay(moves: Moves, at: Ints, frame: Frame, area: float, volume: Floats) -> float:
    """Lay down the moves numbered `at` in `volume` (bottom row first); return what falls outside, mm³."""
    starts, ends = frame.spans((_before(moves, at, 0), _before(moves, at, 1)), (moves.x[at], moves.y[at]))
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    fed, z = moves.filament[at] * area, moves.z[at]
    layer = np.searchsorted((frame.tops[:-1] + frame.tops[1:]) / 2, z)
    placed = np.abs(z - frame.tops[layer]) <= frame.heights[layer] / 2 + SNAP
    lost = float(fed[~placed].sum())
    if not placed.any():
        return lost
    low, high, fed, layer = low[placed], high[placed], fed[placed], layer[placed]

    lowest = int(layer.min())
    rows = int(layer.max()) - lowest + 1
    laid, beside = _spread(low, high, fed, layer - lowest, rows, frame.borders, frame.pixel)
    volume[lowest : lowest + rows] += laid
    return lost + beside


def _before(moves: Moves, at: Ints, axis: int) -> Floats:
    """Where the head stands on an axis before each move."""
    column = moves.x if axis == 0 else moves.y
    return np.where(at > 0, column[at - 1], moves.start[axis])


def _spread(
    low: Floats, high: Floats, fed: Floats, row: Ints, rows: int, borders: Floats, pixel: float
) -> tuple[Floats, float]:
    """Spread volumes over u-ranges and bin them; one more column on each side takes what falls beside.

    Returns
    -------
    laid : (rows, C) float64
        mm³.
    beside : float
        mm³ outside the borders.
    """
    extent = high - low
    point = extent <= SNAP * pixel
    nudge = SNAP * pixel
    touched = np.where(low > borders[-1] + nudge, low, np.minimum(low + nudge, borders[-1]))
    first = _column(np.where(point, touched, low), borders, pixel)
    last = np.where(point, first, _column(high, borders, pixel))
    crossing = last > first
    across = np.where(crossing, extent, 1.0)
    head = np.where(crossing, (borders[np.minimum(first + 1, len(borders) - 1)] - low) / across, 1.0)
    tail = np.where(crossing, (high - borders[np.maximum(last, 0)]) / across, 0.0)

    wide = len(borders) + 1  # the columns and one on each side
    start = row * wide + 1
    shares = np.bincount(
        np.concatenate([start + first, start + last]), np.concatenate([fed * head, fed * tail]), rows * wide
    ).reshape(rows, wide)
    inner = np.flatnonzero(last > first + 1)
    density = fed[inner] / extent[inner]
    steps = np.bincount(
        np.concatenate([(start + first)[inner] + 1, (start + last)[inner]]),
        np.concatenate([density, -density]),
        rows * wide,
    ).reshape(rows, wide)
    filled = np.maximum(np.cumsum(steps, axis=1)[:, 1:-1], 0.0)  # a step down may leave a last digit behind
    return shares[:, 1:-1] + filled * np.diff(borders), float(shares[:, 0].sum() + shares[:, -1].sum())


def _column(u: Floats, borders: Floats, pixel: float) -> Ints:
    """Give the column each position stands in: -1 below the first, one past the last beyond it.

    Division may round onto a border, so the borders have the last word. The far border belongs to the last
    column.
    """
    last = len(borders) - 2
    column = np.clip(np.floor(u / pixel), 0, last).astype(np.int64)
    column -= u < borders[column]
    return np.where(u > borders[-1], last + 1, column)
