"""Steadiness: how sway follows from wall, height, acceleration and wedges, and what would hold the wall."""

import doctest
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.panel import add_rim
from pathgen.panel import steadiness as module
from pathgen.panel.steadiness import (
    FRACTION,
    Conditions,
    Sections,
    _product,
    compute_steadiness,
    measure_sections,
)

PLA = Conditions(3.5, 1240.0, acceleration=1000.0)
SHAKEN = replace(PLA, drag=0.0)
factors = st.floats(1.05, 4.0)


def wall_of(thickness, height=100.0, rows=50, columns=40):
    return measure_sections(np.full((rows, columns), thickness), height / rows)


def relief(seed=0, rim_thickness=4.0):
    picture = np.random.default_rng(seed).uniform(0.8, 3.0, (88, 68))
    panel = add_rim(picture, 1.0, 6.0, rim_thickness)
    return measure_sections(panel.thickness, panel.pixel, panel.edge)


def top(wall, conditions):
    """Sway and frequency of the finished wall."""
    found = compute_steadiness(wall, conditions, np.array([wall.height]))
    return found.sway[0], found.frequency[0]


def test_the_examples_run():
    assert doctest.testmod(module).failed == 0


# Sections


def test_a_section_bends_about_its_own_centroid():
    """Half 2 mm, half 4 mm on one back, 1 mm each: worked by hand with Steiner's theorem, n̄ = 10/6."""
    wall = measure_sections(np.array([[2.0, 4.0]]), 1.0)
    apart = 2.0 * (1 - 10 / 6) ** 2 + 4.0 * (2 - 10 / 6) ** 2
    assert wall.area[0] == 6.0
    assert wall.inertia[0] == pytest.approx(2**3 / 12 + 4**3 / 12 + apart)


def test_rows_count_from_the_platform():
    wall = measure_sections(np.array([[1.0, 1.0], [3.0, 3.0]]), 0.5)
    assert wall.area.tolist() == [3.0, 1.0] and wall.top.tolist() == [0.5, 1.0]


def test_a_wall_of_next_to_nothing_is_none():
    """Its stiffness would overflow: 1 µm is taken for wall, less for a gap."""
    wall = np.full((20, 10), 1.6)
    wall[:, 0] = 2.4e-38
    assert measure_sections(wall, 0.5).area[0] == pytest.approx(9 * 0.5 * 1.6)
    wall[-1] = 9e-4
    with pytest.raises(PathgenError, match="no wall at a height of 0.0 mm"):
        measure_sections(wall, 0.5)
    with pytest.raises(PathgenError, match="no wall of 0.001 mm or more"):
        measure_sections(np.full((20, 10), 1e-30), 0.5)
    wall[-1] = 1e-3
    assert np.isfinite(compute_steadiness(measure_sections(wall, 0.5), PLA).sway).all()


def test_rows_without_wall_above_the_top_are_left_away_and_gaps_refused():
    assert measure_sections(np.array([[0.0], [2.0], [1.0]]), 1.0).height == 2.0
    with pytest.raises(PathgenError, match="no wall at a height of 1.0 mm"):
        measure_sections(np.array([[2.0], [0.0], [1.0]]), 1.0)


@pytest.mark.parametrize(
    "bad", [np.zeros((3, 3)), np.zeros((0, 3)), np.ones(3), -np.ones((2, 2)), [[1.0, np.nan]]]
)
def test_maps_without_sense_are_refused(bad):
    with pytest.raises(PathgenError):
        measure_sections(np.asarray(bad), 0.1)


def test_another_rim_is_the_panel_made_with_it():
    """By the mask as well as by the rim's width."""
    made, changed = relief(rim_thickness=6.5), relief(rim_thickness=4.0).with_rim(6.5)
    assert changed.rim_thickness == pytest.approx(6.5)
    assert changed.inertia == pytest.approx(made.inertia) and changed.area == pytest.approx(made.area)
    t, mask = np.full((9, 7), 2.0), np.zeros((9, 7), bool)
    mask[0] = mask[:, :2] = True  # asymmetric, so that a flipped mask shows
    by_mask = measure_sections(t, 1.0, mask).with_rim(3.0)
    assert by_mask.area == pytest.approx(measure_sections(np.where(mask, 3.0, t), 1.0).area)


# How sway follows


@settings(max_examples=25)
@given(st.floats(0.4, 6.0), factors)
def test_even_walls_scale_with_the_square_of_thickness_and_the_fourth_power_of_height(thickness, factor):
    sway, hertz = top(wall_of(thickness), SHAKEN)
    thicker, higher = top(wall_of(factor * thickness), SHAKEN), top(wall_of(thickness, 100 * factor), SHAKEN)
    assert thicker == pytest.approx((sway / factor**2, hertz * factor))
    assert higher == pytest.approx((sway * factor**4, hertz / factor**2))


@settings(max_examples=25)
@given(st.floats(0.4, 6.0), factors)
def test_drag_scales_with_the_cube_of_height_and_thickness(thickness, factor):
    pushed = replace(PLA, acceleration=0.0)
    sway = top(wall_of(thickness), pushed)[0]
    assert top(wall_of(factor * thickness), pushed)[0] == pytest.approx(sway / factor**3)
    # The wall grows in proportion, so its width takes one power of the three back.
    assert top(wall_of(thickness, 100 * factor), pushed)[0] == pytest.approx(sway * factor**2)


@settings(max_examples=25)
@given(st.integers(0, 50), factors)
def test_sway_is_linear_in_what_shakes(seed, factor):
    wall = relief(seed)
    sway = compute_steadiness(wall, PLA).sway
    both = replace(PLA, acceleration=PLA.acceleration * factor, drag=PLA.drag * factor)
    assert compute_steadiness(wall, both).sway == pytest.approx(factor * sway)
    assert (compute_steadiness(wall, replace(PLA, acceleration=PLA.acceleration * factor)).sway > sway).all()
    assert (compute_steadiness(wall, replace(PLA, modulus=PLA.modulus * factor)).sway < sway).all()


@settings(max_examples=25)
@given(st.integers(0, 50), st.floats(0.0, 90.0), factors)
def test_sway_rises_with_height_and_falls_with_wedges_and_thickness(seed, support, factor):
    wall = relief(seed)
    free, held = compute_steadiness(wall, PLA), compute_steadiness(wall, replace(PLA, support=support))
    assert (np.diff(free.sway) > 0).all() and (np.diff(held.sway) >= 0).all()
    assert (held.sway <= free.sway * (1 + 1e-9)).all()
    assert (held.frequency >= free.frequency * (1 - 1e-9)).all()
    thicker = Sections(wall.top, wall.moments * factor ** np.arange(4.0)[:, None], wall.rim)
    assert (compute_steadiness(thicker, PLA).sway < free.sway).all()


def test_wedges_hold_what_they_reach():
    found = compute_steadiness(wall_of(2.0), replace(PLA, support=40.0))
    held = found.z <= 40.0
    assert (found.sway[held] == 0).all() and np.isinf(found.frequency[held]).all()
    assert (found.sway[~held] > 0).all() and np.isfinite(found.frequency[~held]).all()
    assert found.sway[-1] == pytest.approx(top(wall_of(2.0, 60.0, 30), PLA)[0])
    everything = compute_steadiness(wall_of(2.0), replace(PLA, support=400.0))
    assert (everything.sway == 0).all() and everything.acceleration_needed() == math.inf
    assert "natural frequency" not in everything.advice_line() and everything.advice_line().endswith("steady")


def test_heights_are_asked_for_or_the_rows():
    wall = relief()
    rows = compute_steadiness(wall, PLA)
    assert rows.z is wall.top
    some = compute_steadiness(wall, PLA, np.array([10.0, 55.0, 100.0, 130.0]))
    assert some.sway[:3] == pytest.approx(rows.sway[[9, 54, 99]]) and some.sway[3] == some.sway[2]
    nothing = compute_steadiness(wall, PLA, np.zeros(0))
    assert nothing.sway.shape == nothing.frequency.shape == (0,) and nothing.limit_height() is None
    for heights in ([2.0, 1.0], [0.0, 1.0], [np.nan, 1.0]):
        with pytest.raises(PathgenError, match="not positive and ascending"):
            compute_steadiness(wall, PLA, np.array(heights))


@pytest.mark.parametrize(
    "wrong",
    [{"modulus": 0.0}, {"density": -1.0}, {"acceleration": -1.0}, {"drag": math.nan}, {"spacing": math.inf}],
)
def test_conditions_that_cannot_be_are_refused(wrong):
    with pytest.raises(PathgenError, match=next(iter(wrong))):
        replace(PLA, **wrong)


# What would hold it


def test_the_limit_is_passed_where_sway_says():
    found = compute_steadiness(wall_of(0.8, 150.0), SHAKEN)
    height = found.limit_height()
    assert height is not None and height < 150
    # Even wall: sway goes with the fourth power of height.
    assert height == pytest.approx(150 * (0.25 * 0.42 / found.sway[-1]) ** 0.25, rel=1e-3)
    at = {
        spacing: replace(found, conditions=replace(SHAKEN, spacing=spacing)).limit_height()
        for spacing in (0.1, 0.42, 0.84, 168.0)
    }
    assert at[0.84] > height > at[0.1] and at[0.42] == height and at[168.0] is None


@settings(max_examples=8)
@given(st.integers(0, 50), st.floats(0.01, 0.9))
def test_each_way_just_holds_the_wall(seed, share):
    """With the figure, sway is the limit; with a little less of it, more than the limit."""
    wall = relief(seed)
    limit = share * compute_steadiness(wall, SHAKEN).sway[-1]
    found = compute_steadiness(wall, replace(SHAKEN, spacing=limit / FRACTION))
    rim, wedges, acceleration = found.rim_needed(), found.wedges_needed(), found.acceleration_needed()
    assert top(wall, replace(SHAKEN, acceleration=acceleration))[0] == pytest.approx(limit)
    assert top(wall, replace(SHAKEN, support=wedges))[0] == pytest.approx(limit, rel=1e-6)
    if rim is None:
        assert top(wall.with_rim(20.0), SHAKEN)[0] > limit
    else:
        assert rim > wall.rim_thickness
        assert top(wall.with_rim(rim), SHAKEN)[0] == pytest.approx(limit, rel=1e-6)


def test_what_holds_needs_nothing():
    wall = relief()
    found = compute_steadiness(wall, PLA)
    assert found.limit_height() is None and found.wedges_needed() == 0.0
    assert found.rim_needed() == pytest.approx(wall.rim_thickness)
    assert found.acceleration_needed() > PLA.acceleration


def test_no_rim_cannot_be_thickened_and_drag_cannot_be_slowed():
    found = compute_steadiness(wall_of(0.8, 200.0), replace(PLA, drag=1.0))
    assert found.rim_needed() is None and found.acceleration_needed() is None
    assert "rim" not in found.advice_line() and "mm/s²" not in found.advice_line()


def test_advice_is_one_line_with_its_numbers():
    steady = compute_steadiness(relief(), PLA).advice_line()
    assert steady.endswith("steady") and "\n" not in steady
    line = compute_steadiness(relief(), replace(PLA, acceleration=60_000.0)).advice_line()
    found = compute_steadiness(relief(), replace(PLA, acceleration=60_000.0))
    for number in (
        f"at 100 mm height the top sways by {found.sway[-1]:.3f} mm",
        "(limit: 25 %)",
        f"above the limit from {found.limit_height():.0f} mm on",
        f"wedges up to {math.ceil(found.wedges_needed())} mm",
        f"a rim {math.ceil(found.rim_needed() * 10) / 10:g} mm thick",
        f"at most {math.floor(found.acceleration_needed())} mm/s²",
    ):
        assert number in line
    assert "\n" not in line


def test_advice_does_not_depend_on_the_heights_asked_for():
    wall, hard = relief(), replace(PLA, acceleration=60_000.0)
    short = compute_steadiness(wall, hard, np.array([5.0, 10.0]))
    assert short.advice_line().startswith("at 100 mm height the top sways by")
    assert "; use wedges" in short.advice_line()


def test_the_product_of_two_shapes_is_their_integral():
    """By hand: (1 + 2x)(2 + 3x) over one cell is 2 + 7/2 + 6/3; twice the mass counts twice."""
    mass = np.array([[1.0, 2.0]])
    a, b = np.array([[1.0, 3.0, 3.0]]), np.array([[2.0, 5.0, 1.0]])
    assert _product(mass, a, b) == pytest.approx(7.5 + 2 * 9.0)
