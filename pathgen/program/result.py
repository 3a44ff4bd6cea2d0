"""Result of a job: plan, totals, summary, and samples of each panel for pictures."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen.layers import Strokes
from pathgen.motion import Tally
from pathgen.plan.model import Planned, Platform
from pathgen.program.summary import Summary


@dataclass(slots=True)
class Part:
    """Samples of one panel in a program.

    Attributes
    ----------
    planned : Planned
    counts : (layers, columns) int8
        Number of beads side by side, row 0 the bottom layer.
    samples : dict of int to Strokes
        Strokes of a few layers by layer number, in plan coordinates.
    """

    planned: Planned
    counts: NDArray[np.int8]
    samples: dict[int, Strokes] = field(default_factory=dict)


@dataclass(slots=True)
class Result:
    """Result of a job.

    Attributes
    ----------
    platform : Platform
    tally : Tally
        Time, filament, lengths and counts by kind of move.
    summary : Summary
    parts : list of Part
        One for each panel.
    """

    platform: Platform
    tally: Tally
    summary: Summary
    parts: list[Part]

    @property
    def planned(self) -> Planned:
        """The first panel."""
        return self.parts[0].planned

    @property
    def counts(self) -> NDArray[np.int8]:
        """Number of beads across the first panel's wall, (layers, columns), row 0 at the bottom."""
        return self.parts[0].counts

    @property
    def samples(self) -> dict[int, Strokes]:
        """Strokes in a few layers of the first panel."""
        return self.parts[0].samples
