r"""Moves to program text: one line a move, streamed block by block, spelled as a dialect asks.

Positions are absolute and rounded one by one, so rounding never adds up. Filament is summed in full precision
and the *sum* is rounded: a line feeds the difference of two rounded sums, which carries what rounding leaves
over into the next move, across layers and blocks. A word stands only where it says something new, and a move
that says nothing new has no line. How a program is cut into blocks does not show in its text.

Comments follow the grammar in `pathgen.gcode.comments`. Lines follow RS-274 (NISTIR 6556) as far as the
dialect does: one G word a line (3.3.5), and never G0 or G1 without an axis word (3.5.1, 3.5.2), as which the
letter that feeds filament counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.comments import CAUTION, comment, fill_header, write_header
from pathgen.gcode.digits import Bools, Ints, Word, format_lines
from pathgen.gcode.template import block_lines, layer_changes, placeholders
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import Floats, Kind, Moves
from pathgen.settings.machine import Machine

ROWS = 1 << 14  # moves spelled at once: their columns and text stay in the processor's cache
PARTS = {
    Kind.WALL: "wall",
    Kind.HAIRPIN: "wall",
    Kind.BRIM: "brim",
    Kind.START: "start line",
    Kind.WEDGE: "wedge",
    Kind.COMB: "comb",
}

# Facts the header keeps room for: the box of all deposits, and that of all moves.
_BOXES = ("deposit x", "deposit y", "deposit z", "reach x", "reach y", "reach z")
LATE = ("moves", "time", "filament", "mass", *_BOXES)

_AT_REST = (Kind.RETRACT, Kind.RELOAD)
_RAPID = (Kind.TRAVEL, Kind.LIFT)
_MOTION = np.array([0 if kind in _RAPID else 1 for kind in Kind], np.uint8)
_NAMES = ("", *dict.fromkeys(PARTS.values()))
_PART = np.array([_NAMES.index(PARTS.get(kind, "")) for kind in Kind], np.uint8)
_EXACT = 2.0**53  # whole numbers below this are exact in float64
_SMALL = 2.0**31 - 1


class ProgramWriter:
    r"""Writes one program to a binary stream: `begin`, then `write` as often as needed, then `finish`.

    Parameters
    ----------
    stream : binary file
        Seekable, as facts known only at the end are filled into the header.
    machine : Machine
        Its dialect, feeds and filament diameter are used.
    fan : float
        Part cooling from the second layer on, 0 to 1.

    Attributes
    ----------
    lines : int
        Lines of motion written so far, without those of the start block.
    commands : list of str
        Lines of the start and finish blocks, and those that opened layers so far.

    Notes
    -----
    G0 stands for `Kind.TRAVEL` and `Kind.LIFT`, G1 for all others. F is in mm/min; a move of filament alone
    has its feed in mm of filament a minute, also where the filament word counts a volume. Where the
    controller's z = 0 is not on the platform (the machine's `z_zero`), heights are written as it counts them.

    Examples
    --------
    >>> import io
    >>> from pathgen.settings import load_machine
    >>> stream, one = io.BytesIO(), np.ones(1)
    >>> writer = ProgramWriter(stream, load_machine("ngc-lab"))
    >>> values = {"park_x": 0.0, "park_y": 200.0, "clear_z": 20.0}
    >>> writer.begin([], values, top=0.2 * one, height=0.2 * one, late=["time"])
    >>> moves = Moves((0, 0, 0), one, 2 * one, 0.2 * one, one / 3, one, np.array([Kind.WALL]), np.array([0]))
    >>> writer.write(moves, 20 * one)
    >>> writer.finish({"time": "1 s"})
    >>> print(*stream.getvalue().decode().splitlines()[-10:-5], sep="\n")
    (layer 1/1 top 0.200 mm height 0.200 mm)
    G92 A0
    (part wall)
    G1 X1 Y2 Z0.2 A0.33333 F1200
    (end)
    """

    def __init__(self, stream: BinaryIO, machine: Machine, fan: float = 0.0) -> None:
        self.lines = 0
        self.commands: list[str] = []
        self._stream, self._machine, self._dialect, self._fan = stream, machine, machine.dialect, fan
        dialect = machine.dialect
        unit = filament_area(machine.hot_end.filament_diameter) if dialect.filament_unit == "mm3" else 1.0
        self._filament_scale = unit * 10.0**dialect.filament_decimals
        self._place_scale = 10.0**dialect.position_decimals
        self._feed_scale = 60.0 * 10.0**dialect.feed_decimals
        self._values: dict[str, str] = {}
        self._late: dict[str, int] = {}
        self._layers: list[str] = []  # what the comment of each layer says
        self._changes: dict[int, list[str]] = {}  # lines that open a layer: fan, nozzle temperature
        # What the rows so far leave behind; places and feed in units of their last decimal.
        self._place: list[int] = []
        self._known = [False, False, False]
        self._feed = -1
        self._run = 0.0  # filament, unrounded
        self._fed = 0.0  # the same, rounded, in units of the last decimal
        self._zero = 0.0  # the same, at the last reset
        self._layer, self._kind, self._part = -1, -1, 0

    def begin(
        self,
        facts: Iterable[tuple[str, str]],
        values: Mapping[str, float],
        top: Floats,
        height: Floats,
        *,
        late: Sequence[str] = LATE,
        nozzle: Floats | None = None,
        fan: Floats | None = None,
        caution: Sequence[str] = CAUTION,
    ) -> None:
        """Write header and start block.

        Parameters
        ----------
        facts : iterable of (key, value)
            For the header, in order.
        values : mapping of str to float
            For the placeholders of start and finish block: "nozzle" and "platform" in °C; "park_x", "park_y"
            and "clear_z" in mm. Feeds and fan follow from the machine and `fan`.
        top, height : (L,) float64
            z of the top, and height, of every layer of the program, mm.
        late : sequence of str
            Keys of the facts that `finish` will give.
        nozzle : (L,) float64, optional
            Nozzle temperature of every layer, °C; by default the one in `values`.
        fan : (L,) float64, optional
            Part cooling of every layer, 0 to 1; by default the writer's. A panel's first layer has none.
        caution : sequence of str
            Lines for the person at the machine, at the program's head.

        Raises
        ------
        PathgenError
            For a placeholder, in any block, that has no value.
        """
        dialect, names = self._dialect, ("start", "finish", "fan_on", "fan_off")
        self._values = placeholders(values, self._machine, self._fan)
        blocks = {name: block_lines(name, dialect, self._values) for name in names}
        cooled = np.full(len(top), self._fan) if fan is None else fan.copy()
        cooled[np.diff(top, prepend=np.inf) <= 0] = 0.0  # the first layers of panels have to stick
        self._changes = layer_changes(self._machine, self._values, nozzle, cooled)
        decimals = dialect.position_decimals
        self._layers = [
            f"layer {number}/{len(top)} top {z:.{decimals}f} mm height {h:.{decimals}f} mm"
            for number, (z, h) in enumerate(zip(top, height, strict=True), start=1)
        ]
        self._late = write_header(self._stream, facts, late, dialect.comment, caution)
        opening = blocks["start"] + blocks["fan_off"]
        self.commands = opening + blocks["finish"]
        self._stream.write(_text(opening))

    def write(self, moves: Moves, feed: Floats) -> None:
        """Write moves that follow those written before.

        Parameters
        ----------
        moves : Moves
            Any number, none included; layers ascending.
        feed : (N,) float64
            Speed of each move, mm/s, in place of the wanted one in `moves`.

        Raises
        ------
        PathgenError
            When a number is not finite, or beyond all bounds.
        """
        if len(feed) != len(moves):
            raise ValueError(f"{len(feed)} feeds for {len(moves)} moves")
        if not self._place:
            start = np.array(moves.start) - (0.0, 0.0, self._machine.z_zero)
            self._place = [int(v) for v in np.rint(start * self._place_scale)]
        names = [field.name for field in fields(Moves) if field.name != "start"]
        for a in range(0, len(moves), ROWS):
            rows = slice(a, a + ROWS)
            self._write_rows(
                Moves(moves.start, **{name: getattr(moves, name)[rows] for name in names}), feed[rows]
            )

    def finish(self, facts: Mapping[str, str]) -> None:
        """Write the finish block and fill the late facts into the header.

        Raises
        ------
        ValueError
            When the facts are not the late ones that `begin` was told of.
        """
        dialect = self._dialect
        end = [comment("end", dialect.comment), *block_lines("finish", dialect, self._values)]
        self._stream.write(_text(end))
        fill_header(self._stream, self._late, facts, dialect.comment)

    def _write_rows(self, moves: Moves, feed: Floats) -> None:
        """Round, find what changes, leave out what changes nothing, spell the rest."""
        starts = np.flatnonzero(_changed(moves.layer, self._layer))
        notes = self._notes(moves, starts)
        positions = (("x", moves.x), ("y", moves.y), ("z", moves.z - self._machine.z_zero))
        places = [_whole(values * self._place_scale, f"{name} of a move") for name, values in positions]
        moved = [_changed(column, last) for column, last in zip(places, self._place, strict=True)]
        self._place = [int(column[-1]) for column in places]
        self._make_known(moves.kind, moved)
        filament, fed = self._filament(moves.filament, starts)
        # A feed that rounds to 0 would stop the machine for good.
        speed = np.maximum(_whole(feed * self._feed_scale, "feed of a move"), 1)
        columns = [*places, *moved, filament, fed, _MOTION.take(moves.kind), speed]

        kept = moved[0] | moved[1] | moved[2] | fed
        if not kept.all():
            rows = np.flatnonzero(kept)
            columns = [column[rows] for column in columns]
            notes = [(int(np.searchsorted(rows, row)), text) for row, text in notes]
        self._spell(columns, notes)

    def _spell(self, columns: list[NDArray[Any]], notes: list[tuple[int, bytes]]) -> None:
        """Write lines that all say something, with notes before some of them."""
        x, y, z, x_moved, y_moved, z_moved, filament, fed, motion, speed = columns
        faster = _changed(speed, self._feed)
        self._feed = int(speed[-1]) if len(speed) else self._feed
        dialect = self._dialect
        words = [
            Word("X", x, dialect.position_decimals, x_moved),
            Word("Y", y, dialect.position_decimals, y_moved),
            Word("Z", z, dialect.position_decimals, z_moved),
            Word(dialect.extruder, filament, dialect.filament_decimals, fed),
            Word("F", speed, dialect.feed_decimals, faster),
        ]
        texts = format_lines(motion, words, [row for row, _ in notes])
        self._stream.write(texts[0])
        for (_, note), text in zip(notes, texts[1:], strict=True):
            self._stream.write(note)
            self._stream.write(text)
        self.lines += len(motion)

    def _make_known(self, kind: NDArray[np.uint8], moved: list[Bools]) -> None:
        """Have each axis named in its first move, changed or not.

        The start block may leave the head elsewhere than the plan takes it to be; after these lines that no
        longer matters. A lift names z alone, so that it stays a lift.
        """
        for axes, without in (((0, 1), (*_AT_REST, Kind.LIFT)), ((2,), _AT_REST)):
            if not self._known[axes[0]]:
                first = np.flatnonzero(~np.isin(kind, without))[:1]
                for axis in axes:
                    moved[axis][first] = True
                    self._known[axis] = len(first) > 0

    def _filament(self, filament: Floats, starts: NDArray[np.intp]) -> tuple[Ints, Bools]:
        """Give the filament word of each row, and which rows feed anything."""
        run = filament.copy()
        run[0] += self._run  # one running sum over the whole program, however it is cut
        np.cumsum(run, out=run)
        total, before = np.rint(run * self._filament_scale), self._fed
        self._run, self._fed = float(run[-1]), float(total[-1])
        fed = _changed(total, before)
        if self._dialect.filament_mode == "relative":
            return _whole(np.diff(total, prepend=before), "filament of a move"), fed
        resets = np.concatenate([[before], total])[starts]
        spans = np.diff(starts, prepend=0, append=len(total))
        zero = np.repeat(np.concatenate([[self._zero], resets]), spans)
        self._zero = float(zero[-1])
        return _whole(total - zero, "filament of a move"), fed

    def _notes(self, moves: Moves, starts: NDArray[np.intp]) -> list[tuple[int, bytes]]:
        """Make the lines that stand before some rows: what opens a layer, then what opens a part."""
        notes = [(row, self._opening(int(moves.layer[row]))) for row in starts.tolist()]
        rows = np.flatnonzero(_changed(moves.kind, self._kind))
        part = _PART.take(moves.kind[rows])
        rows, part = rows[part > 0], part[part > 0]
        new = _changed(part, self._part)
        for row, index in zip(rows[new].tolist(), part[new].tolist(), strict=True):
            notes.append((row, _text([comment(f"part {_NAMES[index]}", self._dialect.comment)])))
        self._layer, self._kind = int(moves.layer[-1]), int(moves.kind[-1])
        self._part = int(part[-1]) if len(part) else self._part
        return sorted(notes, key=lambda note: note[0])

    def _opening(self, layer: int) -> bytes:
        """Make the lines before a layer: its comment, the filament's reset, the fan, the nozzle's heat."""
        lines = [comment(self._layers[layer], self._dialect.comment)]
        if self._dialect.filament_mode == "absolute":
            lines.append(f"G92 {self._dialect.extruder}0")
        changes = self._changes.pop(layer, [])
        self.commands += changes
        return _text(lines + changes)


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode("ascii")


def _changed(column: NDArray[Any], last: float) -> Bools:
    """Tell where a column differs from the row before; `last` stands before the first."""
    changed = np.empty(len(column), np.bool_)
    if len(column):
        changed[0] = column[0] != last
        np.not_equal(column[1:], column[:-1], out=changed[1:])
    return changed


def _whole(values: Floats, what: str) -> Ints:
    """Round to integers, of 32 bits where they fit: those are spelled faster."""
    low, high = values.min(), values.max()
    if not (-_EXACT < low and high < _EXACT):  # not(...), as every comparison with NaN is false
        raise PathgenError(f"the {what} is no finite number, or beyond all bounds")
    small = -_SMALL < low and high < _SMALL
    return np.rint(values).astype(np.int32 if small else np.int64)
