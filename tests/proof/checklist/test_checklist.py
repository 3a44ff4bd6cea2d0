"""The front: programs of others, what is refused, what is collected, and what the record holds."""

import json
import re

import numpy as np
import pytest
from msgspec.structs import replace

from pathgen import Job, PathgenError, load_machine, load_material, make
from pathgen.gcode.comments import header_sum
from pathgen.gcode.read import read_program
from pathgen.proof.checklist import MAX_FAULTS, RULES, check_program
from pathgen.proof.checklist.findings import PLACES, consecutive_rows
from pathgen.proof.checklist.rules import LEVELS
from pathgen.proof.checklist.words import command_effects
from tests.proof.checklist.programs import numbers, program, wall

MACHINE, MATERIAL = load_machine("moving-table"), load_material("pla-white")
START = "M140 S60\nM104 S200\nG28\nG21\nG90\nM83\nM190 S60\nM109 S200\n"
END = "M104 S0\nM140 S0\nM107\nM84\nM2\n"


def square(heights=(0.2, 0.4), fed=0.5):
    """A program as others write them: line numbers, small letters, a feed alone, arcs, no comments."""
    text = START + "M106\nN10 g1 F600\nG0 Z5\nG0 X60 Y60\n"
    for z in heights:
        text += f"G0 Z{z} F600\nG1 X80 E{fed} F1200\nG2 X80 Y80 I0 J10 E{1.57 * fed}\n"
        text += f"G1 X60 E{fed}\nG1 Y60 E{fed}\n"
    return text + "G0 Z20 F600\n" + END


def checked(text, machine=MACHINE):
    return check_program(text.encode(), machine, MATERIAL)


def test_a_program_of_others():
    found = checked(square())
    assert found.passed and numbers(found) == {110, 708}
    assert found.findings[0].line == 10
    assert found.moves > 2 * 4


def test_everything_is_collected_and_the_gravest_comes_first():
    text = square().replace("M109 S200", "M109 S300").replace("G0 Z20", "G0 Z900\nM205 X1\nG1 X..5")
    found = checked(text)
    assert {101, 103, 201, 202, 301} <= numbers(found)
    levels = [LEVELS.index(f.level) for f in found.findings]
    assert levels == sorted(levels)
    for finding in found.findings:
        assert finding.rule is RULES[finding.number] and finding.rule.why and finding.rule.do


def test_the_verdict_counts_errors_or_rules():
    good = checked(square())
    assert good.verdict == f"no errors found by the {good.applied} rules that apply, 2 notes"
    assert good.applied == sum(good.checks[number] > 0 for number in RULES) < len(RULES)
    left_on = checked(square().replace("M104 S0\n", ""))
    assert left_on.verdict == "1 error, 2 notes; do not run it"
    (error,) = left_on.errors
    found = "nozzle set to 200 °C in line 8 and never turned off"
    assert str(error) == f"error 208, line 8: nozzle heater still on at the end: {found}; limit: 0 °C"


def test_many_places_of_one_rule_are_counted():
    text = square().replace("G0 Z20", "M205 X1\n" * 50 + "G0 Z20")
    found = checked(text)
    here = [f for f in found.findings if f.number == 103]
    assert found.counts[103] == 50 and len(here) == PLACES + 1
    assert "30 more" in here[-1].found
    assert (here[-1].line, here[-1].last) == (here[-2].line + 1, here[0].line + 49)
    assert found.places("error") == 50 and found.as_dict()["errors"] == 50


def test_as_many_places_as_are_asked_for():
    text = square().replace("G0 Z20", "M205 X1\n" * 50 + "G0 Z20").encode()
    for places, lines in ((50, 50), (49, 50), (1, 2), (1000, 50)):
        found = check_program(text, MACHINE, MATERIAL, places=places)
        here = [f for f in found.findings if f.number == 103]
        assert len(here) == lines and found.counts[103] == 50
        assert len({f.line for f in here}) == lines


def test_reading_is_given_up_after_a_stated_number_of_lines():
    found = checked(START + "what is this\n" * (MAX_FAULTS + 500) + END)
    assert found.counts[101] == MAX_FAULTS + 1
    assert {101, 104, 208} <= numbers(found, "error")


def test_nothing_is_beyond_all_bounds():
    """A number of 200 digits is a place outside the volume, not a crash."""
    found = checked(square().replace("G0 Z20", f"G1 X{'9' * 200} E1\nG1 X60 E{'9' * 60}\nG0 Z0.3\nG0 Z20"))
    assert 301 in numbers(found, "error")


def test_an_inch_program_is_read_in_its_units():
    inch = square().replace("G21", "G20")
    assert {301, 701} <= numbers(checked(inch))


def test_what_the_record_holds():
    found = check_program(program("ngc-lab"))
    record = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert record["passed"] is True and record["machine"] == "ngc-lab" and record["findings"] == []
    assert [rule["number"] for rule in record["rules"]] == sorted(RULES)
    looked = {rule["number"]: rule["checks"] for rule in record["rules"]}
    assert looked[301] == found.moves and looked[201] == 0 and looked[404] > 0
    bad = checked(square().replace("M104 S0\n", "")).as_dict()["findings"]
    assert {"number", "level", "line", "value", "limit", "why", "do"} <= bad[0].keys()


@pytest.mark.parametrize("number", sorted(RULES))
def test_a_rule_says_what_it_is(number):
    rule = RULES[number]
    assert rule.level in LEVELS and 1 <= number // 100 <= 8
    assert all(text and text[-1] not in ".!" for text in rule[:1] + rule[2:])
    with pytest.raises(TypeError):
        RULES[number] = rule


@pytest.mark.parametrize(
    "source,why",
    [
        (b"", "empty"),
        (b"\x00\x01\x02", "not a text file"),
        (b"G21\nM2\n", "--machine"),
        (b"; machine = other\n", "not a shipped"),
    ],
)
def test_what_is_refused(source, why):
    with pytest.raises(PathgenError, match=why):
        check_program(source)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(PathgenError, match="no such file|is a folder|cannot be read"):
        check_program(tmp_path / "none.gcode", MACHINE, MATERIAL)


def test_text_and_file_give_the_same(tmp_path):
    text = program("moving-gantry")
    (tmp_path / "p.gcode").write_bytes(text)
    calls = []
    found = check_program(tmp_path / "p.gcode", progress=lambda done, total: calls.append((done, total)))
    assert found.findings == check_program(text).findings and found.program == "p.gcode"
    assert len(calls) > 1 and calls == sorted(calls) and calls[-1][0] == calls[-1][1]


def test_windows_find_what_the_whole_does(tmp_path, monkeypatch):
    """Held some layers at a time, a program has the same findings, faults across its windows among them."""
    import pathgen.gcode.read as reader
    import pathgen.proof.checklist as front

    monkeypatch.setattr(reader, "PIECE", 1 << 12)
    whole = {}
    for machine in ("moving-table", "long-tube"):
        make(np.full((80, 300), 1.6), tmp_path / "p.gcode", Job(machine=machine, brim=2.0))
        lines = (tmp_path / "p.gcode").read_bytes().splitlines(keepends=True)
        # The waits are not in the time of the header.
        lines = [line for line in lines if b" time = " not in line]
        dialect = load_machine(machine).dialect
        seal = header_sum(read_program(b"".join(lines), dialect, 1.75).header).encode()
        lines = [re.sub(rb"(header sum = )\w+", rb"\g<1>" + seal, line) for line in lines]
        far = [i for i, line in enumerate(lines) if b"(layer" in line or b"; layer" in line]
        for at in far[-3:1:-1]:  # short waits, which add up to a long one
            lines.insert(at + 1, b"G4 S9\n")
        far = [i for i, line in enumerate(lines) if b"(layer" in line or b"; layer" in line]
        spoiled = [*lines[: far[40] + 3], b"G1 X9999 F1200\n", *lines[far[40] + 3 : -9]]
        for name, text in (("good", lines), ("spoiled", spoiled)):
            monkeypatch.setattr(front, "WINDOW", 1 << 40)
            whole[machine, name] = check_program(b"".join(text))
            monkeypatch.setattr(front, "WINDOW", 900)
            parts = check_program(b"".join(text))
            assert parts.findings == whole[machine, name].findings
            assert parts.moves == whole[machine, name].moves and parts.lines == whole[machine, name].lines
        assert whole[machine, "good"].passed and not whole[machine, "spoiled"].passed


def test_commands_are_those_of_the_profile():
    """A controller with words of its own: the last command that carries {nozzle} waits."""
    dialect = MACHINE.dialect
    own = {"M104": "M310", "M109": "M311", "M140": "M320", "M190": "M321", "M106": "M330", "M107": "M331"}

    def spelled(text):
        for usual, other in own.items():
            text = text.replace(usual, other)
        return text

    other = replace(
        dialect,
        own_words=tuple(own.get(word, word) for word in dialect.own_words),
        **{
            name: spelled(getattr(dialect, name))
            for name in ("start", "finish", "fan_on", "fan_off", "nozzle_change")
        },
    )
    machine = replace(MACHINE, dialect=other)
    found = command_effects(other)
    assert (found["M310"].effect, found["M310"].waits, found["M311"].waits) == ("nozzle", False, True)
    assert (found["M330"].effect, found["M331"].effect) == ("fan", "fan off")
    text = spelled(program("moving-table").decode())
    assert checked(text, machine).findings == ()
    assert 205 in numbers(checked(text.replace("M311 S205", ""), machine))
    assert 201 in numbers(checked(text.replace("M311 S205", "M311 S300"), machine))


def test_lenient_reading_moves_as_strict_reading_does():
    text = program("long-tube")
    dialect = load_machine("long-tube").dialect
    strict = read_program(text, dialect, 2.85)
    lenient = read_program(text, dialect, 2.85, max_faults=10)
    for name in ("x", "y", "z", "filament", "feed", "kind", "layer"):
        assert (getattr(strict.moves, name) == getattr(lenient.moves, name)).all()
    assert lenient.faults == () and strict.events == lenient.events
    cut = text.replace(b"G28 ", b"G28 !", 1)
    with pytest.raises(PathgenError):
        read_program(cut, dialect, 2.85)
    assert len(read_program(cut, dialect, 2.85, max_faults=10).faults) == 1


@pytest.mark.parametrize("seed", range(30))
def test_a_damaged_file_is_judged_and_never_crashes(seed):
    """Bytes changed, put in and lost anywhere, header included: findings or one refusal, nothing else."""
    rng = np.random.default_rng(seed)
    name = ("moving-table", "long-tube", "ngc-lab")[seed % 3]
    text = bytearray(program(name, wall(12, 40)))
    for _ in range(12):
        at, size = rng.integers(len(text)), rng.integers(1, 200)
        what = rng.integers(3)
        if what == 0:
            del text[at : at + size]
        else:
            stuff = rng.choice(list(b"0123456789.-XYZEAFGMS ;()=\n\xff"), size if what == 1 else 1)
            text[at : at + (what == 2)] = bytes(stuff.astype(np.uint8))
    try:
        found = check_program(bytes(text), load_machine(name), MATERIAL)
    except PathgenError:
        return
    assert json.dumps(found.as_dict(), allow_nan=False)
    assert all(f.line <= f.last for f in found.findings)


def test_neighbours_are_joined():
    assert consecutive_rows(np.array([], int)) == []
    assert consecutive_rows(np.array([1, 2, 5])) == [(1, 2), (5, 5)]


def test_a_second_nozzle_is_a_heater_too():
    text = (
        b"G21\nG90\nM83\nG28\nM104 T1 S200\nM109 S200\nG1 X50 Y50 Z0.2 F1200\nG1 X60 E0.4\nM104 S0\nM84\nM2\n"
    )
    found = check_program(text, MACHINE, MATERIAL)
    assert [(f.number, f.line) for f in found.findings if f.number == 208] == [(208, 5)]
    assert not check_program(text.replace(b"M84", b"M104 T1 S0\nM84"), MACHINE, MATERIAL).counts.get(208)


def test_homing_with_bare_letters_is_read():
    text = b"G21\nG90\nM83\nG28 X Y\nG28 Z\nG1 X50 Y50 Z5 F1200\nM84 X Y\nM2\n"
    found = check_program(text, MACHINE, MATERIAL)
    assert not {101, 306} & set(found.counts)


def test_a_damaged_header_is_a_finding():
    text = program("ngc-lab").replace(b"(picture", b"((picture", 1)
    assert 101 in check_program(text, load_machine("ngc-lab"), MATERIAL).counts


@pytest.mark.parametrize(("axis", "way"), [("x", "X100"), ("y", "Y100"), ("z", "Z30")])
@pytest.mark.parametrize(("feed", "fits"), [(59, True), (60, True), (61, True), (63, False), (120, False)])
def test_the_limit_of_an_axis_allows_for_a_feed_in_whole_numbers(axis, way, feed, fits):
    """At most 1 mm/s is 60 mm/min; 60.5 mm/min, within a hundredth of it, is written as 61."""
    slow = replace(
        MACHINE, axes=replace(MACHINE.axes, **{axis: replace(getattr(MACHINE.axes, axis), feed=1.0)})
    )
    text = square().replace("M104 S0\n", f"G1 {way} F{feed}\nM104 S0\n")
    line = text.splitlines().index(f"G1 {way} F{feed}") + 1
    found = [f for f in check_program(text.encode(), slow, MATERIAL).findings if f.number == 501]
    assert any(f.line <= line <= max(f.line, f.last) for f in found) != fits
