"""Where files cannot be written, or not to their end: one line, exit 1, the old file as it was."""

import os
import subprocess

import pytest

from pathgen.cli import BROKEN_PIPE
from tests.faults.conftest import NOBODY, panel

OLD = b"of yesterday\n"
EXTRAS = ("thickness", "moves")
DRAWN = (*EXTRAS, "preview")  # a drawing takes longer than all other files together
USERS = [None]  # another user could not read a package that lies in a private folder


@pytest.fixture
def readable_wall(wall, open_folder):
    copy = open_folder / "wall.npy"
    copy.write_bytes(wall.read_bytes())
    return copy


def names(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("user", USERS)
@pytest.mark.parametrize("largest", [1000, 60_000, 1_000_000])
def test_files_that_may_not_grow(forge, readable_wall, open_folder, user, largest):
    out = open_folder / "out"
    out.mkdir()
    out.chmod(0o777)
    args, files = panel(readable_wall, out, *EXTRAS)
    files["out"].write_bytes(OLD)
    files["out"].chmod(0o666)
    said = forge(*args, largest=largest, user=user).refused()
    assert "cannot write" in said and "file too large after" in said and "free some space" in said
    assert (names(out), files["out"].read_bytes()) == (["a.gcode"], OLD)


@pytest.mark.parametrize("user", USERS)
@pytest.mark.parametrize("size", ["4k", "360k", "700k"])
def test_a_full_disk(forge, readable_wall, disk, user, size):
    small = disk("small", size)
    args, files = panel(readable_wall, small, *EXTRAS)
    said = forge(*args, user=user).refused()
    assert "no space left on device" in said and str(small) in said
    assert names(small) == []
    files["out"].write_bytes(OLD)
    assert "no space left" in forge(*args, user=user).refused() or user
    assert (names(small), files["out"].read_bytes()) == (["a.gcode"], OLD)


def test_a_full_disk_under_one_of_the_files_only(forge, wall, disk, tmp_path):
    for kind in DRAWN:
        small = disk(f"{kind}-disk", "4k")
        args, files = panel(wall, tmp_path, *(DRAWN if kind == "preview" else EXTRAS))
        full = small / files[kind].name
        args[args.index(f"--{kind}") + 1] = str(full)
        (small / "filler").write_bytes(b"x" * 4096)
        said = forge(*args).refused()
        assert f"cannot write {full}: no space left on device" in said
        assert names(tmp_path) == [] and names(small) == ["filler"]


@pytest.mark.parametrize("largest", [500, 10_000, 50_000])
def test_a_coupon_stands_or_falls_with_its_sheet_and_drawing(forge, tmp_path, largest):
    said = forge("coupon", "first-layer-tile", "--out", tmp_path / "c.gcode", largest=largest).refused()
    assert "file too large" in said
    assert names(tmp_path) == []


@pytest.mark.parametrize("kind", ["picture", "thickness", "map"])
def test_replay_onto_a_full_disk(forge, wall, disk, tmp_path, kind):
    args, files = panel(wall, tmp_path)
    assert forge(*args).code == 0
    small = disk("small", "4k")
    (small / "filler").write_bytes(b"x" * 4096)
    full = small / ("r.npy" if kind == "thickness" else "r.png")
    said = forge("replay", files["out"], f"--{kind}", full).refused()
    assert f"cannot write {full}: no space left" in said
    assert names(small) == ["filler"]


@pytest.mark.parametrize("user", USERS)
def test_a_disk_that_is_mounted_for_reading(forge, readable_wall, disk, user):
    small = disk("small", "64k")
    args, files = panel(readable_wall, small, *EXTRAS)
    files["out"].write_bytes(OLD)
    subprocess.run(["mount", "-o", "remount,ro", small], check=True)
    said = forge(*args, user=user).refused()
    assert "write-protected" in said or "read-only file system" in said
    files["out"] = small / "new.gcode"
    args[args.index("--out") + 1] = str(files["out"])
    said = forge(*args, user=user).refused()
    assert "is not writable" in said or "read-only file system" in said
    assert (names(small), (small / "a.gcode").read_bytes()) == (["a.gcode"], OLD)


@pytest.mark.skipif(os.geteuid() != 0, reason="without root, tests/test_atomic.py has it")
def test_a_folder_closed_to_us(forge, readable_wall, open_folder):
    shut = open_folder / "shut"
    shut.mkdir()
    args, files = panel(readable_wall, shut, *EXTRAS)
    files["out"].write_bytes(OLD)
    shut.chmod(0o555)
    assert "write-protected" in forge(*args, user=NOBODY).refused()  # root's file
    files["out"].chmod(0o666)
    assert "permission denied" in forge(*args, user=NOBODY).refused()
    args[args.index("--out") + 1] = str(shut / "new.gcode")
    assert "is not writable" in forge(*args, user=NOBODY).refused()
    assert (names(shut), files["out"].read_bytes()) == (["a.gcode"], OLD)


@pytest.mark.parametrize("stdout", ["closed pipe", "/dev/full"])
def test_nobody_listens(forge, wall, tmp_path, stdout):
    args, files = panel(wall, tmp_path)
    ended = forge(*args, stdout=stdout)
    assert files["out"].read_bytes().endswith(b"\n") and names(tmp_path) == ["a.gcode"]
    unheard(
        ended, stdout, "cannot write to standard output: no space left on device; all other output files are"
    )
    for other in (
        ["machines"], ["machines", "ngc-lab"], ["replay", files["out"]], ["replay", files["out"], "--json"],
        ["--help"], ["panel", "--help"], ["--version"],
    ):  # fmt: skip
        unheard(forge(*other, stdout=stdout), stdout, "o space left on device")


def unheard(ended, stdout, message):
    """A closed pipe ends a command silently; a full device is an error."""
    if stdout == "closed pipe":
        assert (ended.code, ended.err) == (BROKEN_PIPE, "")
    else:
        assert message in ended.refused()
