"""What an owner's edit of the start and finish blocks can get wrong."""

from __future__ import annotations

import re
import string

import msgspec
import pytest
from pygcode import Line

from pathgen.errors import PathgenError
from pathgen.settings import BLOCK_PLACEHOLDERS, PLACEHOLDERS, load_machine, machine_names
from pathgen.settings.blocks import block_words, commands, dialect_faults
from pathgen.settings.program_words import LETTERS, STANDARD_WORDS
from pathgen.settings.validation import refuse_first

BLOCKS = ("start", "finish", "fan_on", "fan_off")


def edited(name, block, old, new):
    machine = load_machine(name)
    text = getattr(machine.dialect, block)
    assert not old or old in text, "nothing to edit: the case tests nothing"
    changed = text.replace(old, new, 1) if old else new
    return machine, msgspec.structs.replace(machine.dialect, **{block: changed})


def refusal(machine, dialect, heaters=None):
    with pytest.raises(PathgenError) as caught:
        refuse_first(dialect_faults(dialect, heaters or machine.heaters), "my.toml")
    text = str(caught.value)
    assert text.isprintable() and text.count("my.toml: dialect.") == 1
    return text


CASES = [
    # machine, block, old, new, and what the line must say
    (
        "moving-table",
        "start",
        "{nozzle}",
        "{nozle}",
        ["'{nozle}'", "start line 5", "{platform}", "'nozzle'?"],
    ),
    ("moving-table", "start", "{nozzle}", "{clear_z}", ["'{clear_z}'", "start line 5", "{nozzle}"]),
    ("moving-table", "start", "{nozzle}", "{}", ["'{}'", "start line 5"]),
    ("moving-table", "start", "{nozzle}", "{nozzle:.1f}", ["'{nozzle:.1f}'", "did you mean 'nozzle'?"]),
    ("moving-table", "start", "{nozzle}", "{nozzle", ["matching braces"]),
    ("moving-table", "start", "{nozzle}", "nozzle}", ["matching braces"]),
    ("moving-table", "start", "home all axes", "home {all} axes", ["'{all}'", "start line 6"]),
    (
        "moving-table",
        "finish",
        "{clear_z}",
        "{nozzle}",
        ["'{nozzle}'", "finish line 4", "{clear_z}, {park_x}"],
    ),
    (
        "moving-table",
        "fan_on",
        "{fan}",
        "{fan_percent}",
        ["'{fan_percent}'", "fan_on line 1", "{fan_fraction}"],
    ),
    ("moving-table", "fan_off", "M107", "M106 S{fan}", ["'{fan}'", "fan_off line 1", "no placeholder"]),
    ("moving-table", "start", "G28 ; home", "G28 X Y ; home", ["G28 X Y", "start line 6", "such as X0"]),
    ("moving-table", "start", "G28 ;", "g28 ;", ["g28", "write capital letters"]),
    ("moving-table", "start", "G28 ;", "G28 X1e2 ;", ["X1e2", "without exponent"]),
    ("moving-table", "start", "G28 ;", "M117 Hello ;", ["M117 Hello"]),
    ("moving-table", "start", "G28 ;", "G29 ;", ["unknown word 'G29'", "add 'G29' to dialect.own_words"]),
    ("moving-table", "start", "G28 ;", "M420 S1 ;", ["unknown word 'M420'", "start line 6", "own_words"]),
    ("moving-table", "start", "G28 ;", "G0 U5 ;", ["unknown word 'U'"]),
    ("moving-table", "start", "G28 ;", "G28 G90 ;", ["one command per line"]),
    ("moving-table", "start", "G28 ;", "G0 X1 X2 ;", ["no letter repeated"]),
    ("moving-table", "start", "; home all axes", "(home all axes)", ["start line 6", "after a semicolon"]),
    (
        "ngc-lab",
        "start",
        "(no canned cycle)",
        "; no canned cycle",
        ["start line 7", "in matching parentheses"],
    ),
    ("ngc-lab", "start", "(no canned cycle)", "(no canned", ["start line 7", "in matching parentheses"]),
    ("ngc-lab", "start", "(no canned cycle)", "((no) cycle)", ["start line 7", "in matching parentheses"]),
    ("moving-table", "start", "home all axes", "é", ["start line 6", "printable ASCII"]),
    ("moving-table", "start", "home all axes", "x" * 256, ["start line 6", "at most 255"]),
    ("moving-table", "start", "home all axes", "bell \a", ["start line 6", "printable ASCII"]),
    ("moving-table", "start", "home all axes", "\tesc \x1b[2J", ["start line 6", "printable ASCII"]),
    ("moving-table", "start", "G21 ;", "G20 ;", ["G21 is missing", "millimetres"]),
    ("moving-table", "start", "G28 ;", "G20 ;", ["G20 selects inches", "programs are in millimetres"]),
    ("moving-table", "start", "G90 ;", ";", ["G90 is missing", "absolute positions"]),
    ("moving-table", "start", "G28 ;", "G91 ;", ["G91 is the last distance mode"]),
    ("moving-table", "start", "G92 E0", "G92 E0 Z0", ["G92 E0 Z0", "shifts the x, y or z axis"]),
    ("moving-table", "start", "M83 ;", ";", ["filament_mode is 'relative'", "sets M83"]),
    ("long-tube", "start", "M82 ;", "M83 ;", ["unknown word 'M83'"]),
    ("moving-table", "start", "G28 ;", "M2 ;", ["M2 ends the program", "in the finish block only"]),
    ("moving-table", "finish", "M2 ;", ";", ["the last command is M84", "M2 or M30 as the last command"]),
    ("moving-table", "finish", "M104 S0", "M30", ["M2 or M30 as the last command, and nowhere else"]),
    ("moving-table", "finish", "", "; nothing", ["no command", "M2 or M30"]),
    ("moving-table", "start", "M109 S{nozzle}", "M109 S300", ["M109 S300", "at most 240 °C"]),
    ("moving-table", "start", "M190 S{platform}", "M190 S120", ["M190 S120", "at most 100 °C"]),
    ("moving-table", "finish", "M104 S0", "M104 S50", ["nozzle heater stays on", "'M104 S0'"]),
    ("moving-table", "finish", "M140 S0 ;", ";", ["platform heater stays on", "'M140 S0'"]),
    ("moving-table", "finish", "G1 Z{clear_z}", "G4 P", ["write a number after each letter"]),
    (
        "moving-table",
        "finish",
        "G1 Z{clear_z} F{lift_feed}",
        "",
        ["G1 X{park_x}", "a move along z alone before any move along x or y"],
    ),
    ("moving-table", "finish", "G1 Z{clear_z}", "G1 X0 Z{clear_z}", ["drags through the panel"]),
    ("moving-table", "finish", "G1 X{park_x} Y{park_y} F{travel_feed}", "G28", ["homes z", "into the panel"]),
    ("moving-table", "finish", "G1 X{park_x}", "G28 Z0 X{park_x}", ["homes z"]),
    ("moving-table", "fan_off", "M107", " ", ["fan_off is ' '", "both fan_on and fan_off, or neither"]),
    ("long-tube", "start", "G28 ;", "M104 S{nozzle} ;", ["unknown word 'M104'"]),
    ("long-tube", "finish", "M107 ;", "G4 P{nozzle} ;", ["'{nozzle}'"]),
]


@pytest.mark.parametrize(("name", "block", "old", "new", "said"), CASES)
def test_refused(name, block, old, new, said):
    text = refusal(*edited(name, block, old, new))
    for part in said:
        assert part in text


@pytest.mark.parametrize(
    ("block", "old", "new"),
    [
        ("start", "G28 ; home all axes", "G28 X0 Y0\n\nG28 Z0 ; z last"),
        (
            "start",
            "M140 S{platform} ; set the platform",
            "M140 S60",
        ),  # a preheat in plain figures, under the limit
        ("start", "G28 ;", "G53 G0 Z5 ;"),  # G53 belongs to the motion word beside it
        ("start", "G28 ;", "M104S0160 ;"),
        ("start", "G28 ;", "M05 ;"),  # leading zeros are the same word
        ("finish", "M2 ;", "M30 ;"),
        ("finish", "G1 X{park_x} Y{park_y}", "G28 X0 Y0 ; home\nG1 Y{park_y}"),
    ],
)
def test_taken(block, old, new):
    machine, dialect = edited("moving-table", block, old, new)
    assert list(dialect_faults(dialect, machine.heaters)) == []


def test_own_words_open_the_dialect():
    machine, dialect = edited("moving-table", "start", "G28 ;", "G29 ;")
    dialect = msgspec.structs.replace(dialect, own_words=(*dialect.own_words, "G29"))
    assert list(dialect_faults(dialect, machine.heaters)) == []


def test_words_that_contradict_the_modes():
    machine = load_machine("moving-table")
    absolute = msgspec.structs.replace(machine.dialect, filament_mode="absolute")
    assert "filament_mode is 'absolute'" in refusal(machine, absolute)
    unknown = msgspec.structs.replace(machine.dialect, own_words=machine.dialect.own_words[1:])
    assert "add 'E' to dialect.own_words" in refusal(machine, unknown)
    feed = msgspec.structs.replace(machine.dialect, extruder="F")
    assert "extruder is 'F'" in refusal(machine, feed)
    relative = msgspec.structs.replace(load_machine("ngc-lab").dialect, filament_mode="relative")
    assert "a start block that sets M83" in refusal(machine, relative)
    alone = msgspec.structs.replace(machine.dialect, heaters="machine")
    assert "no heater commands if dialect.heaters is 'machine'" in refusal(machine, alone)


def test_a_platform_without_heater_is_not_heated():
    machine = load_machine("moving-table")
    cold = msgspec.structs.replace(machine.heaters, platform_max=0.0)
    assert "{platform} is used" in refusal(machine, machine.dialect, cold)
    lines = [line for line in machine.dialect.start.splitlines() if "{platform}" not in line]
    dialect = msgspec.structs.replace(machine.dialect, start="\n".join(lines))
    assert list(dialect_faults(dialect, cold)) == []
    assert "{platform} is missing" in refusal(machine, dialect)


def test_a_controllers_own_heater_word_is_found():
    machine = load_machine("moving-table")
    start = machine.dialect.start.replace("M104", "M568").replace("M109", "M568")
    dialect = msgspec.structs.replace(
        machine.dialect, start=start, own_words=(*machine.dialect.own_words, "M568")
    )
    assert "turns the heater off, such as 'M568 S0'" in refusal(machine, dialect)


def test_vocabulary_is_the_standards():
    # NISTIR 6556, Table 3, Table 5 and Table 7: no E, U, V, W, O; 0 to 9, 30, 48, 49, 60.
    assert set(string.ascii_uppercase) - LETTERS == set("EOUVW")
    assert {int(w[1:]) for w in STANDARD_WORDS - LETTERS if w[0] == "M"} == {*range(10), 30, 48, 49, 60}
    assert {"G28", "G38.2", "G59.3", "G92.3", "G99"} <= STANDARD_WORDS
    assert not {"G5", "G29", "G52", "G95"} & STANDARD_WORDS


def test_words():
    dialect = load_machine("ngc-lab").dialect
    assert block_words("G01 X-1.5 F{lift_feed} (Y3)", dialect) == [("G", "1"), ("X", "-1.5"), ("F", "1")]
    assert commands("G92.1\nX1\n(G4)\nM02", dialect) == ["G92.1", "M2"]


@pytest.mark.parametrize("name", machine_names())
def test_shipped_blocks_fill_in_and_are_rs274(name):
    dialect = load_machine(name).dialect
    values = dict.fromkeys(PLACEHOLDERS, "25")
    for block in BLOCKS:
        text = getattr(dialect, block)
        assert set(re.findall(r"\{(\w+)\}", text)) <= set(BLOCK_PLACEHOLDERS[block]) <= set(PLACEHOLDERS)
        for line in text.format_map(values).splitlines():
            parsed = Line(line)  # pygcode reads RS-274 syntax and refuses what is not
            expected = len([w for w in block_words(line, dialect) if w[0] in "GM"])
            assert len([w for w in parsed.block.words if w.letter in "GM"]) == expected
            assert bool(parsed.comment) == (";" in line or "(" in line)


def test_ngc_lab_uses_only_the_standards_words():
    dialect = load_machine("ngc-lab").dialect
    for block in BLOCKS:
        for line in getattr(dialect, block).splitlines():
            for letter, number in block_words(line, dialect):
                assert letter in LETTERS
                if letter in "GM":
                    assert letter + number in STANDARD_WORDS
    assert commands(dialect.finish, dialect)[-1] == "M2"
    assert "G28" not in commands(dialect.start, dialect)
