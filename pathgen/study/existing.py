"""Existing results of a study: a finished table, and the arrays for each case."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np

from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output
from pathgen.study.measure import Measured
from pathgen.study.results_table import FIRST, ResultsTable, read_table_text
from pathgen.study.study_file import Study


def read_finished(study: Study, out: Path, names: tuple[str, ...]) -> ResultsTable | None:
    """Read a complete results table; return None if the file is missing or is not a results table.

    Parameters
    ----------
    study : Study
    out : Path
    names : tuple of str
        Names of the columns.

    Raises
    ------
    PathgenError
        When the file is the table of another study, which may have taken hours.
    """
    try:
        with out.open("rb") as stream:
            if stream.read(len(FIRST)) != FIRST.encode():
                return None
    except OSError:
        return None  # missing, or unreadable; in that case writing reports the reason
    head, table = read_table_text(out)
    study.head.check_same(head, str(out))
    numbers = [str(case.number) for case in study.cases]
    if table.names != names or [row[0] for row in table.rows] != numbers:
        hint = "choose another --out, or delete the file"
        raise PathgenError(
            "the existing table contains rows or columns of another study", where=str(out), hint=hint
        )
    return table


def arrays_path(folder: Path, case: int) -> Path:
    """Return the path of the arrays file for a case.

    Examples
    --------
    >>> arrays_path(Path("maps"), 7).name
    'case-0007.npz'
    """
    return folder / f"case-{case:04d}.npz"


def make_folder(folder: Path) -> None:
    """Create the folder for arrays if necessary.

    Raises
    ------
    PathgenError
        When it cannot be made.
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        what = f"cannot create folder {folder}: {error.strerror or error}"
        allowed = "an existing folder, or a new name in an existing folder"
        raise PathgenError(what, where="--arrays", allowed=allowed) from None


def write_arrays(folder: Path, measured: Measured) -> None:
    """Write the arrays of a case, if the case has arrays."""
    if measured.arrays:
        with atomic_output(arrays_path(folder, measured.number)) as stream:
            stream.write(measured.arrays)


def has_arrays(folder: Path, case: int, digest: str) -> bool:
    """Return whether the study with the given digest has saved arrays for a case."""
    try:
        # numpy does not close a file that it cannot read.
        with arrays_path(folder, case).open("rb") as stream, np.load(stream, allow_pickle=False) as found:
            return str(found["study"]) == digest
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return False
