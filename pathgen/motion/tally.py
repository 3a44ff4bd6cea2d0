"""Sum up moves: time, filament, length and number by kind, and the mass of the filament."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from pathgen.motion.moves import Kind, Moves
from pathgen.motion.speed import SpeedPlan

Floats = NDArray[np.float64]


def _zeros() -> Floats:
    return np.zeros(len(Kind))


@dataclass(frozen=True, slots=True)
class Tally:
    """Sums over moves, indexed by `Kind`.

    Attributes
    ----------
    time, filament, length, count : (kinds,) float64
        Seconds, mm of filament, mm of path, number of moves.
    slowed : int
        Moves that the limits of the axes or the hot end slowed below their wanted feed.
    """

    time: Floats = field(default_factory=_zeros)
    filament: Floats = field(default_factory=_zeros)
    length: Floats = field(default_factory=_zeros)
    count: Floats = field(default_factory=_zeros)
    slowed: int = 0

    def __add__(self, other: Tally) -> Tally:
        """Add two tallies."""
        return Tally(*(getattr(self, sums.name) + getattr(other, sums.name) for sums in fields(self)))


def sum_moves(moves: Moves, plan: SpeedPlan, feed: Floats) -> Tally:
    """Sum up a block of moves.

    Parameters
    ----------
    moves : Moves
    plan : SpeedPlan
        Speed plan of the same moves.
    feed : (N,) float64
        Planned feeds, mm/s.

    Returns
    -------
    Tally
        Zero if there are no moves.
    """
    length = moves.path()

    def total(values: Floats | None) -> Floats:
        return np.bincount(moves.kind, weights=values, minlength=len(Kind)).astype(float)

    slowed = int(np.count_nonzero(feed < moves.feed * (1 - 1e-9)))
    return Tally(total(plan.time), total(moves.filament), total(length), total(None), slowed)


def mass(filament: float, area: float, density: float) -> float:
    """Return the mass, g, of `filament` mm of filament; `area` is in mm², `density` in kg/m³.

    Examples
    --------
    >>> round(mass(1000.0, 2.405, 1240.0), 3)
    2.982
    """
    return filament * area * density * 1e-6
