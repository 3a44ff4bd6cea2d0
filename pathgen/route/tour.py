"""Order and direction of a layer's strokes for minimum travel, if some strokes must precede others.

Glossary. *Travel*: the move without deposit from the end of a stroke to the start of the next. *Tour*: all
strokes of a layer in an order, each forward or reversed. *Pair* (i, j): stroke i must be printed before j, as
a wall before the wedge's tab that touches it. *Fixed*: a stroke that must not be reversed, as a tab starts at
the rim. *Edge* k: the travel to the stroke at position k of the tour; the last edge, after the last stroke,
leads nowhere and costs nothing.

For up to `EXHAUSTIVE` strokes, all tours are compared. For more, a few initial tours are improved until no
move shortens them. A move reverses a run of the tour in place (Croes, Operations Research 6, 791, 1958), or
moves it elsewhere, reversed or not (Or's thesis, Northwestern University, 1976; both from memory). All moves
of a kind are evaluated at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import NamedTuple

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.layers.strokes import Floats, Ints
from pathgen.route.stroke_order import EXHAUSTIVE, all_orders

LONGEST = 3  # maximum length of the shorter of two runs that change places, strokes
SHAKES = 8  # restarts from the perturbed best tour, without a tour from another layer
FEWER = 2  # restarts with such a tour; they add up over the layers
GAIN = 1e-9  # minimum gain of a move, above rounding errors, mm

Bools = NDArray[np.bool_]
Pairs = Sequence[tuple[int, int]]
Distance = Callable[[Floats, Floats], Floats]


class Tour(NamedTuple):
    """Strokes in the order of printing.

    Attributes
    ----------
    sequence : (S,) intp
        Indices of the strokes.
    turned : (S,) bool
        True if the stroke at this position of the sequence is reversed.
    length : float
        Total length of all travels, including the first one from the head's position, mm.
    """

    sequence: Ints
    turned: Bools
    length: float


def straight_distances(a: Floats, b: Floats) -> Floats:
    """Return the straight-line distances between two sets of points.

    Parameters
    ----------
    a : (N, 2) float64
    b : (M, 2) float64

    Returns
    -------
    (N, M) float64

    Examples
    --------
    >>> straight_distances(np.array([[0.0, 0.0]]), np.array([[3.0, 4.0], [0.0, 1.0]])).tolist()
    [[5.0, 1.0]]
    """
    gap: Floats = np.hypot(a[:, None, 0] - b[:, 0], a[:, None, 1] - b[:, 1])
    return gap


def rank_pairs(group: Sequence[int], rank: Sequence[int]) -> list[tuple[int, int]]:
    """Return pairs of strokes (earlier, later) that order the strokes of every group by rank.

    Parameters
    ----------
    group, rank : (S,) int
        Labels of each stroke; for example its panel, and 0 for a wall and 1 for a tab.

    Returns
    -------
    list of (i, j)
        Every stroke before all strokes of the next higher rank in its group; empty for no strokes.

    Examples
    --------
    >>> rank_pairs([0, 0, 0, 1], [1, 0, 1, 1])
    [(1, 0), (1, 2)]
    """
    members: dict[int, dict[int, list[int]]] = {}
    for stroke, (own, place) in enumerate(zip(group, rank, strict=True)):
        members.setdefault(own, {}).setdefault(place, []).append(stroke)
    pairs: list[tuple[int, int]] = []
    for ranks in members.values():
        rows = [ranks[place] for place in sorted(ranks)]
        for first, then in zip(rows[:-1], rows[1:], strict=True):
            pairs += product(first, then)
    return pairs


def order_layer(
    ends: Floats,
    before: Pairs,
    at: Sequence[float] | Floats,
    distance: Distance | Floats = straight_distances,
    hint: Tour | None = None,
    fixed: Sequence[bool] | Bools | None = None,
) -> Tour:
    """Order one layer's strokes and choose their directions, for minimum travel.

    Parameters
    ----------
    ends : (S, 2, 2) float64
        First and last point of every stroke, platform coordinates, mm.
    before : sequence of (i, j)
        Stroke i must be printed before stroke j; `rank_pairs` creates such pairs from labels.
    at : (2,) float
        Position of the head, mm.
    distance : callable or (2S + 1, 2S + 1) float64
        Symmetric lengths of routes between two sets of points, (N, 2) and (M, 2) → (N, M), such as
        `straight_distances` and `Obstacles.distances`; or the matrix of lengths between `at` and the first
        and last point of each stroke, mm.
    hint : Tour, optional
        Tour of the previous layer with such strokes. If its sequence, forward or backward, leads to a tour no
        longer than the hint, that tour is returned; otherwise it is one of the initial tours. A hint for
        other strokes, or one that violates a pair, is ignored.
    fixed : (S,) bool, optional
        Strokes that must not be reversed.

    Returns
    -------
    Tour
        Empty, with length 0, for no strokes. The shortest tour for up to `EXHAUSTIVE` strokes; otherwise a
        tour that cannot be shortened by reversing a run of strokes, or by moving a run that is up to
        `LONGEST` strokes long or moves past up to that many.

    Raises
    ------
    PathgenError
        If the pairs contradict each other, or refer to a stroke that does not exist.

    Examples
    --------
    >>> ends = np.array([[[0.0, 0.0], [10.0, 0.0]], [[0.0, 1.0], [10.0, 1.0]], [[0.0, 2.0], [10.0, 2.0]]])
    >>> sequence, turned, length = order_layer(ends, [], (0.0, 3.0))
    >>> sequence.tolist(), turned.tolist(), length
    ([2, 1, 0], [False, True, False], 3.0)
    >>> order_layer(ends, [(0, 1)], (0.0, 3.0)).sequence.tolist()
    [2, 0, 1]
    """
    ends = np.asarray(ends, np.float64).reshape(-1, 2, 2)
    count = len(ends)
    pairs = tuple((int(i), int(j)) for i, j in before)
    topological = _topological(count, pairs)
    if not count:
        return Tour(np.zeros(0, np.intp), np.zeros(0, bool), 0.0)
    points = np.concatenate([np.asarray(at, np.float64).reshape(1, 2), ends.reshape(-1, 2)])
    gaps = np.zeros((2 * count + 2, 2 * count + 2))  # the last row and column mean "nowhere"
    gaps[:-1, :-1] = distance(points, points) if callable(distance) else distance
    is_fixed = np.zeros(count, bool) if fixed is None else np.asarray(fixed, bool)
    task = _Task(gaps, is_fixed, np.array(pairs, np.intp).reshape(-1, 2))
    if count <= EXHAUSTIVE:
        return _compare_all(task)
    if hint is None or not _usable(task, hint.sequence):
        return _search(task, np.array(topological, np.intp), SHAKES)
    sequences = (hint.sequence, _respect_pairs(hint.sequence[::-1], task.pairs))
    found = _improve(task, _shortest(_directed(task, sequence) for sequence in sequences))
    if found.length <= hint.length + GAIN:
        return found
    return _shortest([found, _search(task, found.sequence, FEWER)])


@dataclass(frozen=True, slots=True)
class _Task:
    """Input of the search for a layer's tour.

    Attributes
    ----------
    gaps : (2S + 2, 2S + 2) float64
        Lengths of routes between `at`, the ends of strokes (stroke i has 2i + 1 and 2i + 2) and nowhere.
    fixed : (S,) bool
    pairs : (P, 2) intp
    """

    gaps: Floats
    fixed: Bools
    pairs: Ints


@lru_cache(maxsize=64)
def _topological(count: int, pairs: tuple[tuple[int, int], ...]) -> tuple[int, ...]:
    """Order the strokes by the precedence pairs, with the lowest index first among free strokes."""
    graph = nx.DiGraph()
    graph.add_nodes_from(range(count))
    graph.add_edges_from(pairs)
    if len(graph) > count:
        strange = next(node for pair in pairs for node in pair if not 0 <= node < count)
        allowed = f"stroke numbers from 0 to {count - 1}" if count else "none"
        what = f"stroke {strange} does not exist"
        raise PathgenError(what, where="order of a layer", allowed=allowed)
    try:
        return tuple(nx.lexicographical_topological_sort(graph))
    except nx.NetworkXUnfeasible:
        ring = [i for i, _ in nx.find_cycle(graph)]
        what = f"pairs contradict each other: {' before '.join(map(str, [*ring, ring[0]]))}"
        raise PathgenError(what, where="order of a layer", allowed="pairs without cycles") from None


def _entries(sequence: Ints, turned: Bools | Ints) -> tuple[Ints, Ints]:
    """Return the rows of `gaps` for the start and the end of each stroke in a tour."""
    return 2 * sequence + 1 + turned, 2 * sequence + 2 - turned


def _length(task: _Task, sequence: Ints, turned: Bools) -> float:
    begin, end = _entries(sequence, turned)
    return float(task.gaps[0, begin[0]] + task.gaps[end[:-1], begin[1:]].sum())


def _compare_all(task: _Task) -> Tour:
    """Return the shortest of all tours, or the first of several shortest tours."""
    orders, flips = all_orders(len(task.fixed))
    begin, end = _entries(orders, flips)
    total = task.gaps[0, begin[:, 0]] + task.gaps[end[:, :-1], begin[:, 1:]].sum(axis=1)
    total[(flips & task.fixed[orders]).any(axis=1)] = np.inf
    if len(task.pairs):
        place = np.argsort(orders, axis=1)
        total[(place[:, task.pairs[:, 0]] > place[:, task.pairs[:, 1]]).any(axis=1)] = np.inf
    best = int(np.round(total, 9).argmin())
    return Tour(orders[best].copy(), flips[best].astype(bool), float(total[best]))


def _usable(task: _Task, hint: Ints) -> bool:
    """Return whether a suggested sequence contains all strokes once and satisfies the precedence pairs."""
    if not np.array_equal(np.sort(hint), np.arange(len(task.fixed))):
        return False
    place = np.argsort(hint)[task.pairs]
    return bool((place[:, 0] < place[:, 1]).all())


def _respect_pairs(sequence: Ints, pairs: Ints) -> Ints:
    """Delay strokes of a sequence as little as needed to satisfy the precedence pairs."""
    if not len(pairs):
        return sequence
    graph = nx.DiGraph(pairs.tolist())
    graph.add_nodes_from(range(len(sequence)))
    place = np.argsort(sequence).tolist()
    return np.array(list(nx.lexicographical_topological_sort(graph, place.__getitem__)), np.intp)


def _shortest(tours: Iterable[Tour]) -> Tour:
    """Return the shortest tour, or the first of several shortest tours."""
    return min(tours, key=lambda tour: tour.length)


def _search(task: _Task, other: Ints, shakes: int) -> Tour:
    """Improve several initial tours, and return the best result.

    A perturbation divides the tour and joins the parts in another order, which no single move undoes (double
    bridge; Martin, Otto and Felten, Complex Systems 5, 299, 1991; from memory). The random generator is
    seeded on every call.
    """
    best = _shortest(_improve(task, start) for start in (_nearest(task), _directed(task, other)))
    random = np.random.default_rng(len(other))
    for _ in range(shakes):
        sequence = best.sequence
        for _ in range(2):
            a, b, c = np.sort(random.choice(len(other) + 1, 3, replace=False))
            sequence = np.concatenate([sequence[:a], sequence[b:c], sequence[a:b], sequence[c:]])
        perturbed = _directed(task, _respect_pairs(sequence, task.pairs))
        best = _shortest([best, _improve(task, perturbed)])
    return best


def _directed(task: _Task, sequence: Ints) -> Tour:
    """Choose the best directions for a sequence by dynamic programming over its positions."""
    ends = 2 * sequence[:, None] + np.array([1, 2])
    # [k, e, f]: from end e of the stroke at position k to end f of the next stroke
    gap = task.gaps[ends[:-1, :, None], ends[1:, None, :]].tolist()
    # Minimum travel up to the current stroke, if it is printed forward and if it is reversed.
    forward, turned = task.gaps[0, ends[0]].tolist()
    fixed = task.fixed[sequence].tolist()
    turned = np.inf if fixed[0] else turned
    previous: list[tuple[bool, bool]] = []
    for ((a0, a1), (b0, b1)), is_fixed in zip(gap, fixed[1:], strict=True):
        previous.append((turned + a0 < forward + b0, turned + a1 < forward + b1))
        reversed_too = np.inf if is_fixed else min(turned + a1, forward + b1)
        forward, turned = min(turned + a0, forward + b0), reversed_too
    flips = [turned < forward]
    for pair in reversed(previous):
        flips.append(pair[flips[-1]])
    return Tour(sequence, np.array(flips[::-1], bool), float(min(forward, turned)))


def _nearest(task: _Task) -> Tour:
    """Build a tour greedily: always continue with the nearest permitted end of a stroke."""
    count = len(task.fixed)
    waits = np.bincount(task.pairs[:, 1], minlength=count)
    closed = np.zeros((count, 2))
    closed[task.fixed, 1] = np.inf
    closed[waits > 0] = np.inf
    here = 0
    sequence, turned = np.zeros(count, np.intp), np.zeros(count, bool)
    for place in range(count):
        stroke, end = divmod(int((task.gaps[here, 1:-1] + closed.ravel()).argmin()), 2)
        sequence[place], turned[place] = stroke, bool(end)
        here = 2 * stroke + 2 - end
        closed[stroke] = np.inf
        followers = task.pairs[task.pairs[:, 0] == stroke, 1]
        if len(followers):
            np.subtract.at(waits, followers, 1)
            freed = followers[waits[followers] == 0]
            closed[freed] = np.where(task.fixed[freed, None], [0.0, np.inf], 0.0)
    return Tour(sequence, turned, _length(task, sequence, turned))


@dataclass(frozen=True, slots=True)
class _Prices:
    """Lengths for evaluating changes to a tour; positions run from 0 to S − 1, edges from 0 to S.

    Attributes
    ----------
    ahead : (S + 1, S + 1) float64
        From the start of edge k to the end of edge l.
    into, out : (S + 1, S) and (S, S + 1) float64
        From the start of edge k to the reversed stroke at a position; and from there to the end of edge l. A
        fixed stroke is not reversed, only its neighbours change.
    edge : (S + 1,) float64
        Travel on each edge.
    extra : (S,) float64
        Cumulative increase of the travels between strokes if the tour is reversed, up to each position.
    until : (S, S) float64
        Position of the first stroke that must come after any of those at positions a to b.
    """

    ahead: Floats
    into: Floats
    out: Floats
    edge: Floats
    extra: Floats
    until: Floats


def _improve(task: _Task, tour: Tour) -> Tour:
    """Shorten a tour by changes of order and direction until no change shortens the tour."""
    best = tour
    while True:
        sequence, turned, _ = best
        prices = _prices(task, sequence, turned)
        found = _best_reversal(prices) or _best_exchange(prices)
        if found is None:
            better = _directed(task, sequence)
            if better.length > best.length - GAIN:
                return best
            best = better
            continue
        a, b, c, first, second = found
        runs = _run(task, sequence, turned, b + 1, c, second), _run(task, sequence, turned, a, b, first)
        sequence, turned = sequence.copy(), turned.copy()
        sequence[a : c + 1], turned[a : c + 1] = (np.concatenate(run) for run in zip(*runs, strict=True))
        best = Tour(sequence, turned, _length(task, sequence, turned))


def _run(task: _Task, sequence: Ints, turned: Bools, a: int, b: int, back: bool) -> tuple[Ints, Bools]:
    """Return the positions a to b of a tour, forward or reversed."""
    run, flips = sequence[a : b + 1], turned[a : b + 1]
    return (run[::-1], (flips ^ ~task.fixed[run])[::-1]) if back else (run, flips)


def _prices(task: _Task, sequence: Ints, turned: Bools) -> _Prices:
    """Compute the lengths for evaluating changes to a tour."""
    count = len(sequence)
    begin, end = _entries(sequence, turned)
    other_begin, other_end = _entries(sequence, turned ^ ~task.fixed[sequence])
    leave, enter = np.append(0, end), np.append(begin, 2 * count + 1)
    from_leave = task.gaps[leave]
    from_other = task.gaps[other_end]
    ahead = from_leave[:, enter]
    edge = ahead.diagonal()
    change = from_other[np.arange(1, count), other_begin[:-1]] - edge[1:-1]
    until = np.full((count, count), float(count))
    if len(task.pairs):
        place = np.argsort(sequence)[task.pairs]
        first = np.full(count, float(count))
        np.minimum.at(first, place[:, 0], place[:, 1])
        until = np.minimum.accumulate(np.where(_upper(count), first, np.inf), axis=1)
    extra = np.concatenate([[0.0], np.cumsum(change)])
    return _Prices(ahead, from_leave[:, other_begin], from_other[:, enter], edge, extra, until)


# a, b, c: runs a to b and b + 1 to c change places; then whether each of them is reversed.
_Move = tuple[int, int, int, bool, bool]


def _best_reversal(prices: _Prices) -> _Move | None:
    """Return the run whose reversal shortens the tour most (2-opt, Croes), or None if none does."""
    count = len(prices.extra)
    gain = prices.edge[:-1, None] + prices.edge[1:] + prices.extra[:, None] - prices.extra
    gain -= prices.into[:-1] + prices.out[:, 1:]
    gain[~_upper(count) | (prices.until <= np.arange(count))] = 0.0
    best = int(gain.argmax())
    if gain.flat[best] <= GAIN:
        return None
    a, b = divmod(best, count)
    return a, b, b, True, False


def _best_exchange(prices: _Prices) -> _Move | None:
    """Return the exchange of two adjacent runs that shortens a tour most.

    Moving a run elsewhere is an exchange with the strokes in between. `_best_reversal` covers the case of
    both reversed.
    """
    count = len(prices.extra)
    if count < 2:
        return None
    (a, b, c), *at = _triples(count)
    tables = (prices.ahead, prices.into, prices.out, prices.until)
    ahead, into, out, until = (table.ravel()[index] for table, index in zip(tables, at, strict=True))
    extra = prices.extra
    forward = ahead[0] + ahead[1] + ahead[2]
    first_turned = ahead[0] + into[0] + out[0] + (extra[b] - extra[a])
    second_turned = into[1] + out[1] + ahead[2] + (extra[c] - extra[b + 1])
    edges = prices.edge[a] + prices.edge[b + 1] + prices.edge[c + 1]
    gain = edges - np.stack([forward, first_turned, second_turned])
    gain[:, until[0] <= c] = 0.0
    gain[2, until[1] <= c] = 0.0
    best = int(gain.argmax())
    if gain.flat[best] <= GAIN:
        return None
    kind, move = divmod(best, len(a))
    return int(a[move]), int(b[move]), int(c[move]), kind == 1, kind == 2


@lru_cache(maxsize=64)
def _triples(count: int) -> tuple[Ints, ...]:
    """Return positions a ≤ b < c of all adjacent runs, and their indices in the flat tables of lengths."""
    place = np.arange(count)
    a, b, c = np.nonzero((place[:, None, None] <= place[:, None]) & (place[:, None] < place))
    short = np.minimum(b - a + 1, c - b) <= LONGEST
    a, b, c = a[short], b[short], c[short]
    wide = count + 1
    ahead = np.stack([a * wide + b + 1, (c + 1) * wide + a, (b + 1) * wide + c + 1])
    into = np.stack([(c + 1) * count + b, a * count + c])
    out = np.stack([a * wide + c + 1, (b + 1) * wide + a])
    return np.stack([a, b, c]), ahead, into, out, np.stack([a * count + b, (b + 1) * count + c])


@lru_cache(maxsize=64)
def _upper(count: int) -> Bools:
    """Return a mask of position pairs with a ≤ b."""
    upper: Bools = np.triu(np.ones((count, count), bool))
    return upper
