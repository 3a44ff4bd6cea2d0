"""`pathgen study`: a table of many panels, from a file that says which."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path

import click

from pathgen.cli.output import say
from pathgen.cli.progress import progress_bar
from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output, refuse_same
from pathgen.study.columns import listing
from pathgen.study.existing import finished
from pathgen.study.journal import journal_path
from pathgen.study.results_table import ResultsTable
from pathgen.study.run import factor_names, names_of, range_names, run_study
from pathgen.study.study_file import MOST, Study, check_figure, load_study

FILE = click.Path(path_type=Path)


@click.command("study")
@click.argument("study", type=FILE, required=False)
@click.option("--out", type=FILE, help="The table to write (CSV).")
@click.option("--figure", type=FILE, help="Write a PNG: time against error, and what each factor does.")
@click.option("--arrays", type=FILE, help="Folder for each case's maps, wanted and deposited (.npz).")
@click.option(
    "--workers", type=click.IntRange(1, 1024), metavar="N", help="Processes here. By default one a processor."
)
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a dask.distributed cluster to use instead.")
@click.option(
    "--most", type=click.IntRange(1), default=MOST, metavar="N", help=f"Most cases allowed. [{MOST}]"
)
@click.option("--files", "folder", type=FILE, help="Folder of the files it names. By default STUDY's own.")
@click.option("--columns", is_flag=True, help="List what can be measured, with units, and exit.")
def study_command(
    study: Path | None,
    out: Path | None,
    figure: Path | None,
    arrays: Path | None,
    workers: int | None,
    cluster: str | None,
    most: int,
    folder: Path | None,
    columns: bool,
) -> None:
    """Make every case of STUDY and write what is measured of it, one row a case.

    STUDY is a file of factors and the levels they take (TOML, see the README), or a table that an earlier
    study wrote, to repeat it. Stopped or killed, the same command goes on where it was, and makes nothing
    that is there. A case that is refused, or ends its process, has its reason in its row.
    """
    if columns:
        say(listing())
        return
    if study is None:
        raise click.UsageError("Missing argument 'STUDY': a study file, or a table to repeat.")
    if out is None:
        raise click.UsageError("Missing option '--out': the table to write.")
    if workers and cluster:
        raise click.UsageError("--workers are of this machine, --cluster has its own: give one of them")
    asked = load_study(study, folder=folder, most=most)
    beside = (folder or study.parent) if asked.files else study.parent
    inputs = [study, *(beside / name for name in asked.files)]
    refuse_same(out, [*inputs, *([figure] if figure else [])])
    refuse_same(journal_path(out), [*inputs, *([figure] if figure else [])])
    if figure:
        refuse_same(figure, inputs)
        check_figure(asked)
    whole = finished(asked, out, names_of(asked)) is not None
    notes = [
        *asked.notes,
        *([f"{out} is this study's, and whole: its rows are not made again"] if whole else []),
    ]
    for note in notes:
        say(f"note: {note}")
    with ExitStack() as files:
        drawing = files.enter_context(atomic_output(figure)) if figure else None
        with progress_bar("cases") as progress:
            table = run_study(
                asked, out, workers=workers or _processors(), cluster=cluster, arrays=arrays,
                progress=progress,
            )  # fmt: skip
        if drawing:
            drawing.write(_drawn(asked, table))
    for line in _said(asked, table, out):
        say(line)
    if all(row[-1] for row in table.rows):
        raise PathgenError("every case was refused", where=str(out), hint="its last column says why")


def _processors() -> int:
    """Count the processors that this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def _drawn(study: Study, table: ResultsTable) -> bytes:
    from pathgen.report.study_figure import study_png  # loads matplotlib

    names, ranges = factor_names(study), range_names(study)
    return study_png(table, names, study.across, study.up, study.title, ranges=ranges)


def _said(study: Study, table: ResultsTable, out: Path) -> list[str]:
    """Say what came of it: how many rows, and the first reasons of those without figures."""
    reasons: dict[str, list[str]] = {}
    for row in table.rows:
        if row[-1]:
            reasons.setdefault(row[-1], []).append(row[0])
    refused = sum(map(len, reasons.values()))
    lines = [f"{out}: {len(table.rows)} cases, {refused} refused, study {study.head.digest}"]
    for reason, cases in list(reasons.items())[:3]:
        many = f"case {cases[0]}" + (f" and {len(cases) - 1} more" if len(cases) > 1 else "")
        lines.append(f"  {many}: {reason}")
    return lines
