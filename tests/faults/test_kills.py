"""Ended at any moment, a run leaves under a final name the whole new file, or what was there before."""

import random
import signal

import pytest

from tests.faults.conftest import panel

EXTRAS = ("thickness", "moves")
OLD = b"of yesterday\n"


@pytest.fixture(scope="module")
def made(forge, wall, tmp_path_factory):
    """What the panel's files hold when nothing goes wrong, and how long they take."""
    args, files = panel(wall, tmp_path_factory.mktemp("whole"), *EXTRAS)
    ends = [forge(*args) for _ in range(2)]
    assert {ended.code for ended in ends} == {0}
    return {kind: path.read_bytes() for kind, path in files.items()}, min(ended.seconds for ended in ends)


def parts(folder):
    return [path.name for path in folder.iterdir() if path.name.endswith(".part")]


def states(files, whole):
    """What stands under each final name; anything but the old and the new is a failure."""
    found = {kind: path.read_bytes() if path.exists() else None for kind, path in files.items()}
    for kind, content in found.items():
        assert content in (None, OLD, whole[kind]), f"a partial {files[kind].name}"
    return {kind: "new" if content == whole[kind] else "old" for kind, content in found.items()}


def storm(forge, wall, folder, made, count, number, *, seed):
    """Send signals at random moments; count how the runs ended."""
    (whole, seconds), dice = made, random.Random(seed)
    args, files = panel(wall, folder, *EXTRAS)
    ends = {"kept": 0, "new": 0, "mixed": 0}
    for i in range(count):
        for path in files.values():
            path.write_bytes(OLD) if i % 2 else path.unlink(missing_ok=True)
        # Every third one about the end, where files reach the disk and take their names, or after it.
        at = seconds * (dice.uniform(0.8, 2.5) if i % 3 == 0 else dice.uniform(0, 1.05))
        ended = forge(*args, signal=number, at=at)
        state = states(files, whole)
        if state["out"] == "new":
            assert set(state.values()) == {"new"}, "a program without what belongs to it"
        if number == signal.SIGKILL:
            assert ended.code in (0, -9)
            assert len(parts(folder)) <= len(files), "left-over files pile up"
        elif ended.code == 1:
            assert (
                ended.err.split("\n\n")[-1].strip()
                == "error: the command was stopped; no incomplete files remain"
            )
            assert "Traceback" not in ended.err
        else:  # before or after the command line was at work
            assert ended.code in (0, 130, -number), ended
        if number != signal.SIGKILL:
            assert not parts(folder), ended
        if ended.code == 0:
            assert set(state.values()) == {"new"}
        kinds = set(state.values())
        ends["mixed" if len(kinds) == 2 else "new" if kinds == {"new"} else "kept"] += 1
    assert ends["kept"] and ends["new"], f"the signals did not fall over the whole run: {ends}"
    assert forge(*args).code == 0
    assert sorted(path.name for path in folder.iterdir()) == sorted(p.name for p in files.values())
    return ends


def test_9_kills(forge, wall, tmp_path, made):
    storm(forge, wall, tmp_path, made, 9, signal.SIGKILL, seed=1)


@pytest.mark.slow
def test_1000_kills(forge, wall, tmp_path, made):
    ends = storm(forge, wall, tmp_path, made, 1000, signal.SIGKILL, seed=2)
    print(f"1000 kills: {ends}, 0 partial files")


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_200_requests_to_end(forge, wall, tmp_path, made, number):
    print(signal.Signals(number).name, storm(forge, wall, tmp_path, made, 200, number, seed=number))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_request_to_end_leaves_nothing(forge, wall, tmp_path, made, number):
    args, files = panel(wall, tmp_path, *EXTRAS)
    files["out"].write_bytes(OLD)
    ended = forge(*args, dies={"call": "fsync", "time": 2, "after": False, "number": number})
    assert ended.refused() == "error: the command was stopped; no incomplete files remain"
    assert [path.name for path in tmp_path.iterdir()] == ["a.gcode"]
    assert files["out"].read_bytes() == OLD


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_killed_at_every_step_of_the_end(forge, wall, tmp_path, made, call, after):
    args, files = panel(wall, tmp_path, *EXTRAS)
    for n in range(1, len(files) + 1):
        for path in files.values():
            path.write_bytes(OLD)
        ended = forge(*args, dies={"call": call, "time": n, "after": after})
        assert ended.code == -9
        state = list(states(files, made[0]).values())[::-1]
        taken = 0 if call == "fsync" else n - 1 + after
        # Extras take their names first, the last named before the others, the program when all have theirs.
        assert state == ["new"] * taken + ["old"] * (len(files) - taken)
    assert forge(*args).code == 0
    assert not parts(tmp_path)


def test_left_over_files_are_swept_by_the_next_run_onto_the_same_name(forge, wall, tmp_path, made):
    args, files = panel(wall, tmp_path)
    assert forge(*args, dies={"call": "fsync", "time": 1, "after": False}).code == -9
    (left,) = parts(tmp_path)
    assert left.startswith(".a.gcode.")
    others = [".b.gcode.1-0.part", ".a.gcode.part", "a.gcode.1-0.part", ".a.gcode.1-0.part.txt"]
    for name in others:
        (tmp_path / name).write_bytes(b"not of this target")
    (tmp_path / ".a.gcode.7-7.part").mkdir()
    (tmp_path / ".a.gcode.7-8.part").symlink_to(tmp_path / others[0])
    assert forge(*args).code == 0
    kept = sorted([*others, ".a.gcode.7-7.part", ".a.gcode.7-8.part", "a.gcode"])
    assert sorted(path.name for path in tmp_path.iterdir()) == kept


def test_a_coupon_s_files_fall_together(forge, tmp_path):
    names = ["c.csv", "c.gcode", "c.png"]
    args = ["coupon", "first-layer-tile", "--out", tmp_path / "c.gcode"]
    for n in (1, 3):
        assert forge(*args, dies={"call": "fsync", "time": n, "after": True}).code == -9
        assert not [name for name in names if (tmp_path / name).exists()]
    assert forge(*args, dies={"call": "replace", "time": 2, "after": True}).code == -9
    assert [name for name in names if (tmp_path / name).exists()] == ["c.csv", "c.png"]
    assert forge(*args).code == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == names
