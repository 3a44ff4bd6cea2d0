"""The step wedge as it is printed and read: notches that count, and the law found again."""

import numpy as np
import pytest

from pathgen import Job
from pathgen.coupons import step_wedge
from pathgen.coupons.make import lay_out_coupon
from pathgen.files.csv_rows import read_rows
from pathgen.optics import law
from pathgen.optics.law_fit import fit_law
from pathgen.optics.wedge import select_measurements
from pathgen.optics.wedge_sheet import parse_wedge_sheet
from pathgen.settings import TwoFlux
from tests.coupons.printed import LEAST_HITS, SEEDS, filled_text

TRUTH = TwoFlux(absorption=0.08, scattering=2.4, t0=0.95)


def test_each_step_carries_its_number():
    laid = lay_out_coupon("step-wedge")
    wall, job = laid.specimen.panels[0]
    for number, step in enumerate(laid.specimen.steps, start=1):
        columns = slice(round((step.box.left - 1) / job.pixel), round((step.box.right + 1) / job.pixel))
        edge = np.flatnonzero(np.diff((wall[0, columns] == 0).astype(int)))
        wide = np.diff(edge)[::2] * job.pixel
        assert sum(5 if each > 2 else 1 for each in wide) == number
        inside = wall[round(2 / job.pixel) :, columns]
        assert np.ptp(inside) == 0 and inside[0, 0] == step.nominal[0]
    assert wall[0, 0] > wall[0, round(6 / job.pixel)]  # the index edge is thicker than the thinnest step


def test_a_finer_bore_begins_thinner_and_a_wider_one_thicker():
    from msgspec.structs import replace

    from pathgen import load_machine

    wide = load_machine("moving-table")
    wide = replace(wide, hot_end=replace(wide.hot_end, nozzle_diameter=0.9))
    steps = lay_out_coupon("step-wedge", Job(), wide).specimen.steps
    assert steps[0].nominal[0] == pytest.approx(0.7 * 0.9)


def test_the_law_within_what_it_says_of_itself(tmp_path):
    """A meter that scatters by 1.5 %: T at three thicknesses is within twice the stated error."""
    laid = lay_out_coupon("step-wedge")
    steps = np.array([step.nominal[0] for step in laid.specimen.steps])
    places, hits = np.array([0.8, 1.8, 3.0]), np.zeros(3)
    true = law(TRUTH).transmittance(places)
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        lux = 4000 * law(TRUTH).transmittance(steps) * np.exp(rng.normal(0, 0.015, len(steps)))
        reference = 4000 * np.exp(rng.normal(0, 0.015, len(steps)))
        path = tmp_path / "sheet.csv"
        path.write_text(filled_text(laid.sheet, reading_lux=lux, reference_lux=reference))
        found = fit_law(select_measurements(parse_wedge_sheet(read_rows(path)), "sheet.csv"))
        stated = found.chosen.light.error or 0.0
        hits += np.abs(found.law.transmittance(places) / true - 1) <= 2 * stated
    assert hits.min() >= LEAST_HITS


def test_densities_rise_as_on_a_step_tablet():
    """Step tablets rise by equal steps of density (ISO 5-2: D = −log10 T); this one, within a factor of 2."""
    steps = step_wedge.step_thicknesses(lay_out_coupon("step-wedge").setup)
    rise = np.diff(-np.log10(law(TRUTH).transmittance(steps)))
    assert rise.min() > 0 and rise.max() < 2 * rise.min()
