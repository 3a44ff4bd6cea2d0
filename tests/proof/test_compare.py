"""A replayed program against the wanted map: every figure against one worked out another way."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from pathgen import Job, make, optics
from pathgen.errors import PathgenError
from pathgen.picture import encode_srgb
from pathgen.proof.compare import Effects, compare, match_sizes, replay
from pathgen.settings import load_machine

WALL = 1.6 + 0.7 * np.sin(np.linspace(0, 9, 200)) * np.cos(np.linspace(0, 4, 60))[:, None]
PLAIN = Job(brim=0, rim_width=0, first_layer=0.1)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    out = tmp_path_factory.mktemp("compare") / "panel.gcode"
    make(WALL, out, PLAIN)
    return replay(out)


def test_the_wall_is_the_one_that_was_wanted(found):
    figures = compare(found, WALL, ends=1.0)
    assert figures.thickness_rms_mm < 0.01
    assert abs(figures.thickness_bias_mm) < 0.001
    assert figures.layer_volume_max_share < 0.002
    assert figures.lightness_rms < 0.5 and figures.ssim > 0.99
    assert found.notes == ()


def test_a_thicker_wall_is_off_by_what_it_is_thicker(found):
    """Against a wall that is 0.1 mm thinner: every thickness figure is 0.1 mm, by its definition."""
    even = np.full_like(
        found.deposited.volume, 1.5 * 0.1 * 0.1 * found.deposited.packing
    )  # mm³ of 1.5 mm of wall
    even[:10] *= 1.2
    found = replace(found, deposited=replace(found.deposited, volume=even))
    wall = found.deposited.upright()
    figures = compare(found, wall - 0.1)
    assert figures.thickness_rms_mm == pytest.approx(0.1)
    assert figures.thickness_bias_mm == pytest.approx(0.1)
    assert figures.thickness_p99_mm == pytest.approx(0.1)
    assert figures.thickness_max_mm == pytest.approx(0.1)
    np.testing.assert_allclose(figures.gap, 0.1)
    share = 0.1 / (wall.mean(axis=1) - 0.1)
    assert figures.layer_volume_max_share == pytest.approx(share.max(), rel=1e-6)
    assert figures.layer_volume_rms_share == pytest.approx(np.sqrt(np.mean(share**2)), rel=1e-6)


def test_the_wall_itself_differs_in_nothing(found):
    figures = compare(found, found.deposited.upright())
    assert figures.thickness_max_mm < 1e-12  # what sums leave over
    assert figures.layer_volume_max_share < 1e-12
    assert figures.lightness_rms == 0.0 and figures.ssim == pytest.approx(1.0)
    assert figures.as_dict()["psnr_db"] is None  # infinite, for which JSON has no word
    json.dumps(figures.as_dict(), allow_nan=False)


def test_light_is_that_of_independent_libraries(found):
    """scikit-image's rgb2lab of the grey pictures, and its SSIM and PSNR of that, against ours."""
    from skimage.color import rgb2lab
    from skimage.metrics import peak_signal_noise_ratio, structural_similarity

    law = optics.law(found.material.light)
    pair = []
    for wall in (WALL, found.thickness):
        grey = encode_srgb(optics.backlit(wall, law, 0.8))
        pair.append(rgb2lab(np.repeat(grey[:, 10:-10, None], 3, axis=2))[..., 0])
    gap = np.abs(pair[0] - pair[1])
    figures = compare(found, WALL, ends=1.0)
    assert figures.lightness_rms == pytest.approx(np.sqrt(np.mean(gap**2)), rel=0.01)
    assert figures.lightness_p99 == pytest.approx(np.percentile(gap, 99), rel=0.01)
    assert figures.ssim == pytest.approx(structural_similarity(*pair, data_range=100.0), abs=1e-4)
    assert figures.psnr_db == pytest.approx(peak_signal_noise_ratio(*pair, data_range=100.0), abs=0.05)


def test_a_mirrored_or_fallen_map_is_far_off(found):
    right = compare(found, WALL, ends=1.0).thickness_rms_mm
    for wrong in (WALL[:, ::-1], WALL[::-1]):
        assert compare(found, wrong, ends=1.0).thickness_rms_mm > 10 * right


def test_a_finer_map_is_brought_to_the_panels_pixels(found):
    fine = np.repeat(np.repeat(WALL, 2, axis=0), 2, axis=1)
    assert compare(found, fine, ends=1.0).thickness_rms_mm < 0.01


@pytest.mark.parametrize("machine", ["moving-table", "long-tube"])
def test_a_first_layer_of_two_rows_makes_their_mean(machine, tmp_path):
    """Lowest rows of 1.0 and 2.0 mm become 1.5 mm twice, and the error between them stays visible."""
    wall = np.full((30, 120), 1.5)
    wall[-1], wall[-2] = 1.0, 2.0
    out = tmp_path / "panel.gcode"
    make(wall, out, Job(brim=0, rim_width=0, first_layer=0.2, machine=machine))
    gap = compare(replay(out), wall).gap
    inner = np.s_[10:-10]
    np.testing.assert_allclose(gap[-1, inner], 0.5, atol=0.01)
    np.testing.assert_allclose(gap[-2, inner], -0.5, atol=0.01)
    np.testing.assert_allclose(gap[:-2, inner], 0.0, atol=0.01)


def test_ends_are_left_out(found):
    wrong = WALL.copy()
    wrong[:, :10] += 5.0
    assert compare(found, wrong, ends=1.0).thickness_max_mm < 0.1
    assert compare(found, wrong).thickness_max_mm > 4.0


@pytest.mark.parametrize(
    ("wanted", "ends", "why"),
    [
        (np.zeros((0, 0)), 0.0, "target"),
        (np.full((60, 200), np.nan), 0.0, "target"),
        (np.zeros((60, 200)), 0.0, "is 0 everywhere"),
        (np.ones(5), 0.0, "target"),
        (np.ones((60, 60)), 0.0, "the panel's proportions"),
        (WALL, 99.0, "no part of the wall"),
        (WALL, float("nan"), "ends"),
        (WALL, -1.0, "ends"),
    ],
)
def test_maps_that_are_none(found, wanted, ends, why):
    with pytest.raises(PathgenError, match=why):
        compare(found, wanted, ends=ends)


def test_a_map_of_the_panels_own_size_is_not_resampled(found):
    laid, wanted = match_sizes(found.deposited, WALL)
    assert np.array_equal(wanted, WALL)
    assert laid.volume.sum() == pytest.approx(found.deposited.volume.sum())


def test_without_a_material_there_is_a_wall_but_no_picture(found):
    dark = replace(found, material=None)
    figures = compare(dark, WALL)
    assert figures.lightness_rms is None and figures.ssim is None
    with pytest.raises(PathgenError, match="--material"):
        dark.backlight(WALL)


BARE = "G21\nG90\nM83\nG1 X10 Y50 Z0.2 {f}\nG1 X60 E3 F600\nG1 X60 Y50 Z0.3\nG1 X10 E1.5\nM2\n"


def test_moves_before_the_first_feed_do_not_stop_a_replay(tmp_path):
    """The same program with and without an F word before the first deposit lays down the same wall."""
    walls = []
    for feed in ("F9000", ""):
        path = tmp_path / "bare.gcode"
        path.write_text(BARE.format(f=feed))
        found = replay(path, load_machine("moving-table"), effects=Effects(lag=True))
        assert np.isfinite(found.tally.time.sum()) and found.tally.time.sum() > 0
        walls.append(found.thickness)
    np.testing.assert_allclose(walls[0], walls[1], atol=1e-9)


def test_the_lag_starves_the_start_of_a_bead_and_loses_nothing(tmp_path):
    """First-order lag: what leaves is late, so a bead's first part is thinner than its last."""
    path, machine = tmp_path / "bare.gcode", load_machine("moving-table")
    lines = ["G21", "G90", "M83", "G1 X10 Y50 Z0.2 F600"]
    lines += [f"G1 X{10 + x / 2:g} E0.02" for x in range(1, 101)]
    path.write_text("\n".join([*lines, "M2", ""]))
    fed, left = (replay(path, machine, effects=Effects(lag=lag)) for lag in (False, True))
    assert left.thickness[0, :5].mean() < 0.9 * fed.thickness[0, :5].mean()
    middle = np.s_[0, 200:400]
    np.testing.assert_allclose(left.thickness[middle], fed.thickness[middle], rtol=1e-3)
    assert left.deposited.volume.sum() <= fed.deposited.volume.sum() * (1 + 1e-9)


def test_smear_keeps_the_plastic_and_spread_the_light(tmp_path):
    out = tmp_path / "panel.gcode"
    make(WALL, out, PLAIN)
    plain, smeared, spread = (replay(out, effects=Effects(*steps)) for steps in ((), (True,), (False, 0.3)))
    assert smeared.deposited.volume.sum() == pytest.approx(plain.deposited.volume.sum(), rel=1e-6)
    assert spread.picture.sum() == pytest.approx(plain.picture.sum(), rel=1e-6)
    assert not np.array_equal(smeared.thickness, plain.thickness)
    assert np.array_equal(spread.thickness, plain.thickness)
