"""`pathgen panel`: a picture becomes a program."""

from __future__ import annotations

import json
from contextlib import ExitStack, nullcontext
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import click
import numpy as np

from pathgen.cli.option_groups import Sectioned
from pathgen.cli.options import job_options
from pathgen.cli.output import say
from pathgen.cli.progress import progress_bar
from pathgen.errors import PathgenError, printable
from pathgen.files.outputs import atomic_outputs, refuse_same
from pathgen.job import Platform, Result, plan_several, write
from pathgen.motion import MovesRecorder
from pathgen.program.sequence import program_layers
from pathgen.program.summary import closing_lines
from pathgen.program.within import settled
from pathgen.program.writing import checked_line, prove
from pathgen.settings import Entry, Job, job_from, load_panels

FILE = click.Path(path_type=Path)


@click.command("panel", cls=Sectioned)
@click.argument("picture", type=FILE, required=False)
@click.option("--out", type=FILE, required=True, help="The program to write.")
@click.option("--job", "job_file", type=FILE, help="Job file (TOML); options given here win over it.")
@click.option("--summary", type=FILE, help="Write what is known of the print as one flat JSON object.")
@click.option(
    "--preview",
    type=FILE,
    help="Write a PNG: thickness, wanted picture, beads, what keeps it standing, sample layers.",
)
@click.option(
    "--thickness", type=FILE, help="Write the panel's thickness map in mm as .npy, row 0 at the top."
)
@click.option("--report", type=FILE, help="Write a page (HTML) that tells all, from the program's text.")
@click.option("--moves", type=FILE, help="Write the whole toolpath as named columns, .npz (see the README).")
@job_options
def panel_command(
    picture: Path | None,
    out: Path,
    job_file: Path | None,
    summary: Path | None,
    preview: Path | None,
    thickness: Path | None,
    report: Path | None,
    moves: Path | None,
    **options: Any,
) -> None:
    """Turn PICTURE into the program of an upright panel.

    PICTURE is a photograph (PNG, JPEG, WebP, TIFF), or a .npy array of thickness in mm, row 0 at the top. A
    job file with [[panel]] tables makes several panels in one program and may name their pictures. Nothing
    is written unless everything is.
    """
    entries = load_panels(job_file) if job_file else [Entry(None, Job())]
    panels = [(_picture(entry, picture), job_from(options, "command line", entry.job)) for entry in entries]
    if picture and all(entry.picture for entry in entries):
        raise PathgenError(f"PICTURE is {picture}, but every panel of the job names its own", where="panel")
    extras = [path for path in (summary, preview, thickness, report, moves) if path]
    inputs = [path for path in (*(source for source, _ in panels), job_file) if path]
    for path in (out, *extras):
        refuse_same(path, [*inputs, *(p for p in (out, *extras) if p is not path)])
    with ExitStack() as files:
        streams = files.enter_context(atomic_outputs((out, *extras)))
        with progress_bar("time") if any(job.within for _, job in panels) else nullcontext() as trying:
            chosen, traded = settled(panels, progress=trying)
        solves = any(job.aim == "picture" for _, job in chosen)
        with progress_bar("picture") if solves else nullcontext() as solving:
            platform = plan_several(chosen, progress=solving)
        recorder = _recorder(platform) if moves else None
        if recorder:
            files.enter_context(recorder)
        with progress_bar("layers") as progress:
            result = write(platform, streams[out], progress, recorder, traded)
        found = prove(platform, streams[out])
        if moves and recorder:
            recorder.finish(streams[moves], str(result.summary["digest"]))
        if summary:
            text = json.dumps(result.summary, indent=1, ensure_ascii=False, allow_nan=False)
            streams[summary].write(text.encode(errors="backslashreplace") + b"\n")
        if thickness:
            streams[thickness].write(_npy(_only_map(platform)))
        if preview:
            streams[preview].write(_preview(result))
        if report:
            streams[report].write(_page(result, streams[out], out.name))
    for line in closing_lines(result.summary, printable(str(out))):
        say(line)
    say(f"  {checked_line(found)}")


def _picture(entry: Entry, picture: Path | None) -> Path:
    source = entry.picture or picture
    if source is None:
        raise click.UsageError(
            "Missing argument 'PICTURE': a file, or 'picture' in every [[panel]] of the job."
        )
    return source


def _recorder(platform: Platform) -> MovesRecorder:
    return MovesRecorder(platform.setup.machine, platform.placement, program_layers(platform).top)


def _only_map(platform: Platform) -> np.ndarray:
    """Give the thickness map of a platform's panels as they are seen, if they are all the same."""
    first = platform.panels[0].panel
    if any(planned.panel is not first for planned in platform.panels):
        hint = "pathgen replay --panel N --thickness gives each one's as deposited"
        raise PathgenError("several maps for one file", where="--thickness", allowed="one panel", hint=hint)
    return first.view.upright(first.thickness)


def _npy(array: np.ndarray) -> bytes:
    buffer = BytesIO()
    np.save(buffer, array.astype(np.float32), allow_pickle=False)
    return buffer.getvalue()


def _preview(result: Result) -> bytes:
    """Draw the preview; matplotlib is loaded here, by those who ask for a picture."""
    from pathgen.report import preview

    return preview(result)


def _page(result: Result, program: BinaryIO, name: str) -> bytes:
    """Make the page from the text that was written, before it has its name."""
    from pathgen.report.page import page

    program.flush()
    return page(result, Path(program.name), name=name)
