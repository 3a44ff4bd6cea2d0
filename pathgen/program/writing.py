"""Writing: what is planned becomes the program's text, block by block, and what is known of it."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import UnsafeProgramError
from pathgen.files.stages import log_stage
from pathgen.gcode import ProgramWriter
from pathgen.gcode.comments import CAUTION
from pathgen.gcode.pauses import sum_pauses
from pathgen.motion import (
    Moves,
    MovesRecorder,
    SpeedPlan,
    Supply,
    Tally,
    TimeByCause,
    banded,
    lead_filament,
    limit_feed,
    plan_speeds,
    sum_moves,
)
from pathgen.plan.model import Part, Planned, Platform, Result
from pathgen.plan.placing import UnplacedPanel
from pathgen.program.sequence import Laid, blocks, program_layers, rest
from pathgen.program.summary import Extents, Walls, first_facts, last_facts, summarise
from pathgen.proof.checklist import Checklist, check_program
from pathgen.proof.safety import header_lines
from pathgen.settings import Machine

Progress = Callable[[int, int], None]


@log_stage(lambda result: f"wrote {result.tally.count.sum():,.0f} moves")
def write(
    planned: Planned | Platform,
    stream: BinaryIO,
    progress: Progress | None = None,
    recorder: MovesRecorder | None = None,
    notes: Sequence[str] = (),
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
    notes : sequence of str
        What the person should know besides what the plan says.

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
        caution=(CAUTION[0], *header_lines()),
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
        sums += sum_moves(moves, speeds, feed)
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
    still = sum_pauses(writer.commands, setup.machine.dialect)
    time = TimeByCause.of(
        sums, setup.machine, starving=supply.waited, dwelling=still.dwelling, homings=len(still.homed)
    )
    summary = summarise(platform, sums, time, extents, walls, writer.lines)
    own = summary["notes"]
    assert isinstance(own, list)
    summary["notes"] = [*notes, *own]
    writer.finish(last_facts(summary))
    return Result(platform, sums, summary, parts)


def prove(platform: Platform, stream: BinaryIO) -> Checklist:
    """Hold the checklist against what was written, before it gets its name.

    Parameters
    ----------
    platform : Platform
    stream : binary file
        As `pathgen.files.outputs.atomic_output` gives it, the program written to its end.

    Raises
    ------
    UnsafeProgramError
        For the first finding that speaks against running it: then there is no file.
    """
    stream.flush()
    os.stat(stream.name)  # somebody may have removed it: then that is the error, and not one of reading
    found = check_program(stream.name, platform.setup.machine, platform.setup.material)
    if found.errors:
        first, more = found.errors[0], found.places("error") - 1
        others = f", and {more} more" if more else ""
        raise UnsafeProgramError(
            f"the check of the program found an error: {first}{others}",
            where="check",
            hint=f"{first.rule.do}; nothing was written",
        )
    return found


def _alone(planned: Planned) -> Platform:
    """Set a panel that was planned with its place on a platform of its own."""
    box = UnplacedPanel(planned.setup, planned.panel, planned.layers, planned.source, [], planned.supports)
    return Platform((planned,), box.line, planned.placement)


def _keep(part: Part, laid: Laid) -> None:
    """Keep of a block what a preview shows of its panel."""
    part.counts[laid.first : laid.last] = laid.strokes.counts
    total = len(part.planned.layers)
    for layer in sorted({total * quarter // 4 for quarter in (1, 2, 3)}):
        if laid.first <= layer < laid.last:
            part.samples[layer] = laid.strokes.select(layer, layer + 1)


def _led(
    moves: Moves, feed: NDArray[np.float64], speeds: SpeedPlan, machine: Machine, owed: float
) -> tuple[Moves, NDArray[np.float64], SpeedPlan, float]:
    """Have filament lead its lag in a block, and plan anew: the lead may ask more of drive and hot end."""
    moves, owed = lead_filament(moves, speeds, machine, owed)
    feed = np.minimum(feed, limit_feed(moves, machine))
    return moves, feed, plan_speeds(moves, machine, feed), owed


def _placeholders(platform: Platform) -> dict[str, float]:
    """Give what start and finish blocks leave open: temperatures, and where the head rests at the end."""
    job, (park_x, park_y, clear) = platform.setup.job, rest(platform)
    assert job.nozzle_temperature is not None and job.platform_temperature is not None, "settle fills them in"
    return {
        "nozzle": job.nozzle_temperature,
        "platform": job.platform_temperature,
        "park_x": park_x,
        "park_y": park_y,
        "clear_z": clear,
    }
