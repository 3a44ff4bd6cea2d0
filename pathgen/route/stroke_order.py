"""Order and direction of a layer's strokes for minimum travel from the position of the head.

For up to four strokes, every order and direction is compared; for more, the nearest end is always next. A
layer of a panel rarely has more than four strokes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from itertools import pairwise, permutations, product

import numpy as np

from pathgen.layers.strokes import Floats, Ints, Strokes, reorder_strokes

EXHAUSTIVE = 4


def order_strokes(strokes: Strokes, at: tuple[float, float]) -> tuple[Strokes, tuple[float, float]]:
    """Order the strokes of every layer, layer after layer.

    Parameters
    ----------
    strokes : Strokes
        Sorted by layer. A stroke may be reversed; its deposit does not change.
    at : tuple of float
        Position of the head before the first stroke, (u, n) mm.

    Returns
    -------
    strokes : Strokes
    at : tuple of float
        Position of the head after the last stroke; `at` without strokes.
    """
    ordered, _, at = order_layers(strokes, at, lambda _, ends, here: _best(ends, here))
    return ordered, at


def order_layers(
    strokes: Strokes, at: tuple[float, float], choose: Callable[[slice, Floats, Floats], tuple[Ints, Ints]]
) -> tuple[Strokes, Ints, tuple[float, float]]:
    """Order the strokes of every layer by a rule, layer after layer.

    Parameters
    ----------
    strokes : Strokes
        Sorted by layer.
    at : tuple of float
        Position of the head before the first stroke, mm.
    choose : callable
        Returns order and directions (1: reversed) of the strokes of one layer, (K,) each, from the slice of
        these strokes, their first and last points, (K, 2, 2) mm, and the position of the head, mm.

    Returns
    -------
    strokes : Strokes
    sequence : (S,) intp
        Input index of each stroke.
    at : tuple of float
        Position of the head after the last stroke; `at` without strokes.
    """
    points = np.column_stack([strokes.u, strokes.n])
    ends = np.stack([points[strokes.start[:-1]], points[strokes.start[1:] - 1]], axis=1)
    sequence, turned = np.empty(len(strokes), np.intp), np.empty(len(strokes), bool)
    here = np.asarray(at, np.float64)
    bounds = np.flatnonzero(np.diff(strokes.layer, prepend=-1, append=-1))
    for lo, hi in pairwise(bounds.tolist()):
        order, turned[lo:hi] = choose(slice(lo, hi), ends[lo:hi], here)
        sequence[lo:hi] = lo + order
        here = ends[sequence[hi - 1], 1 - int(turned[hi - 1])]
    return reorder_strokes(strokes, sequence, turned), sequence, (float(here[0]), float(here[1]))


def _best(ends: Floats, at: Floats) -> tuple[Ints, Ints]:
    """Return the order and direction of one layer's strokes; `ends` is (strokes, first/last, u/n)."""
    if len(ends) > EXHAUSTIVE:
        return _nearest(ends, at)
    orders, flips = all_orders(len(ends))
    begin = ends[orders, flips]
    finish = ends[orders, 1 - flips]
    gaps = np.hypot(*np.moveaxis(begin[:, 1:] - finish[:, :-1], -1, 0)).sum(axis=1)
    total = gaps + np.hypot(*(begin[:, 0] - at).T)
    best = int(np.round(total, 9).argmin())
    return orders[best], flips[best]


@lru_cache(maxsize=EXHAUSTIVE + 1)
def all_orders(count: int) -> tuple[Ints, Ints]:
    """Return all orders and directions of `count` strokes, (M, count) each; direction 1 is reversed."""
    orders, flips = zip(*product(permutations(range(count)), product((0, 1), repeat=count)), strict=True)
    return np.array(orders, np.intp), np.array(flips, np.intp)


def _nearest(ends: Floats, at: Floats) -> tuple[Ints, Ints]:
    """Order strokes greedily: always continue with the nearest unused end of a stroke."""
    left = np.ones(len(ends), bool)
    order, flips = np.empty((2, len(ends)), np.intp)
    for place in range(len(ends)):
        gap = np.where(left[:, None], np.hypot(*np.moveaxis(ends - at, -1, 0)), np.inf)
        best, end = divmod(int(gap.argmin()), 2)
        order[place], flips[place], left[best] = best, end, False
        at = ends[best, 1 - end]
    return order, flips
