"""Tailored fill: n beads of spacing t/n across a wall of thickness t, joined into few strokes.

The fill is column-exact: in every column further than one bead from the end of the wall, the areas of the
crossing beads add up to t·pixel except for rounding. At the ends, strokes stop half a bead inside the wall,
and the area of that last half bead is deposited by the hairpin or by the first millimetre of the stroke.
"""

from __future__ import annotations

import numpy as np

from pathgen.layers.fills.counts import count_beads
from pathgen.layers.fills.runs import find_runs
from pathgen.layers.fills.strands import Share, build_strokes
from pathgen.layers.strokes import BeadPlan, Ints, Profiles, Strokes


def tailored(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with beads of spacing t/n.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Nominal spacing, spacing limits, costs of changes of the bead count, and tolerance.

    Returns
    -------
    Strokes
        Their areas add up to the area of each layer's section. Empty if there is no wall.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> strokes = tailored(wall, BeadPlan(0.42, 0.28, 0.62))
    >>> len(strokes), round(float(strokes.area.sum()), 6)
    (1, 60.0)
    """
    counts = count_beads(profiles.thickness, profiles.pixel, plan)
    return build_strokes(find_runs(profiles, counts, plan), counts, profiles.first, _even)


def _even(beads: Ints, number: Ints) -> Share:
    """Divide the wall equally between the beads of a run."""
    zero = np.zeros(len(beads))
    return Share(offset=zero, place=(number + 0.5) / beads, fixed=zero, share=1.0 / beads)
