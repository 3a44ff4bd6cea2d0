"""Choice of the edge that a panel stands on, from the costs of each turn.

Detail is blurred along the nozzle's path, as a bead is as wide as the nozzle, but hardly along z; height
costs sway and time; and an overhang may be supported if the panel stands the other way up. Every figure v
becomes a cost between 0 and 1 as in `pathgen.route.axis`: v/(v + half), with half from `HALF`, and for time
the excess over the shortest. Costs are multiplied by `WEIGHTS` and added up. The lowest sum wins; on ties,
the smaller turn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pathgen import optics
from pathgen.deposit.blur import smear
from pathgen.errors import PathgenError
from pathgen.picture import lightness
from pathgen.plan.model import plan_beads
from pathgen.plan.placing import UnplacedPanel, find_overhang, place_panels
from pathgen.plan.trial import printing_times

# Our judgement: sway and overhangs can ruin a print, detail is its purpose, and time matters least.
WEIGHTS = {"sway": 3.0, "overhang": 3.0, "detail": 2.0, "time": 1.0}
HALF = {"sway": 0.25, "overhang": 0.01, "detail": 1.0}  # share of the bead spacing; share of the wall; L*
ALIKE = 0.02  # smaller differences of the sums count as ties


@dataclass(frozen=True, slots=True)
class TurnScore:
    """Measures and costs of one turn.

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


def choose_turn(unplaced_panels: Mapping[int, UnplacedPanel]) -> TurnChoice:
    """Choose the edge that a panel stands on.

    Parameters
    ----------
    unplaced_panels : mapping of int to Upright
        The panel at each possible turn.

    Returns
    -------
    TurnChoice

    Raises
    ------
    PathgenError
        When the panel fits the machine at no turn; the error is that of the first turn.
    """
    figures, rejected = {}, []
    for turn, unplaced in sorted(unplaced_panels.items()):
        try:
            figures[turn] = _figures(unplaced)
        except PathgenError as error:
            rejected.append(error)
    if not figures:
        raise rejected[0] if rejected else PathgenError("the panel cannot stand on any edge", where="turn")
    shortest = min(time for *_, time in figures.values())
    rows = []
    for turn, (spacing, height, sway, leaning, detail, time) in figures.items():
        costs = {
            "sway": sway / (sway + HALF["sway"] * spacing),
            "overhang": leaning / (leaning + HALF["overhang"]),
            "detail": detail / (detail + HALF["detail"]),
            "time": 1 - shortest / time,
        }
        weighted = {name: WEIGHTS[name] * cost for name, cost in costs.items()}
        rows.append(TurnScore(turn, height, sway, leaning, detail, time, weighted))
    lowest = min(row.total for row in rows)
    best = next(row for row in rows if row.total <= lowest + ALIKE)
    return TurnChoice(tuple(rows), best.turn, f"turn {best.turn}; " + "; ".join(map(str, rows)))


def _figures(unplaced: UnplacedPanel) -> tuple[float, float, float, float, float, float]:
    """Compute bead spacing, height, sway, overhang fraction, lost detail and time for a turn."""
    setup, panel, layers = unplaced.setup, unplaced.panel, unplaced.layers
    places = place_panels([unplaced], setup.several.panel_gap, in_turn=False)
    beads = plan_beads(panel, setup)
    steady = places.steady[0]
    found = find_overhang(unplaced)
    rotation = round(places.block.rotation) % 180
    time = printing_times(beads, layers, setup, [rotation])[rotation]
    wall = max(int(np.count_nonzero(panel.thickness)), 1)
    return (
        beads.spacing,
        float(layers.top[-1]),
        float(steady.sway[-1]) if steady is not None else 0.0,
        float(np.count_nonzero(found.unsupported)) / wall,
        _detail_lost(unplaced),
        time,
    )


def _detail_lost(unplaced: UnplacedPanel) -> float:
    """Compute the effect of nozzle blur on the backlit picture, L* RMS."""
    panel, setup = unplaced.panel, unplaced.setup
    law = optics.law(setup.material.light)
    shows = (panel.thickness > 0) & ~np.broadcast_to(panel.edge, panel.thickness.shape)
    if not shows.any():
        return 0.0
    smeared = smear(panel.thickness, setup.machine.hot_end.nozzle_diameter, panel.pixel)
    sharp, soft = (
        lightness(optics.backlit(np.asarray(wall, np.float64), law, setup.light.thinnest))
        for wall in (panel.thickness, smeared)
    )
    return float(np.sqrt(np.mean((sharp - soft)[shows] ** 2)))
