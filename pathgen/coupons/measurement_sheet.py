"""Reading sheets: what is written beside a coupon, and what comes back filled in.

A sheet is a CSV file. Its first lines, after #, say what to do; then a line names the columns; then one row a
reading: the step's number, where it is on the print, what it was made with, and cells to fill in. A sheet is
known by its columns' names, so the lines over them may be lost on the way through a spreadsheet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, PanelArea, SheetColumn, Specimen
from pathgen.errors import PathgenError
from pathgen.files.csv_rows import CsvRows, read_rows
from pathgen.optics.wedge_sheet import CODES, UNITS
from pathgen.picture.colorimetry import decode_srgb
from pathgen.settings.validation import format_value

Floats = NDArray[np.float64]

PLACE = tuple(SheetColumn(name, "mm") for name in PanelArea._fields)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_YES_NO = {"yes": "1", "no": "0", "y": "1", "n": "0"}


def sheet_text(coupon: Coupon, specimen: Specimen) -> str:
    """Write the sheet of a specimen, its readings blank."""
    lines = [f"# Reading sheet, {coupon.name}: {coupon.measures}."]
    lines += [f"# {sentence}" for sentence in coupon.how]
    lines += [f"# {column.header}: {column.text}." for column in coupon.measured]
    several = len(specimen.panels) > 1
    names = ["step", *(["panel"] if several else []), *(c.header for c in (*PLACE, *coupon.nominal))]
    lines.append(",".join([*names, *(column.header for column in coupon.measured)]))
    for number, step in enumerate(specimen.steps, start=1):
        cells = [str(number), *([str(step.panel + 1)] if several else [])]
        cells += [f"{value:.10g}" for value in (*np.round(step.box, 3), *np.round(step.nominal, 6))]
        lines += [",".join([*cells, *[""] * len(coupon.measured)])] * specimen.repeats
    return "\n".join(lines) + "\n"


def csv_text(rows: CsvRows) -> str:
    """Spell rows as a CSV file."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([rows.names, *rows.cells])
    return out.getvalue()


def known_sheet(path: str | Path, coupons: Iterable[Coupon]) -> tuple[Coupon | None, CsvRows]:
    """Tell which coupon's sheet a file is; None where it is no coupon's.

    Raises
    ------
    PathgenError
        When it cannot be read.
    """
    rows = read_rows(path)
    for coupon in coupons:
        wanted = (*coupon.nominal, coupon.measured[0])
        if all(_place(column, rows) is not None for column in wanted):
            return coupon, rows
    return None, rows


def read_filled(coupon: Coupon, rows: CsvRows) -> FilledSheet:
    """Take the figures of a sheet.

    Parameters
    ----------
    coupon : Coupon
        Whose sheet it is, as `known_sheet` says.
    rows : Rows

    Raises
    ------
    PathgenError
        For a cell that is no figure or cannot be one, a nominal figure that is missing, a sheet that is
        still blank.
    """
    line = np.array(rows.line[1:], np.int64)
    values = {}
    for column in (*PLACE, *coupon.nominal, *coupon.measured):
        place = _place(column, rows)
        if place is None:
            values[column.name] = np.full(len(line), np.nan)
            continue
        cells = [_YES_NO.get(row[place].lower(), row[place]) for row in rows.cells]
        values[column.name] = _figures(cells, column, rows.names[place], line, rows.where)
    read = np.zeros(len(line), bool)
    for column in coupon.measured:
        read |= np.isfinite(values[column.name])
    if not read.any():
        first = coupon.measured[0]
        raise PathgenError("the sheet is blank", where=rows.where, allowed=f"{first.header}: {first.text}")
    kept = {name: column[read] for name, column in values.items()}
    for column in coupon.nominal:
        missing = np.flatnonzero(~np.isfinite(kept[column.name]))
        if missing.size:
            where = f"{rows.where}, line {line[read][missing[0]]}"
            raise PathgenError(f"no {column.header}", where=where, allowed="as the sheet was written")
    return FilledSheet(coupon, rows.where, kept, line[read])


def _place(column: SheetColumn, rows: CsvRows) -> int | None:
    """Find a column by its name and unit; light may be in any of its units."""
    names = [name.strip().lower() for name in rows.names]
    units = UNITS if column.unit == LIGHT else (column.unit,)
    wanted = [f"{column.name}_{unit}" if unit else column.name for unit in units]
    return next((names.index(name) for name in wanted if name in names), None)


def _figures(
    cells: Sequence[str], column: SheetColumn, name: str, line: NDArray[np.int64], where: str
) -> Floats:
    """Turn a column's cells into figures; blank ones are NaN."""
    codes = column.unit == LIGHT and name.lower().endswith("_srgb")
    most = CODES if codes else column.high
    values = np.array([float(cell) if _NUMBER.match(cell) else np.nan for cell in cells], np.float64)
    wrong = np.array([bool(cell) and not _NUMBER.match(cell) for cell in cells], dtype=bool)
    wrong |= (values < column.low) | (values > most)
    if wrong.any():
        first = int(np.argmax(wrong))
        raise PathgenError(
            f"{name} is {format_value(cells[first])}",
            where=f"{where}, line {line[first]}",
            allowed=f"a number from {column.low:g} to {most:g}" + (f": {column.text}" if column.text else ""),
            hint="decimals are written with a point" if "," in cells[first] else "",
        )
    return np.asarray(decode_srgb(values / CODES)) if codes else values
