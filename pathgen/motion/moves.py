"""Represent the whole toolpath as arrays of moves in machine coordinates.

A row is a straight move that ends at (x, y, z) and feeds `filament` millimetres of filament on the way, or
draws it back if negative. Units are mm and mm/s; nothing is rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Kind(IntEnum):
    """Purpose of a move."""

    TRAVEL = 0  # motion without feeding filament
    LIFT = 1  # motion up to the next layer
    RETRACT = 2  # filament drawn back, head at rest
    RELOAD = 3  # filament fed back after a retraction, head at rest
    LINK = 4  # short crossing inside a stroke without a deposit
    WALL = 5  # bead of the panel's wall
    HAIRPIN = 6  # deposit from one bead to the next at the end of the wall
    BRIM = 7
    START = 8  # start line beside the panel
    WEDGE = 9  # sacrificial support against the rim
    COMB = 10  # sacrificial comb under an overhanging outline


DEPOSITS = (Kind.WALL, Kind.HAIRPIN, Kind.BRIM, Kind.START, Kind.WEDGE, Kind.COMB)


@dataclass(frozen=True, slots=True)
class Moves:
    """Arrays of N moves.

    Attributes
    ----------
    start : tuple of float
        Machine position (x, y, z) before the first move, mm.
    x, y, z : (N,) float64
        End position of each move, mm.
    filament : (N,) float64
        Filament fed during the move, mm of filament (not mm³), unrounded.
    feed : (N,) float64
        Wanted speed along the path, mm/s; speed of the filament if the head is at rest.
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
        """Return the number of moves."""
        return len(self.x)

    def only(self, rows: NDArray[np.bool_]) -> Moves:
        """Return the moves selected by `rows`, (N,) bool, with the same start."""
        columns = {f.name: getattr(self, f.name)[rows] for f in fields(Moves) if f.name != "start"}
        return Moves(self.start, **columns)

    def rows(self, rows: slice) -> Moves:
        """Copy a slice of the moves; the copy starts at the end of the preceding move."""
        first = rows.indices(len(self))[0]
        at = self.start if not first else tuple(float(v[first - 1]) for v in (self.x, self.y, self.z))
        columns = {f.name: getattr(self, f.name)[rows].copy() for f in fields(Moves) if f.name != "start"}
        return Moves((at[0], at[1], at[2]), **columns)

    def steps(self) -> list[Floats]:
        """Return the displacement of every move along x, y and z, mm; three arrays of (N,)."""
        return [
            np.diff(values, prepend=first)
            for values, first in zip((self.x, self.y, self.z), self.start, strict=True)
        ]

    def path(self) -> Floats:
        """Return the path length of every move, mm, (N,); 0 if the head is at rest."""
        x, y, z = self.steps()
        length: Floats = np.sqrt(x**2 + y**2 + z**2)
        return length

    @property
    def end(self) -> tuple[float, float, float]:
        """Position after the last move, or the start if there are no moves."""
        if not len(self):
            return self.start
        return float(self.x[-1]), float(self.y[-1]), float(self.z[-1])


def concatenate(parts: list[Moves]) -> Moves:
    """Join consecutive blocks of moves, keeping the start of the first block.

    Raises
    ------
    ValueError
        If `parts` is empty.
    """
    if not parts:
        raise ValueError("there are no moves to join")
    names = [f.name for f in fields(Moves) if f.name != "start"]
    return Moves(parts[0].start, **{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})
