"""Reading programs: against a slow reader written here, line by line, and what the text plainly says."""

from __future__ import annotations

import math
import random
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.gcode import read as read_module
from pathgen.gcode.block import Grammar, parse_block
from pathgen.gcode.read import read_program
from pathgen.gcode.scan import scan
from pathgen.motion.moves import Kind
from pathgen.settings.machine import Dialect

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

GOOD = {
    "relative": (
        RELATIVE,
        b"""; picture = north pier
; width = 40.5
G21
G90
M83
M104 S205
G28
G1 Z5 F600
; layer 1/2 top 0.300 mm
; part brim
G0 X10.5 Y12 F9000
G1 Z0.3 F600
G1 X20.25 E0.51234 F1200
X20.25 Y14.5 E.125
G1 E-4 F2400
G0 X30 Y30 F9000
G1 E4 F2400
; part wall
G1 X40.125 Y30.5 E0.75 F1200
G3 X42 Y32.375 R1.875 E0.1
G2 X40 Y32.375 I-1 J0 E0.2
g1 x 39.5 y+31 e0.02 ; lower case and blanks
N120 G1 X38.5 Y-31 E0.02
; layer 2/2 top 0.500 mm
G91
G1 Z0.2
G90
M106 S255
G92 E0
G1 X10 Y30 E1.5
G92 X0
G1 X5 E0.25 (a remark)
G4 P0.5
M107
M104 S0
G1 Z20 F600
M2
""",
    ),
    "volume": (
        VOLUME,
        b"G21\nG90\nG28\nG1 Z0.3 F600\nG92 E0\nG1 X10 Y10 E0.8 F1500\nX20 E2.9\nG92 E0\nY20 E1.5\nX10 E3.25\n"
        b"G1 E1.25\nG0 X50\nG1 E3.25\nG1 X60 Y21.5 Z.6 E4.5\nM30\n",
    ),
    "strict": (
        STRICT,
        b"%\n(north pier)\nN1 G17 G21 G40 G49 G54 G90\nN2 G64 G80 G94\nN3 G1 Z5 F600 (off the platform)\n"
        b"G92 A0\nG0 X10 Y10\nG1 Z.3\nX20 A.5 F1500\nX20 Y20 A1.25\nG2 X22 Y18 R2 A1.3\nM8\nG92 A0\n"
        b"G1 X10 A.7\n"
        b"G91 G1 X-5 A0.25\nY-2.5 A.125\nG90 G0 Z5\nG53 G0 X1\nG20\nG1 X1.5 A1 F60\nG21\nM9\n"
        b"G92.1\nG1 X9 A3\nM2\n%\n",
    ),
}


# --- the slow reader: one line after another, one character after another ---------------------------------


class Refused(Exception):
    """The slow reader's refusal; carries the line number."""


LETTERS = set("ABCDFGHIJKLMNPQRSTXYZ")  # NISTIR 6556, Table 3
MODAL = [  # NISTIR 6556, Table 4 and the M groups of 3.6, as far as they are followed
    {"G0", "G1", "G2", "G3", "G80"},
    {"G17", "G18", "G19"},
    {"G20", "G21"},
    {"G90", "G91"},
    {"G94"},
    {"G40"},
    {"G49"},
    {"G54"},
    {"G61", "G61.1", "G64"},
    {"G98", "G99"},
    {"G4", "G28", "G53", "G92", "G92.1", "G92.2"},
    {"M0", "M1", "M2", "M30", "M60"},
    {"M6"},
    {"M3", "M4", "M5"},
    {"M7", "M8", "M9"},
    {"M48", "M49"},
]


def slow_words(line: bytes, letters: set[str]) -> list[tuple[str, str]]:
    """Cut one line into words, by hand; ValueError where that fails."""
    words: list[tuple[str, str]] = []
    fresh = False  # the last word still takes characters
    i = 0
    while i < len(line):
        c = chr(line[i])
        if c == ";":
            break
        if c == "(":
            close = line.find(b")", i)
            if close < 0 or b"(" in line[i + 1 : close]:
                raise ValueError("parentheses")
            i, fresh = close + 1, False
            continue
        i += 1
        if c in " \t":
            continue
        if c in "+-.0123456789" and fresh:
            words[-1] = (words[-1][0], words[-1][1] + c)
        elif c.isascii() and c.isalpha() and c.upper() in letters:
            words.append((c.upper(), ""))
            fresh = True
        else:
            raise ValueError(f"unexpected {c!r}")
    for _, number in words:
        body = number[1:] if number[:1] in ("+", "-") else number
        if body.count(".") > 1 or not body.replace(".", "").isdigit():
            raise ValueError(f"{number!r} is no number")
    return words


class SlowReader:
    def __init__(self, dialect: Dialect, diameter: float) -> None:
        self.letters = LETTERS | {w for w in dialect.own_words if len(w) == 1} | {dialect.extruder}
        self.own = {w for w in dialect.own_words if len(w) > 1}
        self.e = dialect.extruder
        self.strict = dialect.extruder in "ABCUVW"
        self.volume = dialect.filament_unit == "mm3"
        self.area = math.pi * diameter**2 / 4
        self.pos = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.shift = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.e_word = self.e_total = 0.0  # mm of filament
        self.unit, self.absolute, self.plane = 1.0, True, "G17"
        self.e_absolute = True if self.strict else dialect.filament_mode == "absolute"
        self.motion: str | None = None
        self.feed = 0.0
        self.moves: list[tuple[float, ...]] = []
        self.events: list[tuple[int, int]] = []
        self.ended, self.percents, self.begun = False, 0, False

    def read(self, text: bytes) -> SlowReader:
        lines = text.split(b"\n")
        for number, line in enumerate(lines, start=1):
            last = number == len(lines)  # without a line end
            try:
                self.line(line.removesuffix(b"\r"), number)
            except ValueError as error:
                if last and len(line) <= 256:  # cut off on its way
                    self.events = [e for e in self.events if e[0] < number]
                    return self
                raise Refused(number) from error
            if self.ended:
                return self
        return self

    def line(self, line: bytes, number: int) -> None:
        if len(line) > 256:
            raise ValueError("too long")
        if line.strip(b" \t") == b"%":
            self.percents += 1
            self.ended = self.begun or self.percents > 1
            return
        code = line.lstrip(b" \t")
        words = slow_words(code[1:] if code.startswith(b"/") else line, self.letters)
        if words and words[0][0] == "N":
            digits = words[0][1]
            if not (digits.isdigit() and len(digits) <= 5):
                raise ValueError("line number")
            words = words[1:]
            if code.removeprefix(b"/").lstrip(b" \t")[:1] not in (b"N", b"n"):
                raise ValueError("line number behind a comment")
            if not words:
                self.begun = True  # it is a block all the same
        if words:
            self.begun = True
            self.block(words, number)

    def block(self, words: list[tuple[str, str]], number: int) -> None:
        values: dict[str, float] = {}
        codes: list[str] = []
        for letter, text in words:
            if letter in values or letter == "N":
                raise ValueError("letter twice")
            if letter not in "GM":
                values[letter] = float(text)
                continue
            code = letter + f"{float(text):.6f}".rstrip("0").rstrip(".")
            followed = any(code in group for group in MODAL) or code in self.own
            if text[0] in "+-" or not followed or float(code[1:]) != float(text):
                raise ValueError(f"{code} is not followed")
            codes.append(code)
        for group in [*MODAL, {"M82", "M83"}, *({c} for c in self.own)]:
            if sum(c in group for c in codes) > 1:
                raise ValueError("two of one group")
        if sum(c[0] == "M" for c in codes) > 4 or values.get("F", 0.0) < 0:
            raise ValueError("M words, F")
        self.obey(values, codes, number)

    def obey(self, v: dict[str, float], codes: list[str], number: int) -> None:
        axes = [a for a in ("X", "Y", "Z", self.e) if a in v]
        explicit = next((c for c in codes if c in ("G0", "G1", "G2", "G3")), None)
        setter = next((c for c in codes if c in ("G28", "G92")), None)
        own = [c for c in codes if c in self.own and c not in ("M82", "M83")]
        if setter and explicit:
            raise ValueError("two want the axes")
        eats = bool(setter or (own and not explicit))
        fine = {"X", "Y", "Z", "F", "S", "T", self.e} | (set() if eats else {"I", "J", "R"})
        if "G4" in codes or "G64" in codes:
            fine.add("P")
        if not own and set(v) - fine:
            raise ValueError("a word without a home")
        if "G4" in codes and v.get("P", v.get("S", -1) if not self.strict else -1) < 0:
            raise ValueError("dwell")
        if setter == "G92" and not axes or setter == "G28" and self.strict and axes:
            raise ValueError(setter)
        if [c for c in codes if c not in ("G0", "G1", "G2", "G3")] or "S" in v or "T" in v:
            self.events.append((number, len(self.moves)))
        if "F" in v and not (own and not explicit and not setter):
            self.feed = v["F"] * self.unit / 60.0
        for code in codes:
            self.mode(code)
        if setter == "G28":
            self.home([a for a in "XYZ" if a in v] or ["X", "Y", "Z"], number)
        if setter == "G92":
            for a in axes:
                if a == self.e:
                    self.e_word = v[a] * self.e_unit()
                else:
                    self.shift[a] = self.pos[a] - v[a] * self.unit
        if not eats:
            self.move(v, axes, explicit, "G53" in codes, number)
        self.ended = "M2" in codes or "M30" in codes

    def e_unit(self) -> float:
        return 1 / self.area if self.volume else self.unit

    def mode(self, code: str) -> None:
        if code in ("G20", "G21"):
            if self.volume and (self.unit == 1.0) != (code == "G21"):
                raise ValueError("units of a volume")
            self.unit = 25.4 if code == "G20" else 1.0
        if code in ("G90", "G91"):
            self.absolute = code == "G90"
            if self.strict:
                self.e_absolute = self.absolute
        if code in ("M82", "M83"):
            self.e_absolute = code == "M82"
        if code in ("G17", "G18", "G19"):
            self.plane = code
        if code in ("G0", "G1", "G2", "G3", "G80"):
            self.motion = code
        if code in ("G92.1", "G92.2"):
            self.shift = dict.fromkeys("XYZ", 0.0)
            self.e_word = self.e_total

    def home(self, axes: list[str], number: int) -> None:
        target = {a: 0.0 if a in axes else p for a, p in self.pos.items()}
        if target != self.pos:
            self.moves.append((number, target["X"], target["Y"], target["Z"], 0.0, self.feed))
        self.pos = target
        if self.strict:
            self.e_word, self.e_total = self.e_word - self.e_total, 0.0
        else:
            self.shift |= dict.fromkeys(axes, 0.0)

    def move(
        self, v: dict[str, float], axes: list[str], explicit: str | None, machine: bool, number: int
    ) -> None:
        arc = self.motion in ("G2", "G3")
        straight = self.motion in ("G0", "G1")
        if explicit and not axes or axes and not (arc or straight):
            raise ValueError("axis words")
        if {"I", "J", "R"} & set(v) and not (arc and axes):
            raise ValueError("arc words")
        if machine and (not straight or not self.absolute or self.e in v or not axes):
            raise ValueError("G53")
        if not axes:
            return
        start, end = dict(self.pos), dict(self.pos)
        for a in axes:
            if a != self.e:
                value = v[a] * self.unit
                shift = 0.0 if machine else self.shift[a]
                end[a] = value + shift if self.absolute else start[a] + value
        fed = 0.0
        if self.e in v:
            word = v[self.e] * self.e_unit()
            fed = word - self.e_word if self.e_absolute else word
            self.e_word = word if self.e_absolute else self.e_word + word
        self.e_total += fed
        if arc:
            self.arc(v, axes, start, end, fed, number)
        else:
            self.moves.append((number, end["X"], end["Y"], end["Z"], fed, self.feed))
        self.pos = end

    def arc(self, v, axes, start, end, fed, number):  # type: ignore[no-untyped-def]
        if self.plane != "G17" or not ("X" in axes or "Y" in axes):
            raise ValueError("plane, end")
        x0, y0, x1, y1 = start["X"], start["Y"], end["X"], end["Y"]
        centred = "I" in v or "J" in v
        if centred == ("R" in v):
            raise ValueError("centre or radius")
        left = self.motion == "G3"  # counter-clockwise
        if centred:
            cx, cy = x0 + v.get("I", 0.0) * self.unit, y0 + v.get("J", 0.0) * self.unit
        else:
            r, d = v["R"] * self.unit, math.hypot(x1 - x0, y1 - y0)
            if d == 0 or d / 2 > abs(r) + 0.002:
                raise ValueError("radius")
            h = math.sqrt(max(r * r - d * d / 4, 0.0)) * (1 if left == (r > 0) else -1)
            cx, cy = (x0 + x1) / 2 - (y1 - y0) / d * h, (y0 + y1) / 2 + (x1 - x0) / d * h
        r0, r1 = math.hypot(x0 - cx, y0 - cy), math.hypot(x1 - cx, y1 - cy)
        if r0 == 0 or centred and abs(r0 - r1) > 0.002:
            raise ValueError("radii")
        a0 = math.atan2(y0 - cy, x0 - cx)
        sweep = math.atan2(y1 - cy, x1 - cx) - a0
        if (x0, y0) == (x1, y1):
            sweep = 2 * math.pi
        elif left:
            sweep %= 2 * math.pi
        else:
            sweep = 2 * math.pi - sweep % (2 * math.pi)
        count = math.ceil(sweep / (2 * math.acos(1 - min(0.005 / max(r0, r1), 1.0))) - 1e-9)
        if count > 100_000:
            raise ValueError("chords")
        for k in range(1, count + 1):
            a, r = a0 + (1 if left else -1) * sweep * k / count, r0 + (r1 - r0) * k / count
            x, y = (cx + r * math.cos(a), cy + r * math.sin(a)) if k < count else (x1, y1)
            z = start["Z"] + (end["Z"] - start["Z"]) * k / count
            self.moves.append((number, x, y, z, fed / count, self.feed))


def fast(text: bytes, dialect: Dialect, diameter: float = 1.75) -> tuple[np.ndarray, list, bool] | int:
    """What pathgen reads: (moves, events, ended), or the line it refuses."""
    try:
        program = read_program(text, dialect, diameter)
    except PathgenError as error:
        assert error.where.startswith("line "), error
        return int(error.where[5:])
    m = program.moves
    table = np.stack([program.line, m.x, m.y, m.z, m.filament, m.feed], axis=1)
    return table, [(e.line, e.move) for e in program.events], program.ended


def slow(text: bytes, dialect: Dialect, diameter: float = 1.75) -> tuple[np.ndarray, list, bool] | int:
    try:
        reader = SlowReader(dialect, diameter).read(text)
    except Refused as refused:
        return int(refused.args[0])
    return np.array(reader.moves, float).reshape(-1, 6), reader.events, reader.ended


def assert_same(text: bytes, dialect: Dialect) -> bool:
    """Both readers agree; True where both read, False where both refuse the same line."""
    here, there = fast(text, dialect), slow(text, dialect)
    if isinstance(here, int) or isinstance(there, int):
        assert here == there, text
        return False
    assert here[0].shape == there[0].shape, text
    np.testing.assert_allclose(here[0], there[0], rtol=1e-9, atol=1e-9, err_msg=repr(text))
    assert here[1:] == there[1:], text
    return True


# --- agreement with the slow reader ------------------------------------------------------------------------


@pytest.mark.parametrize("name", GOOD)
def test_good_programs_read_alike(name):
    dialect, text = GOOD[name]
    assert assert_same(text, dialect)
    assert read_program(text, dialect, 1.75).ended


@pytest.mark.parametrize("name", GOOD)
def test_a_changed_byte_never_changes_motion_unseen(name):
    """500 single-byte changes: each is read as the slow reader reads it, or refused for the same line."""
    dialect, text = GOOD[name]
    rng = random.Random(f"mutations of {name}")
    usual = b"GXYZEAFIJRNMS0123456789.+-();% /\n\r\t*#xyge"
    read = 0
    for _ in range(500):
        at = rng.randrange(len(text))
        byte = rng.choice(usual) if rng.random() < 0.75 else rng.randrange(256)
        read += assert_same(text[:at] + bytes([byte]) + text[at + 1 :], dialect)
    assert 100 < read < 450  # both outcomes are exercised


_PIECES = (
    "G0 G1 G2 G3 g01 X Y-.5 X10 X-3.25 Z.3 E0.5 E-1 A1.5 F600 F-1 G90 G91 G20 G21 M82 M83 G92 G92.1 G28 G53 "
    "G4 P1 S3 M104 M2 I1 J-2 R5 R-5 N10 N1.5 / % (c) (un c) ;x G17 G18 G80 T1 123 *5 #1 . E0.123456789012 "
    "X1234567890123456 X0.00000001 +2 -"
).split(" ")
_LINES = st.lists(st.lists(st.sampled_from(_PIECES), max_size=5).map(" ".join), max_size=8)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(name=st.sampled_from(sorted(GOOD)), lines=_LINES, end=st.sampled_from(["", "\n", "\r\n"]))
def test_any_words_read_alike(name, lines, end):
    text = "\n".join(["G1 F100 X0", *lines]) + end
    assert_same(text.encode(), GOOD[name][0])


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.binary(max_size=200))
def test_junk_is_refused_with_its_line_or_read_alike(junk):
    assert_same(junk, RELATIVE)


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("size", [1, 17, 90])
def test_pieces_do_not_show(name, size, monkeypatch):
    dialect, text = GOOD[name]
    whole = read_program(text, dialect, 1.75)
    monkeypatch.setattr(read_module, "PIECE", size)
    cut = read_program(text, dialect, 1.75)
    for column in ("x", "y", "z", "filament", "feed", "kind", "layer"):
        np.testing.assert_array_equal(getattr(cut.moves, column), getattr(whole.moves, column))
    assert (cut.events, cut.header, cut.ended) == (whole.events, whole.header, whole.ended)
    np.testing.assert_array_equal(cut.line, whole.line)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.from_regex(r"[+-]?([0-9]{1,12}\.?[0-9]{0,10}|\.[0-9]{1,12})", fullmatch=True))
def test_numbers_are_rounded_once(number):
    """The nearest float64 to the decimal text, as Python's own conversion gives it."""
    program = read_program(f"G1 X{number}\n".encode(), RELATIVE, 1.75)
    assert program.moves.x[0] == float(number)


# --- what the text plainly says ----------------------------------------------------------------------------


def test_header_kinds_layers_and_events():
    program = read_program(GOOD["relative"][1], RELATIVE, 1.75)
    assert program.header == {"picture": "north pier", "width": "40.5"}
    assert program.marked
    m = program.moves
    by_line = {
        int(n): (Kind(k), int(layer)) for n, k, layer in zip(program.line, m.kind, m.layer, strict=True)
    }
    assert by_line[8] == (Kind.LIFT, 0)
    assert by_line[11] == (Kind.TRAVEL, 0)
    assert by_line[13] == (Kind.BRIM, 0)
    assert by_line[15] == (Kind.RETRACT, 0)
    assert by_line[17] == (Kind.RELOAD, 0)
    assert by_line[19] == (Kind.WALL, 0)
    assert by_line[26] == (Kind.LIFT, 1)
    assert by_line[30] == (Kind.WALL, 1)
    words = [e.words for e in program.events]
    assert words[:5] == ["G21", "G90", "M83", "M104 S205", "G28"]
    fan = program.events[words.index("M106 S255")]
    assert program.line[fan.move] == 30  # the move after it
    assert program.events[-1] == (37, "M2", len(m))
    np.testing.assert_array_equal(program.tops, [0.3, 0.5])


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
    dialect, text = GOOD["strict"]
    path = tmp_path / "pier.ngc"
    path.write_bytes(text)
    for source in (path, str(path)):
        np.testing.assert_array_equal(
            read_program(source, dialect, 1.75).moves.x, read_program(text, dialect, 1.75).moves.x
        )
    with pytest.raises(PathgenError, match="cannot read .*missing"):
        read_program(tmp_path / "missing.gcode", dialect, 1.75)


# --- refusals and ends -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"G1 X", "letter X without a number"),
        (b"G1 X+-5", r"X\+-5 is not a word"),
        (b"G1 X5-3", "not a word|does not belong"),
        (b"G1 X1.2.3", "not a word|does not belong"),
        (b"G1 X.", "not a word"),
        (b"G1 X5 U1", "unknown word letter U"),
        (b"G1 X5 (un(nested))", "parentheses"),
        (b"G1 X5 (open", "parentheses"),
        (b"G1 X5 )", "parentheses"),
        (b"G1 X5 " + b" " * 251, "257 characters"),
        (b"G0 G1 X5", "G0 and G1, of one modal group"),
        (b"G90 G91", "G90 and G91, of one modal group"),
        (b"M7 M8 X5", "of one modal group"),
        (b"G1 X5 X6", "two X words"),
        (b"G1 X5 \xb5", "not ASCII"),
        (b"G1 Xnan", "unknown|without"),
        (b"G1", "without an axis word"),
        (b"G1 F600", "without an axis word"),
        (b"G1 X5*71", "checksums"),
        (b"G1 X#5", "not a word"),
        (b"#1=5", "parameters"),
        (b"X[1+2]", "not a word"),
        (b"5 X5", "does not belong"),
        (b"G1 X5 N5", "does not stand first"),
        (b"N-5 G1 X5", "faulty line number"),
        (b"N123456 X5", "faulty line number"),
        (b"G-1 X5", "not a code that is followed"),
        (b"G1.5 X5", "not a code that is followed"),
        (b"G10 L2 P1 X5", "G10 is not a code that is followed"),
        (b"G55", "G55 is not a code"),
        (b"M117 P5", "M117 is not a code"),
        (b"G2 X10 Y10", "without its centre"),
        (b"G2 X10 Y10 I1 R5", "both a centre and a radius"),
        (b"G2 X10 Y10 I1 J1", "different distances"),
        (b"G2 X90 R5", "further apart than twice"),
        (b"G2 I5", "a motion without an axis word"),
        (b"G2 E5 I5", "without an end point"),
        (b"G1 X5 I3", "no arc in force"),
        (b"G1 X5 P3", "P belongs to nothing"),
        (b"G1 X5 B3", "B belongs to nothing"),
        (b"G80 X5", "no motion"),
        (b"G28 G1 X5", "both take the axis words"),
        (b"G92", "without an axis word"),
        (b"G4", "dwell"),
        (b"G1 X5 F-5", "feed below zero"),
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
    with pytest.raises(PathgenError, match="unknown word letter E"):
        read_program(b"G1 X1E2\n", STRICT, 1.75)


def test_motion_needs_a_mode():
    with pytest.raises(PathgenError, match=r"no motion.*line 1"):
        read_program(b"X5 F60\n", RELATIVE, 1.75)


def test_arcs_only_in_xy():
    with pytest.raises(PathgenError, match="not in the XY plane"):
        read_program(b"G18\nG2 X5 I2.5 F60\n", RELATIVE, 1.75)


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


def test_empty_text():
    for text in (b"", b"\n\n", b"; nothing\n"):
        program = read_program(text, RELATIVE, 1.75)
        assert len(program.moves) == 0
        assert program.moves.end == (0.0, 0.0, 0.0)
        assert not program.ended


@pytest.mark.parametrize("name", GOOD)
def test_a_program_cut_short_is_read_as_far_as_it_goes(name):
    dialect, text = GOOD[name]
    whole = read_program(text, dialect, 1.75)
    end = min(i for i in (text.find(b"\nM2\n"), text.find(b"\nM30\n")) if i > 0)
    for length in range(0, end, 7):
        part = read_program(text[:length], dialect, 1.75)
        assert not part.ended
        sure = max(len(part.moves) - 1, 0)  # the last may be a number cut off
        last_line = text[:length].count(b"\n") + 1
        sure = int((part.line < last_line).sum())
        np.testing.assert_array_equal(part.moves.x[:sure], whole.moves.x[:sure])


def test_nothing_is_read_behind_the_end():
    program = read_program(b"G1 X1 F60\nM2\nG1 X2\n?!\n", RELATIVE, 1.75)
    assert program.ended
    assert program.moves.x.tolist() == [1.0]
    program = read_program(b"%\nG1 X1 F60\n%\n?!\n", RELATIVE, 1.75)
    assert program.ended


# --- size ---------------------------------------------------------------------------------------------------


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
        found = scan(many(50, tail), grammar)
        assert not len(found.odd)
        assert {name: len(column.line) for name, column in found.words.items()} == dict.fromkeys("GXYE", 50)
    assert parse_block(b"G1 X1", 1, grammar).codes == ("G1",)
