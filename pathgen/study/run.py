"""Running a study: cases handed out, rows kept as they come, the table written when all are there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output, check_outputs
from pathgen.study.cluster import measure_on_cluster
from pathgen.study.existing import finished, has_arrays, keep_arrays, make_folder
from pathgen.study.journal import Cells, Journal, journal_path, missing
from pathgen.study.measure import Measured, measure
from pathgen.study.pool import local
from pathgen.study.results_table import ResultsTable, cell, table_text
from pathgen.study.study_file import Case, Study

Progress = Callable[[int, int], None]


class Stopped(PathgenError):
    """A study that a person stopped; what is done is kept."""


def run_study(
    study: Study,
    out: str | Path,
    *,
    workers: int = 1,
    cluster: str | None = None,
    arrays: str | Path | None = None,
    progress: Progress | None = None,
) -> ResultsTable:
    """Make a study's table, or what is missing of it; nothing where all is there.

    Parameters
    ----------
    study : Study
    out : path
        The table. While it is not complete there is only its journal, the same name with ``.part`` at its
        end; with the journal a study that was stopped goes on and makes nothing twice.
    workers : int
        Processes on this machine; 0 for this very process.
    cluster : str, optional
        Address of a scheduler whose workers are used instead.
    arrays : path, optional
        Folder for the arrays of each case, ``case-0001.npz`` and so on: thickness wanted and deposited, and
        the picture lit from behind. It is made if need be. A case whose row is there and whose arrays are
        not is made again for them.
    progress : callable, optional
        Called with (cases done, cases in all).

    Returns
    -------
    Table

    Raises
    ------
    PathgenError
        When table or journal is another study's, a worker has other versions than this machine, no worker
        can be had, or writing fails. `Stopped` at Ctrl-C.
    """
    out = Path(out)
    check_outputs({"--out": out}, [journal_path(out)])
    names = names_of(study)
    folder = Path(arrays) if arrays is not None else None
    if folder is not None:
        make_folder(folder)
    whole = finished(study, out, names)
    if whole is not None:
        rows = {int(row[0]): row for row in whole.rows}
        _fill(study, rows, None, _Means(workers, cluster, folder, progress))
        return whole
    with Journal(journal_path(out), study.head, len(names)) as journal:
        try:
            _fill(study, journal.rows, journal, _Means(workers, cluster, folder, progress))
        except KeyboardInterrupt:
            what = f"stopped with {len(journal.rows)} of {len(study.cases)} cases done"
            hint = f"{journal.path} keeps them; the same command goes on from there"
            raise Stopped(what, hint=hint) from None
        made = tuple(journal.rows[case.number] for case in study.cases)
        with atomic_output(out) as stream:
            stream.write(table_text(study.head, names, made).encode())
        journal.remove()
    return ResultsTable(names, made)


@dataclass(frozen=True, slots=True)
class _Means:
    """Who measures, and what else is kept of it."""

    workers: int
    cluster: str | None
    arrays: Path | None
    progress: Progress | None


def names_of(study: Study) -> tuple[str, ...]:
    """Name a table's columns: the case, its factors, what was measured, why something was not."""
    return ("case", *factor_names(study), *study.ask.columns, "refused")


def factor_names(study: Study) -> list[str]:
    """Name the columns of the factors: as the factors, or ``factor:NAME`` where a figure has that name."""
    taken = set(study.ask.columns)
    return [f"factor:{name}" if name in taken else name for name in study.factors]


def range_names(study: Study) -> list[str]:
    """Name the columns of those factors that are drawn from a continuous range."""
    names = dict(zip(study.factors, factor_names(study), strict=True))
    return [names[name] for name in study.ranges]


def _fill(study: Study, rows: Mapping[int, Cells], journal: Journal | None, means: _Means) -> None:
    """Make the cases that have no row, and those whose arrays are asked for and missing."""
    total = len(study.cases)
    again = _without_arrays(study, rows, means.arrays)
    left = [study.cases[number - 1] for number in sorted({*missing(rows, total), *again})]
    done = total - len(left)
    if means.progress:
        means.progress(done, total)
    if not left:
        return
    with closing(_found(study, left, means)) as found:  # type: ignore[type-var]
        for measured in found:
            if measured.versions != study.head.versions:
                what = f"a worker has {measured.versions}, and here is {study.head.versions}"
                raise PathgenError(what, where="--cluster", allowed="the same versions everywhere")
            if means.arrays is not None:  # before the row, which says that the case is done
                keep_arrays(means.arrays, measured)
            if journal is not None and measured.number not in rows:
                labels = (cell(label) for label in study.cases[measured.number - 1].labels)
                row = (str(measured.number), *labels, *measured.cells, measured.refused)
                journal.append(measured.number, row)
            done += 1
            if means.progress:
                means.progress(done, total)


def _found(study: Study, left: list[Case], means: _Means) -> Iterator[Measured]:
    ask = replace(study.ask, arrays=study.head.digest) if means.arrays is not None else study.ask
    if means.cluster is not None:
        return measure_on_cluster(left, ask, study.files, means.cluster)
    if means.workers:
        return local(left, ask, study.files, means.workers)
    return (measure(case, ask, study.files) for case in left)


def _without_arrays(study: Study, rows: Mapping[int, Cells], folder: Path | None) -> list[int]:
    """Find the cases with figures whose arrays are not there; those without figures have none."""
    if folder is None:
        return []
    width = len(study.ask.columns)
    return [
        number
        for number, row in rows.items()
        if any(row[-1 - width : -1]) and not has_arrays(folder, number, study.head.digest)
    ]
