"""What moves add up to: time, filament, length and number by kind, and what that weighs and costs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen.motion.moves import Kind, Moves
from pathgen.motion.speed import SpeedPlan

Floats = NDArray[np.float64]


def _none() -> Floats:
    return np.zeros(len(Kind))


@dataclass(frozen=True, slots=True)
class Tally:
    """Sums over moves, indexed by `Kind`.

    Attributes
    ----------
    time, filament, length, count : (kinds,) float64
        s, mm of filament, mm of path, number of moves.
    slowed : int
        Moves that axes or hot end made slower than wanted.
    """

    time: Floats = field(default_factory=_none)
    filament: Floats = field(default_factory=_none)
    length: Floats = field(default_factory=_none)
    count: Floats = field(default_factory=_none)
    slowed: int = 0

    def __add__(self, other: Tally) -> Tally:
        """Join two sums."""
        return Tally(
            self.time + other.time,
            self.filament + other.filament,
            self.length + other.length,
            self.count + other.count,
            self.slowed + other.slowed,
        )


def sum_moves(moves: Moves, plan: SpeedPlan, feed: Floats) -> Tally:
    """Sum up a block of moves.

    Parameters
    ----------
    moves : Moves
    plan : Plan
        Of the same moves.
    feed : (N,) float64
        As planned, mm/s.

    Returns
    -------
    Tally
        Zero everywhere for no moves.
    """
    length = moves.path()

    def total(values: Floats | None) -> Floats:
        return np.bincount(moves.kind, weights=values, minlength=len(Kind)).astype(float)

    slowed = int(np.count_nonzero(feed < moves.feed * (1 - 1e-9)))
    return Tally(total(plan.time), total(moves.filament), total(length), total(None), slowed)


def mass(filament: float, area: float, density: float) -> float:
    """Mass of `filament` mm of filament, g; its cross-section `area` in mm², `density` in kg/m³.

    Examples
    --------
    >>> round(mass(1000.0, 2.405, 1240.0), 3)
    2.982
    """
    return filament * area * density * 1e-6
