"""Moves: the whole toolpath as columns, in machine coordinates.

One row is one straight move that ends at (x, y, z) and feeds `filament` millimetres of filament on the way
(negative: drawn back). Units are mm and mm/s; nothing here is rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Kind(IntEnum):
    """What a move is for."""

    TRAVEL = 0  # head moves, nothing fed
    LIFT = 1  # up to the next layer
    RETRACT = 2  # filament drawn back, head at rest
    RELOAD = 3  # filament fed back after a retraction, head at rest
    LINK = 4  # short dry crossing inside a stroke
    WALL = 5  # bead of the panel
    HAIRPIN = 6  # deposit that crosses from one bead to the next at the wall's end
    BRIM = 7
    START = 8  # start line beside the panel
    WEDGE = 9  # sacrificial support against the rim
    COMB = 10  # sacrificial comb under an overhanging outline


DEPOSITS = (Kind.WALL, Kind.HAIRPIN, Kind.BRIM, Kind.START, Kind.WEDGE, Kind.COMB)


@dataclass(frozen=True, slots=True)
class Moves:
    """Columns of N moves.

    Attributes
    ----------
    start : tuple of float
        Machine position (x, y, z) before the first move, mm.
    x, y, z : (N,) float64
        End position of each move, mm.
    filament : (N,) float64
        Filament fed during the move, mm of filament (not mm³), unrounded.
    feed : (N,) float64
        Wanted speed along the path (of the filament where the head rests), mm/s.
    kind : (N,) uint8
        A `Kind`.
    layer : (N,) int32
        Layer number from 0.
    """

    start: tuple[float, float, float]
    x: Floats
    y: Floats
    z: Floats
    filament: Floats
    feed: Floats
    kind: NDArray[np.uint8]
    layer: NDArray[np.int32]

    def __len__(self) -> int:
        """Count the moves."""
        return len(self.x)

    def only(self, rows: NDArray[np.bool_]) -> Moves:
        """Keep the moves where `rows`, (N,) bool, is true; the start stays."""
        columns = {f.name: getattr(self, f.name)[rows] for f in fields(Moves) if f.name != "start"}
        return Moves(self.start, **columns)

    def rows(self, rows: slice) -> Moves:
        """Copy a run of moves; it starts where the move before it ends."""
        first = rows.indices(len(self))[0]
        at = self.start if not first else tuple(float(v[first - 1]) for v in (self.x, self.y, self.z))
        columns = {f.name: getattr(self, f.name)[rows].copy() for f in fields(Moves) if f.name != "start"}
        return Moves((at[0], at[1], at[2]), **columns)

    def steps(self) -> list[Floats]:
        """Measure every move along x, y and z, mm, three arrays of (N,)."""
        return [
            np.diff(values, prepend=first)
            for values, first in zip((self.x, self.y, self.z), self.start, strict=True)
        ]

    def path(self) -> Floats:
        """Measure the length of every move's path, mm, (N,); 0 where the head rests."""
        x, y, z = self.steps()
        length: Floats = np.sqrt(x**2 + y**2 + z**2)
        return length

    @property
    def end(self) -> tuple[float, float, float]:
        """Position after the last move; the start where there is none."""
        if not len(self):
            return self.start
        return float(self.x[-1]), float(self.y[-1]), float(self.z[-1])


def concatenate(parts: list[Moves]) -> Moves:
    """Join blocks of moves that follow one another; the first block's start is kept.

    Raises
    ------
    ValueError
        When `parts` is empty.
    """
    if not parts:
        raise ValueError("no moves to join")
    names = [f.name for f in fields(Moves) if f.name != "start"]
    return Moves(parts[0].start, **{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})
