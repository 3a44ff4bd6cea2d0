"""Strips: their notches hang over nothing, and their readings are gathered step by step."""

import doctest

import numpy as np
import pytest

from pathgen.coupons import banded_strip, feed_ladder, heat_ladder, packing_ladder
from pathgen.coupons.banded_strip import average_steps, end_note, extrude_bands, lower_limit, upper_limit
from pathgen.errors import PathgenError
from pathgen.panel.overhang import overhangs


@pytest.mark.parametrize("module", [banded_strip, heat_ladder, packing_ladder, feed_ladder])
def test_examples_run(module):
    assert doctest.testmod(module).failed == 0


def test_notches_are_where_bands_begin_and_lean_out_less_than_any_profile_allows():
    heights, pixel = [6.0, 4.0, 5.0], 0.1
    wall = extrude_bands(np.full(400, 1.6), heights, pixel)
    assert wall.shape == (150, 400)
    depth = (wall[::-1] == 0).sum(axis=1) * pixel
    stepped_in = np.flatnonzero(np.diff(depth) > 0.5) + 1
    assert (stepped_in * pixel).tolist() == pytest.approx([6.0, 10.0])
    assert depth.max() == pytest.approx(1.0)
    # Going up, the edge comes out again by no more than tan 20° of the height, a pixel aside.
    for foot in stepped_in:
        assert (depth[foot : foot + 30] >= 1.0 - np.arange(30) * pixel * np.tan(np.radians(20)) - pixel).all()
    assert not overhangs(wall, pixel, 20.0, 0.42, None).unsupported.any()


def test_steps_are_averaged_and_blanks_left_out():
    at, mean = average_steps(np.array([3.0, 1, 3, 2, 1]), np.array([5.0, 1, 7, np.nan, np.nan]))
    assert (at.tolist(), mean.tolist()) == ([1, 3], [1, 6])
    assert not len(average_steps(np.ones(2), np.full(2, np.nan))[0])


def test_limits_point_to_their_safe_end():
    at = np.arange(10.0)
    up = upper_limit(at, np.where(at < 6, 1.0, 0.0), "up to", "mm", "it")
    down = lower_limit(-at, np.where(at < 6, 1.0, 0.0), "from", "mm", "it")
    assert up.safe == up.found.low < 5.5 < up.found.high
    assert down.safe == down.found.high == -up.safe
    assert down.found.value == -up.found.value


def test_limits_that_were_not_reached():
    at = np.arange(5.0)
    assert upper_limit(at, np.array([1, 1, 1, np.nan, np.nan]), "up to", "", "it") == (2.0, None)
    assert lower_limit(at, np.array([np.nan, 1, 1, 1, 1]), "from", "", "it") == (1.0, None)
    assert lower_limit(at, np.full(5, np.nan), "from", "", "it") == (-np.inf, None)
    with pytest.raises(PathgenError, match="it holds at no step"):
        upper_limit(at, np.zeros(5), "up to", "", "it")
    with pytest.raises(PathgenError, match="none of the measured steps is clearly safe for it"):
        upper_limit(at, np.array([1.0, 0, 0, 0, 0]), "up to", "", "it")


def test_a_tie_is_no_yes():
    at, ties = np.repeat(np.arange(8.0), 2), np.array([1, 1] * 4 + [1, 0] + [0, 0] * 3, float)
    sure = np.where(np.arange(16) < 8, 1.0, 0.0)
    assert upper_limit(at, ties, "", "", "it") == upper_limit(at, sure, "", "", "it")


def test_ends_are_named_only_where_they_are_reached():
    at = np.array([1.0, 2.0])
    assert end_note("it", at, 1.2, 1.8) == ()
    assert end_note("it", at, 1.0, 1.8) == ("it may be beyond 1, the end of the ladder",)
    assert end_note("it", at, 1.0, 2.0) == ("it may be beyond 1 or 2, the end of the ladder",)
