"""What others do to the files while a run is at work."""

import os
import subprocess
import sys
import threading

import numpy as np
import pytest
from PIL import Image
from skimage import data

import pathgen.cli.panel as panel_command
import pathgen.picture.files as load
import pathgen.proof.panel_replay as proof
from pathgen.cli import run
from pathgen.files.outputs import atomic_output
from tests.faults.conftest import ROOT, panel

OLD = b"of yesterday\n"
EXTRAS = ("thickness", "moves")


def refused(capsys, *args):
    assert run(list(map(str, args))) == 1
    said = capsys.readouterr()
    lines = said.err.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("error: ") and not said.out, said
    return lines[0]


def before_writing(monkeypatch, happening):
    """Have something happen when the panel is planned and its program about to be written."""
    real = panel_command.write

    def write(*args, **options):
        happening()
        return real(*args, **options)

    monkeypatch.setattr(panel_command, "write", write)


@pytest.mark.parametrize("kind", ["out", *EXTRAS])
def test_an_output_becomes_a_folder(wall, tmp_path, monkeypatch, capsys, kind):
    args, files = panel(wall, tmp_path, *EXTRAS)
    for other, path in files.items():
        if other != kind:
            path.write_bytes(OLD)
    before_writing(monkeypatch, files[kind].mkdir)
    assert f"output {files[kind]} is a folder" in refused(capsys, *args)
    assert files.pop(kind).is_dir()
    assert all(path.read_bytes() == OLD for path in files.values())
    assert len(list(tmp_path.iterdir())) == 1 + len(files)


def test_the_folder_of_the_outputs_goes_away(wall, tmp_path, monkeypatch, capsys):
    there = tmp_path / "there"
    there.mkdir()
    args, _ = panel(wall, there, *EXTRAS)
    before_writing(monkeypatch, lambda: there.rename(tmp_path / "elsewhere"))
    assert "does not exist" in refused(capsys, *args)
    assert not [path for path in (tmp_path / "elsewhere").iterdir() if not path.name.endswith(".part")]


def test_somebody_removes_the_hidden_file(wall, tmp_path, monkeypatch, capsys):
    args, files = panel(wall, tmp_path)
    files["out"].write_bytes(OLD)
    before_writing(monkeypatch, lambda: [path.unlink() for path in tmp_path.glob(".*.part")])
    assert "no such file" in refused(capsys, *args)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [OLD]


def test_runs_onto_the_same_files_at_once(forge, wall, tmp_path):
    asked, wholes = [], {}
    for width in ("18", "20", "22"):
        (tmp_path / width).mkdir()
        args, files = panel(wall, tmp_path / width, *EXTRAS, width=width)
        assert forge(*args).code == 0
        wholes[width] = [path.read_bytes() for path in files.values()]
        args, files = panel(wall, tmp_path, *EXTRAS, width=width)
        asked.append({"args": args})
    for _ in range(2):
        assert {ended.code for ended in forge.at_once(asked)} == {0}
        for path, *contents in zip(files.values(), *wholes.values(), strict=True):
            assert path.read_bytes() in contents
        assert not list(tmp_path.glob(".*"))


def test_a_run_never_sweeps_what_another_is_writing(tmp_path):
    out = tmp_path / "a.gcode"
    stop = threading.Event()

    def sweep():
        while not stop.is_set():
            with atomic_output(out) as stream:
                stream.write(b"short")

    other = threading.Thread(target=sweep)
    other.start()
    try:
        for _ in range(200):
            with atomic_output(out) as stream:
                stream.write(b"long")
    finally:
        stop.set()
        other.join()
    assert [path.name for path in tmp_path.iterdir()] == ["a.gcode"]


@pytest.mark.parametrize("left", [0, 1, 100, 40_000, 239_000])
def test_a_map_is_cut_short_while_it_is_read(wall, tmp_path, monkeypatch, capsys, left):
    changing, out = tmp_path / "wall.npy", tmp_path / "out"
    changing.write_bytes(wall.read_bytes())
    out.mkdir()
    real = load._check_form

    def judged(*args):
        real(*args)
        os.truncate(changing, left)

    monkeypatch.setattr(load, "_check_form", judged)
    args, _ = panel(changing, out, *EXTRAS)
    assert "the file contains only " in refused(capsys, *args)
    assert not list(out.iterdir())


@pytest.mark.parametrize("kind", ["png", "jpeg", "tiff", "webp"])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_a_picture_is_cut_short_while_it_is_read(tmp_path, monkeypatch, capsys, kind, share):
    changing, out = tmp_path / f"harbour.{kind}", tmp_path / "out"
    Image.fromarray(np.dstack([data.camera()] * 3)).save(
        changing, **({"lossless": True} if kind == "webp" else {})
    )
    out.mkdir()
    real = load.check_size

    def judged(*args):
        real(*args)
        os.truncate(changing, int(share * changing.stat().st_size))

    monkeypatch.setattr(load, "check_size", judged)
    args, files = panel(changing, out, *EXTRAS)
    code = run(args)
    said = capsys.readouterr()
    if kind == "webp" and code == 0:  # its decoder takes the file whole before the size is known
        assert all(path.exists() for path in files.values())
        return
    assert code == 1 and "damaged or truncated" in said.err and len(said.err.splitlines()) == 1
    assert not list(out.iterdir())


@pytest.mark.parametrize("share", [0.0, 0.02, 0.5, 0.9])
def test_a_program_is_cut_short_while_it_is_read(wall, tmp_path, monkeypatch, capsys, share):
    args, files = panel(wall, tmp_path)
    assert run(args) == 0
    whole = files["out"].read_bytes()
    real = proof.read_facts

    def head(source):
        facts = real(source)
        os.truncate(files["out"], int(share * len(whole)))
        return facts

    monkeypatch.setattr(proof, "read_facts", head)
    capsys.readouterr()
    code = run(["replay", str(files["out"]), "--thickness", str(tmp_path / "r.npy")])
    said = capsys.readouterr()
    if code == 0:
        assert "cut short" in said.out or "layers laid" in said.out or " of " in said.out
        np.load(tmp_path / "r.npy", allow_pickle=False)
    else:
        assert len(said.err.splitlines()) == 1 and not (tmp_path / "r.npy").exists()


def test_started_without_standard_streams(forge, wall, tmp_path):
    args, files = panel(wall, tmp_path, "thickness")
    assert forge(*args).code == 0
    whole = [path.read_bytes() for path in files.values()]
    for closed in (">&-", "<&- >&- 2>&-"):
        command = f'exec "$@" {closed}'
        code = subprocess.run(
            ["sh", "-c", command, "sh", sys.executable, "-m", "pathgen", *args],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
        ).returncode
        assert code == 0, closed
        assert [path.read_bytes() for path in files.values()] == whole
        for path in files.values():
            path.unlink()
