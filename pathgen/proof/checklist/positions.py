"""Rules 301 to 311: positions inside the build volume and outside keep-out zones, after homing."""

from __future__ import annotations

import numpy as np

from pathgen.motion.opening import CLEARANCE
from pathgen.proof.checklist.evidence import SAME, Bools, Command, Floats, Subject
from pathgen.settings.blocks import commands
from pathgen.settings.constraints import MIN_FIRST
from pathgen.settings.machine import KeepOut

ROUNDING = 1e-6  # mm
WIPED = 5.0  # mm; shorter moves after the last deposit wipe the nozzle


def check_positions(subject: Subject) -> None:
    """Check positions and homing (rules 301 to 311)."""
    homing = [c for c in subject.commands if "G28" in c.codes]
    _volume(subject, {c.line for c in homing})
    _fed_low(subject)
    for box in subject.machine.keep_out:
        _keep_out(subject, box)
    _homed(subject, homing)
    _released(subject, homing)
    for command in subject.commands:
        if "G92" in command.codes and (set("XYZ") & set(command.values) or not command.values):
            axes = " ".join(f"{a}{v:g}" for a, v in command.values.items()) or "X0 Y0 Z0"
            printing = subject.fed_before > 0 or command.move > subject.first_deposit
            subject.log.require(False, 311 if printing else 309, command.line, f"G92 {axes}")
    if subject.last:
        _parked(subject)


def _slack(subject: Subject) -> float:
    """Return the rounding error of the program's coordinates, mm: half of the last decimal place."""
    return float(0.5 * 10.0**-subject.machine.dialect.position_decimals + ROUNDING)


def _volume(subject: Subject, homing: set[int]) -> None:
    """Check that both ends of all moves are inside the build volume (rules 301 and 302)."""
    volume, slack = subject.machine.volume, _slack(subject)
    subject.log.count_checks(len(subject.moves), 301, 302)
    for block in subject.blocks():
        lines = subject.program.line[block]
        for name in "xyz":
            values = getattr(subject.moves, name)[block]
            low, high = getattr(volume, name)
            number, lowest = (301, low) if name != "z" else (302, min(low, 0.0))
            if lowest - slack <= values.min() and values.max() <= high + slack:
                continue
            counted = ~np.isin(lines, list(homing))
            for rule, bad, limit in (
                (301, values > high + slack, f"at most {high:g}"),
                (number, values < lowest - slack, f"at least {lowest:g}"),
            ):
                rows = np.flatnonzero(counted & bad)
                limit = f"{name} {limit} mm"
                subject.add_rows(rule, rows + block.start, values[rows], limit, f"mm in {name}", 3)


def _fed_low(subject: Subject) -> None:
    """Check that deposits are at least `MIN_FIRST` above the platform (rule 303)."""
    rows = subject.deposits
    subject.log.count_checks(len(rows), 303)
    lowest = MIN_FIRST - _slack(subject)
    if not (subject.levels.z < lowest + SAME).any():
        return
    low = np.flatnonzero(subject.moves.z[rows] < lowest)
    limit = f"at least {MIN_FIRST:g} mm above the platform"
    subject.add_rows(303, rows[low], subject.moves.z[rows[low]], limit, "mm above the platform", 3)


def _keep_out(subject: Subject, box: KeepOut) -> None:
    """Check that no move enters a keep-out zone, with half a nozzle diameter as margin (rules 304 and 305).

    Vertical moves down into a zone count too: if they start above its height, no other move reports them.
    """
    margin = subject.machine.hot_end.nozzle_diameter / 2
    limit = CLEARANCE - 1e-3 if box.height is None else box.height
    over = "" if box.height is None else f", or {box.height:g} mm above the platform"
    where = f"x {box.x[0]:g} to {box.x[1]:g} mm, y {box.y[0]:g} to {box.y[1]:g} mm"
    allowed = f"outside {box.why or 'the zone'}, {where}{over}"
    for block in subject.blocks():
        x0, y0, z0 = subject.before(block)
        x1, y1, z1 = (getattr(subject.moves, name)[block] for name in "xyz")
        moving = (x0 != x1) | (y0 != y1) | (z1 < z0)
        inside = moving & segments_meet_box((x0, y0), (x1, y1), box, margin)
        low = np.minimum(z0, z1)
        fed = subject.moves.filament[block] > 0
        met = inside & (fed | (low < limit))
        for number, bad in ((304, met), (305, inside & ~met & (box.height is None))):
            rows = np.flatnonzero(bad)
            subject.add_rows(number, rows + block.start, low[rows], allowed, "mm above the platform", 2)
        subject.log.count_checks(len(x1), 304, 305)


def segments_meet_box(
    start: tuple[Floats, Floats], end: tuple[Floats, Floats], box: KeepOut, margin: float
) -> Bools:
    """Find line segments that cross a box with a margin, by Liang–Barsky clipping (1984).

    Parameters
    ----------
    start, end : tuple of (N,) float64
        x and y of the end points, mm.
    box : KeepOut
    margin : float
        Added on all sides of the box, mm.

    Returns
    -------
    (N,) bool

    Examples
    --------
    >>> one = np.ones(1)
    >>> box = KeepOut((4.0, 6.0), (4.0, 6.0))
    >>> segments_meet_box((0 * one, 0 * one), (9 * one, 9 * one), box, 0.0).tolist()
    [True]
    >>> segments_meet_box((0 * one, 0 * one), (9 * one, 2 * one), box, 0.0).tolist()
    [False]
    """
    enter, leave = np.zeros(len(end[0])), np.ones(len(end[0]))
    apart = np.zeros(len(end[0]), bool)
    for a, b, (low, high) in zip(start, end, (box.x, box.y), strict=True):
        low, high, step = low - margin, high + margin, b - a
        still = step == 0
        apart |= still & ((a < low) | (a > high))
        way = np.where(still, 1.0, step)
        one, two = (low - a) / way, (high - a) / way
        enter = np.where(still, enter, np.maximum(enter, np.minimum(one, two)))
        leave = np.where(still, leave, np.minimum(leave, np.maximum(one, two)))
    return np.asarray(~apart & (enter < leave))


def _axes(command: Command) -> set[str]:
    """Return the axes that a G28 command homes: the axes in its words, or all if it has none."""
    return (set("XYZ") & set(command.values)) or set("XYZ")


def _moved(subject: Subject, name: str, rows: slice) -> int | None:
    """Return the row of the first move along an axis."""
    values = getattr(subject.moves, name.lower())
    start = values[rows.start - 1] if rows.start else subject.moves.start["XYZ".index(name)]
    found = np.flatnonzero(np.diff(values[rows], prepend=start) != 0)
    return rows.start + int(found[0]) if len(found) else None


def _homed(subject: Subject, homing: list[Command]) -> None:
    """Check that homing precedes the first move and z is not homed above the panel (rules 306 and 307)."""
    dialect, log = subject.machine.dialect, subject.log
    if "G28" in commands(dialect.start, dialect):
        for name in "XYZ":
            first = next((c for c in homing if name in _axes(c)), None)
            row = _moved(subject, name, slice(0, len(subject.moves) if first is None else first.move))
            passed = row is None or (first is not None and subject.line(row) >= first.line)
            line = 0 if row is None else subject.line(row)
            log.require(passed, 306, line, f"move along {name}", None, f"G28 for {name} before this line")
    for command in homing:
        passed = command.move <= subject.first_deposit or "Z" not in _axes(command)
        log.require(passed, 307, command.line, "G28 includes z", None, "G28 X0 Y0")


def _released(subject: Subject, homing: list[Command]) -> None:
    """Check that no axis moves between a release of the motors and the next homing (rule 308)."""
    for command in subject.commands:
        if not any(m.effect == "motors off" for code in command.codes if (m := subject.effects.get(code))):
            continue
        subject.log.count_checks(1, 308)
        again = next((c.move for c in homing if c.line > command.line), len(subject.moves))
        if again > command.move:
            line, last = subject.line(command.move), subject.line(again - 1)
            text = f"{again - command.move:,} moves after line {command.line}"
            subject.log.add(308, line, text, again - command.move, last=last)


def _parked(subject: Subject) -> None:
    """Check that the head rises after the last deposit, before it moves sideways (rule 310)."""
    moves, deposits = subject.moves, subject.deposits
    top = max([subject.below, *subject.levels.z.tolist()])
    if not top or not len(moves) or "{clear_z}" not in subject.machine.dialect.finish:
        return
    subject.log.count_checks(1, 310)
    rows = np.arange(deposits[-1] + 1 if len(deposits) else 0, len(moves))
    x, y, z = subject.before(rows)
    across, high = np.hypot(moves.x[rows] - x, moves.y[rows] - y), np.maximum(z, moves.z[rows])
    low = rows[(across > WIPED) & (high <= top + SAME)][:1]
    limit = f"z above {top:g} mm, the top of the print"
    if len(low):
        subject.add_rows(310, low, moves.z[low], limit, "mm above the platform", 2)
    elif max([0.0, *moves.z[rows].tolist()]) <= top + SAME:
        subject.log.add(310, subject.last_line, "the head stays at the print", None, limit)
