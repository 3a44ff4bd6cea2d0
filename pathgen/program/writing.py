"""Writing of a planned program, block by block, with summary and safety check."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import BinaryIO

import numpy as np

from pathgen.errors import UnsafeProgramError
from pathgen.files.stages import log_stage
from pathgen.gcode import ProgramWriter
from pathgen.gcode.comments import CAUTION
from pathgen.gcode.pauses import sum_pauses
from pathgen.motion import (
    MovesRecorder,
    Supply,
    Tally,
    TimeByCause,
    banded,
    lead_filament,
    limit_feed,
    plan_speeds,
    sum_moves,
)
from pathgen.plan.model import Planned, Platform, add_start_line
from pathgen.program.facts import format_totals, list_header_facts
from pathgen.program.result import Part, Result
from pathgen.program.sequence import FilledLayers, blocks, program_layers, rest
from pathgen.program.summary import Extents, Walls, summarise
from pathgen.proof.checklist import Checklist, check_program
from pathgen.proof.header import Totals
from pathgen.proof.safety import header_lines

Progress = Callable[[int, int], None]


@log_stage(lambda result: f"wrote {result.tally.count.sum():,.0f} moves")
def write(
    planned: Planned | Platform,
    stream: BinaryIO,
    progress: Progress | None = None,
    recorder: MovesRecorder | None = None,
    notes: Sequence[str] = (),
) -> Result:
    """Write the program of a planned panel or platform.

    Parameters
    ----------
    planned : Planned or Platform
    stream : binary file
        Seekable, as totals are filled into the header at the end.
    progress : callable, optional
        Called with (layers done, layers in all).
    recorder : MovesRecorder, optional
        Receives every block of moves with its planned speeds.
    notes : sequence of str
        Notes for the person, before those of the plan.

    Returns
    -------
    Result
    """
    platform = planned if isinstance(planned, Platform) else _alone(planned)
    setup, layers = platform.setup, program_layers(platform)
    writer = ProgramWriter(stream, setup.machine, setup.material.fan)
    writer.begin(
        list_header_facts(platform),
        _placeholders(platform),
        layers.top,
        layers.height,
        nozzle=banded(setup, layers, "nozzle_temperature"),
        late=Totals.keys(),
        fan=banded(setup, layers, "fan"),
        caution=(CAUTION[0], *header_lines()),
    )
    sums, extents, supply, owed, done = Tally(), Extents(), Supply(setup.machine), 0.0, 0
    total = sum(len(p.layers) for p in platform.panels)
    walls = [Walls(p) for p in platform.panels]
    parts = [Part(p, np.zeros((len(p.layers), p.panel.thickness.shape[1]), np.int8)) for p in platform.panels]
    for block in blocks(platform):
        moves = block.moves
        feed = limit_feed(moves, setup.machine)
        speeds = plan_speeds(moves, setup.machine, feed)
        if setup.feeds.lead == "on":
            # The filament fed ahead of the lag must keep within the limits too.
            moves, owed = lead_filament(moves, speeds, setup.machine, owed)
            feed = np.minimum(feed, limit_feed(moves, setup.machine))
            speeds = plan_speeds(moves, setup.machine, feed)
        sums += sum_moves(moves, speeds, feed)
        supply.take(speeds.time)
        extents.take(moves)
        writer.write(moves, feed)
        if recorder:
            recorder.take(moves, feed, speeds)
        for filled in block.filled:
            walls[filled.number].take(filled.strokes)
            _sample(parts[filled.number], filled)
        done += block.layers
        if progress:
            progress(done, total)
    still = sum_pauses(writer.commands, setup.machine.dialect)
    time = TimeByCause.of(
        sums, setup.machine, starving=supply.waited, dwelling=still.dwelling, homings=len(still.homed)
    )
    summary = summarise(platform, sums, time, extents, walls, writer.lines, notes)
    writer.finish(format_totals(summary).lines())
    return Result(platform, sums, summary, parts)


def prove(platform: Platform, stream: BinaryIO) -> Checklist:
    """Check a program before its file gets its final name.

    Parameters
    ----------
    platform : Platform
    stream : binary file
        As `pathgen.files.outputs.atomic_output` opens it, with the complete program.

    Raises
    ------
    UnsafeProgramError
        For the first error that the check finds; then there is no file.
    """
    stream.flush()
    os.stat(stream.name)  # if the file was removed meanwhile, that is the error to report
    found = check_program(stream.name, platform.setup.machine, platform.setup.material)
    if found.errors:
        first, more = found.errors[0], found.places("error") - 1
        others = f", and {more} more" if more else ""
        what = f"the program is not safe to run: {first}{others}"
        raise UnsafeProgramError(what, where="check", hint=f"{first.rule.do}; no file was written")
    return found


def _alone(planned: Planned) -> Platform:
    """Return a platform that holds one planned panel."""
    _, line = add_start_line(planned.footprint, planned.panel.width)
    return Platform((planned,), line, planned.placement)


def _sample(part: Part, filled: FilledLayers) -> None:
    """Store the bead counts in a block, and the strokes for the preview."""
    part.counts[filled.first : filled.last] = filled.strokes.counts
    total = len(part.planned.layers)
    for layer in sorted({total * quarter // 4 for quarter in (1, 2, 3)}):
        if filled.first <= layer < filled.last:
            part.samples[layer] = filled.strokes.select(layer, layer + 1)


def _placeholders(platform: Platform) -> dict[str, float]:
    """Return the placeholder values for start and finish blocks: temperatures and park position."""
    heat = platform.setup.heat
    park = dict(zip(("park_x", "park_y", "clear_z"), rest(platform), strict=True))
    return {"nozzle": heat.nozzle_temperature, "platform": heat.platform_temperature, **park}
