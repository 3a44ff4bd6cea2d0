"""Run a study: measure the cases, save each row, and finally write the table."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output, check_outputs
from pathgen.study.cluster import measure_on_cluster
from pathgen.study.existing import has_arrays, make_folder, read_finished, write_arrays
from pathgen.study.journal import Cells, Journal, journal_path
from pathgen.study.measure import Measured, measure
from pathgen.study.pool import measure_locally
from pathgen.study.results_table import ResultsTable, cell, format_table
from pathgen.study.study_file import Case, Study

Progress = Callable[[int, int], None]
Begin = Callable[[list[Case]], Iterator[Measured]]


class Stopped(PathgenError):
    """The user stopped the study; finished rows are kept."""


def run_study(
    study: Study,
    out: str | Path,
    *,
    workers: int = 1,
    cluster: str | None = None,
    arrays: str | Path | None = None,
    progress: Progress | None = None,
) -> ResultsTable:
    """Measure all cases without a row, and write the results table.

    Parameters
    ----------
    study : Study
    out : path
        The table. Until it is complete, finished rows are in its journal, which has the same name followed by
        ``.part``. A study that was stopped continues from its journal and measures no case twice.
    workers : int
        Number of processes on this machine; 0 to use the calling process.
    cluster : str, optional
        Address of a scheduler whose workers are used instead.
    arrays : path, optional
        Folder for the arrays of each case, ``case-0001.npz`` and so on: target and deposited thickness, and
        the backlit picture. It is created if missing. A case with a row but without arrays is measured again.
    progress : callable, optional
        Called with (finished cases, all cases).

    Returns
    -------
    ResultsTable

    Raises
    ------
    PathgenError
        When the table or the journal belongs to another study, a worker has other library versions than this
        machine, no worker can start, or writing fails; `Stopped` on Ctrl-C.
    """
    out = Path(out)
    check_outputs({"--out": out}, [journal_path(out)])
    names = column_names(study)
    folder = Path(arrays) if arrays is not None else None
    if folder is not None:
        make_folder(folder)
    begin = partial(_measure_all, study, workers, cluster, folder)
    if table := read_finished(study, out, names):
        rows = {int(row[0]): row for row in table.rows}
        _measure_missing(study, rows, None, begin, folder, progress)
        return table
    with Journal(journal_path(out), study.head, len(names)) as journal:
        try:
            _measure_missing(study, journal.rows, journal, begin, folder, progress)
        except KeyboardInterrupt:
            what = f"stopped with {len(journal.rows)} of {len(study.cases)} cases done"
            hint = f"they are saved in {journal.path}; run the same command again to continue"
            raise Stopped(what, hint=hint) from None
        table = ResultsTable(names, tuple(journal.rows[case.number] for case in study.cases))
        with atomic_output(out) as stream:
            stream.write(format_table(study.head, names, table.rows).encode())
        journal.remove()
    return table


def column_names(study: Study) -> tuple[str, ...]:
    """Return the column names of the table: case, factors, measurements, reason for rejection."""
    return ("case", *factor_names(study), *study.request.columns, "refused")


def factor_names(study: Study) -> list[str]:
    """Return the factor column names; ``factor:NAME`` if a measured column is called NAME."""
    taken = set(study.request.columns)
    return [f"factor:{name}" if name in taken else name for name in study.factors]


def range_names(study: Study) -> list[str]:
    """Return the column names of the factors with a continuous range."""
    names = dict(zip(study.factors, factor_names(study), strict=True))
    return [names[name] for name in study.ranges]


def _measure_missing(
    study: Study, rows: Mapping[int, Cells], journal: Journal | None, begin: Begin, arrays: Path | None,
    progress: Progress | None,
) -> None:  # fmt: skip
    """Measure the cases that lack a row or a requested array file."""
    total = len(study.cases)
    numbers = {number for number in range(1, total + 1) if number not in rows}
    numbers |= _without_arrays(study, rows, arrays)
    cases = [study.cases[number - 1] for number in sorted(numbers)]
    done = total - len(cases)
    if progress:
        progress(done, total)
    if not cases:
        return
    with closing(begin(cases)) as results:  # type: ignore[type-var]
        for measured in results:
            if measured.versions != study.head.versions:
                what = f"a worker has {measured.versions}, but this machine has {study.head.versions}"
                raise PathgenError(
                    what,
                    where="--cluster",
                    allowed="the same versions of Python and libraries on all machines",
                )
            if arrays is not None:  # before the row, which marks the case as done
                write_arrays(arrays, measured)
            if journal is not None and measured.number not in rows:
                labels = (cell(label) for label in study.cases[measured.number - 1].labels)
                row = (str(measured.number), *labels, *measured.cells, measured.refused)
                journal.append(measured.number, row)
            done += 1
            if progress:
                progress(done, total)


def _measure_all(
    study: Study, workers: int, cluster: str | None, arrays: Path | None, cases: list[Case]
) -> Iterator[Measured]:
    request = replace(study.request, arrays=study.head.digest) if arrays else study.request
    if cluster is not None:
        return measure_on_cluster(cases, request, study.files, cluster)
    if workers:
        return measure_locally(cases, request, study.files, workers)
    return (measure(case, request, study.files) for case in cases)


def _without_arrays(study: Study, rows: Mapping[int, Cells], folder: Path | None) -> set[int]:
    """Find measured cases without an array file, ignoring rejected cases."""
    if folder is None:
        return set()
    width, digest = len(study.request.columns), study.head.digest
    return {n for n, row in rows.items() if any(row[-1 - width : -1]) and not has_arrays(folder, n, digest)}
