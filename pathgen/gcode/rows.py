"""Words of motion to columns of moves: what G0 to G3 do under the modes in force.

Glossary. *Column*: the words of one letter. *Row*: one move. *Modes*: units, absolute or relative, plane;
constant over one call, since a line that changes one stands between two calls. *Held*: valid until the next
such word.

Absolute positions are held words; relative ones a running sum. Both add and scale in the order a controller
would, so the result does not depend on where a program is cut into pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.gcode.arcs import FAULTS, Arcs, ArcTurns, chord_ends, find_turns
from pathgen.gcode.scan import NO_WORDS, WordColumn
from pathgen.motion.moves import Kind

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Judge = Callable[[dict[str, Ints]], None]

NO_MOTION = 80  # G80, and the mode before the first G0 to G3
SET_FILAMENT = 92  # among the G words handed over: G92 with the filament word alone, which moves nothing
NO_AXIS = "a motion without an axis word"
FEED_ONLY = "a motion with a feed, but without an axis word"


class Modes(NamedTuple):
    """Modes that a motion depends on."""

    scale: float  # mm a unit: 1, or 25.4 after G20
    absolute: bool
    filament_absolute: bool
    plane: str = "G17"


@dataclass(slots=True)
class State:
    """Where a controller stands between two lines; `advance` moves it on.

    Attributes
    ----------
    modes : Modes
    filament_scale : float
        mm of filament a unit of the filament word.
    place : list of float
        Machine position x, y, z, mm.
    offset : list of float
        Machine position of the program's origin, mm: 0 until a G92 shifts it.
    fed : float
        The filament word that would feed nothing if given now, mm of filament.
    wound : float
        Filament fed since the start or the last homing, mm: the filament axis's machine position.
    feed : float
        mm/s; 0 before the first F word.
    mode : int
        0 to 3 or `NO_MOTION`.
    """

    modes: Modes
    filament_scale: float
    place: list[float]
    offset: list[float]
    fed: float = 0.0
    wound: float = 0.0
    feed: float = 0.0
    mode: int = NO_MOTION


class MoveRows(NamedTuple):
    """Columns of N moves, as `Moves` has them, with the line each came from."""

    line: Ints
    x: Floats
    y: Floats
    z: Floats
    filament: Floats
    feed: Floats
    moved: Flags  # moves in the XY plane
    raised: Flags  # changes z


def advance(
    state: State, words: Mapping[str, WordColumn], count: int, filament: str, judge: Judge
) -> MoveRows:
    """Carry out lines, all under the same modes.

    Parameters
    ----------
    state : State
        Where the controller stands; moved on in place.
    words : mapping of str to Column
        The lines' words of motion, by letter.
    count : int
        How many lines these are; most have words, and those without do nothing.
    filament : str
        The letter that feeds filament.
    judge : callable
        Is given the lines that have no meaning under the mode they stand in, ascending, by reason, where
        there are any: refuses them, or lets reading go on. Then a motion without its mode is straight, one
        without an axis word is none, and an arc that cannot be is its chord.

    Returns
    -------
    Rows
        One for each line that moves; more for an arc.

    Raises
    ------
    PathgenError
        As `judge` does.
    """
    column = {letter: words.get(letter, NO_WORDS) for letter in "GFXYZIJR" + filament}
    set_line, motion = _split(column["G"])
    sets = _flags(count, set_line)
    axes = _flags(count, *(column[letter].line for letter in "XYZ" + filament))
    mode = _held(state.mode, motion.line, motion.value, count)
    moving, bent = axes & ~sets, (mode == 2) | (mode == 3)
    centred = _flags(count, *(column[letter].line for letter in "IJR"))
    faults = {
        "axis words, but no motion (G0 to G3) in force": moving & (mode == NO_MOTION),
        **_without_axes(_flags(count, motion.line[motion.value < 4]) & ~axes, column["F"].line),
        "I, J or R, but no arc in force": centred & ~(moving & bent),
        "an arc, but not in the XY plane (G17)": moving & bent & (state.modes.plane != "G17"),
    }
    before = list(state.place)
    x, y, z = (_positions(state, axis, column["XYZ"[axis]], count) for axis in range(3))
    fed = _fed(state, column[filament], sets)
    feed = _held(state.feed, column["F"].line, column["F"].value * state.modes.scale / 60.0, count)
    if count:
        state.feed, state.mode = float(feed[-1]), int(mode[-1])
    rows = MoveRows(np.arange(count), x, y, z, fed, feed, *_changes(before, x, y, z))
    bent &= moving
    if bent.any():
        turned = find_turns(_arcs(state.modes.scale, before, rows, column, bent, mode))
        turned = turned._replace(chords=np.where(turned.fault > 0, 1, turned.chords))
        faults |= {why: _flags(count, np.flatnonzero(bent)[turned.fault == k]) for k, why in FAULTS.items()}
    if found := {why: np.flatnonzero(bad) for why, bad in faults.items() if bad.any()}:
        judge(found)
    if bent.any():
        return _with_chords(rows, moving, bent, before[2], turned)
    return rows if moving.all() else MoveRows._make(c[moving] for c in rows)


def classify_moves(rows: MoveRows, part: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Tell what moves are for from what they do; `part` is the kind deposits have there.

    Filament fed while the head moves in XY is a deposit. Without XY motion, filament fed or drawn back is a
    reload or a retraction, even while z changes, and z alone is a lift. Everything else is a travel.
    """
    fed = np.where(rows.moved, part, np.uint8(Kind.RELOAD))
    drawn = np.where(rows.moved, np.uint8(Kind.TRAVEL), np.uint8(Kind.RETRACT))
    dry = np.where(rows.raised & ~rows.moved, np.uint8(Kind.LIFT), np.uint8(Kind.TRAVEL))
    kind = np.where(rows.filament > 0, fed, np.where(rows.filament < 0, drawn, dry))
    return np.asarray(kind, np.uint8)


def _split(g: WordColumn) -> tuple[Ints, WordColumn]:
    """Part the lines that set the filament word from the G words of motions."""
    sets = g.value == SET_FILAMENT
    return (g.line[sets], WordColumn(g.line[~sets], g.value[~sets])) if sets.any() else (NO_WORDS.line, g)


def _flags(count: int, *lines: Ints) -> Flags:
    flags = np.zeros(count, np.bool_)
    for chosen in lines:
        flags[chosen] = True
    return flags


def _held(now: float, line: Ints, value: Floats, count: int) -> Floats:
    """Hold each value from its line up to the next; `now` before the first."""
    if len(line) == count:
        return value
    spans = np.diff(line, prepend=0, append=count)
    return np.repeat(np.concatenate([[float(now)], value]), spans)


def _without_axes(bare: Flags, feeds: Ints) -> dict[str, Flags]:
    """Part motions without an axis word into those with a feed and those without."""
    if not bare.any():
        return {NO_AXIS: bare}
    fed = _flags(len(bare), feeds)
    return {NO_AXIS: bare & ~fed, FEED_ONLY: bare & fed}


def _positions(state: State, axis: int, words: WordColumn, count: int) -> Floats:
    """Give one axis's machine position after each line."""
    now, value = state.place[axis], words.value
    if state.modes.scale != 1.0:
        value = value * state.modes.scale
    if not state.modes.absolute:
        value = np.cumsum(np.concatenate([[now], value]))[1:]
    elif state.offset[axis]:
        value = value + state.offset[axis]
    if len(value):
        state.place[axis] = float(value[-1])
    return _held(now, words.line, value, count)


def _fed(state: State, words: WordColumn, sets: Flags) -> Floats:
    """Give the filament fed in each line, mm of filament."""
    value = words.value * state.filament_scale
    fed = np.zeros(len(sets))
    if not len(value):
        return fed
    if state.modes.filament_absolute:
        fed[words.line] = np.diff(value, prepend=state.fed)
        fed[sets] = 0.0
        state.fed = float(value[-1])
    else:
        fed[words.line] = value
        state.fed = float(np.cumsum(np.concatenate([[state.fed], value]))[-1])
    state.wound = float(np.cumsum(np.concatenate([[state.wound], fed[words.line]]))[-1])
    return fed


def _changes(before: list[float], *place: Floats) -> tuple[Flags, Flags]:
    """Tell which lines move in XY, and which change z."""
    changed = []
    for now, column in zip(before, place, strict=True):
        changed.append(np.empty(len(column), np.bool_))
        changed[-1][:1] = column[:1] != now
        np.not_equal(column[1:], column[:-1], out=changed[-1][1:])
    return changed[0] | changed[1], changed[2]


def _arcs(
    scale: float,
    before: list[float],
    rows: MoveRows,
    column: dict[str, WordColumn],
    bent: Flags,
    mode: Floats,
) -> Arcs:
    """Gather the arcs among the lines."""
    given = {}
    for letter in "IJR":
        given[letter] = np.full(len(bent), np.nan)
        given[letter][column[letter].line] = column[letter].value * scale
    end = np.stack([rows.x, rows.y], axis=1)
    start = np.concatenate([[before[:2]], end[:-1]])
    placed = _flags(len(bent), column["X"].line, column["Y"].line)
    centre = np.stack([given["I"], given["J"]], axis=1)
    return Arcs._make(c[bent] for c in (start, end, mode == 2, placed, centre, given["R"]))


def _with_chords(rows: MoveRows, moving: Flags, bent: Flags, before_z: float, turned: ArcTurns) -> MoveRows:
    """Replace each arc by its chords; z rises and filament is fed evenly along it."""
    count = moving.astype(np.int64)
    count[bent] = turned.chords
    source = np.repeat(np.arange(len(count)), count)
    nth = np.arange(1, len(source) + 1) - np.repeat(np.cumsum(count) - count, count)
    out = MoveRows._make(c[source] for c in rows)

    on = np.flatnonzero(bent[source])
    source, nth = source[on], nth[on]
    share = nth / count[source]
    within = nth < count[source]  # the last chord keeps the end as written
    point = chord_ends(turned, (np.cumsum(bent) - 1)[source], share)
    start_z = np.concatenate([[before_z], rows.z[:-1]])[source]
    height = start_z + (rows.z[source] - start_z) * share
    for column, value in ((out.x, point[:, 0]), (out.y, point[:, 1]), (out.z, height)):
        column[on[within]] = value[within]
    out.filament[on] /= count[source]
    out.moved[on] = True
    return out
