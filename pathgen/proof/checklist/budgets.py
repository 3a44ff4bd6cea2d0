"""Rules 801 to 806: long waits, very slow moves, and header values that the program does not confirm.

Glossary. *Crawl*: a move slower than any part of a print needs. *Excess*: time of a layer beyond that of its
path at the median rate of all layers, seconds per mm.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pathgen.gcode.pauses import dwell_seconds
from pathgen.proof.checklist.evidence import Floats, Subject
from pathgen.proof.program_timer import ProgramTimer
from pathgen.settings import Machine

CRAWL = 0.75  # mm/s, or this share of a slower feed in the header; walls are printed at 5 mm/s and more
CRAWLED = 30.0  # s of crawling in a program
WAITED = 300.0  # s of dwells in a program
COOLING = 15.0  # s; dwells of up to this in every layer let it cool (common practice) and are not counted
DRY = 180.0  # s between two deposits with the nozzle hot
STATED = 0.02  # relative tolerance of the header's time and number of moves
STATED_TIME, STATED_MOVES = 5.0, 10  # s and moves; start and finish blocks are not counted in the header
STATED_PLACE = 0.5  # mm; the beads at a tip can be so small that their filament rounds to 0

_BAND_FEED = re.compile(r"\bfeed=(\d+\.?\d*)")


@dataclass
class Ledger:
    """Times and extents summed over the windows of a program.

    Attributes
    ----------
    timer : ProgramTimer
    moves : int
    crawled : float
        Time of crawling moves, s.
    dry : float
        Time since the last deposit, s.
    low, high : (3,) float64
        Extent of the deposits, mm.
    layers : list of (float, float, int, int)
        Time in s, path in mm, first and last line of each layer.
    """

    timer: ProgramTimer
    moves: int = 0
    crawled: float = 0.0
    dry: float = 0.0
    low: Floats = field(default_factory=lambda: np.full(3, np.inf))
    high: Floats = field(default_factory=lambda: np.full(3, -np.inf))
    layers: list[tuple[float, float, int, int]] = field(default_factory=list)

    @classmethod
    def of(cls, machine: Machine) -> Ledger:
        """Create an empty ledger for a machine."""
        return cls(ProgramTimer(machine))


def check_budgets(subject: Subject, ledger: Ledger) -> None:
    """Check the times of one window; after the last window, check the totals and the header."""
    times = ledger.timer.take(subject.program)
    ledger.moves += len(times)
    _crawling(subject, ledger)
    _dry(subject, ledger, times)
    _measure(subject, ledger, times)
    if subject.last:
        dwelling = _waiting(subject)
        _header(subject, ledger, dwelling)


def _crawling(subject: Subject, ledger: Ledger) -> None:
    """Check the time spent in very slow moves (rule 804)."""
    moves = subject.moves
    path = moves.path()
    size = np.where(path > 0, path, np.abs(moves.filament))
    crawl = _slowest(subject.program.header)
    rows = np.flatnonzero((moves.feed > 0) & (moves.feed < crawl) & (size > 0))
    subject.log.count_checks(len(moves), 804)
    seconds = size[rows] / moves.feed[rows]
    before, total = ledger.crawled, ledger.crawled + np.cumsum(seconds)
    ledger.crawled = float(total[-1]) if len(rows) else before
    if before <= CRAWLED < ledger.crawled:
        row = rows[int(np.argmax(seconds))]
        text = f"{ledger.crawled:.0f} s below {crawl:g} mm/s, {seconds.max():.0f} s of them in this line"
        subject.log.add(804, subject.line(int(row)), text, ledger.crawled, f"{CRAWLED:g} s in a program")


def _slowest(header: Mapping[str, str]) -> float:
    """Return the speed, mm/s, below which a move is too slow; a job may request slow feeds."""
    feeds = [_numbers(text)[:1] for key, text in header.items() if key.startswith("job ") and "feed" in key]
    feeds += [[float(text)] for text in _BAND_FEED.findall(header.get("job band", ""))]
    return CRAWL * min([1.0, *(feed[0] for feed in feeds if feed and feed[0] > 0)])


def _dry(subject: Subject, ledger: Ledger, times: Floats) -> None:
    """Check the time between consecutive deposits (rule 803)."""
    deposits = subject.deposits
    subject.log.count_checks(len(deposits), 803)
    clock = np.concatenate([[0.0], np.cumsum(times)])
    gaps = clock[deposits] - np.concatenate([[-ledger.dry], clock[deposits[:-1] + 1]])
    if len(deposits) and not np.isfinite(ledger.low[0]):
        gaps[0] = 0.0  # nothing was made before
    for at in np.flatnonzero(gaps > DRY).tolist():
        first = int(deposits[at - 1]) + 1 if at else 0
        text = f"{gaps[at]:.0f} s without a deposit"
        line, last = subject.line(first), subject.line(int(deposits[at]))
        subject.log.add(803, line, text, gaps[at], f"{DRY:g} s", last)
    ledger.dry = float(clock[-1] - clock[deposits[-1] + 1]) if len(deposits) else ledger.dry + clock[-1]


def _measure(subject: Subject, ledger: Ledger, times: Floats) -> None:
    """Add the extent of the deposits, and the time and path of each layer."""
    moves, rows = subject.moves, subject.deposits
    if not len(rows):
        return
    for axis, name in enumerate("xyz"):  # as in the summary: the ends of deposits, not their starts
        values = getattr(moves, name)[rows]
        ledger.low[axis] = min(ledger.low[axis], values.min())
        ledger.high[axis] = max(ledger.high[axis], values.max())
    starts = np.flatnonzero(np.diff(moves.layer, prepend=-1))
    stops = np.append(starts[1:], len(moves)) - 1
    spent, path = (np.add.reduceat(values, starts) for values in (times, moves.path()))
    lines = subject.program.line
    ledger.layers += zip(
        spent.tolist(), path.tolist(), lines[starts].tolist(), lines[stops].tolist(), strict=True
    )


def _waiting(subject: Subject) -> float:
    """Check the sum of the dwells, except those that cool a layer (rule 805); return the sum of all, s."""
    dialect = subject.machine.dialect
    lines = np.array([command.line for command in subject.having("G4")], int)
    waits = np.array([dwell_seconds(command.values, dialect) for command in subject.having("G4")], float)
    subject.log.count_checks(1, 805)
    cooling = COOLING * len(subject.program.tops)
    long = np.where(waits > COOLING, waits, 0.0)
    for sums, limit in ((long, WAITED), (waits, max(WAITED, cooling))):
        total = np.cumsum(sums)
        if len(total) and total[-1] > limit:
            text = (
                f"{total[-1]:.0f} s of dwells in {np.count_nonzero(sums):,} lines; they pass the limit here"
            )
            line = int(lines[np.argmax(total > limit)])
            subject.log.add(805, line, text, float(total[-1]), f"{limit:.0f} s")
            break
    return float(waits.sum())


def _header(subject: Subject, ledger: Ledger, dwelling: float) -> None:
    """Check that the program confirms the header's time, moves and extents (rules 801, 802 and 806)."""
    header, log = subject.program.header, subject.log
    if subject.program.given_up:
        return
    homings = len(subject.having("G28"))
    time = ledger.timer.total(dwelling, homings).total
    counted = (("time", 801, time, STATED_TIME, "s"), ("moves", 802, ledger.moves, STATED_MOVES, "moves"))
    for key, number, found, slack, unit in counted:
        stated = _numbers(header.get(key, ""))
        if not stated:
            continue
        passed = abs(found - stated[0]) <= max(STATED * stated[0], slack)
        text = f"header: {stated[0]:,.0f} {unit}, text: {found:,.0f} {unit}"
        line, last = _longest(ledger) if key == "time" and found > stated[0] else (0, 0)
        log.count_checks(1, number)
        if not passed:
            log.add(number, line, text, found, f"{100 * STATED:g} %", last)
    for axis, name in enumerate("xyz"):
        stated = _numbers(header.get(f"deposit {name}", ""))
        if len(stated) == 2 and np.isfinite(ledger.low[axis]):
            off = max(abs(stated[0] - ledger.low[axis]), abs(stated[1] - ledger.high[axis]))
            text = f"header: {name} {stated[0]:.2f} to {stated[1]:.2f} mm, text: "
            text += f"{ledger.low[axis]:.2f} to {ledger.high[axis]:.2f} mm"
            log.require(off <= STATED_PLACE, 806, 0, text, off, f"{STATED_PLACE:g} mm")


def _longest(ledger: Ledger) -> tuple[int, int]:
    """Return the first and last line of the layer with the largest excess."""
    spent, path = (np.array([layer[k] for layer in ledger.layers]) for k in (0, 1))
    rate = np.median(spent / np.maximum(path, 1.0)) if len(spent) else 0.0
    if not len(spent):
        return 0, 0
    found = ledger.layers[int(np.argmax(spent - rate * path))]
    return found[2], found[3]


def _numbers(text: str) -> list[float]:
    """Return all numbers in a header value."""
    found = []
    for word in text.split():
        try:
            found.append(float(word))
        except ValueError:
            continue
    return [value for value in found if np.isfinite(value)]
