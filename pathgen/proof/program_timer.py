"""Compute the time of a program's moves and pauses, window by window."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pathgen.gcode.read import Program
from pathgen.motion.clock import TimeByCause
from pathgen.motion.moves import Moves
from pathgen.motion.speed import limit_feed, plan_speeds
from pathgen.motion.supply import Supply
from pathgen.motion.tally import Tally, sum_moves
from pathgen.settings import Machine

TIMED = 1 << 17  # moves timed at once; extended to the end of their layer


class ProgramTimer:
    """Sums of a program's moves, and the time of each move.

    Parameters
    ----------
    machine : Machine

    Attributes
    ----------
    tally : Tally
        Sums over all moves so far.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine, self.tally = machine, Tally()
        self._supply = Supply(machine)

    def take(self, program: Program) -> NDArray[np.float64]:
        """Add the moves of a program, or of its next window of whole layers.

        Parameters
        ----------
        program : Program
            Moves without an F word before them have the machine's travel feed.

        Returns
        -------
        (N,) float64
            Time of each move, s, waits for lines left out; 0 for homing, which has a time of its own.
        """
        moves = program.moves
        if not (moves.feed > 0).all():
            moves = replace(moves, feed=np.where(moves.feed > 0, moves.feed, self.machine.travel_feed))
        homing = [event.line for event in program.events if "G28" in event.words.upper()]
        times = np.zeros(len(moves))
        for piece in split_layers(moves):
            part, line = moves.rows(piece), program.line[piece]
            feed = limit_feed(part, self.machine)
            plan = plan_speeds(part, self.machine, feed)
            plan = replace(plan, time=np.where(np.isin(line, homing), 0.0, plan.time))
            self.tally += sum_moves(part, plan, feed)
            self._supply.take(np.add.reduceat(plan.time, np.flatnonzero(np.diff(line, prepend=-1))))
            times[piece] = plan.time
        return times

    def total(self, dwelling: float, homings: int) -> TimeByCause:
        """Return the duration so far, divided by cause, with the given dwell time and number of homings."""
        return TimeByCause.of(
            self.tally, self.machine, starving=self._supply.waited, dwelling=dwelling, homings=homings
        )


def split_layers(moves: Moves) -> list[slice]:
    """Split moves into blocks of about `TIMED` moves, between layers, where the head stops."""
    starts = np.flatnonzero(np.diff(moves.layer)) + 1
    at = np.searchsorted(starts, np.arange(TIMED, len(moves), TIMED))
    cuts = np.unique([0, *starts[at[at < len(starts)]].tolist(), len(moves)]).tolist()
    return [slice(first, last) for first, last in zip(cuts[:-1], cuts[1:], strict=True)]
