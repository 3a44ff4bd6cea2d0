"""Mutated programs: the harmful ones have an error in the right line, the harmless ones have none."""

from random import Random

import numpy as np
import pytest

from tests.mutants.harm_oracle import compare, crash, outflow
from tests.mutants.machine_oracle import Outcome, Segment
from tests.mutants.mutate_programs import MACHINES, base, examine, verdicts
from tests.mutants.program_mutants import HARMFUL, HARMLESS

# Faults that checklists are known to miss, as long as a line is judged alone or a word is taken as harmless.
MISSED_BEFORE = """
a probe; a trip to the second stored point; a drilling cycle; another coordinate system; an origin that
is rewritten; a tool length; feeds as a reciprocal of time; a spindle that starts; a tool change; another
plane; cutter compensation; a cycle that dwells; a cycle that pecks; a tapping cycle; a boring cycle; a
cycle with a stop; a cycle by hand; a cycle that feeds out; a spindle that turns back; another tool
before the heaters go off; platform off in the middle; a wait for a cold platform; a bare heater word;
nozzle off behind a slash; homing behind a slash; the end behind a slash; heating behind the end; a
second program behind the end; a lone CR in a comment; shifted across; shifted along; leaning; a lump at
rest; filament drawn out; a layer made six times; fifty lines without filament; fifty lines with twice of
it; half a layer left out; nobody waits for the platform; no fan; thirty pauses; waits between all moves
of a layer; a feed of a millimetre a minute; no coordinate system; no feed mode; the header states
another width; the header states another diameter; the header states half the time; the header states
twice the moves; a height by hand; a flow of three times; cold filament allowed; a digit lost; off by 8
to 20 mm; everything too low; a lift to the next layer lost; beads in rapid moves; ten times the
filament; filament not returned; a shift of x; a shift of z; an exponent; a heater of the second tool;
parking in front; no lift before parking; the fan at a tenth; nozzle too hot, with a blank in the
command; a wait of ten minutes
"""


def examples(machine):
    """Mutate the program of a machine by each kind that is known to be missed, where it has a place."""
    lines, oracle = base(machine, 0).lines, base(machine, 0).machine
    for name in " ".join(MISSED_BEFORE.split()).split("; "):
        try:
            changed, place = HARMFUL[name](lines, Random(3), oracle.profile)
        except LookupError:
            continue
        if changed != lines:
            yield name, *examine("\n".join(changed), machine, place)


@pytest.mark.parametrize(
    "machine",
    [pytest.param(m, marks=[pytest.mark.slow] if m in MACHINES[1:3] else []) for m in MACHINES],
)
def test_faults_that_are_easily_missed_are_found_in_their_line(machine):
    found = {name: (bool(errors), placed) for name, errors, placed in examples(machine)}
    assert len(found) > 40
    # A strict controller takes nothing but its own words; on others a rapid move may feed filament.
    astray = {n for n, right in found.items() if right != (True, True)} - {"beads in rapid moves"}
    assert not astray


def score(seed, number, harmless, workers=1):
    found = verdicts(list(HARMFUL), seed, number, workers)
    good = verdicts(list(HARMLESS), seed, harmless, workers)
    assert len(found) == number and len(good) == harmless
    assert not [(v.kind, v.base, v.harm) for v in good if v.harm]
    assert not [(v.kind, v.base, v.errors) for v in good if v.errors]
    stopped = [v for v in found if v.errors]
    return len(stopped) / number, sum(v.placed for v in stopped) / len(stopped)


def test_a_few_mutants():
    stopped, placed = score(7, 12, 10)
    assert stopped == 1 and placed > 0.8


@pytest.mark.slow
def test_thousands_of_mutants():
    stopped, placed = score(8, 2000, 300, workers=2)
    assert stopped >= 0.995 and placed >= 0.97


def test_kinds_are_many():
    assert len(HARMFUL) >= 400 and len(HARMLESS) >= 80


def line(number, start, end, plastic, feed=10.0):
    return Segment(number, start, end, plastic, feed)


def test_the_oracle_lets_filament_lag():
    """A step of the feed: after the time t, tau·(1 - exp(-t/tau)) seconds of it are still in the hot end."""
    done = Outcome(leads=True, tau=0.5)
    done.segments = [line(1, (0, 0, 0), (20, 0, 0), 4.0), line(2, (20, 0, 0), (30, 0, 0), 0.0)]
    kept = 2.0 * 0.5 * (1 - np.exp(-2 / 0.5))
    assert outflow(done) == pytest.approx([4.0 - kept, kept * (1 - np.exp(-1 / 0.5))])
    done.leads = False
    assert outflow(done).tolist() == [4.0, 0.0]


def test_the_oracle_sees_a_nozzle_in_the_print():
    volume = {"x": [0, 100], "y": [0, 100], "z": [0, 100]}
    bead = line(1, (10, 10, 2), (20, 10, 2), 1.0)
    over, through = (line(2, (15, 0, z), (15, 20, z), 0.0) for z in (2.0, 1.5))
    assert crash(Outcome([bead, over]), volume) == ""
    assert crash(Outcome([through, bead]), volume) == ""
    assert crash(Outcome([bead, through]), volume) == "line 2 runs through the print"
    assert "leaves the volume in x" in crash(Outcome([line(1, (0, 0, 5), (101, 0, 5), 0.0)]), volume)


@pytest.mark.parametrize(
    ("change", "harm"),
    [
        ("M104 S0 ; nozzle off", "left behind"),
        ("M190 S60 ; wait for the platform", "cold platform"),
        ("M109 S205 ; wait for the nozzle", "cold filament"),
        ("G28 ; home all axes", "without knowing"),
        ("M2 ; end of program", "no end"),
    ],
)
def test_the_oracle_sees_what_a_lost_line_does(change, harm):
    chosen = base("moving-table", 0)
    lines = [text for text in chosen.lines if text != change]
    assert len(lines) == len(chosen.lines) - 1
    assert harm in compare(chosen.machine, chosen.machine.run("\n".join(lines)), chosen.clean)
    assert compare(chosen.machine, chosen.clean, chosen.clean) == ""
