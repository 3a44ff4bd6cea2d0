"""What a coupon is: the panels it is printed as, the places that are read, and what to do there.

Glossary. *Coupon*: a calibration print. *Specimen*: a coupon laid out for one machine and material. *Step*: a
place on it that differs from its neighbours in one thing and is read by itself; steps are numbered from 1.
*Nominal*: what a step was made with. *Measured*: what the person finds there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.settings import Job, Setup

if TYPE_CHECKING:
    from pathgen.coupons.fit_result import Outcome

Floats = NDArray[np.float64]

LIGHT = "light"  # unit of a column that takes any unit of light


class SheetColumn(NamedTuple):
    """A column of a reading sheet.

    Attributes
    ----------
    name : str
        Without its unit.
    unit : str
        As in the sheet: "mm", "mm_s", "deg", "degc", "um", "" for none, or `LIGHT`.
    low, high : float
        What a figure in it can be.
    text : str
        What to write into it; empty for a nominal one.
    """

    name: str
    unit: str = ""
    low: float = 0.0
    high: float = 1e9
    text: str = ""

    @property
    def header(self) -> str:
        """As it stands in a sheet; light is offered in lux."""
        unit = "lux" if self.unit == LIGHT else self.unit
        return f"{self.name}_{unit}" if unit else self.name


class PanelArea(NamedTuple):
    """A place on a panel as its viewer sees it, mm from its lower left corner."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class MeasuringPlace:
    """A place that is read.

    Attributes
    ----------
    box : Box
        Where on the panel.
    nominal : tuple of float
        One for each nominal column.
    panel : int
        Which of the specimen's panels, from 0.
    label : str
        What the drawing writes beside it; by default its number.
    """

    box: PanelArea
    nominal: tuple[float, ...]
    panel: int = 0
    label: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Specimen:
    """A coupon laid out.

    Attributes
    ----------
    panels : sequence of ((rows, cols) float64, Job)
        Thickness, mm, row 0 at the top, at the job's pixel.
    steps : sequence of Step
        In the order of their numbers.
    spots : sequence of Spot, optional
        Where the panels stand; by default side by side.
    repeats : int
        Rows of the sheet for each step.
    """

    panels: Sequence[tuple[Floats, Job]]
    steps: Sequence[MeasuringPlace]
    spots: Sequence[Spot] | None = None
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class Coupon:
    """A coupon by its name.

    Attributes
    ----------
    name : str
    measures : str
        What it tells, one line.
    profile : str
        What its readings change: "machine" or "material".
    nominal, measured : tuple of Column
        Of its sheet. By the first measured one and the nominal ones a filled sheet is known.
    how : tuple of str
        What to do with the print, a sentence each.
    build : callable
        From settings to a specimen.
    fit : callable
        From a filled sheet, and the setup it was printed with, to what it says. None for the step wedge:
        `pathgen.optics.law_fit` fits its law.
    """

    name: str
    measures: str
    profile: str
    nominal: tuple[SheetColumn, ...]
    measured: tuple[SheetColumn, ...]
    how: tuple[str, ...]
    build: Callable[[Setup], Specimen] = field(repr=False)
    fit: Callable[[FilledSheet, Setup], Outcome] | None = field(repr=False)


@dataclass(frozen=True, slots=True, eq=False)
class FilledSheet:
    """A sheet with its readings.

    Attributes
    ----------
    coupon : Coupon
    where : str
        The file, as a refusal names it.
    values : dict of str to (N,) float64
        By a column's name without its unit; light in proportion to light, NaN where a cell is blank. Rows
        without any reading are left out.
    line : (N,) int64
        Line of the file of each row, from 1.
    """

    coupon: Coupon
    where: str
    values: dict[str, Floats]
    line: NDArray[np.int64]

    def __getitem__(self, name: str) -> Floats:
        """Give a column."""
        return self.values[name]

    def same(self, name: str) -> float:
        """Give what all rows of a nominal column say.

        Raises
        ------
        PathgenError
            When they differ: the sheet was put together from several.
        """
        values = np.unique(self.values[name])
        if len(values) != 1:
            what = f"{name} is {', '.join(f'{v:g}' for v in values)}"
            raise PathgenError(what, where=self.where, allowed="one print a sheet")
        return float(values[0])
