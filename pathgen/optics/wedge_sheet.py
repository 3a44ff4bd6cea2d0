"""The CSV file of a measured wedge: its columns, their units, and one row of figures a reading.

The first line names the columns, each with its unit:

    thickness_mm    thickness of the wall; 0 for a reading without the wedge
    reading_UNIT    what meter or photograph showed; the column may stand more than once
    reference_UNIT  the same without the wedge, beside each reading or now and then; may be left out
    dark_UNIT       the same with the light off, taken off readings and references; may be left out

UNIT is lux, cd/m2, linear (any figure in proportion to light) or srgb (an 8-bit code of a photograph, 0 to
255, decoded after IEC 61966-2-1). `thickness (mm)` and `thickness [mm]` are understood too. Other columns are
passed over, and so are blank lines and those that begin with #.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError, nearest
from pathgen.files.csv_rows import CsvRows, read_rows
from pathgen.optics.laws import Floats
from pathgen.picture.colorimetry import decode_srgb
from pathgen.settings.material import THICKEST
from pathgen.settings.validation import format_value

MOST = 5000  # lines of readings
COLUMNS = ("thickness", "reading", "reference", "dark")
UNITS = ("lux", "cd/m2", "linear", "srgb")
CODES = 255.0  # the highest sRGB code: what is brighter shows the same
BRIGHTEST = 1e9  # of any other unit; catches a slip of the keyboard
_COLUMN = re.compile(r"([a-z]+)(?:[\s_(\[]+([^)\]]*)[)\]]?)?\Z")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file's figures, one row a reading.

    Attributes
    ----------
    figures : dict of (N,) float64
        By column, "thickness" and "reading" always; NaN where a cell is blank.
    line : (N,) int64
        Line of the file, from 1. Readings that share a line stand one after the other.
    unit : str
        Of all but thickness: one of `UNITS`.
    """

    figures: dict[str, Floats]
    line: NDArray[np.int64]
    unit: str

    def linear(self, name: str) -> Floats:
        """Figures of a column in proportion to light; all NaN where there is no such column."""
        written = self.figures.get(name, np.full(len(self.line), np.nan))
        return decode_srgb(written / CODES) if self.unit == "srgb" else written


def read_sheet(path: str | Path) -> Sheet:
    r"""Read the CSV file of a wedge.

    Parameters
    ----------
    path : path-like
        UTF-8, at most 1 MiB; separated by commas, semicolons or tabs, decimals with a point.

    Raises
    ------
    PathgenError
        When the file cannot be read, a column or a unit is missing, or a cell is no figure that can be.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = Path(folder, "wedge.csv").write_text("thickness_mm;reading_lux\n0.5;400\n1;240\n")
    ...     sheet = read_sheet(f"{folder}/wedge.csv")
    >>> sheet.figures["reading"].tolist(), sheet.line.tolist(), sheet.unit
    ([400.0, 240.0], [2, 3], 'lux')
    """
    return sheet_of(read_rows(path))


def sheet_of(table: CsvRows) -> Sheet:
    """Take a wedge's figures from rows that were read; errors are those of `read_sheet`."""
    where, numbers, rows = table.where, table.line, [table.names, *table.cells]
    columns, unit = _columns(rows[0], f"{where}, line {numbers[0]}")
    if len(rows) == 1:
        raise PathgenError("column names and no readings", where=where, allowed="one reading a line")
    if len(rows) > MOST:
        hint = "average repeated readings"
        raise PathgenError(
            f"{len(rows) - 1} lines of readings", where=where, allowed=f"under {MOST}", hint=hint
        )
    lines = np.array(numbers[1:], dtype=np.int64)
    values = {
        place: _figures([row[place] for row in rows[1:]], kind, rows[0][place], unit, lines, where)
        for kind, places in columns.items()
        for place in places
    }
    repeats = len(columns["reading"])
    figures = {kind: np.repeat(values[places[0]], repeats) for kind, places in columns.items()}
    figures["reading"] = np.column_stack([values[place] for place in columns["reading"]]).ravel()
    read = np.isfinite(figures["reading"])
    if not read.any():
        what, hint = "lines without a reading", f"write what was read under {rows[0][columns['reading'][0]]}"
        raise PathgenError(what, where=where, allowed="one reading a line", hint=hint)
    return Sheet({k: v[read] for k, v in figures.items()}, np.repeat(lines, repeats)[read], unit)


def _columns(names: Sequence[str], where: str) -> tuple[dict[str, list[int]], str]:
    """Find which columns are ours, and the unit that all but thickness share."""
    columns: dict[str, list[int]] = {}
    light = ""
    for place, name in enumerate(names):
        match = _COLUMN.match(name.lower().strip())
        if not match or match[1] not in COLUMNS:
            continue
        kind, unit = match[1], (match[2] or "").strip().replace("²", "2").replace("cd_m2", "cd/m2")
        units = ("mm",) if kind == "thickness" else UNITS
        if unit not in units:
            what = f"column {format_value(name)} has " + (f"unit {format_value(unit)}" if unit else "no unit")
            raise PathgenError(what, where=where, allowed=" or ".join(f"{kind}_{u}" for u in units))
        if kind != "thickness":
            light = light or unit
            if unit != light:
                what = f"column {format_value(name)} beside one in {light}"
                raise PathgenError(what, where=where, allowed="one unit of light in a file")
        if kind in columns and kind != "reading":
            raise PathgenError(f"column {format_value(name)} stands twice", where=where, allowed="once")
        columns.setdefault(kind, []).append(place)
    for kind, units in (("thickness", ("mm",)), ("reading", UNITS)):
        if kind not in columns:
            near = [n for n in names if nearest(n.lower().split("_")[0].split(" ")[0], [kind])]
            hint = f"is it {near[0]!r}? call it {kind}_{units[0]}" if near else ""
            allowed = " or ".join(f"{kind}_{u}" for u in units)
            raise PathgenError(f"no column of {kind}", where=where, allowed=allowed, hint=hint)
    return columns, light


def _figures(
    cells: Sequence[str], kind: str, name: str, unit: str, lines: NDArray[np.int64], where: str
) -> Floats:
    """Turn a column's cells into figures; only a thickness may not be blank."""
    most, of = (THICKEST, "mm") if kind == "thickness" else (CODES if unit == "srgb" else BRIGHTEST, unit)
    blank = np.array([not cell for cell in cells])
    good = np.array([bool(_NUMBER.match(cell)) for cell in cells])
    wrong = ~good & (~blank | (kind == "thickness"))
    values = np.array([float(cell) if fine else np.nan for cell, fine in zip(cells, good, strict=True)])
    wrong |= (values < 0) | (values > most)
    if wrong.any():
        first = int(np.argmax(wrong))
        cell = cells[first]
        hint = "decimals are written with a point" if _COMMA.match(cell) else ""
        raise PathgenError(
            f"{name} is {format_value(cell)}" if cell else f"no {name}",
            where=f"{where}, line {lines[first]}",
            allowed=f"a number from 0 to {most:g} {of}",
            hint=hint,
        )
    return values
