"""The sums that a program states for each layer, so that a damaged layer is recognised from the text alone.

After the last line of a layer, a comment states what its lines deposit: the filament, the length of the path
over which it is fed, and the centre of the fed filament in the plane of the platform. Every value is computed
from the rounded numbers of the text, so that a reader finds the same. A line that is lost, doubled or moved
changes at least one of the sums.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

TOTALS = 4  # columns of `sum_deposits`
UNIT = 1e-6  # mm, or mm²
_TOLERANCE = {"filament": 0.02, "path": 0.05, "x": 0.01, "y": 0.01}  # mm; numbers in a text are rounded
_SHARE = 0.001  # of filament and path, in addition
_NUMBER = r"(-?\d+\.?\d*)"
_SUM = re.compile(rf"sum filament {_NUMBER} mm path {_NUMBER} mm centre {_NUMBER} {_NUMBER} mm")


class LayerSum(NamedTuple):
    """What the lines of one layer deposit.

    Attributes
    ----------
    filament : float
        mm of filament fed while the head travels.
    path : float
        Length of the path over which filament is fed, mm.
    x, y : float
        Centre of the fed filament, mm: the middle of each move counts by its filament.
    """

    filament: float
    path: float
    x: float
    y: float

    @classmethod
    def of(cls, totals: Floats) -> LayerSum:
        """Return the sums of a layer from its row of `sum_deposits`."""
        filament, path, x, y = totals.tolist()
        centre = (x / filament, y / filament) if filament else (0.0, 0.0)
        return cls(filament * UNIT, path * UNIT, *centre)

    def differs(self, stated: LayerSum, *names: str) -> bool:
        """Return whether a sum differs from the stated one by more than rounding can explain.

        Parameters
        ----------
        stated : LayerSum
        *names : str
            Fields that are compared; by default all.
        """
        for name in names or self._fields:
            found, wanted = getattr(self, name), getattr(stated, name)
            share = _SHARE * abs(wanted) if name in ("filament", "path") else 0.0
            if not abs(found - wanted) <= _TOLERANCE[name] + share:
                return True
        return False

    def __str__(self) -> str:
        """Return the text of the comment."""
        return (
            f"sum filament {self.filament:.4f} mm path {self.path:.3f} mm centre {self.x:.3f} {self.y:.3f} mm"
        )


def parse_sum(comment: str) -> LayerSum | None:
    """Return the sums that a comment states; None for any other comment."""
    match = _SUM.fullmatch(comment)
    return LayerSum(*map(float, match.groups())) if match else None


def sum_deposits(
    start: tuple[float, float, float], xyz: tuple[Floats, Floats, Floats], filament: Floats, first: Ints
) -> Floats:
    """Sum up what moves deposit, in groups of consecutive moves.

    Parameters
    ----------
    start : (x, y, z)
        Position before the first move, mm.
    xyz : three arrays of shape (N,)
        Position after each move, mm.
    filament : (N,) float64
        Filament that each move feeds, mm. Only moves that travel and feed more than 0 deposit.
    first : (G,) int
        First move of each group, ascending, beginning with 0.

    Returns
    -------
    (G, 4) float64
        Filament, path, and filament times x and y of the middle of each move, in units of `UNIT`. They are
        whole numbers, so their sums do not depend on the division into groups.
    """
    squared = np.zeros(len(filament))
    middle = []
    for column, before in zip(xyz, start, strict=True):
        step = np.diff(column, prepend=before)
        middle.append(column - step / 2)
        squared += np.square(step, out=step)
    fed = np.where((filament > 0) & (squared > 0), filament, 0.0)
    path = np.sqrt(squared, out=squared) * (fed > 0)
    columns = (fed, path, fed * middle[0], fed * middle[1])
    return np.stack([np.add.reduceat(np.rint(column / UNIT), first) for column in columns], axis=1)
