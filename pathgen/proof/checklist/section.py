"""The stack of beads across the wall, at evenly spaced places of every layer.

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
from pathgen.proof.checklist.evidence import Bools, Floats, Ints
from pathgen.proof.program_panel import ProgramPanel

STEP = 0.47  # mm between probes; no simple multiple of a picture's lines, or all probes would meet the same
PROBES = 200  # per layer; wider panels have probes further apart
STEEP = 0.02  # mm; moves that cover less of u run across the wall, and their share is rounding
BESIDE = 1.0  # mm beside the panel that have probes as well


@dataclass(frozen=True, eq=False)
class Stacks:
    """All crossings of a panel's beads with its probes, by probe and from the back to the face.

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
    per_layer : int
    step : float
        mm between probes.
    """

    row: Ints
    probe: Ints
    n: Floats
    share: Floats
    per_layer: int
    step: float

    @property
    def layer(self) -> Ints:
        """Layer of each crossing, from 0."""
        return self.probe // self.per_layer

    @cached_property
    def first(self) -> Bools:
        """Mark the crossing nearest to the back of each stack."""
        return np.asarray(np.diff(self.probe, prepend=-1) != 0)

    @cached_property
    def last(self) -> Bools:
        """Mark the crossing nearest to the face of each stack."""
        return np.append(self.first[1:], True)[: len(self.row)]

    @cached_property
    def gap(self) -> Floats:
        """Gap between each bead and the previous one or the back, mm; below 0 where they overlap."""
        before = np.zeros(len(self.n))
        before[1:] = (self.n + self.share / 2)[:-1]
        return np.asarray(self.n - self.share / 2 - np.where(self.first, 0.0, before))

    @cached_property
    def room(self) -> Floats:
        """Distance between the two neighbours of each bead, mm; the free face counts as the other side."""
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
    def total(self) -> Floats:
        """Thickness of wall that the filament of each stack fills, mm, (stacks,)."""
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
    u, n : (start, end), each (M,) float64
        mm.
    area : (M,) float64
        Area of the flat wall that the filament fills in its layer, mm².
    """

    row: Ints
    layer: Ints
    within: Bools
    u: tuple[Floats, Floats]
    n: tuple[Floats, Floats]
    area: Floats

    @cached_property
    def length(self) -> Floats:
        """Length of the path, mm."""
        return np.hypot(self.u[1] - self.u[0], self.n[1] - self.n[0])


def flatten_beads(moves: Moves, rows: Ints, placed: ProgramPanel) -> FlatBeads:
    """Convert deposits to the flat coordinates of their panel.

    Parameters
    ----------
    moves : Moves
    rows : (M,) int
        Ascending.
    placed : ProgramPanel

    Returns
    -------
    FlatBeads
    """
    frame, before = placed.frame, np.maximum(rows - 1, 0)
    x, y = (
        (np.where(rows > 0, values[before], start), values[rows])
        for values, start in ((moves.x, moves.start[0]), (moves.y, moves.start[1]))
    )
    u = frame.spans((x[0], y[0]), (x[1], y[1]))
    plan = [frame.plan(x[k], y[k]) for k in (0, 1)]
    layer, within = find_layers(moves.z[rows], frame.tops, frame.heights)
    packed = np.broadcast_to(frame.heights * placed.packing, frame.tops.shape)[layer]
    area = moves.filament[rows] * filament_area(placed.filament_diameter) / packed
    if frame.bend is None:
        return FlatBeads(rows, layer, within, u, (plan[0][1], plan[1][1]), area)
    n = [frame.bend.to_flat(*at)[1] for at in plan]
    # A bead is longer than its flat one by the stretch at its middle, and so is its area.
    return FlatBeads(rows, layer, within, u, (n[0], n[1]), area / frame.bend.stretch((n[0] + n[1]) / 2))


def cross_probes(beads: FlatBeads, width: float) -> Stacks:
    """Find all crossings of deposits with the probes of a panel that is `width` mm wide."""
    step = max(STEP, width / PROBES)
    beside = math.ceil(BESIDE / step)
    per_layer = math.ceil(width / step) + 2 * beside
    u0, u1 = (values / step + beside for values in beads.u)
    ends = np.minimum(u0, u1), np.maximum(u0, u1)
    low, high = (np.clip(np.ceil(end - 0.5), 0, per_layer).astype(np.intp) for end in ends)
    across = np.abs(u1 - u0) * step
    count = np.where(beads.within & (across > STEEP), high - low, 0)
    of = np.repeat(np.arange(len(count)), count)
    place = low[of] + np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    n = beads.n[0][of] + (place + 0.5 - u0[of]) / (u1 - u0)[of] * (beads.n[1] - beads.n[0])[of]
    probe = beads.layer[of] * per_layer + place
    order = np.lexsort((n, probe))
    of = of[order]
    return Stacks(beads.row[of], probe[order], n[order], beads.area[of] / across[of], per_layer, step)
