"""The tailored fill: column-exact, few strokes, nothing loose on the front face."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pathgen.layers.fills.tailored import tailored
from pathgen.layers.strokes import BeadPlan, Profiles

PLAN = BeadPlan(spacing=0.42, spacing_min=0.28, spacing_max=0.62)
PIXEL = 0.1


def smooth_wall(seed, layers=6, columns=400, low=0.8, high=3.0):
    """A wall of seeded waves between two thicknesses, with a thick rim at both ends."""
    rng = np.random.default_rng(seed)
    u = np.arange(columns) * PIXEL
    waves = sum(
        rng.normal(size=(layers, 1)) * np.sin(u / s + rng.uniform(0, 6, (layers, 1))) for s in (0.4, 2.0, 7.0)
    )
    wall = low + (high - low) * (np.tanh(waves) + 1) / 2
    wall[:, :30] = wall[:, -30:] = high + 1
    return wall


def layer_areas(strokes, layers):
    of = np.repeat(strokes.layer, np.diff(strokes.start))
    return np.bincount(of, weights=strokes.area, minlength=layers)


def column_thickness(strokes, columns, layers):
    """Spread every segment's area evenly over the columns it crosses (slowly), (layers, columns) mm."""
    deposit = np.zeros((layers, columns))
    for s, layer in enumerate(strokes.layer):
        for i in range(strokes.start[s] + 1, strokes.start[s + 1]):
            lo, hi = sorted((strokes.u[i - 1] / PIXEL, strokes.u[i] / PIXEL))
            if hi - lo < 1e-12:
                deposit[layer, min(int(lo), columns - 1)] += strokes.area[i]
                continue
            cells = np.arange(int(lo), min(int(np.ceil(hi)), columns))
            share = (np.minimum(cells + 1, hi) - np.maximum(cells, lo)).clip(0) / (hi - lo)
            deposit[layer, cells] += strokes.area[i] * share
    return deposit / PIXEL


@pytest.mark.parametrize("seed", range(3))
def test_every_column_gets_its_thickness(seed):
    wall = smooth_wall(seed)
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    error = column_thickness(strokes, wall.shape[1], len(wall)) - wall
    inside = error[:, 10:-10]
    assert np.abs(inside).max() <= PLAN.tolerance + 1e-9
    assert np.sqrt(np.mean(inside**2)) < 0.01
    assert np.abs(inside.mean(axis=1)).max() < 1e-3


def test_a_wall_of_noise_is_still_exact():
    wall = np.random.default_rng(5).uniform(0.8, 3.0, (3, 200))
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    error = column_thickness(strokes, 200, 3) - wall
    assert np.sqrt(np.mean(error[:, 10:-10] ** 2)) < 0.01


@settings(max_examples=30, deadline=None)
@given(arrays(float, st.tuples(st.integers(1, 3), st.integers(2, 80)), elements=st.floats(0.3, 6.0)))
def test_areas_add_up_for_any_wall(wall):
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    assert layer_areas(strokes, len(wall)) == pytest.approx(wall.sum(axis=1) * PIXEL, rel=1e-9)
    assert strokes.area.min() >= 0
    assert (strokes.u >= 0).all() and (strokes.u <= wall.shape[1] * PIXEL + 1e-9).all()
    of = np.repeat(strokes.layer, np.diff(strokes.start))
    assert (strokes.n > 0).all() and (strokes.n < wall.max(axis=1)[of]).all()
    length = strokes.length()
    first = strokes.start[:-1]
    assert not (np.delete(length, first) == 0).any(), "a move that goes nowhere"


@settings(max_examples=30, deadline=None)
@given(arrays(float, (2, 60), elements=st.sampled_from([0.0, 0.9, 1.0, 2.0, 3.0])))
def test_gaps_in_the_wall_stay_empty(wall):
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    assert layer_areas(strokes, 2) == pytest.approx(wall.sum(axis=1) * PIXEL, abs=1e-9)
    assert ((strokes.counts == 0) == (wall == 0)).all()
    deposit = column_thickness(strokes, 60, 2)
    assert np.abs(deposit[wall == 0]).max(initial=0) < 1e-9


def test_one_bead_count_is_one_serpentine():
    for thickness, beads in ((0.42, 1), (0.84, 2), (1.26, 3), (1.68, 4), (2.1, 5)):
        strokes = tailored(Profiles(np.full((2, 300), thickness), PIXEL), PLAN)
        assert (strokes.counts == beads).all()
        assert len(strokes) == 2, f"{beads} beads took {len(strokes)} strokes for two layers"
        assert (np.delete(strokes.area, strokes.start[:-1]) > 0).all(), "a dry move inside a serpentine"


def test_pairs_of_beads_come_and_go_without_loose_ends():
    wall = np.full((1, 600), 0.84)
    wall[:, 200:400] = 1.68
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    assert set(np.unique(strokes.counts)) == {2, 4}
    assert len(strokes) == 1


def test_loose_ends_stay_off_the_front_face():
    wall = smooth_wall(11, layers=20)
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    ends = np.concatenate([strokes.start[:-1], strokes.start[1:] - 1])
    u, n = strokes.u[ends], strokes.n[ends]
    layer = np.concatenate([strokes.layer, strokes.layer])
    column = np.clip((u / PIXEL).astype(int), 1, wall.shape[1] - 1)
    in_picture = (u > 3.5) & (u < 36.5)
    beads = np.maximum(strokes.counts[layer, column - 1], strokes.counts[layer, column])
    share = n / np.maximum(wall[layer, column - 1], wall[layer, column])
    assert in_picture.sum() > 20, "the wall has no loose ends to judge"
    assert (share < 1 - 1 / beads)[in_picture].all()


def test_spacings_keep_their_limits():
    wall = smooth_wall(3, layers=30)
    strokes = tailored(Profiles(wall, PIXEL), PLAN)
    spacing = wall / strokes.counts
    assert spacing.min() >= PLAN.spacing_min - 1e-6 and spacing.max() <= PLAN.spacing_max + 1e-6


def test_blocks_do_not_matter():
    wall = smooth_wall(4, layers=9)
    whole = tailored(Profiles(wall, PIXEL), PLAN)
    parts = [tailored(Profiles(wall[i : i + 3], PIXEL, i), PLAN) for i in (0, 3, 6)]
    for name in ("u", "n", "area", "hairpin", "layer"):
        assert np.array_equal(getattr(whole, name), np.concatenate([getattr(p, name) for p in parts])), name


@pytest.mark.parametrize("shape", [(0, 5), (2, 5)])
def test_no_wall_gives_no_strokes(shape):
    strokes = tailored(Profiles(np.zeros(shape), PIXEL), PLAN)
    assert len(strokes) == 0 and strokes.u.size == 0
