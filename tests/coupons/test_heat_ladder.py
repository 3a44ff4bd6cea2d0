"""The heat ladder: where its bands lie in the program, and whether its sheet gives the truth back.

The instrument of the simulation: light falls off the brightest temperature as a parabola in its logarithm,
15 % at 25 °C from it; each band is off by 1 %, each reading by another 1 % (standard deviations, normal).
Layers hold from a hidden temperature on, judged with an error of 3 °C. Coverage: an interval of 95 % holds
the truth in at least 90 of 100 runs but for one case in 80 (binomial distribution).
"""

import re

import msgspec
import numpy as np
import pytest

from pathgen.coupons.heat_ladder import band_temperatures
from pathgen.errors import PathgenError
from pathgen.settings import Job, load_machine, machine_names, settle
from pathgen.settings.constraints import material_faults
from tests.coupons.ladders import bands, fill, holds, layers, printed, said, stands_and_is_its_map
from tests.matrix import some

NAME = "heat-ladder"
SET = re.compile(r"(?:M104 S|set the nozzle to )([1-9]\d*)")


@pytest.mark.parametrize("machine", some(machine_names(), "moving-table", "ngc-lab"))
def test_it_stands_and_is_its_map(machine, tmp_path):
    stands_and_is_its_map(NAME, machine, tmp_path)


@pytest.mark.parametrize("machine", some(machine_names(), "moving-table", "ngc-lab"))
def test_the_program_changes_temperature_where_the_bands_begin(machine):
    laid, text, _ = printed(NAME, machine)
    found = [
        (bottom, float(value))
        for bottom, lines in layers(text)
        for line in lines
        for value in SET.findall(line)
    ]
    first, *others = bands(laid)
    assert found == others
    assert laid.specimen.panels[0][1].nozzle_temperature == first[1]
    stops = sum(line.startswith("M0") for _, lines in layers(text) for line in lines)
    assert stops == (6 if laid.setup.machine.dialect.heaters == "machine" else 0)


def test_temperatures_are_whole_even_and_within_both_profiles():
    setup = settle(Job(machine="moving-table", material="petg-white"))
    found = np.array(band_temperatures(setup))
    # The machine's own 240 °C is under the plastic's 255.
    assert found[0] == setup.machine.heaters.nozzle_max and found[-1] == 215
    assert (found == np.rint(found)).all()
    assert np.ptp(np.diff(found)) <= 1


def test_too_small_a_range_is_refused():
    machine = load_machine("moving-table")
    cool = msgspec.structs.replace(
        machine, heaters=msgspec.structs.replace(machine.heaters, nozzle_max=210.0)
    )
    setup = settle(Job(nozzle_temperature=200.0), cool)
    assert band_temperatures(setup)[0] == 210
    tight = msgspec.structs.replace(
        machine, heaters=msgspec.structs.replace(machine.heaters, nozzle_max=190.0)
    )
    with pytest.raises(PathgenError, match="allows nozzle temperatures of 180 to 190 °C"):
        band_temperatures(settle(Job(nozzle_temperature=185.0), tight))


def sheet():
    return printed(NAME, "moving-table")[0].sheet


def steps():
    return np.repeat([s.nominal[0] for s in printed(NAME, "moving-table")[0].specimen.steps], 3)


def light(at, best, rng):
    band = np.repeat(rng.normal(0, 0.01, len(at) // 3), 3)
    return 800 * np.exp(-0.15 * ((at - best) / 25) ** 2 + band + rng.normal(0, 0.01, len(at)))


def once(values):
    """Judged once a band: the other rows stay blank."""
    return [float(v) if i % 3 == 0 else None for i, v in enumerate(values)]


def test_the_sheet_goes_round(tmp_path):
    at = steps()
    text = fill(sheet(), reading_lux=800 - (at - 212) ** 2 / 4, bonded=once(at >= 185))
    outcome = said(NAME, text, tmp_path / "readings.csv")
    (change,) = outcome.changes
    assert (change.table, change.key, change.value) == ("temperature", "nozzle", 212.0)
    assert outcome.before_after == ("nozzle temperature 205 → 212 °C",)
    assert [round(e.value) for e in outcome.estimates] == [212, 184]
    assert not outcome.notes
    material = printed(NAME, "moving-table")[0].setup.material
    heat = msgspec.structs.replace(material.temperature, **{change.key: change.value})
    assert not list(material_faults(msgspec.structs.replace(material, temperature=heat)))


def test_truth_lies_in_the_intervals(tmp_path):
    at, brightest, bond, safe, wide = steps(), 0, 0, 0, []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        best, least = rng.uniform(195, 220), rng.uniform(183, 205)
        judged = once(at + rng.normal(0, 3, len(at)) >= least)
        text = fill(sheet(), reading_lux=light(at, best, rng), bonded=judged)
        outcome = said(NAME, text, tmp_path / "readings.csv")
        peak, *limit = outcome.estimates
        brightest += holds(peak, best)
        bond += holds(limit[0], least) if limit else least <= at.min()
        safe += outcome.changes[0].value >= least
        wide.append(peak.high - peak.low)
    assert brightest >= 90 and bond >= 90 and safe >= 95
    assert np.median(wide) < np.ptp(at) / 3


def test_where_layers_part_the_limit_decides(tmp_path):
    at = steps()
    text = fill(sheet(), reading_lux=light(at, 190, np.random.default_rng(1)), bonded=once(at >= 200))
    outcome = said(NAME, text, tmp_path / "readings.csv")
    limit = outcome.estimates[1]
    assert 197 < limit.value < 205
    assert outcome.changes[0].value == np.ceil(limit.high)
    assert any("bond safely only from" in note for note in outcome.notes)


def test_what_was_not_judged_is_said(tmp_path):
    at = steps()
    outcome = said(NAME, fill(sheet(), reading_lux=light(at, 205, np.random.default_rng(2))), tmp_path / "r")
    assert len(outcome.estimates) == 1
    assert any("not judged" in note for note in outcome.notes)


def test_light_that_still_rises_at_the_end_is_said(tmp_path):
    text = fill(sheet(), reading_lux=light(steps(), 250, np.random.default_rng(3)), bonded=[1.0] * 21)
    outcome = said(NAME, text, tmp_path / "r")
    assert outcome.changes[0].value == 230
    assert any("beyond 230" in note for note in outcome.notes)


AT = np.repeat([230.0, 222, 213, 205, 197, 188, 180], 3)
GOOD = 800 - (AT - 210) ** 2 / 4


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({}, "the measurement sheet contains no measurements"),
        ({"reading_lux": [500.0] * 21}, "light is the same at every step"),
        ({"reading_lux": [0.0, *GOOD[1:]]}, "reading is 0"),
        ({"reading_lux": [*GOOD[:12], *[None] * 9]}, "4 measurements of light"),
        ({"reading_lux": 500 + (AT - 205) ** 2}, "light has no peak"),
        ({"reading_lux": GOOD, "bonded": [0.0] * 21}, "the bond between layers holds at no step"),
        (
            {"reading_lux": GOOD, "bonded": once(AT > 225)},
            "none of the measured steps is clearly safe for the bond between layers",
        ),
        (
            {"reading_lux": GOOD, "bonded": once(AT < 200)},
            "the answers for the bond between layers look random",
        ),
        ({"reading_lux": GOOD, "bonded": [2.0, *[None] * 20]}, "bonded is '2'"),
    ],
)
def test_what_says_nothing_is_refused(columns, why, tmp_path):
    with pytest.raises(PathgenError, match=why) as refused:
        said(NAME, fill(sheet(), **columns), tmp_path / "readings.csv")
    assert "\n" not in str(refused.value)
