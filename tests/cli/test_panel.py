"""`pathgen panel` from the command line: outputs, messages, and rejected input."""

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from PIL import Image
from skimage import data

from pathgen.cli import run
from pathgen.settings import Job


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    path = tmp_path_factory.mktemp("pictures") / "camera.png"
    Image.fromarray(data.camera()).save(path)
    return path


def panel(*args):
    return run(["panel", *map(str, args)])


def only_line(capsys):
    shown = capsys.readouterr()
    lines = shown.err.strip().splitlines()
    assert len(lines) == 1, shown.err
    assert lines[0].startswith("error: ")
    assert shown.out == ""
    return lines[0]


def test_everything_at_once(photo, tmp_path, capsys):
    names = {"out": "p.gcode", "preview": "p.png", "thickness": "t.npy"}
    files = {key: tmp_path / name for key, name in names.items()}
    options = [part for key, path in files.items() for part in (f"--{key}", path)]
    assert panel(photo, *options, "--width", 20, "--brim", 3) == 0
    shown = capsys.readouterr()
    assert shown.err == "" and "20 × 20 mm panel" in shown.out and "check: no errors found by " in shown.out
    assert panel(photo, *options, "--width", 20, "--brim", 3, "--json") == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["layers"] == 199 and facts["width_mm"] == 20.0
    assert f"{facts['moves']:,} moves" in shown.out
    with Image.open(files["preview"]) as preview:
        assert preview.width > 1000
    thickness = np.load(files["thickness"], allow_pickle=False)
    assert thickness.shape == (200, 200) and thickness.max() == 4.0
    assert sorted(tmp_path.iterdir()) == sorted(files.values())


def test_options_win_over_the_job_file(photo, tmp_path, capsys):
    job = tmp_path / "job.toml"
    job.write_text('width = 50.0\nthickest = 2.0\nbrim = 3.0\nmachine = "moving-gantry"\n')
    assert panel(photo, "--job", job, "--out", tmp_path / "a.gcode", "--width", 20) == 0
    text = (tmp_path / "a.gcode").read_text()
    assert "; panel width = 20.000 mm" in text and "; job thickest = 2\n" in text
    assert "; machine = moving-gantry" in text


def test_every_key_of_a_job_is_an_option(capsys):
    assert run(["panel", "--help"]) == 0
    shown = capsys.readouterr().out
    for name in Job.__struct_fields__:
        assert f"--{name.replace('_', '-')}" in shown


def test_a_thickness_map_is_taken_as_it_is(tmp_path, capsys):
    wall = np.tile(np.linspace(0.8, 2.8, 150), (100, 1))
    np.save(tmp_path / "wall.npy", wall)
    out = tmp_path / "t.npy"
    assert (
        panel(tmp_path / "wall.npy", "--out", tmp_path / "a.gcode", "--thickness", out, "--rim-width", 1) == 0
    )
    whole = np.load(out)
    assert whole.shape == (120, 170)
    assert np.allclose(whole[10:-10, 10:-10], wall, atol=1e-6)


def bad_inputs(folder, photo):
    """Input, options, and a word of the error line."""
    array = lambda name, values: np.save(folder / name, values) or folder / name  # noqa: E731
    (folder / "empty.png").write_bytes(b"")
    (folder / "text.png").write_text("no picture at all")
    (folder / "half.png").write_bytes(photo.read_bytes()[:5000])
    Image.new("L", (1, 1)).save(folder / "dot.png")
    Image.new("1", (20_000, 20_000)).save(folder / "bomb.png")
    (folder / "typo.toml").write_text("widht = 3\n")
    profile = subprocess.run(
        [sys.executable, "-m", "pathgen", "machines", "moving-table"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    (folder / "mine.toml").write_text(profile.replace("travel_feed =", "travel_fed =", 1))
    yield folder / "nothing.png", [], "nothing.png"
    yield folder / "empty.png", [], "empty"
    yield folder / "text.png", [], "text.png"
    yield folder / "half.png", [], "half.png"
    yield folder / "dot.png", [], "1"
    yield folder / "bomb.png", [], "100 megapixels"
    yield folder, [], str(folder.name)
    yield array("nan.npy", np.full((9, 9), np.nan)), [], "nan.npy"
    yield array("inf.npy", np.full((9, 9), np.inf)), [], "inf.npy"
    yield array("minus.npy", np.full((9, 9), -1.0)), [], "minus.npy"
    yield array("cube.npy", np.ones((3, 3, 3))), [], "cube.npy"
    yield array("zero.npy", np.zeros((9, 9))), [], "no wall"
    yield array("text.npy", np.array([["a", "b"], ["c", "d"]])), [], "text.npy"
    yield photo, ["--machine", "moving-tables"], "did you mean 'moving-table'"
    yield photo, ["--machine", folder / "mine.toml"], "travel_fed"
    yield photo, ["--machine", folder / "none.toml"], "none.toml"
    yield photo, ["--job", folder / "typo.toml"], "width"
    yield photo, ["--width", 300], "fit"
    yield photo, ["--height", 400], "fit"
    yield photo, ["--width", 0], "width"
    yield photo, ["--width", "nan"], "width"
    yield photo, ["--thinnest", 3, "--thickest", 3], "thinnest"
    yield photo, ["--layer", 0.35], "layer"
    yield photo, ["--rim-width", 60], "rim"
    yield photo, ["--fill", "tailord"], "did you mean 'tailored'"
    yield photo, ["--nozzle-temperature", 400], "nozzle"
    yield photo, ["--width", 100, "--pixel", 0.001], "pixel"


def test_bad_input_gets_one_line_and_no_file(photo, tmp_path, capsys):
    inputs = tmp_path / "inputs"
    inputs.mkdir()
    out = tmp_path / "out"
    out.mkdir()
    for source, options, word in bad_inputs(inputs, photo):
        code = panel(source, "--out", out / "panel.gcode", "--preview", out / "p.png", *options)
        line = only_line(capsys)
        assert code == 1, line
        assert word in line, f"{source.name} {options}: {line}"
        assert "Traceback" not in line and len(line) < 700
        assert not list(out.iterdir()), f"{source.name} {options} left a file"


def test_all_black_and_all_white_are_made_with_a_warning(tmp_path, capsys):
    for name, value in (("black", 0), ("white", 255)):
        Image.new("L", (80, 60), value).save(tmp_path / f"{name}.png")
        assert panel(tmp_path / f"{name}.png", "--out", tmp_path / "a.gcode", "--width", 20, "--brim", 2) == 0
        assert "note:" in capsys.readouterr().out


def test_an_output_must_not_be_an_input(photo, tmp_path, capsys):
    copy = tmp_path / "picture.png"
    copy.write_bytes(photo.read_bytes())
    for options in (["--out", copy], ["--out", tmp_path / "a.gcode", "--preview", copy]):
        assert panel(copy, *options) == 1
        assert "picture.png is both an input and an output" in only_line(capsys)
    assert panel(copy, "--out", tmp_path / "a.png", "--preview", tmp_path / "a.png") == 1
    assert "--out and --preview have the same path" in only_line(capsys)
    assert copy.read_bytes() == photo.read_bytes()


def test_where_nothing_can_be_written(photo, tmp_path, capsys):
    assert panel(photo, "--out", tmp_path / "none" / "a.gcode") == 1
    assert "does not exist" in only_line(capsys)
    assert panel(photo, "--out", tmp_path) == 1
    only_line(capsys)
    if os.path.exists("/dev/full"):
        assert panel(photo, "--out", "/dev/full", "--width", 20) == 1
        only_line(capsys)


def test_an_error_keeps_an_existing_file(photo, tmp_path, capsys):
    out = tmp_path / "a.gcode"
    out.write_text("yesterday's\n")
    assert panel(photo, "--out", out, "--width", 1000) == 1
    assert out.read_text() == "yesterday's\n"


def test_wrong_usage_is_exit_2(photo, tmp_path, capsys):
    for args in (["panel", str(photo)], ["panel", str(photo), "--out", "x", "--nonsense", "1"], ["pannel"]):
        assert run(args) == 2
        only_line(capsys)


def test_stopped_by_hand_leaves_nothing(photo, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "pathgen",
            "panel",
            str(photo),
            "--out",
            str(out / "a.gcode"),
            "--width",
            "190",
        ],
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 30
    while not list(out.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert list(out.iterdir()), "the part file never appeared"
    process.send_signal(signal.SIGINT)
    _, shown = process.communicate(timeout=60)
    assert process.returncode == 1
    assert shown.strip().splitlines() == ["error: the command was stopped; no incomplete files remain"]
    assert not list(out.iterdir())
