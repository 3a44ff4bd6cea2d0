"""Contour fill: a closed loop half a bead inside the section, and lines along the wall inside the loop.

This is the result of a uniform offset. It is not column-exact: unless the wall thickness is a whole number of
spacings, the lines leave a gap or do not fit. A wall thinner than two spacings contains the loop only.
"""

from __future__ import annotations

import numpy as np

from pathgen.layers.bent import subdivide_strokes
from pathgen.layers.sections import clip_lines, outline_rings, section_outline
from pathgen.layers.strokes import BeadPlan, Floats, Profiles, Strokes, make_strokes, merge_strokes


def contour(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with a loop and lines of constant spacing.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        `spacing`, `tolerance` and, along a bent wall, `longest` are used.

    Returns
    -------
    Strokes
        A loop for each part of a section that is wide enough, then its lines.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> round(float(contour(wall, BeadPlan(0.42, 0.28, 0.62)).area.sum()), 1)  # of 60
    42.3
    """
    spacing = plan.spacing
    lines: list[Floats] = []
    layer: list[int] = []
    for number, thickness in enumerate(profiles.thickness, profiles.first):
        section = section_outline(thickness, profiles.pixel, plan.tolerance)
        lines += outline_rings(section.buffer(-spacing / 2, join_style="mitre"))
        inside = section.buffer(-spacing, join_style="mitre")
        if not inside.is_empty:
            low, high = inside.bounds[1], inside.bounds[3]
            places = np.arange(low + spacing / 2, high - spacing / 2 + 1e-9, spacing)
            # At its ends, too, a line keeps half a spacing from the bead of the loop.
            lines += clip_lines(inside, places, spacing, spacing / 2)
        layer += [number] * (len(lines) - len(layer))
    counts = (profiles.thickness > 0).astype(np.int8)
    strokes = merge_strokes([make_strokes(lines, layer, spacing)], counts)
    return strokes if plan.longest is None else subdivide_strokes(strokes, plan.longest)
