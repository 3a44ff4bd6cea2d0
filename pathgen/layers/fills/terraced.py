"""Terraced fill: straight inner beads of the nominal spacing, and two outer beads that take the remainder.

Seen from above, the inner beads form terraces where the wall is thick enough for them, and the two front
beads follow the picture with the remaining spacing. The fill is column-exact, and its strands are joined as
in the tailored fill.
"""

from __future__ import annotations

import numpy as np

from pathgen.layers.fills.counts import count_beads
from pathgen.layers.fills.runs import find_runs
from pathgen.layers.fills.strands import Share, build_strokes
from pathgen.layers.strokes import BeadPlan, Ints, Profiles, Strokes

OUTER = 2  # beads that take the remainder; two stay nearer to the nominal spacing than one


def terraced(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with inner beads of constant spacing and adapted outer beads.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Nominal spacing of the inner beads, spacing limits of the outer ones, costs of changes of the bead
        count, and tolerance.

    Returns
    -------
    Strokes
        Their areas add up to the area of each layer's section. Empty if there is no wall.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.75), 0.1)
    >>> strokes = terraced(wall, BeadPlan(0.42, 0.28, 0.62))
    >>> len(strokes), round(float(strokes.area.sum()), 6)
    (1, 87.5)
    """
    counts = count_beads(profiles.thickness, profiles.pixel, plan, adapting=OUTER)

    def remainder(beads: Ints, number: Ints) -> Share:
        """Assign the nominal spacing to inner beads, and half of the remainder to each outer bead."""
        outer = np.minimum(beads, OUTER)
        inner = beads - outer
        is_outer = number >= inner
        place = np.where(is_outer, (number - inner + 0.5) / outer, 0.0)
        return Share(
            offset=plan.spacing * np.where(is_outer, inner * (1 - place), number + 0.5),
            place=place,
            fixed=plan.spacing * np.where(is_outer, -inner / outer, 1.0),
            share=np.where(is_outer, 1.0 / outer, 0.0),
        )

    return build_strokes(find_runs(profiles, counts, plan), counts, profiles.first, remainder)
