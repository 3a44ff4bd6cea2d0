"""Platform capacity by area, to reject too many panels before all of them are planned."""

from __future__ import annotations

from collections.abc import Sequence

from pathgen.errors import PathgenError
from pathgen.plan.placing import UnplacedPanel, capacity_error
from pathgen.route.placement import usable_area

MAX_PANELS = 1000  # per program; a platform takes some hundreds of the smallest
ROUNDING = 1e-6  # share of the platform


class Room:
    """Remaining platform area while panels are being planned.

    Parameters
    ----------
    asked : int
        Number of panels, copies included.
    gap : float
        Distance between neighbours, mm.
    in_turn : bool
        They are made one after another.

    Raises
    ------
    PathgenError
        For more than `MAX_PANELS`.
    """

    def __init__(self, asked: int, gap: float, in_turn: bool) -> None:
        if asked > MAX_PANELS:
            allowed = f"at most {MAX_PANELS:,} panels per program"
            raise PathgenError(f"the job asks for {asked:,} panels", where="panel", allowed=allowed)
        self._asked, self._gap, self._in_turn = asked, gap, in_turn
        self._taken = 0.0

    def take(self, panels: Sequence[UnplacedPanel], copies: int) -> None:
        """Subtract the area of the last `copies` panels.

        Raises
        ------
        PathgenError
            When the panels together cover more than the platform has, with the number that would fit.
        """
        box, gap = panels[-1].footprint, self._gap
        self._taken += copies * (box.u[1] - box.u[0] + gap) * (box.n[1] - box.n[0] + gap)
        x, y = (high - low + gap for low, high in usable_area(panels[-1].setup.machine))
        if len(panels) > 1 and self._taken > x * y * (1 + ROUNDING):
            raise capacity_error(panels, self._asked, gap, self._in_turn)
