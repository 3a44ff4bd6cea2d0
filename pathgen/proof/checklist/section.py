"""Beads across the wall, from back to face, at evenly spaced positions along every layer.

Glossary. *Probe*: a line across the wall at one place u of one layer. *Crossing*: a bead that passes a probe;
its *share* is the thickness of wall that its filament fills there. *Stack*: the crossings of one probe from
the back to the face. In a column-exact wall each bead begins at the end of the previous one: the *gap* in
front of a bead, and that between the flat back (n = 0) and the first bead, are 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pathgen.deposit.extruded import find_layers
from pathgen.motion import Moves, filament_area
from pathgen.proof.checklist.evidence import BLOCK, Bools, Floats, Ints
from pathgen.proof.program_panel import ProgramPanel

STEP = 0.47  # mm between probes; no simple multiple of a picture's lines, or all probes would meet the same
PROBES = 4000  # per layer; a wider panel is a mistyped one
STEEP = 0.02  # mm; moves that cover less of u run across the wall, and their share is rounding
DEEPEST, FINE = 128.0, 24  # mm and bits that tell positions across the wall apart when crossings are sorted
BESIDE = 1.0  # mm beside the panel that have probes as well


@dataclass(frozen=True, eq=False)
class Stacks:
    """Points at which beads cross the probe lines through a panel, by probe line, from back to face.

    Attributes
    ----------
    row : (N,) int
        Row of the move.
    probe : (N,) int
        Number of the probe: layer · `per_layer` + place.
    n : (N,) float64
        Position of the bead's centre line, mm from the back.
    share : (N,) float64
        mm of wall.
    order : (N,) int
        Indices of the crossings in the order in which they are deposited.
    per_layer : int
    step : float
        mm between probes.
    """

    row: Ints
    probe: Ints
    n: Floats
    share: Floats
    order: Ints
    per_layer: int
    step: float

    @property
    def beside(self) -> int:
        """Number of places beside either end of the panel."""
        return math.ceil(BESIDE / self.step)

    @property
    def layer(self) -> Ints:
        """Layer of each crossing, from 0."""
        return self.probe // self.per_layer

    @cached_property
    def first(self) -> Bools:
        """Mark the bead nearest to the back at each probe line."""
        return np.asarray(np.diff(self.probe, prepend=-1) != 0)

    @cached_property
    def last(self) -> Bools:
        """Mark the bead nearest to the face at each probe line."""
        return np.append(self.first[1:], True)[: len(self.row)]

    @cached_property
    def gap(self) -> Floats:
        """Gap between each bead and the previous bead or the back, mm; negative if they overlap."""
        before = np.zeros(len(self.n))
        before[1:] = (self.n + self.share / 2)[:-1]
        return np.asarray(self.n - self.share / 2 - np.where(self.first, 0.0, before))

    @cached_property
    def room(self) -> Floats:
        """Distance between the two neighbours of each bead, mm; the free face counts as a neighbour."""
        behind = np.append(self.gap[1:], 0.0)[: len(self.gap)]
        return np.asarray(self.share + self.gap + np.where(self.last, self.gap, behind))

    @cached_property
    def back(self) -> tuple[Ints, Floats]:
        """Crossings nearest to the back, and the back by them, mm: half the way to the next bead behind each.

        Only stacks of several beads count, whose centre lines show the back whatever the filament is.
        """
        at = np.flatnonzero(self.first & ~self.last)
        return at, (3 * self.n[at] - self.n[np.minimum(at + 1, len(self.n) - 1)]) / 2

    @cached_property
    def inner(self) -> Bools:
        """Mark the crossings that are at least `BESIDE` mm from the ends of the wall, where beads turn."""
        probe, near = self.probe[self.first], self.beside - 1
        inside = np.zeros(len(probe), bool)
        if len(probe) > 2 * near:
            inside[near : len(probe) - near] = probe[2 * near :] - probe[: len(probe) - 2 * near] == 2 * near
        return np.asarray(inside[np.cumsum(self.first) - 1])

    @cached_property
    def total(self) -> Floats:
        """Wall thickness that the filament at each probe line fills, mm, (stacks,)."""
        return np.add.reduceat(self.share, np.flatnonzero(self.first)) if len(self.share) else self.share

    @cached_property
    def section(self) -> Floats:
        """Thickness of wall between the back and the face of each stack, mm, by the centre lines alone.

        The last bead reaches as far in front of its centre line as half the distance to the previous bead, a
        single one as far as it is from the back.
        """
        last, before = self.n[self.last], np.append(0.0, self.n[:-1])[: len(self.n)][self.last]
        return np.where(self.first[self.last], 2 * last, last + (last - before) / 2)


@dataclass(frozen=True, eq=False)
class FlatBeads:
    """Deposits of a panel in flat coordinates, with the bend undone; arrays of shape (M,).

    Attributes
    ----------
    row : (M,) int
        Row of the move, ascending.
    layer : (M,) int
        Layer whose top is nearest, from 0.
    within : (M,) bool
        Whether the bead is within half the layer's height of that top.
    u : (start, end), each (M,) float64
        mm.
    depth : (N + 1,) float64
        n before the first move and after each of the N moves, mm.
    filament : (N,) float64
        Filament of each move, mm.
    placed : ProgramPanel
    """

    row: Ints
    layer: Ints
    within: Bools
    u: tuple[Floats, Floats]
    depth: Floats
    filament: Floats
    placed: ProgramPanel

    @cached_property
    def n(self) -> tuple[Floats, Floats]:
        """Position across the wall at the start and the end, mm."""
        return self.depth[self.row], self.depth[self.row + 1]

    @cached_property
    def length(self) -> Floats:
        """Length of the path, mm."""
        return np.hypot(self.u[1] - self.u[0], self.n[1] - self.n[0])

    @cached_property
    def area(self) -> Floats:
        """Area of the flat wall that the filament fills in its layer, mm²."""
        return self.area_of(np.arange(len(self.row)))

    def area_of(self, at: Ints) -> Floats:
        """Return the area for some of the beads, given by their indices."""
        frame = self.placed.frame
        packed = np.broadcast_to(frame.heights * self.placed.packing, frame.tops.shape)
        per_mm, row = filament_area(self.placed.filament_diameter) / packed, self.row[at]
        area = self.filament[row] * per_mm[self.layer[at]]
        if frame.bend is not None:  # a bead is longer than its flat one by the stretch at its middle
            area /= frame.bend.stretch((self.depth[row] + self.depth[row + 1]) / 2)
        return np.asarray(area)


def flatten_beads(moves: Moves, rows: Ints, placed: ProgramPanel) -> FlatBeads:
    """Convert deposits to the flat coordinates of their panel.

    Parameters
    ----------
    moves : Moves
    rows : (M,) int
        Ascending; at least one.
    placed : ProgramPanel

    Returns
    -------
    FlatBeads
    """
    frame, z = placed.frame, moves.z[rows]
    change = np.flatnonzero(np.diff(z, prepend=np.nan))
    found = find_layers(z[change], frame.tops, frame.heights)
    count = np.diff(np.append(change, len(z)))
    layer, within = np.repeat(found[0], count), np.repeat(found[1], count)
    x, y = (np.concatenate([[start], v]) for start, v in zip(moves.start, (moves.x, moves.y), strict=False))
    p, q = frame.plan(x, y)
    after = rows + 1
    if frame.bend is None:
        u = p[rows], p[after]
    else:
        u, q = frame.spans((x[rows], y[rows]), (x[after], y[after])), frame.bend.to_flat(p, q)[1]
    return FlatBeads(rows, layer.astype(np.intp), within, u, q, moves.filament, placed)


def cross_probes(beads: FlatBeads, width: float) -> Stacks:
    """Find the points at which deposits cross the probe lines of a panel `width` mm wide."""
    step = max(STEP, width / PROBES)
    beside = math.ceil(BESIDE / step)
    per_layer = math.ceil(width / step) + 2 * beside
    parts = [
        _cross_block(beads, slice(first, first + BLOCK), (step, beside, per_layer))
        for first in range(0, len(beads.row), BLOCK)
    ]
    row, probe, n, share = (np.concatenate(column) for column in zip(*parts, strict=True))
    fine = np.clip((n + DEEPEST / 2) / DEEPEST, 0, 1)  # one key sorts faster than two
    order = np.argsort((probe << FINE) + (fine * ((1 << FINE) - 1)).astype(np.int64), kind="stable")
    deposited = np.empty_like(order)
    deposited[order] = np.arange(len(order))
    return Stacks(row[order], probe[order], n[order], share[order], deposited, per_layer, step)


def _cross_block(
    beads: FlatBeads, block: slice, grid: tuple[float, int, int]
) -> tuple[Ints, Ints, Floats, Floats]:
    """Return the row, probe line, n and fraction of the path for each crossing of some deposits."""
    step, beside, per_layer = grid
    u0, u1 = (values[block] / step + (beside + 0.5) for values in beads.u)
    low, high = np.floor(u0), np.floor(u1)
    hits = np.flatnonzero((low != high) & beads.within[block] & (np.abs(u1 - u0) * step > STEEP))
    u0, u1 = u0[hits], u1[hits]
    first, stop = (
        np.clip(ends, 0, per_layer).astype(np.intp)
        for ends in (np.minimum(low[hits], high[hits]), np.maximum(low[hits], high[hits]))
    )
    count = stop - first
    of = np.repeat(np.arange(len(count)), count)
    place = first[of] + np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    across = (u1 - u0)[of]
    along = (place + 1.0 - u0[of]) / across
    order, of = of, hits[of]
    row = beads.row[block][of]
    n = beads.depth[row] + along * (beads.depth[row + 1] - beads.depth[row])
    probe = beads.layer[block][of] * per_layer + place
    share = beads.area_of(hits + block.start)[order] / (np.abs(across) * step)
    return row, probe, n, share
