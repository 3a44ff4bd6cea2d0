"""The best axis: a moving platform decides, then the figures do; the reason names them."""

import doctest
import math
from contextlib import nullcontext
from itertools import product

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.route import Footprint, axis, place
from pathgen.route.axis import HALF, WEIGHTS, carried_acceleration, score_axes
from pathgen.settings import load_machine
from pathgen.settings.machine import KeepOut

BENCHTOP = load_machine("moving-table")
GANTRY = load_machine("moving-gantry")
ALIKE = {0: 0.02, 90: 0.02}
SPACING = 0.42
positive = st.floats(1e-6, 1e6)


def footprint(width=100.0, height=100.0):
    return Footprint((-10.0, width + 10.0), (-10.0, 20.0), height)


def changed(machine, axis="", volume=None, **figures):
    """The machine with other figures of one axis, another volume, or other keys."""
    if axis:
        axes = {axis: msgspec.structs.replace(getattr(machine.axes, axis), **figures)}
        return msgspec.structs.replace(machine, axes=msgspec.structs.replace(machine.axes, **axes))
    if volume:
        return msgspec.structs.replace(machine, volume=msgspec.structs.replace(machine.volume, **volume))
    return msgspec.structs.replace(machine, **figures)


def test_the_examples_run():
    assert doctest.testmod(axis).failed == 0


def test_only_a_platform_that_moves_along_the_normal_shakes_the_wall():
    sideways = changed(BENCHTOP, platform_axis="x")
    assert [carried_acceleration(BENCHTOP, r) for r in (0, 90)] == [BENCHTOP.axes.y.acceleration, 0.0]
    assert [carried_acceleration(sideways, r) for r in (0, 90)] == [0.0, BENCHTOP.axes.x.acceleration]
    assert [carried_acceleration(GANTRY, r) for r in (0, 90)] == [0.0, 0.0]


@given(st.tuples(positive, positive), st.tuples(positive, positive), positive, positive)
def test_carried_along_its_length_wins_whatever_the_other_figures(sways, times, coarse, slow):
    """Along Y on a platform that moves along Y, even where every other figure speaks for X."""
    machine = changed(BENCHTOP, "x", steps_per_mm=coarse, acceleration=slow)
    choice = score_axes(
        machine,
        footprint(),
        dict(zip((0, 90), sways, strict=True)),
        SPACING,
        dict(zip((0, 90), times, strict=True)),
    )
    assert choice.axis == "y" and choice.rotation == 90
    mirrored = score_axes(
        changed(machine, platform_axis="x"), footprint(), choice_of(choice, "sway"), SPACING
    )
    assert mirrored.axis == "x"


def choice_of(choice, name):
    return {row.rotation: getattr(row, name) for row in choice.rows}


def test_the_weight_of_being_carried_is_more_than_all_others_together():
    assert WEIGHTS["carried"] > sum(WEIGHTS.values()) - WEIGHTS["carried"]


def test_a_panel_that_does_not_fit_along_the_platform_stands_the_other_way():
    short = changed(BENCHTOP, volume={"y": (0.0, 100.0)})
    choice = score_axes(short, footprint(), ALIKE, SPACING)
    assert choice.axis == "x" and choice.reason == "along X, because it does not fit along Y"
    assert [(row.fits, row.clear) for row in choice.rows] == [(True, True), (False, False)]
    assert choice.rows[1].total == math.inf


def test_keep_out_zones_that_leave_no_place_along_y():
    """Along Y 120 mm are needed and the bar leaves 105 before it and 115 behind; along X 30 are enough."""
    bar = KeepOut(x=BENCHTOP.volume.x, y=(110.0, 120.0), why="bar")
    choice = score_axes(changed(BENCHTOP, keep_out=(bar,)), footprint(), ALIKE, SPACING)
    assert choice.axis == "x"
    assert choice.reason == "along X, because keep-out zones leave no room for the panel along Y"
    assert [(row.fits, row.clear) for row in choice.rows] == [(True, True), (True, False)]


def test_nowhere_to_stand_is_refused_with_the_sizes():
    with pytest.raises(PathgenError, match="does not fit on moving-table: along Y it needs 320.0 mm"):
        score_axes(BENCHTOP, footprint(300), ALIKE, SPACING)
    with pytest.raises(PathgenError, match="mm are free"):
        score_axes(BENCHTOP, footprint(50, BENCHTOP.volume.z[1] - 4), {0: 0.0}, SPACING)


# Along Y there are 240 mm less twice 5 mm of margin and twice 10 mm of brim.
@pytest.mark.parametrize(("width", "fits"), [(210.0, True), (210.1, False)])
def test_fit_is_that_of_place(width, fits):
    wide = changed(BENCHTOP, volume={"x": (0.0, 900.0)})
    row = score_axes(wide, footprint(width), ALIKE, SPACING).rows[1]
    assert (row.fits, row.clear) == (fits, fits)
    with nullcontext() if fits else pytest.raises(PathgenError):
        assert place(footprint(width), wide, "y").rotation == 90


# On a gantry the platform stands still. What differs, and the axis and the words that follow.
DECIDED = [
    (
        {"axis": "y", "steps_per_mm": 512.0},
        {},
        "x",
        "the positioning error across the face is 0.0020 mm, along Y 0.0039 mm",
    ),
    (
        {"axis": "x", "steps_per_mm": 512.0},
        {},
        "y",
        "the positioning error across the face is 0.0020 mm, along X 0.0039 mm",
    ),
    ({}, {"time": {0: 46_800.0, 90: 36_000.0}}, "y", "it takes 10.00 h, along X 13.00 h"),
    ({}, {"sway": {0: 0.02, 90: 0.1}}, "x", "along Y the top sways more, 0.100 mm against 0.020 mm"),
    (
        {"axis": "x", "acceleration": 6000.0},
        {},
        "y",
        "the acceleration across the face is 6000 mm/s², along X 3000 mm/s²",
    ),
    (
        {},
        {},
        "x",
        "both axes are equally good: sway 0.020 mm, positioning error 0.0039 mm, 3000 mm/s² across the face",
    ),
]


@pytest.mark.parametrize(("figures", "given", "axis", "words"), DECIDED)
def test_on_a_gantry_the_figures_decide_and_are_named(figures, given, axis, words):
    machine = changed(GANTRY, **figures) if figures else GANTRY
    choice = score_axes(machine, footprint(), given.get("sway", ALIKE), SPACING, given.get("time"))
    assert (
        choice.axis == axis and words in choice.reason and choice.reason.startswith(f"along {axis.upper()}")
    )


def test_a_row_holds_the_figures_of_the_axis_across_the_wall():
    """A hand-worked row: normal axis y at 160 steps a millimetre and 1500 mm/s², x twice as quick."""
    machine = changed(changed(GANTRY, "y", steps_per_mm=160.0, acceleration=1500.0), "x", acceleration=3000.0)
    row = score_axes(machine, footprint(), {0: 0.105, 90: 0.0}, SPACING, {0: 200.0, 90: 100.0}).rows[0]
    assert (row.positioning, row.acceleration, row.time, row.carried) == (1 / 160, 1500.0, 200.0, False)
    assert HALF["sway"] * SPACING == 0.105
    assert row.costs["sway"] == pytest.approx(WEIGHTS["sway"] / 2)
    assert row.costs["positioning"] == pytest.approx(WEIGHTS["positioning"] * 0.00625 / (0.00625 + 0.021))
    assert row.costs["time"] == pytest.approx(WEIGHTS["time"] / 2)
    assert row.costs["acceleration"] == pytest.approx(WEIGHTS["acceleration"] / 2)
    assert row.total == pytest.approx(sum(row.costs.values()))


@given(positive, positive, st.sampled_from([0, 90]))
def test_a_worse_figure_never_costs_less(sway, more, rotation):
    other = 90 - rotation
    for name, worse in product(("sway", "time"), (1.0, 1.0 + more)):
        figures = {"sway": dict(ALIKE), "time": {0: 1e3, 90: 1e3}}
        figures[name] = {rotation: sway * worse, other: sway}
        rows = score_axes(GANTRY, footprint(), figures["sway"], SPACING, figures["time"]).rows
        costs = {row.rotation: row.costs[name] for row in rows}
        assert costs[rotation] >= costs[other] and 0 <= costs[rotation] <= WEIGHTS[name]


def test_one_rotation_is_compared_with_none():
    choice = score_axes(GANTRY, footprint(), {90: 0.02}, SPACING)
    assert choice.rotation == 90 and choice.reason == "along Y, the only one compared"


@pytest.mark.parametrize(
    ("sway", "spacing", "time", "words"),
    [
        ({45: 0.1}, SPACING, None, "rotations .45."),
        ({}, SPACING, None, "sway is empty"),
        (ALIKE, SPACING, {0: 10.0}, r"times are for the rotations \[0\]"),
        ({0: -1.0, 90: 0.0}, SPACING, None, "-1"),
        ({0: math.nan, 90: 0.0}, SPACING, None, "nan"),
        (ALIKE, 0.0, None, "spacing"),
    ],
)
def test_figures_that_cannot_be_compared_are_refused(sway, spacing, time, words):
    with pytest.raises(PathgenError, match=words):
        score_axes(GANTRY, footprint(), sway, spacing, time)
