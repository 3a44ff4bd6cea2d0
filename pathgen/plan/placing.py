"""Placement of panels on the platform: footprints, axes and positions.

A *footprint* is the box around a panel with its brim and supports, in the panel's plan coordinates (u, n).
The start line lies in front of all panels, on the viewer's side.
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
from pathgen.plan.model import bend_of, face_points, plan_beads
from pathgen.plan.source import Source
from pathgen.plan.trial import printing_times
from pathgen.route import Footprint, Placement, place, place_rotated
from pathgen.route.axis import ALONG, AxisChoice, carried_acceleration, score_axes
from pathgen.route.placement import usable_area
from pathgen.settings import Setup

STATIONS = 200  # heights at which the sway is computed
START_GAP = 4.0  # mm between the start line and the nearest footprint
LINE_ROOM = 1.0  # mm from the middle of the start line to its front edge, rounded up


@dataclass(frozen=True, slots=True)
class UnplacedPanel:
    """Panel with layers and supports, not yet placed on the platform.

    Attributes
    ----------
    setup : Setup
    panel : Panel
    layers : Layers
    source : str
    notes : list of str
    supports : Supports or None
    made_of : path or array, optional
        The picture or map itself, for reports that show it again.
    """

    setup: Setup
    panel: Panel
    layers: Layers
    source: str
    notes: list[str]
    supports: Supports | None = None
    made_of: Source | None = None

    @property
    def footprint(self) -> Footprint:
        """Footprint including brim and supports, without the start line."""
        foot, thickest = float(self.panel.thickness[-1].max()), float(self.panel.thickness.max())
        box = compute_footprint(self.panel.width, self.panel.height, foot, thickest, self.setup)
        return box.around(self.supports.reach if self.supports else None)

    @property
    def line(self) -> tuple[tuple[float, float], float]:
        """Start line for a panel that is printed alone."""
        return add_start_line(self.footprint, self.panel.width)[1]


@dataclass(frozen=True, slots=True)
class Places:
    """Positions of all panels on the platform.

    Attributes
    ----------
    order : tuple of int
        Numbers of the panels, in the order in which they are made one after another.
    placements : tuple of Placement
        Of each panel, in that order.
    block : Placement
        Of the whole group.
    line : ((u, u), n)
        Start line in the coordinates of the group, mm.
    steady : tuple of Steadiness or None
        Of each panel, in that order; None for bent panels.
    axes : AxisChoice or None
        Figures behind the choice of the axis.
    """

    order: tuple[int, ...]
    placements: tuple[Placement, ...]
    block: Placement
    line: tuple[tuple[float, float], float]
    steady: tuple[Steadiness | None, ...]
    axes: AxisChoice | None


def find_overhang(unplaced: UnplacedPanel) -> Overhang:
    """Find panel overhangs above the limit, taking the comb's support into account."""
    panel, supports = unplaced.panel, unplaced.supports
    bead = plan_beads(panel, unplaced.setup).spacing
    carries = None if supports is None else supports.carries
    return overhangs(panel.thickness, panel.pixel, unplaced.setup.standing.overhang, bead, carries)


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
    brim, bend = setup.standing.brim, bend_of(width, setup)
    u, back, front = (0.0, width), 0.0, thickest
    if bend is not None:
        p, q = face_points(bend, width, thickest)
        u, back, front = (float(p.min()), float(p.max())), float(q.min()), float(q.max())
    return Footprint(
        (u[0] - brim, u[1] + brim), (back - brim, max(front, front - thickest + foot + brim)), height
    )


def add_start_line(block: Footprint, width: float) -> tuple[Footprint, tuple[tuple[float, float], float]]:
    """Add a start line of at most `width` mm in front of a group; return the footprint and the line."""
    middle, half = (block.u[0] + block.u[1]) / 2, min(width, START_LINE) / 2
    at = block.n[1] + START_GAP
    return replace(block, n=(block.n[0], at + LINE_ROOM)), ((middle - half, middle + half), at)


def check_fit(width: float, height: float, setup: Setup) -> None:
    """Reject a panel that does not fit at any thickness, before the pixels are computed."""
    box, _ = add_start_line(compute_footprint(width, height, 0.0, 0.0, setup), width)
    if setup.form.bend and setup.standing.axis == "auto":
        return  # it may fit at an angle, which depends on its thickness
    place(box, setup.machine, setup.standing.axis)


def place_panels(panels: Sequence[UnplacedPanel], gap: float, in_turn: bool) -> Places:
    """Choose a position for every panel.

    Parameters
    ----------
    panels : sequence of Upright
        At least one; machine and axis are those of the first.
    gap : float
        Distance between neighbours, mm.
    in_turn : bool
        Each panel is finished before the next, so the head needs room beside finished panels.

    Raises
    ------
    PathgenError
        When they do not fit, with the missing length, the size that fits, or the number that fits.
    """
    setup = panels[0].setup
    walls = [None if p.setup.form.bend else FlatWall.of(p) for p in panels]
    if len(panels) > 1:
        return _stand_several(panels, walls, gap, in_turn)
    only, machine, axis = panels[0], setup.machine, setup.standing.axis
    box, line = add_start_line(only.footprint, only.panel.width)
    choice, wall = None, walls[0]
    if wall is None:
        spot = _place_bent(only, box, line)
    elif axis == "auto":
        times = printing_times(plan_beads(only.panel, setup), only.layers, setup, (0, 90))
        choice = score_axes(machine, box, {r: wall.sway(r) for r in (0, 90)}, setup.beads.spacing, times)
        spot = replace(place(box, machine, choice.axis), reason=choice.reason)
    else:
        spot = place(box, machine, axis)
    steady = wall.steadiness(spot.rotation) if wall else None
    return Places((0,), (spot,), spot, line, (steady,), choice)


@dataclass(frozen=True, slots=True)
class FlatWall:
    """Sections of a flat panel, and the mechanical conditions at each rotation."""

    sections: Sections
    carried: dict[float, Conditions]

    @classmethod
    def of(cls, unplaced: UnplacedPanel) -> FlatWall:
        """Compute the sections and mechanical conditions of a panel."""
        setup, panel = unplaced.setup, unplaced.panel
        machine, material, standing = setup.machine, setup.material, setup.standing
        # Wedges hold the panel up to their top.
        held = (standing.wedge_height or 2 * panel.height / 3) if standing.wedge_sites else 0.0
        # The limit of the sway is a share of the bead spacing, or the visible sway measured on this machine.
        measure = setup.beads.spacing if machine.sway_limit is None else machine.sway_limit / FRACTION
        plain = Conditions(material.modulus, material.density, support=held, spacing=measure)
        carried = {r: replace(plain, acceleration=carried_acceleration(machine, r)) for r in (0, 90)}
        return cls(
            measure_sections(panel.thickness, panel.pixel, panel.edge),
            {float(r): c for r, c in carried.items()},
        )

    def sway(self, rotation: float) -> float:
        """Return the sway at the top of the finished wall, mm."""
        top = compute_steadiness(self.sections, self.carried[rotation], self.sections.top[-1:])
        return float(top.sway[0])

    def steadiness(self, rotation: float) -> Steadiness:
        """Compute the wall's steadiness at every height."""
        heights = np.linspace(0.0, self.sections.top[-1], STATIONS + 1)[1:]
        return compute_steadiness(self.sections, self.carried[rotation], heights)


def _place_bent(only: UnplacedPanel, box: Footprint, line: tuple[tuple[float, float], float]) -> Placement:
    """Place a bent panel along an axis, or at an angle if neither axis fits."""
    standing, machine = only.setup.standing, only.setup.machine
    try:
        return place(box, machine, standing.axis)
    except PathgenError:
        if standing.axis != "auto":
            raise
        bend, panel = bend_of(only.panel.width, only.setup), only.panel
        assert bend is not None
        points = face_points(bend, panel.width, float(panel.thickness.max()), 181).T
        found = place_rotated(points, standing.brim, line, only.panel.height, machine)
        if found is None:
            raise
        return found


def _stand_several(
    panels: Sequence[UnplacedPanel], walls: Sequence[FlatWall | None], gap: float, in_turn: bool
) -> Places:
    # It loads networkx, which a single panel does not need.
    from pathgen.route.arrange import enclosing_footprint

    setup, machine = panels[0].setup, panels[0].setup.machine
    found = {}
    for axis in ("x", "y") if setup.standing.axis == "auto" else (setup.standing.axis,):
        rotation = 0 if axis == "x" else 90
        offsets = _packed([p.footprint for p in panels], rotation, setup, gap, in_turn)
        if offsets is not None:
            found[rotation] = offsets
    if not found:
        raise capacity_error(panels, len(panels), gap, in_turn)
    blocks = {
        r: add_start_line(enclosing_footprint([p.footprint for p in panels], offsets), panels[0].panel.width)
        for r, offsets in found.items()
    }
    choice = None
    if len(found) == 2:
        sway = {r: max((w.sway(r) for w in walls if w), default=0.0) for r in found}
        choice = score_axes(machine, {r: box for r, (box, _) in blocks.items()}, sway, setup.beads.spacing)
    rotation = choice.rotation if choice else next(iter(found))
    box, line = blocks[rotation]
    block = place(box, machine, ALONG[rotation].lower())
    if choice:
        block = replace(block, reason=choice.reason)
    elif setup.standing.axis == "auto":
        there, other = ("X", "Y") if rotation == 0 else ("Y", "X")
        block = replace(block, reason=f"along {there}, as not all panels fit along {other}")
    places = [block.moved(*offset) for offset in found[rotation]]
    order = _turns(panels, places) if in_turn else list(range(len(panels)))
    steady = [walls[i].steadiness(rotation) if walls[i] else None for i in order]  # type: ignore[union-attr]
    return Places(tuple(order), tuple(places[i] for i in order), block, line, tuple(steady), choice)


def _packed(
    boxes: Sequence[Footprint], rotation: int, setup: Setup, gap: float, in_turn: bool
) -> list[tuple[float, float]] | None:
    """Pack boxes at a rotation; return None if no packing avoids the keep-out zones and start line."""
    from pathgen.route.arrange import arrange_rows, enclosing_footprint, head_clearance

    machine, brim = setup.machine, setup.standing.brim
    gaps = (gap, gap)
    if in_turn:
        # The head may pass over a brim, but in front, walls or supports may reach as far as the brim.
        head = head_clearance(machine.head, max(box.height for box in boxes), rotation)
        gaps = (max(gap, head[0] - brim), max(gap, head[1]))
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    room = (high_x - low_x, high_y - low_y) if rotation == 0 else (high_y - low_y, high_x - low_x)
    offsets = arrange_rows(boxes, (room[0], room[1] - START_GAP - LINE_ROOM), gaps)
    if offsets is None:
        return None
    try:
        block, _ = add_start_line(enclosing_footprint(boxes, offsets), START_LINE)
        place(block, machine, ALONG[rotation].lower())
    except PathgenError:
        return None
    return offsets


def _turns(panels: Sequence[UnplacedPanel], places: Sequence[Placement]) -> list[int]:
    """Return an order in which the panels can be printed one after another."""
    from pathgen.route.arrange import Box, build_order

    setup = panels[0].setup
    if not setup.machine.head:
        what = f"the profile of {setup.machine.name} does not describe the head"
        hint = "add [[head]] tables to the profile to use in-turn"
        raise PathgenError(what, where="build", allowed="abreast", hint=hint)
    reached: list[Box] = []
    standing: list[Box] = []
    for unplaced, spot in zip(panels, places, strict=True):
        box, brim = unplaced.footprint, unplaced.setup.standing.brim
        for boxes, inset in ((reached, 0.0), (standing, brim)):
            u, n = np.array([box.u[0] + inset, box.u[1] - inset]), np.array([box.n[0] + inset, box.n[1]])
            x, y = spot.to_machine(u, n)
            boxes.append(((float(x.min()), float(x.max())), (float(y.min()), float(y.max()))))
    return build_order(reached, standing, [p.panel.height for p in panels], setup.machine.head)


def capacity_error(panels: Sequence[UnplacedPanel], asked: int, gap: float, in_turn: bool) -> PathgenError:
    """Return the error for too many panels; the message states how many fit.

    `asked` is the number of panels in the job; not all of them may be planned yet.
    """
    from pathgen.route.arrange import head_clearance

    setup = panels[0].setup
    boxes = [p.footprint for p in panels]
    axes = ("x", "y") if setup.standing.axis == "auto" else (setup.standing.axis,)
    for count in range(len(panels) - 1, 0, -1):
        if any(
            _packed(boxes[:count], 0 if axis == "x" else 90, setup, gap, in_turn) is not None for axis in axes
        ):
            break
    else:
        count = 0
    how = f"{gap:g} mm apart"
    if in_turn:
        room = head_clearance(setup.machine.head, max(box.height for box in boxes), 0)
        how += f", one after another with {room[0]:g} × {room[1]:g} mm of clearance for the head"
    return PathgenError(
        f"{asked} panels do not fit on {setup.machine.name}, {how}, brims included",
        where="copies" if len({p.source for p in panels}) == 1 else "panel",
        allowed=f"the first {count} panels" if count else "none; even the first panel does not fit",
        hint="use build = abreast, which needs no clearance for the head"
        if in_turn
        else "reduce the brim or the panel gap, or split the panels between two programs",
    )
