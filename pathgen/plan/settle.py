"""Planning: from sources and jobs to panels placed on the platform."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import msgspec
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.files.stages import log_stage
from pathgen.layers import Layers, cut_layers
from pathgen.layers.adaptive import AdaptiveHeights, Terms, adapt_layers
from pathgen.layers.combs import SLENDER, CombPlan
from pathgen.layers.supports import Supports, bend_supports, plan_supports
from pathgen.layers.wedges import WedgePlan
from pathgen.motion import fastest_feed
from pathgen.motion.opening import START_LINE
from pathgen.panel import Panel, check_bend
from pathgen.panel.steadiness import Steadiness
from pathgen.plan.model import LINE_ROOM, START_GAP, LayeredPanel, Planned, Platform, Span, bend_of
from pathgen.plan.placing import FlatWall, Room, check_fit, find_overhang, place_panels
from pathgen.plan.source import LoadedSource, Source, measure_again, read_source, to_panel
from pathgen.plan.toning import backlit_lightness
from pathgen.plan.trial import best_direction
from pathgen.route import Placement
from pathgen.route.axis import AxisChoice
from pathgen.route.placement import usable_area
from pathgen.route.zones import part_clearance, reserved_area
from pathgen.settings import Job, Machine, Material, Setup, settle

Progress = Callable[[int, int], None]

HIGHEST_OF_NOZZLE = 0.75  # maximum automatic layer height over nozzle diameter; common practice

# Keys that all panels on one platform share, as they share layers, heaters and the head.
SHARED = ("machine", "material", "layer", "first_layer", "first_feed", "nozzle_temperature", "band",
          "platform_temperature", "axis", "panel_gap", "build", "packing",
          "feed", "pace", "lead")  # fmt: skip


def plan_panel(
    source: Source, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> Planned:
    """Plan one panel and place it on the platform, without writing a program.

    Parameters and errors are those of `make`. Of several copies, the first is returned.
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
    """Plan several panels and place them on the platform, without writing a program.

    Parameters and errors are those of `make_several`; `progress` follows the solution for a picture.
    """
    if not panels:
        raise PathgenError("the list of panels is empty", where="panel", allowed="at least one panel")
    _check_agreement([job for _, job in panels])
    first, asked = panels[0][1], sum(job.copies for _, job in panels)
    room = Room(asked, first.panel_gap, first.build == "in-turn" and asked > 1)
    unplaced_panels: list[LayeredPanel] = []
    for source, job in panels:
        unplaced = _build_unplaced(source, job, machine, material, progress)
        unplaced_panels += [unplaced] * job.copies
        room.take(unplaced_panels, job.copies)
    _check_layers(unplaced_panels)
    several = unplaced_panels[0].setup.several
    in_turn = several.build == "in-turn" and len(unplaced_panels) > 1
    places = place_panels(unplaced_panels, several.panel_gap, in_turn)
    planned = tuple(
        _complete(unplaced_panels[i], spot, steady, places.axes)
        for i, spot, steady in zip(places.order, places.placements, places.steady, strict=True)
    )
    return Platform(planned, places.line, places.block, in_turn)


@dataclass(frozen=True, slots=True)
class Spot:
    """Position of the centre of a panel's footprint on the machine, mm, and its rotation, degrees."""

    x: float
    y: float
    rotation: float = 0.0


def plan_placed(
    panels: Sequence[tuple[Source, Job, Spot]],
    machine: Machine | None = None,
    material: Material | None = None,
) -> Platform:
    """Plan panels at fixed positions and rotations.

    Parameters
    ----------
    panels : sequence of (source, job, spot)
        Their jobs agree in the keys of `SHARED`; copies are ignored.
    machine, material : optional
        As in `plan_several`.

    Raises
    ------
    PathgenError
        For panels that overlap or lie outside the free platform, and as in `plan_several`.
    """
    _check_agreement([job for _, job, _ in panels])
    unplaced_panels = [_build_unplaced(source, job, machine, material, None) for source, job, _ in panels]
    _check_layers(unplaced_panels)
    machine = unplaced_panels[0].setup.machine
    placed = [_place_at(each, spot) for each, (_, _, spot) in zip(unplaced_panels, panels, strict=True)]
    areas = [area for _, area in placed]
    _reject_overlap(areas, machine)
    line, block = _line_beside(areas, machine)
    planned = []
    for unplaced, (at, _) in zip(unplaced_panels, placed, strict=True):
        steady = FlatWall.of(unplaced).steadiness(at.rotation) if at.rotation in (0, 90) else None
        planned.append(_complete(unplaced, at, steady, None))
    return Platform(tuple(planned), line, block)


def _place_at(unplaced: LayeredPanel, spot: Spot) -> tuple[Placement, BaseGeometry]:
    """Place a panel centred on a spot; return the placement and the footprint."""
    box, turn = unplaced.footprint, Placement(spot.rotation, 0.0, 0.0)
    x, y = turn.to_machine(np.array(sum(box.u) / 2), np.array(sum(box.n) / 2))
    why = f"turned {spot.rotation:g} degrees, as requested"
    at = Placement(spot.rotation, round(spot.x - float(x), 3), round(spot.y - float(y), 3), why)
    u, n = np.array([(u, n) for u in box.u for n in box.n]).T
    return at, shapely.MultiPoint(np.column_stack(at.to_machine(u, n))).convex_hull


def _reject_overlap(areas: Sequence[BaseGeometry], machine: Machine) -> None:
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    platform = shapely.box(low_x, low_y, high_x, high_y).buffer(1e-6)
    zones = reserved_area(machine)
    for number, area in enumerate(areas, start=1):
        if not platform.covers(area) or area.intersects(zones):
            what = f"panel {number} does not lie within the free area of the {machine.name} platform"
            apart = f" and {part_clearance(machine):.1f} mm from keep-out zones" if machine.keep_out else ""
            raise PathgenError(what, where="place", allowed=f"a position inside the margin{apart}")
        for other, earlier in enumerate(areas[: number - 1], start=1):
            if area.intersects(earlier):
                what = f"panels {other} and {number} overlap"
                raise PathgenError(what, where="place", hint="move them apart")


def _line_beside(areas: Sequence[BaseGeometry], machine: Machine) -> tuple[tuple[Span, float], Placement]:
    """Find a platform edge with space for the start line; return the line and the placement."""
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
                return (span, 0.0), Placement(rotation, x, y, "at fixed places")
    allowed = "positions that leave one platform edge free"
    raise PathgenError(
        "there is no room for the start line beside the panels", where="place", allowed=allowed
    )


def _check_agreement(jobs: Sequence[Job]) -> None:
    """Reject panels that cannot share a platform."""
    for number, job in enumerate(jobs[1:], start=2):
        for key in SHARED:
            one, other = getattr(jobs[0], key), getattr(job, key)
            if one != other:
                what = f"{key} is {other} for panel {number} but {one} for panel 1"
                raise PathgenError(what, where="panel", allowed="the same value for all panels of a program")


def _check_layers(unplaced_panels: Sequence[LayeredPanel]) -> None:
    """Reject panels with different layer heights, because one platform has common layers."""
    first = unplaced_panels[0].layers.top
    if all(len(p.layers) == len(first) and (p.layers.top == first).all() for p in unplaced_panels):
        return
    if any(p.setup.layers.layer == "auto" for p in unplaced_panels):
        hint = "set a layer height, or make a separate program for each picture"
        what = "layer is auto, but the pictures differ"
        raise PathgenError(
            what, where="layer", allowed="auto only if all panels show the same picture", hint=hint
        )


def _build_unplaced(
    source: Source, job: Job, machine: Machine | None, material: Material | None, progress: Progress | None
) -> LayeredPanel:
    """Turn a source into a panel that is not yet placed."""
    settled = settle(job, machine, material)
    setup, notes = _respect_block_rate(settled)
    pixel = settled.light.pixel
    loaded = read_source(source, setup, pixel)
    if setup.standing.turn == "auto":
        from pathgen.plan.turning import choose_turn  # loads scipy

        def build(turn: int) -> LayeredPanel:
            trial = settle(msgspec.structs.replace(setup.job, turn=turn), setup.machine, setup.material)
            return _build_panel(measure_again(loaded, trial, pixel), trial, progress)

        unplaced, choice = choose_turn(build)
        notes.append(choice.reason)
    else:
        unplaced = _build_panel(loaded, setup, progress)
    if setup.standing.wedges == "auto":
        unplaced, reason = _add_wedges(unplaced)
        notes.append(reason)
    return replace(unplaced, notes=(*notes, *unplaced.notes), made_of=source)


def _build_panel(loaded: LoadedSource, setup: Setup, progress: Progress | None) -> LayeredPanel:
    """Build the panel and layers from a source measured for this setup."""
    check_fit(loaded.width, loaded.height, setup)
    panel, notes = to_panel(loaded, setup, progress)
    bend = bend_of(panel.width, setup)
    if bend is not None:
        check_bend(bend, float(panel.thickness.max()))
    layers = cut_layers(panel, setup.layers.nominal, setup.layers.first_layer)
    if setup.layers.layer == "auto":
        chosen = adapt_layers(panel, _wall_lightness(panel, setup), _terms(setup))
        layers = chosen.layers
        notes.append(str(chosen))
    return LayeredPanel(setup, panel, layers, loaded.name, tuple(notes), _plan_supports(layers, setup))


def heights_of(planned: Planned, likes: Sequence[float]) -> AdaptiveHeights:
    """Prepare the choice of layer heights for a panel."""
    setup, panel = planned.setup, planned.panel
    return AdaptiveHeights(panel, _wall_lightness(panel, setup), _terms(setup), likes)


def _wall_lightness(panel: Panel, setup: Setup) -> NDArray[np.float64]:
    """Return the lightness of a backlit panel; 0 outside the wall."""
    return np.where(panel.thickness > 0, backlit_lightness(panel.thickness, setup), 0.0)


def _terms(setup: Setup) -> Terms:
    """Collect the limits for the choice of layer heights."""
    hot_end, layers, beads = setup.machine.hot_end, setup.layers, setup.beads
    # A bead narrower than π/4 of its height would be taller than it is wide.
    highest = min(HIGHEST_OF_NOZZLE * hot_end.nozzle_diameter, 4 / np.pi * beads.spacing_min)
    step = 1 / setup.machine.axes.z.steps_per_mm
    feed, melt_rate = setup.feeds.feed, hot_end.melt_rate
    return Terms(layers.nominal, layers.first_layer, highest, step, beads.spacing, feed, melt_rate)


def _add_wedges(unplaced: LayeredPanel) -> tuple[LayeredPanel, str]:
    """Add wedges of the smallest sufficient height to a panel that sways too much."""
    setup = unplaced.setup
    bare = replace(unplaced, setup=setup.changed(wedges=0))
    steady = place_panels([bare], setup.several.panel_gap, in_turn=False).steady[0]
    needed = steady.wedges_needed() if steady is not None else 0.0
    if needed == 0:
        return bare, "no wedges added: the panel is steady without wedges"
    height = min(float(np.ceil(needed)), float(unplaced.layers.top[-1]))
    held = setup.changed(wedges=2, wedge_height=height)
    supports = _plan_supports(unplaced.layers, held)
    note = f"wedges added up to {height:g} mm, where the sway would otherwise exceed the limit"
    return replace(unplaced, setup=held, supports=supports), note


def _complete(
    unplaced: LayeredPanel, spot: Placement, steady: Steadiness | None, axes: AxisChoice | None
) -> Planned:
    """Complete the plan of a placed panel."""
    setup, supports, notes = unplaced.setup, unplaced.supports, unplaced.notes
    if (setup.beads.fill, setup.beads.direction) == ("raster", "auto"):
        direction, reason = best_direction(unplaced.beads, unplaced.layers, spot, setup)
        setup, notes = setup.changed(direction=direction), (*notes, reason)
    if supports and supports.removal:
        notes = (*notes, supports.removal)
    kept = {field.name: getattr(unplaced, field.name) for field in fields(unplaced)}
    kept |= {"setup": setup, "notes": notes, "overhang": find_overhang(unplaced)}
    return Planned(**kept, placement=spot, steady=steady, axes=axes)


def _plan_supports(layers: Layers, setup: Setup) -> Supports | None:
    """Plan the requested wedges, and a comb if the outline needs support."""
    standing, form, spacing = setup.standing, setup.form, setup.beads.spacing
    bend, sites = bend_of(layers.panel.width, setup), standing.wedge_sites
    if bend is not None and sites:
        what = f"wedges is {sites}, but bend is {form.bend:g}"
        hint = "wedges fit only a flat panel; a bent panel is stiff without them"
        raise PathgenError(what, where="wedges", allowed="0 wedges on a bent panel", hint=hint)
    comb = wedge = None
    if (form.outline != "rectangle" or form.corner) and standing.comb != "none":
        comb = CombPlan(spacing, angle=standing.overhang, brim=standing.brim)
        if bend is not None:  # bending moves the teeth on the hollow side closer together
            comb = replace(comb, gap=comb.gap / bend.minimum_stretch(layers.panel.height / SLENDER))
    if sites:
        height, at = standing.wedge_top(layers.panel.height), standing.wedge_at or ()
        gap, brim = standing.wedge_gap, standing.brim
        wedge = WedgePlan(height, standing.wedge_base, spacing, sites=sites, gap=gap, brim=brim, at=at)
    if wedge is None and comb is None:
        return None
    supports = plan_supports(layers, wedge, comb)
    return supports if bend is None else bend_supports(supports, bend)


def _respect_block_rate(setup: Setup) -> tuple[Setup, list[str]]:
    """Increase the pixel size if moves at this feed would exceed the controller's block rate."""
    pixel, machine = setup.light.pixel, setup.machine
    feed = max(fastest_feed(setup), setup.feeds.first_feed)
    finest = feed / machine.blocks_per_second
    if pixel >= finest:
        return setup, []
    note = (
        f"pixel increased from {pixel:g} to {finest:.3g} mm: at a feed of {feed:.4g} mm/s, {machine.name} "
        f"would need more than its limit of {machine.blocks_per_second:g} moves per second"
    )
    return setup.changed(pixel=float(f"{finest:.3g}")), [note]
