"""`pathgen replay` from the command line, with limits for the whole loop: picture, text, picture."""

import json
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from pathgen import Job, make, replay
from pathgen.cli import run
from pathgen.proof.compare import Effects
from pathgen.settings import machine_names, profile_text
from tests.test_job import waves


def made(tmp_path, wall=None, **job):
    if wall is None:
        wall = waves(3, 120, 300)[::2, ::2]
        job = {"pixel": 0.2, "layer": 0.2, "first_layer": 0.2} | job
    np.save(tmp_path / "wall.npy", wall)
    out, wanted = tmp_path / "panel.gcode", tmp_path / "wanted.npy"
    options = [part for key, value in job.items() for part in (f"--{key.replace('_', '-')}", str(value))]
    files = ["--out", str(out), "--thickness", str(wanted)]
    assert run(["panel", str(tmp_path / "wall.npy"), *files, "--brim", "3", *options]) == 0
    return out, wanted


def json_of(capsys, *args):
    capsys.readouterr()
    assert run(["replay", *map(str, args), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("machine", machine_names())
def test_a_program_makes_what_was_wanted(machine, tmp_path, capsys):
    out, wanted = made(tmp_path, machine=machine)
    facts = json_of(capsys, out, "--against", wanted)
    assert facts["thickness_rms_mm"] <= 0.01
    assert abs(facts["thickness_bias_mm"]) < 0.0005 * np.load(wanted).mean()
    assert facts["lightness_rms"] < 0.5
    assert facts["ssim"] > 0.99
    assert facts["notes"] == []


def test_one_flat_object_and_the_same_time_as_planned(tmp_path, capsys):
    """Filament and mass equal the plan's except for rounding; the finish block adds some time."""
    out, wanted = made(tmp_path)
    capsys.readouterr()
    assert run(["panel", str(wanted), "--out", str(out), "--rim-width", "0", "--json"]) == 0
    planned = json.loads(capsys.readouterr().out)
    facts = json_of(capsys, out, "--against", wanted, "--ends", 2)
    assert not any(isinstance(value, dict) for value in facts.values())
    for key in ("machine", "material", "layers", "rotation_deg", "width_mm", "height_mm"):
        assert facts[key] == planned[key]
    for key in ("time_s", "moving_time_s", "filament_m", "mass_g"):
        assert facts[key] == pytest.approx(planned[key], rel=0.01)
    assert facts["complete"] is True and facts["ends_mm"] == 2.0
    assert facts["layers_deposited"] == facts["layers"]


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
    shown = capsys.readouterr().out
    assert "mm RMS" in shown and "SSIM" in shown
    assert np.load(tmp_path / "a" / "t.npy").shape == np.load(wanted).shape


def test_each_picture_is_what_its_option_names(tmp_path, monkeypatch):
    """The backlit picture and the maps of thickness and difference are drawn by other functions."""
    out, wanted = made(tmp_path)
    for name in ("backlit_png", "thickness_png", "error_png"):
        monkeypatch.setattr(f"pathgen.report.replay_figures.{name}", lambda *_, name=name: name.encode())
    files = {option: tmp_path / f"{option}.png" for option in ("picture", "map", "error")}
    options = [part for option, path in files.items() for part in (f"--{option}", str(path))]
    assert run(["replay", str(out), "--against", str(wanted), *options]) == 0
    drawn = [path.read_bytes() for path in files.values()]
    assert drawn == [b"backlit_png", b"thickness_png", b"error_png"]


def test_smear_spread_and_lag_show(tmp_path):
    step = np.full((60, 300), 0.9)
    step[:, 150:] = 2.4
    out = tmp_path / "step.gcode"
    make(step, out, Job(rim_width=0, brim=0))
    plain = replay(out)
    edge = np.s_[30, 140:160]
    for light in (Effects(smear=True), Effects(spread=0.3)):
        soft = replay(out, effects=light).picture
        assert np.abs(np.diff(soft[edge])).max() < 0.7 * np.abs(np.diff(plain.picture[edge])).max()
    lagged = replay(out, effects=Effects(lag=True))
    wrong = np.abs(lagged.thickness - step)[5:-5, 20:-20]
    right = np.abs(plain.thickness - step)[5:-5, 20:-20]
    assert wrong.mean() > 3 * right.mean()


def test_bent_panels_are_unrolled(tmp_path, capsys):
    out, wanted = made(tmp_path, bend=120)
    assert json_of(capsys, out, "--against", wanted)["thickness_rms_mm"] < 0.012


def test_a_program_cut_short_is_replayed_with_a_note(tmp_path, capsys):
    out, _ = made(tmp_path)
    whole, cut = json_of(capsys, out), tmp_path / "cut.gcode"
    cut.write_bytes(out.read_bytes()[: out.stat().st_size // 2])
    facts = json_of(capsys, cut)
    assert any("incomplete" in note for note in facts["notes"]) and facts["complete"] is False
    assert facts["layers"] == whole["layers"] and facts["layers_deposited"] < 0.7 * whole["layers"]
    assert run(["replay", str(cut)]) == 0
    assert f"{facts['layers_deposited']} of {facts['layers']} layers" in capsys.readouterr().out


@pytest.mark.parametrize("rotation", [0, 90])
def test_a_program_of_another_maker(rotation, tmp_path, capsys):
    """A program without header and marks; thickness is volume over area of the beads written below."""
    fed = 0.42 * 0.2 * 30 / (np.pi * 1.75**2 / 4)  # mm of filament for 30 mm of a bead of 0.42 × 0.2 mm
    across, along = "YX" if rotation == 0 else "XY"
    lines, end = ["G21", "G90", "M83", "G1 X50 Y50 F600"], 50
    for layer in range(1, 101):
        lines.append(f"G0 Z{layer * 0.2:.1f}")
        for bead in range(3):
            end = 130 - end  # there and back between 50 and 80
            lines += [f"G0 {across}{50 + 0.42 * bead:.2f}", f"G1 {along}{end} E{fed:.5f}"]
    (tmp_path / "other.gcode").write_text("\n".join([*lines, "M2", ""]))
    capsys.readouterr()
    assert run(["replay", str(tmp_path / "other.gcode")]) == 1
    assert "--machine" in capsys.readouterr().err
    facts = json_of(capsys, tmp_path / "other.gcode", "--machine", "moving-table")
    assert (facts["rotation_deg"], facts["width_mm"], facts["height_mm"]) == (rotation, 30.0, 20.0)
    assert facts["thinnest_mm"] == pytest.approx(1.26, abs=0.002)
    assert facts["material"] is None and facts["mass_g"] is None
    assert any("no header" in note and "--rotation" in note for note in facts["notes"])
    args = ["replay", str(tmp_path / "other.gcode"), "--machine", "moving-table"]
    assert run([*args, "--picture", str(tmp_path / "p.png")]) == 1
    assert "--material" in capsys.readouterr().err and not (tmp_path / "p.png").exists()


def test_options_win_over_the_header(tmp_path, capsys):
    out, _ = made(tmp_path)
    (tmp_path / "odd.gcode").write_text(out.read_text().replace("; panel rotation =", "; panel turned ="))
    capsys.readouterr()
    assert run(["replay", str(tmp_path / "odd.gcode")]) == 1
    assert "'panel rotation'" in (line := capsys.readouterr().err) and "--rotation" in line
    facts = json_of(capsys, out)
    stated = json_of(capsys, tmp_path / "odd.gcode", "--rotation", facts["rotation_deg"])
    assert stated == facts | {"program": "odd.gcode"}
    coarse = json_of(capsys, out, "--pixel", 0.5, "--packing", 0.495)
    assert coarse["thickest_mm"] == pytest.approx(2 * facts["thickest_mm"], rel=0.05)


def test_a_profile_of_ones_own_is_named(tmp_path, capsys):
    mine = tmp_path / "mine.toml"
    mine.write_text(profile_text("moving-gantry").replace('"moving-gantry"', '"ours"', 1))
    out, wanted = made(tmp_path, machine=str(mine))
    capsys.readouterr()
    assert run(["replay", str(out)]) == 1
    assert "ours" in (line := capsys.readouterr().err) and "--machine" in line
    assert json_of(capsys, out, "--machine", mine, "--against", wanted)["thickness_rms_mm"] < 0.01


def test_wrong_input_gets_one_line(tmp_path, capsys):
    out, wanted = made(tmp_path)
    text = out.read_text()
    (tmp_path / "bad.gcode").write_text(text.replace("G1 X", "G1 XX", 1))
    (tmp_path / "noise.gcode").write_bytes(bytes(range(256)) * 9)
    (tmp_path / "latin.gcode").write_bytes(text.encode().replace(b"G1 X", b"G1 \xe9X", 1))
    (tmp_path / "empty.gcode").write_bytes(b"")
    (tmp_path / "wide.gcode").write_text(text.replace("; job pixel = 0.2", "; job pixel = wide"))
    (tmp_path / "dots.gcode").write_text(text.replace("; job pixel = 0.2", "; job pixel = 1e-9"))
    maps = {"nan": np.full((9, 9), np.nan), "cube": np.ones((3, 3, 3)), "zero": np.zeros((120, 300))}
    maps |= {"square": np.ones((60, 60)), "text": np.array([["a", "b"], ["c", "d"]])}
    for name, values in maps.items():
        np.save(tmp_path / f"{name}.npy", values)
    kept = [out, wanted, tmp_path / "made"]
    kept[2].mkdir()
    before = [path.read_bytes() for path in kept[:2]]
    cases = [
        (1, [tmp_path / "none.gcode"], "none.gcode"),
        (1, [tmp_path], "a folder"),
        (1, [tmp_path / "bad.gcode"], "line"),
        (1, [tmp_path / "noise.gcode"], "not a text file"),
        (1, [tmp_path / "latin.gcode"], "line"),
        (1, [tmp_path / "empty.gcode"], "empty"),
        (1, [tmp_path / "wide.gcode"], "--pixel"),
        (1, [tmp_path / "dots.gcode"], "--pixel"),
        (1, [tmp_path / "s.npy"], "s.npy"),
        (1, [wanted], "not a text file"),
        (1, [out, "--machine", "moving"], "moving-table"),
        (1, [out, "--machine", "ngc-lab"], "line"),
        (1, [out, "--material", "pla-whit"], "pla-white"),
        (1, [out, "--against", tmp_path / "nan.npy"], "nan.npy"),
        (1, [out, "--against", tmp_path / "cube.npy"], "cube.npy"),
        (1, [out, "--against", tmp_path / "text.npy"], "text.npy"),
        (1, [out, "--against", tmp_path / "none.npy"], "none.npy"),
        (1, [out, "--against", tmp_path / "square.npy"], "the panel's proportions"),
        (1, [out, "--against", tmp_path / "zero.npy"], "0 everywhere"),
        (1, [out, "--against", out], "panel.gcode"),
        (2, [out, "--error", kept[2] / "e.png"], "--against"),
        (2, [out, "--picture", out], "panel.gcode"),
        (1, [out, "--against", wanted, "--thickness", wanted], "wanted.npy"),
        (1, [out, "--map", kept[2] / "m.png", "--picture", kept[2] / "m.png"], "m.png"),
        (1, [out, "--picture", tmp_path / "no" / "p.png"], "does not exist"),
        (2, [out, "--picture", kept[2]], "must end in"),
        (2, [out, "--map", "/dev/null"], "must end in"),
        (2, [out, "--ends", "-1"], "--ends"),
        (1, [out, "--ends", "nan", "--thickness", kept[2] / "t.npy"], "ends"),
        (1, [out, "--ends", "999", "--against", wanted, "--error", kept[2] / "e.png"], "ends"),
        (2, [out, "--spread", "far"], "--spread"),
        (1, [out, "--spread", "nan", "--picture", kept[2] / "p.png"], "nan"),
        (2, [out, "--rotation", "-45"], "--rotation"),
        (1, [out, "--pixel", "nan"], "pixel"),
        (2, [out, "--origin", "1"], "--origin"),
    ]
    for code, args, word in cases:
        capsys.readouterr()
        assert run(["replay", *map(str, args)]) == code, args
        shown = capsys.readouterr()
        lines = shown.err.strip().splitlines()
        assert len(lines) == 1 and lines[0].startswith("error: ") and shown.out == "", (args, shown)
        assert word in lines[0] and len(lines[0]) < 500, (args, lines)
        assert not list(kept[2].iterdir()), args
    assert [path.read_bytes() for path in kept[:2]] == before


def test_it_runs_as_a_program(tmp_path):
    out, _ = made(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "pathgen", "replay", str(out)], capture_output=True, text=True
    )
    assert done.returncode == 0 and "layers" in done.stdout and done.stderr == ""
