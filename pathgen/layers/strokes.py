"""Profiles and strokes: the input and the output of a fill, for a block of layers.

Glossary. *Column*: the slice of wall between u and u + pixel. *Profile*: the thickness of every column of one
layer. *Stroke*: one continuous path of the nozzle, as points in panel coordinates (u along the panel, n out
of its flat back), with the *area* (mm², seen from above) that each segment deposits. Area times layer height
is the volume of a segment; area divided by its length is its *bead width*. A segment of area 0 is a *link*: a
short dry crossing.
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
        Index of the block's first layer.
    """

    thickness: Floats
    pixel: float
    first: int = 0


@dataclass(frozen=True, slots=True)
class BeadPlan:
    """Targets and limits of a fill, named like the keys of a job; lengths in mm."""

    spacing: float
    spacing_min: float
    spacing_max: float
    change_cost: float = 0.15
    end_cost: float = 0.3
    tolerance: float = 0.03
    direction: str = "along"  # of the lines of a raster: along, across, alternate
    hairpins: str = "deposit"  # crossings at the end of the wall: deposit, dry
    longest: float | None = None  # longest move along a bent wall
    ring: bool = False  # the two ends of the wall join at the seam


@dataclass(frozen=True, slots=True)
class Strokes:
    """Strokes of a block of layers, as ragged arrays.

    Attributes
    ----------
    u, n : (N,) float64
        Points in panel coordinates, mm.
    area : (N,) float64
        Area deposited by the segment that ends at each point, mm²; 0 at the first point of a stroke.
    hairpin : (N,) bool
        True if the segment that ends at the point crosses from one bead to the next at the end of the wall.
    start : (S + 1,) intp
        Stroke s consists of the points ``start[s]:start[s + 1]``.
    layer : (S,) intp
        Layer of each stroke, ascending.
    counts : (L, C) int8
        Number of beads side by side in each column of the block.
    """

    u: Floats
    n: Floats
    area: Floats
    hairpin: NDArray[np.bool_]
    start: Ints
    layer: Ints
    counts: NDArray[np.int8]

    def __len__(self) -> int:
        """Return the number of strokes."""
        return len(self.layer)

    def select(self, first: int, last: int) -> Strokes:
        """Return the strokes of layers ``first:last``; `counts` is unchanged.

        Examples
        --------
        >>> line = np.array([[0.0, 0.0], [10.0, 0.0]])
        >>> make_strokes([line] * 4, [0, 1, 1, 2], 0.5).select(1, 2).layer.tolist()
        [1, 1]
        """
        chosen = np.arange(*np.searchsorted(self.layer, [first, last]))
        return reorder_strokes(self, chosen, np.zeros(len(chosen), bool))

    def length(self) -> Floats:
        """Return the length of the segment that ends at each point, mm, (N,); 0 at the start of a stroke."""
        length = np.zeros_like(self.u)
        np.hypot(np.diff(self.u), np.diff(self.n), out=length[1:])
        length[self.start[:-1]] = 0.0
        return length


def merge_strokes(parts: Sequence[Strokes], counts: NDArray[np.int8]) -> Strokes:
    """Combine strokes layer by layer; within a layer, strokes keep the order of the parts.

    Parameters
    ----------
    parts : sequence of Strokes
    counts : (L, C) int8
        `counts` of the result.

    Returns
    -------
    Strokes
        Empty if all parts are empty.
    """
    together = join_strokes(parts, counts)
    order = np.argsort(together.layer, kind="stable")
    return reorder_strokes(together, order, np.zeros(len(order), bool))


def join_strokes(parts: Sequence[Strokes], counts: NDArray[np.int8]) -> Strokes:
    """Concatenate strokes, part after part, regardless of their layers."""
    columns = [
        np.concatenate([np.zeros(0, kind), *(getattr(p, name) for p in parts)])
        for name, kind in (("u", float), ("n", float), ("area", float), ("hairpin", bool), ("layer", np.intp))
    ]
    points = np.concatenate([np.zeros(0, np.intp), *(np.diff(p.start) for p in parts)])
    start = np.concatenate([[0], np.cumsum(points)]).astype(np.intp)
    return Strokes(columns[0], columns[1], columns[2], columns[3], start, columns[4], counts)


def reorder_strokes(strokes: Strokes, sequence: Ints, turned: NDArray[np.bool_]) -> Strokes:
    """Copy strokes in a given order, with selected strokes reversed.

    Parameters
    ----------
    strokes : Strokes
    sequence : (T,) intp
        Indices of the strokes.
    turned : (T,) bool
        True for strokes that run from their last point to their first.

    Returns
    -------
    Strokes
        Every stroke deposits the same as before.
    """
    first = strokes.start[sequence]
    count = strokes.start[sequence + 1] - first
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.intp)
    index = ragged_range(first, count)
    back = np.repeat(turned, count)
    index = np.where(back, np.repeat(2 * first + count - 1, count) - index, index)
    # Areas belong to segments: in a reversed stroke, a point takes the area of the segment that began there.
    segment = np.minimum(index + back, len(strokes.u) - 1)
    area, hairpin = strokes.area[segment], strokes.hairpin[segment]
    area[start[:-1]] = 0.0
    hairpin[start[:-1]] = False
    u, n, layer = strokes.u[index], strokes.n[index], strokes.layer[sequence]
    return Strokes(u, n, area, hairpin, start, layer, strokes.counts)


def make_strokes(lines: Sequence[Floats], layer: Sequence[int], spacing: float) -> Strokes:
    """Return strokes of constant bead width along lines.

    Parameters
    ----------
    lines : sequence of (N, 2) float64
        Points (u, n), mm.
    layer : sequence of int
        Layer of each line, ascending.
    spacing : float
        Bead width, mm; 0 for dry strokes.

    Returns
    -------
    Strokes
        `counts` is empty.
    """
    points = np.concatenate([np.zeros((0, 2)), *lines])
    start = np.cumsum([0, *(len(line) for line in lines)]).astype(np.intp)
    u, n, zero = points[:, 0].copy(), points[:, 1].copy(), np.zeros(len(points))
    counts = np.zeros((0, 0), np.int8)
    strokes = Strokes(u, n, zero, zero.astype(bool), start, np.array(layer, np.intp), counts)
    strokes.area[:] = spacing * strokes.length()
    return strokes


def ragged_range(first: Ints, count: Ints) -> Ints:
    """Concatenate ranges ``first[i], first[i] + 1, …`` of `count[i]` integers each.

    Parameters
    ----------
    first, count : (M,) int
        Start and length of each range; a length of 0 contributes nothing.

    Returns
    -------
    (sum(count),) intp

    Examples
    --------
    >>> ragged_range(np.array([5, 2]), np.array([3, 2])).tolist()
    [5, 6, 7, 2, 3]
    """
    total = int(count.sum())
    offset = np.repeat(first - (np.cumsum(count) - count), count)
    index: Ints = np.arange(total, dtype=np.intp) + offset
    return index
