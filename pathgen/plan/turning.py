"""Which edge a panel stands on: the figures behind each turn, and the choice with its reason.

Detail is lost along the nozzle (a bead is that wide) but hardly along z; height costs sway and time; and a
face
that leans out one way may be carried the other way up. Every figure becomes a cost between 0 and 1, as in
`pathgen.route.axis`: v/(v + half) with the value that costs half in `HALF`, and time by how far it falls
short of the best. Costs are weighted by `WEIGHTS` and added up; the lowest sum wins, at equal sums the
smaller turn.
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

# Judgements. Sway and a face that hangs spoil a print; detail is what it is for; time costs patience.
WEIGHTS = {"sway": 3.0, "overhang": 3.0, "detail": 2.0, "time": 1.0}
HALF = {"sway": 0.25, "overhang": 0.01, "detail": 1.0}  # of a bead's spacing; share of the wall; L*
ALIKE = 0.02  # sums nearer than this are as good as each other; then the smaller turn is taken


@dataclass(frozen=True, slots=True)
class TurnScore:
    """What one turn would be like.

    Attributes
    ----------
    turn : int
        Degrees.
    height : float
        Of the standing panel, mm.
    sway : float
        Of the finished wall's top, mm; 0 for a bent panel.
    overhang : float
        Share of the wall that leans out too far.
    detail : float
        What the nozzle takes from the picture, L* RMS.
    time : float
        As planned from a few layers, s.
    costs : dict of str to float
        Each of `WEIGHTS`, weighted.
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
        """Sum of the costs, the lower the better."""
        return sum(self.costs.values())

    def __str__(self) -> str:
        """Word it for people."""
        return (
            f"{self.turn}°: {self.height:.0f} mm high, sway {self.sway:.3f} mm, "
            f"{100 * self.overhang:.2f} % leans, detail lost {self.detail:.2f} L*, {self.time / 3600:.1f} h"
        )


@dataclass(frozen=True, slots=True)
class TurnChoice:
    """The turn chosen: its rows, in order of turn, the chosen one, and one sentence that says why."""

    rows: tuple[TurnScore, ...]
    turn: int
    reason: str


def choose_turn(uprights: Mapping[int, UnplacedPanel]) -> TurnChoice:
    """Compare the edges a panel can stand on.

    Parameters
    ----------
    uprights : mapping of int to Upright
        The panel at each turn that is possible.

    Returns
    -------
    TurnChoice

    Raises
    ------
    PathgenError
        When it fits the machine at none of them: as it says of the first.
    """
    figures, refused = {}, []
    for turn, upright in sorted(uprights.items()):
        try:
            figures[turn] = _figures(upright)
        except PathgenError as error:
            refused.append(error)
    if not figures:
        raise refused[0] if refused else PathgenError("no turn is possible", where="turn")
    quickest = min(time for *_, time in figures.values())
    rows = []
    for turn, (spacing, height, sway, leaning, detail, time) in figures.items():
        costs = {
            "sway": sway / (sway + HALF["sway"] * spacing),
            "overhang": leaning / (leaning + HALF["overhang"]),
            "detail": detail / (detail + HALF["detail"]),
            "time": 1 - quickest / time,
        }
        weighted = {name: WEIGHTS[name] * cost for name, cost in costs.items()}
        rows.append(TurnScore(turn, height, sway, leaning, detail, time, weighted))
    least = min(row.total for row in rows)
    best = next(row for row in rows if row.total <= least + ALIKE)
    return TurnChoice(tuple(rows), best.turn, f"turn {best.turn}; " + "; ".join(map(str, rows)))


def _figures(upright: UnplacedPanel) -> tuple[float, float, float, float, float, float]:
    """Spacing, height, sway, leaning share, detail lost and time of a panel as it would stand."""
    setup, panel, layers = upright.setup, upright.panel, upright.layers
    places = place_panels([upright], setup.job.panel_gap, in_turn=False)
    beads = plan_beads(panel, setup)
    steady = places.steady[0]
    found = find_overhang(upright)
    rotation = round(places.block.rotation) % 180
    time = printing_times(beads, layers, setup, [rotation])[rotation]
    wall = max(int(np.count_nonzero(panel.thickness)), 1)
    return (
        beads.spacing,
        float(layers.top[-1]),
        float(steady.sway[-1]) if steady is not None else 0.0,
        float(np.count_nonzero(found.unsupported)) / wall,
        _detail_lost(upright),
        time,
    )


def _detail_lost(upright: UnplacedPanel) -> float:
    """Difference that the nozzle makes to the lit picture, L* RMS over the picture's pixels."""
    panel, setup = upright.panel, upright.setup
    law = optics.law(setup.material.light)
    shows = (panel.thickness > 0) & ~np.broadcast_to(panel.edge, panel.thickness.shape)
    if not shows.any():
        return 0.0
    smeared = smear(panel.thickness, setup.machine.hot_end.nozzle_diameter, panel.pixel)
    sharp, soft = (
        lightness(optics.backlit(np.asarray(wall, np.float64), law, setup.job.thinnest))
        for wall in (panel.thickness, smeared)
    )
    return float(np.sqrt(np.mean((sharp - soft)[shows] ** 2)))
