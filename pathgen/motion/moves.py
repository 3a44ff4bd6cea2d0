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
Position = tuple[float, float, float]  # (x, y, z), mm


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

    start: Position
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
        return Moves(self.start, **{name: getattr(self, name)[rows] for name in _COLUMNS})

    def rows(self, rows: slice) -> Moves:
        """Copy a slice of the moves; the copy starts at the end of the preceding move."""
        before = rows.indices(len(self))[0] - 1
        at = (
            self.start
            if before < 0
            else (float(self.x[before]), float(self.y[before]), float(self.z[before]))
        )
        return Moves(at, **{name: getattr(self, name)[rows].copy() for name in _COLUMNS})

    def steps(self) -> list[Floats]:
        """Return the displacement of every move along x, y and z, mm; three arrays of (N,)."""
        ends = (self.x, self.y, self.z)
        return [np.diff(end, prepend=first) for end, first in zip(ends, self.start, strict=True)]

    def path(self) -> Floats:
        """Return the path length of every move, mm, (N,); 0 if the head is at rest."""
        x, y, z = self.steps()
        length: Floats = np.sqrt(x**2 + y**2 + z**2)
        return length

    @property
    def end(self) -> Position:
        """Position after the last move, or the start if there are no moves."""
        return (float(self.x[-1]), float(self.y[-1]), float(self.z[-1])) if len(self) else self.start


_COLUMNS = [field.name for field in fields(Moves) if field.name != "start"]


def concatenate(parts: list[Moves]) -> Moves:
    """Join consecutive blocks of moves, keeping the start of the first block.

    Raises
    ------
    ValueError
        If `parts` is empty.
    """
    if not parts:
        raise ValueError("there are no moves to join")
    return Moves(parts[0].start, **{n: np.concatenate([getattr(p, n) for p in parts]) for n in _COLUMNS})
