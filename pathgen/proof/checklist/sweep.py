"""Rules 601 to 603: no way of nozzle or head through what is printed.

Glossary. *Dip*: a move whose nozzle comes lower than the highest deposit so far. Only dips can meet anything,
and an ordinary panel has none: its travels run at the height of the layer they cross. *Relief*: the height
of what is printed, on a grid seen from above; it grows with the program, so a dip is held against what stands
there when it comes. *Round*: dips at one height, held against the relief together, as what they deposit
themselves lies under the nozzle.

The head is the machine profile's `[[head]]` boxes around the nozzle, each from some height over its tip up.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.proof.checklist.evidence import Bools, Floats, Ints, Subject
from pathgen.settings.machine import HeadPart

CELL = 0.5  # mm
HIGHER = 0.02  # mm over the nozzle's tip that count as higher: rounding of positions is far less
FAR = 10_000.0  # mm; what is meant to be farther away is a mistyped number
MOST_ROUNDS = 20_000
MOST_CELLS = 16_000_000


class _Box(NamedTuple):
    """Corners of a box, (x, y, z) mm."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]


class Relief:
    """Height of what is printed, mm, on square cells seen from above.

    Parameters
    ----------
    low, high : tuple of float
        Corners of the region, (x, y) mm.
    """

    def __init__(self, low: tuple[float, float], high: tuple[float, float]) -> None:
        area = (high[0] - low[0]) * (high[1] - low[1])
        self.cell = max(CELL, float(np.sqrt(area / MOST_CELLS)))
        self.low = low
        shape = [int((b - a) / self.cell) + 1 for a, b in zip(low, high, strict=True)]
        self.height = np.zeros((shape[0], shape[1]), np.float32)
        self.holds = _Box((np.inf, np.inf, 0.0), (-np.inf, -np.inf, 0.0))  # what stands, all of it

    def cells(self, x: Floats, y: Floats) -> tuple[Ints, Ints]:
        """Cells of positions; what lies beside the region goes to its edge."""
        found = [
            np.clip((values - low) / self.cell, 0, size - 1).astype(np.intp)
            for values, low, size in zip((x, y), self.low, self.height.shape, strict=True)
        ]
        return found[0], found[1]

    def raise_to(self, x: Floats, y: Floats, z: Floats) -> None:
        """Have deposits stand at these places."""
        if not len(x):
            return
        np.maximum.at(self.height, self.cells(x, y), z.astype(np.float32))
        low, high = self.holds
        edge = self.cell
        self.holds = _Box(
            (min(low[0], float(x.min()) - edge), min(low[1], float(y.min()) - edge), 0.0),
            (
                max(high[0], float(x.max()) + edge),
                max(high[1], float(y.max()) + edge),
                max(high[2], float(z.max())),
            ),
        )


def check_sweep(subject: Subject) -> None:
    """Hold the rules of theme 6 against a program."""
    moves, deposits = subject.moves, subject.deposits
    subject.book.look(len(moves), 601)
    if subject.machine.head:
        subject.book.look(len(moves), 602)
    if not len(deposits):
        return
    dips = _dips(subject)
    if not len(dips):
        return
    rounds = _rounds(subject, dips)
    if len(rounds) > MOST_ROUNDS:
        text = f"{len(rounds):,} changes of height"
        line = subject.line(int(rounds[MOST_ROUNDS][0]))
        subject.book.look(1, 603)
        subject.book.find(603, line, text, len(rounds), f"at most {MOST_ROUNDS:,}")
        rounds = rounds[:MOST_ROUNDS]
    relief, grown, seen, top = _empty(subject), 0, 0, -np.inf
    for rows in rounds:
        stop = int(np.searchsorted(deposits, rows[0]))
        box = _box(subject, rows)
        # What lies no higher than the round cannot be met by it, and waits.
        top = max(top, float(moves.z[deposits[seen:stop]].max(initial=-np.inf)))
        if top > box.low[2] + HIGHER:
            _grow(subject, relief, deposits[grown:stop])
            grown, top = stop, -np.inf
        seen = stop
        if _higher(relief, box, (0.0, 0.0), (0.0, 0.0), 0.0)[0].any():
            _nozzle(subject, relief, rows)
        for part in subject.machine.head:
            _part(subject, relief, rows, box, part)


def _dips(subject: Subject) -> Ints:
    """Rows whose lower end is lower than the highest deposit before them."""
    z, levels = subject.moves.z, subject.levels
    # The lowest of each run of deposits against the highest so far: one pass tells that there is none.
    lowest = np.minimum.reduceat(z, levels.first)
    if not (lowest < np.maximum.accumulate(levels.z) - HIGHER).any():
        return np.zeros(0, np.intp)
    laid = np.full(len(z), -np.inf)
    laid[subject.deposits] = z[subject.deposits]
    highest = np.maximum.accumulate(laid)
    lower = np.minimum(z[1:], z[:-1])
    return np.flatnonzero(lower < highest[:-1] - HIGHER) + 1


def _rounds(subject: Subject, dips: Ints) -> list[Ints]:
    """Part dips where they are no neighbours or change height."""
    z = subject.moves.z
    apart = (np.diff(dips) > 1) | (np.abs(z[dips[1:]] - z[dips[:-1]]) > 1e-6)
    return np.split(dips, np.flatnonzero(apart) + 1)


def _empty(subject: Subject) -> Relief:
    """Begin a relief of the build volume; ways that leave it are another rule's."""
    x, y = subject.machine.volume.x, subject.machine.volume.y
    return Relief((x[0], y[0]), (x[1], y[1]))


def _along(subject: Subject, rows: Ints, step: float) -> tuple[Ints, Floats, Floats, Floats]:
    """Points along moves, both ends included, no further apart than a step: row, x, y, z."""
    start = [np.clip(values, -FAR, FAR) for values in subject.before(rows)]
    end = [np.clip(getattr(subject.moves, name)[rows], -FAR, FAR) for name in "xyz"]
    length = np.hypot(end[0] - start[0], end[1] - start[1]) + np.abs(end[2] - start[2])
    count = np.ceil(length / step).astype(np.intp) + 1
    of = np.repeat(np.arange(len(rows)), count)
    nth = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = nth / np.maximum(count - 1, 1)[of]
    x, y, z = (a[of] + share * (b - a)[of] for a, b in zip(start, end, strict=True))
    return rows[of], x, y, z


def _box(subject: Subject, rows: Ints) -> _Box:
    """Box around moves, neighbours in the program."""
    low, high = [], []
    for name, before in zip("xyz", subject.before(rows[:1]), strict=True):
        values = getattr(subject.moves, name)[rows[0] : rows[-1] + 1]
        low.append(min(float(values.min()), float(before[0])))
        high.append(max(float(values.max()), float(before[0])))
    return _Box((low[0], low[1], low[2]), (high[0], high[1], high[2]))


def _grow(subject: Subject, relief: Relief, rows: Ints) -> None:
    for first in range(0, len(rows), 1 << 17):
        _, x, y, z = _along(subject, rows[first : first + (1 << 17)], relief.cell / 2)
        relief.raise_to(x, y, z)


def _nozzle(subject: Subject, relief: Relief, rows: Ints) -> None:
    """601: points of the way that lie lower than what stands in their cell."""
    row, x, y, z = _along(subject, rows, relief.cell / 2)
    stands = relief.height[relief.cells(x, y)]
    deep = stands - z
    bad = np.flatnonzero(deep > HIGHER)
    if len(bad):
        hit, place = np.unique(row[bad], return_inverse=True)
        worst = np.zeros(len(hit))
        np.maximum.at(worst, place, deep[bad])
        subject.find_rows(601, hit, worst, "over it, or round it", "mm deep", 2)


def _higher(
    relief: Relief, box: _Box, x: tuple[float, float], y: tuple[float, float], above: float
) -> tuple[Bools, tuple[int, int]]:
    """Cells around a round's box, by a reach along x and y, that stand higher than its lowest tip and more.

    Returns
    -------
    higher : (I, J) bool
    corner : (int, int)
        Cell of its first element.
    """
    stands = relief.holds
    if (
        stands.high[2] <= box.low[2] + above + HIGHER
        or not (box.low[0] + x[0] <= stands.high[0] and box.high[0] + x[1] >= stands.low[0])
        or not (box.low[1] + y[0] <= stands.high[1] and box.high[1] + y[1] >= stands.low[1])
    ):
        return np.zeros((0, 0), bool), (0, 0)
    (i0, i1), (j0, j1) = relief.cells(
        np.array([box.low[0] + x[0], box.high[0] + x[1]]), np.array([box.low[1] + y[0], box.high[1] + y[1]])
    )
    near = relief.height[i0 : i1 + 1, j0 : j1 + 1]
    return near > box.low[2] + above + HIGHER, (int(i0), int(j0))


def _part(subject: Subject, relief: Relief, rows: Ints, box: _Box, part: HeadPart) -> None:
    """602: cells higher than a part of the head that its box passes over."""
    higher, corner = _higher(relief, box, part.x, part.y, part.z)
    if not higher.any():
        return
    row, x, y, z = _along(subject, rows, 4 * relief.cell)
    near = relief.height[corner[0] :, corner[1] :][: higher.shape[0], : higher.shape[1]]
    bad = np.unique(row[_hit(relief, part, (x, y, z), corner, near)])
    if len(bad):
        what = part.why or f"part {part.z:g} mm over the tip"
        subject.find_rows(602, bad, subject.moves.z[bad], f"room for the {what}", "mm over the platform", 2)


def _hit(
    relief: Relief,
    part: HeadPart,
    at: tuple[Floats, Floats, Floats],
    corner: tuple[int, int],
    near: NDArray[np.float32],
) -> Bools:
    """Tell at which points a part's box holds a cell that is higher than it; heights are taken in turn."""
    x, y, z = at
    hit = np.zeros(len(x), bool)
    for height in np.unique(np.round(z, 3)).tolist():
        here = np.flatnonzero(np.abs(z - height) <= 6e-4)
        high = near > height + part.z + HIGHER
        sums = np.zeros((high.shape[0] + 1, high.shape[1] + 1), np.int32)
        sums[1:, 1:] = high.cumsum(0).cumsum(1)
        lows, highs = [], []
        for values, reach, low, size, axis in (
            (x[here], part.x, relief.low[0] + corner[0] * relief.cell, high.shape[0], 0),
            (y[here], part.y, relief.low[1] + corner[1] * relief.cell, high.shape[1], 1),
        ):
            # Cells whose middle lies in the box.
            first = np.ceil((values + reach[0] - low) / relief.cell - 0.5).astype(np.intp)
            last = np.floor((values + reach[1] - low) / relief.cell - 0.5).astype(np.intp) + 1
            lows.append(np.clip(first, 0, size))
            highs.append(np.maximum(np.clip(last, 0, size), lows[axis]))
        count = sums[highs[0], highs[1]] - sums[lows[0], highs[1]] - sums[highs[0], lows[1]]
        hit[here] = count + sums[lows[0], lows[1]] > 0
    return hit
