"""What a study has in its folder already: a finished table, and the arrays of its cases."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np

from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output
from pathgen.study.measure import Measured
from pathgen.study.results_table import FIRST, ResultsTable, read_table_text
from pathgen.study.study_file import Study


def finished(study: Study, out: Path, names: tuple[str, ...]) -> ResultsTable | None:
    """Give the study's table if it is there and whole; None where no study has written there.

    Parameters
    ----------
    study : Study
    out : Path
    names : tuple of str
        Of the table's columns.

    Raises
    ------
    PathgenError
        Where the table of another study stands there: it may have taken hours.
    """
    try:
        with out.open("rb") as stream:
            if stream.read(len(FIRST)) != FIRST.encode():
                return None
    except OSError:
        return None  # none there; or one that cannot be read, and writing says why
    head, table = read_table_text(out)
    study.head.refuse_other(head, str(out))
    numbers = [str(case.number) for case in study.cases]
    if table.names != names or [row[0] for row in table.rows] != numbers:
        hint = "choose another --out, or take the file away"
        raise PathgenError("rows are missing or too many", where=str(out), hint=hint)
    return table


def arrays_path(folder: Path, case: int) -> Path:
    """Name the file of a case's arrays.

    Examples
    --------
    >>> arrays_path(Path("maps"), 7).name
    'case-0007.npz'
    """
    return folder / f"case-{case:04d}.npz"


def make_folder(folder: Path) -> None:
    """Make the folder of the arrays if it is not there.

    Raises
    ------
    PathgenError
        Where it cannot be made.
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        what = f"cannot make folder {folder}: {error.strerror or error}"
        raise PathgenError(what, where="--arrays", allowed="a folder, or a name for one") from None


def keep_arrays(folder: Path, measured: Measured) -> None:
    """Write the arrays of a case, if it has any."""
    if measured.arrays:
        with atomic_output(arrays_path(folder, measured.number)) as stream:
            stream.write(measured.arrays)


def has_arrays(folder: Path, case: int, digest: str) -> bool:
    """Tell whether the arrays of a case are there, and this study's."""
    try:
        # Opened here: numpy leaves a file open that it cannot read.
        with arrays_path(folder, case).open("rb") as stream, np.load(stream, allow_pickle=False) as found:
            return str(found["study"]) == digest
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return False
