"""Rules 601 to 603: the nozzle and the head must not collide with the print.

Glossary. *Dip*: a move that goes below the highest deposit so far. Only dips can collide, and an ordinary
panel has none, as its travels run at the height of the current layer. *Height map*: top of the print on a
grid, as viewed from above. It grows along the program, so a dip is compared with the print as it is at that
moment. *Group*: consecutive dips at one height, compared with the height map together, as their own deposits
lie below the nozzle.

The head consists of the boxes in `[[head]]` of the machine profile, each at some height above the nozzle tip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.proof.checklist.evidence import Bools, Floats, Ints, Subject
from pathgen.settings.machine import HeadPart

CELL = 0.5  # mm
HIGHER = 0.02  # mm above the nozzle tip that count as higher; rounding of positions is far smaller
FAR = 10_000.0  # mm; positions farther away are typing errors
MAX_GROUPS = 20_000
MAX_CELLS = 16_000_000


class _Box(NamedTuple):
    """Lower and upper corner of an axis-aligned box, (x, y, z) mm."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]


class PrintedHeights:
    """Heights of the print, mm, on a grid of square cells on the platform.

    Parameters
    ----------
    low, high : tuple of float
        Corners of the region, (x, y) mm.
    """

    def __init__(self, low: tuple[float, float], high: tuple[float, float]) -> None:
        area = (high[0] - low[0]) * (high[1] - low[1])
        self.cell = max(CELL, float(np.sqrt(area / MAX_CELLS)))
        self.low = low
        shape = [int((b - a) / self.cell) + 1 for a, b in zip(low, high, strict=True)]
        self.height = np.zeros((shape[0], shape[1]), np.float32)
        self.bounds = _Box((np.inf, np.inf, 0.0), (-np.inf, -np.inf, 0.0))  # of everything printed

    def cells(self, x: Floats, y: Floats) -> tuple[Ints, Ints]:
        """Return the cells that contain positions; positions outside the region are clipped to its edge."""
        found = [
            np.clip((values - low) / self.cell, 0, size - 1).astype(np.intp)
            for values, low, size in zip((x, y), self.low, self.height.shape, strict=True)
        ]
        return found[0], found[1]

    def raise_to(self, x: Floats, y: Floats, z: Floats) -> None:
        """Raise the cells at one or more positions to the height of new deposits."""
        np.maximum.at(self.height, self.cells(x, y), z.astype(np.float32))
        low, high = self.bounds
        edge = self.cell
        self.bounds = _Box(
            (min(low[0], float(x.min()) - edge), min(low[1], float(y.min()) - edge), 0.0),
            (
                max(high[0], float(x.max()) + edge),
                max(high[1], float(y.max()) + edge),
                max(high[2], float(z.max())),
            ),
        )


def check_collisions(subject: Subject) -> None:
    """Check for collisions with the print (rules 601 to 603)."""
    moves, deposits = subject.moves, subject.deposits
    subject.log.count_checks(len(moves), 601)
    if subject.machine.head:
        subject.log.count_checks(len(moves), 602)
    if not len(deposits):
        return
    dips = _dips(subject)
    if not len(dips):
        return
    groups = _group_dips(subject, dips)
    if len(groups) > MAX_GROUPS:
        text = f"{len(groups):,} changes of height; moves from this line on were not checked"
        line = subject.line(int(groups[MAX_GROUPS][0]))
        subject.log.count_checks(1, 603)
        subject.log.add(603, line, text, len(groups), f"{MAX_GROUPS:,}")
        groups = groups[:MAX_GROUPS]
    x, y = subject.machine.volume.x, subject.machine.volume.y
    printed, added, viewed, top = PrintedHeights((x[0], y[0]), (x[1], y[1])), 0, 0, -np.inf
    for rows in groups:
        stop = int(np.searchsorted(deposits, rows[0]))
        box = _bounding_box(subject, rows)
        # Deposits that are not higher than the group cannot be hit, so they are added later.
        top = max(top, float(moves.z[deposits[viewed:stop]].max(initial=-np.inf)))
        if top > box.low[2] + HIGHER:
            _add_deposits(subject, printed, deposits[added:stop])
            added, top = stop, -np.inf
        viewed = stop
        if _higher_cells(printed, box, (0.0, 0.0), (0.0, 0.0), 0.0)[0].any():
            _check_nozzle(subject, printed, rows)
        for part in subject.machine.head:
            _check_part(subject, printed, rows, box, part)


def _dips(subject: Subject) -> Ints:
    """Return the indices of moves below the highest deposit made so far."""
    z, levels = subject.moves.z, subject.levels
    # The lowest z of each run of deposits against the highest so far shows quickly if there are no dips.
    lowest = np.minimum.reduceat(z, levels.first)
    if not (lowest < np.maximum.accumulate(levels.z) - HIGHER).any():
        return np.zeros(0, np.intp)
    deposited = np.full(len(z), -np.inf)
    deposited[subject.deposits] = z[subject.deposits]
    highest = np.maximum.accumulate(deposited)
    lower = np.minimum(z[1:], z[:-1])
    return np.flatnonzero(lower < highest[:-1] - HIGHER) + 1


def _group_dips(subject: Subject, dips: Ints) -> list[Ints]:
    """Split rows of low moves into groups of consecutive moves at one height."""
    z = subject.moves.z
    apart = (np.diff(dips) > 1) | (np.abs(z[dips[1:]] - z[dips[:-1]]) > 1e-6)
    return np.split(dips, np.flatnonzero(apart) + 1)


def sample_path(subject: Subject, rows: Ints, step: float) -> tuple[Ints, Floats, Floats, Floats]:
    """Sample moves at points no further apart than a maximum distance; return their rows, x, y and z."""
    start = [np.clip(values, -FAR, FAR) for values in subject.before(rows)]
    end = [np.clip(getattr(subject.moves, name)[rows], -FAR, FAR) for name in "xyz"]
    length = np.hypot(end[0] - start[0], end[1] - start[1]) + np.abs(end[2] - start[2])
    count = np.ceil(length / step).astype(np.intp) + 1
    of = np.repeat(np.arange(len(rows)), count)
    nth = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = nth / np.maximum(count - 1, 1)[of]
    x, y, z = (a[of] + share * (b - a)[of] for a, b in zip(start, end, strict=True))
    return rows[of], x, y, z


def _bounding_box(subject: Subject, rows: Ints) -> _Box:
    """Return the bounding box of consecutive moves."""
    low, high = [], []
    for name, before in zip("xyz", subject.before(rows[:1]), strict=True):
        values = getattr(subject.moves, name)[rows[0] : rows[-1] + 1]
        low.append(min(float(values.min()), float(before[0])))
        high.append(max(float(values.max()), float(before[0])))
    return _Box((low[0], low[1], low[2]), (high[0], high[1], high[2]))


def _add_deposits(subject: Subject, printed: PrintedHeights, rows: Ints) -> None:
    for first in range(0, len(rows), 1 << 17):
        _, x, y, z = sample_path(subject, rows[first : first + (1 << 17)], printed.cell / 2)
        printed.raise_to(x, y, z)


def _check_nozzle(subject: Subject, printed: PrintedHeights, rows: Ints) -> None:
    """Check that the nozzle stays above the print (rule 601)."""
    row, x, y, z = sample_path(subject, rows, printed.cell / 2)
    depth = printed.height[printed.cells(x, y)] - z
    bad = np.flatnonzero(depth > HIGHER)
    hit, place = np.unique(row[bad], return_inverse=True)
    worst = np.zeros(len(hit))
    np.maximum.at(worst, place, depth[bad])
    subject.add_rows(601, hit, worst, "above the print or around it", "mm inside the print", 2)


def _higher_cells(
    printed: PrintedHeights, box: _Box, x: tuple[float, float], y: tuple[float, float], above: float
) -> tuple[Bools, tuple[int, int]]:
    """Find cells around a box that are higher than the lowest point of the box plus `above`.

    Returns
    -------
    higher : (I, J) bool
    corner : (int, int)
        Cell of the first element.
    """
    bounds = printed.bounds
    if (
        bounds.high[2] <= box.low[2] + above + HIGHER
        or not (box.low[0] + x[0] <= bounds.high[0] and box.high[0] + x[1] >= bounds.low[0])
        or not (box.low[1] + y[0] <= bounds.high[1] and box.high[1] + y[1] >= bounds.low[1])
    ):
        return np.zeros((0, 0), bool), (0, 0)
    (i0, i1), (j0, j1) = printed.cells(
        np.array([box.low[0] + x[0], box.high[0] + x[1]]), np.array([box.low[1] + y[0], box.high[1] + y[1]])
    )
    near = printed.height[i0 : i1 + 1, j0 : j1 + 1]
    return near > box.low[2] + above + HIGHER, (int(i0), int(j0))


def _check_part(subject: Subject, printed: PrintedHeights, rows: Ints, box: _Box, part: HeadPart) -> None:
    """Check that a part of the head does not touch the print (rule 602)."""
    higher, corner = _higher_cells(printed, box, part.x, part.y, part.z)
    if not higher.any():
        return
    row, x, y, z = sample_path(subject, rows, 4 * printed.cell)
    near = printed.height[corner[0] :, corner[1] :][: higher.shape[0], : higher.shape[1]]
    bad = np.unique(row[_hit(printed, part, (x, y, z), corner, near)])
    what = part.why or f"part {part.z:g} mm above the tip"
    subject.add_rows(602, bad, subject.moves.z[bad], f"clearance for the {what}", "mm above the platform", 2)


def _hit(
    printed: PrintedHeights,
    part: HeadPart,
    at: tuple[Floats, Floats, Floats],
    corner: tuple[int, int],
    near: NDArray[np.float32],
) -> Bools:
    """Find the points of a path at which a part of the head touches the print, height by height."""
    x, y, z = at
    hit = np.zeros(len(x), bool)
    for height in np.unique(np.round(z, 3)).tolist():
        here = np.flatnonzero(np.abs(z - height) <= 6e-4)
        high = near > height + part.z + HIGHER
        sums = np.zeros((high.shape[0] + 1, high.shape[1] + 1), np.int32)
        sums[1:, 1:] = high.cumsum(0).cumsum(1)
        lows, highs = [], []
        for values, reach, low, size, axis in (
            (x[here], part.x, printed.low[0] + corner[0] * printed.cell, high.shape[0], 0),
            (y[here], part.y, printed.low[1] + corner[1] * printed.cell, high.shape[1], 1),
        ):
            # Cells whose middle lies inside the box.
            first = np.ceil((values + reach[0] - low) / printed.cell - 0.5).astype(np.intp)
            last = np.floor((values + reach[1] - low) / printed.cell - 0.5).astype(np.intp) + 1
            lows.append(np.clip(first, 0, size))
            highs.append(np.maximum(np.clip(last, 0, size), lows[axis]))
        count = sums[highs[0], highs[1]] - sums[lows[0], highs[1]] - sums[highs[0], lows[1]]
        hit[here] = count + sums[lows[0], lows[1]] > 0
    return hit
