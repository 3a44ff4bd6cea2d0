"""Plan of a program: the planned panels and their positions on the platform."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.layers import BeadPlan, Layers, Strokes, bend_strokes, find_fill
from pathgen.layers.supports import Supports
from pathgen.motion.opening import START_LINE
from pathgen.panel import Bend, Panel
from pathgen.panel.overhang import Overhang
from pathgen.panel.steadiness import Steadiness
from pathgen.plan.source import Source
from pathgen.route import Footprint, Placement
from pathgen.route.axis import AxisChoice
from pathgen.settings import Setup

Span = tuple[float, float]

START_GAP = 4.0  # mm between the start line and the nearest footprint
LINE_ROOM = 1.0  # mm from the middle of the start line to its front edge, rounded up


@dataclass(frozen=True, slots=True)
class LayeredPanel:
    """Panel with layers and supports, but without a place on the platform.

    Attributes
    ----------
    setup : Setup
    panel : Panel
        Thickness map with its rim.
    layers : Layers
    source : str
        Name of the picture.
    notes : tuple of str
        Notes for the person.
    supports : Supports, optional
        Supports that hold it while it grows.
    made_of : path or array, optional
        The picture or map itself, for reports that show it again.
    """

    setup: Setup
    panel: Panel
    layers: Layers
    source: str
    notes: tuple[str, ...] = ()
    supports: Supports | None = None
    made_of: Source | None = None

    @property
    def bend(self) -> Bend | None:
        """Bend of the panel."""
        return bend_of(self.panel.width, self.setup)

    @property
    def beads(self) -> BeadPlan:
        """Bead targets and limits for the fill."""
        beads, bend = msgspec.structs.asdict(self.setup.beads), self.bend
        plan = BeadPlan(**{name: beads[name] for name in BeadPlan.__dataclass_fields__ if name in beads})
        if bend is None:
            return plan
        return replace(plan, longest=bend.longest_move(float(self.panel.thickness.max())), ring=bend.closed)

    @property
    def footprint(self) -> Footprint:
        """Footprint including brim and supports, without the start line."""
        foot, thickest = float(self.panel.thickness[-1].max()), float(self.panel.thickness.max())
        box = compute_footprint(self.panel.width, self.panel.height, foot, thickest, self.setup)
        return box.around(self.supports.reach if self.supports else None)

    def fill(self, first: int, last: int) -> Strokes:
        """Fill layers ``first:last`` with strokes, in plan coordinates."""
        strokes = find_fill(self.setup.beads.fill)(self.layers.profiles(first, last), self.beads)
        return strokes if self.bend is None else bend_strokes(strokes, self.bend)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned(LayeredPanel):
    """Planned panel, ready to be printed: a `LayeredPanel` with its place.

    Attributes
    ----------
    placement : Placement
    steady : Steadiness, optional
        Sway while it grows; None for a bent panel, whose shape keeps it stiff.
    overhang : Overhang, optional
        Overhangs beyond the limit; None if they were not computed.
    axes : AxisChoice, optional
        Figures behind the choice of the axis; None if the job names the axis or the panel is bent.
    """

    placement: Placement
    steady: Steadiness | None = None
    overhang: Overhang | None = None
    axes: AxisChoice | None = None

    @property
    def plan_box(self) -> tuple[Span, Span]:
        """Extent (low, high) of the wall along u and n, including half the gap to the neighbours, mm."""
        u, n = _wall_extent(self.panel.width, float(self.panel.thickness.max()), self.setup)
        margin = self.setup.several.panel_gap / 2
        return (u[0] - margin, u[1] + margin), (n[0] - margin, n[1] + margin)


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
    line: tuple[Span, float]
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


def _wall_extent(width: float, thickest: float, setup: Setup) -> tuple[Span, Span]:
    """Return the extent (low, high) of a wall along u and n, mm."""
    bend = bend_of(width, setup)
    if bend is None:
        return (0.0, width), (0.0, thickest)
    u, n = face_points(bend, width, thickest)
    return (float(u.min()), float(u.max())), (float(n.min()), float(n.max()))


def compute_footprint(width: float, height: float, foot: float, thickest: float, setup: Setup) -> Footprint:
    """Compute the footprint of a panel including the brim.

    Parameters
    ----------
    width, height : float
        Outer sides of the panel, mm.
    foot, thickest : float
        Largest thickness of the lowest row and of the whole panel, mm.
    setup : Setup
    """
    brim, (u, n) = setup.standing.brim, _wall_extent(width, thickest, setup)
    front = max(n[1], n[1] - thickest + foot + brim)
    return Footprint((u[0] - brim, u[1] + brim), (n[0] - brim, front), height)


def add_start_line(block: Footprint, width: float) -> tuple[Footprint, tuple[Span, float]]:
    """Add a start line, at most `width` mm long, in front of a group; return the footprint and the line."""
    middle, half = (block.u[0] + block.u[1]) / 2, min(width, START_LINE) / 2
    at = block.n[1] + START_GAP
    return replace(block, n=(block.n[0], at + LINE_ROOM)), ((middle - half, middle + half), at)
