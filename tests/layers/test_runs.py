"""Runs of columns with the same number of beads, and which of their ends are ends of the wall."""

import numpy as np
import pytest

from pathgen.layers.fills.runs import find_runs
from pathgen.layers.strokes import BeadPlan, Profiles


@pytest.mark.parametrize(
    ("ring", "left", "right"),
    [(False, [True, False, True], [True, False, True]), (True, [False, False, True], [True, False, False])],
)
def test_the_ends_of_a_wall_with_a_gap(ring, left, right):
    """Columns 15 to 19 hold no wall; the two ends of a ring are one place."""
    wall, counts = np.full((1, 40), 1.26), np.full((1, 40), 3, np.int8)
    wall[:, 15:20] = counts[:, 15:20] = 0
    runs = find_runs(Profiles(wall, 0.1), counts, BeadPlan(0.42, 0.28, 0.62, ring=ring))
    assert (runs.lo.tolist(), runs.hi.tolist(), runs.beads.tolist()) == ([0, 15, 20], [15, 20, 40], [3, 0, 3])
    assert (runs.left_end.tolist(), runs.right_end.tolist()) == (left, right)


def test_the_ends_of_a_whole_wall_in_two_layers():
    """Every layer has both its ends, whatever the layer before it ends with."""
    counts = np.array([[3] * 6, [2] * 3 + [3] * 3], np.int8)
    runs = find_runs(Profiles(np.full((2, 6), 1.26), 0.5), counts, BeadPlan(0.42, 0.28, 0.62))
    assert runs.layer.tolist() == [0, 1, 1]
    assert runs.left_end.tolist() == [True, True, False] and runs.right_end.tolist() == [True, False, True]
