"""The lean ladder: faces that lean by the angles they say, and how far a face can lean by what is seen."""

import numpy as np
import pytest

from pathgen import Job, PathgenError
from pathgen.coupons.make import lay_out_coupon
from pathgen.coupons.overhang_ladder import ANGLES, BRIM, COUPON, GROWTH, WIDE
from pathgen.coupons.overhang_ladder import _fit as fit
from pathgen.coupons.shapes import INDEX
from pathgen.panel.overhang import overhangs
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


@pytest.mark.parametrize("machine", some(MACHINES, "moving-gantry", "long-tube"))
def test_the_wall_is_made_as_it_leans(tmp_path, machine):
    done = printed("overhang-ladder", machine, tmp_path)
    assert done.laid.platform.setup.standing.slope == "free"
    assert not any("slope" in note for note in done.summary.notes)
    assert done.summary.standing.overhang_share > 0  # said, as of any panel, and not refused
    assert done.summary.standing.sway_mm < 0.1
    x, y, z = done.deposited(0)
    along = max(np.ptp(x), np.ptp(y))
    assert along == pytest.approx(INDEX + len(ANGLES) * WIDE, abs=0.6)
    assert along + 2 * BRIM < 180 and z.max() == pytest.approx(12.5, abs=0.06)


def test_every_face_leans_by_its_angle_in_the_program_itself(tmp_path):
    """From the written positions: the foremost bead of each layer moves out by tan(lean) times the layer."""
    done = printed("overhang-ladder", "moving-gantry", tmp_path)
    planned = done.laid.platform.panels[0]
    x, y, z = done.deposited(0)
    u, n = planned.placement.to_panel(x, y)
    for number, lean in enumerate(ANGLES):
        left = INDEX + WIDE * number
        here = (u > left + 1) & (u < left + WIDE - 1)
        tops = np.unique(z[here].round(3))
        front = np.array([n[here & np.isclose(z, top, atol=1e-3)].max() for top in tops])
        steps = np.diff(front)[(tops[1:] > 1.6) & (tops[1:] < 10.4)]
        rise = 0.1 * np.tan(np.radians(lean))
        # Beads are as wide as the wall asks, so the foremost one's middle moves by rise · (1 − 1/2n).
        leans = steps[steps > rise / 2]
        assert np.median(leans) == pytest.approx(rise, rel=0.15), lean
        assert front.max() - front.min() == pytest.approx(
            min(GROWTH, 9.0 * np.tan(np.radians(lean))), abs=0.5
        )


def test_the_map_leans_by_its_angles_and_toward_the_viewer():
    laid = lay_out_coupon("overhang-ladder")
    (wall, job), pixel = laid.specimen.panels[0], laid.setup.light.pixel
    for step, lean in zip(laid.specimen.steps, ANGLES, strict=True):
        column = wall[:, round(step.box.left / pixel) + 5][10:, None]  # under the notches
        assert not overhangs(column, pixel, lean + 0.5).unsupported.any()
        assert overhangs(column, pixel, lean - 1.0).unsupported.any()
    assert job.slope == "free"


def judged(seed, truth, scatter=3.0):
    """An eye that is unsure by `scatter` degrees."""
    rng = np.random.default_rng(seed)
    return (truth + scatter * rng.standard_normal(len(ANGLES)) > np.array(ANGLES)).astype(int)


def test_the_sheet_comes_back_as_a_safe_overhang(tmp_path):
    laid = lay_out_coupon("overhang-ladder")
    cells = ["yes"] * 7 + ["no"] * 4  # clean up to 50 degrees
    filled = read_back(COUPON, filled_text(laid.sheet, holds=cells), tmp_path)
    outcome = fit(filled, laid.setup)
    (estimate,), (change,) = outcome.estimates, outcome.changes
    assert (change.table, change.key) == ("", "overhang")
    assert estimate.value == pytest.approx(52.5, abs=0.1)
    assert change.value == np.floor(estimate.low) and 40 <= change.value <= 50
    assert outcome.before_after == (f"overhang 45 → {change.value:g} degrees",)


def test_the_truth_lies_in_the_interval_and_the_profile_is_safe():
    hits = safe = useful = 0
    wide = []
    for seed in range(SEEDS):
        truth = float(np.random.default_rng(1000 + seed).uniform(35.0, 60.0))
        outcome = fit(sheet_of(COUPON, lean=ANGLES, holds=judged(seed, truth)), setup())
        (estimate,) = outcome.estimates
        hits += estimate.low <= truth <= estimate.high
        safe += all(change.value <= truth for change in outcome.changes)
        useful += len(outcome.changes)
        wide.append(estimate.high - estimate.low)
    assert min(hits, safe, useful) >= LEAST_HITS
    assert np.median(wide) < 15.0


def test_a_machine_that_holds_hardly_anything_is_left_as_it_was():
    outcome = fit(sheet_of(COUPON, lean=ANGLES, holds=[1, 0] + [0] * 9), setup())
    assert outcome.changes == () and outcome.before_after == ()
    assert "below the minimum, 20" in outcome.notes[0]


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ([1] * 11, "holds at every step"),
        ([0] * 11, "holds at no step"),
        ([0] * 5 + [1] * 6, "columns with large overhangs hold"),
        ([1, 1, 0] + [""] * 8, "3 measurements of lean"),
        (["maybe"] * 11, "holds is 'maybe'"),
        ([""] * 11, "the measurement sheet contains no measurements"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, cells, says):
    laid = lay_out_coupon("overhang-ladder", Job())
    with pytest.raises(PathgenError, match=says) as refused:
        fit(read_back(COUPON, filled_text(laid.sheet, holds=cells), tmp_path), laid.setup)
    assert "\n" not in str(refused.value)
