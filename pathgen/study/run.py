"""Running a study: cases handed out, rows kept as they come, the table written when all are there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from pathgen.atomic import atomic_output, refuse_same
from pathgen.errors import PathgenError
from pathgen.study.cluster import spread
from pathgen.study.journal import Journal, journal_path, missing
from pathgen.study.load import Study
from pathgen.study.measure import Measured, measure
from pathgen.study.pool import local
from pathgen.study.table import Table, cell, table_text

Progress = Callable[[int, int], None]


class Stopped(PathgenError):
    """A study that a person stopped; what is done is kept."""


def run_study(
    study: Study,
    out: str | Path,
    *,
    workers: int = 1,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> Table:
    """Make a study's table, or what is missing of it.

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
    progress : callable, optional
        Called with (cases done, cases in all).

    Returns
    -------
    Table

    Raises
    ------
    PathgenError
        When the journal is another study's, a worker has other versions than this machine, workers are lost,
        or writing fails. `Stopped` at Ctrl-C.
    """
    out = Path(out)
    refuse_same(out, [journal_path(out)])
    names = names_of(study)
    with Journal(journal_path(out), study.head, len(names)) as journal:
        try:
            _fill(study, journal, workers, cluster, progress)
        except KeyboardInterrupt:
            what = f"stopped with {len(journal.rows)} of {len(study.cases)} cases done"
            hint = f"{journal.path} keeps them; the same command goes on from there"
            raise Stopped(what, hint=hint) from None
        rows = tuple(journal.rows[case.number] for case in study.cases)
        with atomic_output(out, "w") as stream:
            stream.write(table_text(study.head, names, rows))
        journal.remove()
    return Table(names, rows)


def names_of(study: Study) -> tuple[str, ...]:
    """Name a table's columns: the case, its factors, what was measured, why something was not."""
    return ("case", *factor_names(study), *study.ask.columns, "refused")


def factor_names(study: Study) -> list[str]:
    """Name the columns of the factors: as the factors, or ``factor:NAME`` where a figure has that name."""
    taken = set(study.ask.columns)
    return [f"factor:{name}" if name in taken else name for name in study.factors]


def _fill(
    study: Study, journal: Journal, workers: int, cluster: str | None, progress: Progress | None
) -> None:
    """Make the cases that the journal lacks."""
    total = len(study.cases)
    left = [study.cases[number - 1] for number in missing(journal.rows, total)]
    if progress:
        progress(total - len(left), total)
    if not left:
        return
    found: Iterator[Measured]
    if cluster is not None:
        found = spread(left, study.ask, study.files, cluster)
    elif workers:
        found = local(left, study.ask, study.files, workers)
    else:
        found = (measure(case, study.ask, study.files) for case in left)
    with closing(found):  # type: ignore[type-var]
        for measured in found:
            if measured.versions != study.head.versions:
                what = f"a worker has {measured.versions}, and here is {study.head.versions}"
                raise PathgenError(what, where="--cluster", allowed="the same versions everywhere")
            case = study.cases[measured.number - 1]
            labels = (cell(label) for label in case.labels)
            journal.append(case.number, (str(case.number), *labels, *measured.cells, measured.refused))
            if progress:
                progress(len(journal.rows), total)
