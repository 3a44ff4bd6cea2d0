"""Convert strands to strokes, with centrelines, hairpins and the deposit of each segment.

The centreline of a bead and the area that it deposits are both linear in the wall thickness t:

    n = offset + place·t        dA = fixed·du + share·dV,   dV = t·du

A fill therefore only has to supply these four numbers for strand j of a run of n beads. For `tailored`,
n = (j + ½)·t/n and dA = dV/n; for a bead of constant spacing p, n = (j + ½)·p and dA = p·du.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.fills.joins import LONG, UNIT, join_strands
from pathgen.layers.fills.runs import Bools, LayerRuns
from pathgen.layers.strokes import Floats, Ints, Strokes, ragged_range


@dataclass(frozen=True, slots=True)
class Share:
    """Part of the wall that each strand fills, as four arrays (S,); the module gives the formula."""

    offset: Floats
    place: Floats
    fixed: Floats
    share: Floats


TINY = 1e-9  # nodes nearer than this coincide, mm

ShareRule = Callable[[Ints, Ints], Share]
"""Returns the shares of strands, from the bead counts of their runs and their numbers from the back."""


@dataclass(frozen=True, slots=True)
class _Strands:
    """Strands in the order of printing; `run` indexes the runs of the wall."""

    run: Ints
    has: Share
    backward: Bools
    head: Bools
    through: Bools  # continues the previous strand from the neighbouring run
    layer: Ints

    @property
    def turned(self) -> Bools:
        """True if a hairpin leads from the previous strand to this one."""
        return ~self.head & ~self.through


def build_strokes(
    wall: LayerRuns, counts: NDArray[np.int8], first_layer: int, rule: ShareRule, *, straight: bool = False
) -> Strokes:
    """Join the strands of a block of layers into strokes.

    Parameters
    ----------
    wall : LayerRuns
    counts : (L, C) int8
        `counts` of the strokes.
    first_layer : int
        Index of the block's first layer.
    rule : callable
        `ShareRule` of the fill. The fill is column-exact if the shares of a run's strands add up to the whole
        wall.
    straight : bool
        If True, strands keep their number, and so their place, from run to run.

    Returns
    -------
    Strokes
    """
    return _expand(wall, _sequence(wall, first_layer, rule, straight), counts)


def _sequence(wall: LayerRuns, first_layer: int, rule: ShareRule, straight: bool) -> _Strands:
    """Join the strands of every layer and arrange them in the order of printing."""
    per_layer = np.flatnonzero(np.diff(wall.layer, prepend=-1, append=-1))
    length = np.rint(np.minimum((wall.hi - wall.lo) * wall.pixel / UNIT, LONG)).astype(int).tolist()
    beads = wall.beads.tolist()
    base = np.cumsum(wall.beads) - wall.beads
    order: list[int] = []
    backward: list[bool] = []
    head: list[bool] = []
    for lo, hi in zip(per_layer[:-1].tolist(), per_layer[1:].tolist(), strict=True):
        joined = join_strands(tuple(beads[lo:hi]), tuple(length[lo:hi]), straight, wall.ring)
        shift = int(base[lo])
        order += [s + shift for s in joined.strand]
        backward += joined.backward
        head += joined.head
    sequence = np.array(order, np.intp)
    run = np.repeat(np.arange(len(beads)), wall.beads)[sequence]
    has = rule(wall.beads[run], sequence - base[run])
    heads = np.array(head, bool)
    through = ~heads
    through[1:] &= run[1:] != run[:-1]
    return _Strands(run, has, np.array(backward, bool), heads, through, wall.layer[run] + first_layer)


def _slides(strands: _Strands, values: Floats) -> tuple[Floats, Floats]:
    """Return the shifts of the left and right strand ends that make neighbouring strands meet."""
    step = np.zeros(len(values) + 1)
    step[1:-1] = np.where(strands.through[1:], np.diff(values) / 2, 0.0)
    enter, leave = -step[:-1], step[1:]
    return np.where(strands.backward, leave, enter), np.where(strands.backward, enter, leave)


def _expand(wall: LayerRuns, strands: _Strands, counts: NDArray[np.int8]) -> Strokes:
    """Convert strands to points with the area that each segment deposits."""
    kept = np.flatnonzero(wall.keep)
    row = wall.layer * wall.keep.shape[1]
    first = np.searchsorted(kept, row + wall.lo)[strands.run]
    last = np.searchsorted(kept, row + wall.hi)[strands.run]
    count = last - first + 1
    of = np.repeat(np.arange(len(count)), count)
    index = ragged_range(first, count)
    index = np.where(strands.backward[of], (first + last)[of] - index, index)
    node = kept[index]
    run = strands.run[of]
    column = node - row[run]

    n = _centres(wall, strands, of, node, column)
    u = column * wall.pixel
    at, area = u.copy(), wall.area.ravel()[node]
    opening = np.cumsum(count) - count
    drop = np.zeros(len(u), bool)
    drop[opening[strands.through]] = True  # repeats the previous point
    hairpins = np.zeros(len(strands.run))
    left = _End(wall.left_end, wall.inset_left, wall.lo, 1)
    right = _End(wall.right_end, wall.inset_right, wall.hi, -1)
    for side in (left, right):
        _adjust_end(wall, strands, side, _Points(of, column, u, at, area, drop), hairpins)

    # The first point of a stroke deposits nothing; that of another strand deposits the hairpin to it.
    preset = np.full(len(u), np.nan)
    preset[opening] = np.where(strands.turned, hairpins, 0.0)
    begins = np.zeros(len(u), bool)
    begins[opening[strands.head]] = True
    stay = ~drop
    preset, begins, of = preset[stay], begins[stay], of[stay]
    deposited = strands.has.fixed[of] * np.abs(np.diff(at[stay], prepend=0.0))
    deposited += strands.has.share[of] * np.abs(np.diff(area[stay], prepend=0.0))
    np.copyto(deposited, preset, where=~np.isnan(preset))
    start = np.append(np.flatnonzero(begins), len(begins))
    return Strokes(u[stay], n[stay], deposited, preset > 0, start, strands.layer[strands.head], counts)


def _centres(wall: LayerRuns, strands: _Strands, of: Ints, node: Ints, column: Ints) -> Floats:
    """Return n of the centreline at each point, mm, including the shifts at the ends of runs."""
    run = strands.run[of]
    blend = wall.blend[run]
    to_left = np.maximum(0.0, 1.0 - (column - wall.lo[run]) / blend)
    to_right = np.maximum(0.0, 1.0 - (wall.hi[run] - column) / blend)
    n = np.zeros(len(of))
    for values, factor in ((strands.has.place, wall.node.ravel()[node]), (strands.has.offset, 1.0)):
        if values.any():
            left, right = _slides(strands, values)
            n += (values[of] + left[of] * to_left + right[of] * to_right) * factor
    return n


@dataclass(frozen=True, slots=True)
class _End:
    """Left or right end of the wall: the runs that end there, insets, corner nodes, inward direction."""

    runs: Bools
    inset: Floats
    corner: Ints
    inward: int


@dataclass(frozen=True, slots=True)
class _Points:
    """Stroke points while wall ends are adjusted: strand, column, u, position and cumulated area."""

    of: Ints
    column: Ints
    u: Floats
    at: Floats
    area: Floats
    drop: Bools


def _adjust_end(wall: LayerRuns, strands: _Strands, end: _End, points: _Points, hairpins: Floats) -> None:
    """Move stroke ends inside the wall without losing area; changes `points` and `hairpins`.

    A strand with a hairpin stops at the inset, and the hairpin deposits the area beyond. A strand with a
    loose end also starts at the inset; the area of its first three insets of wall is deposited over two.
    """
    enters = ~strands.backward if end.inward > 0 else strands.backward
    turned = strands.turned & (not wall.dry_hairpins)
    turning = np.where(enters, turned, np.append(turned[1:], False))
    beyond = np.abs(wall.area_at(end.corner, end.inward * end.inset) - wall.area[wall.layer, end.corner])

    # A hairpin deposits the area beyond both strands that it connects.
    own = strands.has.share * beyond[strands.run] + strands.has.fixed * end.inset[strands.run]
    entered = np.flatnonzero(turned & enters & end.runs[strands.run])
    hairpins[entered] = own[entered] + own[entered - 1]

    run = strands.run[points.of]
    depth = np.abs(points.column - end.corner[run]) * wall.pixel
    near = np.flatnonzero(end.runs[run] & (depth < 3 * end.inset[run]))
    run, depth, turns_here = run[near], depth[near], turning[points.of[near]]
    inset = end.inset[run]
    to_turn = turns_here & (depth <= inset + TINY)
    tip = to_turn & (depth == 0)
    points.drop[near[to_turn & ~tip]] = True
    moved = np.where(turns_here, np.maximum(depth, inset), inset + depth * (2 / 3))
    points.u[near] = end.corner[run] * wall.pixel + end.inward * moved
    points.at[near[tip]] += end.inward * inset[tip]
    points.area[near[tip]] += end.inward * beyond[run[tip]]
