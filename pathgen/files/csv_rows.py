"""CSV files filled in by people; error messages name the line.

Cells are separated by commas, semicolons or tabs, whichever the first line uses; decimals are written with a
point. Blank lines and lines that begin with # are ignored.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.inputs import input_name, read_input_text

LIMIT = 1 << 20  # bytes; a table filled in by hand has a few thousand
EXPECTED = "a CSV file of measurements"


@dataclass(frozen=True, slots=True)
class CsvRows:
    """Table read from a CSV file.

    Attributes
    ----------
    where : str
        The file's name, for errors.
    names : list of str
        Cells of the first line.
    cells : list of list of str
        Cells of the other lines, each as long as `names`.
    line : list of int
        Line number in the file, from 1, of the names and of each row.
    """

    where: str
    names: list[str]
    cells: list[list[str]]
    line: list[int]


def read_rows(path: str | Path) -> CsvRows:
    r"""Read a CSV file.

    Parameters
    ----------
    path : path-like
        UTF-8, at most 1 MiB; "-" is standard input.

    Raises
    ------
    PathgenError
        If the file cannot be read or contains no table, or if a line has more cells than the first.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = Path(folder, "a.csv").write_text("# made by hand\na;b\n1;2\n3\n")
    ...     rows = read_rows(f"{folder}/a.csv")
    >>> rows.names, rows.cells, rows.line
    (['a', 'b'], [['1', '2'], ['3', '']], [2, 3, 4])
    """
    where = input_name(path)
    hint = "delete unrelated lines, or average repeated measurements"
    encoding = "save the table as CSV in UTF-8"
    text = read_input_text(path, EXPECTED, LIMIT, hint=hint, encoding_hint=encoding)
    numbers, rows = _rows(text, where)
    return CsvRows(where, rows[0], rows[1:], numbers)


def _rows(text: str, where: str) -> tuple[list[int], list[list[str]]]:
    """Return line numbers and cells; each row is padded to the length of the first."""
    numbered = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip(" \t,;")]
    lines = [(number, line) for number, line in numbered if not line.lstrip().startswith("#")]
    if not lines:
        raise PathgenError("the file contains no table", where=where, allowed=EXPECTED)
    separator = next((mark for mark in ";\t" if mark in lines[0][1]), ",")
    rows: list[list[str]] = []
    for number, line in lines:
        place = f"{where}, line {number}"
        try:
            row = [cell.strip() for cell in next(csv.reader([line], delimiter=separator, strict=True))]
        except csv.Error as error:
            raise PathgenError(f"not CSV: {error}", where=place, allowed="one measurement per line") from None
        count = len(rows[0]) if rows else len(row)
        if any(row[count:]):
            hint = "write decimals with a point, as in 0.8" if separator == "," else ""
            what = f"the line has {len(row)} cells, but there are {count} column names"
            raise PathgenError(what, where=place, allowed="one cell per column", hint=hint)
        rows.append([*row, *[""] * count][:count])
    return [number for number, _ in lines], rows
