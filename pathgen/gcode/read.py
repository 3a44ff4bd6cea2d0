"""A program read back: text to moves, by what the text says and nothing else.

Ordinary lines are read by `scan` some thousands at a time and carried out by `rows` as columns; everything
unusual goes through `block` and `interpret` line by line. A line is read as RS-274 (NISTIR 6556) and the
dialect say, or refused with its number: nothing is guessed.

What is followed: G0 to G3 (arcs in XY as chords), G4, G17 to G21, G28, G53, G54, G80, G90 to G92 and the
codes that change nothing for a head that only moves straight (G40, G49, G61, G64, G94, G98, G99); M82 and
M83 where the dialect owns them. Other M words, and the dialect's own, are kept as events. Cycles, further
coordinate systems, tool offsets, parameters and expressions are refused.
"""

from __future__ import annotations

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
from pathgen.motion.moves import DEPOSITS, Moves
from pathgen.settings.machine import Dialect

PIECE = 1 << 19  # bytes scanned at once: small enough for its columns to stay in the processor's cache
SAME_LAYER = 4  # decimals of a mm to which heights are told apart where no comment says the layer


@dataclass(frozen=True, slots=True)
class Program:
    """What a program does.

    Attributes
    ----------
    moves : Moves
        Machine coordinates, mm; filament in mm of filament. One row a line of motion; a chord of an arc is
        a row too. `feed` is the last F word, 0 before the first, for G0 as well: controllers of this trade
        mean it so (common practice), while one that is strict traverses as fast as it can.
    line : (N,) int32
        Line of the source each move came from, from 1.
    header : dict of str to str
        The `key = value` comments that stand before the first command.
    events : tuple of Event
        Commands that are not motions, in order.
    tops : (L,) float64
        Height of the top of each layer, mm: as marks say it (NaN for one they leave out), or the heights of
        deposits, ascending.
    ended : bool
        M2, M30 or a closing percent sign was reached. What follows it is not read. False for a program cut
        short.
    marked : bool
        Comments of a pathgen program said kinds and layers; otherwise both were told from the motion.
    bare : (M,) int64
        Lines with a motion and a feed, but no axis word: nothing moves.
    faults : tuple of Fault
        Lines that could not be read; always empty unless the program was read leniently.
    given_up : bool
        There were too many of them, and reading stopped.
    rest : bool
        Something stands behind the end.
    """

    moves: Moves
    line: NDArray[np.int32]
    header: dict[str, str]
    events: tuple[Event, ...]
    tops: NDArray[np.float64]
    ended: bool
    marked: bool
    bare: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    faults: tuple[LineFault, ...] = ()
    given_up: bool = False
    rest: bool = False


def read_program(
    source: Input,
    dialect: Dialect,
    filament_diameter: float,
    *,
    block_delete: bool = False,
    most_faults: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Program:
    r"""Read a program.

    Parameters
    ----------
    source : bytes, path or binary stream
        The text itself, its file, or an open seekable file. Lines end with LF or CR LF.
    dialect : Dialect
        How its controller takes it.
    filament_diameter : float
        mm; turns filament words that are volumes into lengths.
    block_delete : bool
        The controller's block-delete switch: leave out lines that begin with a slash.
    most_faults : int
        Read leniently: codes that nobody declared are taken as the dialect's own, and lines that cannot be
        read are left out and noted, up to this many; then reading is given up. 0: the first is refused.
    progress : callable, optional
        Called with the bytes taken so far.

    Returns
    -------
    Program
        Without moves, and not ended, for empty text.

    Raises
    ------
    PathgenError
        With line number and content, for the first line that breaks a rule of RS-274 or of the dialect or
        asks for what is not followed; when the file cannot be opened; for a diameter not above 0.

    Notes
    -----
    The head starts at 0, 0, 0, where G28 puts it too. A last line without line end that cannot be read was
    cut off on its way; it is left out, and `ended` is false.

    A line with a motion and a feed, but no axis word, is an error of RS-274 (NISTIR 6556 3.5.2). Controllers
    whose filament has a letter of its own take it (common practice): read leniently, it is kept in `bare`.

    A filament word counts as the dialect says until M82 or M83; on a linear axis (A, B, C, U, V, W) it
    follows G90 and G91 like any axis. In programs without marks a deposit is of kind WALL, and its layer is
    the rank of its height among the heights of all deposits; other moves have the layer of the deposit
    before them.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> dialect = load_machine("moving-table").dialect
    >>> program = read_program(b"G1 X10 E0.5 F1200\nX20 E0.5\nM2\n", dialect, 1.75)
    >>> program.moves.x, program.ended
    (array([10., 20.]), True)
    """
    interpreter = _interpreter(dialect, filament_diameter, block_delete, most_faults)
    with open_input(source, "a program") as handle:
        for _ in _taken(handle, interpreter, progress):
            pass
    return _program(interpreter)


def read_windows(
    source: Input,
    dialect: Dialect,
    filament_diameter: float,
    size: int,
    *,
    most_faults: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Iterator[tuple[Program, bool]]:
    """Read a program in windows of whole layers, so that memory does not grow with it.

    Parameters
    ----------
    source, dialect, filament_diameter, most_faults, progress
        As in `read_program`.
    size : int
        Moves that a window has about. A program without marks comes in one window, as its layers are only
        known at its end.

    Yields
    ------
    program : Program
        Moves of some layers. Its events are those of all windows so far; those of earlier ones come before
        its first move. Only the last one's `ended` and `rest` are the program's own.
    last : bool

    Raises
    ------
    PathgenError
        As in `read_program`.
    """
    interpreter = _interpreter(dialect, filament_diameter, False, most_faults)
    start, before = (0.0, 0.0, 0.0), 0
    with open_input(source, "a program") as handle:
        for _ in _taken(handle, interpreter, progress):
            held = sum(len(stretch.line) for stretch in interpreter.stretches)
            if held < size or not interpreter.marked or interpreter.ended:
                continue
            rest = _after_last_layer(interpreter)
            if rest is None:
                continue
            window = _window(_program(interpreter), start, before)
            window = replace(window, ended=True, rest=False, faults=(), bare=np.zeros(0, np.int64))
            interpreter.stretches = rest
            start, before = window.moves.end, before + len(window.moves)
            yield window, False
        yield _window(_program(interpreter), start, before), True


def _window(program: Program, start: tuple[float, float, float], before: int) -> Program:
    """Have a window begin where the one before it ends; commands of earlier windows come before its moves."""
    if not before:
        return program
    end = before + len(program.moves)
    events = tuple(e._replace(move=max(e.move - before, 0)) for e in program.events if e.move <= end)
    return replace(program, moves=replace(program.moves, start=start), events=events)


def _after_last_layer(interpreter: Interpreter) -> list[Stretch] | None:
    """Take the layer that is not read to its end yet off the stretches; None where there is only one."""
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
    dialect: Dialect, filament_diameter: float, block_delete: bool, most_faults: int
) -> Interpreter:
    if not filament_diameter > 0:
        raise PathgenError(f"filament diameter {filament_diameter} mm", allowed="more than 0")
    grammar = Grammar.of(dialect, most_faults > 0)
    return Interpreter(
        grammar,
        filament_absolute=True if grammar.axis else dialect.filament_mode == "absolute",
        filament_scale=4 / (math.pi * filament_diameter**2) if dialect.filament_unit == "mm3" else None,
        block_delete=block_delete,
        most_faults=most_faults,
    )


def _taken(
    handle: BinaryIO, interpreter: Interpreter, progress: Callable[[int], None] | None = None
) -> Iterator[None]:
    """Hand a file over in pieces of whole lines, and stop after each."""
    taken = 0
    while not interpreter.ended and (piece := handle.read(PIECE) + handle.readline(LONGEST + 3)):
        if interpreter.given_up:
            return
        whole = piece.rfind(b"\n") + 1
        interpreter.take(piece[:whole])
        if whole < len(piece) and not interpreter.ended:
            _take_last(piece[whole:], interpreter)
        if progress:
            progress(taken := taken + len(piece))
        yield
    if interpreter.ended and not interpreter.rest:
        interpreter.rest = bool(handle.read(PIECE).strip())


def _take_last(rest: bytes, interpreter: Interpreter) -> None:
    """Take a last line without line end; one that cannot be read is left out, with all it set going."""
    events = len(interpreter.events)
    try:
        interpreter.take(rest + b"\n")
    except PathgenError:
        if len(rest) > LONGEST:
            raise
        del interpreter.events[events:]
        interpreter.ended = False


def _program(interpreter: Interpreter) -> Program:
    """Join the stretches; layers by height where the program does not tell them."""
    line, x, y, z, filament, feed, kind, layer = _joined(interpreter.stretches)
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
        interpreter.ended,
        interpreter.marked,
        np.concatenate([np.zeros(0, np.int64), *interpreter.bare]),
        tuple(interpreter.faults),
        interpreter.given_up,
        interpreter.rest,
    )


def _joined(stretches: list[Stretch]) -> Stretch:
    """Join columns, letting go of each stretch once it is copied: nothing is held twice."""
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
    """Give deposits the rank of their height, and other moves the layer of the deposit before them."""
    deposit = np.flatnonzero(np.isin(kind, DEPOSITS))
    tops, rank = np.unique(np.round(z[deposit], SAME_LAYER), return_inverse=True)
    spans = np.diff(deposit, prepend=0, append=len(z))
    return np.repeat(np.concatenate([[0], rank]), spans).astype(np.int32), tops
