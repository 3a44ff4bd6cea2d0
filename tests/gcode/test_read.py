"""Reading programs: what the text plainly says, what is refused, and what pathgen itself writes."""

from __future__ import annotations

import io
import math
import tracemalloc

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.gcode import read as read_module
from pathgen.gcode.block import Grammar, parse_block
from pathgen.gcode.comments import header_sum
from pathgen.gcode.read import read_program
from pathgen.gcode.scan import scan_lines
from pathgen.gcode.write import ProgramWriter
from pathgen.motion.moves import DEPOSITS, Kind, Moves
from pathgen.settings import load_machine, machine_names
from pathgen.settings.machine import Dialect, Machine

RELATIVE = Dialect(
    extruder="E",
    filament_mode="relative",
    filament_unit="mm",
    comment="semicolon",
    heaters="program",
    start="",
    finish="",
    own_words=("E", "M82", "M83", "M84", "M104", "M106", "M107"),
)
VOLUME = Dialect(
    extruder="E",
    filament_mode="absolute",
    filament_unit="mm3",
    comment="semicolon",
    heaters="machine",
    start="",
    finish="",
    own_words=("E",),
)
STRICT = Dialect(
    extruder="A",
    filament_mode="absolute",
    filament_unit="mm",
    comment="parentheses",
    heaters="machine",
    start="",
    finish="",
)

# --- what the text plainly says --------------------------------------------------------------------------


MARKED = b"""; picture = north pier
; width = 40.5
; time =
G21
M83
M104 S205
G28
G1 Z5 F600
; layer 1/2 top 0.300 mm height 0.300 mm
; part brim
G0 X10.5 Y12 F9000
G1 Z0.3 F600
X20.25 E0.51234 F1200
G1 E-4 F2400
G0 X30 Y30 F9000
G1 E4 F2400
; part wall
G1 X40.125 E0.75 F1200
; layer 2/2 top 0.500 mm height 0.200 mm
; late = no fact
M106 S255
G1 Z0.5
X30 E1.5 ; part brim
; end
M104 S0
M2
"""


def test_header_kinds_layers_and_events():
    program = read_program(MARKED, RELATIVE, 1.75)
    assert program.header == {"picture": "north pier", "width": "40.5", "time": ""}
    assert program.marked
    assert program.ended
    m, k = program.moves, Kind
    wanted = [k.LIFT, k.TRAVEL, k.LIFT, k.BRIM, k.RETRACT, k.TRAVEL, k.RELOAD, k.WALL, k.LIFT, k.WALL]
    assert m.kind.tolist() == wanted
    assert m.layer.tolist() == [0] * 8 + [1] * 2
    assert program.line.tolist() == [8, 11, 12, 13, 14, 15, 16, 18, 22, 23]
    np.testing.assert_array_equal(program.tops, [0.3, 0.5])
    assert program.events == (
        (4, "G21", 0),
        (5, "M83", 0),
        (6, "M104 S205", 0),
        (7, "G28", 0),
        (21, "M106 S255", 8),
        (25, "M104 S0", 10),
        (26, "M2", 10),
    )


def test_the_start_line_has_its_kind():
    text = b"; part start line\nG1 X10 E1 F600\n; part wall\nX20 E1\nM2\n"
    assert read_program(text, RELATIVE, 1.75).moves.kind.tolist() == [Kind.START, Kind.WALL]


def test_programs_of_others_get_kinds_and_layers_from_motion():
    text = b"G1 Z0.2 F600\nG1 X10 E1\nG1 E-2\nG0 Z2\nG0 X0\nG1 Z0.4\nG1 E2\nG1 X5 E1\nG1 Z0.2\nG1 X9 E1\n"
    program = read_program(text, RELATIVE, 1.75)
    k = Kind
    wanted = [k.LIFT, k.WALL, k.RETRACT, k.LIFT, k.TRAVEL, k.LIFT, k.RELOAD, k.WALL, k.LIFT, k.WALL]
    assert program.moves.kind.tolist() == wanted
    assert program.moves.layer.tolist() == [0, 0, 0, 0, 0, 0, 0, 1, 1, 0]
    assert not program.marked
    assert not program.ended


def test_feed_and_filament_units():
    m = read_program(b"G20\nG1 X1 F60 E1\nG21\nX1 E1\n", RELATIVE, 1.75).moves
    np.testing.assert_allclose(m.x, [25.4, 1.0])
    np.testing.assert_allclose(m.feed, [25.4, 25.4])  # inch a minute times 60
    np.testing.assert_allclose(m.filament, [25.4, 1.0])
    m = read_program(b"G1 X1 E2.405282 F60\nX2 E4.810564\n", VOLUME, 1.75).moves
    np.testing.assert_allclose(m.filament, [1.0, 1.0], rtol=1e-6)  # pi/4 x 1.75 mm squared is 2.405282 mm2


def test_resets_shift_the_program_and_not_the_machine():
    m = read_program(b"G1 X10 Y5 F60\nG92 X0\nX1\nG28\nX2\n", RELATIVE, 1.75).moves
    assert m.x.tolist() == [10.0, 11.0, 0.0, 2.0]  # homing drops the shift; its way is a move
    assert m.y.tolist() == [5.0, 5.0, 0.0, 0.0]
    m = read_program(b"G1 X10 F60\nG92 X0\nG53 G0 X3\nX4\nG92.1\nX4\n", STRICT, 1.75).moves
    assert m.x.tolist() == [10.0, 3.0, 14.0, 4.0]


def test_axes_that_are_named_are_homed_alone():
    """Common practice of open controllers: G28 with letters homes those axes, G28 alone homes all of them."""
    m = read_program(b"G1 X10 Y5 Z3 F60\nG28 X0 Z0\nG1 X2\n", RELATIVE, 1.75).moves
    assert m.x[-1] == 2.0
    assert (m.x[-2], m.y[-2], m.z[-2]) == (0.0, 5.0, 0.0)


def test_filament_axis_follows_distance_mode_and_resets():
    m = read_program(
        b"G1 X1 A1 F60\nX2 A3\nG92 A0\nX3 A1\nG91\nX1 A1\nG90\nX9 A2.5\nG92.1\nX10 A6\n", STRICT, 1.75
    ).moves
    np.testing.assert_allclose(m.filament, [1.0, 2.0, 1.0, 1.0, 0.5, 0.5])


def test_block_delete_switch():
    text = b"G1 X1 F60\n/X2\nX3\n"
    assert read_program(text, RELATIVE, 1.75).moves.x.tolist() == [1.0, 2.0, 3.0]
    assert read_program(text, RELATIVE, 1.75, block_delete=True).moves.x.tolist() == [1.0, 3.0]


@pytest.mark.parametrize(
    ("arc", "turns", "centre"),
    [
        (b"G3 X-10 Y0 I-10 J0", 0.5, (0, 0)),
        (b"G2 X-10 Y0 I-10 J0", -0.5, (0, 0)),
        (b"G3 X0 Y10 R10", 0.25, (0, 0)),
        (b"G2 X0 Y10 R10", -0.25, (10, 10)),
        (b"G3 X0 Y10 R-10", 0.75, (10, 10)),
        (b"G2 X0 Y10 R-10", -0.75, (0, 0)),
        (b"G3 X10 Y0 I-10 J0", 1.0, (0, 0)),
        (b"G2 X10 I-10", -1.0, (0, 0)),
    ],
)
def test_arcs_become_chords_on_the_circle(arc, turns, centre):
    """G2 clockwise, G3 counter-clockwise, a negative R the longer way: NISTIR 6556, 3.5.3."""
    m = read_program(b"G1 X10 Y0 Z1 F60\n" + arc + b" Z3 E8\n", RELATIVE, 1.75).moves
    u, v = m.x - centre[0], m.y - centre[1]
    np.testing.assert_allclose(np.hypot(u, v), 10.0, atol=1e-9)
    turned = np.unwrap(np.arctan2(v, u))
    assert (turned[-1] - turned[0]) / (2 * np.pi) == pytest.approx(turns)
    chord = np.hypot(np.diff(u), np.diff(v))
    assert (10.0 - np.sqrt(100.0 - (chord / 2) ** 2) <= 0.005 + 1e-12).all()  # the gap stated
    np.testing.assert_allclose(np.diff(m.z), 2.0 / len(chord))
    np.testing.assert_allclose(m.filament[1:], 8.0 / len(chord))
    assert set(m.kind[1:].tolist()) == {Kind.WALL}


def test_file_and_bytes_read_alike(tmp_path):
    path = tmp_path / "pier.gcode"
    path.write_bytes(MARKED)
    for source in (path, str(path)):
        found, wanted = (read_program(s, RELATIVE, 1.75).moves for s in (source, MARKED))
        np.testing.assert_array_equal(found.x, wanted.x)
    with pytest.raises(PathgenError, match="no such file .*missing"):
        read_program(tmp_path / "missing.gcode", RELATIVE, 1.75)


# --- refusals and ends -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"G1 X", "letter X has no number"),
        (b"G1 X+-5", r"X\+-5 is not a word"),
        (b"G1 X5-3", "not a word|not part of a word"),
        (b"G1 X1.2.3", "not a word|not part of a word"),
        (b"G1 X.", "not a word"),
        (b"G1 X5 U1", "unknown letter U"),
        (b"G1 X5 (un(nested))", "parentheses"),
        (b"G1 X5 (open", "parentheses"),
        (b"G1 X5 )", "parentheses"),
        (b"G1 X5 " + b" " * 251, "257 characters"),
        (b"G0 G1 X5", "G0 and G1 belong to one modal group"),
        (b"G90 G91", "G90 and G91 belong to one modal group"),
        (b"M0 M1 X5", "belong to one modal group"),
        (b"M7", "M7 is not supported"),
        (b"M6", "M6 is not supported"),
        (b"G18", "G18 is not supported"),
        (b"T1", "T1 selects another tool"),
        (b"M104 S200 P1", "P belongs to no command"),
        (b"G1 X5 S200", "S belongs to no command"),
        (b"G1 X1e3", "may read an exponent"),
        (b"g1 X1 Y2e-3", "may read an exponent"),
        (b"G1 X5 X6", "X occurs twice"),
        (b"G1 X5 \xb5", "contains a byte that is not ASCII"),
        (b"G1 Xnan", "unknown|no number"),
        (b"G1", "the motion has no axis word"),
        (b"G1 X5*71", "checksums"),
        (b"G1 X#5", "not a word"),
        (b"#1=5", "parameters"),
        (b"X[1+2]", "not a word"),
        (b"5 X5", "not part of a word"),
        (b"G1 X5 N5", "not the first word"),
        (b"N-5 G1 X5", "invalid line number"),
        (b"N123456 X5", "invalid line number"),
        (b"G-1 X5", "is not supported"),
        (b"G1.5 X5", "is not supported"),
        (b"G10 L2 P1 X5", "G10 is not supported"),
        (b"G55", "G55 is not supported"),
        (b"M117 P5", "M117 is not supported"),
        (b"G2 X10 Y10", "has no centre"),
        (b"G2 X10 Y10 I1 R5", "both a centre and a radius"),
        (b"G2 X10 Y10 I1 J1", "different distances"),
        (b"G2 X90 R5", "further apart than twice"),
        (b"G2 I5", "the motion has no axis word"),
        (b"G2 E5 I5", "has no end point"),
        (b"G1 X5 I3", "allowed only in an arc"),
        (b"G1 X5 P3", "P belongs to no command"),
        (b"G1 X5 B3", "B belongs to no command"),
        (b"G80 X5", "need a motion mode"),
        (b"G28 G1 X5", "both use axis words"),
        (b"G92", "G92 needs an axis word"),
        (b"G4", "dwell"),
        (b"G1 X5 F-5", "feed is negative"),
        (b"G2 X50.0001 I9999999 J0", "different distances|chords"),
        (b"G1 X5 \x00", "unexpected"),
        (b"X5\rX6", "unexpected"),
    ],
)
def test_refusals_name_line_and_content(line, why):
    with pytest.raises(PathgenError, match=why) as refused:
        read_program(b"G21\nG1 X0 F60\n" + line + b"\nM2\n", RELATIVE, 1.75)
    assert refused.value.where == "line 3"
    shown = line[:20].decode("ascii", "replace").split("\ufffd")[0].split("\x00")[0].split("\r")[0]
    assert shown.strip() in refused.value.what
    assert "\n" not in str(refused.value)


def test_exponents_are_refused_where_e_is_no_letter():
    with pytest.raises(PathgenError, match="unknown letter E"):
        read_program(b"G1 X1E2\n", STRICT, 1.75)


def test_motion_needs_a_mode():
    with pytest.raises(PathgenError, match=r"need a motion mode.*none is in force.*line 1"):
        read_program(b"X5 F60\n", RELATIVE, 1.75)


def test_a_feed_alone_is_an_error_of_strict_controllers_only():
    program = read_program(b"G1 X5 E1 F60\nG1 F600\nX6\n", RELATIVE, 1.75)
    assert program.feed_only.tolist() == [2] and program.moves.feed.tolist() == [1.0, 10.0]
    with pytest.raises(PathgenError, match="no axis word"):
        read_program(b"G1 X5 F60\nG1 F600\n", STRICT, 1.75)


def test_words_without_blanks_are_not_exponents():
    m = read_program(b"g1x10y20e0.5f600\nG1E4\nG1X11E2\nG1 X12 E3\n", RELATIVE, 1.75).moves
    assert m.filament.tolist() == [0.5, 4.0, 2.0, 3.0] and m.x.tolist() == [10.0, 10.0, 11.0, 12.0]


@pytest.mark.parametrize(
    ("text", "why"),
    [(b"\xef\xbb\xbfG21\nM2\n", "byte order mark"), (b"G21\rG90\rM2\r", "carriage returns alone")],
)
def test_what_makes_every_line_unreadable_is_named(text, why):
    with pytest.raises(PathgenError, match=why):
        read_program(text, RELATIVE, 1.75)


def test_the_first_faulty_line_is_named():
    """One fault shows in the columns, a later one in a line read by itself."""
    with pytest.raises(PathgenError, match="line 2"):
        read_program(b"G1 X1 F60\nG1\nX5\nM9999\n", RELATIVE, 1.75)


def test_an_extruder_letter_that_is_taken():
    dialect = Dialect(
        extruder="R",
        filament_mode="relative",
        filament_unit="mm",
        comment="semicolon",
        heaters="machine",
        start="",
        finish="",
    )
    with pytest.raises(PathgenError, match="already has a meaning"):
        read_program(b"", dialect, 1.75)


def test_a_diameter_that_is_none():
    with pytest.raises(PathgenError, match="filament diameter is 0"):
        read_program(b"", RELATIVE, 0.0)


def test_empty_text():
    for text in (b"", b"\n\n", b"; nothing\n"):
        program = read_program(text, RELATIVE, 1.75)
        assert len(program.moves) == 0
        assert program.moves.end == (0.0, 0.0, 0.0)
        assert not program.ended


def test_nothing_is_read_behind_the_end():
    program = read_program(b"G1 X1 F60\nM2\nG1 X2\n?!\n", RELATIVE, 1.75)
    assert program.ended
    assert program.moves.x.tolist() == [1.0]
    program = read_program(b"%\nG1 X1 F60\n%\n?!\n", RELATIVE, 1.75)
    assert program.ended


# --- size ------------------------------------------------------------------------------------------------


def many(moves: int, tail: str = "") -> bytes:
    rng = np.random.default_rng(5)
    x, y, e = rng.uniform(0, 200, moves), rng.uniform(0, 200, moves), rng.uniform(0, 0.05, moves)
    return "".join(f"G1 X{a:.3f} Y{b:.3f} E{c:.5f}{tail}\n" for a, b, c in zip(x, y, e, strict=True)).encode()


def test_memory_is_the_columns_and_a_piece():
    """Columns take 53 bytes a move and are held at most twice while stretches are joined."""
    text = many(150_000)
    tracemalloc.start()
    try:
        program = read_program(text, RELATIVE, 1.75)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(program.moves) == 150_000
    assert peak < 2 * 53 * 150_000 + 24 * read_module.PIECE


def test_ordinary_lines_take_the_quick_way():
    """Comments, line numbers and CR LF do not send lines to the slow way."""
    grammar = Grammar.of(RELATIVE)
    for tail in ("", " ; a remark with 3 words", " (a remark)", "\r"):
        found = scan_lines(many(50, tail), grammar)
        assert not len(found.odd)
        assert {name: len(column.line) for name, column in found.words.items()} == dict.fromkeys("GXYE", 50)
    assert parse_block(b"G1 X1", 1, grammar).codes == ("G1",)


# --- what pathgen writes, read back ----------------------------------------------------------------------


def panel_moves(layers: int, many: int = 200) -> Moves:
    """A plan with every kind of move in it: for each layer the way there, then beads and a few dry links."""
    rng = np.random.default_rng(4)
    rows, at = [], (10.0, 10.0)
    for layer in range(layers):
        z, low = 0.3 + 0.1 * layer, 0.2 + 0.1 * layer
        u, n = 60 + rng.uniform(0, 80, many), 90 + rng.uniform(0, 3, many)
        rows += [
            (*at, low, -1.5, Kind.RETRACT, 40.0, layer),
            (*at, z, 0.0, Kind.LIFT, 10.0, layer),
            (50.0, 88.0, z, 0.0, Kind.TRAVEL, 120.0, layer),
            (50.0, 88.0, z, 1.5, Kind.RELOAD, 40.0, layer),
        ]
        kinds = rng.choice([Kind.WALL, Kind.HAIRPIN, Kind.LINK], many, p=[0.8, 0.15, 0.05])
        kinds[:20] = Kind.BRIM if layer == 0 else Kind.WALL
        for x, y, kind in zip(u, n, kinds, strict=True):
            fed = 0.0 if kind == Kind.LINK else rng.uniform(0.001, 0.08)
            rows.append((x, y, z, fed, kind, 20.0, layer))
        at = (u[-1], n[-1])
    x, y, z, fed, kind, feed, layer = np.array(rows).T.copy()
    return Moves((10.0, 10.0, 0.2), x, y, z, fed, feed, kind.astype(np.uint8), layer.astype(np.int32))


def written(moves: Moves, machine: Machine, layers: int) -> bytes:
    stream = io.BytesIO()
    writer = ProgramWriter(stream, machine, fan=0.5)
    values = {"nozzle": 205.0, "platform": 60.0, "park_x": 5.0, "park_y": 200.0, "clear_z": 40.0}
    top = 0.3 + 0.1 * np.arange(layers)
    height = np.diff(top, prepend=0.0)
    writer.begin([("picture", "north pier, 1912"), ("width", "80 mm")], values, top, height, late=["time"])
    writer.write(moves, moves.feed)
    writer.finish({"time": "00:12:00"})
    return stream.getvalue()


@pytest.mark.parametrize("name", machine_names())
def test_a_written_program_reads_back_as_planned(name):
    """Positions within half their last decimal, filament within half of its own at every move's end."""
    machine, layers = load_machine(name), 5
    moves = panel_moves(layers)
    program = read_program(
        written(moves, machine, layers), machine.dialect, machine.hot_end.filament_diameter
    )
    assert program.ended
    assert program.marked
    facts = {"picture": "north pier, 1912", "width": "80 mm", "time": "00:12:00"}
    assert program.header == facts | {"header sum": header_sum(facts)}
    np.testing.assert_allclose(program.tops, 0.3 + 0.1 * np.arange(layers))

    deposits = np.flatnonzero(np.isin(moves.kind, DEPOSITS))
    read = program.moves
    found = np.flatnonzero(np.isin(read.kind, DEPOSITS))
    assert len(found) == len(deposits)
    place = 0.5 * 10.0**-machine.dialect.position_decimals + 1e-9
    for axis in "xyz":
        np.testing.assert_allclose(
            getattr(read, axis)[found], getattr(moves, axis)[deposits], rtol=0, atol=place
        )
    unit = (
        math.pi * machine.hot_end.filament_diameter**2 / 4 if machine.dialect.filament_unit == "mm3" else 1.0
    )
    fed = 0.5 * 10.0**-machine.dialect.filament_decimals / unit + 1e-9
    before = np.cumsum(read.filament)[found] - np.cumsum(moves.filament)[deposits]
    assert np.abs(before - before[0]).max() <= 2 * fed  # rounding never adds up

    spoken = np.where(moves.kind == Kind.HAIRPIN, Kind.WALL, moves.kind)  # a turn is written as wall
    np.testing.assert_array_equal(read.kind[found], spoken[deposits])
    np.testing.assert_array_equal(read.layer[found], moves.layer[deposits])
    for kind in (Kind.RETRACT, Kind.RELOAD):
        assert (read.kind == kind).sum() == (moves.kind == kind).sum()
    np.testing.assert_allclose(read.feed[found], moves.feed[deposits], atol=0.01)


def test_with_a_number_of_faults_allowed_unknown_codes_are_taken_as_the_machines_own():
    """M999 means nothing in RS-274; whoever asks for faults gets it as a word, others an error."""
    dialect = load_machine("moving-table").dialect
    text = b"G21\nG90\nM999\nG1 X1 F60\nM2\n"
    with pytest.raises(PathgenError, match="M999"):
        read_program(text, dialect, 1.75)
    read = read_program(text, dialect, 1.75, max_faults=1)
    assert len(read.moves) == 1 and read.ended


@pytest.mark.parametrize("allowed", [1, 2, 3, 9])
def test_faults_are_recorded_with_line_and_text_up_to_the_number_allowed(allowed):
    """Three lines are no RS-274: a word without a number, each with another neighbour."""
    dialect = load_machine("moving-table").dialect
    lines = ["G21", "G90", "G1 X", "G1 X1 F60", "G1 Y", "G1 X2", "G1 Z", "M2"]
    read = read_program("\n".join(lines).encode() + b"\n", dialect, 1.75, max_faults=allowed)
    wrong = [number for number, line in enumerate(lines, start=1) if line[-1].isalpha()]
    assert [fault.line for fault in read.faults] == wrong[:allowed]
    assert [fault.text for fault in read.faults] == [lines[number - 1].encode() for number in wrong[:allowed]]
    assert all(fault.why for fault in read.faults)
