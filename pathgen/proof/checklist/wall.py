"""The beads of one panel's wall, as the rules of `solid` use them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from pathgen.motion.moves import Moves
from pathgen.proof.checklist.evidence import EXACT, Bools, Floats, Ints, Subject
from pathgen.proof.checklist.section import FlatBeads, Stacks, cross_probes
from pathgen.proof.header import JobFacts
from pathgen.proof.program_panel import ProgramPanel

STEEP, ACROSS = 10.0, 0.25  # slope of lines across the wall, and their share of the path in a layer


class Pieces(NamedTuple):
    """Pieces of beads in printing order; arrays of shape (N,)."""

    row: Ints
    layer: Ints
    length: Floats  # mm
    filled: Floats  # filament divided by what fits

    def take(self, at: Ints | Bools) -> Pieces:
        """Return some of the pieces."""
        return Pieces(self.row[at], self.layer[at], self.length[at], self.filled[at])


@dataclass(frozen=True, eq=False)
class Wall:
    """The beads of one panel's wall in a window of a program.

    Attributes
    ----------
    subject : Subject
    moves : Moves
        With the filament that leaves the nozzle.
    placed : ProgramPanel
    job : JobFacts
    beads : FlatBeads
        Deposits of the wall.
    prefix : str
        Names the panel in findings.
    """

    subject: Subject
    moves: Moves
    placed: ProgramPanel
    job: JobFacts
    beads: FlatBeads
    prefix: str

    @cached_property
    def stacks(self) -> Stacks:
        """Stacks of the deposits at the probes."""
        return cross_probes(self.beads, self.placed.frame.width)

    @property
    def rows(self) -> Ints:
        """Rows of the deposits."""
        return self.beads.row

    @property
    def fed(self) -> Bools:
        """Mark the moves that feed filament."""
        return np.asarray(self.subject.moves.filament[self.rows] > 0)

    @cached_property
    def damaged(self) -> Ints:
        """Layers with beads that belong to a damaged layer of the program."""
        return np.unique(self.beads.layer[self.subject.in_damaged(self.rows)])

    @property
    def led(self) -> bool:
        """Whether the program feeds filament early to compensate for pressure lag."""
        return self.moves is not self.subject.moves

    @property
    def exact(self) -> bool:
        """Whether the bead spacings in every column add up to the wall thickness."""
        return self.job.fill in EXACT

    @property
    def spacing(self) -> float:
        """Bead spacing of the job, mm."""
        return self.job.spacing or 1.05 * self.subject.machine.hot_end.nozzle_diameter

    @property
    def dry(self) -> bool:
        """Whether hairpins deposit nothing."""
        return self.subject.program.header.get("job hairpins") == "dry"

    @cached_property
    def constant(self) -> tuple[Ints, Floats]:
        """Mask of beads with constant spacing, and the area available to each deposit, mm².

        In layers of lines across the wall, only the lines count. They deposit the share of dry hairpins. The
        other hairpins of a raster have a share of their own.
        """
        beads = self.beads
        crossed = np.bincount(beads.layer[self.across], minlength=len(self.placed.frame.tops)) > 0
        counted = np.where(crossed[beads.layer], self.across, ~self.steep) & beads.within
        ends = np.minimum(beads.length, self.spacing) * (self.across & self.dry)
        return np.flatnonzero(counted), (beads.length + ends) * self.spacing

    @cached_property
    def across(self) -> Bools:
        """Mark the lines across the wall of a raster, in layers that consist of such lines."""
        beads, layers = self.beads, len(self.placed.frame.tops)
        share = np.bincount(beads.layer, beads.length * self.steep, layers)
        crossed = share > ACROSS * np.bincount(beads.layer, beads.length, layers)
        return np.asarray(self.steep & crossed[beads.layer])

    @cached_property
    def steep(self) -> Bools:
        """Mark the raster beads that run across the wall: lines or hairpins."""
        if self.job.fill != "raster":
            return np.zeros(len(self.rows), bool)
        (u0, u1), (n0, n1) = self.beads.u, self.beads.n
        return np.asarray(np.abs(n1 - n0) > STEEP * np.abs(u1 - u0))
