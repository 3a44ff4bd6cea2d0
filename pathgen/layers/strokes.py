"""Profiles and strokes: what goes into a fill and what comes out, for a block of layers.

Glossary. *Column*: the slice of wall between u and u + pixel. *Profile*: the thickness of every column of one
layer. *Stroke*: one continuous path of the head, as points in panel coordinates (u along the panel, n out of
its flat back), with the *area* (mm², seen from above) each segment deposits; area times layer height is the
segment's volume, area over segment length its *spacing*. A segment of area 0 is a *link*: a short dry
crossing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Profiles:
    """Wall thickness of a block of layers.

    Attributes
    ----------
    thickness : (L, C) float64
        Thickness of each column, mm; 0 where there is no wall.
    pixel : float
        Width of a column, mm.
    first : int
        Number of the block's first layer.
    """

    thickness: Floats
    pixel: float
    first: int = 0


@dataclass(frozen=True, slots=True)
class BeadPlan:
    """What a fill aims at and may do; lengths in mm (the job's keys of the same names)."""

    spacing: float
    spacing_min: float
    spacing_max: float
    change_cost: float = 0.15
    end_cost: float = 0.3
    tolerance: float = 0.03
    direction: str = "along"  # of a raster's lines: along, across, alternate
    hairpins: str = "deposit"  # at the wall's end: deposit, dry
    longest: float | None = None  # longest move along the wall, where chords must keep to an arc
    ring: bool = False  # the wall's two ends are one place, the seam


@dataclass(frozen=True, slots=True)
class Strokes:
    """Strokes of a block of layers, as ragged columns.

    Attributes
    ----------
    u, n : (N,) float64
        Points in panel coordinates, mm.
    area : (N,) float64
        Area deposited by the segment that ends at this point, mm²; 0 at the first point of a stroke.
    turn : (N,) bool
        The segment that ends here crosses from one bead to the next at the wall's end.
    start : (S + 1,) intp
        Stroke s is the points ``start[s]:start[s + 1]``.
    layer : (S,) intp
        Layer of each stroke, ascending.
    counts : (L, C) int8
        Beads side by side in each column of the block.
    """

    u: Floats
    n: Floats
    area: Floats
    hairpin: NDArray[np.bool_]
    start: Ints
    layer: Ints
    counts: NDArray[np.int8]

    def __len__(self) -> int:
        """Count the strokes."""
        return len(self.layer)

    def only(self, layer: int) -> Strokes:
        """Strokes of one layer; `counts` stays the block's."""
        chosen = np.flatnonzero(self.layer == layer)
        lo, hi = (int(self.start[chosen[0]]), int(self.start[chosen[-1] + 1])) if len(chosen) else (0, 0)
        here = slice(lo, hi)
        start = (np.append(self.start[chosen], hi) - lo).astype(np.intp)
        return Strokes(
            self.u[here],
            self.n[here],
            self.area[here],
            self.hairpin[here],
            start,
            self.layer[chosen],
            self.counts,
        )

    def length(self) -> Floats:
        """Length of the segment that ends at each point, mm; 0 at the first point of a stroke, (N,)."""
        length = np.zeros_like(self.u)
        np.hypot(np.diff(self.u), np.diff(self.n), out=length[1:])
        length[self.start[:-1]] = 0.0
        return length


def merge(parts: Sequence[Strokes], counts: NDArray[np.int8]) -> Strokes:
    """Put strokes together, sorted by layer; within a layer they keep the order of the parts.

    Parameters
    ----------
    parts : sequence of Strokes
    counts : (L, C) int8
        Of the whole.

    Returns
    -------
    Strokes
        Empty where all parts are.
    """
    together = join_strokes(parts, counts)
    order = np.argsort(together.layer, kind="stable")
    return rearranged(together, order, np.zeros(len(order), bool))


def join_strokes(parts: Sequence[Strokes], counts: NDArray[np.int8]) -> Strokes:
    """Put strokes one after another, part after part, whatever their layers."""
    columns = [
        np.concatenate([np.zeros(0, kind), *(getattr(p, name) for p in parts)])
        for name, kind in (("u", float), ("n", float), ("area", float), ("hairpin", bool), ("layer", np.intp))
    ]
    points = np.concatenate([np.zeros(0, np.intp), *(np.diff(p.start) for p in parts)])
    start = np.concatenate([[0], np.cumsum(points)]).astype(np.intp)
    return Strokes(columns[0], columns[1], columns[2], columns[3], start, columns[4], counts)


def rearranged(strokes: Strokes, sequence: Ints, turned: NDArray[np.bool_]) -> Strokes:
    """Copy strokes in another order, some of them turned round.

    Parameters
    ----------
    strokes : Strokes
    sequence : (T,) intp
        Numbers of the strokes to take.
    turned : (T,) bool
        Which of them are laid from their last point to their first.

    Returns
    -------
    Strokes
        What each deposits does not change.
    """
    first = strokes.start[sequence]
    count = strokes.start[sequence + 1] - first
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.intp)
    index = ragged(first, count)
    back = np.repeat(turned, count)
    index = np.where(back, np.repeat(2 * first + count - 1, count) - index, index)
    # Areas belong to segments: turned round, a point takes the one of the segment that began at it.
    segment = np.minimum(index + back, len(strokes.u) - 1)
    area, turn = strokes.area[segment], strokes.hairpin[segment]
    area[start[:-1]] = 0.0
    turn[start[:-1]] = False
    return Strokes(
        strokes.u[index], strokes.n[index], area, turn, start, strokes.layer[sequence], strokes.counts
    )


def constant_spacing(lines: Sequence[Floats], layer: Sequence[int], spacing: float) -> Strokes:
    """Make strokes of lines that deposit one spacing all along.

    Parameters
    ----------
    lines : sequence of (N, 2) float64
        Points (u, n), mm.
    layer : sequence of int
        Layer of each line, ascending.
    spacing : float
        mm.

    Returns
    -------
    Strokes
        Its `counts` are empty: nothing here knows about columns.
    """
    points = np.concatenate([np.zeros((0, 2)), *lines])
    start = np.cumsum([0, *(len(line) for line in lines)]).astype(np.intp)
    none = np.zeros(len(points))
    strokes = Strokes(
        points[:, 0].copy(), points[:, 1].copy(), none, none.astype(bool), start,
        np.array(layer, np.intp), np.zeros((0, 0), np.int8),
    )  # fmt: skip
    strokes.area[:] = spacing * strokes.length()
    return strokes


def ragged(first: Ints, count: Ints) -> Ints:
    """Concatenate the runs ``first[i], first[i] + 1, …`` of `count[i]` numbers each.

    Parameters
    ----------
    first, count : (M,) int
        Start and length of each run; counts of 0 give nothing.

    Returns
    -------
    (sum(count),) intp

    Examples
    --------
    >>> ragged(np.array([5, 2]), np.array([3, 2])).tolist()
    [5, 6, 7, 2, 3]
    """
    total = int(count.sum())
    offset = np.repeat(first - (np.cumsum(count) - count), count)
    index: Ints = np.arange(total, dtype=np.intp) + offset
    return index
