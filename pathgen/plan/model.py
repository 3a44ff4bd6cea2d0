"""What a plan is made of: panels ready to be made, the platform they stand on, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen.layers import BeadPlan, Layers, Strokes
from pathgen.layers.supports import Supports
from pathgen.motion import Tally
from pathgen.panel import Bend, Panel
from pathgen.panel.overhang import Overhang
from pathgen.panel.steadiness import Steadiness
from pathgen.plan.source import Source
from pathgen.route import Placement
from pathgen.route.axis import AxisChoice
from pathgen.settings import Job, Setup

Summary = dict[str, str | int | float | list[str]]


@dataclass(frozen=True, slots=True)
class Planned:
    """A panel that is ready to be made.

    Attributes
    ----------
    setup : Setup
        Job (complete), machine and material.
    panel : Panel
        Thickness map with its rim.
    layers : Layers
    placement : Placement
    source : str
        Name of the picture.
    notes : tuple of str
        What the person should know.
    supports : Supports, optional
        Wedges that hold it while it grows.
    steady : Steadiness, optional
        How far it sways while it grows; None for a bent panel, which stands by its shape.
    overhang : Overhang, optional
        What leans out too far while it grows; None where nothing was judged.
    axes : AxisChoice, optional
        The figures behind the axis; None where it was asked for or the panel is bent.
    made_of : path or array, optional
        The picture or map itself, for whoever has to look at it once more.
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
        """How the panel is bent."""
        return bend_of(self.panel.width, self.setup)

    @property
    def plan_box(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """What its wall takes of the plan, (low, high) along u and n, and half the way to a neighbour, mm."""
        thickest, bend = float(self.panel.thickness.max()), self.bend
        u, n = (0.0, self.panel.width), (0.0, thickest)
        if bend is not None:
            along = np.linspace(0.0, self.panel.width, 721)
            faces = [bend.to_plan(along, n_at + 0 * along) for n_at in n]
            u, n = (
                (float(min(f[i].min() for f in faces)), float(max(f[i].max() for f in faces))) for i in (0, 1)
            )
        more = self.setup.job.panel_gap / 2
        return (u[0] - more, u[1] + more), (n[0] - more, n[1] + more)

    @property
    def beads(self) -> BeadPlan:
        """What the fill aims at."""
        return plan_beads(self.panel, self.setup)


@dataclass(frozen=True, slots=True)
class Platform:
    """Everything that one program makes.

    Attributes
    ----------
    panels : tuple of Planned
        In the order they are made where they are made in turn.
    line : ((u, u), n)
        Where the start line lies, from u to u at n, in the coordinates of `placement`, mm.
    placement : Placement
        Of all of them together.
    in_turn : bool
        One panel is finished before the next begins.
    """

    panels: tuple[Planned, ...]
    line: tuple[tuple[float, float], float]
    placement: Placement
    in_turn: bool = False

    @property
    def setup(self) -> Setup:
        """Settings that all panels share: machine, material, layers, feeds of the platform's first layer."""
        return self.panels[0].setup

    @property
    def tallest(self) -> Planned:
        """The panel with the most layers, the first of them."""
        return max(self.panels, key=lambda planned: len(planned.layers))


@dataclass(slots=True)
class Part:
    """What came of one panel.

    Attributes
    ----------
    planned : Planned
    counts : (layers, columns) int8
        Beads side by side, row 0 the bottom layer.
    samples : dict of int to Strokes
        Strokes of a few layers, by layer number, in plan coordinates.
    """

    planned: Planned
    counts: NDArray[np.int8]
    samples: dict[int, Strokes] = field(default_factory=dict)


@dataclass(slots=True)
class Result:
    """What came of a job.

    Attributes
    ----------
    platform : Platform
    tally : Tally
        Time, filament, lengths and counts by kind of move.
    summary : dict
        Flat, with units in its keys; what ``--summary`` writes.
    parts : list of Part
        One for each panel.
    """

    platform: Platform
    tally: Tally
    summary: Summary
    parts: list[Part]

    @property
    def planned(self) -> Planned:
        """The first panel."""
        return self.parts[0].planned

    @property
    def counts(self) -> NDArray[np.int8]:
        """Beads side by side in the first panel, (layers, columns), row 0 the bottom layer."""
        return self.parts[0].counts

    @property
    def samples(self) -> dict[int, Strokes]:
        """Strokes of a few layers of the first panel."""
        return self.parts[0].samples


def bend_of(width: float, setup: Setup) -> Bend | None:
    """Give the bend of a panel of that width; None where it is flat."""
    job = setup.job
    if not job.bend:
        return None
    # A map that looks away from the viewer stands mirrored, its relief to positive n: bulging toward the
    # viewer, it is hollow there.
    return Bend(width, -job.bend if job.relief == "away" else job.bend)


def wedge_sites(job: Job) -> int:
    """Count the places where wedges stand, as far as the job says it."""
    if job.wedge_at:
        return len(job.wedge_at)
    return 0 if job.wedges == "auto" else job.wedges


def plan_beads(panel: Panel, setup: Setup) -> BeadPlan:
    """Gather what a job asks of its fill."""
    asked = {
        name: getattr(setup.job, name) for name in BeadPlan.__dataclass_fields__ if hasattr(setup.job, name)
    }
    bend = bend_of(panel.width, setup)
    if bend is not None:
        asked |= {"longest": bend.longest_move(float(panel.thickness.max())), "ring": bend.closed}
    return BeadPlan(**asked)
