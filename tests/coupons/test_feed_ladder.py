"""The pace ladder: the feeds of its bands, its model against the physics of the lag, and its sheet.

The instrument of the simulation: contrast follows the model with a hidden feed that keeps 80 % of it; every
reading, the brightest and the dimmest, is off by 1 % (standard deviation, normal). Coverage: an interval of
95 % holds the truth in at least 90 of 100 runs but for one case in 80 (binomial distribution).
"""

import msgspec
import numpy as np
import pytest

from pathgen import optics
from pathgen.coupons.feed_ladder import FEEDS, HOLDS, PERIOD, fit_contrast, ladder_feeds, wave_relief
from pathgen.errors import PathgenError
from pathgen.gcode.read import read_program
from pathgen.motion import Kind, plan_speeds
from pathgen.motion.lag import lagged_moves
from pathgen.proof.deposit_map import deposit
from pathgen.proof.program_panel import locate_panel
from pathgen.settings import Job, load_machine, machine_names, settle
from pathgen.settings.constraints import machine_faults
from tests.coupons.ladders import bands, fill, holds, layers, printed, said, stands_and_is_its_map
from tests.matrix import some

NAME = "feed-ladder"
AT = np.repeat(FEEDS, 2)


@pytest.mark.parametrize("machine", some(machine_names(), "moving-gantry", "long-tube"))
def test_it_stands_and_is_its_map(machine, tmp_path):
    stands_and_is_its_map(NAME, machine, tmp_path)


@pytest.mark.parametrize("machine", ["moving-table", "long-tube"])
def test_the_program_asks_for_the_feed_of_each_band(machine):
    """The F word, mm/min, that holds where a line lays a bead, in every layer but the first."""
    laid, text, _ = printed(NAME, machine)
    above, feed = np.array(bands(laid)).T
    now = 0.0
    for bottom, lines in layers(text):
        asked = set()
        for words in (line.partition(";")[0].split() for line in lines):
            now = next((float(word[1:]) for word in words if word[0] == "F"), now)
            if {"X", "Y"} & {word[0] for word in words} and "E" in {word[0] for word in words}:
                asked.add(now)
        assert not bottom or asked == {60 * feed[np.searchsorted(above, bottom, "right") - 1]}


@pytest.mark.parametrize("machine", some(machine_names(), "moving-gantry", "long-tube"))
def test_beads_run_at_their_feed_through_all_that_is_read(machine):
    """Neither corners nor beads that begin or end may slow the head there: their number never changes."""
    laid, text, result = printed(NAME, machine)
    profile = laid.setup.machine
    program = read_program(text, profile.dialect, profile.hot_end.filament_diameter)
    moves, frame = program.moves, locate_panel(program, profile).frame
    plan, (u, _) = plan_speeds(moves, profile), frame.spans((moves.x, moves.y), (moves.x, moves.y))
    for step in laid.specimen.steps:
        box = step.box
        inside = (moves.z > box.bottom) & (moves.z < box.top) & (u > box.left) & (u < box.right)
        slowest = np.minimum(plan.entry, plan.exit)[inside & (moves.kind == Kind.WALL)].min()
        assert slowest > 0.95 * step.nominal[0]
    assert np.ptp(result.parts[0].counts[:, round(10 / laid.specimen.panels[0][1].pixel) :]) == 0


def with_lag(machine, lag):
    return msgspec.structs.replace(machine, hot_end=msgspec.structs.replace(machine.hot_end, lag=lag))


@pytest.mark.parametrize(("machine", "lag"), [("moving-table", 0.03), ("moving-gantry", 0.07)])
def test_the_lag_is_found_again_in_what_the_program_makes(machine, lag, tmp_path):
    """Program, outflow under a hidden lag, deposit, light: none of them knows the coupon's model."""
    laid, text, _ = printed(NAME, machine)
    hidden = with_lag(laid.setup.machine, lag)
    program = read_program(text, hidden.dialect, hidden.hot_end.filament_diameter)
    stands = locate_panel(program, hidden)
    left = lagged_moves(program.moves, plan_speeds(program.moves, hidden), hidden)
    made = deposit(
        left, stands.frame, packing=stands.packing, filament_diameter=stands.filament_diameter
    ).thickness[::-1]
    tops, u = stands.frame.tops, stands.frame.borders[1:] - stands.frame.pixel / 2
    law, bright, dim = optics.law(laid.setup.material.light), [], []
    for box in (step.box for step in laid.specimen.steps):
        rows = (tops > box.bottom) & (tops < box.top)
        through = law.transmittance(made[rows][:, (u > box.left) & (u < box.right)].mean(axis=0))
        bright.append(1000 * through.max())
        dim.append(1000 * through.min())
    text = fill(laid.sheet, bright_lux=np.repeat(bright, 2), dim_lux=np.repeat(dim, 2))
    outcome = said(NAME, text, tmp_path / "readings.csv")
    kept, implied = outcome.estimates
    assert implied.value == pytest.approx(lag, rel=0.05)
    # 1/(1 + x²) = HOLDS at x = 2π·v·τ/P.
    assert kept.value == pytest.approx(np.sqrt(1 / HOLDS - 1) * PERIOD / (2 * np.pi * lag), rel=0.05)


def test_the_model_is_the_mean_of_beads_laid_to_and_fro():
    """Against a first-order system stepped in time, laid once forward and once backward."""
    lag, wave = 0.05, 2 * np.pi / PERIOD
    for feed in (8.0, 20.0, 60.0):
        dt = 1e-5
        t = np.arange(0, 6 * PERIOD / feed, dt)
        asked, left, keep = np.cos(wave * feed * t), np.empty(len(t)), np.exp(-dt / lag)
        now = 0.0
        for i, value in enumerate(asked):
            now = left[i] = value + (now - value) * keep
        last = left[-round(PERIOD / feed / dt) :]
        phase = wave * feed * t[-len(last) :]
        forward = 2 * np.mean(last * np.exp(-1j * phase))
        mean = (forward + forward.conj()) / 2  # the way back sees the wave mirrored
        x = wave * feed * lag
        assert mean.real == pytest.approx(1 / (1 + x**2), abs=2e-3)


def test_no_band_is_faster_than_axes_and_hot_end_allow():
    machine = load_machine("moving-table")
    y = msgspec.structs.replace(machine.axes.y, feed=35.0)
    slow = msgspec.structs.replace(machine, axes=msgspec.structs.replace(machine.axes, y=y))
    assert ladder_feeds(settle(Job(), slow)) == [8, 12, 16, 20, 30, 35]
    # 8 mm³/s through a bead of 0.62 × 0.3 mm, 99 % solid.
    assert ladder_feeds(settle(Job(layer=0.3), machine))[-1] == 43
    y = msgspec.structs.replace(y, feed=15.0)
    crawling = msgspec.structs.replace(machine, axes=msgspec.structs.replace(machine.axes, y=y))
    with pytest.raises(PathgenError, match="at 15 mm/s at most"):
        ladder_feeds(settle(Job(feed=10.0), crawling))


@pytest.mark.parametrize("nozzle", [0.25, 0.4, 0.6, 0.8])
def test_waves_are_what_one_number_of_beads_fills(nozzle):
    machine = load_machine("moving-table")
    other = msgspec.structs.replace(
        machine, hot_end=msgspec.structs.replace(machine.hot_end, nozzle_diameter=nozzle)
    )
    setup = settle(Job(layer=0.1, first_layer=0.15), other)
    mean, swing = wave_relief(setup)
    beads = mean / ((setup.beads.spacing_min + setup.beads.spacing_max) / 2)
    assert beads == pytest.approx(2 * round(beads / 2), abs=0.01)
    assert setup.beads.spacing_min < (mean - swing) / beads < (mean + swing) / beads < setup.beads.spacing_max


def readings(kept, rng, noise=0.01, contrast=0.8):
    ratio = np.exp(contrast / (1 + (1 / HOLDS - 1) * (AT / kept) ** 2) / 2)
    return {
        "bright_lux": 300 * ratio * np.exp(rng.normal(0, noise, len(AT))),
        "dim_lux": 300 / ratio * np.exp(rng.normal(0, noise, len(AT))),
    }


def sheet():
    return printed(NAME, "moving-table")[0].sheet


def test_the_sheet_goes_round(tmp_path):
    rng = np.random.default_rng(0)
    outcome = said(NAME, fill(sheet(), **readings(24.0, rng, 0.001)), tmp_path / "readings.csv")
    (change,) = outcome.changes
    assert (change.table, change.key) == ("", "wall_feed")
    assert change.value == pytest.approx(24, rel=0.02)
    assert outcome.before_after == (f"wall feed 20 → {change.value:g} mm/s",)
    machine = printed(NAME, "moving-table")[0].setup.machine
    assert any(f"profile's lag is {machine.hot_end.lag:g} s" in note for note in outcome.notes)
    assert not list(machine_faults(msgspec.structs.replace(machine, wall_feed=change.value)))


def test_truth_lies_in_the_intervals(tmp_path):
    feed, lag, wide = 0, 0, []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        truth = np.exp(rng.uniform(np.log(9), np.log(45)))
        outcome = said(NAME, fill(sheet(), **readings(truth, rng)), tmp_path / "readings.csv")
        kept, implied = outcome.estimates
        feed += holds(kept, truth)
        lag += holds(implied, np.sqrt(1 / HOLDS - 1) * PERIOD / (2 * np.pi * truth))
        wide.append((kept.high - kept.low) / truth)
    assert feed >= 90 and lag >= 90
    assert np.median(wide) < 0.3


def test_where_all_feeds_hold_the_fastest_band_is_taken(tmp_path):
    rng = np.random.default_rng(4)
    outcome = said(NAME, fill(sheet(), **readings(1e4, rng)), tmp_path / "readings.csv")
    kept, implied = outcome.estimates
    assert outcome.changes[0].value == kept.value == kept.high == 60
    assert implied.low == 0
    assert any("keep the contrast" in note for note in outcome.notes)


def test_where_none_holds_the_slowest_band_is_taken(tmp_path):
    rng = np.random.default_rng(5)
    outcome = said(NAME, fill(sheet(), **readings(5.0, rng)), tmp_path / "readings.csv")
    assert outcome.changes[0].value == 8
    assert holds(outcome.estimates[0], 5.0)
    assert any("8 mm/s already loses" in note for note in outcome.notes)


def test_noise_that_leaves_the_fastest_open_is_said(tmp_path):
    rng = np.random.default_rng(6)
    outcome = said(NAME, fill(sheet(), **readings(48.0, rng, 0.03)), tmp_path / "readings.csv")
    kept, _ = outcome.estimates
    assert kept.value < kept.high == 60
    assert outcome.changes[0].value < 60
    assert any("60 mm/s may also keep" in note for note in outcome.notes)


GOOD = readings(20.0, np.random.default_rng(7))


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({}, "the measurement sheet contains no measurements"),
        (
            {"bright_lux": GOOD["dim_lux"], "dim_lux": GOOD["bright_lux"]},
            "the bright reading is below the dim reading",
        ),
        ({"bright_lux": GOOD["bright_lux"], "dim_lux": [0.0] * 14}, "dim is 0"),
        ({"bright_lux": GOOD["bright_lux"]}, "0 measurements of contrast"),
        ({k: [*v[:6], *[None] * 8] for k, v in GOOD.items()}, "3 measurements of contrast"),
        (
            {"bright_lux": [300.0] * 14, "dim_lux": [300.0] * 14},
            "the measured contrast does not determine the feed",
        ),
        (
            {"bright_lux": [400.0, 400, 600, 600] * 3 + [400.0] * 2, "dim_lux": [300.0] * 14},
            "the measured contrast does not determine the feed",
        ),
    ],
)
def test_what_says_nothing_is_refused(columns, why, tmp_path):
    with pytest.raises(PathgenError, match=why) as refused:
        said(NAME, fill(sheet(), **columns), tmp_path / "readings.csv")
    assert "\n" not in str(refused.value)


def test_exact_readings_give_the_model_back():
    v = np.array(FEEDS)
    kept = fit_contrast(v, 0.7 / (1 + (1 / HOLDS - 1) * (v / 18.0) ** 2))
    assert (kept.feed, kept.contrast) == (pytest.approx(18, rel=1e-3), pytest.approx(0.7, rel=1e-3))
