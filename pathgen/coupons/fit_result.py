"""Results from a filled sheet: estimates with intervals, and changes to a profile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """An estimate with its 95 % confidence interval.

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

    @property
    def half_width(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2

    def rounded(self) -> float:
        """Return the value, rounded to two significant digits of its error."""
        return round_to_error(self.value, self.half_width)

    def __str__(self) -> str:
        """Format the estimate with its interval and unit."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.name} {self.value:.4g} ({self.low:.4g} to {self.high:.4g}){unit}"


class Change(NamedTuple):
    """A change to one key of a profile.

    Attributes
    ----------
    table : str
        TOML table, such as "hot_end"; "" for the top-level keys.
    key : str
    value : float
        Rounded to the precision of the measurements.
    remark : str
        Meaning of the key, for a profile without it.
    """

    table: str
    key: str
    value: float
    remark: str


@dataclass(frozen=True, slots=True)
class Curve:
    """Data for a plot of the measurements and the fitted curve.

    Attributes
    ----------
    x_label, y_label : str
    x, y : (N,) float64
        Measurements.
    line : ((M,), (M,)) float64, optional
        Fitted curve.
    marks : tuple of Estimate
        Estimates along x, drawn with their intervals.
    """

    x_label: str
    y_label: str
    x: Floats
    y: Floats
    line: tuple[Floats, Floats] | None = None
    marks: tuple[Estimate, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """All results from a filled sheet.

    Attributes
    ----------
    estimates : tuple of Estimate
    changes : tuple of Change
        Empty if the measurements support none.
    before_after : tuple of str
        One line per change, with the old and the new value.
    curve : Curve
    notes : tuple of str
        Remarks for the user.
    """

    estimates: tuple[Estimate, ...]
    changes: tuple[Change, ...]
    before_after: tuple[str, ...]
    curve: Curve
    notes: tuple[str, ...] = ()


def round_to_error(value: float, error: float) -> float:
    """Round a value to two significant digits of its error.

    Examples
    --------
    >>> round_to_error(0.123456, 0.002), round_to_error(1234.5, 30.0)
    (0.1235, 1234.0)
    """
    if not (error > 0 and np.isfinite(error)):
        return float(f"{value:.6g}")
    return round(value, 1 - int(np.floor(np.log10(error))))
