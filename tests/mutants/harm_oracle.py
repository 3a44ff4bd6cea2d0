"""Judge what a machine did: the harm that a changed program does and its clean original does not.

The platform is a grid of heights, the deposit a grid of volumes. Where a program feeds filament ahead of
the pressure's lag, its plastic leaves the nozzle as tau·dq/dt = Q - q says, with Q the volume fed per second.
The code shares nothing with `pathgen/`. Heaters left on are harm; a fan or motors left on cost only power.
"""

from __future__ import annotations

import math
import re

import numpy as np
from scipy.ndimage import uniform_filter

from tests.mutants.machine_oracle import Machine, Outcome

CELL, RISE = 0.4, 0.1  # mm: cells of the grids of plastic, across and upward
POWER = {"fan", "motors"}  # left on, they do no harm
END = re.compile(r"(?<![A-Z0-9.])M0*(2|30)(?![0-9.])", re.IGNORECASE)


def outflow(done: Outcome) -> np.ndarray:
    """Return the plastic in mm³ that leaves the nozzle in each segment."""
    fed = np.array([part.plastic for part in done.segments])
    if not done.leads or done.tau <= 0:
        return fed
    out, rate = np.zeros(len(fed)), 0.0
    for i, part in enumerate(done.segments):
        seconds = part.seconds
        if seconds <= 0:
            continue
        steady, left = fed[i] / seconds, math.exp(-seconds / done.tau)
        out[i] = fed[i] + (rate - steady) * done.tau * (1 - left)
        rate = steady + (rate - steady) * left
    return out


def deposit(done: Outcome) -> tuple[np.ndarray, np.ndarray]:
    """Sample the beads: cell (column, row, level) and volume in mm³ of each sample."""
    start, end, _, lengths = paths(done)
    flow = outflow(done)
    laid = np.flatnonzero((flow > 0) & (lengths >= 1e-9))
    number = np.maximum(1, np.ceil(lengths[laid] / (CELL / 2))).astype(int)
    which, share = samples(number)
    row = laid[which]
    places = start[row] + ((share + 0.5) / number[which])[:, None] * (end[row] - start[row])
    cells = np.floor(places / (CELL, CELL, RISE) + 0.25).astype(int)
    return cells, flow[row] / number[which]


def paths(done: Outcome) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return starts, ends, plastic and lengths on the platform of all segments."""
    start = np.array([part.start for part in done.segments]).reshape(-1, 3)
    end = np.array([part.end for part in done.segments]).reshape(-1, 3)
    flat = np.hypot(*(end - start)[:, :2].T)
    return start, end, np.array([part.plastic for part in done.segments]), np.minimum(flat, 1e4)


def samples(number: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the owner of each sample and its place among the samples of its owner."""
    which = np.repeat(np.arange(len(number)), number)
    return which, np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)


def difference(done: Outcome, clean: Outcome) -> float:
    """Volume in mm³ that is misplaced, missing or too much; a bead moved by under a cell counts little."""
    (one, v1), (two, v2) = deposit(done), deposit(clean)
    both = np.clip(np.concatenate([one, two]), -5, 2000)
    low, high = both.min(0) - 2, both.max(0) + 3
    if np.prod((high - low).astype(float)) > 3e7:
        return math.inf
    grid = np.zeros(high - low)
    np.add.at(grid, tuple((np.clip(one, -5, 2000) - low).T), v1)
    np.add.at(grid, tuple((np.clip(two, -5, 2000) - low).T), -v2)
    return float(np.abs(uniform_filter(grid, (3, 3, 1))).sum())


def crash(done: Outcome, volume: dict[str, list[float]]) -> str:
    """Run the nozzle over the growing print: below what stands there, below the platform, outside."""
    start, end, plastic, lengths = paths(done)
    for axis, name in enumerate("xyz"):
        low, high = volume[name]
        out = (end[:, axis] > high + 0.01) | (end[:, axis] < (low if axis < 2 else 0.0) - 0.01)
        if out.any():
            return f"line {done.segments[int(out.argmax())].line} leaves the volume in {name}"
    number = np.maximum(2, np.ceil(lengths / (CELL / 2)) + 1).astype(int)
    which, at = samples(number)
    path = start[which] + (at / (number[which] - 1))[:, None] * (end - start)[which]
    cells = [((path[:, k] - volume["xy"[k]][0]) / CELL).astype(int) for k in (0, 1)]
    cell = cells[0] * 10_000 + cells[1]
    laid = (plastic[which] > 0) & (np.linalg.norm(end - start, axis=1)[which] > 0)
    order = np.lexsort((np.arange(len(cell)), cell))
    # The highest deposit so far in each cell: a running maximum that starts again with every cell.
    group = np.cumsum(np.diff(cell[order], prepend=-1) != 0) * 1e4
    height = np.maximum.accumulate(np.where(laid, path[:, 2], 0.0)[order] + group) - group
    before = np.append(0.0, height[:-1])
    before[np.diff(group, prepend=0.0) > 0] = 0.0
    hit = order[before > path[order, 2] + 0.05]
    return f"line {done.segments[which[hit.min()]].line} runs through the print" if len(hit) else ""


READINGS = [
    {"delete": delete, "lone": lone, "ends": ends}
    for delete in (False, True)
    for lone in (False, True)
    for ends in (True, False)
]


def harm(machine: Machine, text: str, clean: Outcome) -> str:
    """Say what a program does that its clean original does not; empty where it does the same."""
    ends = [found.end() for found in END.finditer(text)]
    odd = (
        "\n/" in text
        or "\r" in text.replace("\r\n", "")
        or any(re.search(r"\n\s*\S", text[e:]) for e in ends)
    )
    for reading in READINGS if odd else READINGS[:1]:
        done = machine.run(text, **reading)
        if why := compare(machine, done, clean):
            return why
    return ""


def compare(machine: Machine, done: Outcome, clean: Outcome) -> str:
    """Compare two outcomes, worst first."""
    news = [a for a in done.alarms if a not in clean.alarms]
    if news:
        return news[0]
    names = {*done.left, *clean.left} - POWER - {"kept"}
    if any(done.left.get(name) != clean.left.get(name) for name in names):
        return f"left behind: {done.left}"
    if not set(clean.left["kept"].split(",")) <= set(done.left["kept"].split(",")):
        return f"left behind: {done.left}"
    if done.waits > clean.waits + 120:
        return f"{done.waits:.0f} s of hot waiting"
    if done.waits < clean.waits / 2 - 20:
        return f"{done.waits:.0f} s of waiting instead of {clean.waits:.0f}"
    if not done.segments:
        return "nothing is made"
    if why := crash(done, machine.profile["volume"]):
        return why
    moved = difference(done, clean)
    if moved > 1.0:
        return f"{moved:.1f} mm3 of plastic elsewhere"
    still = [abs(s.plastic) for s in done.segments if s.length < 1e-9]
    usual = [abs(s.plastic) for s in clean.segments if s.length < 1e-9]
    if sum(still) > sum(usual) + 5:
        return "filament moved at rest"
    if abs(net_rest(done) - net_rest(clean)) > 1.0:
        return "filament drawn out and not returned"
    if abs(done.cooled - clean.cooled) > 0.2 * max(clean.cooled, 1.0):
        return "cooling is different"
    return times(machine, done, clean) or parking(done, clean) or header(done, clean)


def parking(done: Outcome, clean: Outcome) -> str:
    """Compare the place of the head at the end, which must be clear of the print."""
    tops = [max((s.end[2] for s in one.segments if s.plastic > 0), default=0.0) for one in (done, clean)]
    room = [one.segments[-1].end[2] - top for one, top in zip((done, clean), tops, strict=True)]
    return f"the head ends {room[0]:.1f} mm above the print" if room[0] < min(room[1], 2.0) else ""


def hot_idle(machine: Machine, done: Outcome) -> float:
    """Return the longest time in s between two deposits, dwells not counted."""
    longest, idle, begun = 0.0, 0.0, False
    for part in done.segments:
        fed = part.plastic > 0 and part.length > 0
        longest, idle = (max(longest, idle) if begun else 0.0, 0.0) if fed else (longest, idle + part.seconds)
        begun = begun or fed
    return longest


def net_rest(done: Outcome) -> float:
    """Volume in mm³ that is fed and drawn back at rest."""
    return sum(s.plastic for s in done.segments if s.length < 1e-9)


def times(machine: Machine, done: Outcome, clean: Outcome) -> str:
    """Judge feeds: crawling, faster than the axes, more than the hot end melts."""
    profile = machine.profile
    crawl = 0.0
    for part in done.segments:
        size = part.length or abs(part.plastic) / 2.4
        if part.feed <= 0 and size > 0 and part.plastic > 0:
            return f"no feed in line {part.line}"
        if part.feed <= 0:
            continue
        if size / part.feed > 20 and part.feed < 1:
            crawl += size / part.feed
        for axis, name in enumerate("xyz"):
            step = abs(part.end[axis] - part.start[axis])
            if part.length and step / part.length * part.feed > profile["axes"][name]["feed"] * 1.2:
                return f"too fast in line {part.line}"
        if (
            part.length > 1
            and part.plastic / part.length * part.feed > 1.25 * profile["hot_end"]["melt_rate"]
        ):
            return f"too much plastic in line {part.line}"
    if crawl > 60:
        return f"{crawl:.0f} s of crawling"
    spent = [sum(s.seconds for s in one.segments) for one in (done, clean)]
    if abs(spent[0] - spent[1]) > 0.1 * spent[1]:
        return f"takes {spent[0]:.0f} s instead of {spent[1]:.0f}"
    idle, usual = hot_idle(machine, done), hot_idle(machine, clean)
    if idle > usual + 120:
        return f"{idle:.0f} s hot without a deposit"
    return ""


def header(done: Outcome, clean: Outcome) -> str:
    """Judge what the header states against the clean one."""
    for key, values in done.stated.items():
        for value, true in zip(values, clean.stated.get(key, ()), strict=False):
            if abs(value - true) > 0.04 * max(abs(true), 1e-9):
                return f"the header states another {key}"
    return ""
