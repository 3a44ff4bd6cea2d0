"""Readings from photographs, against the light that the photographs were made of."""

import json
from functools import cache

import numpy as np
import pytest

from pathgen import PathgenError
from pathgen.cli import run
from pathgen.coupons import find_coupon
from pathgen.coupons.measurement_sheet import sheet_text
from pathgen.coupons.photo import fill_from_photo, open_photo, parse_corners
from pathgen.coupons.shapes import plain_job
from pathgen.files.csv_rows import CsvRows, read_rows
from pathgen.optics import law
from pathgen.optics.predict import PictureModel
from pathgen.settings import Job, TwoFlux, settle
from tests.coupons.darkroom import CORNERS, SIZE, photograph
from tests.matrix import paired

TRUTH = TwoFlux(absorption=0.06, scattering=2.6, t0=0.93)


@cache
def lit(name, light=TRUTH, spread=0.0, fine=1):
    """A coupon's specimen, the light that comes through its wall, and the spacing of that map."""
    setup = settle(plain_job(Job()))
    found = find_coupon(name)
    specimen = found.build(setup)
    thickness, job = specimen.panels[0]
    fine_wall = thickness.repeat(fine, 0).repeat(fine, 1)
    sight = PictureModel(law(light), job.pixel / fine, 0.0, 0.0, (spread, 0.0), 0.0, (0.0, 5.0))
    return (
        found,
        specimen,
        sight.luminance(fine_wall) * float(law(light).transmittance(0.0)),
        job.pixel / fine,
    )


def sheet(found, specimen, folder):
    path = folder / "sheet.csv"
    path.write_text(sheet_text(found, specimen))
    return path


def readings(rows, name):
    place = rows.names.index(name)
    return np.array([float(row[place] or "nan") for row in rows.cells])


def wedge(tmp_path, blank=False, **camera):
    found, specimen, through, pixel = lit("step-wedge")
    shot = tmp_path / "shot.png"
    photograph(shot, through, pixel, **camera)
    bare = None
    if blank:
        bare = tmp_path / "bare.png"
        photograph(bare, np.ones_like(through), pixel, **{**camera, "seed": 9})
    high, wide = (side * pixel for side in through.shape)
    photo = open_photo(shot, camera.get("corners", CORNERS), (wide, high), bare)
    rows, notes = fill_from_photo(photo, found, read_rows(sheet(found, specimen, tmp_path)))
    truth = law(TRUTH).transmittance([step.nominal[0] for step in specimen.steps])
    return rows, notes, truth


@pytest.mark.parametrize(("blank", "seed"), paired([False, True], range(2)))
def test_a_wedge_is_read_within_four_per_cent(blank, seed, tmp_path):
    """Perspective, a lens that darkens by a third toward its corners, noise, sRGB codes of 8 bits."""
    rows, notes, truth = wedge(tmp_path, blank, seed=seed, noise=0.02)
    found = readings(rows, "reading_linear") / readings(rows, "reference_linear")
    assert np.abs(found / truth - 1).max() < 0.04 and notes == []


def test_a_slanted_view_and_a_strong_lens(tmp_path):
    corners = ((300.0, 200.0), (2150.0, 260.0), (2120.0, 430.0), (250.0, 470.0))
    rows, _, truth = wedge(tmp_path, corners=corners, dark=0.5)
    found = readings(rows, "reading_linear") / readings(rows, "reference_linear")
    assert np.abs(found / truth - 1).max() < 0.04


def test_burnt_out_steps_are_left_out(tmp_path):
    rows, notes, truth = wedge(tmp_path, exposure=4.0)  # the bare light is beyond white, and thin steps are
    read = readings(rows, "reading_linear")
    assert np.isnan(read[0]) and np.isfinite(read[-1]) and "reference_linear" not in rows.names
    assert "overexposed and omitted: step 1" in notes[0] and "only the decrease with thickness" in notes[1]
    with pytest.raises(PathgenError, match="every step is overexposed"):
        wedge(tmp_path, exposure=60.0)


def test_a_covered_surround_gives_no_reference(tmp_path):
    rows, notes, truth = wedge(tmp_path, bare=0.0)
    assert "reference_linear" not in rows.names and "only the decrease" in notes[0]
    read = readings(rows, "reading_linear")
    ratio = read[-1] / read[5]
    assert ratio == pytest.approx(truth[-1] / truth[5], rel=0.25)  # nothing takes the lens out


def test_from_photograph_to_material(tmp_path, capsys):
    found, specimen, through, pixel = lit("step-wedge")
    corners = photograph(tmp_path / "shot.jpg", through, pixel)
    path, out = sheet(found, specimen, tmp_path), tmp_path / "spool.toml"
    args = ["fit", str(path), "--photo", str(tmp_path / "shot.jpg"), "--corners", corners]
    args += ["--material", "pla-white", "--out", str(out), "--filled", str(tmp_path / "filled.csv"), "--json"]
    assert run(args) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["law"] == "two-flux" and facts["absolute"]
    assert facts["transmittance_thinnest"] == pytest.approx(float(law(TRUTH).transmittance(0.6)), rel=0.04)
    assert len(read_rows(tmp_path / "filled.csv").cells) == 12
    # The filled sheet alone says the same.
    again = tmp_path / "again.toml"
    assert run(["fit", str(tmp_path / "filled.csv"), "--material", "pla-white", "--out", str(again)]) == 0
    assert (
        again.read_text().split("[light]")[1].split("\n")[3:6]
        == out.read_text().split("[light]")[1].split("\n")[3:6]
    )


def test_a_chart_gives_the_spread(tmp_path, capsys):
    light = settle(Job()).material.light
    found, specimen, through, pixel = lit("resolution-chart", light, spread=0.3, fine=2)
    corners = photograph(tmp_path / "shot.png", through, pixel, noise=0.02)
    path = sheet(found, specimen, tmp_path)
    args = ["fit", str(path), "--photo", str(tmp_path / "shot.png"), "--corners", corners, "--json"]
    args += ["--material", "pla-white", "--out", str(tmp_path / "spool.toml")]
    assert run(args) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["set light.spread"] == pytest.approx(0.3, abs=0.06)


@pytest.mark.parametrize(
    "text, said",
    [
        ("1,2 3,4 5,6", "four pairs"),
        ("1,2 3,4 5,6 x,y", "four pairs"),
        ("210,250 180,420 2225,430 2190,215", "wrong order"),
        ("210,250 2190,215 9999,430 180,420", "outside the picture"),
    ],
)
def test_corners_that_cannot_be(text, said, tmp_path):
    path = tmp_path / "shot.png"
    photograph(path, np.full((140, 1580), 0.5), 0.1)
    with pytest.raises(PathgenError, match=said):
        open_photo(path, parse_corners(text), (158.0, 14.0))


def test_other_refusals(tmp_path, capsys):
    photograph(tmp_path / "shot.png", np.full((140, 1580), 0.5), 0.1)
    photo = open_photo(tmp_path / "shot.png", CORNERS, (158.0, 14.0))
    assert photo.light.shape == SIZE[::-1]
    with pytest.raises(PathgenError, match="lag-strip cannot be measured"):
        fill_from_photo(photo, find_coupon("lag-strip"), CsvRows("x", [], [], []))
    (tmp_path / "hand.csv").write_text("thickness_mm,reading_lux\n0.5,\n")
    own = ["--photo", str(tmp_path / "shot.png"), "--corners", "210,250 2190,215 2225,430 180,420"]
    base = ["fit", str(tmp_path / "hand.csv"), "--material", "pla-white", "--out", str(tmp_path / "o.toml")]
    assert (
        run([*base, *own]) == 1 and "does not contain the positions of the steps" in capsys.readouterr().err
    )
    assert run([*base, *own[:2]]) == 2
    assert "--photo and --corners must be used together" in capsys.readouterr().err
    assert run([*base, "--blank", "x.png"]) == 2
    assert not (tmp_path / "o.toml").exists()
