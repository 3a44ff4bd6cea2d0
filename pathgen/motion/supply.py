"""Program lines come at a rate: where moves are shorter than their lines take to come, the machine waits.

Glossary. *Line*: the program line of one move. *Buffer*: the lines a controller holds ready beside the one it
carries out, `queue` of them. *Wait*: time between two moves, or before one, in which no line is ready.

Model. One line after another is taken in, in 1/r s each (r the profile's `blocks_per_second`), as long as the
buffer has room; a line leaves it when its move *begins*, so line i can only come when move i − N has begun.
With T_i the time of move i, B_i the moment it begins and A_i the moment its line has been taken in,

    A_i = max(A_{i−1}, B_{i−N}) + 1/r,    B_i = max(B_{i−1} + T_{i−1}, A_i).

Either is a running maximum (Lindley's recursion, 1952): A_i − i/r is that of B_{i−N} − (i − 1)/r, and the
time waited so far that of A_i less the moment move i would begin if nobody ever waited. The first N lines are
there when the first move begins, as heating takes long enough. So the N moves after a junction are those the
planner in `speed` reckons with, but for lines that are late.

Left out: that a head slows down into a wait and speeds up from it, and that a controller whose lines are late
sees less far ahead. It drives slower then and waits less, which comes to the same time, but for a queue of
two or three moves whose lines come hardly faster than the moves pass. Also left out: lines that are no moves
(a few a layer), and what the buffer gains during a dwell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Machine

Floats = NDArray[np.float64]

SPAN = 1024  # moves solved together


class Supply:
    """The way of a program's lines into a controller, block by block.

    Parameters
    ----------
    machine : Machine
        Its `queue` and `blocks_per_second` are used.

    Attributes
    ----------
    waited : float
        s, over all blocks so far.

    Examples
    --------
    At 100 lines a second and 2 of them held ready, the third of many moves of 1 ms is the first to wait.

    >>> import msgspec
    >>> from pathgen.settings import load_machine
    >>> slow = msgspec.structs.replace(load_machine("ngc-lab"), blocks_per_second=100.0, queue=2)
    >>> supply = Supply(slow)
    >>> supply.take(np.full(5, 0.001)).round(6).tolist()
    [0.0, 0.0, 0.008, 0.009, 0.009]
    >>> round(supply.waited, 6)
    0.026
    """

    def __init__(self, machine: Machine) -> None:
        self.waited = 0.0
        self._line, self._queue = 1.0 / machine.blocks_per_second, machine.queue
        # Moments count from the end of the last move so far. Lines of before the program are long there.
        self._begun = np.zeros(0)  # moments the last N moves began
        self._taken = -np.inf  # moment the last line was taken in

    def take(self, time: Floats) -> Floats:
        """Work out how long the machine waits for lines.

        Parameters
        ----------
        time : (M,) float64
            Duration of each move, s; they follow those of the last call. A move of no time has no line.

        Returns
        -------
        (M,) float64
            Wait before each move, s. Empty for no moves. How moves are cut into blocks does not show in it.
        """
        real = time > 0
        if not real.all():
            waits = np.zeros(len(time))
            waits[real] = self.take(time[real])
            return waits
        if not len(time):
            return np.zeros(0)
        n, ends = len(time), np.cumsum(time)
        begins = np.concatenate([[0.0], ends[:-1]])  # if nobody waits
        first = np.full(min(self._queue - len(self._begun), n), -np.inf)
        begun = np.concatenate([first, self._begun, begins])  # at i stands the moment that move i − N begins
        late = self._late(begun, begins)
        waited = self._solved(begun, begins, late) if late.any() else np.zeros(n)

        end = float(ends[-1] + waited[-1])
        last = np.max(begun[:n] - self._line * np.arange(n), initial=self._taken)
        self._taken = float(last) + self._line * n - end
        self._begun = begun[len(first) :][-self._queue :] - end
        self.waited += float(waited[-1])
        return np.diff(waited, prepend=0.0)

    def _late(self, begun: Floats, begins: Floats) -> NDArray[np.bool_]:
        """Find the moves that would begin before their lines are there; only these may have to wait.

        Waiting for others' lines gives a line more time to come, never less.
        """
        rate = self._line * np.arange(len(begins))
        taken = np.maximum.accumulate(np.maximum(begun[: len(begins)] - rate, self._taken))
        taken += rate + self._line
        return taken > begins

    def _solved(self, begun: Floats, begins: Floats, late: NDArray[np.bool_]) -> Floats:
        """Give the time waited up to each move, s, and put the moments that moves begin right in `begun`.

        Some moves are solved together, by going round until nothing changes. Moments only ever grow on the
        way, and each round settles another N moves at least, as A depends on B of N moves before.
        """
        n, before, known, so_far = len(begins), len(begun) - len(begins), self._taken, 0.0
        waited = np.zeros(n)
        for a in range(0, n, SPAN):
            part = slice(a, min(a + SPAN, n))
            here, plain = waited[part], begins[part]
            after = begun[before + part.start : before + part.stop]
            rate = self._line * np.arange(part.start, part.stop)
            here[:] = so_far
            while True:
                np.add(plain, here, out=after)
                taken = np.maximum.accumulate(np.maximum(begun[part] - rate, known))
                if not late[part].any():
                    break
                need = np.maximum.accumulate(np.maximum(taken + (rate + self._line) - plain, so_far))
                if (need == here).all():
                    break
                here[:] = need
            known, so_far = float(taken[-1]), float(here[-1])
        return waited
