"""Bead ladder, lag strip and resolution chart: hidden truths, found again from readings that scatter."""

import msgspec
import numpy as np
import pytest

from pathgen import PathgenError, replay
from pathgen.coupons import bead_ladder, lag_strip, resolution_chart
from pathgen.coupons.make import lay_out_coupon
from pathgen.coupons.resolution_chart import Patch, measure_patch
from pathgen.optics import law
from pathgen.optics.predict import PictureModel
from pathgen.proof.panel_replay import Effects
from pathgen.settings import load_machine
from tests.coupons.ladders import printed
from tests.coupons.printed import LEAST_HITS, SEEDS, sheet_of

LAYER = 0.1


def nominal(laid):
    """Nominal columns of a sheet, one row for each step."""
    columns = zip(*(step.nominal for step in laid.specimen.steps), strict=True)
    return {c.name: np.array(v) for c, v in zip(laid.coupon.nominal, columns, strict=True)}


# -- bead ladder --------------------------------------------------------------------------------------------


def walls(values, factor, rng, noise=0.01):
    """Widths of walls by the stadium section (exact geometry), read with a micrometer that scatters."""
    width = factor * values["packing"] * values["beads"] * values["spacing"] + LAYER * (1 - np.pi / 4)
    return width + rng.normal(0, noise, len(width))


def judged(values, low, high, rng, noise=0.015):
    """Whether single beads hold, by somebody who is not quite sure near the limits."""
    seen = values["spacing"] + rng.normal(0, noise, len(values["spacing"]))
    return np.where(values["beads"] == 1, (seen >= low) & (seen <= high), np.nan)


def test_a_stadium_is_as_wide_as_the_handbook_has_it():
    """Exact geometry: a 0.4 × 0.2 mm stadium has a section of 0.0714159 mm²."""
    spacing = 0.0714159 / 0.2
    assert spacing + 0.2 * (1 - np.pi / 4) == pytest.approx(0.4, abs=1e-5)


def test_the_filament_factor_and_the_limits_of_a_bead():
    laid = lay_out_coupon("bead-ladder")
    values, truth = nominal(laid), {"filament factor": 0.93, "spacing_min": 0.31, "spacing_max": 0.6}
    hits = dict.fromkeys(truth, 0)
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        read = {"wall": walls(values, 0.93, rng), "holds": judged(values, 0.31, 0.6, rng)}
        outcome = bead_ladder.COUPON.fit(sheet_of(laid.coupon, **values, **read), laid.setup)
        for estimate in outcome.estimates:
            hits[estimate.name] += estimate.low <= truth[estimate.name] <= estimate.high
            assert estimate.high - estimate.low < 0.2  # of a ladder from 0.24 to 0.72 mm
        said = {change.key: change.value for change in outcome.changes}
        assert said["spacing_min"] < said["spacing_max"]
    assert min(hits.values()) >= LEAST_HITS


def test_a_factor_that_was_known_is_multiplied():
    laid = lay_out_coupon("bead-ladder")
    values = nominal(laid)
    rng = np.random.default_rng(1)
    read = {"wall": walls(values, 0.98, rng), "holds": np.full(len(values["beads"]), np.nan)}
    values["filament_factor"] = np.full(len(values["beads"]), 0.95)
    outcome = bead_ladder.COUPON.fit(sheet_of(laid.coupon, **values, **read), laid.setup)
    assert outcome.estimates[0].value == pytest.approx(0.95 * 0.98, abs=0.02)
    assert [change.key for change in outcome.changes] == ["filament_factor"]
    assert any("single beads were not judged" in note for note in outcome.notes)


def test_walls_that_say_nothing():
    laid = lay_out_coupon("bead-ladder")
    values, rng = nominal(laid), np.random.default_rng(0)
    blank = {"holds": np.full(len(values["beads"]), np.nan)}
    with pytest.raises(PathgenError, match="walls scatter by"):
        bead_ladder.COUPON.fit(
            sheet_of(laid.coupon, **values, **blank, wall=walls(values, 1, rng, 0.2)), laid.setup
        )
    few = np.where(np.arange(len(values["beads"])) < 4, walls(values, 1, rng), np.nan)
    with pytest.raises(PathgenError, match="4 measurements of walls that hold"):
        bead_ladder.COUPON.fit(sheet_of(laid.coupon, **values, **blank, wall=few), laid.setup)


# -- lag strip ----------------------------------------------------------------------------------------------


def lagging_walls(laid, path, lag, machine):
    """Thickness at the strip's places as a hot end with a lag lays the written program down."""
    plain = load_machine(machine) if isinstance(machine, str) else machine
    slow = msgspec.structs.replace(plain, hot_end=msgspec.structs.replace(plain.hot_end, lag=lag))
    found = replay(path, slow, effects=Effects(lag=True, smear=True))
    pixel, rows = found.panel.frame.pixel, len(found.thickness)
    read = []
    for step in laid.specimen.steps:
        up = slice(rows - round(step.box.top / pixel), rows - round(step.box.bottom / pixel))
        read.append(found.thickness[up, round(step.box.left / pixel) : round(step.box.right / pixel)].mean())
    return np.array(read)


@pytest.mark.parametrize("machine, lag", [("moving-table", 0.05), ("long-tube", 0.11)])
def test_the_lag(machine, lag, tmp_path):
    laid, program, _ = printed("lag-strip", machine)
    path = tmp_path / "strip.gcode"
    path.write_bytes(program)
    true, values, hits = lagging_walls(laid, path, lag, machine), nominal(laid), 0
    for seed in range(SEEDS):
        wall = true + np.random.default_rng(seed).normal(0, 0.012, len(true))
        outcome = lag_strip.COUPON.fit(sheet_of(laid.coupon, **values, wall=wall), laid.setup)
        (estimate,) = outcome.estimates
        hits += estimate.low <= lag <= estimate.high
        assert estimate.high - estimate.low < 0.5 * lag
    assert hits >= LEAST_HITS
    assert outcome.changes[0][:2] == ("hot_end", "lag")


@pytest.mark.parametrize("wall", [0.5, 0.05, 10.0])
def test_a_strip_as_thick_everywhere_has_no_jump(wall):
    laid = printed("lag-strip")[0]
    values = nominal(laid)
    with pytest.raises(PathgenError, match="0.01 mm thicker after the single notch"):
        lag_strip.COUPON.fit(
            sheet_of(laid.coupon, **values, wall=np.full(len(values["feed"]), wall)), laid.setup
        )


def test_a_strip_without_a_jump_says_nothing():
    laid = printed("lag-strip")[0]
    values = nominal(laid)
    wall = 0.5 + np.random.default_rng(0).normal(0, 0.05, len(values["feed"]))
    with pytest.raises(PathgenError, match="the lag is uncertain"):
        lag_strip.COUPON.fit(sheet_of(laid.coupon, **values, wall=wall), laid.setup)


def test_readings_that_no_lag_would_change_are_refused():
    """So slow, or so far from the jump, that nothing of it is left whatever the lag."""
    laid = printed("lag-strip")[0]
    values = nominal(laid)
    wall = np.where(values["up"] > 0.5, 0.6, 0.34)
    for change in ({"feed": 0.1}, {"after": 900.0}):
        changed = values | {key: np.full(len(wall), value) for key, value in change.items()}
        with pytest.raises(
            PathgenError, match="no lag up to 2 s would change.*measure the wall closer to the places"
        ):
            lag_strip.COUPON.fit(sheet_of(laid.coupon, **changed, wall=wall), laid.setup)


# -- resolution chart ---------------------------------------------------------------------------------------


def chart_readings(laid, path, spread, machine=None, material=None):
    """Crests and troughs of the written chart, lit, looked at four times as finely as it is made."""
    machine, material = machine or laid.setup.machine, material or laid.setup.material
    found = replay(path, machine, material)
    fine = found.thickness.repeat(4, 0).repeat(4, 1).clip(0.5, 5.0)
    pixel = found.panel.frame.pixel / 4
    nozzle, through = machine.hot_end.nozzle_diameter, law(material.light)
    sight = PictureModel(through, pixel, 0.0, nozzle, spread, 1.0, (0.5, 5.0))
    light, rows = sight.luminance(sight.wall(fine)), len(fine)
    read = []
    for step in laid.specimen.steps:
        up = slice(rows - round(step.box.top / pixel), rows - round(step.box.bottom / pixel))
        image = light[up, round(step.box.left / pixel) : round(step.box.right / pixel)]
        kind, along, *sizes = step.nominal
        read.append(measure_patch(Patch(int(kind), int(along), *sizes), image, pixel))
    return np.array(read).T


@pytest.mark.parametrize("spread, seeds", [((0.25, 0.0), SEEDS // 5), ((0.15, 0.1), SEEDS // 6)])
def test_the_spread_of_light(spread, seeds, tmp_path):
    laid, program, _ = printed("resolution-chart")
    path = tmp_path / "chart.gcode"
    path.write_bytes(program)
    crests, values = chart_readings(laid, path, spread), nominal(laid)
    truth = {"spread": spread[0], "spread_growth": spread[1], "spread at 1.4 mm": spread[0] + 1.4 * spread[1]}
    hits = dict.fromkeys(truth, 0)
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        bright, dim = crests * (1 + rng.normal(0, 0.01, crests.shape))
        outcome = resolution_chart.COUPON.fit(
            sheet_of(laid.coupon, **values, bright=bright, dim=dim), laid.setup
        )
        for estimate in outcome.estimates[:3]:
            hits[estimate.name] += estimate.low <= truth[estimate.name] <= estimate.high
    assert min(hits.values()) >= LEAST_HITS * seeds // SEEDS
    assert [change.key for change in outcome.changes] == ["spread", "spread_growth"]


def test_a_spread_that_would_be_under_nothing_is_none():
    """A fit tries them on its way: a growth below 0, in a wall so thick that no spread is left."""
    laid = printed("resolution-chart")[0]
    patch = Patch(resolution_chart.WAVE, 0, 1.0, 2.4, 0.35)
    none = resolution_chart.predict_modulation(patch, laid.setup, (0.0, 0.0), 0.0)
    assert resolution_chart.predict_modulation(patch, laid.setup, (0.0, -0.3), 0.0) == pytest.approx(none)


def test_modulation_is_the_textbooks():
    """A Gaussian leaves exp(−2π²σ²f²) of a sinusoid (Fourier pair); the swing is small, as light bends it."""
    laid = printed("resolution-chart")[0]
    patch = Patch(resolution_chart.WAVE, resolution_chart.ALONG_Z, 2.0, 1.4, 0.01)
    none = resolution_chart.predict_modulation(patch, laid.setup, (0.0, 0.0), 0.0)
    for sigma in (0.1, 0.3, 0.6):
        left = resolution_chart.predict_modulation(patch, laid.setup, (sigma, 0.0), 0.0) / none
        assert left == pytest.approx(np.exp(-2 * np.pi**2 * sigma**2 / 4), rel=2e-3)


def test_a_chart_of_another_material_is_refused():
    laid = printed("resolution-chart")[0]
    values = nominal(laid)
    flat = {"bright": np.full(len(values["kind"]), 1.001), "dim": np.full(len(values["kind"]), 1.0)}
    with pytest.raises(PathgenError, match="predicted by the law|the spread is uncertain"):
        resolution_chart.COUPON.fit(sheet_of(laid.coupon, **values, **flat), laid.setup)
