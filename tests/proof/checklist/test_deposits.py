"""The panel laid down: leaning faces and outlines, supports, heights in motor steps."""

import numpy as np
import pytest
from msgspec.structs import replace

from pathgen import load_machine, load_material
from pathgen.proof.checklist import check_program
from tests.proof.checklist.programs import numbers, program, wall

MATERIAL = load_material("pla-white")


def ledge():
    up = np.full((80, 160), 1.0)
    up[:40, 50:110] = 3.5
    return up


def bridge():
    up = np.full((80, 160), 1.5)
    up[40:, 50:110] = 0.0
    return up


@pytest.mark.parametrize("source,number", [(ledge, 703), (bridge, 704)])
def test_what_leans_out_is_named(source, number):
    """A ledge of 2.5 mm over 4 mm of wall, and a span of 6 mm over nothing, both 4 mm up."""
    text = program("moving-gantry", source())
    found = check_program(text)
    assert numbers(found) == {number} and found.passed
    lines = text.decode().splitlines()
    layer = max(i for i, line in enumerate(lines[: found.findings[0].line]) if "; layer" in line)
    assert float(lines[layer].split(" top ")[1].split()[0]) == pytest.approx(4.0, abs=0.41)
    assert found.findings[0].value == pytest.approx(2.3 if number == 703 else 3.0, abs=0.6)


def test_a_support_that_meets_the_face():
    """Tabs meet the rim alone; a header that calls the rim picture makes them meet the face."""
    text = program(
        "moving-gantry", wall(200, 200), rim_width=3.0, wedges=2, wedge_height=14.0, wedge_base=5.0
    )
    found = check_program(text)
    assert 705 not in numbers(found) and found.checks[705] > 10 and found.passed
    found = check_program(text.replace(b"job rim_width = 3", b"job rim_width = 0"))
    assert 705 in numbers(found)


def test_heights_between_motor_steps():
    machine = load_machine("moving-gantry")
    axes = replace(machine.axes, z=replace(machine.axes.z, steps_per_mm=33.0))
    found = check_program(program("moving-gantry"), replace(machine, axes=axes), MATERIAL)
    assert numbers(found) == {702} and found.findings[0].level == "note"


def test_a_layer_higher_than_a_narrow_nozzle_presses():
    machine = load_machine("moving-gantry")
    narrow = replace(machine, hot_end=replace(machine.hot_end, nozzle_diameter=0.2, spacing_min=None))
    assert 701 in numbers(check_program(program("moving-gantry"), narrow, MATERIAL))


def test_a_controller_with_its_zero_elsewhere():
    """Heights count from the platform: the same panel, written for z = 0 at 0.1 mm over it."""
    machine = replace(load_machine("moving-gantry"), z_zero=0.1)
    text = program("moving-gantry", profile=machine)
    assert b"Z0.1 " in text
    assert check_program(text, machine, MATERIAL).findings == ()
    low = check_program(text, replace(machine, z_zero=-0.1), MATERIAL)
    assert {303} <= numbers(low)
