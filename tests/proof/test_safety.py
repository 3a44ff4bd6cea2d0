"""The thermal-safety list: what is proven, what is left to a person, and the short form for headers."""

import json

import pytest

from pathgen import load_machine, load_material, machine_names, material_names
from pathgen.proof.checklist import RULES, check_program
from pathgen.proof.safety import CHECKED, DISCLAIMER, GUIDANCE, build_safety_list, header_lines
from tests.proof.checklist.programs import program

PLACES = ("cut-off", "smoke alarm", "flammable", "ventilation", "hot surfaces", "children", "mains leads")
MORE = ("first layer", "never left alone", "LED only", "mm from the panel", "licensed electrician")


@pytest.mark.parametrize("machine", machine_names())
@pytest.mark.parametrize("material", material_names())
def test_every_point_is_named(machine, material):
    profile, plastic = load_machine(machine), load_material(material)
    text = "\n".join(build_safety_list(profile, plastic).lines())
    for word in (*PLACES, *MORE, DISCLAIMER, *GUIDANCE):
        assert word in text
    assert "local codes" in text and "does not replace" in text
    assert ("by hand at the end" in text) == (profile.dialect.heaters == "machine")


@pytest.mark.parametrize("material", material_names())
def test_a_lamp_stays_under_the_glass_transition(material):
    """PLA softens at 56 to 61 °C (Front. Chem. 1:32, 2013), PETG near 81 °C: a lamp keeps well below."""
    plastic = load_material(material)
    line = next(
        item.text for item in build_safety_list(load_machine("ngc-lab"), plastic).open if "LED" in item.text
    )
    assert f"above {plastic.temperature.glass_transition - 15:g} °C" in line


def test_what_the_text_proves():
    machine, plastic = load_machine("moving-table"), load_material("pla-white")
    text = program("moving-table")
    good = build_safety_list(machine, plastic, check_program(text))
    assert {item.state for item in good.checked} == {"passed", "not in the text"}
    assert all(item.state == "to tick" for item in good.open)
    bad = build_safety_list(machine, plastic, check_program(text.replace(b"M104 S0 ", b"M105 ")))
    heaters = next(item for item in bad.checked if "heater turned off" in item.text)
    assert heaters.state == "failed" and "208" in heaters.text
    broken = build_safety_list(machine, plastic, check_program(text.replace(b"M107\n", b"??\n", 1)))
    assert "unknown" in {item.state for item in broken.checked}
    assert json.loads(json.dumps(bad.as_dict()))["checked"][0]["state"] == "unknown"  # M105 is not followed


@pytest.mark.parametrize(
    "line", [b"T1", b"G10 L2 P1 Z-5", b"/M104 S0", b"M999", b"; x\rM104 S200", b"??", b"M2"]
)
def test_nothing_passes_after_a_line_that_is_not_followed(line):
    machine, plastic = load_machine("moving-table"), load_material("pla-white")
    text = program("moving-table").replace(b"M107\n", b"M107\n" + line + b"\n", 1)
    listed = build_safety_list(machine, plastic, check_program(text))
    assert "passed" not in {item.state for item in listed.checked}


def test_a_heater_that_the_program_never_sets_is_not_turned_off():
    machine, plastic = load_machine("moving-table"), load_material("pla-white")
    text = program("moving-table").replace(b"M140 ", b"; ").replace(b"M190 ", b"; ")
    listed = build_safety_list(machine, plastic, check_program(text))
    assert [item.state for item in listed.checked if "turned off" in item.text] == ["not in the text"]


def test_a_machine_that_heats_by_itself_proves_nothing_of_heat():
    machine, plastic = load_machine("long-tube"), load_material("pla-white")
    listed = build_safety_list(machine, plastic, check_program(program("long-tube")))
    assert "not in the text" in listed.checked[0].state and "set at the machine" in listed.checked[0].text


def test_its_rules_are_rules():
    assert {number for _, numbers in CHECKED for number in numbers} <= set(RULES)


def test_the_short_form_fits_a_header():
    """RS-274 takes 256 characters a line (NISTIR 6556 3.3); facts have an "=", prose has none."""
    lines = header_lines()
    assert all(line.isascii() and line.isprintable() and len(line) <= 100 for line in lines)
    assert not any(c in line for line in lines for c in "()=;")
    text = " ".join(lines)
    for word in ("cut-off", "smoke alarm", "first layer", "LED", "electrician", "local codes"):
        assert word in text
