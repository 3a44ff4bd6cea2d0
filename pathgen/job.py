"""The pipeline: a picture goes in, a machine's program and what is known of it come out.

    picture ─► luminance ─► thickness ─► panel ─► layers ─► strokes ─► moves ─► program text

Panels are settled first (`plan`), then given their places, then written layer by layer (`write`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pathgen.atomic import atomic_output, refuse_same
from pathgen.gcode import ProgramWriter
from pathgen.gcode.pauses import pauses
from pathgen.motion import (
    Clock,
    Moves,
    MovesRecorder,
    Plan,
    Supply,
    Tally,
    banded,
    lead_filament,
    limit_feed,
    plan_speeds,
    tally,
)
from pathgen.planned import Part, Planned, Platform, Result
from pathgen.planning import plan, plan_several
from pathgen.sequence import CLEAR, Laid, blocks, program_layers
from pathgen.settings import Job, Machine, Material
from pathgen.source import Source
from pathgen.standing import Upright
from pathgen.summary import Extents, Walls, first_facts, last_facts, summarise

__all__ = ["Planned", "Platform", "Result", "make", "make_several", "plan", "plan_several", "write"]

Progress = Callable[[int, int], None]


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
        As `make` takes them. Their jobs agree in the keys of `pathgen.planning.SHARED`.
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
    sums, extents, supply, owed, done = Tally(), Extents(), Supply(setup.machine), 0.0, 0
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
        supply.take(speeds.time)
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
    still = pauses(writer.commands, setup.machine.dialect)
    time = Clock.of(
        sums, setup.machine, starving=supply.waited, dwelling=still.dwelling, homings=len(still.homed)
    )
    summary = summarise(platform, sums, time, extents, walls, writer.lines)
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
