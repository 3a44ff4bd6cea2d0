"""Steps of thickness: how large they are, whether they are seen, and hiding them."""

import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.motor_steps import diffuse_error, measure_step, smallest_step
from pathgen.optics.predict import viewed
from pathgen.picture.colorimetry import lightness
from pathgen.settings import load_machine
from pathgen.settings.material import Viewing
from tests.reference.dicom import step_luminance

LAW = TwoFluxLaw(0.1, 2.0)


def rounded(thickness, step):
    """Every pixel by itself to the nearest whole number of steps."""
    return np.floor(thickness / step + 0.5) * step


def slope_of(rows=80, cols=120):
    """A wall that grows softly from 1 to 2 mm along u."""
    return np.tile(np.linspace(1.0, 2.0, cols), (rows, 1))


def test_a_motor_step_is_worth_its_filament():
    """Volume by hand: a step of 1/200 mm of 1.75 mm filament, over 0.1 mm by 1.6 mm."""
    machine = load_machine("moving-table")
    step = smallest_step(machine, 0.1, 1.6)
    assert machine.axes.filament.steps_per_mm == 200
    assert step == pytest.approx(math.pi * 1.75**2 / 4 / 200 / 0.16, rel=1e-12)
    assert smallest_step(machine, 0.1, 1.6, packing=0.5) == pytest.approx(2 * step)
    assert smallest_step(machine, 0.2, 3.2) == pytest.approx(step / 4)


def test_a_program_of_few_decimals_sets_the_step():
    machine = load_machine("moving-table")
    coarse = replace(machine, dialect=replace(machine.dialect, filament_decimals=1, filament_unit="mm"))
    step = smallest_step(coarse, 0.1, 1.6)
    assert step == pytest.approx(0.1 * math.pi * 1.75**2 / 4 / 0.16)  # a tenth of a mm of filament
    volume = replace(machine, dialect=replace(coarse.dialect, filament_unit="mm3"))
    assert smallest_step(volume, 0.1, 1.6) == pytest.approx(0.1 / 0.16)  # a tenth of a mm³


def test_what_is_seen_of_a_step():
    """One step of DICOM PS3.14's scale, turned into thickness by the law, is one step."""
    viewing = Viewing(luminance=1000.0, room=0.0)
    law = ExponentialLaw(1.2)
    low, high = step_luminance([700.0, 701.0]) / viewing.luminance
    at, step = float(law.inverse(high)), float(law.inverse(low) - law.inverse(high))
    found = measure_step(step, law, at, at, viewing)
    assert found.steps == pytest.approx(1.0, abs=0.02)  # the standard's inverse is a fit
    assert found.lightness == pytest.approx(100 - float(lightness(low / high)), rel=1e-6)
    assert (
        not measure_step(step / 2, law, at, at, viewing).visible
        and measure_step(2 * step, law, at, at, viewing).visible
    )


def test_it_is_seen_most_where_the_law_is_steep():
    found = measure_step(0.05, LAW, 0.8, 3.0)
    assert found.steps >= max(measure_step(0.05, LAW, t, t).steps for t in (0.8, 1.5, 3.0)) - 1e-9


@pytest.mark.parametrize("step", [0.03, 0.158])
def test_only_whole_steps_are_placed(step):
    wall = slope_of()
    for made in (rounded(wall, step), diffuse_error(wall, step)):
        np.testing.assert_allclose(made / step, np.round(made / step), atol=1e-9)
    assert np.abs(rounded(wall, step) - wall).max() <= step / 2 + 1e-12
    assert np.abs(diffuse_error(wall, step) - wall).max() < 2 * step


def test_plastic_is_kept():
    wall, step = slope_of(), 0.158
    off = diffuse_error(wall, step).sum() - wall.sum()
    assert abs(off) <= step * wall.shape[1]
    # Column by column as well, of which a little goes sideways.
    assert np.abs((diffuse_error(wall, step) - wall).mean(axis=0)).max() < 0.15 * step


def test_diffusing_is_nearer_to_what_is_wanted_once_blurred():
    """Through nozzle, layers and the spread of light, in CIE lightness."""
    wall, step = slope_of(), 0.158
    blur = {"layer": 0.1, "nozzle": 0.4, "spread": (0.2, 0.0), "thinnest": 0.8}
    wanted, hard, soft = (
        lightness(viewed(w, LAW, 0.1, **blur)) for w in (wall, rounded(wall, step), diffuse_error(wall, step))
    )
    error = [float(np.sqrt(np.mean((light - wanted) ** 2))) for light in (hard, soft)]
    assert error[1] < 0.25 * error[0]


def test_an_even_wall_has_no_stripes():
    """Layers, columns and patches stay near what was asked; rounded, all are off by 0.37 of a step."""
    step = 0.1
    off = (diffuse_error(np.full((200, 233), 1.037), step) - 1.037) / step
    assert np.abs(off[:-4].mean(axis=1)).max() < 0.1
    assert np.abs(off.mean(axis=0)).max() < 0.1
    patches = ndimage.uniform_filter(off, 8, mode="nearest")[8:-8, 8:-8]
    assert patches.std() < 0.03
    assert np.abs((rounded(np.full(3, 1.037), step) - 1.037) / step) == pytest.approx(0.37)


def test_no_wall_stays_no_wall():
    wall = slope_of()
    wall[20:40, 30:60] = 0.0
    made = diffuse_error(wall, 0.3)
    assert np.all(made[wall == 0] == 0) and np.all(made >= 0)
    assert np.abs(made - wall)[wall > 0].max() < 0.6


def test_fine_steps_change_nothing_to_speak_of():
    wall = slope_of()
    np.testing.assert_allclose(diffuse_error(wall, 1e-6), wall, atol=2e-6)
    np.testing.assert_allclose(rounded(wall, 1e-6), wall, atol=1e-6)


def test_the_same_map_gives_the_same_and_empty_gives_empty():
    wall = slope_of()
    assert np.array_equal(diffuse_error(wall, 0.1), diffuse_error(wall.copy(), 0.1))
    assert diffuse_error(np.empty((0, 4)), 0.1).shape == (0, 4)
    assert diffuse_error(np.empty((4, 0)), 0.1).shape == (4, 0)


@pytest.mark.parametrize("step", [0.0, -0.1, float("nan"), float("inf")])
def test_steps_that_cannot_be_are_refused(step):
    with pytest.raises(PathgenError, match="step"):
        diffuse_error(slope_of(), step)
    with pytest.raises(PathgenError, match="step"):
        measure_step(step, LAW, 0.8, 3.0)


def test_what_is_no_map_is_refused():
    with pytest.raises(PathgenError, match="finite"):
        diffuse_error(np.array([[1.0, np.nan]]), 0.1)
    with pytest.raises(PathgenError, match="rows and columns"):
        diffuse_error(np.ones(3), 0.1)
    with pytest.raises(PathgenError, match="length"):
        smallest_step(load_machine("moving-table"), 0.1, 0.0)
    with pytest.raises(PathgenError, match="thinnest"):
        measure_step(0.1, LAW, 3.0, 0.8)
