"""Model the supply of program lines: the machine waits for lines that arrive late.

Glossary. *Line*: the program line of one move. *Buffer*: the lines that a controller holds ready in addition
to the current one; there are `queue` of them. *Wait*: time before a move in which no line is ready.

Model. Lines are received one after another in 1/r s each (r is `blocks_per_second` of the profile) while the
buffer has room. A line leaves the buffer when its move *begins*, so line i can be received only after move
i − N has begun. With T_i the time of move i, B_i the moment it begins and A_i the moment its line is
received,

    A_i = max(A_{i−1}, B_{i−N}) + 1/r,    B_i = max(B_{i−1} + T_{i−1}, A_i).

Both are running maxima (Lindley's recursion, 1952): A_i − i/r is the running maximum of B_{i−N} − (i − 1)/r,
and the total wait up to move i is that of A_i minus the moment at which move i would begin without any wait.
The first N lines are ready when the first move begins, because heating takes long enough. The N moves after a
junction are therefore those that the planner in `speed` assumes, except for late lines.

Not modelled: the head slows down before a wait and speeds up after it, and a controller with late lines has a
shorter look-ahead. It moves more slowly then and waits less, so the total time is the same, except for queues
of two or three moves whose lines arrive hardly faster than the moves pass. Also not modelled: lines that are
not moves (a few per layer), and lines received during a dwell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Machine

Floats = NDArray[np.float64]

SPAN = 1024  # moves solved together


class Supply:
    """Supply of program lines to a controller, block by block.

    Parameters
    ----------
    machine : Machine
        Provides `queue` and `blocks_per_second`.

    Attributes
    ----------
    waited : float
        Total wait of all blocks so far, s.

    Examples
    --------
    With 100 lines per second and a queue of 2, the third of many moves of 1 ms is the first that waits.

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
        # Times are relative to the end of the last move. Lines before the program arrived long ago.
        self._begun = np.zeros(0)  # begin of each of the last N moves
        self._taken = -np.inf  # moment at which the last line was received

    def take(self, time: Floats) -> Floats:
        """Compute the wait for lines before each move.

        Parameters
        ----------
        time : (M,) float64
            Duration of each move, s; the moves follow those of the last call. A move of zero duration has no
            line.

        Returns
        -------
        (M,) float64
            Wait before each move, s. Empty if there are no moves. Independent of the division into blocks.
        """
        real = time > 0
        if not real.all():
            waits = np.zeros(len(time))
            waits[real] = self.take(time[real])
            return waits
        if not len(time):
            return np.zeros(0)
        n, ends = len(time), np.cumsum(time)
        begins = np.concatenate([[0.0], ends[:-1]])  # without any wait
        first = np.full(min(self._queue - len(self._begun), n), -np.inf)
        begun = np.concatenate([first, self._begun, begins])  # element i: when move i − N begins
        late = self._late(begun, begins)
        waited = self._solve_waits(begun, begins, late) if late.any() else np.zeros(n)

        end = float(ends[-1] + waited[-1])
        last = np.max(begun[:n] - self._line * np.arange(n), initial=self._taken)
        self._taken = float(last) + self._line * n - end
        self._begun = begun[len(first) :][-self._queue :] - end
        self.waited += float(waited[-1])
        return np.diff(waited, prepend=0.0)

    def _late(self, begun: Floats, begins: Floats) -> NDArray[np.bool_]:
        """Return the moves that may have to wait because their lines arrive late.

        A wait for an earlier line gives a later line more time to arrive, never less.
        """
        rate = self._line * np.arange(len(begins))
        taken = np.maximum.accumulate(np.maximum(begun[: len(begins)] - rate, self._taken))
        taken += rate + self._line
        return taken > begins

    def _solve_waits(self, begun: Floats, begins: Floats, late: NDArray[np.bool_]) -> Floats:
        """Compute the total wait before each move, s, and correct the start times in `begun`.

        Groups of moves are solved together by fixed-point iteration. Times only increase in the iteration,
        and each round settles at least N more moves, because A depends on B of the move N places earlier.
        """
        n, before, received, total = len(begins), len(begun) - len(begins), self._taken, 0.0
        waited = np.zeros(n)
        for a in range(0, n, SPAN):
            part = slice(a, min(a + SPAN, n))
            here, plain = waited[part], begins[part]
            after = begun[before + part.start : before + part.stop]
            rate = self._line * np.arange(part.start, part.stop)
            here[:] = total
            while True:
                np.add(plain, here, out=after)
                taken = np.maximum.accumulate(np.maximum(begun[part] - rate, received))
                if not late[part].any():
                    break
                need = np.maximum.accumulate(np.maximum(taken + (rate + self._line) - plain, total))
                if (need == here).all():
                    break
                here[:] = need
            received, total = float(taken[-1]), float(here[-1])
        return waited
