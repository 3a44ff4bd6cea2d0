"""What every fill must hold, and a fill of another package."""

import dataclasses
import zipfile
from importlib.metadata import EntryPoint

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pathgen.cli import run
from pathgen.errors import PathgenError
from pathgen.layers import BeadPlan, Profiles
from pathgen.layers.fills import BUILT_IN, DIRECTIONS, find_fill
from tests.layers.test_tailored import PIXEL, column_thickness, layer_areas, smooth_wall

PLAN = BeadPlan(spacing=0.42, spacing_min=0.28, spacing_max=0.62)
CASES = [(name, PLAN) for name in BUILT_IN if name != "raster"]
CASES += [("raster", dataclasses.replace(PLAN, direction=direction)) for direction in DIRECTIONS]
IDS = [f"{name}-{plan.direction}" for name, plan in CASES]
EXACT = ["tailored", "terraced"]


@pytest.mark.parametrize(("name", "plan"), CASES, ids=IDS)
def test_strokes_are_well_formed(name, plan):
    wall = smooth_wall(2, layers=4)
    strokes = find_fill(name)(Profiles(wall, PIXEL, 7), plan)
    assert strokes.counts.shape == wall.shape
    assert strokes.start[0] == 0 and strokes.start[-1] == len(strokes.u)
    assert (np.diff(strokes.start) >= 2).all(), "a stroke of a single point"
    assert (np.diff(strokes.layer) >= 0).all() and set(strokes.layer) == {7, 8, 9, 10}
    assert (strokes.area >= 0).all() and (strokes.area[strokes.start[:-1]] == 0).all()
    assert (strokes.u >= 0).all() and (strokes.u <= wall.shape[1] * PIXEL).all()
    assert (strokes.n > 0).all() and (strokes.n < wall.max()).all()


@pytest.mark.parametrize(("name", "plan"), CASES, ids=IDS)
def test_strokes_stay_inside_the_section(name, plan):
    """Points lie between the back and the front face, with a column's width of grace on the steep parts."""
    wall = smooth_wall(5, layers=4)
    strokes = find_fill(name)(Profiles(wall, PIXEL), plan)
    layer = np.repeat(strokes.layer, np.diff(strokes.start))
    column = np.clip((strokes.u / PIXEL + 1e-9).astype(int), 0, wall.shape[1] - 1)
    reach = np.max([wall[layer, np.clip(column + d, 0, wall.shape[1] - 1)] for d in (-1, 0, 1)], axis=0)
    assert (strokes.n < reach + 1e-9).all()


@pytest.mark.parametrize(("name", "plan"), CASES, ids=IDS)
def test_blocks_do_not_show(name, plan):
    wall = smooth_wall(4, layers=6)
    fill = find_fill(name)
    whole = fill(Profiles(wall, PIXEL), plan)
    parts = [fill(Profiles(wall[i : i + 3], PIXEL, i), plan) for i in (0, 3)]
    for column in ("u", "n", "area", "hairpin", "layer"):
        joined = np.concatenate([getattr(part, column) for part in parts])
        assert np.array_equal(getattr(whole, column), joined), column


@pytest.mark.parametrize("name", EXACT)
@settings(max_examples=30, deadline=None)
@given(coarse=arrays(float, st.integers(6, 20), elements=st.floats(0.8, 3.0)), seed=st.integers(0, 9))
def test_spacings_add_up_to_the_wall_in_every_column(name, coarse, seed):
    """Any profile within limits, smooth or steep, with noise or without."""
    columns = 12 * len(coarse)
    wall = np.interp(np.arange(columns), np.linspace(0, columns, len(coarse)), coarse)[None]
    wall = (wall + np.random.default_rng(seed).normal(0, 0.01 * seed, wall.shape)).clip(0.8, 3.0)
    strokes = find_fill(name)(Profiles(wall, PIXEL), PLAN)
    error = column_thickness(strokes, columns, 1) - wall
    assert np.abs(error[:, 10:-10]).max(initial=0) <= PLAN.tolerance + 1e-9
    assert layer_areas(strokes, 1) == pytest.approx(wall.sum(axis=1) * PIXEL, rel=1e-9)


@pytest.mark.parametrize("name", EXACT)
def test_dry_turns_deposit_nothing_and_lose_nothing(name):
    wall = smooth_wall(1, layers=3)
    wet, dry = (
        find_fill(name)(Profiles(wall, PIXEL), dataclasses.replace(PLAN, hairpins=turns))
        for turns in ("deposit", "dry")
    )
    assert wet.hairpin.any() and not dry.hairpin.any()
    assert layer_areas(dry, 3) == pytest.approx(layer_areas(wet, 3), rel=1e-12)
    error = column_thickness(dry, wall.shape[1], 3) - wall
    assert np.abs(error[:, 15:-15]).max() <= PLAN.tolerance + 1e-9


def test_the_raster_is_as_wrong_as_constant_spacings_must_be():
    """Rounding t/p to whole lines is wrong by up to p/2, and p/√12 on average (uniform rounding error)."""
    wall = smooth_wall(8, layers=12)
    inside = np.s_[:, 40:-40]
    errors = {}
    for name in ("raster", "tailored"):
        strokes = find_fill(name)(Profiles(wall, PIXEL), PLAN)
        errors[name] = (column_thickness(strokes, wall.shape[1], 12) - wall)[inside]
    rms = {name: float(np.sqrt(np.mean(error**2))) for name, error in errors.items()}
    assert np.abs(errors["raster"]).max() <= PLAN.spacing / 2 + 1e-6
    assert rms["raster"] == pytest.approx(
        PLAN.spacing / np.sqrt(12), rel=0.2
    )  # thicknesses are not quite uniform
    assert rms["tailored"] < rms["raster"] / 10


def test_an_unknown_fill_names_the_nearest():
    with pytest.raises(PathgenError, match="did you mean 'contour'"):
        find_fill("contuor")


MODULE = '''
import numpy as np
from pathgen.layers import Strokes

def one_line(profiles, plan):
    """One bead down the middle that takes the whole wall."""
    layers, columns = profiles.thickness.shape
    u = np.tile([0.0, columns * profiles.pixel], layers)
    n = np.repeat(profiles.thickness.mean(axis=1) / 2, 2)
    area = np.stack([np.zeros(layers), profiles.thickness.sum(axis=1) * profiles.pixel], axis=1).ravel()
    layer = profiles.first + np.arange(layers)
    counts = np.ones((layers, columns), np.int8)
    return Strokes(u, n, area, np.zeros(2 * layers, bool), 2 * np.arange(layers + 1), layer, counts)
'''


def wheel(folder):
    """A package with a fill, as a wheel written by hand."""
    path = folder / "harbour_fill-1.0-py3-none-any.whl"
    info = "harbour_fill-1.0.dist-info"
    files = {
        "harbour_fill.py": MODULE,
        f"{info}/METADATA": "Metadata-Version: 2.1\nName: harbour-fill\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": "[pathgen.fills]\none-line = harbour_fill:one_line\n",
    }
    record = "".join(f"{name},,\n" for name in (*files, f"{info}/RECORD"))
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in {**files, f"{info}/RECORD": record}.items():
            archive.writestr(name, text)
    return path


def test_a_fill_of_another_package(tmp_path, monkeypatch, capsys):
    """Unpacking a wheel of pure Python installs it (PyPA specification, binary distribution format)."""
    target = tmp_path / "installed"
    with zipfile.ZipFile(wheel(tmp_path)) as archive:
        archive.extractall(target)
    monkeypatch.syspath_prepend(target)
    np.save(tmp_path / "wall.npy", np.full((20, 60), 1.0))
    command = ["panel", str(tmp_path / "wall.npy"), "--rim-width", "0", "--fill"]
    assert run([*command, "one-line", "--out", str(tmp_path / "a.gcode")]) == 0
    assert "; job fill = one-line" in (tmp_path / "a.gcode").read_text()
    capsys.readouterr()
    assert run([*command, "one-lin", "--out", str(tmp_path / "b.gcode")]) == 1
    assert "did you mean 'one-line'" in capsys.readouterr().err


def test_a_fill_that_cannot_be_loaded_is_an_error(monkeypatch):
    broken = EntryPoint("harbour", "no_such_package:fill", "pathgen.fills")
    monkeypatch.setattr("pathgen.layers.fills.entry_points", lambda **asked: [broken])
    with pytest.raises(PathgenError, match="harbour.*no_such_package"):
        find_fill("harbour")


@pytest.mark.parametrize(("name", "plan"), CASES, ids=IDS)
def test_a_wall_further_right_has_its_strokes_further_right(name, plan):
    """A translation of the section translates the strokes; 37 bare columns are no multiple of a spacing."""
    wall = smooth_wall(6, layers=2)[:, :-7]  # so that no line across lies on the border of two columns
    moved = np.pad(wall, ((0, 0), (37, 0)))
    here, there = (find_fill(name)(Profiles(each, PIXEL), plan) for each in (wall, moved))
    np.testing.assert_allclose(there.u, here.u + 37 * PIXEL, atol=1e-9)
    for column in ("n", "area"):
        np.testing.assert_allclose(getattr(there, column), getattr(here, column), atol=1e-9)
    for column in ("hairpin", "start", "layer"):
        np.testing.assert_array_equal(getattr(there, column), getattr(here, column))
