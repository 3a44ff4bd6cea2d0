"""Placement of panels on the platform: footprints, axes and positions.

A *footprint* is the box around a panel with its brim and supports, in the panel's plan coordinates (u, n).
The start line lies in front of all panels, on the viewer's side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pathgen.errors import PathgenError
from pathgen.motion.opening import START_LINE
from pathgen.panel.overhang import Overhang, overhangs
from pathgen.panel.steadiness import (
    FRACTION,
    Conditions,
    Sections,
    Steadiness,
    compute_steadiness,
    measure_sections,
)
from pathgen.plan.model import (
    LINE_ROOM,
    START_GAP,
    LayeredPanel,
    Span,
    add_start_line,
    compute_footprint,
    face_points,
)
from pathgen.plan.trial import printing_times
from pathgen.route import Footprint, Placement, place, place_rotated
from pathgen.route.axis import ALONG, AxisChoice, carried_acceleration, score_axes
from pathgen.route.placement import usable_area
from pathgen.settings import Setup

STATIONS = 200  # heights at which the sway is computed
MAX_PANELS = 1000  # per program; a platform takes some hundreds of the smallest
ROUNDING = 1e-6  # share of the platform


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
    line: tuple[Span, float]
    steady: tuple[Steadiness | None, ...]
    axes: AxisChoice | None


def find_overhang(unplaced: LayeredPanel) -> Overhang:
    """Find the overhangs above the limit that the comb does not support."""
    panel, setup = unplaced.panel, unplaced.setup
    carries = unplaced.supports.carries if unplaced.supports else None
    return overhangs(panel.thickness, panel.pixel, setup.standing.overhang, setup.beads.spacing, carries)


def check_fit(width: float, height: float, setup: Setup) -> None:
    """Reject a panel that does not fit at any thickness, before the pixels are computed."""
    box, _ = add_start_line(compute_footprint(width, height, 0.0, 0.0, setup), width)
    if setup.form.bend and setup.standing.axis == "auto":
        return  # it may fit at an angle, which depends on its thickness
    place(box, setup.machine, setup.standing.axis)


def place_panels(panels: Sequence[LayeredPanel], gap: float, in_turn: bool) -> Places:
    """Choose a position for every panel.

    Parameters
    ----------
    panels : sequence of LayeredPanel
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
        times = printing_times(only, (0, 90))
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
    carried: Mapping[int, Conditions]

    @classmethod
    def of(cls, unplaced: LayeredPanel) -> FlatWall:
        """Compute the sections and mechanical conditions of a panel."""
        setup, panel = unplaced.setup, unplaced.panel
        machine, material, standing = setup.machine, setup.material, setup.standing
        # Wedges hold the panel up to their top.
        held = standing.wedge_top(panel.height) if standing.wedge_sites else 0.0
        # The limit of the sway is a share of the bead spacing, or the visible sway measured on this machine.
        measure = setup.beads.spacing if machine.sway_limit is None else machine.sway_limit / FRACTION
        plain = Conditions(material.modulus, material.density, support=held, spacing=measure)
        carried = {r: replace(plain, acceleration=carried_acceleration(machine, r)) for r in (0, 90)}
        return cls(measure_sections(panel.thickness, panel.pixel, panel.edge), carried)

    def sway(self, rotation: int) -> float:
        """Return the sway at the top of the finished wall, mm."""
        top = compute_steadiness(self.sections, self.carried[rotation], self.sections.top[-1:])
        return float(top.sway[0])

    def steadiness(self, rotation: float) -> Steadiness:
        """Compute the wall's steadiness at every height."""
        heights = np.linspace(0.0, self.sections.top[-1], STATIONS + 1)[1:]
        return compute_steadiness(self.sections, self.carried[int(rotation)], heights)


def _place_bent(only: LayeredPanel, box: Footprint, line: tuple[Span, float]) -> Placement:
    """Place a bent panel along an axis, or at an angle if neither axis fits."""
    standing, machine = only.setup.standing, only.setup.machine
    try:
        return place(box, machine, standing.axis)
    except PathgenError:
        if standing.axis != "auto":
            raise
        bend, panel = only.bend, only.panel
        assert bend is not None
        points = face_points(bend, panel.width, float(panel.thickness.max()), 181).T
        found = place_rotated(points, standing.brim, line, only.panel.height, machine)
        if found is None:
            raise
        return found


def _stand_several(
    panels: Sequence[LayeredPanel], walls: Sequence[FlatWall | None], gap: float, in_turn: bool
) -> Places:
    # It loads networkx, which a single panel does not need.
    from pathgen.route.arrange import enclosing_footprint

    setup, machine = panels[0].setup, panels[0].setup.machine
    boxes = [p.footprint for p in panels]
    found = {}
    for rotation in _rotations(setup):
        offsets = _packed(boxes, rotation, setup, gap, in_turn)
        if offsets is not None:
            found[rotation] = offsets
    if not found:
        raise capacity_error(panels, len(panels), gap, in_turn)
    width = panels[0].panel.width
    blocks = {r: add_start_line(enclosing_footprint(boxes, found[r]), width) for r in found}
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


def _rotations(setup: Setup) -> tuple[int, ...]:
    """Return the rotations that the axis of a job allows."""
    return {"x": (0,), "y": (90,)}.get(setup.standing.axis, (0, 90))


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


def _turns(panels: Sequence[LayeredPanel], places: Sequence[Placement]) -> list[int]:
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


def capacity_error(panels: Sequence[LayeredPanel], asked: int, gap: float, in_turn: bool) -> PathgenError:
    """Return the error for too many panels; the message states how many fit.

    `asked` is the number of panels in the job; not all of them may be planned yet.
    """
    from pathgen.route.arrange import head_clearance

    setup = panels[0].setup
    boxes = [p.footprint for p in panels]

    def fit(count: int) -> bool:
        return any(_packed(boxes[:count], r, setup, gap, in_turn) is not None for r in _rotations(setup))

    count = next(filter(fit, range(len(panels) - 1, 0, -1)), 0)
    how = f"{gap:g} mm apart"
    if in_turn:
        room = head_clearance(setup.machine.head, max(box.height for box in boxes), 0)
        how += f", one after another with {room[0]:g} × {room[1]:g} mm of clearance for the head"
    return PathgenError(
        f"{asked} panels with their brims do not fit on {setup.machine.name}, {how}",
        where="copies" if len({p.source for p in panels}) == 1 else "panel",
        allowed=f"the first {count} panels" if count else "none; even the first panel does not fit",
        hint="use build = abreast, which needs no clearance for the head"
        if in_turn
        else "reduce the brim or the panel gap, or split the panels between two programs",
    )


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

    def take(self, panels: Sequence[LayeredPanel], copies: int) -> None:
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
