"""Where panels stand: what each covers of the platform, along which axis, and in what place.

*Covered* is the box around a panel with its brim and supports, in the panel's plan coordinates (u, n). The
start line lies in front of everything, on the viewer's side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pathgen.errors import PathgenError
from pathgen.layers import Layers
from pathgen.layers.supports import Supports
from pathgen.motion.opening import START_LINE
from pathgen.panel import Panel
from pathgen.panel.overhang import Overhang, overhangs
from pathgen.panel.steadiness import (
    FRACTION,
    Conditions,
    Sections,
    Steadiness,
    compute_steadiness,
    measure_sections,
)
from pathgen.plan.model import bend_of, plan_beads, wedge_sites
from pathgen.plan.source import Source
from pathgen.plan.trial import printing_times
from pathgen.route import Footprint, Placement, place, place_rotated
from pathgen.route.axis import ALONG, AxisChoice, carried_acceleration, score_axes
from pathgen.route.placement import usable_area
from pathgen.settings import Setup

STATIONS = 200  # heights at which the sway is known
START_GAP = 4.0  # mm between the start line and what stands nearest to it
LINE_ROOM = 1.0  # mm that the start line takes in front of its middle


@dataclass(frozen=True, slots=True)
class UnplacedPanel:
    """A panel before it has its place.

    Attributes
    ----------
    setup : Setup
    panel : Panel
    layers : Layers
    source : str
    notes : list of str
    supports : Supports or None
    made_of : path or array, optional
        The picture or map itself, for whoever has to look at it once more.
    """

    setup: Setup
    panel: Panel
    layers: Layers
    source: str
    notes: list[str]
    supports: Supports | None = None
    made_of: Source | None = None

    @property
    def covered(self) -> Footprint:
        """What it covers with its brim and supports, start line aside."""
        foot, thickest = float(self.panel.thickness[-1].max()), float(self.panel.thickness.max())
        box = covered(self.panel.width, self.panel.height, foot, thickest, self.setup)
        return box.around(self.supports.reach if self.supports else None)

    @property
    def line(self) -> tuple[tuple[float, float], float]:
        """Where its start line lies when it stands alone."""
        return with_line(self.covered, self.panel.width)[1]


@dataclass(frozen=True, slots=True)
class Places:
    """Where panels stand.

    Attributes
    ----------
    order : tuple of int
        The panels in the order they are made in turn.
    placements : tuple of Placement
        Of each panel, in that order.
    block : Placement
        Of all together.
    line : ((u, u), n)
        The start line in the block's coordinates, mm.
    steady : tuple of Steadiness or None
        Of each panel, in that order; None for bent ones.
    axes : AxisChoice or None
        The figures behind the axis.
    """

    order: tuple[int, ...]
    placements: tuple[Placement, ...]
    block: Placement
    line: tuple[tuple[float, float], float]
    steady: tuple[Steadiness | None, ...]
    axes: AxisChoice | None


def find_overhang(upright: UnplacedPanel) -> Overhang:
    """Find what of a panel leans out too far, its comb's help counted."""
    panel, supports = upright.panel, upright.supports
    bead = plan_beads(panel, upright.setup).spacing
    carries = None if supports is None else supports.carries
    return overhangs(panel.thickness, panel.pixel, upright.setup.overhang, bead, carries)


def covered(width: float, height: float, foot: float, thickest: float, setup: Setup) -> Footprint:
    """Measure what panel and brim cover of the platform.

    Parameters
    ----------
    width, height : float
        Outer sides of the panel, mm.
    foot, thickest : float
        Largest thickness of the lowest row and of the whole panel, mm.
    setup : Setup
    """
    brim, bend = setup.job.brim, bend_of(width, setup)
    u, back, front = (0.0, width), 0.0, thickest
    if bend is not None:
        along = np.linspace(0.0, width, 721)
        faces = [bend.to_plan(along, n + 0 * along) for n in (0.0, thickest)]
        p, q = (np.concatenate([face[i] for face in faces]) for i in (0, 1))
        u, back, front = (float(p.min()), float(p.max())), float(q.min()), float(q.max())
    return Footprint(
        (u[0] - brim, u[1] + brim), (back - brim, max(front, front - thickest + foot + brim)), height
    )


def with_line(block: Footprint, width: float) -> tuple[Footprint, tuple[tuple[float, float], float]]:
    """Add a start line in front of a block, no longer than `width` and in its middle; say where it lies."""
    middle, half = (block.u[0] + block.u[1]) / 2, min(width, START_LINE) / 2
    at = block.n[1] + START_GAP
    return replace(block, n=(block.n[0], at + LINE_ROOM)), ((middle - half, middle + half), at)


def fits_at_all(width: float, height: float, setup: Setup) -> None:
    """Refuse a panel that has no place however thin it is: before minutes are spent on its pixels."""
    box, _ = with_line(covered(width, height, 0.0, 0.0, setup), width)
    if setup.job.bend and setup.job.axis == "auto":
        return  # it may fit turned; that is known with its thickness
    place(box, setup.machine, setup.job.axis)


def place_panels(panels: Sequence[UnplacedPanel], panel_gap: float, in_turn: bool) -> Places:
    """Give every panel its place.

    Parameters
    ----------
    panels : sequence of Upright
        At least one; machine and axis are those of the first.
    panel_gap : float
        Free platform between neighbours, mm.
    in_turn : bool
        The head needs room beside finished panels.

    Raises
    ------
    PathgenError
        When they do not fit: by how much, what would, or how many of them would.
    """
    setup = panels[0].setup
    walls = [None if p.setup.job.bend else FlatWall.of(p) for p in panels]
    if len(panels) > 1:
        return _stand_several(panels, walls, panel_gap, in_turn)
    only, machine, asked = panels[0], setup.machine, setup.job.axis
    box, line = with_line(only.covered, only.panel.width)
    choice, wall = None, walls[0]
    if wall is None:
        spot = _place_bent(only, box, line)
    elif asked == "auto":
        assert setup.job.spacing is not None, "settle fills it in"
        times = printing_times(plan_beads(only.panel, setup), only.layers, setup, (0, 90))
        choice = score_axes(machine, box, {r: wall.sway(r) for r in (0, 90)}, setup.job.spacing, times)
        spot = replace(place(box, machine, choice.axis), reason=choice.reason)
    else:
        spot = place(box, machine, asked)
    steady = wall.steadiness(spot.rotation) if wall else None
    return Places((0,), (spot,), spot, line, (steady,), choice)


@dataclass(frozen=True, slots=True)
class FlatWall:
    """A flat panel's sections, and how it is carried at each rotation."""

    sections: Sections
    carried: dict[float, Conditions]

    @classmethod
    def of(cls, upright: UnplacedPanel) -> FlatWall:
        """Measure a panel."""
        job, material, machine = upright.setup.job, upright.setup.material, upright.setup.machine
        assert job.spacing is not None, "settle fills it in"
        panel = upright.panel
        # Wedges hold the panel up to their top.
        held = (job.wedge_height or 2 * panel.height / 3) if wedge_sites(job) else 0.0
        # Sway is judged as a share of a bead's spacing, or against what was seen to show on this machine.
        measure = job.spacing if machine.sway_limit is None else machine.sway_limit / FRACTION
        plain = Conditions(material.modulus, material.density, support=held, spacing=measure)
        carried = {r: replace(plain, acceleration=carried_acceleration(machine, r)) for r in (0, 90)}
        return cls(
            measure_sections(panel.thickness, panel.pixel, panel.edge),
            {float(r): c for r, c in carried.items()},
        )

    def sway(self, rotation: float) -> float:
        """How far the finished wall's top sways, mm."""
        return float(
            compute_steadiness(self.sections, self.carried[rotation], self.sections.top[-1:]).sway[0]
        )

    def steadiness(self, rotation: float) -> Steadiness:
        """How the wall stands at every height."""
        heights = np.linspace(0.0, self.sections.top[-1], STATIONS + 1)[1:]
        return compute_steadiness(self.sections, self.carried[rotation], heights)


def _place_bent(only: UnplacedPanel, box: Footprint, line: tuple[tuple[float, float], float]) -> Placement:
    """Place a bent panel: along an axis if it fits, and else at the angle it fits at."""
    job, machine = only.setup.job, only.setup.machine
    try:
        return place(box, machine, job.axis)
    except PathgenError:
        if job.axis != "auto":
            raise
        bend, panel = bend_of(only.panel.width, only.setup), only.panel
        assert bend is not None
        along = np.linspace(0.0, panel.width, 181)
        faces = [bend.to_plan(along, n + 0 * along) for n in (0.0, float(panel.thickness.max()))]
        points = np.concatenate([np.column_stack(face) for face in faces])
        found = place_rotated(points, job.brim, line, only.panel.height, machine)
        if found is None:
            raise
        return found


def _stand_several(
    panels: Sequence[UnplacedPanel], walls: Sequence[FlatWall | None], panel_gap: float, in_turn: bool
) -> Places:
    from pathgen.route.arrange import enclosing_footprint  # loads networkx, which one panel does not need

    setup, machine = panels[0].setup, panels[0].setup.machine
    found = {}
    for axis in ("x", "y") if setup.job.axis == "auto" else (setup.job.axis,):
        rotation = 0 if axis == "x" else 90
        offsets = _packed([p.covered for p in panels], rotation, setup, panel_gap, in_turn)
        if offsets is not None:
            found[rotation] = offsets
    if not found:
        raise too_many(panels, len(panels), panel_gap, in_turn)
    blocks = {
        r: with_line(enclosing_footprint([p.covered for p in panels], offsets), panels[0].panel.width)
        for r, offsets in found.items()
    }
    choice = None
    if len(found) == 2:
        assert setup.job.spacing is not None, "settle fills it in"
        sway = {r: max((w.sway(r) for w in walls if w), default=0.0) for r in found}
        choice = score_axes(machine, {r: box for r, (box, _) in blocks.items()}, sway, setup.job.spacing)
    rotation = choice.rotation if choice else next(iter(found))
    box, line = blocks[rotation]
    block = place(box, machine, ALONG[rotation].lower())
    if choice:
        block = replace(block, reason=choice.reason)
    elif setup.job.axis == "auto":
        there, other = ("X", "Y") if rotation == 0 else ("Y", "X")
        block = replace(block, reason=f"along {there}, as not all fit along {other}")
    places = [block.moved(*offset) for offset in found[rotation]]
    order = _turns(panels, places) if in_turn else list(range(len(panels)))
    steady = [walls[i].steadiness(rotation) if walls[i] else None for i in order]  # type: ignore[union-attr]
    return Places(tuple(order), tuple(places[i] for i in order), block, line, tuple(steady), choice)


def _packed(
    boxes: Sequence[Footprint], rotation: int, setup: Setup, panel_gap: float, in_turn: bool
) -> list[tuple[float, float]] | None:
    """Pack boxes at a rotation; None where they have no place, keep-out zones and start line included."""
    from pathgen.route.arrange import arrange_rows, enclosing_footprint, head_clearance

    machine, brim = setup.machine, setup.job.brim
    gaps = (panel_gap, panel_gap)
    if in_turn:
        # A brim lies flat: the head may be over it. In front, wall or supports may reach as far.
        head = head_clearance(machine.head, max(box.height for box in boxes), rotation)
        gaps = (max(panel_gap, head[0] - brim), max(panel_gap, head[1]))
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    room = (high_x - low_x, high_y - low_y) if rotation == 0 else (high_y - low_y, high_x - low_x)
    offsets = arrange_rows(boxes, (room[0], room[1] - START_GAP - LINE_ROOM), gaps)
    if offsets is None:
        return None
    try:
        place(with_line(enclosing_footprint(boxes, offsets), START_LINE)[0], machine, ALONG[rotation].lower())
    except PathgenError:
        return None
    return offsets


def _turns(panels: Sequence[UnplacedPanel], places: Sequence[Placement]) -> list[int]:
    """Order in which panels can be made in turn."""
    from pathgen.route.arrange import Box, build_order

    setup = panels[0].setup
    if not setup.machine.head:
        raise PathgenError(
            f"{setup.machine.name} does not say how large its head is",
            where="build",
            allowed="abreast",
            hint="add [[head]] parts to its profile to make panels in turn",
        )
    reached: list[Box] = []
    standing: list[Box] = []
    for upright, spot in zip(panels, places, strict=True):
        box, brim = upright.covered, upright.setup.job.brim
        for boxes, less in ((reached, 0.0), (standing, brim)):
            u, n = np.array([box.u[0] + less, box.u[1] - less]), np.array([box.n[0] + less, box.n[1]])
            x, y = spot.to_machine(u, n)
            boxes.append(((float(x.min()), float(x.max())), (float(y.min()), float(y.max()))))
    return build_order(reached, standing, [p.panel.height for p in panels], setup.machine.head)


def too_many(panels: Sequence[UnplacedPanel], asked: int, panel_gap: float, in_turn: bool) -> PathgenError:
    """Say how many of the panels, the first ones, would fit; of those asked for not all may be made yet."""
    from pathgen.route.arrange import head_clearance

    setup = panels[0].setup
    boxes = [p.covered for p in panels]
    axes = ("x", "y") if setup.job.axis == "auto" else (setup.job.axis,)
    for count in range(len(panels) - 1, 0, -1):
        if any(
            _packed(boxes[:count], 0 if axis == "x" else 90, setup, panel_gap, in_turn) is not None
            for axis in axes
        ):
            break
    else:
        count = 0
    how = f"{panel_gap:g} mm apart"
    if in_turn:
        room = head_clearance(setup.machine.head, max(box.height for box in boxes), 0)
        how += f", in turn with {room[0]:g} × {room[1]:g} mm left for the head"
    return PathgenError(
        f"{asked} panels do not fit on {setup.machine.name}, {how} and brims included",
        where="copies" if len({p.source for p in panels}) == 1 else "panel",
        allowed=f"the first {count} of them would" if count else "not even the first fits",
        hint="build = abreast needs no room for the head"
        if in_turn
        else "narrow the brim or the panel_gap, or make them in two runs",
    )
