"""A controller's part in reading: modes, commands and comments, around the columns of `rows`.

Glossary. *Piece*: whole lines of a program, scanned together. *Cut*: a line before which the rows so far
must be carried out, because it changes what later rows mean. *Event*: any command that is not a motion.
*Mark*: a comment of pathgen's own programs, alone on its line, that says which layer or part follows; its
grammar stands in `comments`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.block import FILAMENT_CODES, Block, Grammar, line_error, parse_block
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
from pathgen.gcode.scan import NO_WORDS, Scan, WordColumn, merged, scan_lines
from pathgen.motion.moves import Kind

Floats = NDArray[np.float64]

INCH = 25.4  # mm
SHOWN = 60  # characters of a faulty line that are kept
_MOTIONS = {"G0": 0, "G1": 1, "G2": 2, "G3": 3, "G80": 80}
_PARTS = {
    "wall": Kind.WALL,
    "brim": Kind.BRIM,
    "start line": Kind.START,
    "wedge": Kind.WEDGE,
    "comb": Kind.COMB,
}
_LAYER = re.compile(r"layer ([1-9]\d{0,6})/\d+ top (\d+\.?\d*)\b.*")
_PART = re.compile(r"part (.+)")
_SETTING = re.compile(r"([^=\s][^=]*?)\s*=\s*(.*)")


class Event(NamedTuple):
    """A command that is no motion: heater, fan, dwell, homing, reset, end."""

    line: int  # in the source, from 1
    words: str  # as they stand, without comments
    move: int  # index of the move that follows it


class LineFault(NamedTuple):
    """A line that cannot be read, where reading goes on all the same."""

    line: int  # in the source, from 1
    text: bytes  # as it stands, its first characters
    why: str


class Stretch(NamedTuple):
    """Moves of one stretch of a program: the columns of `Moves`, and the source line, from 1."""

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
    """The piece at hand, and what of it waits to be carried out."""

    text: bytes
    first: int  # number of its first line
    found: Scan
    done: int = 0  # lines carried out
    loose: dict[str, list[tuple[int, float]]] = field(default_factory=dict)  # words of motion of odd lines

    def raw(self, line: int) -> bytes:
        return self.text[self.found.bounds[line] : self.found.bounds[line + 1]]

    def words_before(self, line: int) -> dict[str, WordColumn]:
        """Take the words of motion that stand from `done` up to a line, odd lines' among them.

        Lines count from `done` in what is given back.
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
            words[letter] = merged(words.get(letter, NO_WORDS), more)
        self.loose = {}
        return words


class Interpreter:
    """Reads a program piece by piece.

    Parameters
    ----------
    grammar : Grammar
    filament_absolute : bool
        How filament words count before the program says otherwise.
    filament_scale : float
        mm of filament in one unit of the filament word, where that is a volume (mm³); None for a length.
    block_delete : bool
        Leave out lines that begin with a slash.
    most_faults : int
        Lines that may be unreadable before reading is given up; 0 where the first is refused.

    Attributes
    ----------
    stretches : list of Stretch
    header : dict
    events : list of Event
    tops : dict of int to float
        Height of the top of each layer a mark has opened, mm.
    marked : bool
        The program has marks.
    ended : bool
    rest : bool
        Words stand behind the end.
    faults : list of Fault
    given_up : bool
    bare : list of (M,) int64
        Lines of motions with a feed alone, from 1, where the dialect takes them.
    """

    def __init__(
        self,
        grammar: Grammar,
        *,
        filament_absolute: bool,
        filament_scale: float | None,
        block_delete: bool,
        most_faults: int = 0,
    ) -> None:
        self.grammar, self.block_delete, self.most_faults = grammar, block_delete, most_faults
        self.volumetric = filament_scale is not None
        self.state = State(Modes(1.0, True, filament_absolute), filament_scale or 1.0, [0.0] * 3, [0.0] * 3)
        self.stretches: list[Stretch] = []
        self.header: dict[str, str] = {}
        self.events: list[Event] = []
        self.tops: dict[int, float] = {}
        self.marked = self.ended = self.rest = self.given_up = False
        self.faults: list[LineFault] = []
        self.bare: list[NDArray[np.int64]] = []
        self._moves = self._lines = 0
        self._heading, self._opened = True, False
        self._mark: tuple[int, Kind, int] = (-1, Kind.WALL, 0)
        self._marks: list[tuple[int, Kind, int]] = []
        self._waiting: list[tuple[int, str]] = []  # events, by line in the piece

    def take(self, text: bytes) -> None:
        """Read whole lines, the last with its line end.

        Raises
        ------
        PathgenError
            For the first line that cannot be read.
        """
        found = scan_lines(text, self.grammar, comments=self._heading)
        piece = self._piece = _Piece(text, self._lines + 1, found)
        count = len(found.bounds) - 1
        first_word = min((int(c.line[0]) for c in found.words.values() if len(c.line)), default=count)
        for line in found.odd.tolist():
            self._heading &= first_word >= line
            try:
                self._obey(parse_block(piece.raw(line), piece.first + line, self.grammar), line)
            except PathgenError as error:
                if not self.most_faults:
                    self._run(line)  # an earlier line may have to be refused first
                    raise
                self._note(line, error.what)
            if self.ended or self.given_up:
                self._run(line + 1)
                self.rest = bool(text[found.bounds[line + 1] :].strip())
                return
        self._heading &= first_word == count
        self._run(count)
        self._lines += count
        self._mark, self._marks = [self._mark, *self._marks][-1], []

    def _run(self, line: int) -> None:
        """Carry out what waits before a line."""
        piece, done = self._piece, self._piece.done
        if line < done:  # a line that ran at once was refused
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
        """Refuse the first line of all, or note them; a feed alone is no fault where the dialect takes it."""
        if FEED_ONLY in faults and self.grammar.lenient and self.grammar.beyond:
            self.bare.append(faults.pop(FEED_ONLY) + self._piece.first)
        most = self.most_faults or 1
        places = [(line, why) for why, at in faults.items() for line in at[:most].tolist()]
        for line, why in sorted(places, key=lambda place: place[0]):
            why = NO_AXIS if why == FEED_ONLY else why
            if not self.most_faults:
                raise self._refuse(line, why)
            self._note(line, why)

    def _note(self, line: int, why: str) -> None:
        """Remember a line that cannot be read; give up when they are too many."""
        number = self._piece.first + line
        self.faults.append(LineFault(number, self._piece.raw(line).strip()[:SHOWN], why))
        self.given_up = len(self.faults) >= self.most_faults

    def _store(self, rows: MoveRows) -> None:
        """Keep moves, with the kind and layer that marks before them say."""
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

    def _refuse(self, line: int, why: str, allowed: str = "", hint: str = "") -> PathgenError:
        return line_error(self._piece.first + line, self._piece.raw(line), why, allowed=allowed, hint=hint)

    def _obey(self, block: Block, line: int) -> None:
        """Carry out one odd line, or leave its motion to the rows."""
        if not block.text:
            for comment in block.comments:
                self._listen(comment, line)
        if block.percent:
            self.ended = not self._heading or self._opened
            self._opened = True
        if block.slashed and self.block_delete or not (block.codes or block.values):
            return
        self._heading = False
        owner = self._owner(block, line)
        self._check_words(block, line, owner)
        cut = self._cuts(block, owner)
        if cut:
            self._run(line)
        if not set(block.codes) <= {"G0", "G1", "G2", "G3"} or {"S", "T"} & set(block.values):
            self._waiting.append((line, block.text))
        values = self._change(block, line, owner) if cut else block.values
        self._queue(block, values, line, owner, cut)
        self.ended |= "M2" in block.codes or "M30" in block.codes

    def _listen(self, comment: str, line: int) -> None:
        """Take in a mark, or a header's setting."""
        _, part, layer = self._marks[-1] if self._marks else self._mark
        if said := _LAYER.fullmatch(comment):
            self._marks.append((line, part, int(said[1]) - 1))
            self.tops[int(said[1]) - 1] = float(said[2])
            self.marked = True
        elif (said := _PART.fullmatch(comment)) and said[1] in _PARTS:
            self._marks.append((line, _PARTS[said[1]], layer))
            self.marked = True
        elif self._heading and (said := _SETTING.fullmatch(comment)):
            self.header.setdefault(said[1], said[2])

    def _axes(self, block: Block) -> set[str]:
        return {"X", "Y", "Z", self.grammar.filament} & set(block.values)

    def _owner(self, block: Block, line: int) -> str:
        """Name the code the line's axis words belong to; empty where that is a motion."""
        motion = [c for c in block.codes if c in _MOTIONS and c != "G80"]
        taking = [c for c in block.codes if c in ("G28", "G92")]
        if taking and motion:
            raise self._refuse(line, f"{taking[0]} and {motion[0]}, which both take the axis words")
        own = [c for c in block.codes if self.grammar.owns(c) and c not in FILAMENT_CODES]
        return (taking or ([] if motion else own) or [""])[0]

    def _check_words(self, block: Block, line: int, owner: str) -> None:
        """Refuse words that belong to nothing on the line, and commands without the words they need."""
        codes, values = set(block.codes), block.values
        allowed = {"X", "Y", "Z", "F", "S", "T", self.grammar.filament} | (set() if owner else set("IJR"))
        allowed |= {"P"} if codes & {"G4", "G64"} else set()
        spare = sorted(set(values) - allowed)
        if spare and not any(self.grammar.owns(c) for c in codes - set(FILAMENT_CODES)):
            raise self._refuse(line, f"{spare[0]} belongs to nothing here", " ".join(sorted(allowed)))
        pause = values.get("P", -1.0 if self.grammar.axis else values.get("S", -1.0))
        if "G4" in codes and pause < 0:
            usual = "P in seconds" if self.grammar.axis else "S in seconds or P in milliseconds"
            raise self._refuse(line, "a dwell without its time", f"{usual}, not below 0")
        if owner == "G92" and not self._axes(block):
            raise self._refuse(line, "G92 without an axis word")
        if owner == "G28" and self.grammar.axis and self._axes(block):
            raise self._refuse(line, "G28 by way of a point", "G28 alone")

    def _next_modes(self, block: Block) -> Modes:
        scale, absolute, filament, plane = self.state.modes
        for code in block.codes:
            if code in ("G20", "G21"):
                scale = INCH if code == "G20" else 1.0
            elif code in ("G90", "G91"):
                absolute = code == "G90"
                filament = absolute if self.grammar.axis else filament
            elif code in FILAMENT_CODES:
                filament = code == "M82"
            elif code in ("G17", "G18", "G19"):
                plane = code
        return Modes(scale, absolute, filament, plane)

    def _cuts(self, block: Block, owner: str) -> bool:
        """Tell whether a line changes what later rows mean, or moves otherwise than by a row.

        G92 for filament alone does not, where filament is absolute: programs have one a layer.
        """
        modes = self.state.modes
        simple = self._axes(block) == {self.grammar.filament} and modes.filament_absolute
        resets = (
            owner == "G28" or owner == "G92" and not simple or {"G53", "G92.1", "G92.2"} & set(block.codes)
        )
        return bool(resets) or self._next_modes(block) != modes

    def _change(self, block: Block, line: int, owner: str) -> dict[str, float]:
        """Set modes, shift or home; return the values to go on with."""
        state, values, old = self.state, dict(block.values), self.state.modes.scale
        state.modes = self._next_modes(block)
        if state.modes.scale != old:
            if self.volumetric:
                raise self._refuse(line, "a change of units, but filament counts as a volume")
            state.filament_scale = state.modes.scale
            if "F" in values:  # a feed is set before units change, NISTIR 6556 Table 8
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
        """Go to the axes' origin, and say so as a travel where that is a way.

        Controllers of this trade drop an axis's shift when it is homed (common practice); one with a
        filament axis keeps shifts and homes that axis as well, which feeds nothing that counts.
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
        """Leave a line's motion words to the rows."""
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
                raise self._refuse(line, "G53 that is no straight motion of X, Y, Z under G90")
        for letter, value in words:
            self._piece.loose.setdefault(letter, []).append((line, value))
        if "G53" in block.codes:
            shift, self.state.offset = self.state.offset, [0.0] * 3
            self._run(line + 1)
            self.state.offset = shift
