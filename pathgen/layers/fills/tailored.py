"""The tailored fill: as many beads as suit the wall, each of spacing t/n, joined into few strokes.

Column-exact: the areas of the beads that cross a column add up to t·pixel, to rounding, in every column
further than one bead from the wall's end. At the ends the strokes keep half a spacing inside the wall and the
area of that last half spacing goes into the turn, or into the stroke's first millimetre.
"""

from __future__ import annotations

import numpy as np

from pathgen.layers.fills.counts import count_beads
from pathgen.layers.fills.runs import find_runs
from pathgen.layers.fills.strands import Share, strokes_of
from pathgen.layers.strokes import BeadPlan, Ints, Profiles, Strokes


def tailored(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with beads of spacing t/n.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Nominal spacing and limits, costs of bead-count changes, tolerance.

    Returns
    -------
    Strokes
        Their areas add up to each layer's section area. Empty where there is no wall.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> strokes = tailored(wall, BeadPlan(0.42, 0.28, 0.62))
    >>> len(strokes), round(float(strokes.area.sum()), 6)
    (1, 60.0)
    """
    counts = count_beads(profiles.thickness, profiles.pixel, plan)
    return strokes_of(find_runs(profiles, counts, plan), counts, profiles.first, _even)


def _even(beads: Ints, number: Ints) -> Share:
    """Every bead of a run has the same share of the wall."""
    none = np.zeros(len(beads))
    return Share(offset=none, place=(number + 0.5) / beads, fixed=none, share=1.0 / beads)
