"""The axis pair: strips at their angles, and what their faces say of the axes."""

import numpy as np
import pytest

from pathgen import PathgenError
from pathgen.coupons.axis_pair import COUPON, compare_means
from pathgen.coupons.make import lay_out_coupon
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

ROTATIONS = np.repeat([0.0, 90.0, 45.0], 5)


@pytest.mark.parametrize("machine", some(MACHINES, "long-tube", "ngc-lab"))
def test_the_strips_stand_at_their_angles_and_apart(tmp_path, machine):
    done = printed("axis-pair", machine, tmp_path)
    middles = []
    for number, rotation in enumerate((0.0, 90.0, 45.0)):
        x, y, _ = done.deposited(number)
        # The text's own positions say the direction: that of their largest spread (principal axis).
        points = np.stack([x - x.mean(), y - y.mean()])
        _, axes = np.linalg.eigh(points @ points.T)
        turned = np.degrees(np.arctan2(axes[1, 1], axes[0, 1])) - rotation
        assert (turned + 90) % 180 - 90 == pytest.approx(0.0, abs=1.0)
        along = axes[:, 1] @ points
        assert np.ptp(along) == pytest.approx(38.0, abs=0.6)
        middles.append((x.mean(), y.mean()))
    apart = [np.hypot(*np.subtract(a, b)) for i, a in enumerate(middles) for b in middles[:i]]
    assert min(apart) > 38.0 / np.sqrt(2)
    assert done.summary.notes == ["no wedges added: the panel is steady without wedges"]


def test_strips_are_alike_but_for_their_notches():
    panels = [panel for panel, _ in lay_out_coupon("axis-pair").specimen.panels]
    for number, panel in enumerate(panels, start=1):
        assert np.array_equal(panel[15:], panels[0][15:])
        assert np.count_nonzero(np.diff((panel[0] == 0).astype(int)) > 0) == number


def readings(seed, x=8.0, y=12.0, noise=0.15):
    """Ripples in um at five places a strip, uneven by `noise`, read to 0.1 um; at 45 degrees of both axes."""
    rng = np.random.default_rng(seed)
    truth = np.repeat([y, x, np.hypot(x, y) / np.sqrt(2)], 5)
    return np.round(truth * (1 + noise * rng.standard_normal(15)), 1)


def test_the_sheet_comes_back_as_figures(tmp_path):
    laid = lay_out_coupon("axis-pair")
    read = readings(1)
    filled = read_back(COUPON, filled_text(laid.sheet, roughness_um=read), tmp_path)
    assert filled["rotation"].tolist() == ROTATIONS.tolist()
    outcome = COUPON.fit(filled, laid.setup)
    assert [(c.table, c.key) for c in outcome.changes] == [
        ("axes.x", "positioning"),
        ("axes.y", "positioning"),
    ]
    # The strip along X is placed by Y, the one along Y by X: not the other way round.
    assert outcome.changes[0].value == pytest.approx(read[5:10].mean() / 1000, rel=0.02)
    assert outcome.changes[1].value == pytest.approx(read[:5].mean() / 1000, rel=0.02)
    step = 1 / laid.setup.machine.axes.x.steps_per_mm
    assert outcome.before_after[0].startswith(f"axes.x positioning {step:.4g} → 0.00")


def test_the_truth_lies_in_the_intervals():
    hits, wide = np.zeros(2), []
    for seed in range(SEEDS):
        outcome = COUPON.fit(sheet_of(COUPON, rotation=ROTATIONS, roughness=readings(seed)), setup())
        hits += [e.low <= truth <= e.high for e, truth in zip(outcome.estimates, (0.008, 0.012), strict=True)]
        wide.append([(e.high - e.low) / e.value for e in outcome.estimates])
    assert (hits >= LEAST_HITS).all()
    assert np.median(wide) < 0.5


def test_welchs_test_of_a_worked_example():
    # A textbook example of Welch's test (from memory): t = -2.46 with 25.0 degrees of freedom, p = 0.021.
    one = np.array([27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4])
    other = np.array(
        [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]
    )
    p, low, high = compare_means(one, other)
    assert p == pytest.approx(0.021, abs=0.0005)
    gap = one.mean() - other.mean()
    assert (low + high) / 2 == pytest.approx(gap) and low < gap < high < 0
    # The interval is the gap ± t(0.975, 25)·standard error, the error being gap / -2.46 and t 2.060 (tables).
    assert (high - low) / 2 == pytest.approx(2.060 * gap / -2.46, rel=0.003)
    assert compare_means(np.ones(3), np.ones(3)) == (1.0, 0.0, 0.0)
    assert compare_means(2 * np.ones(3), np.ones(3)) == (0.0, 1.0, 1.0)


def test_axes_are_told_apart_only_where_the_readings_do():
    said = []
    for seed in range(3 * SEEDS):
        alike = COUPON.fit(
            sheet_of(COUPON, rotation=ROTATIONS, roughness=readings(seed, 10.0, 10.0)), setup()
        )
        said.append("do not differ significantly" in alike.notes[0])
    assert sum(said) >= 3 * LEAST_HITS
    clear = COUPON.fit(sheet_of(COUPON, rotation=ROTATIONS, roughness=readings(1, 5.0, 15.0)), setup())
    assert clear.notes[0].startswith("x positions faces more precisely") and clear.notes[0].endswith(
        "along Y are smoother"
    )
    other = COUPON.fit(sheet_of(COUPON, rotation=ROTATIONS, roughness=readings(1, 15.0, 5.0)), setup())
    assert other.notes[0].startswith("y positions") and other.notes[0].endswith("along X are smoother")


def test_the_strip_at_45_degrees_is_a_check():
    agrees = [
        COUPON.fit(sheet_of(COUPON, rotation=ROTATIONS, roughness=readings(seed)), setup())
        .notes[1]
        .startswith("the check agrees")
        for seed in range(SEEDS)
    ]
    assert sum(agrees) >= LEAST_HITS
    odd = readings(1)
    odd[10:] *= 2
    assert "disagrees" in COUPON.fit(sheet_of(COUPON, rotation=ROTATIONS, roughness=odd), setup()).notes[1]
    two = sheet_of(COUPON, rotation=ROTATIONS[:12], roughness=readings(1)[:12])
    assert "45 degrees not checked: 2 measurements" in COUPON.fit(two, setup()).notes[1]


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ([5.0] * 5 + [""] * 10, "0 measurements of roughness at 90 degrees"),
        ([""] * 3 + [5.0] * 12, "2 measurements of roughness at 0 degrees"),
        ([0] * 15, "roughness_um is '0'"),
        ([""] * 15, "the measurement sheet contains no measurements"),
        ([9000] * 15, "roughness_um is '9000'"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, cells, says):
    laid = lay_out_coupon("axis-pair")
    with pytest.raises(PathgenError, match=says) as refused:
        COUPON.fit(read_back(COUPON, filled_text(laid.sheet, roughness_um=cells), tmp_path), laid.setup)
    assert "\n" not in str(refused.value)
