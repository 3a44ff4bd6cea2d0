"""`pathgen panel`: turn a picture into a machine program."""

from __future__ import annotations

from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import Any

import click
import numpy as np

from pathgen.cli.files import (
    ARRAY_FILE,
    INPUT,
    PAGE_FILE,
    PICTURE_FILE,
    PROGRAM_FILE,
    OutputFile,
    open_outputs,
    output_name,
)
from pathgen.cli.options import Sectioned, record_options
from pathgen.cli.output import Answer, json_option
from pathgen.cli.progress import progress_bar
from pathgen.errors import PathgenError
from pathgen.files.inputs import stored_input
from pathgen.job import Platform, plan_several, write
from pathgen.motion import MovesRecorder
from pathgen.program.sequence import program_layers
from pathgen.program.summary import closing_lines
from pathgen.program.within import settled
from pathgen.program.writing import prove
from pathgen.settings import Entry, Job, job_from, load_panels

Panels = list[tuple[Path, Job]]


@click.command("panel", cls=Sectioned)
@click.argument("picture", type=INPUT, required=False)
@click.option(
    "--out", type=PROGRAM_FILE, required=True, help="Program file to write; '-' is standard output."
)
@click.option("--job", "job_file", type=INPUT, help="Job file (TOML); options override the keys in the file.")
@click.option(
    "--preview", type=PICTURE_FILE, help="Write a preview picture of the panel and selected layers."
)
@click.option("--thickness", type=ARRAY_FILE, help="Write the thickness map: .npy, mm, row 0 at the top.")
@click.option("--report", type=PAGE_FILE, help="Write a self-contained HTML report.")
@click.option("--moves", type=OutputFile(".npz"), help="Write the toolpath as one array per column (.npz).")
@json_option
@record_options(Job)
def panel_command(
    picture: Path | None,
    out: Path,
    job_file: Path | None,
    preview: Path | None,
    thickness: Path | None,
    report: Path | None,
    moves: Path | None,
    **options: Any,
) -> Answer:
    """Turn PICTURE into a machine program for an upright panel.

    PICTURE is a photograph (PNG, JPEG, WebP or TIFF) or a .npy array of thickness in mm, row 0 at the top;
    "-" is standard input. A job file with [[panel]] tables combines several panels into one program and
    can name their pictures. The program is checked before it is saved; if the check finds an error, nothing
    is written and the exit code is 3.
    """
    used = {
        "--out": out,
        "--preview": preview,
        "--thickness": thickness,
        "--report": report,
        "--moves": moves,
    }
    panels = _panels(picture, job_file, options)
    inputs = [job_file, *(source for source, _ in panels)]
    with ExitStack() as stack:
        files = stack.enter_context(open_outputs(used, inputs))
        stored = {source: stack.enter_context(stored_input(source)) for source in dict(panels)}
        platform, notes = _planned([(stored[source], job) for source, job in panels])
        recorder = None
        if moves:
            machine, tops = platform.setup.machine, program_layers(platform).top
            recorder = stack.enter_context(MovesRecorder(machine, platform.placement, tops))
        with progress_bar("layers") as progress:
            result = write(platform, files["--out"], progress, recorder, notes)
        found = prove(platform, files["--out"])
        if recorder:
            recorder.finish(files["--moves"], result.summary.digest)
        if thickness:
            files.put_array("--thickness", _only_map(platform))
        if preview:
            from pathgen.report import preview as draw_preview  # loads matplotlib

            files.put_picture("--preview", draw_preview(result))
        if report:
            from pathgen.report.page import render_page

            files["--out"].flush()  # the report is made before the file gets its final name
            files.put("--report", render_page(result, Path(files["--out"].name), name=out.name))
        facts = {"program": str(out), **result.summary.as_dict(), "check_warnings": found.places("warning")}
        lines = [*closing_lines(result.summary, output_name(out)), f"  check: {found.verdict}"]
        return Answer(facts, lines, aside=files.piped)


def _panels(picture: Path | None, job_file: Path | None, options: dict[str, Any]) -> Panels:
    """Return the picture and job of each panel."""
    entries = load_panels(job_file) if job_file else [Entry(None, Job())]
    if picture and all(entry.picture for entry in entries):
        what = f"PICTURE is {picture}, but every panel in the job file already names a picture"
        raise PathgenError(
            what,
            where="panel",
            hint="remove PICTURE from the command, or the `picture` keys from the job file",
        )
    return [(_picture(entry, picture), job_from(options, "command line", entry.job)) for entry in entries]


def _picture(entry: Entry, picture: Path | None) -> Path:
    source = entry.picture or picture
    if source is None:
        raise click.UsageError(
            "Missing argument 'PICTURE': name a file, or set `picture` in each [[panel]] of the job file."
        )
    return source


def _planned(panels: Panels) -> tuple[Platform, list[str]]:
    """Plan the panels; also return notes on settings changed by a time limit."""
    with progress_bar("time") if any(job.within for _, job in panels) else nullcontext() as progress:
        chosen, notes = settled(panels, progress=progress)
    solves = any(job.aim == "picture" for _, job in chosen)
    with progress_bar("picture") if solves else nullcontext() as progress:
        return plan_several(chosen, progress=progress), notes


def _only_map(platform: Platform) -> np.ndarray:
    """Return the thickness map, as viewed; reject panels that are not copies of each other."""
    first = platform.panels[0].panel
    if any(planned.panel is not first for planned in platform.panels):
        hint = "run `pathgen replay --panel N --thickness` for each panel"
        what = "the panels have different thickness maps"
        raise PathgenError(what, where="--thickness", allowed="copies of one panel", hint=hint)
    return first.view.upright(first.thickness)
