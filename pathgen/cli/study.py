"""`pathgen study`: measure many panels described in one file."""

from __future__ import annotations

import os
from pathlib import Path

import click

from pathgen.cli.files import FOLDER, INPUT, PICTURE_FILE, TABLE_FILE, open_outputs
from pathgen.cli.output import Answer, json_option
from pathgen.cli.progress import progress_bar
from pathgen.errors import PathgenError, printable
from pathgen.files.outputs import check_outputs
from pathgen.study.columns import COLUMNS, DEFAULT, listing
from pathgen.study.existing import read_finished
from pathgen.study.journal import journal_path
from pathgen.study.results_table import ResultsTable
from pathgen.study.run import column_names, factor_names, range_names, run_study
from pathgen.study.study_file import MAX_CASES, Study, check_figure, load_study

WORKERS, CASES = click.IntRange(1, 1024), click.IntRange(1)
SHOWN = 3  # reasons for rejected cases


@click.command("study")
@click.argument("study", type=INPUT, required=False)
@click.option("--out", type=TABLE_FILE, help="Results table to write (CSV).")
@click.option(
    "--figure", type=PICTURE_FILE, help="Write a plot of error versus time, with the effect of each factor."
)
@click.option("--arrays", type=FOLDER, help="Folder for the target and deposited maps of each case (.npz).")
@click.option(
    "--workers",
    type=WORKERS,
    metavar="N",
    help="Number of local worker processes. Default: one per processor.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Address of a dask.distributed scheduler to use instead of --workers.",
)
@click.option(
    "--max-cases", type=CASES, default=MAX_CASES, metavar="N", help=f"Maximum number of cases. [{MAX_CASES}]"
)
@click.option(
    "--files",
    "folder",
    type=FOLDER,
    help="Folder that contains the files named in STUDY. Default: the folder of STUDY.",
)
@click.option("--columns", is_flag=True, help="List the available columns with units and exit.")
@json_option
def study_command(
    study: Path | None,
    out: Path | None,
    figure: Path | None,
    arrays: Path | None,
    workers: int | None,
    cluster: str | None,
    max_cases: int,
    folder: Path | None,
    columns: bool,
) -> Answer:
    """Make and measure every case of STUDY, and write one table row per case.

    STUDY is a TOML file with factors and their levels (see the README), or the results table of an earlier
    study, which is then repeated. After an interruption, run the same command again to continue. A case that
    is rejected, or whose worker process dies, gets a row with the reason.
    """
    if columns:
        return _list_columns()
    if study is None:
        raise click.UsageError("Missing argument 'STUDY': name a study file, or a results table to repeat.")
    if out is None:
        raise click.UsageError("Missing option '--out': name the table to write.")
    if workers and cluster:
        raise click.UsageError("--workers and --cluster cannot be combined.")
    asked = load_study(study, folder=folder, max_cases=max_cases)
    beside = (folder or study.parent) if asked.files else study.parent
    inputs = [study, *(beside / name for name in asked.files)]
    check_outputs({"--out": out, "the journal of --out": journal_path(out)}, inputs)
    if figure:
        check_outputs({"--out": out, "--figure": figure})
        check_figure(asked)
    notes = list(asked.notes)
    if read_finished(asked, out, column_names(asked)) is not None:
        notes.append(f"{printable(str(out))} is already complete; no case is measured again")
    count = workers or _processors()
    with open_outputs({"--figure": figure}, [*inputs, journal_path(out)]) as files:
        with progress_bar("cases") as progress:
            table = run_study(asked, out, workers=count, cluster=cluster, arrays=arrays, progress=progress)
        if figure:
            from pathgen.report.study_figure import study_png  # loads matplotlib

            names, ranges = factor_names(asked), range_names(asked)
            drawn = study_png(table, names, asked.across, asked.up, asked.title, ranges=ranges)
            files.put_picture("--figure", drawn)
    if all(row[-1] for row in table.rows):
        hint = "see the reasons in the last column"
        raise PathgenError("every case was rejected", where=str(out), hint=hint)
    return _answer(asked, table, out, notes)


def _list_columns() -> Answer:
    facts = [
        {"name": c.name, "unit": c.unit, "group": c.group, "text": c.text, "default": c.name in DEFAULT}
        for c in COLUMNS.values()
    ]
    return Answer({"columns": facts}, listing().split("\n"))


def _processors() -> int:
    """Count the processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _answer(study: Study, table: ResultsTable, out: Path, notes: list[str]) -> Answer:
    """Report the number of rows and the reasons for rejected cases."""
    reasons: dict[str, list[int]] = {}
    for row in table.rows:
        if row[-1]:
            reasons.setdefault(row[-1], []).append(int(row[0]))
    rejected = sum(map(len, reasons.values()))
    facts = {
        "table": str(out),
        "cases": len(table.rows),
        "rejected": rejected,
        "digest": study.head.digest,
        "reasons": [{"reason": reason, "cases": cases} for reason, cases in reasons.items()],
        "notes": notes,
    }
    total = f"{len(table.rows)} cases, {rejected} rejected, study {study.head.digest}"
    lines = [*(f"note: {note}" for note in notes), f"{printable(str(out))}: {total}"]
    for reason, cases in list(reasons.items())[:SHOWN]:
        others = f" and {len(cases) - 1} more" if len(cases) > 1 else ""
        lines.append(f"  case {cases[0]}{others}: {reason}")
    if len(reasons) > SHOWN:
        lines.append(f"  and {len(reasons) - SHOWN} more reasons; see the table for all of them")
    return Answer(facts, lines)
