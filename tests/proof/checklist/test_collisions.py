"""The head's way: panels in turn, and what a larger head would meet."""

import numpy as np
import pytest
import shapely
from msgspec.structs import replace

from pathgen import load_machine, load_material
from pathgen.proof.checklist import check_program, collisions
from pathgen.settings.machine import HeadPart
from tests.proof.checklist.programs import numbers, program, wall

MATERIAL = load_material("pla-white")


@pytest.fixture(scope="module")
def in_turn():
    return program("moving-gantry", wall(80, 60), copies=2, build="in-turn")


def test_panels_in_turn_are_clear_of_the_head_they_were_planned_for(in_turn):
    found = check_program(in_turn)
    assert found.findings == () and found.checks[602] == found.moves


@pytest.mark.parametrize("reach,met", [(2.0, False), (8.0, False), (80.0, True)])
def test_a_larger_head_meets_the_first_panel(in_turn, reach, met):
    """The hop to the second panel is over all; only what is wide and low meets the first one."""
    part = HeadPart((-reach, reach), (-reach, reach), 1.0, "shroud")
    machine = replace(load_machine("moving-gantry"), head=(part,))
    found = check_program(in_turn, machine, MATERIAL)
    assert numbers(found) == ({602} if met else set())
    if met:
        first = found.findings[0]
        marks = [
            n
            for n, line in enumerate(in_turn.decode().splitlines(), 1)
            if "layer" in line and " top 0.200" in line
        ]
        assert len(marks) == 2 and first.line > marks[1] and "shroud" in first.limit


def test_a_high_part_meets_nothing(in_turn):
    machine = replace(load_machine("moving-gantry"), head=(HeadPart((-80.0, 80.0), (-80.0, 80.0), 9.0),))
    assert check_program(in_turn, machine, MATERIAL).passed


def test_what_a_part_meets_is_what_shapely_finds():
    rng = np.random.default_rng(2)
    relief = collisions.PrintedHeights((0.0, 0.0), (40.0, 30.0))
    x, y = rng.uniform(0, 40, 30), rng.uniform(0, 30, 30)
    relief.raise_to(x, y, np.full(30, 9.0))
    part = HeadPart((-3.0, 1.5), (-2.0, 4.0), 5.0)
    at = rng.uniform(5, 25, 300), rng.uniform(5, 25, 300), np.full(300, 2.0)
    hit = collisions._hit(relief, part, at, (0, 0), relief.height)
    i, j = np.nonzero(relief.height)
    stands = shapely.union_all(shapely.points((i + 0.5) * relief.cell, (j + 0.5) * relief.cell))
    boxes = shapely.box(at[0] - 3.0, at[1] - 2.0, at[0] + 1.5, at[1] + 4.0)
    assert (hit == shapely.intersects(boxes, stands)).all() and 20 < hit.sum() < 280
    higher = at[0], at[1], np.full(300, 4.0)
    assert not collisions._hit(relief, part, higher, (0, 0), relief.height).any()


def test_too_many_heights_are_said(monkeypatch):
    monkeypatch.setattr(collisions, "MAX_GROUPS", 3)
    text = "G21\nG90\nM83\nG28\nM109 S200\nG1 Z5 F600\nG1 X100 Y100 F6000\n"
    text += "G1 Z1\nG1 X120 E1 F900\n" + "".join(
        f"G0 Z{3 + n}\nG0 Y{99 - n}\nG0 Z0.{9 - n}\nG0 X{90 - n}\n" for n in range(6)
    )
    text += "M104 S0\nM107\nM84\nM2\n"
    found = check_program(text.encode(), load_machine("moving-table"), MATERIAL)
    assert 603 in numbers(found, "warning")


@pytest.mark.parametrize(
    ("plunge", "at"), [("G0 Z0.4\n", 0), ("G0 Z3\nG0 Z0.4\n", 1), ("G0 Z0.4\nG0 Z3\n", 0)]
)
def test_a_plunge_onto_a_bead_is_found_in_its_own_lines(plunge, at):
    """The head goes straight down onto a bead 1 mm high, in one move or in two, and up again."""
    text = "G21\nG90\nM83\nG28\nM109 S200\nG1 Z5 F600\nG1 X100 Y100 F6000\nG1 Z1\nG1 X120 E1 F900\n"
    text += "G0 Z5\nG0 X110\n"
    begin = text.count("\n") + 1
    text += plunge + "G0 Z5\nG0 X100\nM104 S0\nM107\nM84\nM2\n"
    found = check_program(text.encode(), load_machine("moving-table"), MATERIAL)
    lines = [finding.line for finding in found.findings if finding.number == 601]
    assert lines == [begin + at, begin + at + 1]  # the way down and the way up
