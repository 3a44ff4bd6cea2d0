"""Compute the duration of a program and its causes.

    total = moving + heating + homing + dwelling + starving

Model. *Moving*: every move as planned by `pathgen.motion.speed` for the finite queue of the controller, by
kind of move. *Starving*: waiting for program lines between moves, as in `pathgen.motion.supply`. *Heating*:
`warm_up` of the profile, once, whether the program or the operator sets the temperatures; the program does
not wait for temperature changes between bands. *Homing*: `homing` of the profile for each homing in the
program, or once if the program does not home, because the machine was homed before. *Dwelling*: the seconds
of every G4 (NISTIR 6556, 3.5.4).

Not modelled: the head slows down before a dwell inside a layer. Not counted: cooling down after the end, and
stops that wait for a person (M0, at which the operator sets another temperature at the machine), because
their duration is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.motion.moves import Kind
from pathgen.motion.tally import Tally
from pathgen.settings import Machine

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TimeByCause:
    """Seconds of a program, by what they are spent on.

    Attributes
    ----------
    kinds : (kinds,) float64
        Moving, indexed by `Kind`.
    heating, homing, dwelling, starving : float
        Standing.
    """

    kinds: Floats
    heating: float = 0.0
    homing: float = 0.0
    dwelling: float = 0.0
    starving: float = 0.0

    @classmethod
    def of(
        cls, sums: Tally, machine: Machine, *, starving: float = 0.0, dwelling: float = 0.0, homings: int = 1
    ) -> TimeByCause:
        """Put together how long a program takes.

        Parameters
        ----------
        sums : Tally
            Of its moves, as planned.
        machine : Machine
            How long it heats and homes.
        starving, dwelling : float
            s, as `Supply.waited` and the program's dwells have them.
        homings : int
            How often the program homes.

        Examples
        --------
        >>> from pathgen.settings import load_machine
        >>> still = TimeByCause.of(Tally(), load_machine("moving-table"), dwelling=2.0)
        >>> still.heating, still.homing, still.total
        (240.0, 25.0, 267.0)
        """
        heaters = machine.heaters
        return cls(sums.time, heaters.warm_up, heaters.homing * max(homings, 1), dwelling, starving)

    @property
    def moving(self) -> float:
        """Seconds of all moves."""
        return float(self.kinds.sum())

    @property
    def dry(self) -> float:
        """Seconds of moves between deposits: travels, links, and what filament does for them."""
        return float(self.kinds[[Kind.TRAVEL, Kind.LINK, Kind.RETRACT, Kind.RELOAD]].sum())

    @property
    def total(self) -> float:
        """Seconds from switching the heaters on to the program's end."""
        return self.moving + self.heating + self.homing + self.dwelling + self.starving

    def facts(self) -> dict[str, int | float]:
        """Give the total and its parts under keys that carry their unit.

        Examples
        --------
        >>> TimeByCause(np.ones(len(Kind)), heating=240.0, dwelling=0.5).facts()["time_s"]
        252
        """
        return {
            "time_s": round(self.total),
            "moving_time_s": round(self.moving, 1),
            "heating_time_s": round(self.heating, 1),
            "homing_time_s": round(self.homing, 1),
            "dwell_time_s": round(self.dwelling, 1),
            "starved_time_s": round(self.starving, 1),
        }
