"""Rules 301 to 309: inside the build volume, over the platform, outside keep-out zones, homed."""

from __future__ import annotations

import numpy as np

from pathgen.motion.opening import CLEARANCE
from pathgen.proof.checklist.evidence import SAME, Bools, Command, Floats, Subject
from pathgen.settings.blocks import commands
from pathgen.settings.constraints import LEAST_FIRST
from pathgen.settings.machine import KeepOut

ROUNDING = 1e-6  # mm


def check_place(subject: Subject) -> None:
    """Hold the rules of theme 3 against a program."""
    homing = [c for c in subject.commands if "G28" in c.codes]
    _volume(subject, {c.line for c in homing})
    _fed_low(subject)
    for box in subject.machine.keep_out:
        _keep_out(subject, box)
    _homed(subject, homing)
    _released(subject, homing)
    for command in subject.commands:
        if "G92" in command.codes and set("XYZ") & set(command.values):
            axes = " ".join(f"{a}{v:g}" for a, v in command.values.items())
            subject.book.look(1, 309)
            subject.book.find(309, command.line, f"G92 {axes}")


def _slack(subject: Subject) -> float:
    """Half the last decimal that positions are written with, mm."""
    return float(0.5 * 10.0**-subject.machine.dialect.position_decimals + ROUNDING)


def _volume(subject: Subject, homing: set[int]) -> None:
    """301, 302: every end of a move; ways between them are straight and the volume is a box."""
    volume, slack = subject.machine.volume, _slack(subject)
    subject.book.look(len(subject.moves), 301, 302)
    for block in subject.blocks():
        lines = subject.program.line[block]
        for name in "xyz":
            values = getattr(subject.moves, name)[block]
            low, high = getattr(volume, name)
            number, least = (301, low) if name != "z" else (302, min(low, 0.0))
            if least - slack <= values.min() and values.max() <= high + slack:
                continue
            counted = ~np.isin(lines, list(homing))
            for rule, bad, limit in (
                (301, values > high + slack, f"at most {high:g}"),
                (number, values < least - slack, f"at least {least:g}"),
            ):
                rows = np.flatnonzero(counted & bad)
                if len(rows):
                    holds, unit = f"{name} {limit} mm", f"mm in {name}"
                    subject.find_rows(rule, rows + block.start, values[rows], holds, unit, 3)


def _fed_low(subject: Subject) -> None:
    """303: beads with no room under the nozzle."""
    rows = subject.deposits
    subject.book.look(len(rows), 303)
    least = LEAST_FIRST - _slack(subject)
    if not (subject.levels.z < least + SAME).any():
        return
    low = np.flatnonzero(subject.moves.z[rows] < least)
    if len(low):
        limit = f"at least {LEAST_FIRST:g} mm over the platform"
        subject.find_rows(303, rows[low], subject.moves.z[rows[low]], limit, "mm over the platform", 3)


def _keep_out(subject: Subject, box: KeepOut) -> None:
    """304, 305: ways through one zone, a bead's half width around it, or over it.

    Down into it counts as well: from over a zone of known height nothing else would tell.
    """
    grown = subject.machine.hot_end.nozzle_diameter / 2
    limit = CLEARANCE - 1e-3 if box.height is None else box.height
    over = "" if box.height is None else f", or {box.height:g} mm over the platform"
    where = f"x {box.x[0]:g} to {box.x[1]:g}, y {box.y[0]:g} to {box.y[1]:g}"
    why = f"outside {box.why or 'the zone'}, {where}{over}"
    for block in subject.blocks():
        x0, y0, z0 = subject.before(block)
        x1, y1, z1 = (getattr(subject.moves, name)[block] for name in "xyz")
        moving = (x0 != x1) | (y0 != y1) | (z1 < z0)
        inside = moving & crosses((x0, y0), (x1, y1), box, grown)
        low = np.minimum(z0, z1)
        fed = subject.moves.filament[block] > 0
        met = inside & (fed | (low < limit))
        for number, bad in ((304, met), (305, inside & ~met & (box.height is None))):
            rows = np.flatnonzero(bad)
            if len(rows):
                subject.find_rows(number, rows + block.start, low[rows], why, "mm over the platform", 2)
        subject.book.look(len(x1), 304, 305)


def crosses(start: tuple[Floats, Floats], end: tuple[Floats, Floats], box: KeepOut, grown: float) -> Bools:
    """Tell which straight ways meet a box, grown on all sides; Liang and Barsky's clipping (1984).

    Parameters
    ----------
    start, end : tuple of (N,) float64
        x and y of both ends, mm.
    box : KeepOut
    grown : float
        mm.

    Examples
    --------
    >>> one = np.ones(1)
    >>> box = KeepOut((4.0, 6.0), (4.0, 6.0))
    >>> crosses((0 * one, 0 * one), (9 * one, 9 * one), box, 0.0).tolist()
    [True]
    >>> crosses((0 * one, 0 * one), (9 * one, 2 * one), box, 0.0).tolist()
    [False]
    """
    enter, leave = np.zeros(len(end[0])), np.ones(len(end[0]))
    apart = np.zeros(len(end[0]), bool)
    for a, b, (low, high) in zip(start, end, (box.x, box.y), strict=True):
        low, high, step = low - grown, high + grown, b - a
        still = step == 0
        apart |= still & ((a < low) | (a > high))
        way = np.where(still, 1.0, step)
        one, two = (low - a) / way, (high - a) / way
        enter = np.where(still, enter, np.maximum(enter, np.minimum(one, two)))
        leave = np.where(still, leave, np.minimum(leave, np.maximum(one, two)))
    return np.asarray(~apart & (enter < leave))


def _axes(command: Command) -> set[str]:
    """Axes that a G28 homes: those named, or all."""
    return (set("XYZ") & set(command.values)) or set("XYZ")


def _moved(subject: Subject, name: str, rows: slice) -> int | None:
    """Row of the first move along an axis."""
    values = getattr(subject.moves, name.lower())
    start = values[rows.start - 1] if rows.start else subject.moves.start["XYZ".index(name)]
    found = np.flatnonzero(np.diff(values[rows], prepend=start) != 0)
    return rows.start + int(found[0]) if len(found) else None


def _homed(subject: Subject, homing: list[Command]) -> None:
    """306, 307: homed before it moves, and not into the panel."""
    dialect, book = subject.machine.dialect, subject.book
    if "G28" in commands(dialect.start, dialect):
        for name in "XYZ":
            book.look(1, 306)
            first = next((c for c in homing if name in _axes(c)), None)
            stop = len(subject.moves) if first is None else first.move
            row = _moved(subject, name, slice(0, stop))
            if row is not None and not (first and subject.line(row) >= first.line):
                book.find(306, subject.line(row), f"along {name}", limit=f"G28 for {name} before it")
    for command in homing:
        book.look(1, 307)
        if command.move > subject.first_deposit and "Z" in _axes(command):
            book.find(307, command.line, "G28 with z", limit="G28 X0 Y0")


def _released(subject: Subject, homing: list[Command]) -> None:
    """308: moves between a release of the motors and the next homing."""
    for command in subject.commands:
        if not any(m.what == "motors off" for code in command.codes if (m := subject.meanings.get(code))):
            continue
        subject.book.look(1, 308)
        again = next((c.move for c in homing if c.line > command.line), len(subject.moves))
        if again > command.move:
            line, last = subject.line(command.move), subject.line(again - 1)
            text = f"{again - command.move:,} moves after line {command.line}"
            subject.book.find(308, line, text, again - command.move, last=last)
