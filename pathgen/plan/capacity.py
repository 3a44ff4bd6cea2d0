"""Room for panels by their area alone, so that the hopeless are refused before all of them are made."""

from __future__ import annotations

from collections.abc import Sequence

from pathgen.errors import PathgenError
from pathgen.plan.placing import UnplacedPanel, too_many
from pathgen.route.placement import usable_area

MOST_PANELS = 1000  # of one program; a platform takes some hundreds of the smallest
ROUNDING = 1e-6  # share of the platform


class Room:
    """What is left of a platform while panels are made for it.

    Parameters
    ----------
    asked : int
        Panels to come, copies counted.
    panel_gap : float
        Free platform between neighbours, mm.
    in_turn : bool
        They are made one after another.

    Raises
    ------
    PathgenError
        For more than `MOST_PANELS`.
    """

    def __init__(self, asked: int, panel_gap: float, in_turn: bool) -> None:
        if asked > MOST_PANELS:
            raise PathgenError(
                f"{asked:,} panels", where="panel", allowed=f"at most {MOST_PANELS:,} a program"
            )
        self._asked, self._spacing, self._in_turn = asked, panel_gap, in_turn
        self._taken = 0.0

    def take(self, panels: Sequence[UnplacedPanel], more: int) -> None:
        """Count the last `more` of the panels made so far.

        Raises
        ------
        PathgenError
            When all of them together cover more than there is, wherever they stand; how many would fit.
        """
        box, gap = panels[-1].covered, self._spacing
        self._taken += more * (box.u[1] - box.u[0] + gap) * (box.n[1] - box.n[0] + gap)
        x, y = (high - low + gap for low, high in usable_area(panels[-1].setup.machine))
        if len(panels) > 1 and self._taken > x * y * (1 + ROUNDING):
            raise too_many(panels, self._asked, gap, self._in_turn)
