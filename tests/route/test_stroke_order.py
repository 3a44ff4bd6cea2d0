"""Order and direction of strokes: the same deposit, less travel."""

from itertools import permutations, product

import numpy as np
import pytest

from pathgen.layers.strokes import Strokes
from pathgen.route import order_strokes


def random_strokes(seed, per_layer):
    rng = np.random.default_rng(seed)
    layer = np.repeat(np.arange(len(per_layer)), per_layer)
    count = rng.integers(2, 6, len(layer))
    start = np.concatenate([[0], np.cumsum(count)])
    area = rng.uniform(0.1, 1, start[-1])
    area[start[:-1]] = 0
    u, n = rng.uniform(0, 100, start[-1]), rng.uniform(0, 3, start[-1])
    counts = np.zeros((len(per_layer), 1), np.int8)
    return Strokes(u, n, area, np.zeros(start[-1], bool), start, layer, counts)


def segments(strokes):
    """Every deposited segment as (layer, its two ends in order, area)."""
    found = []
    for s, layer in enumerate(strokes.layer):
        for i in range(strokes.start[s] + 1, strokes.start[s + 1]):
            ends = sorted([(strokes.u[i - 1], strokes.n[i - 1]), (strokes.u[i], strokes.n[i])])
            found.append((int(layer), *ends, strokes.area[i]))
    return sorted(found)


def travel(strokes, at):
    first, last = strokes.start[:-1], strokes.start[1:] - 1
    from_u = np.concatenate([[at[0]], strokes.u[last[:-1]]])
    from_n = np.concatenate([[at[1]], strokes.n[last[:-1]]])
    return float(np.hypot(strokes.u[first] - from_u, strokes.n[first] - from_n).sum())


@pytest.mark.parametrize("seed", range(5))
def test_order_changes_nothing_that_is_deposited(seed):
    strokes = random_strokes(seed, [3, 0, 7, 1, 4])
    ordered, _ = order_strokes(strokes, (0.0, 0.0))
    assert segments(ordered) == segments(strokes)
    assert ordered.area[ordered.start[:-1]].sum() == 0
    assert (np.diff(ordered.layer) >= 0).all()


@pytest.mark.parametrize("seed", range(5))
def test_no_order_of_three_strokes_travels_less(seed):
    strokes = random_strokes(seed, [3])
    at = (20.0, 1.0)
    ends = [
        [(strokes.u[i], strokes.n[i]) for i in (strokes.start[s], strokes.start[s + 1] - 1)] for s in range(3)
    ]
    least = np.inf
    for order, flips in product(permutations(range(3)), product((0, 1), repeat=3)):
        here, total = at, 0.0
        for s, flip in zip(order, flips, strict=True):
            total += np.hypot(ends[s][flip][0] - here[0], ends[s][flip][1] - here[1])
            here = ends[s][1 - flip]
        least = min(least, total)
    ordered, _ = order_strokes(strokes, at)
    assert travel(ordered, at) == pytest.approx(least)


def test_many_strokes_travel_less_than_as_they_came():
    strokes = random_strokes(1, [12, 12])
    ordered, at = order_strokes(strokes, (0.0, 0.0))
    assert travel(ordered, (0.0, 0.0)) < 0.7 * travel(strokes, (0.0, 0.0))
    assert at == (ordered.u[-1], ordered.n[-1])


def test_no_strokes_leave_the_head_where_it_is():
    strokes = random_strokes(0, [])
    ordered, at = order_strokes(strokes, (1.0, 2.0))
    assert len(ordered) == 0 and at == (1.0, 2.0)
