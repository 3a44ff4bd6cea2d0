"""Bead counts: the number of beads side by side in each column, chosen for the whole layer at once.

A bead of spacing t/n is best near the nominal spacing p0, and every change of n costs: beads must begin or
turn inside the wall. The best sequence n(u) of a layer is the shortest path through (column, n), found by
dynamic programming (Viterbi, IEEE Trans. Inf. Theory 13, 260, 1967) with the cost

    Σ log²(t / (n·p0))·du  +  Σ (λ·|Δn| + μ·[Δn odd]).

The last term is our addition. A pair of beads that begins or ends is joined by a hairpin, so the stroke
continues; a single bead leaves a loose end in the picture and needs a travel. A small μ makes nearly all
changes even, with hardly any effect on the spacing.

The minimum over the previous n needs no table of pairs: an even change is a chain of steps by two, an odd
change the same plus a single step, so running minima suffice. Arrays are (columns, counts, layers), because
the layers of a block are the longest axis.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.layers.strokes import BeadPlan, Floats

# A column outside the spacing limits costs far more than any change of count, but is still comparable: where
# no count fits (a wall thinner than the narrowest bead), the nearest one wins.
OUTSIDE = 1e5
NEVER = 1e9
# Relative margin inside the limits: the cost of a change can outweigh a violation of this size.
INSIDE = np.float32(1e-4)
MAX_BEADS = 125


def count_beads(
    thickness: Floats, pixel: float, plan: BeadPlan, adapting: int | None = None
) -> NDArray[np.int8]:
    """Choose the number of beads for every column of a block of layers.

    Parameters
    ----------
    thickness : (L, C) float64
        Wall thickness, mm.
    pixel : float
        Width of a column, mm.
    plan : BeadPlan
        Nominal spacing, spacing limits, and costs of a change.
    adapting : int, optional
        Maximum number of beads that share the remainder of the wall, while the others have the nominal
        spacing. By default all beads share the wall.

    Returns
    -------
    (L, C) int8
        Beads per column; 0 exactly where the thickness is 0.

    Raises
    ------
    PathgenError
        If the wall is thicker than `MAX_BEADS` of the widest beads.

    Examples
    --------
    >>> plan = BeadPlan(0.42, 0.28, 0.62)
    >>> count_beads(np.array([[0.8, 0.8, 2.1, 2.1]]), 5.0, plan).tolist()
    [[2, 2, 5, 5]]
    """
    layers, columns = thickness.shape
    if not thickness.size:
        return np.zeros((layers, columns), np.int8)
    states = _states(thickness, plan)
    reach = _column_cost(thickness, pixel, states, plan, adapting)
    if plan.ring:
        _close_ring(reach)
    _accumulate(reach, plan)
    change = np.abs(states[:, None] - states[None, :])
    price = (plan.change_cost * change + plan.end_cost * (change % 2)).astype(np.float32)
    return states[_trace(reach, price)].astype(np.int8)


def _states(thickness: Floats, plan: BeadPlan) -> NDArray[np.float32]:
    """Return the candidate bead counts for this block: an even number of consecutive integers."""
    wall = thickness[thickness > 0]
    if not wall.size:
        return np.array([0, 1], np.float32)
    fewest = max(1, int(wall.min() / plan.spacing_max)) if wall.size == thickness.size else 0
    if wall.max() > MAX_BEADS * plan.spacing_max:
        what = f"the wall is {wall.max():g} mm thick"
        limit = f"at most {MAX_BEADS * plan.spacing_max:g} mm ({MAX_BEADS} beads of {plan.spacing_max:g} mm)"
        hint = "use the fill `contour` or `raster`, or make the wall thinner"
        raise PathgenError(what, where="panel", allowed=limit, hint=hint)
    # More than 1.25 times the nominal count is never best, unless the limits require it.
    highest = max(math.ceil(1.25 * wall.max() / plan.spacing), math.ceil(wall.max() / plan.spacing_max))
    highest = min(max(highest, fewest + 1), MAX_BEADS)
    return np.arange(fewest, highest + 1 + (highest - fewest + 1) % 2, dtype=np.float32)


def _column_cost(
    thickness: Floats, pixel: float, states: NDArray[np.float32], plan: BeadPlan, adapting: int | None
) -> NDArray[np.float32]:
    """Return the cost of each count in each column, (C, states, L): log² of spacing over nominal spacing."""
    wall = thickness.T > 0
    share = np.maximum(states, 1) if adapting is None else np.clip(states, 1, adapting)
    if adapting is None:
        log_t = np.zeros(wall.shape, np.float32)
        np.log(thickness.T / plan.spacing, out=log_t, where=wall, casting="same_kind")
        off = log_t[:, None, :] - np.log(share)[:, None]
    else:
        rest = (thickness.T / plan.spacing).astype(np.float32)[:, None, :] - (states - share).clip(0)[:, None]
        rest /= share[:, None]
        off = np.log(np.maximum(rest, np.float32(1e-6), out=rest), out=rest)
    low = np.float32(np.log(plan.spacing_min / plan.spacing)) + INSIDE
    high = np.float32(np.log(plan.spacing_max / plan.spacing)) - INSIDE
    outside = off - np.clip(off, low, high)
    np.abs(outside, out=outside)
    outside *= np.float32(OUTSIDE)
    cost: NDArray[np.float32] = np.square(off, out=off)
    cost += outside
    cost *= np.float32(pixel)
    if states[0] == 0:
        cost[:, 0] = np.where(wall, np.float32(NEVER), np.float32(0))
        np.putmask(cost[:, 1:], np.broadcast_to(~wall[:, None], cost[:, 1:].shape), np.float32(NEVER))
    return cost


def _close_ring(cost: NDArray[np.float32]) -> None:
    """Set both ends of a ring to the same count, the best for both columns, in place."""
    best = (cost[0] + cost[-1]).argmin(axis=0)
    others = np.arange(cost.shape[1])[:, None] != best
    cost[0][others] = cost[-1][others] = NEVER


def _accumulate(reach: NDArray[np.float32], plan: BeadPlan) -> None:
    """Replace column costs by the minimum cost of the path to each count, column by column, in place."""
    two = np.float32(2 * plan.change_cost)
    one = np.float32(plan.change_cost + plan.end_cost)
    best = np.empty_like(reach[0])
    pair = np.empty_like(best[:2])
    odd = np.empty_like(best)
    pairs = [best[i : i + 2] for i in range(0, len(best), 2)]
    steps = [*zip(pairs, pairs[1:], strict=False), *zip(pairs[:0:-1], pairs[-2::-1], strict=False)]
    for before, here in zip(reach[:-1], reach[1:], strict=True):
        np.copyto(best, before)
        for source, target in steps:
            np.add(source, two, out=pair)
            np.minimum(target, pair, out=target)
        # Only differences matter: subtracting the minimum of a layer preserves precision over long walls.
        best -= best.min(axis=0)
        np.copyto(odd[:-1], best[1:])
        odd[-1] = np.inf
        np.minimum(odd[1:], best[:-1], out=odd[1:])
        odd += one
        here += np.minimum(best, odd, out=odd)


def _trace(reach: NDArray[np.float32], price: NDArray[np.float32]) -> NDArray[np.intp]:
    """Follow the cheapest path back from the last column; return state indices, (L, C)."""
    columns, _, layers = reach.shape
    path = np.empty((columns, layers), np.intp)
    path[-1] = reach[-1].argmin(axis=0)
    for c in range(columns - 2, -1, -1):
        path[c] = (reach[c] + price[:, path[c + 1]]).argmin(axis=0)
    return path.T
