"""Measurement sheets of coupons: write blank sheets and read filled sheets.

A sheet is a CSV file. Its first lines, after #, are instructions; then there is a line of column names, and
one row per measurement: the number of the step, its place on the print, its nominal values, and cells to fill
in. The column names identify the coupon, so a spreadsheet may drop the instructions.
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
from pathgen.coupons.fit_result import Floats
from pathgen.errors import PathgenError
from pathgen.files.csv_rows import CsvRows, read_rows
from pathgen.optics.wedge_sheet import CODES, UNITS
from pathgen.picture.colorimetry import decode_srgb
from pathgen.settings.validation import format_value

PLACE = tuple(SheetColumn(name, "mm") for name in PanelArea._fields)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_YES_NO = {"yes": "1", "no": "0", "y": "1", "n": "0"}


def sheet_text(coupon: Coupon, specimen: Specimen) -> str:
    """Return the CSV text of a blank measurement sheet for a specimen."""
    lines = [f"# Measurement sheet of {coupon.name}: {coupon.measures}."]
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
    """Format rows as CSV."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([rows.names, *rows.cells])
    return out.getvalue()


def identify_sheet(path: str | Path, coupons: Iterable[Coupon]) -> tuple[Coupon | None, CsvRows]:
    """Return the rows of a sheet and its coupon, or None as the coupon of any other file.

    Raises
    ------
    PathgenError
        If the file cannot be read.
    """
    rows = read_rows(path)
    for coupon in coupons:
        wanted = (*coupon.nominal, coupon.measured[0])
        if all(_place(column, rows) is not None for column in wanted):
            return coupon, rows
    return None, rows


def read_filled(coupon: Coupon, rows: CsvRows) -> FilledSheet:
    """Parse the values of a filled measurement sheet.

    Parameters
    ----------
    coupon : Coupon
        Coupon of the sheet, from `identify_sheet`.
    rows : CsvRows

    Raises
    ------
    PathgenError
        For a cell that is not a number or is out of range, for a missing nominal value, and for a sheet
        without measurements.
    """
    line = np.array(rows.line[1:], np.int64)
    values = {}
    for column in (*PLACE, *coupon.nominal, *coupon.measured):
        place = _place(column, rows)
        if place is None:
            values[column.name] = np.full(len(line), np.nan)
            continue
        cells = [_YES_NO.get(row[place].lower(), row[place]) for row in rows.cells]
        values[column.name] = _parse_numbers(cells, column, rows.names[place], line, rows.where)
    read = np.any([np.isfinite(values[column.name]) for column in coupon.measured], axis=0)
    if not read.any():
        hint = f"fill in the column {coupon.measured[0].header}: {coupon.measured[0].text}"
        raise PathgenError("the measurement sheet contains no measurements", where=rows.where, hint=hint)
    kept = {name: column[read] for name, column in values.items()}
    for column in coupon.nominal:
        missing = np.flatnonzero(~np.isfinite(kept[column.name]))
        if missing.size:
            where = f"{rows.where}, line {line[read][missing[0]]}"
            allowed = "the value in the sheet that `pathgen coupon` wrote"
            raise PathgenError(f"{column.header} is missing", where=where, allowed=allowed)
    return FilledSheet(coupon, rows.where, kept, line[read])


def _place(column: SheetColumn, rows: CsvRows) -> int | None:
    """Return the index of a column by name and unit; light may be in any valid unit."""
    names = [name.strip().lower() for name in rows.names]
    units = UNITS if column.unit == LIGHT else (column.unit,)
    wanted = [f"{column.name}_{unit}" if unit else column.name for unit in units]
    return next((names.index(name) for name in wanted if name in names), None)


def _parse_numbers(
    cells: Sequence[str], column: SheetColumn, name: str, line: NDArray[np.int64], where: str
) -> Floats:
    """Convert the cells of a column to numbers; blank cells become NaN."""
    codes = column.unit == LIGHT and name.lower().endswith("_srgb")
    maximum = CODES if codes else column.high
    values = np.array([float(cell) if _NUMBER.match(cell) else np.nan for cell in cells], np.float64)
    wrong = np.array([bool(cell) and not _NUMBER.match(cell) for cell in cells], dtype=bool)
    wrong |= (values < column.low) | (values > maximum)
    if wrong.any():
        first = int(np.argmax(wrong))
        where, what = f"{where}, line {line[first]}", f"{name} is {format_value(cells[first])}"
        allowed = ": ".join(filter(None, (f"a number from {column.low:g} to {maximum:g}", column.text)))
        hint = "write decimals with a point" if "," in cells[first] else ""
        raise PathgenError(what, where=where, allowed=allowed, hint=hint)
    return np.asarray(decode_srgb(values / CODES)) if codes else values
