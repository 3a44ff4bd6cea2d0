"""The pipeline: a picture goes in, a machine's program and what is known of it come out.

    picture ─► luminance ─► thickness ─► panel ─► layers ─► strokes ─► moves ─► program text

Panels are settled first (`plan`), then given their places, then written layer by layer (`write`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.atomic import atomic_output, refuse_same
from pathgen.errors import PathgenError
from pathgen.gcode import ProgramWriter
from pathgen.layers import Layers, cut
from pathgen.layers.cradle import SLENDER, CradlePlan
from pathgen.layers.props import Props, bent_props, plan_props
from pathgen.layers.wedges import WedgePlan
from pathgen.motion import (
    Moves,
    MovesRecorder,
    Plan,
    Tally,
    banded,
    fastest_feed,
    lead_filament,
    limit_feed,
    plan_speeds,
    tally,
)
from pathgen.panel import check_bend
from pathgen.panel.steadiness import Steadiness
from pathgen.planned import Part, Planned, Platform, Result, bead_plan, bend_of, wedge_sites
from pathgen.route import Placement
from pathgen.route.axis import AxisChoice
from pathgen.sequence import CLEAR, Laid, blocks, program_layers
from pathgen.settings import Job, Machine, Material, Setup, settle
from pathgen.source import Given, Source, read_source, to_panel, turned
from pathgen.standing import Upright, fits_at_all, leaning_of, stand
from pathgen.summary import Extents, Walls, first_facts, last_facts, summarise
from pathgen.trial import best_direction

__all__ = ["Planned", "Platform", "Result", "make", "make_several", "plan", "plan_several", "write"]

Progress = Callable[[int, int], None]

# What panels on one platform have in common: they share layers, heat, and the head.
SHARED = ("machine", "material", "layer", "first_layer", "first_feed", "nozzle_temperature", "band",
          "platform_temperature", "axis", "spacing", "build", "solidity", "feed", "pace", "lead")  # fmt: skip


def make(
    source: Source,
    out: str | Path,
    job: Job | None = None,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Make the program of one panel, or of some copies of it.

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
    return make_several([(source, job or Job())], out, machine, material, progress=progress)


def make_several(
    panels: Sequence[tuple[Source, Job]],
    out: str | Path,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Make one program of several panels.

    Parameters
    ----------
    panels : sequence of (source, job)
        As `make` takes them. Their jobs agree in the keys of `SHARED`.
    out, machine, material, progress
        As in `make`.

    Raises
    ------
    PathgenError
        For anything refused; then there is no file.
    """
    refuse_same(out, [source for source, _ in panels if isinstance(source, str | Path)])
    platform = plan_several(panels, machine, material)
    with atomic_output(out) as stream:
        return write(platform, stream, progress)


def plan(
    source: Source, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> Planned:
    """Settle everything about one panel up to its place on the platform; nothing is written.

    Parameters and errors are those of `make`; of copies it is the first.
    """
    return plan_several([(source, job or Job())], machine, material).panels[0]


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
    uprights = []
    for source, job in panels:
        upright = _upright(source, job, machine, material, progress)
        uprights += [upright] * upright.setup.job.copies
    job = uprights[0].setup.job
    places = stand(uprights, job.spacing, job.build == "in-turn" and len(uprights) > 1)
    planned = tuple(
        _planned(uprights[i], spot, steady, places.axes)
        for i, spot, steady in zip(places.order, places.placements, places.steady, strict=True)
    )
    return Platform(planned, places.line, places.block, job.build == "in-turn" and len(planned) > 1)


def _agree(jobs: Sequence[Job]) -> None:
    """Refuse panels that cannot stand on one platform."""
    for number, job in enumerate(jobs[1:], start=2):
        for key in SHARED:
            one, other = getattr(jobs[0], key), getattr(job, key)
            if one != other:
                what = f"{key} is {other} for panel {number}, and {one} for the first"
                raise PathgenError(what, where="panel", allowed="the same for all panels of one platform")


def _upright(
    source: Source,
    job: Job,
    machine: Machine | None,
    material: Material | None,
    progress: Progress | None,
) -> Upright:
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
    return replace(upright, notes=[*notes, *upright.notes])


def _raised(given: Given, setup: Setup, progress: Progress | None) -> Upright:
    """Make the panel of what was read and measured for this setup."""
    fits_at_all(given.width, given.height, setup)
    panel, notes = to_panel(given, setup, progress)
    bend = bend_of(panel.width, setup)
    if bend is not None:
        check_bend(bend, float(panel.thickness.max()))
    layers = cut(panel, setup.job.layer, setup.job.first_layer)
    return Upright(setup, panel, layers, given.name, notes, _props(layers, setup))


def _turned(given: Given, setup: Setup, pixel: float, progress: Progress | None) -> tuple[Upright, str]:
    """Choose the edge the panel stands on, by the figures of each; what is refused is left out."""
    from pathgen.turning import choose_turn  # loads scipy

    possible: dict[int, Upright] = {}
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


def _steadied(upright: Upright) -> tuple[Upright, str]:
    """Give a panel the wedges it needs to be steady, up to the height it needs them."""
    setup = upright.setup
    bare = replace(upright, setup=_asking(setup, wedges=0))
    steady = stand([bare], setup.job.spacing, in_turn=False).steady[0]
    needed = steady.wedges_needed() if steady is not None else 0.0
    if needed == 0:
        return bare, "no wedges: it is steady without"
    height = min(float(np.ceil(needed)), float(upright.layers.top[-1]))
    held = _asking(setup, wedges=2, wedge_height=height)
    props = _props(upright.layers, held)
    return replace(
        upright, setup=held, props=props
    ), f"wedges up to {height:g} mm, where it would sway too far"


def _asking(setup: Setup, **changes: object) -> Setup:
    return Setup(msgspec.structs.replace(setup.job, **changes), setup.machine, setup.material)


def _planned(
    upright: Upright, spot: Placement, steady: Steadiness | None, axes: AxisChoice | None
) -> Planned:
    """Settle what needs the place of a panel."""
    setup, panel, layers, props = upright.setup, upright.panel, upright.layers, upright.props
    notes = list(upright.notes)
    if (setup.job.fill, setup.job.direction) == ("raster", "auto"):
        direction, reason = best_direction(bead_plan(panel, setup), layers, spot, setup)
        setup = Setup(msgspec.structs.replace(setup.job, direction=direction), setup.machine, setup.material)
        notes.append(reason)
    if props and props.removal:
        notes.append(props.removal)
    leaning = leaning_of(upright)
    return Planned(setup, panel, layers, spot, upright.source, tuple(notes), props, steady, leaning, axes)


def _props(layers: Layers, setup: Setup) -> Props | None:
    """Plan wedges where the job wants them, and a cradle where the outline needs it."""
    job = setup.job
    assert job.pitch is not None, "settle fills it in"
    plain = job.outline == "rectangle" and not job.corner
    bend = bend_of(layers.panel.width, setup)
    wedges = wedge_sites(job)
    if bend is not None and wedges:
        what, hint = f"wedges = {wedges} with bend = {job.bend:g}", "a bent panel stands by its shape"
        raise PathgenError(what, where="wedges", allowed="wedges on a flat panel", hint=hint)
    comb = None
    if not plain and job.cradle != "none":
        comb = CradlePlan(job.pitch, angle=setup.overhang, brim=job.brim)
        if bend is not None:  # bending brings what stands on the hollow side nearer together
            comb = replace(comb, gap=comb.gap / bend.least_stretch(layers.panel.height / SLENDER))
    wedge = None
    if wedges:
        height = job.wedge_height or 2 * layers.panel.height / 3
        wedge = WedgePlan(
            height,
            job.wedge_base,
            job.pitch,
            sites=wedges,
            gap=job.wedge_gap,
            brim=job.brim,
            at=job.wedge_at or (),
        )
    if wedge is None and comb is None:
        return None
    props = plan_props(layers, wedge, comb)
    return props if bend is None else bent_props(props, bend)


def write(
    planned: Planned | Platform,
    stream: BinaryIO,
    progress: Progress | None = None,
    recorder: MovesRecorder | None = None,
) -> Result:
    """Write the program of what is planned.

    Parameters
    ----------
    planned : Planned or Platform
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
    platform = _alone(planned) if isinstance(planned, Planned) else planned
    setup, layers = platform.setup, program_layers(platform)
    writer = ProgramWriter(stream, setup.machine, setup.material.fan)
    writer.begin(
        first_facts(platform),
        _placeholders(platform),
        layers.top,
        layers.height,
        nozzle=banded(setup, layers, "nozzle_temperature"),
        fan=banded(setup, layers, "fan"),
    )
    sums, extents, owed, done = Tally(), Extents(), 0.0, 0
    total = sum(len(p.layers) for p in platform.panels)
    walls = [Walls(p.panel, p.bend) for p in platform.panels]
    parts = [Part(p, np.zeros((len(p.layers), p.panel.thickness.shape[1]), np.int8)) for p in platform.panels]
    for block in blocks(platform):
        moves = block.moves
        feed = limit_feed(moves, setup.machine)
        speeds = plan_speeds(moves, setup.machine, feed)
        if setup.job.lead == "on":
            moves, feed, speeds, owed = _led(moves, feed, speeds, setup.machine, owed)
        sums += tally(moves, speeds, feed)
        extents.take(moves)
        writer.write(moves, feed)
        if recorder:
            recorder.take(moves, feed, speeds)
        for laid in block.laid:
            walls[laid.number].take(laid.strokes)
            _keep(parts[laid.number], laid)
        done += block.layers
        if progress:
            progress(done, total)
    summary = summarise(platform, sums, extents, walls, writer.lines)
    writer.finish(last_facts(summary))
    return Result(platform, sums, summary, parts)


def _alone(planned: Planned) -> Platform:
    """Set a panel that was planned with its place on a platform of its own."""
    box = Upright(planned.setup, planned.panel, planned.layers, planned.source, [], planned.props)
    return Platform((planned,), box.line, planned.placement)


def _keep(part: Part, laid: Laid) -> None:
    """Keep of a block what a preview shows of its panel."""
    part.counts[laid.first : laid.last] = laid.strokes.counts
    total = len(part.planned.layers)
    for layer in sorted({total * quarter // 4 for quarter in (1, 2, 3)}):
        if laid.first <= layer < laid.last:
            part.samples[layer] = laid.strokes.only(layer)


def _led(
    moves: Moves, feed: NDArray[np.float64], speeds: Plan, machine: Machine, owed: float
) -> tuple[Moves, NDArray[np.float64], Plan, float]:
    """Have filament lead its lag in a block, and plan anew: the lead may ask more of drive and hot end."""
    moves, owed = lead_filament(moves, speeds, machine, owed)
    feed = np.minimum(feed, limit_feed(moves, machine))
    return moves, feed, plan_speeds(moves, machine, feed), owed


def _placeholders(platform: Platform) -> dict[str, float]:
    """Give what start and finish blocks leave open: temperatures, and where the head rests at the end."""
    job, volume = platform.setup.job, platform.setup.machine.volume
    assert job.nozzle_temperature is not None and job.platform_temperature is not None, "settle fills them in"
    return {
        "nozzle": job.nozzle_temperature,
        "platform": job.platform_temperature,
        "park_x": volume.x[0],
        "park_y": volume.y[1],
        "clear_z": min(float(platform.tallest.layers.top[-1]) + CLEAR, volume.z[1]),
    }


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
