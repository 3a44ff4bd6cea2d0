"""Tours: order and direction of a layer's strokes, against all there are and against rules of their own."""

from itertools import permutations, product

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.route.tour import EXHAUSTIVE, Tour, order_layer, rank_pairs, straight_distances


def task(seed, count, share=0.2):
    """Strokes, pairs and fixed flags by chance; the pairs go from lower to higher places of a shuffle."""
    rng = np.random.default_rng(seed)
    ends = rng.uniform(0, 100, (count, 2, 2))
    order = rng.permutation(count).tolist()
    pairs = [
        (order[i], order[j]) for i in range(count) for j in range(i + 1, count) if rng.random() < share / 2
    ]
    return ends, pairs, rng.uniform(0, 100, 2), rng.random(count) < share


def travel(ends, at, sequence, turned):
    """Walk the tour point by point."""
    here, total = np.asarray(at, float), 0.0
    for stroke, back in zip(sequence, turned, strict=True):
        total += float(np.linalg.norm(ends[stroke][int(back)] - here))
        here = ends[stroke][1 - int(back)]
    return total


def least_of_all(ends, pairs, at, fixed):
    """Least travel of every permutation and every choice of directions that is allowed, each walked."""
    count = len(ends)
    orders = [
        order
        for order in permutations(range(count))
        if all(order.index(i) < order.index(j) for i, j in pairs)
    ]
    best = np.inf
    for flips in product((0, 1), repeat=count):
        if any(flip and hold for flip, hold in zip(flips, fixed, strict=True)):
            continue
        begin = np.array([ends[s][f] for s, f in enumerate(flips)])
        end = np.array([ends[s][1 - f] for s, f in enumerate(flips)])
        order = np.array(orders)
        total = np.linalg.norm(begin[order[:, 0]] - at, axis=1)
        for k in range(1, count):
            total += np.linalg.norm(begin[order[:, k]] - end[order[:, k - 1]], axis=1)
        best = min(best, total.min())
    return best


@pytest.mark.parametrize("count", range(1, EXHAUSTIVE + 1))
@pytest.mark.parametrize("seed", range(6))
def test_no_tour_of_a_few_strokes_is_shorter(seed, count):
    ends, pairs, at, fixed = task(seed, count, 0.5)
    found = order_layer(ends, pairs, at, fixed=fixed)
    assert found.length == pytest.approx(least_of_all(ends, pairs, at, fixed))


@pytest.mark.parametrize("count", [5, 6])
@pytest.mark.parametrize("seed", range(8))
def test_no_tour_of_five_or_six_strokes_is_shorter(seed, count):
    # Nothing promises this beyond EXHAUSTIVE; searches that miss it at this size are broken.
    ends, pairs, at, fixed = task(seed, count, 0.3)
    found = order_layer(ends, pairs, at, fixed=fixed)
    assert found.length == pytest.approx(least_of_all(ends, pairs, at, fixed))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), count=st.integers(1, 14), share=st.sampled_from([0.0, 0.2, 0.6, 1.0]))
def test_a_tour_keeps_to_what_it_was_asked(seed, count, share):
    ends, pairs, at, fixed = task(seed, count, share)
    sequence, turned, length = order_layer(ends, pairs, at, fixed=fixed)
    assert sorted(sequence.tolist()) == list(range(count))
    place = np.argsort(sequence)
    assert all(place[i] < place[j] for i, j in pairs)
    assert not (turned & fixed[sequence]).any()
    assert length == pytest.approx(travel(ends, at, sequence, turned))


@pytest.mark.parametrize("seed", range(4))
def test_no_run_is_better_turned_round(seed):
    # 2-opt of an open path: Croes, Operations Research 6, 791 (1958), from memory.
    ends, pairs, at, fixed = task(seed, 13, 0.1)
    sequence, turned, length = order_layer(ends, pairs, at, fixed=fixed)
    tried = 0
    for a in range(13):
        for b in range(a, 13):
            new, flips = sequence.copy(), turned.copy()
            new[a : b + 1] = sequence[a : b + 1][::-1]
            flips[a : b + 1] = (turned[a : b + 1] ^ ~fixed[sequence[a : b + 1]])[::-1]
            place = np.argsort(new)
            if all(place[i] < place[j] for i, j in pairs):
                tried += 1
                assert travel(ends, at, new, flips) > length - 1e-6
    assert tried > 13


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("run", [1, 2, 3])
def test_no_run_is_better_set_elsewhere(seed, run):
    # Or's moves (Northwestern University, 1976, from memory): up to three in a row, either way round.
    ends, pairs, at, fixed = task(seed, 12, 0.1)
    sequence, turned, length = order_layer(ends, pairs, at, fixed=fixed)
    tour = list(zip(sequence.tolist(), turned.tolist(), strict=True))
    tried = 0
    for a in range(12 - run + 1):
        moved, left = tour[a : a + run], tour[:a] + tour[a + run :]
        back = [(stroke, flip ^ (not fixed[stroke])) for stroke, flip in moved[::-1]]
        for piece, to in product((moved, back), range(len(left) + 1)):
            new, flips = zip(*(left[:to] + piece + left[to:]), strict=True)
            if all(new.index(i) < new.index(j) for i, j in pairs):
                tried += 1
                assert travel(ends, at, new, flips) > length - 1e-6
    assert tried > 30


@pytest.mark.parametrize("count", [1, 3, 9, 40])
def test_lines_side_by_side_become_a_serpentine(count):
    # From the first line's nearer end: one spacing from each line to the next, whatever way they came.
    rng = np.random.default_rng(count)
    rows = rng.permutation(count).astype(float)
    ends = np.stack([np.stack([np.zeros(count), rows], 1), np.stack([np.full(count, 60.0), rows], 1)], 1)
    swap = rng.random(count) < 0.5
    ends[swap] = ends[swap, ::-1]
    found = order_layer(ends, [], (-1.0, 0.0))
    assert found.length == pytest.approx(1.0 + count - 1)
    assert rows[found.sequence].tolist() == list(range(count))


def test_a_fixed_stroke_is_entered_at_its_first_point():
    ends = np.array([[[10.0, 0.0], [0.0, 0.0]]])
    assert order_layer(ends, [], (0.0, 0.0)).turned.tolist() == [True]
    found = order_layer(ends, [], (0.0, 0.0), fixed=[True])
    assert found.turned.tolist() == [False]
    assert found.length == 10.0


@pytest.mark.parametrize("count", [3, 9])
def test_lengths_of_ways_may_be_given_instead(count):
    ends, pairs, at, fixed = task(3, count)
    points = np.concatenate([at[None], ends.reshape(-1, 2)])
    around = straight_distances(points, points) + np.random.default_rng(0).uniform(0, 90, (1, 1))
    by_table = order_layer(ends, pairs, at, around, fixed=fixed)
    by_rule = order_layer(ends, pairs, at, lambda a, b: straight_distances(a, b) + around[0, 0], fixed=fixed)
    assert by_table.sequence.tolist() == by_rule.sequence.tolist()
    # The same is added to every travel, so the tour stays the best one and grows by that.
    plain = order_layer(ends, pairs, at, fixed=fixed)
    assert by_table.length == pytest.approx(plain.length + count * around[0, 0])


@pytest.mark.parametrize("seed", range(5))
def test_a_hint_is_never_made_worse(seed):
    ends, pairs, at, fixed = task(seed, 20, 0.1)
    first = order_layer(ends, pairs, at, fixed=fixed)
    again = order_layer(ends, pairs, at, hint=first, fixed=fixed)
    assert again.length <= first.length + 1e-9
    if again.length > first.length - 1e-9:
        assert again.sequence.tolist() == first.sequence.tolist()


def test_the_next_layer_goes_back_the_way_it_came():
    ends, _, at, _ = task(2, 25, 0.0)
    there = order_layer(ends, [], at)
    end = ends[there.sequence[-1], 1 - int(there.turned[-1])]
    back = order_layer(ends, [], end, hint=there)
    # The same tour backward lacks the way from where the head was and needs none to its own beginning.
    first = ends[there.sequence[0], int(there.turned[0])]
    assert back.length <= there.length - np.linalg.norm(first - at) + 1e-6


def test_a_hint_that_does_not_fit_is_left_aside():
    ends, _, at, fixed = task(4, 9, 0.0)
    plain = order_layer(ends, [], at, fixed=fixed)
    other = Tour(np.arange(5), np.zeros(5, bool), 0.0)
    assert order_layer(ends, [], at, hint=other).length == plain.length
    bound = [(int(plain.sequence[-1]), int(plain.sequence[0]))]
    found = order_layer(ends, bound, at, hint=plain)
    place = np.argsort(found.sequence)
    assert place[bound[0][0]] < place[bound[0][1]]


@pytest.mark.parametrize("count", [4, 12])
def test_the_same_layer_gives_the_same_tour(count):
    ends, pairs, at, fixed = task(7, count)
    one, other = (order_layer(ends, pairs, at, fixed=fixed) for _ in range(2))
    assert one.sequence.tolist() == other.sequence.tolist()
    assert one.turned.tolist() == other.turned.tolist()


def test_no_strokes_need_no_travel():
    found = order_layer(np.zeros((0, 2, 2)), [], (3.0, 4.0))
    assert (found.sequence.tolist(), found.turned.tolist(), found.length) == ([], [], 0.0)
    assert rank_pairs([], []) == []


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        ([(0, 1), (1, 2), (2, 0)], "before"),
        ([(1, 1)], "1 before 1"),
        ([(0, 7)], "stroke 7 does not exist"),
        ([(-1, 0)], "stroke -1 does not exist"),
    ],
)
def test_pairs_that_no_order_keeps_are_refused_in_one_line(pairs, says):
    with pytest.raises(PathgenError, match=says) as refused:
        order_layer(np.zeros((3, 2, 2)), pairs, (0.0, 0.0))
    assert "\n" not in str(refused.value)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 3)), max_size=9))
def test_ranks_put_every_lower_stroke_of_a_group_first(labels):
    group, rank = [g for g, _ in labels], [r for _, r in labels]
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(labels)))
    graph.add_edges_from(rank_pairs(group, rank))
    wanted = {
        (i, j) for i, j in product(range(len(labels)), repeat=2) if group[i] == group[j] and rank[i] < rank[j]
    }
    assert set(nx.transitive_closure_dag(graph).edges) == wanted
