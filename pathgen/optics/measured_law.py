"""The law of a plastic as it was measured: a smooth curve through the steps of a wedge.

Between steps ln T is a piecewise cubic that falls wherever the measured steps fall, without bumps of its own
(PCHIP: F. N. Fritsch, R. E. Carlson, SIAM J. Numer. Anal. 17, 238, 1980; from memory). Beyond the steps
nothing was measured, and ln T goes on as a straight line: each millimetre takes the same share of the light
as it did across the outermost step. Towards thickness 0 that line is held at or under T = 1. So the law falls
everywhere, and every transmittance has a thickness; how far to trust it is what `valid` says.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

TURNS = 60  # most turns of the search for a root: halving gains a binary digit each, and a double has 53
CLOSE = 1e-14  # mm; a turn that moves no root further ends the search


class _Pieces(NamedTuple):
    """The curve of ln T: where each piece begins, its level there, its polynomial, and its mean fall."""

    start: Floats  # (M,) mm
    level: Floats  # (M,)
    cubic: Floats  # (4, M), highest power first, of thickness less start
    width: Floats  # (M,) mm, the last infinite
    fall: Floats  # (M,) mean change of ln T with thickness, 1/mm


@dataclass(frozen=True)
class TableLaw:
    """Monotone PCHIP of ln T through measured steps, straight beyond them.

    Attributes
    ----------
    thickness : tuple of float
        mm, rising; two or more.
    measured : tuple of float
        Transmittance at each thickness, falling; less than 1 but at thickness 0.
    valid : (float, float), optional
        Thicknesses that the law holds for, mm; by default from the first step to the last.
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
        """Fill in the range that was measured."""
        if self.valid == (0.0, 0.0):
            object.__setattr__(self, "valid", (self.thickness[0], self.thickness[-1]))

    @property
    def t0(self) -> float:
        """Transmittance at thickness 0, where the first step's line leads."""
        return float(self.transmittance(0.0))

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Transmittance of a thickness in mm."""
        piece, along = self._place(thickness)
        return np.asarray(np.exp(_value(self._pieces.cubic[:, piece], along)))

    def slope(self, thickness: ArrayLike) -> Floats:
        """Change of transmittance with thickness, 1/mm; at a step, that of the thicker side."""
        piece, along = self._place(thickness)
        cubic = self._pieces.cubic[:, piece]
        return np.asarray(np.exp(_value(cubic, along)) * _rate(cubic, along))

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Thickness in mm that has a transmittance: the root of its piece, by guarded Newton steps."""
        share = np.asarray(transmittance, dtype=np.float64)
        pieces = self._pieces
        wanted = np.log(np.where(share > 0, np.minimum(share, 1.0), 1.0))
        # Levels fall and searchsorted wants them to rise, so both signs are turned.
        piece = np.maximum(np.searchsorted(-pieces.level, -wanted, side="right") - 1, 0)
        cubic = pieces.cubic[:, piece]
        low, high = np.zeros_like(wanted), pieces.width[piece]
        along = np.clip(
            (wanted - pieces.level[piece]) / pieces.fall[piece], low, high
        )  # exact where straight
        for _ in range(TURNS):
            over = _value(cubic, along) - wanted
            low, high = np.where(over > 0, along, low), np.where(over > 0, high, along)
            with np.errstate(divide="ignore", invalid="ignore"):  # a piece may be level at its end
                newton = along - over / _rate(cubic, along)
                further = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
            moved = np.max(np.abs(further - along), initial=0.0)
            along = further
            if moved <= CLOSE:
                break
        return np.where(share > 0, pieces.start[piece] + along, np.inf)

    def _place(self, thickness: ArrayLike) -> tuple[NDArray[np.intp], Floats]:
        """Find the piece that each thickness lies in, and how far from its start."""
        t = np.asarray(thickness, dtype=np.float64)
        piece = np.maximum(np.searchsorted(self._pieces.start, t, side="right") - 1, 0)
        return piece, np.asarray(t - self._pieces.start[piece])

    @cached_property
    def _pieces(self) -> _Pieces:
        # Only who has a table waits for this part of scipy.
        from scipy.interpolate import PchipInterpolator

        t, level = np.array(self.thickness), np.log(self.measured)
        fall = np.diff(level) / np.diff(t)
        cubic = np.asarray(PchipInterpolator(t, level).c)
        cubic = np.column_stack([cubic, [0.0, 0.0, fall[-1], level[-1]]])
        fall, width = np.append(fall, fall[-1]), np.append(np.diff(t), np.inf)
        if t[0] > 0:
            before = max(fall[0], level[0] / t[0])
            edge = min(level[0] - before * t[0], 0.0)  # rounding could lead over it
            cubic = np.column_stack([[0.0, 0.0, before, edge], cubic])
            t, level = np.insert(t, 0, 0.0), np.insert(level, 0, edge)
            fall, width = np.insert(fall, 0, before), np.insert(width, 0, self.thickness[0])
        return _Pieces(t, level, cubic, width, fall)


def _value(cubic: Floats, along: Floats) -> Floats:
    return np.asarray(((cubic[0] * along + cubic[1]) * along + cubic[2]) * along + cubic[3])


def _rate(cubic: Floats, along: Floats) -> Floats:
    return np.asarray((3 * cubic[0] * along + 2 * cubic[1]) * along + cubic[2])
