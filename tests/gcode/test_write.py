"""The writer: what stands in a program, checked line by line with a reader of a dozen lines."""

import io
import math
import re

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.gcode import ProgramWriter, write
from pathgen.gcode.comments import LATE_WIDTH, format_comment
from pathgen.gcode.digits import Word, format_lines
from pathgen.gcode.template import format_number
from pathgen.motion.moves import Kind, Moves, concatenate
from pathgen.settings import PLACEHOLDERS, load_machine

VALUES = {"nozzle": 209.6, "platform": 60.0, "park_x": 5.0, "park_y": 199.5, "clear_z": 42.25}
SEMICOLON, NGC, VOLUME = "moving-table", "ngc-lab", "long-tube"
DIALECTS = [SEMICOLON, NGC, VOLUME]
TAKEN_AS_START = (0.0, 0.0, 0.0)


def machine(name=SEMICOLON, **dialect):
    record = load_machine(name)
    return msgspec.structs.replace(record, dialect=msgspec.structs.replace(record.dialect, **dialect))


def moves(*rows, start=TAKEN_AS_START):
    """Moves from (kind, x, y, z, filament, layer)."""
    kind, x, y, z, filament, layer = zip(*rows, strict=True)
    columns = [np.array(column, float) for column in (x, y, z, filament)]
    feed = np.full(len(rows), 20.0)
    return Moves(start, *columns, feed, np.array(kind, np.uint8), np.array(layer, np.int32))


def random_moves(count, layers, seed=0, step=0.1):
    """A rough walk through a panel, with every kind of move in it."""
    rng = np.random.default_rng(seed)
    layer = np.sort(rng.integers(0, layers, count)).astype(np.int32)
    kind = rng.choice(
        [Kind.WALL, Kind.HAIRPIN, Kind.LINK, Kind.TRAVEL, Kind.RETRACT, Kind.RELOAD, Kind.BRIM], count
    )
    kind[np.flatnonzero(np.diff(layer, prepend=0))] = Kind.LIFT
    rests = np.isin(kind, (Kind.RETRACT, Kind.RELOAD, Kind.LIFT))
    x, y = (np.cumsum(np.where(rests, 0, rng.normal(0, step, count))) + 100 for _ in range(2))
    filament = np.where(np.isin(kind, (Kind.WALL, Kind.HAIRPIN, Kind.BRIM)), rng.uniform(0, 0.01, count), 0)
    filament += np.where(kind == Kind.RELOAD, 0.8, 0) - np.where(kind == Kind.RETRACT, 0.8, 0)
    feed = rng.choice([20.0, 33.333, 7.5], count)
    return Moves(TAKEN_AS_START, x, y, 0.2 + 0.1 * layer, filament, feed, kind.astype(np.uint8), layer)


def program(made, device, *, fan=0.0, blocks=None, feed=None, layers=20, facts=(), late=()):
    """Write a program; give its text and the writer."""
    stream = io.BytesIO()
    writer = ProgramWriter(stream, device, fan)
    top = 0.2 + 0.1 * np.arange(layers)
    writer.begin(facts, VALUES, top, np.where(top < 0.25, 0.2, 0.1), late=late)
    feed = made.feed if feed is None else feed
    for a, b in zip([0, *(blocks or [])], [*(blocks or []), len(made)], strict=True):
        columns = {name: getattr(made, name)[a:b] for name in Moves.__slots__ if name != "start"}
        writer.write(Moves(made.start, **columns), feed[a:b])
    writer.finish(dict.fromkeys(late, "x"))
    return stream.getvalue().decode("ascii"), writer


def panel(text):
    """Lines from the first layer's comment up to the mark of the end, with both."""
    lines = text.splitlines()
    said = [line.strip("(); ") for line in lines]
    first = next(i for i, comment in enumerate(said) if comment.startswith("layer "))
    return lines[first : said.index("end") + 1]


def body(text):
    """The same without comments."""
    return [line for line in panel(text) if line[0] not in ";("]


def fed(lines, dialect):
    """Sum filament after each motion line, in whole units of the last decimal."""
    units, total, at_reset, held = 10**dialect.filament_decimals, 0, 0, 0
    for line in lines:
        if line == f"G92 {dialect.extruder}0":
            at_reset, held = at_reset + held, 0
        elif found := re.search(rf" {dialect.extruder}(-?[\d.]+)", line):
            word = round(float(found[1]) * units)
            total = total + word if dialect.filament_mode == "relative" else at_reset + word
            held = word
        if line.startswith(("G0", "G1 ")):
            yield total


@pytest.mark.parametrize("name", DIALECTS)
def test_positions_are_rounded_one_by_one(name):
    made = random_moves(3000, 9, step=1.0)
    text, writer = program(made, machine(name))
    assert writer.lines == len(made)
    held, found = dict.fromkeys("XYZ", math.nan), []
    for line in body(text):
        held |= {letter: float(word) for letter, word in re.findall(r"([XYZ])(-?[\d.]+)", line)}
        if line.startswith(("G0", "G1 ")):
            found.append(list(held.values()))
    expected = np.rint(np.stack([made.x, made.y, made.z], axis=1) * 1000) / 1000
    known = ~np.isnan(found).any(axis=1)
    assert known[3:].all()
    assert np.array_equal(np.array(found)[known], expected[known])


@pytest.mark.parametrize("name", DIALECTS)
@pytest.mark.parametrize("decimals", [3, 5])
def test_filament_is_true_to_half_the_last_digit_after_every_move(name, decimals):
    made, device = random_moves(40_000, 160, step=1.0), machine(name, filament_decimals=decimals)
    text, writer = program(made, device, layers=160)
    assert writer.lines == len(made)  # so that sums can be compared row by row
    area = math.pi * device.hot_end.filament_diameter**2 / 4 if device.dialect.filament_unit == "mm3" else 1.0
    exact = np.cumsum(made.filament) * area
    found = np.array(list(fed(body(text), device.dialect))) / 10**decimals
    assert abs(exact[-1] - math.fsum(made.filament) * area) < 1e-8  # the yardstick itself
    assert np.abs(found - exact).max() <= 0.5 * 10**-decimals + 1e-8


@pytest.mark.parametrize("name", DIALECTS)
@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, 600), max_size=6), rows=st.integers(1, 700), seed=st.integers(0, 99))
def test_blocks_do_not_show(name, cuts, rows, seed):
    made, device = random_moves(600, 7, seed, step=0.001), machine(name)
    whole, _ = program(made, device, fan=0.5)
    usual = write.ROWS
    try:
        write.ROWS = rows
        cut, _ = program(made, device, fan=0.5, blocks=sorted(cuts))
    finally:
        write.ROWS = usual
    assert cut == whole


@pytest.mark.parametrize("kind", Kind)
def test_g0_is_for_moves_that_feed_nothing_between_deposits(kind):
    device = machine()
    text, _ = program(moves((kind, 1, 1, 1, 1, 0)), device)
    assert body(text)[0][:2] == ("G0" if kind in (Kind.TRAVEL, Kind.LIFT) else "G1")


def test_words_stand_only_where_they_say_something_new():
    made = moves(
        (Kind.LIFT, 0, 0, 5, 0, 0),
        (Kind.TRAVEL, 10, 0, 5, 0, 0),
        (Kind.LIFT, 10, 0, 0.2, 0, 0),
        (Kind.RELOAD, 10, 0, 0.2, 0.8, 0),
        (Kind.WALL, 20, 0, 0.2, 0.3, 0),
        (Kind.WALL, 20, 0.5, 0.2, 0.02, 0),
        (Kind.WALL, 10, 0.5, 0.2, 0.3, 0),
        (Kind.RETRACT, 10, 0.5, 0.2, -0.8, 0),
    )
    text, writer = program(made, machine(), feed=np.array([10, 150, 10, 40, 20, 20, 20, 40.0]))
    assert body(text) == [
        "G0 Z5 F600",
        "G0 X10 Y0 F9000",
        "G0 Z0.2 F600",
        "G1 E0.8 F2400",
        "G1 X20 E0.3 F1200",
        "G1 Y0.5 E0.02",
        "G1 X10 E0.3",
        "G1 E-0.8 F2400",
    ]
    assert writer.lines == 8


def test_every_axis_is_named_on_its_first_move():
    # Where the start block leaves the head is the machine owner's affair: the plan must not depend on it.
    made = moves(
        (Kind.RETRACT, 7, 8, 9, -1, 0),
        (Kind.LIFT, 7, 8, 9, 0, 0),
        (Kind.TRAVEL, 7, 8, 9, 0, 0),
        (Kind.TRAVEL, 7, 8, 9, 0, 0),
        start=(7.0, 8.0, 9.0),
    )
    text, _ = program(made, machine())
    assert body(text) == ["G1 E-1 F1200", "G0 Z9", "G0 X7 Y8"]


def test_moves_below_rounding_leave_no_line_and_lose_no_filament():
    made = moves(
        (Kind.WALL, 1, 0, 0.2, 0.1, 0),
        (Kind.WALL, 1.0001, 0, 0.2, 0.000003, 0),
        (Kind.WALL, 1.0002, 0, 0.2, 0.000001, 0),
        (Kind.WALL, 1.0003, 0, 0.2, 0.000003, 0),  # by now 0.1 + 0.000007, which is another 0.00001
        (Kind.WALL, 2, 0, 0.2, 0.1, 0),
    )
    feed = np.array([20, 50, 50, 20, 30.0])
    text, writer = program(made, machine(), feed=feed)
    assert body(text) == ["G1 X1 Y0 Z0.2 E0.1 F1200", "G1 E0.00001", "G1 X2 E0.1 F1800"]
    assert writer.lines == 3


def test_numbers_at_the_edges():
    made = moves(
        (Kind.TRAVEL, -0.0004, -0.0, 0, 0, 0),
        (Kind.TRAVEL, -0.0006, 1234.5678, 0, 0, 0),
        (Kind.TRAVEL, -99999.9996, 0, 0, 0, 0),
    )
    text, _ = program(made, machine(), feed=np.array([1e-9, 1e-9, 20.0]))
    assert body(text) == ["G0 X0 Y0 Z0 F1", "G0 X-0.001 Y1234.568", "G0 X-100000 Y0 F1200"]


def test_absolute_filament_is_counted_from_each_layer():
    made = moves(
        (Kind.WALL, 1, 0, 0.2, 0.123456, 0),
        (Kind.WALL, 2, 0, 0.2, 0.123456, 0),
        (Kind.LIFT, 2, 0, 0.3, 0, 1),
        (Kind.WALL, 3, 0, 0.3, 0.123456, 1),
        (Kind.RETRACT, 3, 0, 0.3, -0.8, 1),
    )
    device = machine(NGC)
    text, _ = program(made, device, feed=np.full(5, 20.0))
    assert body(text) == [
        "G92 A0",
        "G1 X1 Y0 Z0.2 A0.12346 F1200",
        "G1 X2 A0.24691",
        "G92 A0",
        "G0 Z0.3",
        "G1 X3 A0.12346",
        "G1 A-0.67654",
    ]


def test_filament_as_a_volume():
    device = machine(VOLUME)
    text, _ = program(moves((Kind.WALL, 1, 0, 0.2, 1.0, 0)), device)
    # Area of a circle of 2.85 mm: 6.37940 mm² (geometry).
    assert body(text)[-1] == "G1 X1 Y0 Z0.2 E6.3794 F1200"


def test_comments_tell_layers_and_parts_apart():
    made = moves(
        (Kind.TRAVEL, 1, 0, 0.2, 0, 0),
        (Kind.START, 2, 0, 0.2, 0.1, 0),
        (Kind.TRAVEL, 3, 0, 0.2, 0, 0),
        (Kind.BRIM, 4, 0, 0.2, 0.1, 0),
        (Kind.LINK, 5, 0, 0.2, 0, 0),
        (Kind.BRIM, 6, 0, 0.2, 0.1, 0),
        (Kind.WALL, 7, 0, 0.2, 0.1, 0),
        (Kind.HAIRPIN, 8, 0, 0.2, 0.1, 0),
        (Kind.LIFT, 8, 0, 0.3, 0, 1),
        (Kind.WALL, 9, 0, 0.3, 0.1, 1),
    )
    text, _ = program(made, machine(), layers=12)
    assert [line if line[0] == ";" else line.split()[1] for line in panel(text)] == [
        "; layer 1/12 top 0.200 mm height 0.200 mm",
        "X1",
        "; part start line",
        "X2",
        "X3",
        "; part brim",
        "X4",
        "X5",
        "X6",
        "; part wall",
        "X7",
        "X8",
        # 0.1 mm each over moves that end at x = 2, 4, 6, 7 and 8, 1 mm long: centre (2+4+6+7+8)/5 - 1/2
        "; sum filament 0.5000 mm path 5.000 mm centre 4.900 0.000 mm",
        "; layer 2/12 top 0.300 mm height 0.100 mm",
        "Z0.3",
        "X9",
        "; sum filament 0.1000 mm path 1.000 mm centre 8.500 0.000 mm",
        "; end",
    ]


def test_marks_stand_before_the_next_line_where_their_own_move_has_none():
    made = moves(
        (Kind.WALL, 1, 0, 0.2, 0.1, 0),
        (Kind.LIFT, 1, 0, 0.2, 0, 1),
        (Kind.LIFT, 1, 0, 0.2, 0, 2),
        (Kind.BRIM, 1, 0, 0.2, 0, 2),
        (Kind.WALL, 2, 0, 0.2, 0.1, 2),
    )
    text, _ = program(made, machine())
    lines = text.splitlines()
    at = lines.index("G1 X1 Y0 Z0.2 E0.1 F1200")
    assert [line[:9] for line in lines[at + 1 : at + 8]] == [
        "; sum fil",
        "; layer 2",
        "; sum fil",
        "; layer 3",
        "; part br",
        "; part wa",
        "G1 X2 E0.",
    ]


@pytest.mark.parametrize(("fan", "expected"), [(0.0, []), (0.8, ["M106 S204"])])
def test_the_fan_starts_with_the_second_layer(fan, expected):
    made = moves(*((Kind.WALL, layer + 1, 0, 0.2 + 0.1 * layer, 0.1, layer) for layer in range(3)))
    text, _ = program(made, machine(), fan=fan)
    lines = text.splitlines()
    assert [line for line in lines if line.startswith("M106")] == expected
    assert lines[lines.index(panel(text)[0]) - 1] == "M107"  # off at the start, whatever ran before
    if expected:
        assert lines[lines.index("M106 S204") - 1].startswith("; layer 2/")


def test_a_dialect_without_a_fan():
    text, _ = program(moves((Kind.WALL, 1, 0, 0.3, 0.1, 1)), machine(fan_on="", fan_off=" \n"), fan=1.0)
    assert "M106" not in text and text.count("M107") == 1  # that of the finish block


def test_blocks_are_filled_and_blank_lines_left_out():
    start = "M104 S{nozzle}\n\n  G1 X{park_x} Y{park_y} F{travel_feed}  \nG1 Z{clear_z} F{lift_feed} ; up\n"
    device = machine(start=start, fan_off="M106 S{fan} P{fan_fraction}", finish="M2")
    text, _ = program(random_moves(0, 1), device, fan=0.3)
    assert text.splitlines()[6:] == [
        "M104 S210",
        "G1 X5 Y199.5 F9000",
        "G1 Z42.25 F600 ; up",
        "M106 S76 P0.3",
        "; end",
        "M2",
    ]


@given(st.integers(-(10**9), 10**9), st.integers(0, 7))
def test_blocks_spell_numbers_as_lines_do(value, decimals):
    (line,) = format_lines(np.ones(1, np.uint8), [Word("X", np.array([value]), decimals)])
    assert f"G1 X{format_number(value / 10**decimals, decimals)}\n" == line.decode()
    assert format_number(-0.4 / 10**decimals, decimals) == "0"


def test_every_placeholder_the_settings_promise_has_a_value():
    start = "\n".join(f"G1 X{{{name}}}" for name in PLACEHOLDERS)
    text, _ = program(random_moves(0, 1), machine(start=start), fan=0.3)
    assert text.count("G1 X") == len(PLACEHOLDERS) + 1  # the finish block has one


@pytest.mark.parametrize(
    ("block", "template", "message"),
    [
        (
            "start",
            "G21\nM104 S{nozle}",
            r"unknown placeholder \{nozle\} \(dialect.start line 2\); .*'nozzle'",
        ),
        ("finish", "M104 S{}", r"unknown placeholder \{\} \(dialect.finish line 1\); allowed: .*\{clear_z\}"),
        ("fan_on", "M106 S{speed}", r"\(dialect.fan_on line 1\)"),
        (
            "start",
            "G21 ; " + "long " * 60,
            r"the line has 305 characters \(dialect.start line 1\); allowed: at most 255",
        ),
        ("start", "G21 ; größer", "255 ASCII characters"),
    ],
)
def test_a_bad_block_is_refused_before_anything_is_written(block, template, message):
    stream = io.BytesIO()
    writer = ProgramWriter(stream, machine(**{block: template}), 1.0)
    with pytest.raises(PathgenError, match=message):
        writer.begin([], VALUES, np.ones(1), np.ones(1))
    assert stream.getvalue() == b""


@pytest.mark.parametrize("name", DIALECTS)
def test_late_facts_are_filled_into_the_room_kept_for_them(name):
    device, stream, ones = machine(name), io.BytesIO(), np.ones(1)
    style = device.dialect.comment
    writer = ProgramWriter(stream, device)
    writer.begin([("machine", device.name), ("width", "100.0")], VALUES, ones, ones, late=["time", "mass"])
    before = stream.getvalue().decode()
    writer.finish({"mass": "7.5 g (PLA)", "time": "13 h"})
    after = stream.getvalue().decode()
    shown = "7.5 g [PLA]" if style == "parentheses" else "7.5 g (PLA)"
    assert format_comment("time = " + "x" * LATE_WIDTH, style).replace("x", " ") in before.splitlines()
    assert (
        format_comment("time = 13 h" + "x" * (LATE_WIDTH - 4), style).replace("x", " ") in after.splitlines()
    )
    assert shown in after
    assert stream.tell() == len(after)
    assert len(after.splitlines()[7]) == len(before.splitlines()[7])
    assert after[len(before) :].split("\n")[0] == format_comment("end", style)  # and writing went on behind


@pytest.mark.parametrize(
    "facts", [{}, {"time": "1 s", "mas": "2 g"}, {"time": "x" * (LATE_WIDTH + 1), "mass": ""}]
)
def test_late_facts_must_be_those_announced(facts):
    writer = ProgramWriter(io.BytesIO(), machine())
    writer.begin([], VALUES, np.ones(1), np.ones(1), late=["time", "mass"])
    with pytest.raises(ValueError, match="late fact"):
        writer.finish(facts)


@pytest.mark.parametrize("style", ["semicolon", "parentheses"])
@given(text=st.text())
def test_any_text_makes_one_harmless_comment(style, text):
    line = format_comment(text, style)
    assert len(line) <= 255 and line.isascii() and line.isprintable()
    if style == "parentheses":
        assert re.fullmatch(r"\([^()]*\)", line)
    else:
        assert line.startswith("; ")


def test_nothing_to_write():
    made, device = random_moves(0, 1), machine()
    text, writer = program(made, device)
    assert writer.lines == 0
    assert "layer" not in text and text.endswith("M2 ; end of program\n")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e15])
@pytest.mark.parametrize("column", ["x", "z", "filament", "feed"])
def test_what_is_not_finite_is_refused(bad, column):
    made = moves((Kind.WALL, 1, 0, 0.2, 0.1, 0), (Kind.WALL, 2, 0, 0.2, 0.1, 0))
    getattr(made, column)[1] = bad
    with pytest.raises(PathgenError, match="is too large or not a finite number"):
        program(made, machine())


def test_as_many_feeds_as_moves():
    with pytest.raises(ValueError, match="there are 1 feeds for 2 moves"):
        program(moves(*[(Kind.WALL, 1, 0, 0.2, 0.1, 0)] * 2), machine(), feed=np.ones(1))


def test_blocks_may_come_from_joined_moves():
    parts = [random_moves(50, 2, seed) for seed in range(2)]
    made = concatenate(parts)
    order = np.argsort(made.layer, kind="stable")
    made = Moves(made.start, **{n: getattr(made, n)[order] for n in Moves.__slots__ if n != "start"})
    assert program(made, machine(), blocks=[50])[0] == program(made, machine())[0]
