"""Read the CSV file of a measured step wedge, which has one row per measurement.

The first line names the columns, each with its unit:

    thickness_mm    thickness of the wall; 0 for a measurement without the wedge
    reading_UNIT    value shown by the meter or photograph; the column may be repeated
    reference_UNIT  the same without the wedge, in every row or in some (optional)
    dark_UNIT       the same with the light off; subtracted from readings and references (optional)

UNIT is lux, cd/m2, linear (proportional to light) or srgb (an 8-bit code of a photograph, 0 to 255, decoded
according to IEC 61966-2-1). `thickness (mm)` and `thickness [mm]` are accepted too. Other columns, blank
lines and lines that begin with # are ignored.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError, format_value, nearest
from pathgen.files.csv_rows import CsvRows
from pathgen.optics.laws import Floats
from pathgen.picture.colorimetry import decode_srgb
from pathgen.settings.material import THICKEST, THINNEST

MAX_LINES = 5000
UNITS = ("lux", "cd/m2", "linear", "srgb")
COLUMNS = {"thickness": ("mm",), "reading": UNITS, "reference": UNITS, "dark": UNITS}
CODES = 255.0  # the highest sRGB code; anything brighter is clipped to it
BRIGHTEST = 1e9  # in any other unit of light; catches typing errors
LIMITS = {"mm": (THINNEST, THICKEST), "srgb": (0.0, CODES)}  # of values above 0
_COLUMN = re.compile(r"([a-z]+)(?:[\s_(\[]+([^)\]]*)[)\]]?)?\Z")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class WedgeSheet:
    """The values of a wedge's CSV file, one row per measurement.

    Attributes
    ----------
    columns : dict of (N,) float64
        Values by column; "thickness" and "reading" are always there. NaN for a blank cell.
    line : (N,) int64
        Line of the file, from 1. Repeated readings of one line are consecutive.
    unit : str
        Unit of all columns but thickness, one of `UNITS`.
    """

    columns: dict[str, Floats]
    line: NDArray[np.int64]
    unit: str

    def linear(self, name: str) -> Floats:
        """Return a column in linear light, or NaN if the column is missing."""
        values = self.columns.get(name, np.full(len(self.line), np.nan))
        return decode_srgb(values / CODES) if self.unit == "srgb" else values


def parse_wedge_sheet(table: CsvRows) -> WedgeSheet:
    """Convert the rows of a CSV file to a wedge sheet.

    Raises
    ------
    PathgenError
        If a column or a unit is missing, or a cell is not a number in range.

    Examples
    --------
    >>> cells = [["0.5", "400"], ["1", "240"]]
    >>> sheet = parse_wedge_sheet(CsvRows("wedge.csv", ["thickness_mm", "reading_lux"], cells, [1, 2, 3]))
    >>> sheet.columns["reading"].tolist(), sheet.line.tolist(), sheet.unit
    ([400.0, 240.0], [2, 3], 'lux')
    """
    where, names, cells = table.where, table.names, table.cells
    columns, unit = _find_columns(names, f"{where}, line {table.line[0]}")
    if not cells:
        raise PathgenError(
            "the measurement sheet contains no measurements", where=where, allowed="one measurement per line"
        )
    if len(cells) >= MAX_LINES:
        what, hint = f"the file has {len(cells)} lines of measurements", "average repeated measurements"
        raise PathgenError(what, where=where, allowed=f"fewer than {MAX_LINES} lines", hint=hint)
    lines = np.array(table.line[1:], dtype=np.int64)
    values = {
        place: _parse_column([row[place] for row in cells], kind, names[place], unit, lines, where)
        for kind, places in columns.items()
        for place in places
    }
    repeats = len(columns["reading"])
    repeated = {kind: np.repeat(values[places[0]], repeats) for kind, places in columns.items()}
    repeated["reading"] = np.column_stack([values[place] for place in columns["reading"]]).ravel()
    known = np.isfinite(repeated["reading"])
    if not known.any():
        hint = f"enter the values in the column {names[columns['reading'][0]]}"
        what, allowed = "the measurement sheet contains no measurements", "one measurement per line"
        raise PathgenError(what, where=where, allowed=allowed, hint=hint)
    kept = {kind: column[known] for kind, column in repeated.items()}
    return WedgeSheet(kept, np.repeat(lines, repeats)[known], unit)


def _find_columns(names: Sequence[str], where: str) -> tuple[dict[str, list[int]], str]:
    """Return the index of each known column, and the common unit of the light columns."""
    columns: dict[str, list[int]] = {}
    light = ""
    for place, name in enumerate(names):
        match = _COLUMN.match(name.lower().strip())
        if not match or match[1] not in COLUMNS:
            continue
        kind, unit = match[1], (match[2] or "").strip().replace("²", "2").replace("cd_m2", "cd/m2")
        if unit not in COLUMNS[kind]:
            what = f"column {format_value(name)} has " + (f"unit {format_value(unit)}" if unit else "no unit")
            raise PathgenError(what, where=where, allowed=_choices(kind))
        if kind != "thickness":
            light = light or unit
            if unit != light:
                what = f"column {format_value(name)} is in {unit}, but another column is in {light}"
                raise PathgenError(what, where=where, allowed="the same unit of light in all columns")
        if kind in columns and kind != "reading":
            what = f"column {format_value(name)} is repeated"
            raise PathgenError(what, where=where, allowed="each column once")
        columns.setdefault(kind, []).append(place)
    for kind in ("thickness", "reading"):
        if kind not in columns:
            near = [n for n in names if nearest(n.lower().split("_")[0].split(" ")[0], [kind])]
            hint = f"rename {near[0]!r} to {kind}_{COLUMNS[kind][0]}" if near else ""
            what = f"the {kind} column is missing"
            raise PathgenError(what, where=where, allowed=_choices(kind), hint=hint)
    return columns, light


def _choices(kind: str) -> str:
    return " or ".join(f"{kind}_{unit}" for unit in COLUMNS[kind])


def _parse_column(
    cells: Sequence[str], kind: str, name: str, unit: str, lines: NDArray[np.int64], where: str
) -> Floats:
    """Convert the cells of a column to numbers; blank cells become NaN, except for thickness."""
    unit = "mm" if kind == "thickness" else unit
    low, high = LIMITS.get(unit, (0.0, BRIGHTEST))
    numeric = np.array([bool(_NUMBER.match(cell)) for cell in cells])
    values = np.array([float(cell) if fine else np.nan for cell, fine in zip(cells, numeric, strict=True)])
    wrong = ~numeric & np.array([bool(cell) or kind == "thickness" for cell in cells])
    wrong |= (values < 0) | (values > 0) & (values < low) | (values > high)
    if wrong.any():
        first = int(np.argmax(wrong))
        cell = cells[first]
        what = f"{name} is {format_value(cell)}" if cell else f"{name} is blank"
        allowed = (f"0, or a number from {low:g}" if low else "a number from 0") + f" to {high:g} {unit}"
        hint = "use a decimal point" if _COMMA.match(cell) else ""
        raise PathgenError(what, where=f"{where}, line {lines[first]}", allowed=allowed, hint=hint)
    return values
