"""Joining strands into strokes."""

from hypothesis import given
from hypothesis import strategies as st

from pathgen.layers.fills.joins import join_strands

runs = st.lists(st.tuples(st.integers(0, 9), st.integers(1, 60)), max_size=8)


def distinct(pairs):
    return [p for i, p in enumerate(pairs) if i == 0 or p[0] != pairs[i - 1][0]]


@given(runs)
def test_every_strand_once(pairs):
    pairs = distinct(pairs)
    beads, length = tuple(p[0] for p in pairs), tuple(p[1] for p in pairs)
    joined = join_strands(beads, length)
    assert sorted(joined.strand) == list(range(sum(beads)))
    assert len(joined.backward) == len(joined.head) == sum(beads)


@given(runs)
def test_consecutive_strands_meet(pairs):
    pairs = distinct(pairs)
    beads = tuple(p[0] for p in pairs)
    joined = join_strands(beads, tuple(p[1] for p in pairs))
    run_of = [r for r, count in enumerate(beads) for _ in range(count)]
    for i in range(1, len(joined.strand)):
        if joined.head[i]:
            continue
        before, here = joined.strand[i - 1], joined.strand[i]
        if run_of[before] == run_of[here]:  # a turn joins neighbours and changes direction
            assert abs(before - here) == 1
            assert joined.backward[i - 1] != joined.backward[i]
        else:  # going on keeps direction and enters the neighbouring run
            assert joined.backward[i - 1] == joined.backward[i]
            assert run_of[here] - run_of[before] == (-1 if joined.backward[i] else 1)


def test_even_changes_leave_one_stroke():
    for beads in ((2, 4, 2), (3, 5, 3), (3, 5, 7, 5, 3), (2, 6, 2), (9, 3, 5, 3, 9)):
        assert sum(join_strands(beads, (99,) * len(beads)).head) == 1, beads


def test_an_odd_bead_that_comes_and_goes_is_no_stroke_of_its_own():
    # The bead that begins in the short run lives on; an older one ends in its place.
    joined = join_strands((4, 5, 4), (99, 5, 99))
    lengths, run = [], {s: r for s, r in zip(range(13), [0] * 4 + [1] * 5 + [2] * 4, strict=True)}
    for strand, head in zip(joined.strand, joined.head, strict=True):
        if head:
            lengths.append(0)
        lengths[-1] += (99, 5, 99)[run[strand]]
    assert min(lengths) > 5
