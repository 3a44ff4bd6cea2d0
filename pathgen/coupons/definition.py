"""Definition of coupons: the panels to print, the positions to measure, and the instructions.

Glossary. *Coupon*: a calibration print. *Specimen*: a coupon laid out for one machine and material. *Step*: a
place on it that differs from its neighbours in one quantity and is measured separately; steps are numbered
from 1. *Nominal*: the value with which a step was printed. *Measured*: the value found there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.fit_result import Floats, Outcome
from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.settings import Job, Setup

LIGHT = "light"  # unit of a column that accepts any unit of light


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """A column of a measurement sheet.

    Attributes
    ----------
    name : str
        Name without unit.
    unit : str
        Unit as in the sheet: "mm", "mm_s", "deg", "degc", "um", "" for none, or `LIGHT`.
    low, high : float
        Valid range.
    text : str
        Description of the value to enter; empty for a nominal column.
    """

    name: str
    unit: str = ""
    low: float = 0.0
    high: float = 1e9
    text: str = ""

    @property
    def header(self) -> str:
        """Header of the column in a sheet; the default unit of light is lux."""
        unit = "lux" if self.unit == LIGHT else self.unit
        return f"{self.name}_{unit}" if unit else self.name


class PanelArea(NamedTuple):
    """A rectangle on a panel, mm from the lower left corner as viewed."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class MeasuringPlace:
    """One position to measure on a coupon, with its nominal values.

    Attributes
    ----------
    box : PanelArea
        Area on the panel.
    nominal : tuple of float
        One value for each nominal column.
    panel : int
        Index of the panel of the specimen, from 0.
    label : str
        Label in the drawing; by default the number of the step.
    """

    box: PanelArea
    nominal: tuple[float, ...]
    panel: int = 0
    label: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Specimen:
    """A coupon planned for one machine and one material.

    Attributes
    ----------
    panels : sequence of ((rows, cols) float64, Job)
        Thickness, mm, row 0 at the top, with the pixel size of the job.
    steps : sequence of MeasuringPlace
        In the order of their numbers.
    spots : sequence of Spot, optional
        Positions of the panels; by default side by side.
    repeats : int
        Number of rows per step in the sheet.
    """

    panels: Sequence[tuple[Floats, Job]]
    steps: Sequence[MeasuringPlace]
    spots: Sequence[Spot] | None = None
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class Coupon:
    """Definition of a coupon: the print, the measurement sheet and the evaluation.

    Attributes
    ----------
    name : str
    measures : str
        Measured quantity, one line.
    profile : str
        Profile that the measurements change: "machine" or "material".
    nominal, measured : tuple of SheetColumn
        Columns of its sheet. The nominal columns and the first measured one identify a filled sheet.
    how : tuple of str
        Instructions for measuring the print, one sentence each.
    build : callable
        Builds a specimen from settings.
    fit : callable
        Evaluates a filled sheet with the setup of the print. None for the step wedge, whose law
        `pathgen.optics.law_fit` fits.
    """

    name: str
    measures: str
    profile: str
    nominal: tuple[SheetColumn, ...]
    measured: tuple[SheetColumn, ...]
    how: tuple[str, ...]
    build: Build = field(repr=False)
    fit: Fit | None = field(repr=False)


@dataclass(frozen=True, slots=True, eq=False)
class FilledSheet:
    """A measurement sheet filled in by the user.

    Attributes
    ----------
    coupon : Coupon
    where : str
        File name, for error messages.
    values : dict of str to (N,) float64
        Columns by name without unit; light on a linear scale, NaN for blank cells. Rows without any
        measurement are omitted.
    line : (N,) int64
        Line of the file of each row, from 1.
    """

    coupon: Coupon
    where: str
    values: dict[str, Floats]
    line: NDArray[np.int64]

    def __getitem__(self, name: str) -> Floats:
        """Return a column of the sheet by name."""
        return self.values[name]

    def place(self, row: int) -> str:
        """Return the file and the line of a row, for error messages."""
        return f"{self.where}, line {self.line[row]}"

    def common_value(self, name: str) -> float:
        """Return the value of a nominal column, which must be the same in all rows.

        Raises
        ------
        PathgenError
            If the rows differ, because the sheet combines several prints.
        """
        values = np.unique(self.values[name])
        if len(values) != 1:
            what = f"{name} is {', '.join(f'{v:g}' for v in values)}"
            raise PathgenError(what, where=self.where, allowed="one value, which is the same in all rows")
        return float(values[0])


Build = Callable[[Setup], Specimen]
Fit = Callable[[FilledSheet, Setup], Outcome]
TABLES = msgspec.toml.decode(Path(__file__).with_name("coupons.toml").read_bytes())


def define_coupon(name: str, build: Build, fit: Fit | None = None) -> Coupon:
    """Return the coupon with the columns and the instructions that `coupons.toml` gives for its name."""
    return msgspec.convert({"name": name, **TABLES[name], "build": build, "fit": fit}, Coupon)
