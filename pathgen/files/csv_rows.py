"""Rows of a CSV file that people fill in: read with care, and refused with the line where they cannot be.

Commas, semicolons or tabs part the cells, whichever the first line has; decimals are written with a point.
Blank lines, and those that begin with #, are passed over.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.settings.validation import format_value

LIMIT = 1 << 20  # bytes; what is filled in by hand is a few thousand


@dataclass(frozen=True, slots=True)
class CsvRows:
    """What stands in a file.

    Attributes
    ----------
    where : str
        The file, as a refusal names it.
    names : list of str
        Cells of the first line.
    cells : list of list of str
        Of the others, as many in each as there are names.
    line : list of int
        Line of the file, from 1, of the names and then of each row.
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
        UTF-8, at most 1 MiB.

    Raises
    ------
    PathgenError
        When it cannot be read, holds no table, or a line has more cells than the first.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = Path(folder, "a.csv").write_text("# made by hand\na;b\n1;2\n3\n")
    ...     rows = read_rows(f"{folder}/a.csv")
    >>> rows.names, rows.cells, rows.line
    (['a', 'b'], [['1', '2'], ['3', '']], [2, 3, 4])
    """
    where = str(path) if str(path).isprintable() else format_value(str(path))
    numbers, rows = _rows(_text(Path(path), where), where)
    return CsvRows(where, rows[0], rows[1:], numbers)


def _text(path: Path, where: str) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LIMIT + 1)
    except FileNotFoundError:
        raise PathgenError("no such file", where=where) from None
    except IsADirectoryError:
        raise PathgenError("a folder, not a file", where=where, allowed="a CSV file of readings") from None
    except (OSError, ValueError) as error:  # ValueError: a path with a zero byte
        reason = getattr(error, "strerror", None) or str(error)
        raise PathgenError(f"cannot be read: {reason}", where=where) from None
    if len(data) > LIMIT:
        hint = "leave out what is no reading, or average repeated ones"
        raise PathgenError("file of more than 1 MiB", where=where, allowed="at most 1 MiB", hint=hint)
    try:
        text = data.decode("utf-8-sig")  # spreadsheets put a byte order mark first
    except UnicodeDecodeError as error:
        number = data.count(b"\n", 0, error.start) + 1
        what = f"byte 0x{data[error.start]:02x} is not UTF-8"
        hint = "save the table as CSV in UTF-8"
        raise PathgenError(what, where=f"{where}, line {number}", allowed="UTF-8", hint=hint) from None
    if "\0" in text:
        raise PathgenError("not a text", where=where, allowed="a CSV file of readings")
    return text


def _rows(text: str, where: str) -> tuple[list[int], list[list[str]]]:
    """Split lines into cells, as many in each as in the first; give the lines' numbers beside them."""
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip(" \t,;")]
    lines = [(number, line) for number, line in lines if not line.lstrip().startswith("#")]
    if not lines:
        raise PathgenError("no table in it", where=where, allowed="a CSV file of readings")
    mark = next((mark for mark in ";\t" if mark in lines[0][1]), ",")
    rows: list[list[str]] = []
    for number, line in lines:
        place = f"{where}, line {number}"
        try:
            row = [cell.strip() for cell in next(csv.reader([line], delimiter=mark, strict=True))]
        except csv.Error as error:
            raise PathgenError(f"not CSV: {error}", where=place, allowed="one reading a line") from None
        wide = len(rows[0]) if rows else len(row)
        if any(row[wide:]):
            hint = "decimals are written with a point" if mark == "," else ""
            what = f"{len(row)} cells under {wide} column names"
            raise PathgenError(what, where=place, allowed="one cell a column", hint=hint)
        rows.append([*row, *[""] * wide][:wide])
    return [number for number, _ in lines], rows
