"""Programs that are spoilt, and text that only looks like one: replayed or refused, never worse."""

import random
from pathlib import Path

import numpy as np
import pytest

from pathgen import Job, PathgenError, make
from pathgen.cli import COMMANDS
from pathgen.gcode.read import read_program
from pathgen.settings import load_machine, machine_names
from tests.fuzz.survival import COUNTS, FEW, MANY, spoil_bytes, spoil_text, survives, tally

MACHINES = tuple(machine_names())
GOLDEN = Path(__file__).parents[1] / "gcode" / "golden"
LETTERS = "GGGGMMXXYYZZEEAAFFSPNTIJKRBCUVWDHLOQ%/"
COORDINATES = (
    "0",
    "1",
    "10.5",
    "-3",
    ".5",
    "5.",
    "1e3",
    "99999",
    "0.00001",
    "--1",
    "1.2.3",
    "#5",
    "[1+2]",
    "",
)


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    """One small program a dialect, the golden ones, and one of two panels."""
    folder = tmp_path_factory.mktemp("programs")
    wall = np.array([[1.0, 2.0, 1.5, 1.0], [1.0, 2.2, 1.5, 0.9]])
    found = []
    for machine in MACHINES:
        job = Job(machine=machine, pixel=0.5, layer=0.25, first_layer=0.25, rim_width=0.0, brim=1.0)
        make(wall, folder / "p.gcode", job)
        found.append((machine, (folder / "p.gcode").read_text()))
        found.append((machine, (GOLDEN / f"{machine}.ngc").read_text()))
    job = Job(pixel=0.5, layer=0.25, first_layer=0.25, rim_width=0.0, brim=1.0, copies=2)
    make(wall, folder / "p.gcode", job)
    return [*found, ("moving-table", (folder / "p.gcode").read_text())]


def like_rs274(dice):
    """Text of words, numbers and comments as RS-274 has them, only drawn by lot."""
    lines = []
    for _ in range(dice.randrange(1, 40)):
        words = [
            dice.choice(LETTERS) + dice.choice((*COORDINATES, str(dice.randrange(100))))
            for _ in range(dice.randrange(6))
        ]
        if dice.random() < 0.2:
            words.insert(
                dice.randrange(len(words) + 1),
                dice.choice(("(wall)", "; layer 1/2 top 0.2 mm", "(a(b)", ")")),
            )
        if dice.random() < 0.6:
            words.insert(
                0, dice.choice(("G1", "G0", "G2", "G3", "G92", "G28", "G91", "G90", "M83", "M82", "G20"))
            )
        lines.append(dice.choice((" ", "", "  ")).join(words))
    return dice.choice(("\n", "\r\n")).join(lines) + dice.choice(("\n", ""))


def spoilt(programs, dice):
    """A program for a machine, as bytes, spoilt in one of four ways."""
    machine, text = dice.choice(programs)
    how = dice.random()
    if how < 0.25:
        return machine, like_rs274(dice).encode("utf-8", "replace")
    if how < 0.5:
        return machine, spoil_bytes(text.encode(), dice, [other.encode() for _, other in programs])
    if how < 0.9:
        return machine, spoil_text(text, dice).encode("utf-8", "replace")
    return dice.choice(MACHINES), text.encode()  # a whole one, for whichever machine


@COUNTS
def test_replay(programs, tmp_path, out, count):
    def case(dice):
        machine, data = spoilt(programs, dice)
        (tmp_path / "p.gcode").write_bytes(data)
        args = ["replay", tmp_path / "p.gcode"]
        args += ["--machine", machine] if dice.random() < 0.7 else []
        args += ["--material", "pla-white"] if dice.random() < 0.5 else []
        args += dice.choice(
            ([], ["--json"], ["--thickness", out / "r.npy"], ["--picture", out / "r.png"], ["--viewed"])
        )
        args += dice.choice(
            ([], [], [], ["--lag"], ["--panel", "2"], ["--pixel", "0.05"], ["--rotation", "30"])
        )
        return survives(args, out)

    ends = tally(case, count, "replay")
    assert min(ends[0], ends[1]) > count / 20


@pytest.mark.parametrize("count", [5 * FEW, pytest.param(10 * MANY, marks=pytest.mark.slow)])
def test_the_reader(programs, count):
    dialects = {name: load_machine(name) for name in MACHINES}

    def case(dice):
        machine, data = spoilt(programs, dice)
        profile = dialects[machine]
        try:
            program = read_program(data, profile.dialect, profile.hot_end.filament_diameter)
        except PathgenError as error:
            assert str(error).isprintable()
            return 1, ""
        moves = program.moves
        columns = (moves.x, moves.y, moves.z, moves.filament, moves.feed)
        assert all(np.isfinite(column).all() for column in columns)
        assert {len(column) for column in (*columns, moves.kind, moves.layer, program.line)} == {len(moves.x)}
        assert (np.diff(program.line) >= 0).all() and (moves.feed >= 0).all()
        return 0, ""

    tally(case, count, "reader")


@pytest.mark.skipif("check" not in COMMANDS, reason="there is no such command yet")
@COUNTS
def test_check(programs, tmp_path, out, count):
    def case(dice):
        machine, data = spoilt(programs, dice)
        (tmp_path / "p.gcode").write_bytes(data)
        args = ["check", tmp_path / "p.gcode", "--machine", machine, "--material", "pla-white"]
        return survives([*args, *dice.choice(([], ["--json"]))], out, judges=True)

    tally(case, count, "check")


def test_a_case_is_the_same_every_time(programs):
    assert spoilt(programs, random.Random("x 1")) == spoilt(programs, random.Random("x 1"))
