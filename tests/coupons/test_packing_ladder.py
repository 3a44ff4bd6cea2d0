"""The packing ladder: how much each of its bands is fed, and whether its sheet gives the truth back.

The instrument of the simulation: light falls off the brightest packing as a parabola in its logarithm, 12 %
at 0.04 from it; each band is off by 1 %, each reading by another 0.5 % (standard deviations, normal). Ridges
begin at a hidden packing, judged with an error of 0.004. Coverage: an interval of 95 % holds the truth in at
least 90 of 100 runs but for one case in 80 (binomial distribution).
"""

import re

import msgspec
import numpy as np
import pytest

from pathgen.coupons.packing_ladder import PACKINGS
from pathgen.errors import PathgenError
from pathgen.proof.header import read_facts
from pathgen.settings import machine_names
from tests.coupons.ladders import bands, fill, holds, layers, printed, said, stands_and_is_its_map
from tests.matrix import some

NAME = "packing-ladder"
AT = np.repeat(PACKINGS, 3)
GOOD = 700 - 60 * ((AT - 0.985) / 0.03) ** 2
FED = re.compile(r"^G1\b.*E(-?[\d.]+)")


@pytest.mark.parametrize("machine", some(machine_names(), "moving-table", "long-tube"))
def test_it_stands_and_is_its_map(machine, tmp_path):
    stands_and_is_its_map(NAME, machine, tmp_path)


def test_every_band_is_fed_its_share_of_the_wall():
    """Filament of the text over the map's section, layer by layer; the filament is a plain 1.75 mm rod."""
    laid, text, _ = printed(NAME, "moving-table")
    thickness, job = laid.specimen.panels[0]
    rows = thickness[::-1].sum(axis=1) * job.pixel
    above, packing = np.array(bands(laid)).T
    assert packing.tolist() == list(PACKINGS)
    for bottom, lines in layers(text)[1:]:  # the first has the brim
        fed = sum(float(found[1]) for line in lines if (found := FED.match(line)))
        share = fed * np.pi * 1.75**2 / 4 / (rows[round(bottom / job.pixel)] * 0.1)
        assert share == pytest.approx(packing[np.searchsorted(above, bottom, "right") - 1], abs=2e-4)


def test_what_the_job_says_is_the_materials():
    laid, text, _ = printed(NAME, "moving-table")
    assert laid.specimen.panels[0][1].packing is None
    assert float(read_facts(text)["job packing"]) == laid.setup.material.packing


def sheet():
    return printed(NAME, "moving-table")[0].sheet


def light(best, rng):
    band = np.repeat(rng.normal(0, 0.01, len(PACKINGS)), 3)
    return 600 * np.exp(-0.12 * ((AT - best) / 0.04) ** 2 + band + rng.normal(0, 0.005, len(AT)))


def once(values):
    """Judged once a band: the other rows stay blank."""
    return [float(v) if i % 3 == 0 else None for i, v in enumerate(values)]


def test_the_sheet_goes_round(tmp_path):
    outcome = said(NAME, fill(sheet(), reading_lux=GOOD, clean=[1.0] * 27), tmp_path / "readings.csv")
    (change,) = outcome.changes
    assert (change.table, change.key) == ("", "packing")
    assert change.value == pytest.approx(0.985, abs=0.001)
    assert outcome.before_after == (f"packing 0.99 → {change.value:g}",)
    assert len(outcome.estimates) == 1 and not outcome.notes
    material = printed(NAME, "moving-table")[0].setup.material
    assert msgspec.structs.replace(material, packing=change.value).packing == change.value


def test_truth_lies_in_the_intervals(tmp_path):
    brightest, ridges, safe, wide = 0, 0, 0, []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        best, most = rng.uniform(0.96, 1.0), rng.uniform(0.97, 1.01)
        judged = once(AT + rng.normal(0, 0.004, len(AT)) <= most)
        outcome = said(NAME, fill(sheet(), reading_lux=light(best, rng), clean=judged), tmp_path / "readings")
        peak, *limit = outcome.estimates
        brightest += holds(peak, best)
        ridges += holds(limit[0], most) if limit else most >= AT.max()
        safe += outcome.changes[0].value <= most
        wide.append(peak.high - peak.low)
    assert brightest >= 90 and ridges >= 90 and safe >= 95
    assert np.median(wide) < np.ptp(AT) / 3


def test_where_ridges_begin_the_limit_decides(tmp_path):
    text = fill(sheet(), reading_lux=light(1.005, np.random.default_rng(1)), clean=once(AT < 0.995))
    outcome = said(NAME, text, tmp_path / "readings.csv")
    limit = outcome.estimates[1]
    assert 0.99 < limit.value < 1.0
    assert outcome.changes[0].value == pytest.approx(limit.low, abs=5e-4)
    assert any("safely clean only up to" in note for note in outcome.notes)


def test_what_was_not_judged_is_said(tmp_path):
    outcome = said(NAME, fill(sheet(), reading_lux=GOOD), tmp_path / "readings.csv")
    assert any("not judged" in note for note in outcome.notes)


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({}, "the measurement sheet contains no measurements"),
        ({"reading_lux": [500.0] * 27}, "light is the same at every step"),
        ({"reading_lux": [0.0, *GOOD[1:]]}, "reading is 0"),
        ({"reading_lux": [*GOOD[:12], *[None] * 15]}, "4 measurements of light"),
        ({"reading_lux": 500 + 1e5 * (AT - 0.98) ** 2}, "light has no peak"),
        ({"reading_lux": GOOD, "clean": [0.0] * 27}, "a clean face holds at no step"),
        (
            {"reading_lux": GOOD, "clean": once(AT < 0.945)},
            "none of the measured steps is clearly safe for a clean face",
        ),
        (
            {"reading_lux": GOOD, "clean": once(AT > 0.97)},
            "the answers for a clean face look random",
        ),
        (
            {"reading_lux": GOOD, "clean": [1.0, None, None, 0.0, *[None] * 23]},
            "2 measurements of a clean face",
        ),
    ],
)
def test_what_says_nothing_is_refused(columns, why, tmp_path):
    with pytest.raises(PathgenError, match=why) as refused:
        said(NAME, fill(sheet(), **columns), tmp_path / "readings.csv")
    assert "\n" not in str(refused.value)
