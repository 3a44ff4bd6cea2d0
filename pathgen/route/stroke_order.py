"""Order and direction of a layer's strokes for minimum travel from the position of the head.

For up to four strokes, every order and direction is compared; for more, the nearest end is always next. A
layer of a panel rarely has more than four strokes.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.strokes import Ints, Strokes, reorder_strokes

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
    if not len(strokes):
        return strokes, at
    first, last = strokes.start[:-1], strokes.start[1:] - 1
    points = np.column_stack([strokes.u, strokes.n])
    ends = np.stack([points[first], points[last]], axis=1)
    sequence: list[int] = []
    turned: list[int] = []
    here = np.asarray(at)
    bounds = np.flatnonzero(np.diff(strokes.layer, prepend=-1, append=-1))
    for lo, hi in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        pick, flip = _best(ends[lo:hi], here)
        sequence += [lo + i for i in pick]
        turned += flip
        here = ends[lo + pick[-1], 1 - flip[-1]]
    ordered = reorder_strokes(strokes, np.array(sequence, np.intp), np.array(turned, bool))
    return ordered, (float(here[0]), float(here[1]))


def _best(ends: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[list[int], list[int]]:
    """Return order and direction for one layer; `ends` is (strokes, first/last, u/n)."""
    if len(ends) > EXHAUSTIVE:
        return _nearest(ends, at)
    orders, flips = all_orders(len(ends))
    begin = ends[orders, flips]
    finish = ends[orders, 1 - flips]
    gaps = np.hypot(*np.moveaxis(begin[:, 1:] - finish[:, :-1], -1, 0)).sum(axis=1)
    total = gaps + np.hypot(*(begin[:, 0] - at).T)
    best = int(np.round(total, 9).argmin())
    return orders[best].tolist(), flips[best].tolist()


@lru_cache(maxsize=EXHAUSTIVE + 1)
def all_orders(count: int) -> tuple[Ints, Ints]:
    """Return all orders and directions of `count` strokes, (M, count) each; direction 1 is reversed."""
    pairs = list(product(permutations(range(count)), product((0, 1), repeat=count)))
    return np.array([p[0] for p in pairs], np.intp), np.array([p[1] for p in pairs], np.intp)


def _nearest(ends: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[list[int], list[int]]:
    """Order strokes by always continuing with the nearest unused stroke end."""
    left = np.ones(len(ends), bool)
    pick: list[int] = []
    flip: list[int] = []
    for _ in range(len(ends)):
        gap = np.where(left[:, None], np.hypot(*np.moveaxis(ends - at, -1, 0)), np.inf)
        best, end = divmod(int(gap.argmin()), 2)
        pick.append(best)
        flip.append(end)
        left[best] = False
        at = ends[best, 1 - end]
    return pick, flip
