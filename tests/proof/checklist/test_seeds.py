"""Every seeded fault is found by its number, in the line it stands in; what is unharmed has no stop."""

import pytest

from pathgen import load_machine, load_material
from pathgen.proof.checklist import RULES, check_program
from tests.proof.checklist.programs import program
from tests.proof.checklist.seeds import ALL, CASES, FAULTS

MATERIAL = load_material("pla-white")


@pytest.fixture(scope="module")
def good():
    return {machine: program(machine) for machine in ALL}


def checked(text, machine):
    profile = load_machine(machine) if isinstance(machine, str) else machine
    return check_program(text, profile, MATERIAL)


@pytest.mark.parametrize("machine", ALL)
def test_a_good_program_has_no_finding(machine, good):
    found = checked(good[machine], machine)
    assert found.findings == () and found.passed
    assert found == checked(good[machine], machine)


def test_there_are_enough_of_them():
    assert len(FAULTS) >= 40 and len(CASES) > 100
    assert len({name for name, *_ in FAULTS}) == len(FAULTS)


@pytest.mark.parametrize(
    ("number", "machine", "edit"),
    [
        pytest.param(*case, id=f"{name}-{case[1]}", marks=[pytest.mark.slow] * slow)
        for name, *case, slow in CASES
    ],
)
def test_a_seeded_fault_is_found_in_its_line(number, machine, edit, good):
    lines, at = edit(good[machine].decode().splitlines())
    found = checked("\n".join([*lines, ""]).encode("latin-1"), machine)
    here = [finding for finding in found.findings if finding.number == number]
    assert here, [str(finding) for finding in found.findings]
    assert all(finding.level == RULES[number].level for finding in here)
    if at is not None:
        assert here[0].line == at + 1, str(here[0])
    assert found.passed == (not [f for f in found.findings if f.level == "error"])


def test_every_rule_has_its_fault():
    """Those that need another profile or another panel have tests of their own beside this table."""
    elsewhere = {304, 305, 602, 603, 702, 703, 704, 705}
    assert {number for _, number, *_ in FAULTS} | elsewhere == set(RULES)
