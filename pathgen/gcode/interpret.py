"""Interpret the modes, commands and comments of a program; `rows` executes the motions.

Glossary. *Piece*: whole lines of a program, scanned together. *Cut*: a line that changes the meaning of later
rows, so the rows before it must be carried out first. *Event*: a command that is not a motion. *Mark*: a
comment that is alone on its line in programs of pathgen and starts a layer or a part; `comments` has the
grammar.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.block import Block, Grammar, has_words, line_error, parse_block
from pathgen.gcode.comments import PARTS, parse_fact
from pathgen.gcode.layer_sums import LayerSum, parse_sum
from pathgen.gcode.rows import (
    FEED_ONLY,
    NO_AXIS,
    SET_FILAMENT,
    Modes,
    MoveRows,
    State,
    advance,
    classify_moves,
)
from pathgen.gcode.scan import NO_WORDS, Scan, WordColumn, merge_columns, scan_lines
from pathgen.motion.moves import Kind
from pathgen.settings.program_words import KEPT_GROUPS, PROGRAM_WORDS, ProgramWord, words_with

Floats = NDArray[np.float64]

INCH = 25.4  # mm
SHOWN = 60  # characters kept of a faulty line
_MOTIONS = {"G0": 0, "G1": 1, "G2": 2, "G3": 3, "G80": 80}
_FILAMENT_MODES = {code for code, word in PROGRAM_WORDS.items() if word.group == "filament"}
# Commands that never use axis words, although the reader does not follow all of them.
_WITHOUT_AXES = {code for code, word in PROGRAM_WORDS.items() if word.standard and code[0] == "M"}
_WITHOUT_AXES |= _FILAMENT_MODES
_UNKNOWN = ProgramWord("")  # a command of a profile, which may use any letter
_ENDS = {*words_with("end")}
_PARTS = {name: kind for kind, name in reversed(PARTS.items())}  # a hairpin is read as wall
_LAYER = re.compile(r"layer ([1-9]\d{0,6})/\d+ top (\d+\.?\d*)\b.*")
_PART = re.compile(r"part (.+)")


SLASHED = "the block-delete switch decides whether this line is executed"
LONE_RETURN = "words follow a carriage return that does not end the line"
AFTER_END = "words follow the end of the program"
_SPLIT = re.compile(r"\s+(?=[-+.\d])")  # RS-274 allows blanks inside a word: "M1 04" is M104
# Commands that change nothing where the mode that they set is in force.
_IDLE = {
    code
    for code, word in PROGRAM_WORDS.items()
    if word.followed and word.group in (*KEPT_GROUPS, "units", "distance", "path", "return", "filament")
}


class Event(NamedTuple):
    """A command that is not a motion: heater, fan, dwell, homing, reset or end."""

    line: int  # in the source, from 1
    words: str  # as written, without comments
    move: int  # index of the next move


class LineFault(NamedTuple):
    """A line that could not be parsed and was skipped."""

    line: int  # in the source, from 1
    text: bytes  # its first characters, as written
    why: str  # the reason


class Stretch(NamedTuple):
    """Moves of one section of a program: the arrays of `Moves`, and line numbers from 1."""

    line: NDArray[np.int32]
    x: Floats
    y: Floats
    z: Floats
    filament: Floats
    feed: Floats
    kind: NDArray[np.uint8]
    layer: NDArray[np.int32]


@dataclass
class _Piece:
    """Piece of a program, with the words that have not been executed yet."""

    text: bytes
    first: int  # number of the first line
    found: Scan
    done: int = 0  # number of lines carried out
    loose: dict[str, list[tuple[int, float]]] = field(default_factory=dict)  # motion words of odd lines

    def raw(self, line: int) -> bytes:
        return self.text[self.found.bounds[line] : self.found.bounds[line + 1]]

    def words_before(self, line: int) -> dict[str, WordColumn]:
        """Return the motion words from line `done` up to a line, including those of unusual lines.

        Line indices in the result count from `done`.
        """
        words = {}
        for letter, column in self.found.words.items():
            low, high = np.searchsorted(column.line, [self.done, line])
            if high > low:
                words[letter] = WordColumn(column.line[low:high] - self.done, column.value[low:high])
        for letter, loose in self.loose.items():
            more = WordColumn(
                np.array([at for at, _ in loose]) - self.done, np.array([value for _, value in loose])
            )
            words[letter] = merge_columns(words.get(letter, NO_WORDS), more)
        self.loose = {}
        return words


class Interpreter:
    """Interprets a program piece by piece.

    Parameters
    ----------
    grammar : Grammar
    filament_absolute : bool
        Filament words are absolute until the program sets another mode.
    filament_scale : float
        mm of filament per unit of a filament word that is a volume (mm³); None for a length.
    block_delete : bool
        Skip lines that begin with a slash.
    max_faults : int
        Maximum number of faulty lines, after which reading stops; if 0, the first one raises an error.

    Attributes
    ----------
    stretches : list of Stretch
    header : dict
    events : list of Event
    tops : dict of int to float
        Height of the top of each layer that has a mark, mm.
    sums : dict of int to LayerSum
        What each layer deposits as the program states it.
    marked : bool
        The program has marks.
    ended : bool
        The end of the program was reached.
    trailing : LineFault or None
        The first line with words after the end.
    doubtful : list of LineFault
        Lines that controllers read differently: with a block-delete slash, or with a carriage return inside.
    faults : list of LineFault
    given_up : bool
        The maximum number of faults was reached.
    feed_only : list of (M,) int64
        Lines with a motion and a feed but no axis word, from 1, in dialects that accept them.
    """

    def __init__(
        self,
        grammar: Grammar,
        *,
        filament_absolute: bool,
        filament_scale: float | None,
        block_delete: bool,
        max_faults: int = 0,
    ) -> None:
        self.grammar, self.block_delete, self.max_faults = grammar, block_delete, max_faults
        self.volumetric = filament_scale is not None
        self.state = State(Modes(1.0, True, filament_absolute), filament_scale or 1.0, [0.0] * 3, [0.0] * 3)
        self.stretches: list[Stretch] = []
        self.header: dict[str, str] = {}
        self.events: list[Event] = []
        self.tops: dict[int, float] = {}
        self.sums: dict[int, LayerSum] = {}
        self.marked = self.ended = self.given_up = False
        self.trailing: LineFault | None = None
        self.faults: list[LineFault] = []
        self.doubtful: list[LineFault] = []
        self.feed_only: list[NDArray[np.int64]] = []
        self._moves = self._lines = 0
        self._heading, self._opened = True, False
        self._mark: tuple[int, Kind, int] = (-1, Kind.WALL, 0)
        self._marks: list[tuple[int, Kind, int]] = []
        self._waiting: list[tuple[int, str]] = []  # events, by line in the piece

    def take(self, text: bytes) -> None:
        """Interpret a text of whole lines, each with its line end.

        Raises
        ------
        PathgenError
            For the first line that cannot be parsed.
        """
        found = scan_lines(text, self.grammar, comments=self._heading)
        piece = self._piece = _Piece(text, self._lines + 1, found)
        count = len(found.bounds) - 1
        if text.count(b"\r") > text.count(b"\r\n"):
            self._doubt_returns()
        first_word = min((int(c.line[0]) for c in found.words.values() if len(c.line)), default=count)
        for line in found.odd.tolist():
            self._heading &= first_word >= line
            try:
                self._interpret_odd(parse_block(piece.raw(line), piece.first + line, self.grammar), line)
            except PathgenError as error:
                if not self.max_faults:
                    self._run(line)  # an earlier line may have to be rejected first
                    raise
                self._record_fault(line, error.what)
            if self.ended or self.given_up:
                self._run(line + 1)
                self._lines += line + 1
                self.look_behind_end(text[found.bounds[line + 1] :])
                return
        self._heading &= first_word == count
        self._run(count)
        self._lines += count
        self._mark, self._marks = [self._mark, *self._marks][-1], []

    def look_behind_end(self, text: bytes) -> None:
        """Find the first line with words after the program's end, because many controllers execute it."""
        for line in text.splitlines(keepends=True):
            self._lines += line.endswith(b"\n")
            if self.trailing is None and has_words(line):
                number = self._lines + (not line.endswith(b"\n"))
                self.trailing = LineFault(number, line.strip()[:SHOWN], AFTER_END)

    def _doubt_returns(self) -> None:
        """Record lines with words after a carriage return, which some controllers treat as a line end."""
        for match in re.finditer(rb"\r(?!\n)[^\r\n]*", self._piece.text):
            if has_words(match[0]):
                line = self._piece.text.count(b"\n", 0, match.start())
                self._doubt(line, LONE_RETURN)

    def _doubt(self, line: int, why: str) -> None:
        if len(self.doubtful) < self.max_faults:
            self.doubtful.append(
                LineFault(self._piece.first + line, self._piece.raw(line).strip()[:SHOWN], why)
            )

    def _run(self, line: int) -> None:
        """Execute the pending lines before a line."""
        piece, done = self._piece, self._piece.done
        if line < done:  # a line that was carried out at once was rejected
            return
        words = piece.words_before(line)
        piece.done = line
        rows = advance(
            self.state,
            words,
            line - done,
            self.grammar.filament,
            lambda faults: self._judge({why: at + done for why, at in faults.items()}),
        )
        self._store(rows._replace(line=rows.line + done))

    def _judge(self, faults: dict[str, NDArray[np.int64]]) -> None:
        """Raise an error for the first invalid line, or record all invalid lines."""
        if FEED_ONLY in faults and self.grammar.beyond:
            self.feed_only.append(faults.pop(FEED_ONLY) + self._piece.first)
        maximum = self.max_faults or 1
        places = [(line, why) for why, at in faults.items() for line in at[:maximum].tolist()]
        for line, why in sorted(places, key=lambda place: place[0]):
            why = NO_AXIS if why == FEED_ONLY else why
            if not self.max_faults:
                raise self._line_error(line, why)
            self._record_fault(line, why)

    def _record_fault(self, line: int, why: str) -> None:
        """Record a faulty line; stop reading when there are too many."""
        number = self._piece.first + line
        self.faults.append(LineFault(number, self._piece.raw(line).strip()[:SHOWN], why))
        self.given_up = len(self.faults) >= self.max_faults

    def _store(self, rows: MoveRows) -> None:
        """Store moves with the kind and layer that the preceding comments mark."""
        self._store_events(rows.line)
        if not len(rows.line):
            return
        marks = [self._mark, *self._marks]
        at = np.searchsorted(rows.line, [m[0] for m in self._marks])
        spans = np.diff(at, prepend=0, append=len(rows.line))
        part = np.repeat(np.array([m[1] for m in marks], np.uint8), spans)
        layer = np.repeat(np.array([m[2] for m in marks], np.int32), spans)
        self._mark, self._marks = marks[-1], []
        self._moves += len(rows.line)
        number = (rows.line + self._piece.first).astype(np.int32)
        self.stretches.append(Stretch(number, *rows[1:6], classify_moves(rows, part), layer))

    def _store_events(self, lines: NDArray[np.int64]) -> None:
        for line, words in self._waiting:
            move = self._moves + int(np.searchsorted(lines, line))
            self.events.append(Event(self._piece.first + line, words, move))
        self._waiting = []

    def _line_error(self, line: int, why: str, allowed: str = "", hint: str = "") -> PathgenError:
        return line_error(self._piece.first + line, self._piece.raw(line), why, allowed=allowed, hint=hint)

    def _interpret_odd(self, block: Block, line: int) -> None:
        """Execute one unusual line, or queue its motion for `rows`."""
        if not block.text:
            for comment in block.comments:
                self._interpret_comment(comment, line)
        if block.percent:
            self.ended = not self._heading or self._opened
            self._opened = True
        if block.slashed and self.block_delete or not (block.codes or block.values):
            return
        self._heading = False
        owner = self._owner(block, line)
        self._check_words(block, line, owner)
        cut = self._cuts(block, owner)
        if cut or block.slashed:
            self._run(line)
        if block.slashed and (cut or block.values or self._sets_mode(block.codes)):
            self._doubt(line, SLASHED)
        if not set(block.codes) <= {"G0", "G1", "G2", "G3"} or {"S", "T"} & set(block.values):
            self._waiting.append((line, _SPLIT.sub("", block.text)))
        values = self._change(block, line, owner) if cut else block.values
        self._queue(block, values, line, owner, cut)
        self.ended |= not _ENDS.isdisjoint(block.codes)

    def _sets_mode(self, codes: Iterable[str]) -> bool:
        """Return whether commands can change a mode: before the first move, each of them can."""
        return not self._moves or not _IDLE.issuperset(codes)

    def _interpret_comment(self, comment: str, line: int) -> None:
        """Interpret a comment: a layer or part mark, the sums of a layer, or a value of the header."""
        _, part, layer = self._marks[-1] if self._marks else self._mark
        if match := _LAYER.fullmatch(comment):
            self._marks.append((line, part, int(match[1]) - 1))
            self.tops[int(match[1]) - 1] = float(match[2])
            self.marked = True
        elif (match := _PART.fullmatch(comment)) and match[1] in _PARTS:
            self._marks.append((line, _PARTS[match[1]], layer))
            self.marked = True
        elif stated := parse_sum(comment):
            self.sums[layer] = stated
        elif self._heading and (fact := parse_fact(comment)):
            self.header.setdefault(*fact)

    def _axes(self, block: Block) -> set[str]:
        return {"X", "Y", "Z", self.grammar.filament} & set(block.values)

    def _owner(self, block: Block, line: int) -> str:
        """Return the code that uses the axis words of a line, or "" for a motion."""
        motion = [c for c in block.codes if c in _MOTIONS and c != "G80"]
        taking = [c for c in block.codes if c in ("G28", "G92")]
        if taking and motion:
            raise self._line_error(line, f"{taking[0]} and {motion[0]} both use axis words")
        own = [c for c in block.codes if self.grammar.owns(c) and c not in _WITHOUT_AXES]
        return (taking or ([] if motion else own) or [""])[0]

    def _check_words(self, block: Block, line: int, owner: str) -> None:
        """Reject words that belong to no command of the line, and commands that lack a required word."""
        codes, values = set(block.codes), block.values
        known = [PROGRAM_WORDS[code] for code in codes if code in PROGRAM_WORDS]
        allowed = {"T"}.union(*(word.letters for word in known), *(word.others for word in known))
        if owner in ("", "G28", "G92"):
            allowed |= {"X", "Y", "Z", "F", self.grammar.filament} | (set() if owner else set("IJR"))
        spare = sorted(set(values) - allowed)
        own = [code for code in codes - _WITHOUT_AXES if self.grammar.owns(code)]
        if spare and all(PROGRAM_WORDS.get(code, _UNKNOWN).effect for code in own):
            raise self._line_error(line, f"{spare[0]} belongs to no command", " ".join(sorted(allowed)))
        if values.get("T") and "M204" not in codes and not self.grammar.lenient:
            raise self._line_error(line, f"T{values['T']:g} selects another tool", "T0, the machine's own")
        pause = values.get("P", -1.0 if self.grammar.axis else values.get("S", -1.0))
        if "G4" in codes and pause < 0:
            usual = "P in seconds" if self.grammar.axis else "S in seconds or P in milliseconds"
            raise self._line_error(line, "the dwell has no duration", f"{usual}, at least 0")
        if owner == "G92" and not self._axes(block):
            raise self._line_error(line, "G92 needs an axis word")
        if owner == "G28" and self.grammar.axis and self._axes(block):
            raise self._line_error(
                line, "G28 through an intermediate point is not supported", "G28 without axis words"
            )

    def _next_modes(self, block: Block) -> Modes:
        """Return the modes after a line."""
        scale, absolute, filament = self.state.modes
        for code in block.codes:
            if code in ("G20", "G21"):
                scale = INCH if code == "G20" else 1.0
            elif code in ("G90", "G91"):
                absolute = code == "G90"
                filament = absolute if self.grammar.axis else filament
            elif code in _FILAMENT_MODES:
                filament = code == "M82"
        return Modes(scale, absolute, filament)

    def _cuts(self, block: Block, owner: str) -> bool:
        """Return whether a line changes the meaning of later lines, or moves in another way than G0 to G3.

        A G92 for filament alone is not a cut if filament is absolute, because programs have one in every
        layer.
        """
        modes = self.state.modes
        simple = self._axes(block) == {self.grammar.filament} and modes.filament_absolute
        resets = (
            owner == "G28" or owner == "G92" and not simple or {"G53", "G92.1", "G92.2"} & set(block.codes)
        )
        return bool(resets) or self._next_modes(block) != modes

    def _change(self, block: Block, line: int, owner: str) -> dict[str, float]:
        """Set modes, shift axes or home; return the remaining values of the line."""
        state, values, old = self.state, dict(block.values), self.state.modes.scale
        state.modes = self._next_modes(block)
        if state.modes.scale != old:
            if self.volumetric:
                raise self._line_error(
                    line, "a change of units while filament words are volumes is not supported"
                )
            state.filament_scale = state.modes.scale
            if "F" in values:  # NISTIR 6556, Table 8: a feed is set before units change
                values["F"] *= old / state.modes.scale
        if {"G92.1", "G92.2"} & set(block.codes):
            state.offset, state.fed = [0.0] * 3, state.wound
        if owner == "G28":
            self._home([a for a in range(3) if "XYZ"[a] in values] or [0, 1, 2], line)
        if owner == "G92":
            for axis in range(3):
                if "XYZ"[axis] in values:
                    state.offset[axis] = state.place[axis] - values["XYZ"[axis]] * state.modes.scale
            if self.grammar.filament in values:
                state.fed = values[self.grammar.filament] * state.filament_scale
        return values

    def _home(self, axes: list[int], line: int) -> None:
        """Home the given axes, and store a travel if the position changes.

        Controllers of this trade drop the shift of an axis when it is homed (common practice). A controller
        with a filament axis keeps shifts and homes the filament axis as well, which deposits nothing.
        """
        state = self.state
        place = [0.0 if a in axes else state.place[a] for a in range(3)]
        if place != state.place:
            moved, raised = place[:2] != state.place[:2], place[2] != state.place[2]
            self._store(MoveRows._make(np.array([c]) for c in (line, *place, 0.0, state.feed, moved, raised)))
        state.place = place
        if self.grammar.axis:
            state.fed, state.wound = state.fed - state.wound, 0.0
        else:
            state.offset = [0.0 if a in axes else state.offset[a] for a in range(3)]

    def _queue(self, block: Block, values: dict[str, float], line: int, owner: str, cut: bool) -> None:
        """Queue the motion words of a line for `rows`."""
        motions: list[float] = [_MOTIONS[c] for c in block.codes if c in _MOTIONS]
        letters = "XYZFIJR" + self.grammar.filament
        if owner:
            letters = "F" if owner in ("G28", "G92") else ""
        if owner == "G92":
            motions += [] if cut else [SET_FILAMENT]
            letters += "" if cut else self.grammar.filament
        words = [("G", m) for m in motions] + [(c, float(values[c])) for c in letters if c in values]
        if "G53" in block.codes:
            mode = motions[0] if motions else self.state.mode
            straight = mode < 2 and self.state.modes.absolute and bool(set("XYZ") & set(values))
            if not straight or self.grammar.filament in values:
                raise self._line_error(
                    line, "G53 is supported only for straight motions of X, Y, Z under G90"
                )
        for letter, value in words:
            self._piece.loose.setdefault(letter, []).append((line, value))
        if "G53" in block.codes:
            shift, self.state.offset = self.state.offset, [0.0] * 3
            self._run(line + 1)
            self.state.offset = shift
