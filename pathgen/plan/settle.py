"""Planning: everything about panels is settled up to their places on the platform; nothing is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen import optics
from pathgen.errors import PathgenError
from pathgen.files.stages import log_stage
from pathgen.layers import Layers, cut_layers
from pathgen.layers.adaptive import AdaptiveHeights, Terms, adapt_layers
from pathgen.layers.combs import SLENDER, CombPlan
from pathgen.layers.supports import Supports, bend_supports, plan_supports
from pathgen.layers.wedges import WedgePlan
from pathgen.motion import fastest_feed
from pathgen.motion.opening import START_LINE
from pathgen.panel import check_bend
from pathgen.panel.steadiness import Steadiness
from pathgen.picture import lightness
from pathgen.plan.capacity import Room
from pathgen.plan.model import Planned, Platform, bend_of, plan_beads, wedge_sites
from pathgen.plan.placing import (
    LINE_ROOM,
    START_GAP,
    FlatWall,
    UnplacedPanel,
    find_overhang,
    fits_at_all,
    place_panels,
)
from pathgen.plan.source import Given, Source, read_source, to_panel, turned
from pathgen.plan.trial import best_direction
from pathgen.route import Placement
from pathgen.route.axis import AxisChoice
from pathgen.route.placement import usable_area
from pathgen.route.zones import part_clearance, reserved_area
from pathgen.settings import Job, Machine, Material, Setup, settle

Progress = Callable[[int, int], None]

HIGHEST_OF_NOZZLE = 0.75  # of layers that choose their height; common practice

# What panels on one platform have in common: they share layers, heat, and the head.
SHARED = ("machine", "material", "layer", "first_layer", "first_feed", "nozzle_temperature", "band",
          "platform_temperature", "axis", "panel_gap", "build", "packing",
          "feed", "pace", "lead")  # fmt: skip


def plan(
    source: Source, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> Planned:
    """Settle everything about one panel up to its place on the platform; nothing is written.

    Parameters and errors are those of `make`; of copies it is the first.
    """
    return plan_several([(source, job or Job())], machine, material).panels[0]


@log_stage(lambda platform: f"planned {len(platform.panels)} panels")
def plan_several(
    panels: Sequence[tuple[Source, Job]],
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Platform:
    """Settle everything about some panels up to their places on the platform; nothing is written.

    Parameters and errors are those of `make_several`; progress is that of solving for a picture.
    """
    if not panels:
        raise PathgenError("no panels", where="panel", allowed="one or more")
    _agree([job for _, job in panels])
    first, asked = panels[0][1], sum(job.copies for _, job in panels)
    room = Room(asked, first.panel_gap, first.build == "in-turn" and asked > 1)
    uprights: list[UnplacedPanel] = []
    for source, job in panels:
        upright = _upright(source, job, machine, material, progress)
        uprights += [upright] * job.copies
        room.take(uprights, job.copies)
    _one_stack(uprights)
    job = uprights[0].setup.job
    places = place_panels(uprights, job.panel_gap, job.build == "in-turn" and len(uprights) > 1)
    planned = tuple(
        _planned(uprights[i], spot, steady, places.axes)
        for i, spot, steady in zip(places.order, places.placements, places.steady, strict=True)
    )
    return Platform(planned, places.line, places.block, job.build == "in-turn" and len(planned) > 1)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the middle of what a panel covers is to lie, machine mm, and how it is turned, degrees."""

    x: float
    y: float
    rotation: float = 0.0


def plan_placed(
    panels: Sequence[tuple[Source, Job, Spot]],
    machine: Machine | None = None,
    material: Material | None = None,
) -> Platform:
    """Settle everything about panels that have their places already, turned by any angle.

    Parameters
    ----------
    panels : sequence of (source, job, spot)
        Their jobs agree in the keys of `SHARED`; copies do not count.
    machine, material : optional
        As in `plan_several`.

    Raises
    ------
    PathgenError
        For anything refused: panels that overlap, or lie outside the free platform.
    """
    _agree([job for _, job, _ in panels])
    uprights = [_upright(source, job, machine, material, None) for source, job, _ in panels]
    _one_stack(uprights)
    machine = uprights[0].setup.machine
    placements, areas = [], []
    for upright, (_, _, spot) in zip(uprights, panels, strict=True):
        at, area = _put(upright, spot)
        placements.append(at)
        areas.append(area)
    _refuse_overlap(areas, machine)
    line, block = _line_beside(areas, machine)
    steady = [
        FlatWall.of(upright).steadiness(at.rotation) if at.rotation in (0, 90) else None
        for upright, at in zip(uprights, placements, strict=True)
    ]
    planned = (_planned(*each, None) for each in zip(uprights, placements, steady, strict=True))
    return Platform(tuple(planned), line, block)


def _put(upright: UnplacedPanel, spot: Spot) -> tuple[Placement, BaseGeometry]:
    """Put a panel with its middle at a spot; give its placement and what it covers."""
    box, turn = upright.covered, Placement(spot.rotation, 0.0, 0.0)
    x, y = turn.to_machine(np.array(sum(box.u) / 2), np.array(sum(box.n) / 2))
    why = f"turned {spot.rotation:g} degrees, as asked"
    at = Placement(spot.rotation, round(spot.x - float(x), 3), round(spot.y - float(y), 3), why)
    u, n = np.array([(u, n) for u in box.u for n in box.n]).T
    return at, shapely.MultiPoint(np.column_stack(at.to_machine(u, n))).convex_hull


def _refuse_overlap(areas: Sequence[BaseGeometry], machine: Machine) -> None:
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    platform = shapely.box(low_x, low_y, high_x, high_y).buffer(1e-6)
    zones = reserved_area(machine)
    for number, area in enumerate(areas, start=1):
        if not platform.covers(area) or area.intersects(zones):
            what = f"panel {number} does not lie on the free platform of {machine.name}"
            apart = f", {part_clearance(machine):.1f} mm from keep-out zones" if machine.keep_out else ""
            raise PathgenError(what, where="place", allowed=f"inside the margin{apart}")
        for other, earlier in enumerate(areas[: number - 1], start=1):
            if area.intersects(earlier):
                raise PathgenError(f"panels {other} and {number} overlap", where="place", allowed="apart")


def _line_beside(
    areas: Sequence[BaseGeometry], machine: Machine
) -> tuple[tuple[tuple[float, float], float], Placement]:
    """Find an edge of the platform where the start line has room; the line, and the frame it lies in."""
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    covered = shapely.union_all([*areas, reserved_area(machine)]).buffer(START_GAP - LINE_ROOM)
    half = START_LINE / 2
    for rotation, along, at in (
        (0, (low_x, high_x), low_y + LINE_ROOM),
        (0, (low_x, high_x), high_y - LINE_ROOM),
        (90, (low_y, high_y), low_x + LINE_ROOM),
        (90, (low_y, high_y), high_x - LINE_ROOM),
    ):
        for middle in (sum(along) / 2, along[0] + half, along[1] - half):
            span = (middle - half, middle + half)
            ends = [(u, at) if rotation == 0 else (at, u) for u in span]
            if not covered.intersects(shapely.LineString(ends)):
                x, y = (0.0, at) if rotation == 0 else (at, 0.0)
                return (span, 0.0), Placement(rotation, x, y, "each in a place of its own")
    raise PathgenError("no room for the start line beside the panels", where="place", allowed="a free edge")


def _agree(jobs: Sequence[Job]) -> None:
    """Refuse panels that cannot stand on one platform."""
    for number, job in enumerate(jobs[1:], start=2):
        for key in SHARED:
            one, other = getattr(jobs[0], key), getattr(job, key)
            if one != other:
                what = f"{key} is {other} for panel {number}, and {one} for the first"
                raise PathgenError(what, where="panel", allowed="the same for all panels of one platform")


def _one_stack(uprights: Sequence[UnplacedPanel]) -> None:
    """Refuse panels whose layers have heights of their own: on one platform they share them."""
    first = uprights[0].layers.top
    if all(len(p.layers) == len(first) and (p.layers.top == first).all() for p in uprights):
        return
    if any(p.setup.job.layer == "auto" for p in uprights):
        hint = "give layer a height, or make each picture a program"
        raise PathgenError("layer is auto for different pictures", where="layer", allowed="one", hint=hint)


def _upright(
    source: Source,
    job: Job,
    machine: Machine | None,
    material: Material | None,
    progress: Progress | None,
) -> UnplacedPanel:
    """Turn a source into a panel that only lacks its place."""
    settled = settle(job, machine, material)
    setup, notes = _respect_block_rate(settled)
    given = read_source(source, setup, settled.job.pixel)
    if setup.job.turn == "auto":
        upright, reason = _turned(given, setup, settled.job.pixel, progress)
        notes.append(reason)
    else:
        upright = _raised(given, setup, progress)
    if setup.job.wedges == "auto":
        upright, reason = _steadied(upright)
        notes.append(reason)
    return replace(upright, notes=[*notes, *upright.notes], made_of=source)


def _raised(given: Given, setup: Setup, progress: Progress | None) -> UnplacedPanel:
    """Make the panel of what was read and measured for this setup."""
    fits_at_all(given.width, given.height, setup)
    panel, notes = to_panel(given, setup, progress)
    bend = bend_of(panel.width, setup)
    if bend is not None:
        check_bend(bend, float(panel.thickness.max()))
    layers = cut_layers(panel, setup.layer, setup.job.first_layer)
    if setup.job.layer == "auto":
        chosen = adapt_layers(panel, _seen(panel.thickness, setup), _terms(setup))
        layers = chosen.layers
        notes.append(str(chosen))
    return UnplacedPanel(setup, panel, layers, given.name, notes, _supports(layers, setup))


def heights_of(planned: Planned, likes: Sequence[float]) -> AdaptiveHeights:
    """Prepare a panel's choice of layer heights."""
    setup = planned.setup
    return AdaptiveHeights(planned.panel, _seen(planned.panel.thickness, setup), _terms(setup), likes)


def _seen(thickness: NDArray[np.floating], setup: Setup) -> NDArray[np.float64]:
    """Lightness that a wall is seen with; 0 where there is none."""
    law = optics.law(setup.material.light)
    light = optics.backlit(thickness, law, setup.job.thinnest)
    return lightness(np.where(thickness > 0, np.minimum(light, 1.0), 0.0))


def _terms(setup: Setup) -> Terms:
    """Gather what layers of several heights are chosen by."""
    hot_end, job = setup.machine.hot_end, setup.job
    assert job.spacing_min is not None, "settle fills it in"
    # A bead narrower than π/4 of its height would stand taller than it is wide.
    highest = min(HIGHEST_OF_NOZZLE * hot_end.nozzle_diameter, 4 / np.pi * job.spacing_min)
    step = 1 / setup.machine.axes.z.steps_per_mm
    return Terms(setup.layer, job.first_layer, highest, step, setup.spacing, setup.feed, hot_end.melt_rate)


def _turned(given: Given, setup: Setup, pixel: float, progress: Progress | None) -> tuple[UnplacedPanel, str]:
    """Choose the edge the panel stands on, by the figures of each; what is refused is left out."""
    from pathgen.plan.turning import choose_turn  # loads scipy

    possible: dict[int, UnplacedPanel] = {}
    refused: list[PathgenError] = []
    for turn in (0, 90, 180, 270):
        try:
            asked = settle(msgspec.structs.replace(setup.job, turn=turn), setup.machine, setup.material)
            possible[turn] = _raised(turned(given, asked, pixel), asked, progress)
        except PathgenError as error:
            refused.append(error)
    if not possible:
        raise refused[0]
    choice = choose_turn(possible)
    return possible[choice.turn], choice.reason


def _steadied(upright: UnplacedPanel) -> tuple[UnplacedPanel, str]:
    """Give a panel the wedges it needs to be steady, up to the height it needs them."""
    setup = upright.setup
    bare = replace(upright, setup=_asking(setup, wedges=0))
    steady = place_panels([bare], setup.job.panel_gap, in_turn=False).steady[0]
    needed = steady.wedges_needed() if steady is not None else 0.0
    if needed == 0:
        return bare, "no wedges: it is steady without"
    height = min(float(np.ceil(needed)), float(upright.layers.top[-1]))
    held = _asking(setup, wedges=2, wedge_height=height)
    supports = _supports(upright.layers, held)
    return replace(
        upright, setup=held, supports=supports
    ), f"wedges up to {height:g} mm, where it would sway too far"


def _asking(setup: Setup, **changes: object) -> Setup:
    return Setup(msgspec.structs.replace(setup.job, **changes), setup.machine, setup.material)


def _planned(
    upright: UnplacedPanel, spot: Placement, steady: Steadiness | None, axes: AxisChoice | None
) -> Planned:
    """Settle what needs the place of a panel."""
    setup, panel, layers, supports = upright.setup, upright.panel, upright.layers, upright.supports
    notes = list(upright.notes)
    if (setup.job.fill, setup.job.direction) == ("raster", "auto"):
        direction, reason = best_direction(plan_beads(panel, setup), layers, spot, setup)
        setup = Setup(msgspec.structs.replace(setup.job, direction=direction), setup.machine, setup.material)
        notes.append(reason)
    if supports and supports.removal:
        notes.append(supports.removal)
    overhang = find_overhang(upright)
    return Planned(
        setup,
        panel,
        layers,
        spot,
        upright.source,
        tuple(notes),
        supports,
        steady,
        overhang,
        axes,
        upright.made_of,
    )


def _supports(layers: Layers, setup: Setup) -> Supports | None:
    """Plan wedges where the job wants them, and a comb where the outline needs it."""
    job = setup.job
    assert job.spacing is not None, "settle fills it in"
    plain = job.outline == "rectangle" and not job.corner
    bend = bend_of(layers.panel.width, setup)
    wedges = wedge_sites(job)
    if bend is not None and wedges:
        what, hint = f"wedges = {wedges} with bend = {job.bend:g}", "a bent panel stands by its shape"
        raise PathgenError(what, where="wedges", allowed="wedges on a flat panel", hint=hint)
    comb = None
    if not plain and job.comb != "none":
        comb = CombPlan(job.spacing, angle=setup.overhang, brim=job.brim)
        if bend is not None:  # bending brings what stands on the hollow side nearer together
            comb = replace(comb, gap=comb.gap / bend.minimum_stretch(layers.panel.height / SLENDER))
    wedge = None
    if wedges:
        height = job.wedge_height or 2 * layers.panel.height / 3
        wedge = WedgePlan(
            height,
            job.wedge_base,
            job.spacing,
            sites=wedges,
            gap=job.wedge_gap,
            brim=job.brim,
            at=job.wedge_at or (),
        )
    if wedge is None and comb is None:
        return None
    supports = plan_supports(layers, wedge, comb)
    return supports if bend is None else bend_supports(supports, bend)


def _respect_block_rate(setup: Setup) -> tuple[Setup, list[str]]:
    """Coarsen the pixel where the controller could not take the moves as fast as the feed makes them."""
    job, machine = setup.job, setup.machine
    feed = max(fastest_feed(job), job.first_feed)
    least = feed / machine.blocks_per_second
    if job.pixel >= least:
        return setup, []
    note = (
        f"pixel raised from {job.pixel:g} to {least:.3g} mm: at {feed:.4g} mm/s {machine.name} takes "
        f"{machine.blocks_per_second:g} moves a second"
    )
    coarser = msgspec.structs.replace(job, pixel=float(f"{least:.3g}"))
    return Setup(coarser, machine, setup.material), [note]
