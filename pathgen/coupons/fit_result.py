"""What a filled sheet says: figures with how sure they are, and what of a profile they change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """A figure, with the interval that holds the true one 95 times in 100.

    Attributes
    ----------
    name, unit : str
    value, low, high : float
    """

    name: str
    unit: str
    value: float
    low: float
    high: float

    def __str__(self) -> str:
        """Spell it as people read it."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.name} {self.value:.4g} ({self.low:.4g} to {self.high:.4g}){unit}"


class Change(NamedTuple):
    """A value of a profile to be replaced.

    Attributes
    ----------
    table : str
        Its TOML table, such as "hot_end"; "" for the profile's own keys.
    key : str
    value : float
        Rounded to what the readings support.
    remark : str
        What the key means, for a profile that did not have it.
    """

    table: str
    key: str
    value: float
    remark: str


@dataclass(frozen=True, slots=True)
class Curve:
    """What a plot of the readings shows.

    Attributes
    ----------
    x_label, y_label : str
    x, y : (N,) float64
        Readings.
    line : ((M,), (M,)) float64, optional
        What was fitted to them.
    marks : tuple of Estimate
        Figures along x, drawn with their intervals.
    """

    x_label: str
    y_label: str
    x: Floats
    y: Floats
    line: tuple[Floats, Floats] | None = None
    marks: tuple[Estimate, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a filled sheet says.

    Attributes
    ----------
    estimates : tuple of Estimate
    changes : tuple of Change
        Empty where the readings support none.
    before_after : tuple of str
        One line for each change: what the profile said, what it says now.
    curve : Curve
    notes : tuple of str
        What the person should know.
    """

    estimates: tuple[Estimate, ...]
    changes: tuple[Change, ...]
    before_after: tuple[str, ...]
    curve: Curve
    notes: tuple[str, ...] = ()


def short(value: float, error: float) -> float:
    """Round a figure to the place of its error's first digit, and one more.

    Examples
    --------
    >>> short(0.123456, 0.002), short(1234.5, 30.0)
    (0.1235, 1234.0)
    """
    if not (error > 0 and np.isfinite(error)):
        return float(f"{value:.6g}")
    return round(value, 1 - int(np.floor(np.log10(error))))
