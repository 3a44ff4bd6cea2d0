"""Choice of the edge that a panel stands on, from the costs of each orientation.

Detail is blurred along the nozzle's path, as a bead is as wide as the nozzle, but hardly along z; height
costs sway and time; and an overhang may be supported if the panel stands the other way up. Every figure v
becomes a cost between 0 and 1 as in `pathgen.route.axis`: v/(v + half), with half from `HALF`, and for time
the excess over the shortest. Costs are multiplied by `WEIGHTS` and added up. The lowest sum wins; on ties,
the smaller turn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pathgen.deposit.blur import smear
from pathgen.errors import PathgenError
from pathgen.plan.model import LayeredPanel
from pathgen.plan.placing import find_overhang, place_panels
from pathgen.plan.toning import backlit_lightness
from pathgen.plan.trial import printing_times

# Our judgement: sway and overhangs can ruin a print, detail is its purpose, and time matters least.
WEIGHTS = {"sway": 3.0, "overhang": 3.0, "detail": 2.0, "time": 1.0}
HALF = {"sway": 0.25, "overhang": 0.01, "detail": 1.0}  # share of the bead spacing; share of the wall; L*
ALIKE = 0.02  # smaller differences of the sums count as ties


@dataclass(frozen=True, slots=True)
class TurnScore:
    """Quantities and costs of one orientation of the panel.

    Attributes
    ----------
    turn : int
        Degrees.
    height : float
        Height of the standing panel, mm.
    sway : float
        Sway of the finished wall's top, mm; 0 for a bent panel.
    overhang : float
        Share of the wall with too much overhang.
    detail : float
        Detail lost to the nozzle diameter, L* RMS.
    time : float
        Estimated from a few layers, s.
    costs : dict of str to float
        Weighted cost of each key of `WEIGHTS`.
    """

    turn: int
    height: float
    sway: float
    overhang: float
    detail: float
    time: float
    costs: dict[str, float]

    @property
    def total(self) -> float:
        """Sum of the weighted costs; lower is better."""
        return sum(self.costs.values())

    def __str__(self) -> str:
        """Describe the turn in one line."""
        return (
            f"{self.turn}°: {self.height:.0f} mm high, sway {self.sway:.3f} mm, "
            f"{100 * self.overhang:.2f} % overhang, {self.detail:.2f} L* of detail lost, "
            f"{self.time / 3600:.1f} h"
        )


@dataclass(frozen=True, slots=True)
class TurnChoice:
    """Chosen turn, scores of all turns in ascending order, and the reason for the choice."""

    rows: tuple[TurnScore, ...]
    turn: int
    reason: str


def choose_turn(build: Callable[[int], LayeredPanel]) -> tuple[LayeredPanel, TurnChoice]:
    """Choose the edge that a panel stands on.

    Parameters
    ----------
    build : callable
        Builds the panel for a turn in degrees.

    Returns
    -------
    panel : LayeredPanel
        At the chosen turn.
    choice : TurnChoice

    Raises
    ------
    PathgenError
        When the panel cannot be built, or does not fit the machine, at any turn; the error is that of the
        first turn.
    """
    panels, figures, rejected = {}, {}, []
    for turn in (0, 90, 180, 270):
        try:
            panels[turn] = build(turn)
            figures[turn] = _figures(panels[turn])
        except PathgenError as error:
            rejected.append(error)
    if not figures:
        raise rejected[0]
    shortest = min(found["time"] for found in figures.values())
    rows = []
    for turn, found in figures.items():
        half = HALF | {"sway": HALF["sway"] * panels[turn].setup.beads.spacing}
        costs = {name: found[name] / (found[name] + half[name]) for name in HALF}
        costs["time"] = 1 - shortest / found["time"]
        rows.append(TurnScore(turn, **found, costs={name: WEIGHTS[name] * costs[name] for name in costs}))
    lowest = min(row.total for row in rows)
    best = next(row for row in rows if row.total <= lowest + ALIKE)
    reason = f"turn {best.turn}; " + "; ".join(map(str, rows))
    return panels[best.turn], TurnChoice(tuple(rows), best.turn, reason)


def _figures(unplaced: LayeredPanel) -> dict[str, float]:
    """Compute the quantities of an orientation, keyed by the field names of `TurnScore`."""
    panel = unplaced.panel
    places = place_panels([unplaced], unplaced.setup.several.panel_gap, in_turn=False)
    rotation, steady = round(places.block.rotation) % 180, places.steady[0]
    wall = max(int(np.count_nonzero(panel.thickness)), 1)
    return {
        "height": float(unplaced.layers.top[-1]),
        "sway": float(steady.sway[-1]) if steady is not None else 0.0,
        "overhang": float(np.count_nonzero(find_overhang(unplaced).unsupported)) / wall,
        "detail": _detail_lost(unplaced),
        "time": printing_times(unplaced, [rotation])[rotation],
    }


def _detail_lost(unplaced: LayeredPanel) -> float:
    """Compute the effect of nozzle blur on the backlit picture, L* RMS."""
    panel, setup = unplaced.panel, unplaced.setup
    shows = (panel.thickness > 0) & ~np.broadcast_to(panel.edge, panel.thickness.shape)
    if not shows.any():
        return 0.0
    smeared = smear(panel.thickness, setup.machine.hot_end.nozzle_diameter, panel.pixel)
    sharp, soft = (
        backlit_lightness(np.asarray(wall, np.float64), setup) for wall in (panel.thickness, smeared)
    )
    return float(np.sqrt(np.mean((sharp - soft)[shows] ** 2)))
