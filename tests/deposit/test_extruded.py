"""Volumes on a grid of columns: against overlapping intervals and numpy's histogram, and at the borders."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.deposit.extruded import bin_volumes, find_columns, find_layers

BORDERS = np.array([0.0, 0.5, 1.0, 1.5, 1.75])  # the last column is narrower

positions = st.one_of(st.integers(-2, 6).map(lambda k: k * 0.5), st.floats(-1.0, 3.0))


def overlaps(a, b, volume):
    """Volume per column, from the overlap of two intervals."""
    low, high = min(a, b), max(a, b)
    inside = np.minimum(high, BORDERS[1:]) - np.maximum(low, BORDERS[:-1])
    return volume * np.maximum(inside, 0.0) / (high - low)


@given(st.lists(st.tuples(positions, positions, st.floats(0, 3), st.integers(0, 2)), max_size=20))
def test_shares_are_those_of_overlapping_intervals(moves):
    moves = [m for m in moves if abs(m[0] - m[1]) > 1e-6]
    starts, ends, volume, row = np.array(moves, float).reshape(-1, 4).T
    binned, outside = bin_volumes(starts, ends, volume, row.astype(np.int64), 3, BORDERS, 0.5)
    expected = np.zeros((3, 4))
    for a, b, fed, k in moves:
        expected[k] += overlaps(a, b, fed)
    np.testing.assert_allclose(binned, expected, atol=1e-12)
    assert binned.sum() + outside == pytest.approx(volume.sum(), abs=1e-12)
    assert (binned >= 0).all()


def test_points_are_numpys_histogram():
    rng = np.random.default_rng(5)
    u, volume = rng.uniform(-0.5, 2.2, 1000), rng.uniform(0, 1, 1000)
    binned, outside = bin_volumes(u, u, volume, np.zeros(1000, np.int64), 1, BORDERS, 0.5)
    expected, _ = np.histogram(u, BORDERS, weights=volume)
    np.testing.assert_allclose(binned[0], expected)
    assert outside == pytest.approx(volume[(u < 0) | (u > 1.75)].sum())


def test_a_point_on_a_border_belongs_to_the_column_on_its_right():
    grid = np.linspace(0.0, 1.0, 11)
    u = np.array([0.1 + 0.2, 1.0, 0.0])  # 0.1 + 0.2 is not quite 0.3
    binned, outside = bin_volumes(u, u, np.array([1.0, 2.0, 4.0]), np.zeros(3, np.int64), 1, grid, 0.1)
    assert np.flatnonzero(binned[0]).tolist() == [0, 3, 9] and binned[0, [0, 3, 9]].tolist() == [4, 1, 2]
    assert outside == 0.0


def test_columns_are_those_of_searchsorted():
    u = np.random.default_rng(2).uniform(-0.5, 2.5, 2000)
    expected = np.searchsorted(BORDERS, u, side="right") - 1
    np.testing.assert_array_equal(find_columns(u, BORDERS, 0.5), expected)


def test_a_height_belongs_to_the_layer_with_the_nearest_top():
    tops, heights = np.array([0.3, 0.4, 0.5]), np.array([0.3, 0.1, 0.1])
    layer, placed = find_layers(np.array([0.14, 0.3, 0.36, 0.5, 0.56]), tops, heights)
    assert layer.tolist() == [0, 0, 1, 2, 2]
    assert placed.tolist() == [False, True, True, True, False]
