"""The pipeline: a picture goes in, a machine's program and what is known of it come out.

    picture ─► luminance ─► thickness ─► panel ─► layers ─► strokes ─► moves ─► program text

Layers are planned and written in blocks, so memory does not grow with the panel's height.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.atomic import atomic_output, refuse_same
from pathgen.errors import PathgenError
from pathgen.gcode import ProgramWriter
from pathgen.layers import BeadPlan, Layers, Strokes, bend_strokes, brim_loops, cut, find_fill
from pathgen.layers.cradle import CradlePlan
from pathgen.layers.props import Props, between, plan_props
from pathgen.layers.strokes import merge
from pathgen.layers.wedges import WedgePlan
from pathgen.motion import (
    Heights,
    Kind,
    Moves,
    MovesRecorder,
    Plan,
    Tally,
    approach,
    assemble,
    concatenate,
    fastest_feed,
    lead_filament,
    limit_feed,
    plan_speeds,
    start_line,
    tally,
)
from pathgen.panel import Bend, Panel, check_bend
from pathgen.panel.overhang import Overhang, overhangs
from pathgen.panel.steadiness import Conditions, Steadiness, sections, steadiness
from pathgen.route import Footprint, Placement, order_strokes, place
from pathgen.route.axis import AxisChoice, carried_acceleration, score_axes
from pathgen.settings import Job, Machine, Material, Setup, settle
from pathgen.source import Source, read_source, to_panel
from pathgen.summary import Extents, Summary, Walls, first_facts, last_facts, summarise
from pathgen.trial import best_direction

Progress = Callable[[int, int], None]
Item = TypeVar("Item")
Done = TypeVar("Done")

CELLS_PER_BLOCK = 1 << 17  # columns × layers planned at once: enough to be quick, little enough for memory
STATIONS = 200  # heights at which the sway is known
CLEAR = 10.0  # mm that the head rises over the finished panel
START_GAP = 4.0  # mm between the start line and what stands nearest to it


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
    props : Props, optional
        Wedges that hold it while it grows.
    steady : Steadiness, optional
        How far it sways while it grows; None for a bent panel, which stands by its shape.
    leaning : Overhang, optional
        What leans out too far while it grows; None where nothing was judged.
    axes : AxisChoice, optional
        The figures behind the axis; None where it was asked for or the panel is bent.
    """

    setup: Setup
    panel: Panel
    layers: Layers
    placement: Placement
    source: str
    notes: tuple[str, ...] = ()
    props: Props | None = None
    steady: Steadiness | None = None
    leaning: Overhang | None = None
    axes: AxisChoice | None = None

    @property
    def bend(self) -> Bend | None:
        """How the panel is bent."""
        return bend_of(self.panel.width, self.setup)

    @property
    def beads(self) -> BeadPlan:
        """What the fill aims at."""
        return bead_plan(self.panel, self.setup)


@dataclass(slots=True)
class Result:
    """What came of a job.

    Attributes
    ----------
    planned : Planned
    tally : Tally
        Time, filament, lengths and counts by kind of move.
    summary : dict
        Flat, with units in its keys; what ``--summary`` writes.
    counts : (layers, columns) int8
        Beads side by side, row 0 the bottom layer.
    samples : dict of int to Strokes
        Strokes of a few layers, by layer number.
    """

    planned: Planned
    tally: Tally
    summary: Summary
    counts: NDArray[np.int8]
    samples: dict[int, Strokes] = field(default_factory=dict)


def make(
    source: Source,
    out: str | Path,
    job: Job | None = None,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Make the program of one panel.

    Parameters
    ----------
    source : path or (rows, cols) array
        A photograph, or thickness in mm (an array or a ``.npy`` file), row 0 at the top.
    out : path
        The program's file. It appears when it is complete, or not at all.
    job : Job, optional
        By default a panel 100 mm wide with everything else as a `Job` has it.
    machine, material : optional
        Records to use instead of the ones the job names.
    progress : callable, optional
        Called with (layers done, layers in all).

    Returns
    -------
    Result

    Raises
    ------
    PathgenError
        For anything refused; then there is no file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     result = make(np.full((40, 60), 1.6), f"{folder}/plate.gcode", Job(brim=2.0))
    >>> result.summary["layers"], result.summary["rotation_deg"]
    (99, 90)
    """
    refuse_same(out, [source] if isinstance(source, str | Path) else [])
    planned = plan(source, job, machine, material)
    with atomic_output(out) as stream:
        return write(planned, stream, progress)


def plan(
    source: Source, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> Planned:
    """Settle everything about a panel up to its place on the platform; nothing is written.

    Parameters and errors are those of `make`.
    """
    settled = settle(job or Job(), machine, material)
    setup, notes = _respect_block_rate(settled)
    given = read_source(source, setup, settled.job.pixel)
    # What cannot fit however thin it is should be refused before minutes are spent on its pixels.
    place(footprint(given.width, given.height, 0.0, 0.0, setup), setup.machine, setup.job.axis)
    panel, more = to_panel(given, setup)
    bend = bend_of(panel.width, setup)
    if bend is not None:
        check_bend(bend, float(panel.thickness.max()))
    layers = cut(panel, setup.job.layer, setup.job.first_layer)
    props = _props(layers, setup)
    covered = footprint(panel.width, panel.height, *_thicknesses(panel), setup)
    if props and props.reach:
        covered = covered.around(props.reach)
        covered = covered.around(((0.0, 0.0), (0.0, props.reach[1][1] + START_GAP + 1.0)))
    placement, steady, axes = _stand(panel, covered, setup)
    leaning = overhangs(panel.thickness, panel.pixel, setup.job.overhang, bead_plan(panel, setup).pitch)
    if (setup.job.fill, setup.job.direction) == ("raster", "auto"):
        direction, reason = best_direction(bead_plan(panel, setup), layers, placement, setup)
        setup = Setup(msgspec.structs.replace(setup.job, direction=direction), setup.machine, setup.material)
        more.append(reason)
    if props and props.removal:
        more.append(props.removal)
    return Planned(
        setup, panel, layers, placement, given.name, (*notes, *more), props, steady, leaning, axes
    )


def _props(layers: Layers, setup: Setup) -> Props | None:
    """Plan wedges where the job wants them, and a cradle where the outline needs it."""
    job = setup.job
    assert job.pitch is not None, "settle fills it in"
    plain = job.outline == "rectangle" and not job.corner
    if job.bend:
        if job.wedges:
            what, hint = f"wedges = {job.wedges} with bend = {job.bend:g}", "a bent panel stands by its shape"
            raise PathgenError(what, where="wedges", allowed="wedges on a flat panel", hint=hint)
        return None
    comb = None if plain or job.cradle == "none" else CradlePlan(job.pitch, angle=job.overhang, brim=job.brim)
    wedge = None
    if job.wedges:
        height = job.wedge_height or 2 * layers.panel.height / 3
        wedge = WedgePlan(
            height, job.wedge_base, job.pitch, sites=job.wedges, gap=job.wedge_gap, brim=job.brim
        )
    return plan_props(layers, wedge, comb) if wedge or comb else None


def _stand(
    panel: Panel, covered: Footprint, setup: Setup
) -> tuple[Placement, Steadiness | None, AxisChoice | None]:
    """Choose the axis by the score of both, and measure how the panel sways along it."""
    job, machine, material = setup.job, setup.machine, setup.material
    if job.bend:
        return place(covered, machine, job.axis), None, None
    wall = sections(panel.thickness, panel.pixel, panel.edge)
    assert job.pitch is not None, "settle fills it in"
    # Wedges hold the panel up to their top.
    held = (job.wedge_height or 2 * panel.height / 3) if job.wedges else 0.0
    plain = Conditions(material.modulus, material.density, support=held, pitch=job.pitch)
    carried = {r: replace(plain, acceleration=carried_acceleration(machine, r)) for r in (0, 90)}
    choice = None
    if job.axis == "auto":
        sway = {r: float(steadiness(wall, carried[r], wall.top[-1:]).sway[0]) for r in (0, 90)}
        choice = score_axes(machine, covered, sway, job.pitch)
        placement = replace(place(covered, machine, choice.axis), reason=choice.reason)
    else:
        placement = place(covered, machine, job.axis)
    heights = np.linspace(0.0, wall.top[-1], STATIONS + 1)[1:]
    return placement, steadiness(wall, carried[placement.rotation], heights), choice


def write(
    planned: Planned,
    stream: BinaryIO,
    progress: Progress | None = None,
    recorder: MovesRecorder | None = None,
) -> Result:
    """Write the program of a planned panel.

    Parameters
    ----------
    planned : Planned
    stream : binary file
        Seekable: facts known only at the end are filled into the header.
    progress : callable, optional
        Called with (layers done, layers in all).
    recorder : MovesRecorder, optional
        Is given every block of moves with its plan.

    Returns
    -------
    Result
    """
    setup, total = planned.setup, len(planned.layers)
    writer = ProgramWriter(stream, setup.machine, setup.material.fan)
    layers = planned.layers
    writer.begin(first_facts(planned), _placeholders(planned), layers.top, layers.height)
    sums, extents, walls = Tally(), Extents(), Walls(planned.panel)
    counts = np.zeros((total, planned.panel.thickness.shape[1]), np.int8)
    samples: dict[int, Strokes] = {}
    wanted = {total * quarter // 4 for quarter in (1, 2, 3)}
    owed = 0.0
    for moves, strokes, first, last in blocks(planned):
        feed = limit_feed(moves, setup.machine)
        speeds = plan_speeds(moves, setup.machine, feed)
        if setup.job.lead == "on":
            moves, feed, speeds, owed = _led(moves, feed, speeds, setup.machine, owed)
        sums += tally(moves, speeds, feed)
        extents.take(moves)
        walls.take(strokes)
        writer.write(moves, feed)
        if recorder:
            recorder.take(moves, feed, speeds)
        counts[first:last] = strokes.counts
        samples |= {i: strokes.only(i) for i in wanted if first <= i < last}
        if progress:
            progress(last, total)
    summary = summarise(planned, sums, extents, walls, writer.lines)
    writer.finish(last_facts(summary))
    return Result(planned, sums, summary, counts, samples)


def _led(
    moves: Moves, feed: NDArray[np.float64], speeds: Plan, machine: Machine, owed: float
) -> tuple[Moves, NDArray[np.float64], Plan, float]:
    """Have filament lead its lag in a block, and plan anew: the lead may ask more of drive and hot end."""
    moves, owed = lead_filament(moves, speeds, machine, owed)
    feed = np.minimum(feed, limit_feed(moves, machine))
    return moves, feed, plan_speeds(moves, machine, feed), owed


def blocks(planned: Planned) -> Iterator[tuple[Moves, Strokes, int, int]]:
    """Plan a panel's moves block after block.

    Yields
    ------
    moves : Moves
        In machine coordinates; the first block opens with the approach, the start line and the brim.
    strokes : Strokes
        The walls' strokes, in order.
    first, last : int
        The block holds layers ``first:last``.
    """
    setup, layers, placement = planned.setup, planned.layers, planned.placement
    fill = find_fill(setup.job.fill)
    heights = Heights(layers.top, layers.height)
    step = max(1, CELLS_PER_BLOCK // planned.panel.thickness.shape[1])
    spans = [(first, min(first + step, len(layers))) for first in range(0, len(layers), step)]
    opening = _opening(planned, heights)
    at = opening.end
    beads, bend = planned.beads, planned.bend

    def strokes_of(span: tuple[int, int]) -> Strokes:
        strokes = fill(layers.profiles(*span), beads)
        return strokes if bend is None else bend_strokes(strokes, bend)

    filled = _one_ahead(strokes_of, spans)
    props = planned.props
    for (first, last), strokes in zip(spans, filled, strict=True):
        here = placement.to_panel(np.array(at[0]), np.array(at[1]))
        strokes, _ = order_strokes(strokes, (float(here[0]), float(here[1])))
        laid, kinds = _with_props(strokes, props, first, last)
        moves = assemble(laid, kinds, heights, placement, setup, at)
        at = moves.end
        yield (concatenate([opening, moves]) if first == 0 else moves), strokes, first, last


def _one_ahead(function: Callable[[Item], Done], items: Sequence[Item]) -> Iterator[Done]:
    """Map in order, working on the next item in a thread while the caller is busy with this one.

    Filling and writing take about as long as each other, and neither holds the interpreter for much of it.
    """
    with ThreadPoolExecutor(1) as worker:
        ahead = [worker.submit(function, item) for item in items[:1]]
        for item in items[1:]:
            ahead.append(worker.submit(function, item))
            yield ahead.pop(0).result()
        for last in ahead:
            yield last.result()


def _with_props(
    walls: Strokes, props: Props | None, first: int, last: int
) -> tuple[Strokes, Kind | NDArray[np.uint8]]:
    """Put each layer's props after its walls: what touches the rim is laid against a wall that is there."""
    if props is None:
        return walls, Kind.WALL
    parts = [(walls, Kind.WALL)]
    for strokes, kind in ((props.strips, Kind.WEDGE), (props.tabs, Kind.WEDGE), (props.cradle, Kind.CRADLE)):
        parts.append((between(strokes, first, last), kind))
    layer = np.concatenate([part.layer for part, _ in parts])
    kinds = np.concatenate([np.full(len(part), kind, np.uint8) for part, kind in parts])
    return merge([part for part, _ in parts], walls.counts), kinds[np.argsort(layer, kind="stable")]


def bead_plan(panel: Panel, setup: Setup) -> BeadPlan:
    """Gather what a job asks of its fill."""
    asked = {
        name: getattr(setup.job, name) for name in BeadPlan.__dataclass_fields__ if hasattr(setup.job, name)
    }
    bend = bend_of(panel.width, setup)
    if bend is not None:
        asked |= {"longest": bend.longest_move(float(panel.thickness.max())), "ring": bend.closed}
    return BeadPlan(**asked)


def footprint(width: float, height: float, foot: float, thickest: float, setup: Setup) -> Footprint:
    """Measure what panel, brim and start line cover of the platform.

    Parameters
    ----------
    width, height : float
        Outer sides of the panel, mm.
    foot, thickest : float
        Largest thickness of the lowest row and of the whole panel, mm.
    setup : Setup
    """
    brim, bend = setup.job.brim, bend_of(width, setup)
    u, back = (0.0, width), 0.0
    if bend is not None:
        along = np.linspace(0.0, width, 721)
        faces = [bend.to_plan(along, n + 0 * along) for n in (0.0, thickest)]
        p, q = (np.concatenate([face[i] for face in faces]) for i in (0, 1))
        u, back = (float(p.min()), float(p.max())), float(q.min())
    line = start_line_at(width, foot, thickest, setup)
    return Footprint(u=(u[0] - brim, u[1] + brim), n=(back - brim, line + 1.0), height=height)


def start_line_at(width: float, foot: float, thickest: float, setup: Setup) -> float:
    """How far in front of the panel's back the start line lies, mm."""
    bend, front = bend_of(width, setup), thickest
    if bend is not None:
        along = np.linspace(0.0, width, 721)
        front = max(float(bend.to_plan(along, n + 0 * along)[1].max()) for n in (0.0, thickest))
    return max(front, front - thickest + foot + setup.job.brim) + START_GAP


def bend_of(width: float, setup: Setup) -> Bend | None:
    """Give the bend of a panel of that width; None where it is flat."""
    return Bend(width, setup.job.bend) if setup.job.bend else None


def _thicknesses(panel: Panel) -> tuple[float, float]:
    """Largest thickness of the foot and of the whole panel, mm."""
    return float(panel.thickness[-1].max()), float(panel.thickness.max())


def _placeholders(planned: Planned) -> dict[str, float]:
    """Give what start and finish blocks leave open: temperatures, and where the head rests at the end."""
    job, volume = planned.setup.job, planned.setup.machine.volume
    assert job.nozzle_temperature is not None and job.platform_temperature is not None, "settle fills them in"
    return {
        "nozzle": job.nozzle_temperature,
        "platform": job.platform_temperature,
        "park_x": volume.x[0],
        "park_y": volume.y[1],
        "clear_z": min(float(planned.layers.top[-1]) + CLEAR, volume.z[1]),
    }


def _opening(planned: Planned, heights: Heights) -> Moves:
    """Approach, start line and brim."""
    setup, panel, placement = planned.setup, planned.panel, planned.placement
    pitch = planned.beads.pitch
    line_at = start_line_at(panel.width, *_thicknesses(panel), setup)
    if planned.props and planned.props.reach:
        line_at = max(line_at, planned.props.reach[1][1] + START_GAP)
    line = start_line(panel.width, line_at, pitch)
    parts = [approach(line, placement, setup.machine)]
    parts.append(assemble(line, Kind.START, heights, placement, setup, parts[-1].end))
    loops = brim_loops(planned.layers.profiles(0, 1), setup.job.brim, pitch, planned.bend)
    parts.append(assemble(loops, Kind.BRIM, heights, placement, setup, parts[-1].end))
    return concatenate(parts)


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
