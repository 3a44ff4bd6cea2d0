"""Compute the duration of a program, divided by cause.

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
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pathgen.files.quantities import Quantity
from pathgen.motion.moves import Kind
from pathgen.motion.tally import Tally
from pathgen.settings import Machine

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Times:
    """Duration of a program and its parts, rounded for display; `time_s` is the sum of the parts."""

    time_s: Annotated[int, Quantity("s", "time, heating and homing included")]
    moving_time_s: Annotated[float, Quantity("s", "time of the moves alone")]
    heating_time_s: Annotated[float, Quantity("s", "time of heating up")]
    homing_time_s: Annotated[float, Quantity("s", "time of homing")]
    dwell_time_s: Annotated[float, Quantity("s", "time of dwells (G4)")]
    starved_time_s: Annotated[float, Quantity("s", "time of waiting for program lines")]


@dataclass(frozen=True, slots=True)
class TimeByCause:
    """Duration of a program by cause, s.

    Attributes
    ----------
    kinds : (kinds,) float64
        Time of the moves, indexed by `Kind`.
    heating, homing, dwelling, starving : float
        Time at rest.
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
        """Combine the times of a program's moves with the times of heating, homing and waiting.

        Parameters
        ----------
        sums : Tally
            Sums over the planned moves.
        machine : Machine
            Provides the times of heating and homing.
        starving, dwelling : float
            Time of waiting for lines (`Supply.waited`) and of the program's dwells, s.
        homings : int
            Number of times that the program homes.

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
        """Duration of all moves, s."""
        return float(self.kinds.sum())

    @property
    def dry(self) -> float:
        """Duration of the moves between deposits, s: travels, links, retractions and reloads."""
        return float(self.kinds[[Kind.TRAVEL, Kind.LINK, Kind.RETRACT, Kind.RELOAD]].sum())

    @property
    def total(self) -> float:
        """Time from switching the heaters on to the end of the program, s."""
        return self.moving + self.heating + self.homing + self.dwelling + self.starving

    def rounded(self) -> Times:
        """Return the total and its parts, rounded for display.

        Examples
        --------
        >>> TimeByCause(np.ones(len(Kind)), heating=240.0, dwelling=0.5).rounded().time_s
        252
        """
        parts = (self.moving, self.heating, self.homing, self.dwelling, self.starving)
        return Times(round(self.total), *(round(part, 1) for part in parts))
