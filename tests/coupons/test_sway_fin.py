"""The sway fins: they stand the weak way, are read without a ruler, and say what sway shows."""

import msgspec
import numpy as np
import pytest
from scipy import stats

from pathgen import Job, PathgenError
from pathgen.coupons.make import lay_out_coupon
from pathgen.coupons.sway_fin import (
    COUPON,
    FINS,
    WIDE,
    _censored_mean,
    fin_thickness,
    most_shaken_rotation,
    sway_at,
)
from pathgen.coupons.sway_fin import (
    _fit as fit,
)
from pathgen.motion import Kind
from pathgen.panel.steadiness import DRAG
from pathgen.settings import load_machine
from tests.coupons.printed import (
    LEAST_HITS,
    MACHINES,
    SEEDS,
    filled_text,
    printed,
    read_back,
    setup,
    sheet_of,
)
from tests.matrix import some

THICK, HIGH = np.array(FINS).T


@pytest.mark.parametrize("machine", some(MACHINES, "moving-gantry", "long-tube"))
def test_fins_stand_by_themselves_the_way_that_shakes(tmp_path, machine):
    done = printed("sway-fin", machine, tmp_path)
    platform = done.laid.platform
    assert [p.placement.rotation for p in platform.panels] == [0.0] * 5
    reached = []
    for number, (thickness, height) in enumerate(FINS):
        x, y, z = done.deposited(number)
        assert np.ptp(y) < thickness < np.ptp(y) + 0.65 and z.max() == pytest.approx(height, abs=0.06)
        reached.append((x.min(), x.max()))
    gaps = [low - high for (_, high), (low, _) in zip(reached, reached[1:], strict=False)]
    assert min(gaps) > 12.0  # two brims of 6 mm
    brim = done.moves.kind == Kind.BRIM
    assert np.ptp(done.moves.x[brim]) > 5 * WIDE + 4 * 12
    assert not np.isin(done.moves.kind, (Kind.WEDGE, Kind.COMB)).any()
    for planned in platform.panels:  # by purpose: each passes the limit, under its top
        assert planned.steady.limit_height() < planned.panel.height / 1.2
    assert "above the limit" in done.summary.standing.steadiness


def test_a_platform_that_moves_along_x_turns_the_row(tmp_path):
    machine = msgspec.structs.replace(load_machine("moving-table"), platform_axis="x")
    assert [most_shaken_rotation(load_machine(name)) for name in MACHINES] == [
        0,
        0,
        0,
        0,
    ] and most_shaken_rotation(machine) == 90
    laid = lay_out_coupon("sway-fin", Job(), machine)
    assert {p.placement.rotation for p in laid.platform.panels} == {90.0}
    assert laid.platform.panels[0].steady.conditions.acceleration == machine.axes.x.acceleration


def test_teeth_and_notches_can_be_counted():
    laid = lay_out_coupon("sway-fin")
    for (wall, job), (_, height), number in zip(laid.specimen.panels, FINS, range(1, 6), strict=True):
        solid = wall > 0
        groups = np.diff(solid[0].astype(int), prepend=0)
        wide = np.flatnonzero(np.diff(np.flatnonzero(solid[0])) > 1)
        assert (groups > 0).sum() - 1 == len(wide) == (1 if number == 5 else number)
        width = solid[::-1].sum(axis=1)
        tops = np.flatnonzero((width[:-1] > WIDE / job.pixel) & (width[1:] == WIDE / job.pixel)) + 1
        assert (tops * job.pixel).round(6).tolist() == list(np.arange(10.0, height - 1, 10.0))
        longest = int(np.argmax(width)) + 1
        assert height < 50 or longest * job.pixel == pytest.approx(50.0)


def closed_form(thickness, reached, acceleration=1000.0):
    """Sway of an even cantilever: qL⁴/8EI of an even load and PL³/3EI of a force at its tip (any textbook).

    PLA: 3.5 GPa, 1240 kg/m³. The fin without its teeth.
    """
    modulus, density, inertia = 3500.0, 1240e-12, WIDE * thickness**3 / 12
    load = density * WIDE * thickness * acceleration
    return load * reached**4 / (8 * modulus * inertia) + DRAG * reached**3 / (3 * modulus * inertia)


@pytest.mark.parametrize(("thickness", "height"), FINS)
def test_sway_is_that_of_a_cantilever(thickness, height):
    for reached in (20.0, 30.0, height):
        found = sway_at(thickness, height, reached, setup())
        assert found == pytest.approx(closed_form(thickness, reached), rel=0.015)
    still = setup("moving-gantry")
    assert sway_at(thickness, height, 30.0, still) == pytest.approx(
        closed_form(thickness, 30.0, acceleration=0.0), rel=0.015
    )


def onsets(seed, truth, scatter=0.2):
    """Heights, read to 1 mm, at which a printer's fins begin to ripple: their sway is uneven by `scatter`."""
    rng = np.random.default_rng(seed)
    shows = truth * np.exp(scatter * rng.standard_normal(5))
    z = np.arange(5.0, 70.0, 0.05)
    found = [np.interp(s, closed_form(t, z), z) for s, t in zip(shows, THICK, strict=True)]
    return np.minimum(np.round(found), HIGH)


def read(clean):
    return sheet_of(COUPON, fin_thickness=THICK, fin_height=HIGH, clean_up_to=clean)


@pytest.mark.parametrize("truth", [0.06, 0.2])
def test_the_truth_lies_in_the_interval(truth):
    hits, wide = 0, []
    for seed in range(SEEDS):
        (limit,) = fit(read(onsets(seed, truth)), setup()).estimates
        hits += limit.low <= truth <= limit.high
        wide.append(limit.high / limit.low)
    assert hits >= LEAST_HITS
    assert np.median(wide) < 1.8


def test_fins_clean_to_their_tops_count_as_bounds():
    """With a limit that some fins do not reach, leaving them out would find it too low."""
    truth, hits, found, without = 0.28, 0, [], []
    for seed in range(2 * SEEDS):
        clean = onsets(seed, truth)
        under = clean < HIGH
        if under.all() or under.sum() < 3:
            continue
        try:
            outcome = fit(read(clean), setup())
        except PathgenError as error:
            assert "is uncertain" in str(error)
            continue
        (limit,) = outcome.estimates
        assert "have no ripples" in outcome.notes[0]
        found.append(limit.low <= truth <= limit.high)
        seen = [np.log(closed_form(t, c)) for t, c in zip(THICK[under], clean[under], strict=True)]
        without.append(np.exp(np.mean(seen)))
        hits += limit.value > without[-1]
    assert len(found) > 20 and hits == len(found)
    assert np.mean(found) >= LEAST_HITS / SEEDS


def test_without_bounds_it_is_students_interval():
    values = np.log([0.09, 0.12, 0.1, 0.14, 0.11])
    value, low, high = _censored_mean(values, np.zeros(0))
    known = stats.t.interval(0.95, 4, values.mean(), stats.sem(values))  # scipy.stats
    assert value == pytest.approx(values.mean(), abs=1e-9)
    assert (low, high) == pytest.approx(known, abs=0.01)


def test_with_bounds_it_is_the_likeliest_mean():
    seen, beyond = np.log([0.2, 0.25, 0.22]), np.log([0.3, 0.31])
    rows = stats.CensoredData(uncensored=seen, right=beyond)  # scipy.stats
    known, _ = stats.norm.fit(rows)
    value, low, high = _censored_mean(seen, beyond)
    assert value == pytest.approx(known, abs=0.01) and low < known < high
    assert value > seen.mean() + 0.1


def test_the_sheet_comes_back_as_a_limit(tmp_path):
    laid = lay_out_coupon("sway-fin")
    clean = onsets(3, 0.09)
    filled = read_back(COUPON, filled_text(laid.sheet, clean_up_to_mm=clean), tmp_path)
    assert (
        filled["fin_thickness"].tolist() == THICK.tolist() and filled["fin_height"].tolist() == HIGH.tolist()
    )
    outcome = fit(filled, laid.setup)
    (change,) = outcome.changes
    assert (change.table, change.key) == ("", "sway_limit")
    geometric = stats.gmean([closed_form(t, c) for t, c in zip(THICK, clean, strict=True)])
    assert change.value == pytest.approx(geometric, rel=0.05)
    assert outcome.before_after == (f"sway_limit 1/4 of a spacing, 0.105 → {change.value:g} mm",)
    measured = setup(sway_limit=0.2)
    assert fit(filled, measured).before_after[0].startswith("sway_limit 0.2 → ")


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        (HIGH.tolist(), "no fin has ripples"),
        ([24, 27, *HIGH[2:]], "2 measurements of the onset"),
        ([24, 27, "", "", ""], "2 measurements of the onset"),
        ([24, 27, 30, 36, 69], "clean_up_to_mm is 69 .*line"),
        ([10, 40, 12, 54, 20], "is uncertain"),
        ([0] * 5, "clean_up_to_mm is '0'"),
        ([""] * 5, "the measurement sheet contains no measurements"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, cells, says):
    laid = lay_out_coupon("sway-fin")
    with pytest.raises(PathgenError, match=says) as refused:
        fit(read_back(COUPON, filled_text(laid.sheet, clean_up_to_mm=cells), tmp_path), laid.setup)
    assert "\n" not in str(refused.value)


def test_a_fin_without_notches_is_what_is_reckoned_with():
    assert fin_thickness(1.0, 46.0, 0.1).shape == (460, 110)
    assert set(np.unique(fin_thickness(1.5, 68.0, 0.1))) == {0.0, 1.5}
