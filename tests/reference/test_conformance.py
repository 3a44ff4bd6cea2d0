"""Whole programs of the strict dialect in `rs274`, an interpreter that descends from NIST's own.

It comes with Debian's linuxcnc-uspace and prints the canonical motions that a program stands for, with four
decimals. `.ci/rs274` fetches it; where none is on the PATH these tests are skipped.
"""

import io
import re
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from pathgen import Job
from pathgen.coupons.make import lay_out_coupon
from pathgen.gcode.pauses import sum_pauses
from pathgen.gcode.read import read_program
from pathgen.job import plan_several, write
from pathgen.motion import Kind
from pathgen.settings import load_machine
from pathgen.settings.job import Band

pytestmark = pytest.mark.skipif(
    shutil.which("rs274") is None, reason="rs274 is not on the PATH: .ci/rs274 FOLDER fetches it"
)

MACHINE = load_machine("ngc-lab")
PRINTED = 0.5e-4 + 1e-9  # half of the last decimal it prints
MOTIONS = ("STRAIGHT_TRAVERSE", "STRAIGHT_FEED")


def wall(rows, columns):
    """Thickness that is the same nowhere, mm."""
    u, z = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    return 1.6 + 0.9 * np.sin(7 * u + 3 * z) * np.cos(5 * z - u)


PANELS = {
    "flat": [(wall(15, 120), Job())],
    "bent": [(wall(7, 120), Job(bend=120.0))],
    "ring": [(wall(6, 300), Job(bend=360.0, seam="dark"))],
    "disc with its comb": [(wall(100, 100), Job(outline="disc", pixel=0.2, layer=0.2, first_layer=0.2))],
    "wedges": [(wall(30, 100), Job(wedges=2, wedge_height=2.5))],
    "several abreast": [(wall(6, 60), Job(copies=2)), (wall(8, 50), Job(bend=90.0))],
    "in turn": [(wall(6, 80), Job(copies=2, build="in-turn"))],
    "raster": [(wall(10, 100), Job(fill="raster", direction="alternate", packing=1.0))],
    "lead and pace": [(wall(10, 150), Job(lead="on", pace="steady-flow"))],
    "bands": [
        (
            wall(20, 60),
            Job(band=(Band(above=0.5, nozzle_temperature=215.0, fan=0.3), Band(above=1.2, fan=1.0))),
        )
    ],
}
KINDS = {  # what each program is there for
    "disc with its comb": Kind.COMB,
    "wedges": Kind.WEDGE,
}
COUPONS = ["step-wedge", "lag-strip"]


@cache
def program_of(name, machine=MACHINE):
    stream = io.BytesIO()
    if name in COUPONS:
        lay_out_coupon(name, Job(machine="ngc-lab")).write(stream)
    else:
        panels = [
            (made, replace(job, machine="ngc-lab", brim=1.5, rim_width=2.0)) for made, job in PANELS[name]
        ]
        write(plan_several(panels, machine), stream)
    return stream.getvalue()


@cache
def canonical(program):
    """Names and arguments of the calls that the interpreter makes of a program."""
    with tempfile.TemporaryDirectory() as folder:
        done = interpreted(program, Path(folder))
    assert done.returncode == 0, done.stderr
    assert not re.search(r"error|warning", done.stderr, re.IGNORECASE), done.stderr
    calls = [re.fullmatch(r"\s*\d+ N\S+ (\w+)\((.*)\)", line) for line in done.stdout.splitlines()]
    assert all(calls), "a line that is no call"
    return [(call[1], call[2]) for call in calls]


def interpreted(program, folder):
    for name, content in (("panel.ngc", program), ("vars", b""), ("tools", b"")):
        (folder / name).write_bytes(content)
    command = ["rs274", "-g", "-v", "vars", "-t", "tools", "panel.ngc"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120)


def their_motions(calls):
    """Rows of: traverse or feed, end point x, y, z, a as the program counts it, F, offset of a."""
    rows, feed, offset = [], 0.0, 0.0
    for name, given in calls:
        if name == "SET_G92_OFFSET":
            offset = float(given.split(",")[3])
        elif name == "SET_FEED_RATE":
            feed = float(given)
        elif name in MOTIONS:
            x, y, z, a, b, c = (float(number) for number in given.split(","))
            assert b == c == 0.0
            rows.append((MOTIONS.index(name), x, y, z, a, feed, offset))
    return np.array(rows)


def our_motions(program):
    """The same of what we read."""
    found = read_program(program, MACHINE.dialect, MACHINE.hot_end.filament_diameter)
    moves, lines = found.moves, program.decode("ascii").splitlines()
    words = [lines[line - 1].split()[0] for line in found.line]
    assert set(words) <= {"G0", "G1"} and len(np.unique(found.line)) == len(found.line)
    run = np.cumsum(moves.filament)
    resets = [event.move for event in found.events if event.words == "G92 A0"]
    before = np.concatenate([[0.0], run])[resets]
    spans = np.diff(resets, prepend=0, append=len(run))
    zero = np.repeat(np.concatenate([[0.0], before]), spans)
    motion = np.array([word == "G1" for word in words], float)
    return np.column_stack([motion, moves.x, moves.y, moves.z, run - zero, 60 * moves.feed, zero])


@pytest.mark.parametrize("name", [*PANELS, *COUPONS])
def test_an_ngc_interpreter_makes_the_same_motions(name):
    program = program_of(name)
    calls = canonical(program)
    theirs, ours = their_motions(calls), our_motions(program)
    assert theirs.shape == ours.shape and len(ours) > 500
    assert np.array_equal(theirs[:, 0], ours[:, 0])
    assert np.abs(theirs[:, 1:5] - ours[:, 1:5]).max() <= PRINTED
    assert np.abs(theirs[:, 5] - ours[:, 5]).max() <= PRINTED
    assert np.abs(theirs[:, 6] - ours[:, 6]).max() <= PRINTED
    assert ours[:, 4].max() > 0.1 and np.ptp(ours[:, 1]) > 3 and np.ptp(ours[:, 3]) > 0.5


@pytest.mark.parametrize("name", [*PANELS, *COUPONS])
def test_it_ends_and_obeys_every_other_command(name):
    program = program_of(name)
    names = [call for call, _ in canonical(program)]
    end = names.index("PROGRAM_END")
    assert not set(MOTIONS) & set(names[end:])
    lines = program.decode("ascii").splitlines()
    counts = {"FLOOD_ON": "M8", "PROGRAM_STOP": "M0", "PROGRAM_END": "M2"}
    for call, word in counts.items():
        assert names.count(call) == sum(line.split(" (")[0] == word for line in lines), call
    assert names.count("FLOOD_ON") > 0
    assert (names.count("PROGRAM_STOP") > 0) == (name == "bands")
    # A G92 line sets an offset; so do G92.1 and the interpreter's start.
    resets = sum(line.startswith("G92 A0") for line in lines)
    assert names.count("SET_G92_OFFSET") == resets + 2


@pytest.mark.parametrize("name", KINDS)
def test_the_programs_hold_what_they_are_there_for(name):
    found = read_program(program_of(name), MACHINE.dialect, MACHINE.hot_end.filament_diameter)
    assert (found.moves.kind == KINDS[name]).any()


def test_dwells_last_as_long():
    dialect = MACHINE.dialect
    start, finish = f"{dialect.start}G4 P1.5 (settle)\n", f"G4 P0.25\n{dialect.finish}"
    program = program_of("flat", replace(MACHINE, dialect=replace(dialect, start=start, finish=finish)))
    dwells = [float(given) for call, given in canonical(program) if call == "DWELL"]
    ours = sum_pauses(program.decode("ascii").splitlines(), dialect)
    assert dwells == [1.5, 0.25] and sum(dwells) == ours.dwelling


def test_it_is_strict():
    """What it would refuse, it does refuse: a word letter beyond Table 3 of NISTIR 6556."""
    with pytest.raises(AssertionError):
        canonical(program_of("flat").replace(b" A", b" E", 3))
