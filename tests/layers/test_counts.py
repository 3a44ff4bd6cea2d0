"""Bead counts by dynamic programming, against trying every sequence."""

from itertools import product

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.layers.fills.counts import MAX_BEADS, OUTSIDE, count_beads
from pathgen.layers.strokes import BeadPlan

PLAN = BeadPlan(spacing=0.42, spacing_min=0.28, spacing_max=0.62, change_cost=0.02, end_cost=0.03)


def cost_of(counts, wall, pixel, plan):
    p = wall / counts
    off = np.log(p / plan.spacing)  # of one sequence of counts, or of many in rows
    outside = np.maximum(np.log(p / plan.spacing_max), np.log(plan.spacing_min / p)).clip(0)
    step = np.abs(np.diff(counts))
    jumps = plan.change_cost * step.sum(axis=-1) + plan.end_cost * (step % 2).sum(axis=-1)
    return (off**2 + OUTSIDE * outside).sum(axis=-1) * pixel + jumps


@pytest.mark.parametrize("seed", range(12))
def test_no_sequence_is_cheaper(seed):
    wall = np.random.default_rng(seed).uniform(0.5, 1.9, 6)
    pixel = 0.5
    best = cost_of(np.array(list(product(range(1, 7), repeat=6))), wall, pixel, PLAN).min()
    chosen = count_beads(wall[None], pixel, PLAN)[0].astype(int)
    assert cost_of(chosen, wall, pixel, PLAN) == pytest.approx(best, rel=1e-4)


def test_changes_get_rarer_as_they_get_dearer():
    wall = 1.5 + np.random.default_rng(1).normal(0, 0.3, (8, 300)).cumsum(axis=1) * 0.05
    wall = wall.clip(0.8, 3.0)
    changes = []
    for cost in (0.0, 0.1, 1.0):
        counts = count_beads(wall, 0.1, BeadPlan(0.42, 0.28, 0.62, change_cost=cost, end_cost=0.0))
        changes.append(np.count_nonzero(np.diff(counts, axis=1)))
    assert changes[0] > changes[1] > changes[2]


def test_dear_ends_make_changes_even():
    wall = 1.5 + np.sin(np.arange(600) / 40)[None] * 0.7
    odd = []
    for cost in (0.0, 1.0):
        counts = count_beads(wall, 0.1, BeadPlan(0.42, 0.28, 0.62, change_cost=0.15, end_cost=cost))
        odd.append(np.count_nonzero(np.diff(counts.astype(int), axis=1) % 2))
    assert odd[0] > odd[1] == 0


def test_a_wall_thinner_than_any_bead_has_one():
    assert (count_beads(np.full((1, 5), 0.1), 0.1, PLAN) == 1).all()


def test_a_wall_of_too_many_beads_is_refused():
    thickest = MAX_BEADS * PLAN.spacing_max
    assert (count_beads(np.full((1, 5), thickest), 0.1, PLAN) >= MAX_BEADS).all()
    for wall in (np.full((1, 5), 999.0), np.array([[0.8, thickest + 0.1]])):
        with pytest.raises(PathgenError, match="the wall is .* mm thick .*: at most 77.5 mm .125 beads"):
            count_beads(wall, 0.1, PLAN)


def test_gaps_have_none():
    assert count_beads(np.array([[0, 0.8, 0, 0, 2.1]]), 5.0, PLAN).tolist() == [[0, 2, 0, 0, 5]]
