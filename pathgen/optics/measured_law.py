"""Table law: a smooth transmittance curve through the measured steps of a wedge.

Between steps, ln T is a piecewise cubic that decreases wherever the measured steps decrease and has no extra
bumps (PCHIP: F. N. Fritsch, R. E. Carlson, SIAM J. Numer. Anal. 17, 238, 1980; from memory). Beyond the steps
ln T is extrapolated as a straight line with the mean slope of the outermost interval. Towards thickness 0 the
line is limited to T ≤ 1. The law therefore decreases everywhere, and every transmittance has a thickness;
`valid` gives the range that was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

ITERATIONS = 60  # maximum; bisection gains one binary digit per iteration, and a double has 53
CLOSE = 1e-14  # mm; the iteration ends when no root moves further


class _Pieces(NamedTuple):
    """Polynomial pieces of ln T, the logarithm of transmittance."""

    start: Floats  # (M,) mm
    level: Floats  # (M,) ln T at the start
    cubic: Floats  # (4, M) coefficients in thickness - start, highest power first
    width: Floats  # (M,) mm, the last infinite
    fall: Floats  # (M,) mean slope of ln T, 1/mm


@dataclass(frozen=True)
class TableLaw:
    """Monotone PCHIP interpolation of ln T through measured steps, and linear extrapolation of ln T.

    Attributes
    ----------
    thickness : tuple of float
        mm, ascending; at least two.
    measured : tuple of float
        Transmittance at each thickness, descending; less than 1 except at thickness 0.
    valid : (float, float), optional
        Range of thickness in which the law was measured, mm; by default from the first step to the last.
    error : float, optional
        Relative standard error of T.

    Examples
    --------
    >>> wedge = TableLaw((0.5, 1.0, 2.0, 3.0), (0.5, 0.3, 0.14, 0.07))
    >>> wedge.transmittance([0.0, 1.0, 1.5, 4.0]).round(4).tolist()
    [0.8333, 0.3, 0.2008, 0.035]
    >>> wedge.inverse([0.3, 0.14]).tolist()
    [1.0, 2.0]
    """

    thickness: tuple[float, ...]
    measured: tuple[float, ...]
    valid: tuple[float, float] = (0.0, 0.0)
    error: float | None = None

    def __post_init__(self) -> None:
        """Set `valid` to the range of the steps by default."""
        if self.valid == (0.0, 0.0):
            object.__setattr__(self, "valid", (self.thickness[0], self.thickness[-1]))

    @property
    def t0(self) -> float:
        """Transmittance at thickness 0, extrapolated from the first interval."""
        return float(self.transmittance(0.0))

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Return the transmittance of a thickness in mm."""
        piece, along = self._place(thickness)
        return np.asarray(np.exp(np.polyval(self._pieces.cubic[:, piece], along)))

    def slope(self, thickness: ArrayLike) -> Floats:
        """Return the derivative dT/dt at a thickness, in 1/mm; at a step, for the thicker side."""
        piece, along = self._place(thickness)
        cubic = self._pieces.cubic[:, piece]
        return np.asarray(np.exp(np.polyval(cubic, along)) * _rate(cubic, along))

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Return the thickness that has a transmittance, in mm, by Newton's method with bisection."""
        share = np.asarray(transmittance, dtype=np.float64)
        pieces = self._pieces
        target = np.log(np.where(share > 0, np.minimum(share, 1.0), 1.0))
        # searchsorted needs ascending values, and the levels descend: both signs are reversed.
        piece = np.maximum(np.searchsorted(-pieces.level, -target, side="right") - 1, 0)
        cubic = pieces.cubic[:, piece]
        low, high = np.zeros_like(target), pieces.width[piece]
        along = np.clip((target - pieces.level[piece]) / pieces.fall[piece], low, high)  # exact if linear
        for _ in range(ITERATIONS):
            over = np.polyval(cubic, along) - target
            low, high = np.where(over > 0, along, low), np.where(over > 0, high, along)
            with np.errstate(divide="ignore", invalid="ignore"):  # the slope may be 0 at an end
                newton = along - over / _rate(cubic, along)
                new = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
            settled = (np.abs(new - along) <= CLOSE).all()
            along = new
            if settled:
                break
        return np.where(share > 0, pieces.start[piece] + along, np.inf)

    def _place(self, thickness: ArrayLike) -> tuple[NDArray[np.intp], Floats]:
        """Return the polynomial piece of each thickness, and the distance from the start of the piece, mm."""
        t = np.asarray(thickness, dtype=np.float64)
        piece = np.maximum(np.searchsorted(self._pieces.start, t, side="right") - 1, 0)
        return piece, np.asarray(t - self._pieces.start[piece])

    @cached_property
    def _pieces(self) -> _Pieces:
        from scipy.interpolate import PchipInterpolator  # imported here, because only a table needs it

        t, level = np.array(self.thickness), np.log(self.measured)
        fall = np.diff(level) / np.diff(t)
        cubic = np.asarray(PchipInterpolator(t, level).c)
        cubic = np.column_stack([cubic, [0.0, 0.0, fall[-1], level[-1]]])
        fall, width = np.append(fall, fall[-1]), np.append(np.diff(t), np.inf)
        if t[0] > 0:
            before = max(fall[0], level[0] / t[0])
            edge = min(level[0] - before * t[0], 0.0)  # rounding could exceed it
            cubic = np.column_stack([[0.0, 0.0, before, edge], cubic])
            t, level = np.insert(t, 0, 0.0), np.insert(level, 0, edge)
            fall, width = np.insert(fall, 0, before), np.insert(width, 0, self.thickness[0])
        return _Pieces(t, level, cubic, width, fall)


def _rate(cubic: Floats, along: Floats) -> Floats:
    return np.asarray((3 * cubic[0] * along + 2 * cubic[1]) * along + cubic[2])
