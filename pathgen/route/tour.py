"""Order and direction of one layer's strokes, over several panels: least travel, first things first.

Glossary. *Travel*: the way without deposit from one stroke's end to the next one's beginning. *Tour*: all
strokes of a layer in an order, each laid forward or turned round. *Pair* (i, j): stroke i has to be laid
before j, as a wall before the wedge's tab that is to meet it. *Fixed*: a stroke that may not be turned round,
as a tab begins at the rim. *Edge* k: the travel to the stroke at place k of the tour; the last one, behind
the last stroke, leads nowhere and costs nothing.

Up to `EXHAUSTIVE` strokes all tours are compared. Beyond that a few start tours are made better until no move
makes them shorter: a run of the tour turned round where it is (Croes, Operations Research 6, 791, 1958), or
set elsewhere, turned or not (Or's thesis, Northwestern University, 1976; both from memory). All moves of a
kind are priced at once, and the search begins from several tours.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations, product
from typing import NamedTuple

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.layers.strokes import Floats, Ints

EXHAUSTIVE = 4  # strokes of which every tour is compared
LONGEST = 3  # strokes of the shorter of two runs that change places
SHAKES = 8  # times the best tour is shaken and improved anew, where none is known from another layer
FEWER = 2  # times where one is: over the layers it comes to more
GAIN = 1e-9  # mm that a move has to save, above what rounding makes of equal tours

Bools = NDArray[np.bool_]
Pairs = Sequence[tuple[int, int]]
Distance = Callable[[Floats, Floats], Floats]


class Tour(NamedTuple):
    """The strokes in the order they are laid.

    Attributes
    ----------
    sequence : (S,) intp
        Numbers of the strokes.
    turned : (S,) bool
        Whether the stroke at this place of the sequence is laid from its last point to its first.
    length : float
        Of all travels, from where the head was, mm.
    """

    sequence: Ints
    turned: Bools
    length: float


def straight(a: Floats, b: Floats) -> Floats:
    """Straight distances between points.

    Parameters
    ----------
    a : (N, 2) float64
    b : (M, 2) float64

    Returns
    -------
    (N, M) float64

    Examples
    --------
    >>> straight(np.array([[0.0, 0.0]]), np.array([[3.0, 4.0], [0.0, 1.0]])).tolist()
    [[5.0, 1.0]]
    """
    gap: Floats = np.hypot(a[:, None, 0] - b[:, 0], a[:, None, 1] - b[:, 1])
    return gap


def ranked(group: Sequence[int], rank: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs that put the strokes of every group in the order of their ranks.

    Parameters
    ----------
    group, rank : (S,) int
        Of each stroke; the panel it belongs to, say, and 0 for a wall and 1 for a tab.

    Returns
    -------
    list of (i, j)
        Every stroke before all of the next higher rank in its group; empty for no strokes.

    Examples
    --------
    >>> ranked([0, 0, 0, 1], [1, 0, 1, 1])
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
    distance: Distance | Floats = straight,
    hint: Tour | None = None,
    fixed: Sequence[bool] | Bools | None = None,
) -> Tour:
    """Order one layer's strokes and choose their directions, for least travel.

    Parameters
    ----------
    ends : (S, 2, 2) float64
        First and last point of every stroke, platform coordinates, mm.
    before : sequence of (i, j)
        Stroke i has to be laid before stroke j; `ranked` makes such pairs from labels.
    at : (2,) float
        Where the head is, mm.
    distance : callable or (2S + 1, 2S + 1) float64
        Lengths of the ways between two sets of points, (N, 2) and (M, 2) → (N, M), the same both ways, as
        `straight` and `Obstacles.distances`; or that of the points `at`, then first and last point of each
        stroke, among themselves, mm.
    hint : Tour, optional
        Of the last layer with such strokes. What comes of its sequence, forward or backward, is taken if it
        is no longer than the hint was; if not, it is one start among others. A hint that is of other strokes
        or breaks a pair is left aside.
    fixed : (S,) bool, optional
        Strokes that may not be turned round.

    Returns
    -------
    Tour
        Empty, of length 0, for no strokes. Shortest of all for up to `EXHAUSTIVE` strokes, otherwise such
        that it gets no shorter by turning a run of strokes round, or setting one elsewhere that is up to
        `LONGEST` strokes long or moves past that many.

    Raises
    ------
    PathgenError
        When the pairs ask for a stroke before itself, or name a stroke that is not there.

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
    foremost = _topological(count, pairs)
    if not count:
        return Tour(np.zeros(0, np.intp), np.zeros(0, bool), 0.0)
    points = np.concatenate([np.asarray(at, np.float64).reshape(1, 2), ends.reshape(-1, 2)])
    gaps = np.zeros((2 * count + 2, 2 * count + 2))  # the last row and column: nowhere
    gaps[:-1, :-1] = distance(points, points) if callable(distance) else distance
    held = np.zeros(count, bool) if fixed is None else np.asarray(fixed, bool)
    task = _Task(gaps, held, np.array(pairs, np.intp).reshape(-1, 2))
    if count <= EXHAUSTIVE:
        return _compare_all(task)
    if hint is None or not _usable(task, hint.sequence):
        return _search(task, np.array(foremost, np.intp), SHAKES)
    ways = (hint.sequence, _kept(hint.sequence[::-1], task.pairs))
    found = _improve(task, _shortest(_directed(task, way) for way in ways))
    if found.length <= hint.length + GAIN:
        return found
    return _shortest([found, _search(task, found.sequence, FEWER)])


@dataclass(frozen=True, slots=True)
class _Task:
    """What a layer's order is sought for.

    Attributes
    ----------
    gaps : (2S + 2, 2S + 2) float64
        Lengths of the ways between `at`, the strokes' ends (stroke i has 2i + 1 and 2i + 2) and nowhere.
    fixed : (S,) bool
    pairs : (P, 2) intp
    """

    gaps: Floats
    fixed: Bools
    pairs: Ints


@lru_cache(maxsize=64)
def _topological(count: int, pairs: tuple[tuple[int, int], ...]) -> tuple[int, ...]:
    """Order the strokes as the pairs ask, the lowest number first where there is a choice, or refuse."""
    graph = nx.DiGraph()
    graph.add_nodes_from(range(count))
    graph.add_edges_from(pairs)
    if len(graph) > count:
        strange = next(node for pair in pairs for node in pair if not 0 <= node < count)
        allowed = f"0 to {count - 1}" if count else "none"
        raise PathgenError(f"no stroke {strange} among {count}", where="order of a layer", allowed=allowed)
    try:
        return tuple(nx.lexicographical_topological_sort(graph))
    except nx.NetworkXUnfeasible:
        ring = [i for i, _ in nx.find_cycle(graph)]
        raise PathgenError(
            f"strokes wait for each other: {' before '.join(map(str, [*ring, ring[0]]))}",
            where="order of a layer",
            allowed="pairs that some order keeps to",
        ) from None


def _entries(sequence: Ints, turned: Bools) -> tuple[Ints, Ints]:
    """Rows of `gaps` where each stroke of a tour begins and ends."""
    return 2 * sequence + 1 + turned, 2 * sequence + 2 - turned


def _length(task: _Task, sequence: Ints, turned: Bools) -> float:
    begin, end = _entries(sequence, turned)
    return float(task.gaps[0, begin[0]] + task.gaps[end[:-1], begin[1:]].sum())


def _compare_all(task: _Task) -> Tour:
    """Find the shortest of all tours, of equal ones the first."""
    orders, flips = _choices(len(task.fixed))
    begin, end = _entries(orders, flips)
    total = task.gaps[0, begin[:, 0]] + task.gaps[end[:, :-1], begin[:, 1:]].sum(axis=1)
    total[(flips & task.fixed[orders]).any(axis=1)] = np.inf
    if len(task.pairs):
        place = np.argsort(orders, axis=1)
        total[(place[:, task.pairs[:, 0]] > place[:, task.pairs[:, 1]]).any(axis=1)] = np.inf
    best = int(np.round(total, 9).argmin())
    return Tour(orders[best].copy(), flips[best].copy(), float(total[best]))


@lru_cache(maxsize=EXHAUSTIVE + 1)
def _choices(count: int) -> tuple[Ints, Bools]:
    """All orders and directions of `count` strokes, (choices, count) each."""
    pairs = list(product(permutations(range(count)), product((False, True), repeat=count)))
    return np.array([p[0] for p in pairs], np.intp), np.array([p[1] for p in pairs], bool)


def _usable(task: _Task, hint: Ints) -> bool:
    """Tell whether a hint is a sequence of these strokes that keeps to the pairs."""
    if not np.array_equal(np.sort(hint), np.arange(len(task.fixed))):
        return False
    place = np.argsort(hint)[task.pairs]
    return bool((place[:, 0] < place[:, 1]).all())


def _kept(wish: Ints, pairs: Ints) -> Ints:
    """Keep to a sequence as far as the pairs allow: a stroke whose turn comes too early waits."""
    count = len(wish)
    if not len(pairs):
        return wish
    place = np.argsort(wish).tolist()
    waits = np.bincount(pairs[:, 1], minlength=count).tolist()
    then: list[list[int]] = [[] for _ in range(count)]
    for i, j in pairs.tolist():
        then[i].append(j)
    ready = [place[i] for i in range(count) if not waits[i]]
    heapq.heapify(ready)
    found: list[int] = []
    while ready:
        stroke = int(wish[heapq.heappop(ready)])
        found.append(stroke)
        for other in then[stroke]:
            waits[other] -= 1
            if not waits[other]:
                heapq.heappush(ready, place[other])
    return np.array(found, np.intp)


def _shortest(tours: Iterable[Tour]) -> Tour:
    """Give the shortest tour, of equal ones the first."""
    return min(tours, key=lambda tour: tour.length)


def _search(task: _Task, other: Ints, shakes: int) -> Tour:
    """Improve several starts: the nearest stroke next, another sequence, and what shaking the best gives.

    Shaken is cut up and put together in another order, far from what one move undoes (the double bridge of
    Martin, Otto and Felten, Complex Systems 5, 299, 1991; from memory). Chance begins anew every time.
    """
    best = _shortest(_improve(task, start) for start in (_nearest(task), _directed(task, other)))
    chance = np.random.default_rng(len(other))
    for _ in range(shakes):
        sequence = best.sequence
        for _ in range(2):
            a, b, c = np.sort(chance.choice(len(other) + 1, 3, replace=False))
            sequence = np.concatenate([sequence[:a], sequence[b:c], sequence[a:b], sequence[c:]])
        shaken = _directed(task, _kept(sequence, task.pairs))
        best = _shortest([best, _improve(task, shaken)])
    return best


def _directed(task: _Task, sequence: Ints) -> Tour:
    """Choose the best directions for a sequence: dynamic programming over its places."""
    ends = 2 * sequence[:, None] + np.array([1, 2])
    # [k, e, f]: from end e of the stroke at place k to end f of the next one
    gap = task.gaps[ends[:-1, :, None], ends[1:, None, :]].tolist()
    # forward, turned: least travel so far with this stroke's end 0, end 1 entered first
    forward, turned = task.gaps[0, ends[0]].tolist()
    held = task.fixed[sequence].tolist()
    turned = np.inf if held[0] else turned
    came: list[tuple[bool, bool]] = []
    for ((a0, a1), (b0, b1)), hold in zip(gap, held[1:], strict=True):
        came.append((turned + a0 < forward + b0, turned + a1 < forward + b1))
        forward, turned = (
            min(turned + a0, forward + b0),
            np.inf if hold else min(turned + a1, forward + b1),
        )
    flips = [turned < forward]
    for pair in reversed(came):
        flips.append(pair[flips[-1]])
    return Tour(sequence, np.array(flips[::-1], bool), float(min(forward, turned)))


def _nearest(task: _Task) -> Tour:
    """Take the nearest end next of what may come next, until all strokes are taken."""
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
        then = task.pairs[task.pairs[:, 0] == stroke, 1]
        if len(then):
            np.subtract.at(waits, then, 1)
            freed = then[waits[then] == 0]
            closed[freed] = np.where(task.fixed[freed, None], [0.0, np.inf], 0.0)
    return Tour(sequence, turned, _length(task, sequence, turned))


@dataclass(frozen=True, slots=True)
class _Prices:
    """What the moves of a tour are priced with. Places run from 0 to S − 1, edges from 0 to S.

    Attributes
    ----------
    ahead : (S + 1, S + 1) float64
        From where edge k begins to where edge l ends.
    into, out : (S + 1, S) and (S, S + 1) float64
        From where edge k begins to the stroke at a place, laid the other way; and from that to where edge l
        ends. A fixed stroke is never laid the other way, only its neighbours change.
    edge : (S + 1,) float64
        Travel on each edge.
    extra : (S,) float64
        Sum up to each place of what the travels between strokes gain in length, were the tour turned round.
    until : (S, S) float64
        Place of the first stroke that must come after any of those at the places a to b.
    """

    ahead: Floats
    into: Floats
    out: Floats
    edge: Floats
    extra: Floats
    until: Floats


def _improve(task: _Task, tour: Tour) -> Tour:
    """Make a tour shorter as long as a move, or another choice of directions, does."""
    best = tour
    while True:
        sequence, turned, _ = best
        prices = _prices(task, sequence, turned)
        found = _turning(prices) or _setting(prices)
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
    """Cut the places a to b out of a tour, forward or backward."""
    run, flips = sequence[a : b + 1], turned[a : b + 1]
    return (run[::-1], (flips ^ ~task.fixed[run])[::-1]) if back else (run, flips)


def _prices(task: _Task, sequence: Ints, turned: Bools) -> _Prices:
    """Work out what the moves of a tour are priced with."""
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


_Move = tuple[
    int, int, int, bool, bool
]  # a, b, c: runs a to b and b + 1 to c change places; which turn round


def _turning(prices: _Prices) -> _Move | None:
    """Find the run whose turning round saves most: the move named after Croes, 2-opt."""
    count = len(prices.extra)
    gain = prices.edge[:-1, None] + prices.edge[1:] + prices.extra[:, None] - prices.extra
    gain -= prices.into[:-1] + prices.out[:, 1:]
    gain[~_upper(count) | (prices.until <= np.arange(count))] = 0.0
    best = int(gain.argmax())
    if gain.flat[best] <= GAIN:
        return None
    a, b = divmod(best, count)
    return a, b, b, True, False


def _setting(prices: _Prices) -> _Move | None:
    """Find the two neighbouring runs whose changing places saves most, one of them turned or none.

    Setting a run elsewhere is changing places with what lies between. Both turned is `_turning`'s.
    """
    count = len(prices.extra)
    if count < 2:
        return None
    (a, b, c), *at = _triples(count)
    tables = (prices.ahead, prices.into, prices.out, prices.until)
    ahead, into, out, until = (table.ravel()[index] for table, index in zip(tables, at, strict=True))
    extra = prices.extra
    new = np.stack(
        [
            ahead[0] + ahead[1] + ahead[2],
            ahead[0] + into[0] + out[0] + (extra[b] - extra[a]),
            into[1] + out[1] + ahead[2] + (extra[c] - extra[b + 1]),
        ]
    )
    gain = prices.edge[a] + prices.edge[b + 1] + prices.edge[c + 1] - new
    gain[:, until[0] <= c] = 0.0
    gain[2, until[1] <= c] = 0.0
    best = int(gain.argmax())
    if gain.flat[best] <= GAIN:
        return None
    kind, move = divmod(best, len(a))
    return int(a[move]), int(b[move]), int(c[move]), kind == 1, kind == 2


@lru_cache(maxsize=64)
def _triples(count: int) -> tuple[Ints, ...]:
    """Places a ≤ b < c of all neighbouring runs, and where what prices them stands in the flat tables."""
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
    """Places a ≤ b."""
    upper: Bools = np.triu(np.ones((count, count), bool))
    return upper
