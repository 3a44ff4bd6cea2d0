"""`pathgen replay` as a person meets it, and the bars of the whole loop: picture to text to picture."""

import json
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from pathgen import Job, make, replay
from pathgen.cli import run
from pathgen.proof.compare import Light, compare
from pathgen.settings import machine_names
from tests.test_job import waves


def made(tmp_path, wall=None, **job):
    wall = waves(3, 120, 300) if wall is None else wall
    np.save(tmp_path / "wall.npy", wall)
    out, wanted = tmp_path / "panel.gcode", tmp_path / "wanted.npy"
    options = [part for key, value in job.items() for part in (f"--{key.replace('_', '-')}", str(value))]
    files = ["--out", str(out), "--thickness", str(wanted)]
    assert run(["panel", str(tmp_path / "wall.npy"), *files, "--brim", "3", *options]) == 0
    return out, wanted


def told(capsys, *args):
    capsys.readouterr()
    assert run(["replay", *map(str, args), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("machine", machine_names())
def test_a_program_makes_what_was_wanted(machine, tmp_path, capsys):
    out, wanted = made(tmp_path, machine=machine)
    facts = told(capsys, out, "--against", wanted)
    assert facts["thickness_rms_mm"] <= 0.01
    assert abs(facts["thickness_bias_mm"]) < 0.0005 * np.load(wanted).mean()
    assert facts["lightness_rms"] < 0.5
    assert facts["ssim"] > 0.99
    assert facts["notes"] == []


def test_figures_are_those_of_an_independent_library(tmp_path):
    """scikit-image's own SSIM and rgb2lab on the two grey pictures (both from the same registry package)."""
    from skimage.color import rgb2lab
    from skimage.metrics import structural_similarity

    out, wanted = made(tmp_path, first_layer=0.1)
    found = replay(out)
    target = np.load(wanted).astype(float)
    figures = compare(found, target)
    from pathgen import optics
    from pathgen.picture import encode_srgb

    law = optics.law(found.material.light)
    pair = []
    for thickness in (target, found.thickness):
        codes = encode_srgb(np.clip(optics.backlit(thickness, law, 0.8), 0, 1))
        pair.append(rgb2lab(np.repeat(codes[..., None], 3, axis=2))[..., 0])
    assert figures["lightness_rms"] == pytest.approx(np.sqrt(np.mean((pair[0] - pair[1]) ** 2)), rel=0.01)
    assert figures["ssim"] == pytest.approx(structural_similarity(*pair, data_range=100.0), abs=1e-3)


@pytest.mark.parametrize("axis", ["x", "y"])
def test_the_picture_is_upright_and_unmirrored(axis, tmp_path, capsys):
    letter = np.full((120, 80), 2.6)
    letter[10:110, 10:24] = letter[10:24, 10:70] = letter[50:64, 10:50] = 1.0  # a bright F
    out, _ = made(tmp_path, letter, axis=axis, rim_width=0)
    assert run(["replay", str(out), "--picture", str(tmp_path / "seen.png")]) == 0
    with Image.open(tmp_path / "seen.png") as picture:
        seen = np.asarray(picture, float)
    assert seen.shape == letter.shape
    inner = np.s_[3:-3, 10:-10]
    assert np.corrcoef(seen[inner].ravel(), -letter[inner].ravel())[0, 1] > 0.95
    assert np.corrcoef(seen[inner].ravel(), -letter[:, ::-1][inner].ravel())[0, 1] < 0.6
    assert np.corrcoef(seen[inner].ravel(), -letter[::-1][inner].ravel())[0, 1] < 0.8


def test_every_output_at_once_and_the_same_twice(tmp_path, capsys):
    out, wanted = made(tmp_path)
    names = {"picture": "p.png", "thickness": "t.npy", "map": "m.png", "error": "e.png"}
    contents = []
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        files = [part for key, name in names.items() for part in (f"--{key}", str(tmp_path / folder / name))]
        assert run(["replay", str(out), "--against", str(wanted), *files]) == 0
        contents.append([(tmp_path / folder / name).read_bytes() for name in names.values()])
    assert contents[0] == contents[1]
    said = capsys.readouterr().out
    assert "mm RMS" in said and "SSIM" in said
    assert np.load(tmp_path / "a" / "t.npy").shape == np.load(wanted).shape


def test_smear_spread_and_lag_show(tmp_path):
    step = np.full((60, 300), 0.9)
    step[:, 150:] = 2.4
    out = tmp_path / "step.gcode"
    make(step, out, Job(rim_width=0, brim=0))
    plain = replay(out)
    edge = np.s_[30, 140:160]
    for light in (Light(smear=True), Light(spread=0.3)):
        soft = replay(out, light=light).picture
        assert np.abs(np.diff(soft[edge])).max() < 0.7 * np.abs(np.diff(plain.picture[edge])).max()
    lagged = replay(out, light=Light(lag=True))
    wrong = np.abs(lagged.thickness - step)[5:-5, 20:-20]
    right = np.abs(plain.thickness - step)[5:-5, 20:-20]
    assert wrong.mean() > 3 * right.mean()


def test_bent_panels_are_unrolled(tmp_path, capsys):
    out, wanted = made(tmp_path, bend=120)
    assert told(capsys, out, "--against", wanted)["thickness_rms_mm"] < 0.012


def test_a_program_cut_short_is_replayed_with_a_note(tmp_path, capsys):
    out, _ = made(tmp_path)
    text = out.read_text().splitlines(keepends=True)
    (tmp_path / "cut.gcode").write_text("".join(text[: len(text) // 2]))
    facts = told(capsys, tmp_path / "cut.gcode")
    assert any("cut short" in note for note in facts["notes"])


def test_what_cannot_be_is_refused_in_one_line(tmp_path, capsys):
    out, wanted = made(tmp_path)
    (tmp_path / "bad.gcode").write_text(out.read_text().replace("G1 X", "G1 XX", 1))
    (tmp_path / "noise.gcode").write_bytes(bytes(range(256)) * 9)
    (tmp_path / "empty.gcode").write_bytes(b"")
    np.save(tmp_path / "nan.npy", np.full((9, 9), np.nan))
    cases = [
        ([tmp_path / "none.gcode"], "none.gcode"),
        ([tmp_path], ""),
        ([tmp_path / "bad.gcode"], "line"),
        ([tmp_path / "noise.gcode"], ""),
        ([tmp_path / "empty.gcode"], ""),
        ([out, "--machine", "benchtop"], "benchtop-220"),
        ([out, "--material", "pla-whit"], "pla-white"),
        ([out, "--against", tmp_path / "nan.npy"], "nan.npy"),
        ([out, "--error", tmp_path / "e.png"], "--against"),
        ([out, "--picture", out], "panel.gcode"),
        ([out, "--thickness", tmp_path / "no" / "t.npy"], "does not exist"),
        ([out, "--ends", "-1"], "ends"),
        ([out, "--ends", "999", "--against", wanted], ""),
    ]
    for args, word in cases:
        capsys.readouterr()
        assert run(["replay", *map(str, args)]) == 1, args
        lines = capsys.readouterr().err.strip().splitlines()
        assert len(lines) == 1 and lines[0].startswith("error: ") and word in lines[0], (args, lines)
    assert not (tmp_path / "e.png").exists()


def test_it_runs_as_a_program(tmp_path):
    out, _ = made(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "pathgen", "replay", str(out)], capture_output=True, text=True
    )
    assert done.returncode == 0 and "layers" in done.stdout and done.stderr == ""
