"""Read a program back to moves, based on its text alone.

`scan` scans ordinary lines thousands at a time, and `rows` carries them out as arrays; unusual lines go
through `block` and `interpret` one by one. A line is interpreted by the rules of RS-274 (NISTIR 6556) and of
the dialect, or rejected with its number; nothing is guessed.

The reader follows G0 to G3 (arcs in XY as chords), G4, G17, G20, G21, G28, G53, G54, G80, G90 to G92 and the
codes that do not affect motions (G40, G49, G61, G64, G94, G98, G99), and M82 and M83 if the dialect declares
them. M0 to M2, M5, M9, M30, M60 and the commands of the profile are recorded as events. Canned cycles, other
coordinate systems, planes and tools, overrides, tool offsets, parameters and expressions are rejected.
"""

from __future__ import annotations

import codecs
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.files.inputs import Input, open_input
from pathgen.gcode.block import LONGEST, Grammar
from pathgen.gcode.interpret import Event, Interpreter, LineFault, Stretch
from pathgen.gcode.layer_sums import LayerSum
from pathgen.motion.moves import DEPOSITS, Moves
from pathgen.settings.machine import Dialect

PIECE = 1 << 19  # bytes scanned at once; the arrays of one piece fit into the processor's cache
SAME_LAYER = 4  # decimals of a mm; heights equal to so many decimals are one layer if marks are absent


@dataclass(frozen=True, slots=True)
class Program:
    """Contents of a program.

    Attributes
    ----------
    moves : Moves
        Machine coordinates, mm; filament in mm of filament. One row per line of motion, or per chord of an
        arc. `feed` is the last F word, 0 before the first. This applies to G0 as well, which is common
        practice of controllers in this trade; a strict controller traverses at its maximum speed.
    line : (N,) int32
        Source line of each move, from 1.
    header : dict of str to str
        The `key = value` comments before the first command.
    events : tuple of Event
        Commands that are not motions, in order.
    tops : (L,) float64
        Height of the top of each layer, mm: from the marks (NaN for a missing one), or the heights of the
        deposits, ascending.
    sums : dict of int to LayerSum
        What each layer deposits as the program states it, by layer from 0; empty without such comments.
    ended : bool
        M2, M30 or a closing percent sign was reached; nothing after it is read. False for a truncated
        program.
    marked : bool
        Kinds and layers come from the marks of a pathgen program; otherwise they were inferred from the
        motion.
    feed_only : (M,) int64
        Lines with a motion and a feed but no axis word; nothing moves.
    faults : tuple of LineFault
        Lines that could not be parsed; always empty unless the program was read leniently.
    given_up : bool
        There were too many faults, and reading stopped.
    trailing : LineFault or None
        The first line with words after the end.
    doubtful : tuple of LineFault
        Lines that controllers read differently; see `interpret`.
    """

    moves: Moves
    line: NDArray[np.int32]
    header: dict[str, str]
    events: tuple[Event, ...]
    tops: NDArray[np.float64]
    sums: dict[int, LayerSum]
    ended: bool
    marked: bool
    feed_only: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    faults: tuple[LineFault, ...] = ()
    given_up: bool = False
    trailing: LineFault | None = None
    doubtful: tuple[LineFault, ...] = ()


def read_program(
    source: Input,
    dialect: Dialect,
    filament_diameter: float,
    *,
    block_delete: bool = False,
    max_faults: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Program:
    r"""Read a program.

    Parameters
    ----------
    source : bytes, path or binary stream
        The text itself, its file, or an open seekable file. Lines end with LF or CR LF; text without LF, or
        with a byte order mark, is rejected.
    dialect : Dialect
        Dialect of the controller.
    filament_diameter : float
        mm; converts filament words that are volumes to lengths.
    block_delete : bool
        Position of the block-delete switch: if true, skip lines that begin with a slash.
    max_faults : int
        If above 0, read leniently: accept undeclared codes as if the dialect declared them, and record lines
        that cannot be parsed, up to this number; then stop. If 0, the first such line raises an error.
    progress : callable, optional
        Called with the number of bytes read so far.

    Returns
    -------
    Program
        Empty text gives no moves and `ended` false.

    Raises
    ------
    PathgenError
        For the first line, named by number and content, that breaks a rule of RS-274 or of the dialect or
        that is not supported; if the file cannot be opened; for a diameter that is not above 0.

    Notes
    -----
    The head starts at 0, 0, 0, which is also the target of G28. A last line without a line end that cannot be
    parsed was truncated; it is skipped, and `ended` is false.

    A line with a motion and a feed but no axis word is an error in RS-274 (NISTIR 6556, 3.5.2). Controllers
    with a filament letter beyond RS-274 accept it (common practice), so a lenient read records it in
    `feed_only`.

    A filament word is interpreted as in the dialect until M82 or M83; on a linear axis (A, B, C, U, V, W) it
    obeys G90 and G91 like any axis. In programs without marks, deposits are of kind WALL, and the layer of a
    deposit is the rank of its height among the heights of all deposits; other moves have the layer of the
    preceding deposit.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> dialect = load_machine("moving-table").dialect
    >>> program = read_program(b"G1 X10 E0.5 F1200\nX20 E0.5\nM2\n", dialect, 1.75)
    >>> program.moves.x, program.ended
    (array([10., 20.]), True)
    """
    interpreter = _interpreter(dialect, filament_diameter, block_delete, max_faults)
    with open_input(source, "a program") as handle:
        for _ in _read_pieces(handle, interpreter, progress):
            pass
    return _program(interpreter)


def read_windows(
    source: Input,
    dialect: Dialect,
    filament_diameter: float,
    size: int,
    *,
    max_faults: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Iterator[tuple[Program, bool]]:
    """Read a program in windows of whole layers, so that memory use does not grow with its length.

    Parameters
    ----------
    source, dialect, filament_diameter, max_faults, progress
        As in `read_program`.
    size : int
        Approximate number of moves per window. A program without marks comes in one window, because its
        layers are known only at its end.

    Yields
    ------
    program : Program
        Moves of some layers. `events` contains those of all windows so far; earlier ones precede the first
        move. `ended` and `trailing` are meaningful in the last window only.
    last : bool

    Raises
    ------
    PathgenError
        As in `read_program`.
    """
    interpreter = _interpreter(dialect, filament_diameter, False, max_faults)
    start, before = (0.0, 0.0, 0.0), 0
    with open_input(source, "a program") as handle:
        for _ in _read_pieces(handle, interpreter, progress):
            pending = sum(len(stretch.line) for stretch in interpreter.stretches)
            if pending < size or not interpreter.marked or interpreter.ended:
                continue
            unfinished = _take_last_layer(interpreter)
            if unfinished is None:
                continue
            window = _window(_program(interpreter), start, before)
            window = replace(window, ended=True, faults=(), doubtful=(), feed_only=np.zeros(0, np.int64))
            interpreter.stretches = unfinished
            start, before = window.moves.end, before + len(window.moves)
            yield window, False
        yield _window(_program(interpreter), start, before), True


def _window(program: Program, start: tuple[float, float, float], before: int) -> Program:
    """Start a window where the previous window ends, and number its moves from 0."""
    if not before:
        return program
    end = before + len(program.moves)
    events = tuple(e._replace(move=max(e.move - before, 0)) for e in program.events if e.move <= end)
    return replace(program, moves=replace(program.moves, start=start), events=events)


def _take_last_layer(interpreter: Interpreter) -> list[Stretch] | None:
    """Remove and return the unfinished last layer; return None if the program has only one layer so far."""
    layer = interpreter.stretches[-1].layer[-1]
    rest: list[Stretch] = []
    while interpreter.stretches:
        stretch = interpreter.stretches.pop()
        cut = int(np.searchsorted(stretch.layer == layer, True)) if (stretch.layer == layer).any() else None
        if cut is None:
            interpreter.stretches.append(stretch)
            return rest
        rest.insert(0, _rows(stretch, slice(cut, None)))
        if cut:
            interpreter.stretches.append(_rows(stretch, slice(0, cut)))
            return rest
    interpreter.stretches = rest
    return None


def _rows(stretch: Stretch, rows: slice) -> Stretch:
    return Stretch._make(column[rows] for column in stretch)


def _interpreter(
    dialect: Dialect, filament_diameter: float, block_delete: bool, max_faults: int
) -> Interpreter:
    if not filament_diameter > 0:
        raise PathgenError(f"the filament diameter is {filament_diameter} mm", allowed="more than 0")
    grammar = Grammar.of(dialect, max_faults > 0)
    return Interpreter(
        grammar,
        filament_absolute=True if grammar.axis else dialect.filament_mode == "absolute",
        filament_scale=4 / (math.pi * filament_diameter**2) if dialect.filament_unit == "mm3" else None,
        block_delete=block_delete,
        max_faults=max_faults,
    )


def _read_pieces(
    handle: BinaryIO, interpreter: Interpreter, progress: Callable[[int], None] | None = None
) -> Iterator[None]:
    """Pass a file to the interpreter in pieces of whole lines, and yield after each."""
    taken = 0
    reject_marks(handle.read(PIECE))
    handle.seek(0)
    while not interpreter.ended and (piece := handle.read(PIECE) + handle.readline(LONGEST + 3)):
        if interpreter.given_up:
            return
        whole = piece.rfind(b"\n") + 1
        interpreter.take(piece[:whole])
        if whole < len(piece):
            _take_last(piece[whole:], interpreter)
        if progress:
            progress(taken := taken + len(piece))
        yield
    while interpreter.ended and not interpreter.trailing and (piece := handle.read(PIECE)):
        interpreter.look_behind_end(piece + handle.readline())


def reject_marks(head: bytes) -> None:
    """Reject a byte order mark, and lines that end with carriage returns alone.

    Raises
    ------
    PathgenError
        With the cause, as both make every line unreadable.
    """
    if head.startswith(codecs.BOM_UTF8):
        why = "the text begins with a byte order mark, which controllers reject"
        raise PathgenError(why, where="line 1", hint="save the file as UTF-8 without a byte order mark")
    if b"\r" in head.rstrip(b"\r") and b"\n" not in head:
        why = "the lines end with carriage returns alone, so the text is a single line to most controllers"
        raise PathgenError(why, where="line 1", hint="convert the line endings to LF or CR LF")


def _take_last(rest: bytes, interpreter: Interpreter) -> None:
    """Interpret a last line without a line end; undo its effects if it cannot be parsed."""
    if interpreter.ended:
        interpreter.look_behind_end(rest)
        return
    events = len(interpreter.events)
    try:
        interpreter.take(rest + b"\n")
    except PathgenError:
        if len(rest) > LONGEST:
            raise
        del interpreter.events[events:]
        interpreter.ended = False


def _program(interpreter: Interpreter) -> Program:
    """Join the sections of a program; derive layers from heights if no comment marks layers."""
    line, x, y, z, filament, feed, kind, layer = _join_stretches(interpreter.stretches)
    if interpreter.marked:
        tops = np.full(max(interpreter.tops, default=-1) + 1, np.nan)
        tops[list(interpreter.tops)] = list(interpreter.tops.values())
    else:
        layer, tops = _layers_by_height(z, kind)
    moves = Moves((0.0, 0.0, 0.0), x, y, z, filament, feed, kind, layer)
    return Program(
        moves,
        line,
        interpreter.header,
        tuple(interpreter.events),
        tops,
        interpreter.sums,
        interpreter.ended,
        interpreter.marked,
        np.concatenate([np.zeros(0, np.int64), *interpreter.feed_only]),
        tuple(interpreter.faults),
        interpreter.given_up,
        interpreter.trailing,
        tuple(interpreter.doubtful),
    )


def _join_stretches(stretches: list[Stretch]) -> Stretch:
    """Join arrays, and free each part after it is copied, to save memory."""
    types = (np.int32, *[np.float64] * 5, np.uint8, np.int32)
    columns: list[NDArray[Any]] = [np.empty(sum(len(s.line) for s in stretches), t) for t in types]
    at = 0
    stretches.reverse()
    while stretches:
        parts: tuple[NDArray[Any], ...] = tuple(stretches.pop())
        for column, part in zip(columns, parts, strict=True):
            column[at : at + len(part)] = part
        at += len(parts[0])
    return Stretch(*columns)


def _layers_by_height(
    z: NDArray[np.float64], kind: NDArray[np.uint8]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Find layers by deposit height; other moves get the layer of the preceding deposit."""
    deposit = np.flatnonzero(np.isin(kind, DEPOSITS))
    tops, rank = np.unique(np.round(z[deposit], SAME_LAYER), return_inverse=True)
    spans = np.diff(deposit, prepend=0, append=len(z))
    return np.repeat(np.concatenate([[0], rank]), spans).astype(np.int32), tops
