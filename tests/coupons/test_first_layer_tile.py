"""The first layer tiles: one layer, five places; where z is really 0, from what a micrometer shows."""

import numpy as np
import pytest
from scipy import stats

from pathgen import PathgenError
from pathgen.coupons.first_layer_tile import COUPON, SIDE, STAIR
from pathgen.coupons.first_layer_tile import _fit as fit
from pathgen.coupons.make import lay_out_coupon
from pathgen.motion import Kind
from pathgen.program.summary import closing_lines
from pathgen.settings import load_machine
from tests.coupons.printed import (
    LEAST_HITS,
    MACHINES,
    SEEDS,
    assert_replays,
    filled_text,
    printed,
    read_back,
    setup,
    sheet_of,
)
from tests.matrix import some

X = np.repeat([130.0, 25, 235, 25, 235], 3)
Y = np.repeat([120.0, 25, 25, 215, 215], 3)


@pytest.mark.parametrize("machine", some(MACHINES, "moving-table", "long-tube"))
def test_tiles_lie_where_the_sheet_says(tmp_path, machine):
    done = printed("first-layer-tile", machine, tmp_path)
    volume = load_machine(machine).volume
    for number, step in enumerate(done.laid.specimen.steps):
        x, y, z = done.deposited(number)
        middle = ((x.min() + x.max()) / 2, (y.min() + y.max()) / 2)
        assert middle == pytest.approx(step.nominal[1:3], abs=0.25)
        assert np.ptp(x) == pytest.approx(SIDE, abs=0.5) and np.ptp(y) == pytest.approx(SIDE, abs=0.5)
        assert (z == 0.2).all()
    at = np.array([step.nominal[1:3] for step in done.laid.specimen.steps])
    assert at[0] == pytest.approx([sum(volume.x) / 2, sum(volume.y) / 2])
    assert (np.ptp(at, axis=0) >= 120).all()  # wide enough apart to tell a tilt
    deposits = done.moves.filament > 0
    assert done.moves.z[deposits & (done.moves.kind != Kind.RELOAD)].max() == 0.2
    assert done.summary.layers == 1 and done.summary.times.time_s < 20 * 60
    told = "\n".join(closing_lines(done.summary, "tile.gcode"))  # no word on what a tile has none of
    assert "1 layer," in told and "sways" not in told and "just-noticeable" not in told


def test_stairs_lie_to_the_front_and_left_and_count_the_tiles(tmp_path):
    done = printed("first-layer-tile", "moving-gantry", tmp_path)
    for number, step in enumerate(done.laid.specimen.steps, start=1):
        x, y, _ = done.deposited(number - 1)
        left, front = step.nominal[1] - SIDE / 2, step.nominal[2] - SIDE / 2
        for stair in range(number):
            here = (x > left + STAIR * stair + 0.4) & (x < left + STAIR * (stair + 1) - 0.3)
            assert y[here].min() == pytest.approx(front + STAIR * (number - stair), abs=0.45), (number, stair)
        assert y[x > left + STAIR * number + 1].min() == pytest.approx(front, abs=0.3)


@pytest.mark.parametrize("first_layer", [0.15, 0.2, 0.3])
def test_each_tile_is_its_map(tmp_path, first_layer):
    done = printed("first-layer-tile", "long-tube", tmp_path, first_layer=first_layer, feed=100.0)
    assert done.summary.layers == 1
    assert_replays(done)


def test_a_profile_that_has_a_z_zero_says_it_in_the_sheet():
    laid = lay_out_coupon("first-layer-tile", machine=setup(z_zero=0.04).machine)
    assert {step.nominal[3] for step in laid.specimen.steps} == {0.04}
    assert "z_zero_mm" in laid.sheet and laid.specimen.repeats == 3


TRUTH = (0.035, 0.02, -0.01)  # mm in the middle, mm per 100 mm along x and y


def sheets(seed, truth=TRUTH, noise=0.008, bow=0.0):
    """A micrometer with steps of 1 um: scatter of each reading, and a platform uneven from tile to tile."""
    rng = np.random.default_rng(seed)
    uneven = np.repeat(bow * rng.standard_normal(5), 3)
    plane = truth[0] + truth[1] * (X - 130) / 100 + truth[2] * (Y - 120) / 100
    return np.round(0.2 + plane + uneven + noise * rng.standard_normal(15), 3)


def read(values, z_zero=0.0, x=X, y=Y):
    same = np.ones(len(values))
    return sheet_of(COUPON, nominal=0.2 * same, at_x=x, at_y=y, z_zero=z_zero * same, sheet=values)


@pytest.mark.parametrize(("bow", "most"), [(0.0, 0.025), (0.01, 0.06)])
def test_the_truth_lies_in_the_intervals(bow, most):
    hits, wide = np.zeros(3), []
    for seed in range(SEEDS):
        found = fit(read(sheets(seed, bow=bow)), setup()).estimates
        hits += [e.low <= truth <= e.high for e, truth in zip(found, TRUTH, strict=True)]
        wide.append(found[0].high - found[0].low)
    assert (hits >= LEAST_HITS).all()
    assert np.median(wide) < most


def test_the_plane_is_that_of_a_general_library():
    values = sheets(5)
    found = fit(read(values), setup()).estimates
    means = [column.reshape(5, 3).mean(axis=1) for column in (X - 130, Y - 120, values - 0.2)]
    # The tiles' places are symmetric, so each tilt is the slope of a line by itself (scipy.stats).
    assert found[0].value == pytest.approx(means[2].mean(), abs=1e-6)
    for estimate, at in zip(found[1:], means[:2], strict=True):
        assert estimate.value == pytest.approx(100 * stats.linregress(at, means[2]).slope, abs=1e-6)


def test_the_sheet_comes_back_as_a_corrected_zero(tmp_path):
    done = printed("first-layer-tile", "moving-table", tmp_path)
    values = sheets(2)
    outcome = fit(read_back(COUPON, filled_text(done.laid.sheet, sheet_mm=values), tmp_path), done.laid.setup)
    (change,) = outcome.changes
    assert (change.table, change.key) == ("", "z_zero")
    assert change.value == pytest.approx(values.mean() - 0.2, abs=0.001)
    assert outcome.before_after == (f"z_zero 0 → {change.value:g} mm",)


def test_what_the_profile_said_before_counts():
    """With the tip 0.04 mm higher than the profile says, sheets are as much thicker, whatever it said."""
    (change,) = fit(read(sheets(1, (0.04, 0.0, 0.0), 0.002), z_zero=-0.1), setup()).changes
    assert change.value == pytest.approx(-0.06, abs=0.004)


def test_the_corrected_profile_prints_the_sheet_that_was_wanted(tmp_path):
    """A tip that stands 0.06 mm over the platform at z = 0: nominal sheets once the profile says it."""
    before = printed("first-layer-tile", "moving-table", tmp_path)
    _, _, z = before.deposited(0)
    (change,) = fit(read(z.max() + 0.06 + 0 * X), setup()).changes
    laid = lay_out_coupon("first-layer-tile", machine=setup(z_zero=change.value).machine)
    path = tmp_path / "after.gcode"
    with open(path, "wb") as stream:
        laid.write(stream)
    text = path.read_text()
    assert "Z0.14 " in text or "Z0.140" in text  # as the controller counts: 0.2 over the platform


def test_a_tilt_that_matters_is_said_and_a_small_one_is_not():
    steep = fit(read(sheets(1, (0.02, 0.06, 0.0))), setup())
    assert len(steep.notes) == 1 and "level the platform first: along x" in steep.notes[0]
    assert "0.15 mm" in steep.notes[0]  # 0.06 mm per 100 mm over 260 mm, less noise
    said = [fit(read(sheets(seed, (0.02, 0.0, 0.0))), setup()).notes for seed in range(SEEDS)]
    assert sum(any("level" in note for note in notes) for notes in said) <= SEEDS - LEAST_HITS
    hollow = np.repeat([0.1, 0.0, 0.0, 0.0, 0.0], 3)
    assert "not flat" in fit(read(sheets(1) + hollow), setup()).notes[0]


def test_a_first_layer_that_is_then_too_low_is_said():
    notes = fit(read(sheets(1, (0.17, 0.0, 0.0), 0.002)), setup()).notes
    assert len(notes) == 1 and "first_layer 0.2 mm is then too low; the minimum is 0.22 mm" in notes[0]


def test_sheets_put_together_from_two_prints_are_refused():
    mixed = sheet_of(
        COUPON, nominal=0.2 + 0 * X, at_x=X, at_y=Y, z_zero=np.r_[0.0, 0.1 + 0 * X[1:]], sheet=sheets(1)
    )
    with pytest.raises(PathgenError, match="z_zero is 0, 0.1"):
        fit(mixed, setup())


def test_tiles_in_a_line_tell_no_tilt():
    with pytest.raises(PathgenError, match="are on a line"):
        fit(read(sheets(1), x=130 + 0 * X), setup())


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ([0.21] * 12 + [""] * 3, "4 measurements of tiles"),
        ([0.21] * 3 + [""] * 12, "are on a line"),
        ([2.5] * 15, "z_zero would be 2.3 mm"),
        (["0;21"] + [0.2] * 14, "sheet_mm is '0;21'"),
        (["thin"] * 15, "sheet_mm is 'thin'"),
        ([""] * 15, "the measurement sheet contains no measurements"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, cells, says):
    laid = lay_out_coupon("first-layer-tile")
    with pytest.raises(PathgenError, match=says) as refused:
        fit(read_back(COUPON, filled_text(laid.sheet, sheet_mm=cells), tmp_path), laid.setup)
    assert "\n" not in str(refused.value)


def test_the_plot_s_curve_is_the_plane_at_each_tile():
    """Least squares of NumPy over all measurements; each tile has the same number of them."""
    values = sheets(7)
    curve = fit(read(values), setup()).curve
    terms = np.column_stack([np.ones(len(X)), X, Y])
    assert curve.x == pytest.approx(terms @ np.linalg.lstsq(terms, values, rcond=None)[0], abs=1e-6)
    assert curve.y == pytest.approx(values)
    ends = (curve.x.min(), curve.x.max())
    assert tuple(curve.line[0]) == tuple(curve.line[1]) == ends
