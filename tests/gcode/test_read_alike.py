"""Reading programs, against a slow reader written here: whatever a text says, both see the same.

The slow reader goes through a program line by line and character by character. It shares nothing with the one
under test but the rules of RS-274 (NISTIR 6556).
"""

from __future__ import annotations

import io
import math
import random
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.gcode import read as read_module
from pathgen.gcode.read import read_program
from pathgen.gcode.write import ProgramWriter
from pathgen.motion.moves import Kind, Moves
from pathgen.settings import load_machine
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
    fan_on="M8",
    fan_off="M9",
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


def written() -> bytes:
    """A small program of pathgen's own, with header, marks and resets."""
    rng, n = np.random.default_rng(6), 24
    place = [rng.uniform(60, 90, n), rng.uniform(90, 93, n), np.repeat([0.3, 0.4], n // 2)]
    kind = np.array([Kind.TRAVEL, *[Kind.BRIM] * 5, *[Kind.WALL] * (n - 6)], np.uint8)
    fed = np.where(kind == Kind.TRAVEL, 0.0, rng.uniform(0, 0.2, n))
    layer = np.repeat(np.arange(2, dtype=np.int32), n // 2)
    stream = io.BytesIO()
    writer = ProgramWriter(stream, load_machine("ngc-lab"), fan=1.0)
    values = {"park_x": 5.0, "park_y": 200.0, "clear_z": 40.0}
    writer.begin([("picture", "pier")], values, np.array([0.3, 0.4]), np.array([0.3, 0.1]), late=["time"])
    writer.write(Moves((0.0, 0.0, 5.0), *place, fed, np.full(n, 20.0), kind, layer), np.full(n, 20.0))
    writer.finish({"time": "1 min"})
    return stream.getvalue()


GOOD["written"] = (load_machine("ngc-lab").dialect, written())


# --- the slow reader --------------------------------------------------------------------------------


class Refused(Exception):
    """The slow reader's refusal; carries the line number."""


LETTERS = set("ABCDFGHIJKLMNPQRSTXYZ")  # NISTIR 6556, Table 3
MODAL = [  # NISTIR 6556, Table 4 and the M groups of 3.6, as far as they are followed
    {"G0", "G1", "G2", "G3", "G80"},
    {"G17"},
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
    {"M5"},
    {"M9"},
]
USES = {"G4": "PS", "G61": "P", "G61.1": "P", "G64": "P", "M104": "ST", "M106": "S", "M84": "SXYZE"}


def has_exponent(code: str) -> bool:
    """Whether E stands right behind a number, as in an exponent, in code that spells its words otherwise."""
    pieces, letters = code.split(), [c for c in code if c.isalpha()]
    spaced = any(a[-1] in ".0123456789" and b[0].isalpha() for a, b in zip(pieces, pieces[1:], strict=False))
    mixed = any(c.islower() for c in letters) and any(c.isupper() for c in letters)
    for i, c in enumerate(code):
        number = re.split(r"[^-+.0-9]", code[i + 1 :])[0] if c in "eE" else ""
        if i and code[i - 1] in ".0123456789" and number[number[:1] in ("+", "-") :].isdigit():
            return spaced or mixed
    return False


def slow_words(line: bytes, letters: set[str], beyond: bool = False) -> list[tuple[str, str]]:
    """Cut one line into words, by hand; ValueError where that fails."""
    if beyond and b"E" in line.upper():
        code = re.sub(rb"\([^()]*\)", b"\n", line).split(b";")[0].decode("latin-1")
        if any(has_exponent(part) for part in code.split("\n")):
            raise ValueError("an exponent")
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
    bare = beyond and line.lstrip(b" \t/")[:1] != b"(" and may_be_bare(words)
    words = [(letter, number or ("0" if bare and letter not in "GMN" else "")) for letter, number in words]
    for _, number in words:
        body = number[1:] if number[:1] in ("+", "-") else number
        if body.count(".") > 1 or not body.replace(".", "").isdigit():
            raise ValueError(f"{number!r} is no number")
    return words


def may_be_bare(words: list[tuple[str, str]]) -> bool:
    """Whether letters may stand without a number, as in G28 X and M84 X (common practice)."""
    letter, number = next((w for w in words if w[0] != "N"), ("", ""))
    return letter == "M" and number.isdigit() or letter == "G" and number.isdigit() and int(number) == 28


class SlowReader:
    def __init__(self, dialect: Dialect, diameter: float) -> None:
        self.letters = LETTERS | {w for w in dialect.own_words if len(w) == 1} | {dialect.extruder}
        self.own = {w for w in dialect.own_words if len(w) > 1} | (
            {"M8"} if dialect.fan_on == "M8" else set()
        )
        self.e = dialect.extruder
        self.strict = dialect.extruder in "ABCUVW"
        self.volume = dialect.filament_unit == "mm3"
        self.area = math.pi * diameter**2 / 4
        self.pos = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.shift = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.e_word = self.e_total = 0.0  # mm of filament
        self.unit, self.absolute = 1.0, True
        self.e_absolute = True if self.strict else dialect.filament_mode == "absolute"
        self.motion: str | None = None
        self.feed = 0.0
        self.moves: list[tuple[float, ...]] = []
        self.events: list[tuple[int, int]] = []
        self.ended, self.percents, self.begun = False, 0, False

    def read(self, text: bytes) -> SlowReader:
        if text.startswith(b"\xef\xbb\xbf") or b"\r" in text.rstrip(b"\r") and b"\n" not in text:
            raise Refused(1)
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
        words = slow_words(code[1:] if code.startswith(b"/") else line, self.letters, not self.strict)
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
        own = [c for c in codes if c in self.own and c not in ("M82", "M83", "M8")]
        if setter and explicit:
            raise ValueError("two want the axes")
        eats = bool(setter or (own and not explicit))
        fine = {"T"}.union(*(USES.get(c, "") for c in codes))
        if not eats or setter:
            fine |= {"X", "Y", "Z", "F", self.e} | (set() if eats else {"I", "J", "R"})
        if set(v) - fine or v.get("T"):
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
        feed_alone = explicit and not axes and "F" in v and not self.strict  # common practice
        if explicit and not axes and not feed_alone or axes and not (arc or straight):
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
        if not ("X" in axes or "Y" in axes):
            raise ValueError("end")
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


# --- agreement --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", GOOD)
def test_good_programs_read_alike(name):
    dialect, text = GOOD[name]
    assert assert_same(text, dialect)
    assert read_program(text, dialect, 1.75).ended


@pytest.mark.parametrize("name", GOOD)
def test_a_changed_byte_never_changes_motion_unseen(name):
    """100 single-byte changes: each is read as the slow reader reads it, or refused for the same line."""
    dialect, text = GOOD[name]
    rng = random.Random(f"mutations of {name}")
    usual = b"GXYZEAFIJRNMS0123456789.+-();% /\n\r\t*#xyge"
    read = 0
    for _ in range(100):
        at = rng.randrange(len(text))
        byte = rng.choice(usual) if rng.random() < 0.75 else rng.randrange(256)
        read += assert_same(text[:at] + bytes([byte]) + text[at + 1 :], dialect)
    assert 10 < read < 95  # both outcomes are exercised


_PIECES = (
    "G0 G1 G2 G3 g01 X Y-.5 X10 X-3.25 Z.3 E0.5 E-1 A1.5 F600 F-1 G90 G91 G20 G21 M82 M83 G92 G92.1 G28 G53 "
    "G4 P1 S3 M104 M2 I1 J-2 R5 R-5 N10 N1.5 / % (c) (un c) ;x G17 G18 G80 T1 123 *5 #1 . E0.123456789012 "
    "X1234567890123456 X0.00000001 +2 -"
).split(" ")
_LINES = st.lists(st.lists(st.sampled_from(_PIECES), max_size=5).map(" ".join), max_size=8)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(name=st.sampled_from(sorted(GOOD)), lines=_LINES, end=st.sampled_from(["", "\n", "\r\n"]))
def test_any_words_read_alike(name, lines, end):
    text = "\n".join(["G1 F100 X0", *lines]) + end
    assert_same(text.encode(), GOOD[name][0])


@settings(max_examples=60, deadline=None, derandomize=True)
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


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.from_regex(r"[+-]?([0-9]{1,12}\.?[0-9]{0,10}|\.[0-9]{1,12})", fullmatch=True))
def test_numbers_are_rounded_once(number):
    """The nearest float64 to the decimal text, as Python's own conversion gives it."""
    program = read_program(f"G1 X{number}\n".encode(), RELATIVE, 1.75)
    assert program.moves.x[0] == float(number)


@pytest.mark.parametrize("name", GOOD)
def test_a_program_cut_short_is_read_as_far_as_it_goes(name):
    dialect, text = GOOD[name]
    whole = read_program(text, dialect, 1.75)
    end = max(text.find(b"\nM2"), text.find(b"\nM30"))
    for length in range(0, end, 13):
        part = read_program(text[:length], dialect, 1.75)
        assert not part.ended
        sure = int((part.line <= text[:length].count(b"\n")).sum())  # the last number may be cut off itself
        np.testing.assert_array_equal(part.moves.x[:sure], whole.moves.x[:sure])
