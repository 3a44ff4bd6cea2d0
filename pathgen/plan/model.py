"""Plan of a program: the planned panels and their positions on the platform."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.layers import BeadPlan, Layers
from pathgen.layers.supports import Supports
from pathgen.panel import Bend, Panel
from pathgen.panel.overhang import Overhang
from pathgen.panel.steadiness import Steadiness
from pathgen.plan.source import Source
from pathgen.route import Placement
from pathgen.route.axis import AxisChoice
from pathgen.settings import Setup


@dataclass(frozen=True, slots=True)
class Planned:
    """Planned panel, ready to be printed.

    Attributes
    ----------
    setup : Setup
    panel : Panel
        Thickness map with its rim.
    layers : Layers
    placement : Placement
    source : str
        Name of the picture.
    notes : tuple of str
        Notes for the person.
    supports : Supports, optional
        Supports that hold it while it grows.
    steady : Steadiness, optional
        Sway while it grows; None for a bent panel, whose shape keeps it stiff.
    overhang : Overhang, optional
        Overhangs beyond the limit; None if they were not computed.
    axes : AxisChoice, optional
        Figures behind the choice of the axis; None if the job names the axis or the panel is bent.
    made_of : path or array, optional
        The picture or map itself, for reports that show it again.
    """

    setup: Setup
    panel: Panel
    layers: Layers
    placement: Placement
    source: str
    notes: tuple[str, ...] = ()
    supports: Supports | None = None
    steady: Steadiness | None = None
    overhang: Overhang | None = None
    axes: AxisChoice | None = None
    made_of: Source | None = None

    @property
    def bend(self) -> Bend | None:
        """Bend of the panel."""
        return bend_of(self.panel.width, self.setup)

    @property
    def plan_box(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Extent (low, high) of the wall along u and n, including half the gap to the neighbours, mm."""
        thickest, bend = float(self.panel.thickness.max()), self.bend
        u, n = (0.0, self.panel.width), (0.0, thickest)
        if bend is not None:
            u, n = ((float(v.min()), float(v.max())) for v in face_points(bend, self.panel.width, thickest))
        margin = self.setup.several.panel_gap / 2
        return (u[0] - margin, u[1] + margin), (n[0] - margin, n[1] + margin)

    @property
    def beads(self) -> BeadPlan:
        """Bead targets and limits for the fill."""
        return plan_beads(self.panel, self.setup)


@dataclass(frozen=True, slots=True)
class Platform:
    """All panels of one program and their positions on the platform.

    Attributes
    ----------
    panels : tuple of Planned
        In the order in which they are made, if they are made one after another.
    line : ((u, u), n)
        Start line, from u to u at n, in the coordinates of `placement`, mm.
    placement : Placement
        Placement of the whole group.
    in_turn : bool
        Each panel is finished before the next begins.
    """

    panels: tuple[Planned, ...]
    line: tuple[tuple[float, float], float]
    placement: Placement
    in_turn: bool = False

    @property
    def setup(self) -> Setup:
        """Settings common to all panels: machine, material, layers, first-layer feed."""
        return self.panels[0].setup

    @property
    def tallest(self) -> Planned:
        """Panel with the most layers; the first one on ties."""
        return max(self.panels, key=lambda planned: len(planned.layers))


def bend_of(width: float, setup: Setup) -> Bend | None:
    """Return the bend of a panel with the given width, or None for a flat panel."""
    degrees = setup.form.bend
    if not degrees:
        return None
    # A panel whose relief faces away from the viewer stands mirrored, its relief toward positive n: a panel
    # that bulges toward the viewer is hollow on that side.
    return Bend(width, -degrees if setup.form.relief == "away" else degrees)


def face_points(bend: Bend, width: float, thickest: float, count: int = 721) -> NDArray[np.float64]:
    """Return points on both faces of a bent panel in plan coordinates, (2, 2 * count): u and n, mm."""
    along = np.linspace(0.0, width, count)
    return np.concatenate([bend.to_plan(along, n + 0 * along) for n in (0.0, thickest)], axis=1)


def plan_beads(panel: Panel, setup: Setup) -> BeadPlan:
    """Collect bead targets and limits from the settings and the panel shape."""
    beads = msgspec.structs.asdict(setup.beads)
    plan = BeadPlan(**{name: beads[name] for name in BeadPlan.__dataclass_fields__ if name in beads})
    bend = bend_of(panel.width, setup)
    if bend is None:
        return plan
    return replace(plan, longest=bend.longest_move(float(panel.thickness.max())), ring=bend.closed)
