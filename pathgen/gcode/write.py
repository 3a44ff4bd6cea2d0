"""Write moves as program text: one line per move, streamed block by block, in the dialect of the machine.

Positions are absolute and rounded individually, so rounding errors do not accumulate. Filament is summed in
full precision and the *sum* is rounded: a line feeds the difference of two rounded sums, so the rounding
remainder carries over into the next move, across layers and blocks. A word is written only if its value
changes, and a move that changes nothing has no line. The text does not depend on the division into blocks.

`pathgen.gcode.comments` has the grammar of the comments. Lines obey RS-274 (NISTIR 6556) as far as the
dialect does: one G word per line (3.3.5), and no G0 or G1 without an axis word (3.5.1, 3.5.2); the letter
that feeds filament counts as an axis word.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.comments import CAUTION, PARTS, fill_header, format_comment, write_header
from pathgen.gcode.digits import Bools, Ints, Word, format_lines
from pathgen.gcode.layer_sums import TOTALS, LayerSum, sum_deposits
from pathgen.gcode.scan import find_changes
from pathgen.gcode.template import fill_block, format_placeholders, layer_commands
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import Floats, Kind, Moves
from pathgen.settings.machine import Machine

ROWS = 1 << 14  # moves formatted at once; their arrays and text fit into the processor's cache

_AT_REST = (Kind.RETRACT, Kind.RELOAD)
_MOTION = np.array([kind not in (Kind.TRAVEL, Kind.LIFT) for kind in Kind], np.uint8)  # G0 or G1
_NAMES = ("", *dict.fromkeys(PARTS.values()))
_PART = np.array([_NAMES.index(PARTS.get(kind, "")) for kind in Kind], np.uint8)
_EXACT = 2.0**53  # whole numbers below this are exact in float64
_SMALL = 2.0**31 - 1


class ProgramWriter:
    r"""Writer of one program: call `begin` once, `write` any number of times, then `finish`.

    Parameters
    ----------
    stream : binary file
        Seekable, because `finish` writes the late facts into the header.
    machine : Machine
        Provides dialect, feeds and filament diameter.
    fan : float
        Part cooling from the second layer on, 0 to 1.

    Attributes
    ----------
    lines : int
        Lines of motion written so far, excluding those of the start block.
    commands : list of str
        Lines of the start and finish blocks, and the commands at layer changes so far.

    Notes
    -----
    `Kind.TRAVEL` and `Kind.LIFT` are written as G0, all other kinds as G1. F is in mm/min; the feed of a move
    of filament alone is in mm of filament per minute, even if the filament word is a volume. If z = 0 of the
    controller is not at the platform (`z_zero` of the machine), heights are written in the controller's z.

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
    >>> print(*stream.getvalue().decode().splitlines()[-11:-5], sep="\n")
    (layer 1/1 top 0.200 mm height 0.200 mm)
    G92 A0
    (part wall)
    G1 X1 Y2 Z0.2 A0.33333 F1200
    (sum filament 0.3333 mm path 2.245 mm centre 0.500 1.000 mm)
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
        self._facts: dict[str, str] = {}  # of the header, without the late ones
        self._late: dict[str, int] = {}
        self._layers: list[str] = []  # text of the mark of each layer
        self._changes: dict[int, list[str]] = {}  # commands at layer changes: fan, nozzle temperature
        # State after the rows written so far; positions and feed in units of their last decimal.
        self._place: list[int] = []
        self._known = [False, False, False]
        self._feed = -1
        self._run = 0.0  # total filament, unrounded
        self._fed = 0.0  # total filament, rounded, in units of the last decimal
        self._zero = 0.0  # value of `_fed` at the last reset
        self._layer, self._kind, self._part = -1, -1, 0
        self._sum = np.zeros(TOTALS)  # of the layer written so far

    def begin(
        self,
        facts: Iterable[tuple[str, str]],
        values: Mapping[str, float],
        top: Floats,
        height: Floats,
        *,
        late: Sequence[str] = (),
        nozzle: Floats | None = None,
        fan: Floats | None = None,
        caution: Sequence[str] = CAUTION,
    ) -> None:
        """Write the header and the start block.

        Parameters
        ----------
        facts : iterable of (key, value)
            Facts of the header, in order.
        values : mapping of str to float
            Values of the placeholders in the start and finish blocks: "nozzle" and "platform" in °C;
            "park_x", "park_y" and "clear_z" in mm. The machine and `fan` provide the others.
        top, height : (L,) float64
            z of the top, and height, of every layer of the program, mm.
        late : sequence of str
            Keys of the facts that are passed to `finish`.
        nozzle : (L,) float64, optional
            Nozzle temperature of every layer, °C; by default the one in `values`.
        fan : (L,) float64, optional
            Part cooling of every layer, 0 to 1; by default `fan` of the writer. It is off in the first layer
            of each panel.
        caution : sequence of str
            Lines at the top of the program for the operator.

        Raises
        ------
        PathgenError
            If a placeholder, in any block, has no value.
        """
        dialect, names = self._dialect, ("start", "finish", "fan_on", "fan_off")
        self._values = format_placeholders(values, self._machine, self._fan)
        blocks = {name: fill_block(name, dialect, self._values) for name in names}
        cooled = np.full(len(top), self._fan) if fan is None else fan.copy()
        cooled[np.diff(top, prepend=np.inf) <= 0] = 0.0  # the first layer of each panel has to adhere
        self._changes = layer_commands(self._machine, self._values, nozzle, cooled)
        decimals = dialect.position_decimals
        self._layers = [
            f"layer {number}/{len(top)} top {z:.{decimals}f} mm height {h:.{decimals}f} mm"
            for number, (z, h) in enumerate(zip(top, height, strict=True), start=1)
        ]
        self._facts, self._late = write_header(self._stream, facts, late, dialect.comment, caution)
        opening = blocks["start"] + blocks["fan_off"]
        self.commands = opening + blocks["finish"]
        self._stream.write(_text(opening))

    def write(self, moves: Moves, feed: Floats) -> None:
        """Write the next moves.

        Parameters
        ----------
        moves : Moves
            Any number, including none; layers ascending.
        feed : (N,) float64
            Speed of each move, mm/s; replaces the wanted feed in `moves`.

        Raises
        ------
        PathgenError
            If a number is not finite, or too large.
        """
        if len(feed) != len(moves):
            raise ValueError(f"there are {len(feed)} feeds for {len(moves)} moves")
        if not self._place:
            start = np.array(moves.start) - (0.0, 0.0, self._machine.z_zero)
            self._place = [int(v) for v in np.rint(start * self._place_scale)]
        for a in range(0, len(moves), ROWS):
            rows = slice(a, a + ROWS)
            self._write_rows(moves.rows(rows), feed[rows])

    def finish(self, facts: Mapping[str, str]) -> None:
        """Write the finish block, and fill in the header values that are known only at the end.

        Raises
        ------
        ValueError
            If the facts are not the late ones announced to `begin`.
        """
        dialect = self._dialect
        closing = [self._closing()] if self._layer >= 0 else []
        end = [*closing, format_comment("end", dialect.comment), *fill_block("finish", dialect, self._values)]
        self._stream.write(_text(end))
        fill_header(self._stream, self._facts, self._late, facts, dialect.comment)

    def _write_rows(self, moves: Moves, feed: Floats) -> None:
        """Round the values, find those that change, drop rows without a change, and format the others."""
        starts = np.flatnonzero(find_changes(moves.layer, self._layer))
        positions = (("x", moves.x), ("y", moves.y), ("z", moves.z - self._machine.z_zero))
        places = [_whole(values * self._place_scale, f"{name} of a move") for name, values in positions]
        moved = [find_changes(column, last) for column, last in zip(places, self._place, strict=True)]
        before, self._place = self._place, [int(column[-1]) for column in places]
        self._name_all_axes(moves.kind, moved)
        filament, fed, run = self._filament(moves.filament, starts)
        notes = self._notes(moves, starts, self._sum_layers(before, places, run, starts))
        # A feed that rounds to 0 would stop the machine for good.
        speed = np.maximum(_whole(feed * self._feed_scale, "feed of a move"), 1)
        columns = [*places, *moved, filament, fed, _MOTION.take(moves.kind), speed]

        kept = moved[0] | moved[1] | moved[2] | fed
        if not kept.all():
            rows = np.flatnonzero(kept)
            columns = [column[rows] for column in columns]
            notes = [(int(np.searchsorted(rows, row)), text) for row, text in notes]
        self._format_rows(columns, notes)

    def _format_rows(self, columns: list[NDArray[Any]], notes: list[tuple[int, bytes]]) -> None:
        """Write the lines of moves, with comments and commands before some of them."""
        x, y, z, x_moved, y_moved, z_moved, filament, fed, motion, speed = columns
        new_speed = find_changes(speed, self._feed)
        self._feed = int(speed[-1]) if len(speed) else self._feed
        dialect = self._dialect
        words = [
            Word("X", x, dialect.position_decimals, x_moved),
            Word("Y", y, dialect.position_decimals, y_moved),
            Word("Z", z, dialect.position_decimals, z_moved),
            Word(dialect.extruder, filament, dialect.filament_decimals, fed),
            Word("F", speed, dialect.feed_decimals, new_speed),
        ]
        texts = format_lines(motion, words, [row for row, _ in notes])
        self._stream.write(texts[0])
        for (_, note), text in zip(notes, texts[1:], strict=True):
            self._stream.write(note + text)
        self.lines += len(motion)

    def _name_all_axes(self, kind: NDArray[np.uint8], moved: list[Bools]) -> None:
        """Write each axis in the first move, even if its position does not change.

        The start block may leave the head at another position than planned; after these lines the position is
        defined. A lift includes only z, so that it remains a lift.
        """
        for axes, without in (((0, 1), (*_AT_REST, Kind.LIFT)), ((2,), _AT_REST)):
            if not self._known[axes[0]]:
                first = np.flatnonzero(~np.isin(kind, without))[:1]
                for axis in axes:
                    moved[axis][first] = True
                    self._known[axis] = len(first) > 0

    def _filament(self, filament: Floats, starts: NDArray[np.intp]) -> tuple[Ints, Bools, Floats]:
        """Return the filament word of each row, which rows feed filament, and the filament in mm."""
        run = filament.copy()
        run[0] += self._run  # one running sum over the whole program, independent of its division into blocks
        np.cumsum(run, out=run)
        total, before = np.rint(run * self._filament_scale), self._fed
        self._run, self._fed = float(run[-1]), float(total[-1])
        fed, steps = find_changes(total, before), np.diff(total, prepend=before)
        length = steps / self._filament_scale
        if self._dialect.filament_mode == "relative":
            return _whole(steps, "filament of a move"), fed, length
        resets = np.concatenate([[before], total])[starts]
        spans = np.diff(starts, prepend=0, append=len(total))
        zero = np.repeat(np.concatenate([[self._zero], resets]), spans)
        self._zero = float(zero[-1])
        return _whole(total - zero, "filament of a move"), fed, length

    def _sum_layers(
        self, before: list[int], places: list[Ints], filament: Floats, starts: NDArray[np.intp]
    ) -> list[str]:
        """Add up what the rows deposit, and return the comment that ends the layer before each start."""
        ended = []
        first = starts if len(starts) and starts[0] == 0 else np.append(0, starts)
        x, y, z = (column / self._place_scale for column in places)
        at = (before[0] / self._place_scale, before[1] / self._place_scale, before[2] / self._place_scale)
        for group, totals in zip(first.tolist(), sum_deposits(at, (x, y, z), filament, first), strict=True):
            if group or len(first) == len(starts):
                ended.append(self._closing())
            self._sum += totals
        return ended

    def _closing(self) -> str:
        """Return the comment that ends a layer, and begin the sums of the next one."""
        text, self._sum = str(LayerSum.of(self._sum)), np.zeros(TOTALS)
        return format_comment(text, self._dialect.comment)

    def _notes(self, moves: Moves, starts: NDArray[np.intp], ended: list[str]) -> list[tuple[int, bytes]]:
        """Build the lines before some rows: the end of a layer, layer changes, then part marks."""
        notes = []
        for row, closing in zip(starts.tolist(), ended, strict=True):
            layer = int(moves.layer[row])
            lines = [closing] if row or self._layer >= 0 else []
            notes.append((row, _text(lines) + self._opening(layer)))
        rows = np.flatnonzero(find_changes(moves.kind, self._kind))
        part = _PART.take(moves.kind[rows])
        rows, part = rows[part > 0], part[part > 0]
        new = find_changes(part, self._part)
        for row, index in zip(rows[new].tolist(), part[new].tolist(), strict=True):
            notes.append((row, _text([format_comment(f"part {_NAMES[index]}", self._dialect.comment)])))
        self._layer, self._kind = int(moves.layer[-1]), int(moves.kind[-1])
        self._part = int(part[-1]) if len(part) else self._part
        return sorted(notes, key=lambda note: note[0])

    def _opening(self, layer: int) -> bytes:
        """Build the lines before a layer: its mark, the filament reset, and the fan and nozzle commands."""
        lines = [format_comment(self._layers[layer], self._dialect.comment)]
        if self._dialect.filament_mode == "absolute":
            lines.append(f"G92 {self._dialect.extruder}0")
        changes = self._changes.pop(layer, [])
        self.commands += changes
        return _text(lines + changes)


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode("ascii")


def _whole(values: Floats, what: str) -> Ints:
    """Round to integers, with 32 bits if possible, because these are formatted faster."""
    low, high = values.min(), values.max()
    if not (-_EXACT < low and high < _EXACT):  # "not (...)", because every comparison with NaN is false
        raise PathgenError(f"the {what} is too large or not a finite number")
    small = -_SMALL < low and high < _SMALL
    return np.rint(values).astype(np.int32 if small else np.int64)
