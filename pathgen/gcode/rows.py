"""Convert the words of G0 to G3 to moves, under the modes that are active.

Glossary. *Column*: the words of one letter. *Row*: one move. *Modes*: units, absolute or relative
coordinates. They are constant within one call, because a line that changes a mode separates two calls.
*Held*: valid until the next word of the letter.

Absolute positions are held words; relative positions are a running sum. Both are added and scaled in the
order of a controller, so the result does not depend on the division of a program into pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pathgen.gcode.arcs import FAULTS, Arcs, ArcTurns, chord_ends, find_turns
from pathgen.gcode.scan import NO_WORDS, Bytes, Flags, Ints, WordColumn, find_changes
from pathgen.motion.moves import Floats, Kind

Judge = Callable[[dict[str, Ints]], None]

NO_MOTION = 80  # G80, and the mode before the first G0 to G3
SET_FILAMENT = 92  # stands for a G92 with the filament word alone, which moves nothing
NO_AXIS = "the motion has no axis word"
FEED_ONLY = "the motion has a feed but no axis word"
RAPID = "G0 feeds filament along a path; a rapid traverse ignores the feed rate, so use G1"


class Modes(NamedTuple):
    """Modes that motions depend on."""

    scale: float  # mm per unit: 1, or 25.4 after G20
    absolute: bool
    filament_absolute: bool


@dataclass(slots=True)
class State:
    """State of a controller between two lines; `advance` updates it.

    Attributes
    ----------
    modes : Modes
    filament_scale : float
        mm of filament per unit of the filament word.
    place : list of float
        Machine position x, y, z, mm.
    offset : list of float
        Machine position of the program origin, mm: 0 until a G92 shifts it.
    fed : float
        Value of the filament word that would feed nothing now, mm of filament.
    wound : float
        Filament fed since the start or the last homing, mm: the machine position of the filament axis.
    feed : float
        mm/s; 0 before the first F word.
    mode : int
        0 to 3, or `NO_MOTION`.
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
    """Arrays of N moves, as in `Moves`, with the line of each."""

    line: Ints
    x: Floats
    y: Floats
    z: Floats
    filament: Floats
    feed: Floats
    moved: Flags  # the move changes x or y
    raised: Flags  # the move changes z


def advance(
    state: State, words: Mapping[str, WordColumn], count: int, filament: str, judge: Judge
) -> MoveRows:
    """Execute lines under constant modes.

    Parameters
    ----------
    state : State
        State of the controller; updated in place.
    words : mapping of str to WordColumn
        Motion words of the lines, by letter.
    count : int
        Number of lines; lines without words do nothing.
    filament : str
        The letter that feeds filament.
    judge : callable
        Called if there are invalid lines, with the indices of those lines, ascending, by reason. It may
        raise, or return to continue. In that case a motion without a mode is straight, a motion without an
        axis word is ignored, and an invalid arc becomes its chord.

    Returns
    -------
    MoveRows
        One row for each line that moves; several for an arc.

    Raises
    ------
    PathgenError
        If `judge` raises it.
    """
    column = {letter: words.get(letter, NO_WORDS) for letter in "GFXYZIJR" + filament}
    set_line, motion = _split(column["G"])
    sets = _flags(count, set_line)
    axes = _flags(count, *(column[letter].line for letter in "XYZ" + filament))
    mode = _held(state.mode, motion.line, motion.value, count)
    moving, bent = axes & ~sets, (mode == 2) | (mode == 3)
    centred = _flags(count, *(column[letter].line for letter in "IJR"))
    bare, with_feed = _flags(count, motion.line[motion.value < 4]) & ~axes, _flags(count, column["F"].line)
    faults = {
        "axis words need a motion mode (G0 to G3), but none is in force": moving & (mode == NO_MOTION),
        NO_AXIS: bare & ~with_feed,
        FEED_ONLY: bare & with_feed,
        "I, J and R are allowed only in an arc (G2 or G3)": centred & ~(moving & bent),
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
    if filament != "E":  # controllers with a letter of its own for filament treat G0 as G1 (common practice)
        faults[RAPID] = moving & (mode == 0) & rows.moved & (fed > 0)
    if found := {why: np.flatnonzero(bad) for why, bad in faults.items() if bad.any()}:
        judge(found)
    if bent.any():
        return _with_chords(rows, moving, bent, before[2], turned)
    return rows if moving.all() else MoveRows._make(c[moving] for c in rows)


def classify_moves(rows: MoveRows, part: Bytes) -> Bytes:
    """Classify moves by their effect; `part` is the kind of deposits at each row.

    A move that feeds filament and changes x or y is a deposit. Without a change of x or y, a move that feeds
    filament or draws it back is a reload or a retraction, even if z changes, and a change of z alone is a
    lift. All other moves are travels.
    """
    fed = np.where(rows.moved, part, np.uint8(Kind.RELOAD))
    drawn = np.where(rows.moved, np.uint8(Kind.TRAVEL), np.uint8(Kind.RETRACT))
    dry = np.where(rows.raised & ~rows.moved, np.uint8(Kind.LIFT), np.uint8(Kind.TRAVEL))
    kind = np.where(rows.filament > 0, fed, np.where(rows.filament < 0, drawn, dry))
    return np.asarray(kind, np.uint8)


def _split(g: WordColumn) -> tuple[Ints, WordColumn]:
    """Separate the lines that set the filament value from the G words of motions."""
    sets = g.value == SET_FILAMENT
    return (g.line[sets], WordColumn(g.line[~sets], g.value[~sets])) if sets.any() else (NO_WORDS.line, g)


def _flags(count: int, *lines: Ints) -> Flags:
    flags = np.zeros(count, np.bool_)
    for chosen in lines:
        flags[chosen] = True
    return flags


def _held(now: float, line: Ints, value: Floats, count: int) -> Floats:
    """Repeat each value until the next value; `now` applies before the first value."""
    if len(line) == count:
        return value
    spans = np.diff(line, prepend=0, append=count)
    return np.repeat(np.concatenate([[float(now)], value]), spans)


def _positions(state: State, axis: int, words: WordColumn, count: int) -> Floats:
    """Return the machine position of one axis after each line."""
    now, value = state.place[axis], words.value * state.modes.scale
    if not state.modes.absolute:
        value = np.cumsum(np.concatenate([[now], value]))[1:]
    elif state.offset[axis]:
        value = value + state.offset[axis]
    if len(value):
        state.place[axis] = float(value[-1])
    return _held(now, words.line, value, count)


def _fed(state: State, words: WordColumn, sets: Flags) -> Floats:
    """Return the filament fed by each line, mm of filament."""
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
    """Return which lines change x or y, and which change z."""
    x, y, z = (find_changes(column, now) for now, column in zip(before, place, strict=True))
    return x | y, z


def _arcs(
    scale: float,
    before: list[float],
    rows: MoveRows,
    column: dict[str, WordColumn],
    bent: Flags,
    mode: Floats,
) -> Arcs:
    """Collect the arcs among the lines."""
    value = {}
    for letter in "IJR":
        value[letter] = np.full(len(bent), np.nan)
        value[letter][column[letter].line] = column[letter].value * scale
    end = np.stack([rows.x, rows.y], axis=1)
    start = np.concatenate([[before[:2]], end[:-1]])
    placed = _flags(len(bent), column["X"].line, column["Y"].line)
    centre = np.stack([value["I"], value["J"]], axis=1)
    return Arcs._make(c[bent] for c in (start, end, mode == 2, placed, centre, value["R"]))


def _with_chords(rows: MoveRows, moving: Flags, bent: Flags, before_z: float, turned: ArcTurns) -> MoveRows:
    """Replace each arc by its chords; z and filament are interpolated evenly along it."""
    count = moving.astype(np.int64)
    count[bent] = turned.chords
    source = np.repeat(np.arange(len(count)), count)
    nth = np.arange(1, len(source) + 1) - np.repeat(np.cumsum(count) - count, count)
    out = MoveRows._make(c[source] for c in rows)

    on = np.flatnonzero(bent[source])
    source, nth = source[on], nth[on]
    share = nth / count[source]
    within = nth < count[source]  # the last chord ends at the end point as written
    point = chord_ends(turned, (np.cumsum(bent) - 1)[source], share)
    start_z = np.concatenate([[before_z], rows.z[:-1]])[source]
    height = start_z + (rows.z[source] - start_z) * share
    for column, value in ((out.x, point[:, 0]), (out.y, point[:, 1]), (out.z, height)):
        column[on[within]] = value[within]
    out.filament[on] /= count[source]
    out.moved[on] = True
    return out
