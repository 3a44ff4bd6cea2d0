"""The tailored fill: as many beads as suit the wall, each of pitch t/n, joined into few strokes.

Column-exact: the areas of the beads that cross a column add up to t·pixel, to rounding, in every column
further than one bead from the wall's end. At the ends the strokes keep half a pitch inside the wall and the
area of that last half pitch goes into the turn, or into the stroke's first millimetre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.fills.breakpoints import breakpoints, cumulated_area, node_thickness
from pathgen.layers.fills.counts import count_beads
from pathgen.layers.fills.joins import join
from pathgen.layers.strokes import BeadPlan, Floats, Ints, Profiles, Strokes, ragged

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Wall:
    """A block of layers and its runs, in the order layer, then left to right.

    `lo` and `hi` are the first and last node of a run; `inset` is how far its strokes stay inside the wall's
    end, mm, where `left_end` or `right_end` says that it has one; `blend` is the length in columns over which
    strands slide to their place in the next run.
    """

    thickness: Floats
    area: Floats
    node: Floats
    pixel: float
    layer: Ints
    lo: Ints
    hi: Ints
    beads: Ints
    left_end: Bools
    right_end: Bools
    inset_left: Floats
    inset_right: Floats
    blend: Ints


@dataclass(frozen=True, slots=True)
class _Strands:
    """Strands in the order the head passes them; `run` indexes the wall's runs."""

    run: Ints
    place: Floats  # centre as a share of the wall's thickness
    backward: Bools
    head: Bools
    through: Bools  # goes on from the strand before, in the neighbouring run
    layer: Ints


def tailored(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with beads of pitch t/n.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Nominal pitch and limits, costs of bead-count changes, tolerance.

    Returns
    -------
    Strokes
        Their areas add up to each layer's section area. Empty where there is no wall.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> strokes = tailored(wall, BeadPlan(0.42, 0.28, 0.62))
    >>> len(strokes), round(float(strokes.area.sum()), 6)
    (1, 60.0)
    """
    counts = count_beads(profiles.thickness, profiles.pixel, plan)
    area = cumulated_area(profiles.thickness, profiles.pixel)
    node = node_thickness(profiles.thickness)
    wall = _runs(profiles, counts, area, node, plan)
    keep = breakpoints(area, node, profiles.pixel, plan.tolerance)
    _keep_run_nodes(keep, wall)
    return _expand(wall, _strands(wall, profiles.first), keep, counts)


def _runs(profiles: Profiles, counts: NDArray[np.int8], area: Floats, node: Floats, plan: BeadPlan) -> _Wall:
    """Find the runs of a block and what happens at their ends."""
    layers, columns = counts.shape
    border = np.ones((layers, columns + 1), bool)
    border[:, 1:-1] = counts[:, 1:] != counts[:, :-1]
    layer, at = np.nonzero(border)
    first = at < columns
    lo, layer = at[first], layer[first]
    hi = at[np.flatnonzero(first) + 1]
    beads = counts[layer, lo].astype(np.intp)
    before, after = np.zeros_like(beads), np.zeros_like(beads)
    before[1:], after[:-1] = beads[:-1], beads[1:]
    left_end = (lo == 0) | (before == 0)
    right_end = (hi == columns) | (after == 0)
    length = hi - lo
    slide = max(1, round(plan.pitch / profiles.pixel))
    per_bead = 0.5 / np.maximum(beads, 1)
    room = length * profiles.pixel / 4
    return _Wall(
        profiles.thickness, area, node, profiles.pixel, layer, lo, hi, beads, left_end, right_end,
        inset_left=np.minimum(profiles.thickness[layer, lo] * per_bead, room),
        inset_right=np.minimum(profiles.thickness[layer, hi - 1] * per_bead, room),
        blend=np.clip(length // 2, 1, slide),
    )  # fmt: skip


def _keep_run_nodes(keep: Bools, wall: _Wall) -> None:
    """Runs begin and end at breakpoints, and strands slide to their place between breakpoints."""
    keep[wall.layer, wall.lo] = True
    keep[wall.layer, wall.hi] = True
    keep[wall.layer, wall.lo + wall.blend] = True
    keep[wall.layer, wall.hi - wall.blend] = True


def _strands(wall: _Wall, first_layer: int) -> _Strands:
    """Join the strands of every layer and lay them out in the order the head passes them."""
    per_layer = np.flatnonzero(np.diff(wall.layer, prepend=-1, append=-1))
    length = np.minimum(wall.hi - wall.lo, 99).tolist()
    beads = wall.beads.tolist()
    base = np.cumsum(wall.beads) - wall.beads
    order: list[int] = []
    backward: list[bool] = []
    head: list[bool] = []
    for lo, hi in zip(per_layer[:-1].tolist(), per_layer[1:].tolist(), strict=True):
        joined = join(tuple(beads[lo:hi]), tuple(length[lo:hi]))
        shift = int(base[lo])
        order += [s + shift for s in joined.strand]
        backward += joined.backward
        head += joined.head
    sequence = np.array(order, np.intp)
    run_of = np.repeat(np.arange(len(beads)), wall.beads)
    run = run_of[sequence]
    place = (sequence - base[run] + 0.5) / wall.beads[run]
    heads = np.array(head, bool)
    through = ~heads
    through[1:] &= run[1:] != run[:-1]
    return _Strands(
        run, place, np.array(backward, bool), heads, through, wall.layer[run] + first_layer
    )


def _slides(strands: _Strands) -> tuple[Floats, Floats]:
    """How far a strand's place shifts at its left and right end to meet its neighbour half-way."""
    step = np.zeros(len(strands.run) + 1)
    step[1:-1] = np.where(strands.through[1:], np.diff(strands.place) / 2, 0.0)
    enter, leave = -step[:-1], step[1:]
    left = np.where(strands.backward, leave, enter)
    right = np.where(strands.backward, enter, leave)
    return left, right


def _expand(wall: _Wall, strands: _Strands, keep: Bools, counts: NDArray[np.int8]) -> Strokes:
    """Turn strands into points, with the area that each segment deposits."""
    nodes = keep.shape[1]
    kept = np.flatnonzero(keep)
    row = wall.layer * nodes
    first = np.searchsorted(kept, row + wall.lo)[strands.run]
    last = np.searchsorted(kept, row + wall.hi)[strands.run]
    count = last - first + 1
    of = np.repeat(np.arange(len(count)), count)
    index = ragged(first, count)
    back = strands.backward[of]
    index = np.where(back, (first + last)[of] - index, index)
    node = kept[index]

    run = strands.run[of]
    column = node - row[run]
    beads = wall.beads[run]
    area = wall.area.ravel()[node] / beads
    left, right = _slides(strands)
    place = strands.place[of]
    blend = wall.blend[run]
    place += left[of] * np.maximum(0.0, 1.0 - (column - wall.lo[run]) / blend)
    place += right[of] * np.maximum(0.0, 1.0 - (wall.hi[run] - column) / blend)
    n = place * wall.node.ravel()[node]
    u = column * wall.pixel

    opening = np.cumsum(count) - count
    turned_in = ~strands.head & ~strands.through
    drop = np.zeros(len(u), bool)
    drop[opening[strands.through]] = True
    turns = _settle_ends(wall, strands, turned_in, of, column, u, area, drop)

    deposited = np.zeros_like(area)
    np.abs(np.diff(area), out=deposited[1:])
    deposited[opening] = np.where(turned_in, turns, 0.0)
    turn = np.zeros(len(u), bool)
    turn[opening] = turns > 0
    begins = np.zeros(len(u), bool)
    begins[opening[strands.head]] = True
    stay = ~drop
    start = np.append(np.flatnonzero(begins[stay]), np.count_nonzero(stay))
    return Strokes(
        u[stay], n[stay], deposited[stay], turn[stay], start, strands.layer[strands.head], counts
    )


def _settle_ends(
    wall: _Wall, strands: _Strands, turned_in: Bools, of: Ints, column: Ints, u: Floats, area: Floats, drop: Bools
) -> Floats:
    """Keep strokes half a pitch inside the wall's ends, without losing area; changes u, area and drop.

    A strand that turns stops at the inset, and what lies beyond is deposited by the turn. A strand that is
    loose there starts at the inset too, and its first three insets of wall are deposited over two.

    Returns
    -------
    (strands,) float64
        Area that the turn into each strand deposits, mm²; 0 where it is no turn at the wall's end.
    """
    turned_out = np.append(turned_in[1:], False)
    turns = np.zeros(len(strands.run))
    for ends, inset, corner, inward, enters in (
        (wall.left_end, wall.inset_left, wall.lo, 1, ~strands.backward),
        (wall.right_end, wall.inset_right, wall.hi, -1, strands.backward),
    ):
        beyond = np.abs(_area_at(wall, corner, inward * inset) - wall.area[wall.layer, corner])
        turning = np.where(enters, turned_in, turned_out)
        entered = turned_in & enters & ends[strands.run]
        turns[entered] = (2 * beyond / wall.beads.clip(1))[strands.run][entered]
        run = strands.run[of]
        depth = np.abs(column - corner[run]) * wall.pixel
        near = np.flatnonzero(ends[run] & (depth < 3 * inset[run]))
        run, depth, turns_here = run[near], depth[near], turning[of[near]]
        to_turn = turns_here & (depth <= inset[run])
        at_corner = depth == 0
        drop[near[to_turn & ~at_corner]] = True
        moved = np.where(turns_here, np.maximum(depth, inset[run]), inset[run] + depth * (2 / 3))
        u[near] = corner[run] * wall.pixel + inward * moved
        shift = inward * beyond[run] / wall.beads[run]
        tip = to_turn & at_corner
        area[near[tip]] += shift[tip]
    return turns


def _area_at(wall: _Wall, corner: Ints, depth: Floats) -> Floats:
    """Cumulated area at a place `depth` mm from each run's corner node (negative: to its left), mm²."""
    columns = wall.thickness.shape[1]
    at = corner + depth / wall.pixel
    cell = np.clip(np.floor(at).astype(np.intp), 0, columns - 1)
    inside = (at - cell) * wall.pixel * wall.thickness[wall.layer, cell]
    return wall.area[wall.layer, cell] + inside
