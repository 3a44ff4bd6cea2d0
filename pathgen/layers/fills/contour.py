"""The contour fill: a closed loop half a spacing inside the section, and lines along the wall within.

What a uniform offset gives. Where the wall is not a whole number of spacings thick, the lines leave a gap or
do not find room, so it is not column-exact; where the wall is thinner than two spacings, the loop alone has
to do.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiLineString
from shapely.geometry.base import BaseGeometry

from pathgen.layers.sections import outline
from pathgen.layers.strokes import BeadPlan, Floats, Profiles, Strokes, constant_spacing, merge


def contour(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with a loop and lines of constant spacing.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Only its spacing and tolerance count.

    Returns
    -------
    Strokes
        A loop for each part of a section that is wide enough for one, then its lines.

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
        section = outline(thickness, profiles.pixel, plan.tolerance)
        made = [*_rings(section.buffer(-spacing / 2, join_style="mitre"))]
        made += _lines(section.buffer(-spacing, join_style="mitre"), spacing)
        lines += made
        layer += [number] * len(made)
    counts = (profiles.thickness > 0).astype(np.int8)
    return merge([constant_spacing(lines, layer, spacing)], counts)


def _rings(inside: BaseGeometry) -> list[Floats]:
    parts = [part for part in shapely.get_parts(inside) if not part.is_empty]
    return [np.asarray(ring.coords) for part in parts for ring in (part.exterior, *part.interiors)]


def _lines(inside: BaseGeometry, spacing: float) -> list[Floats]:
    """Lines along the wall whose beads fit between the loop's, every second one turned round."""
    if inside.is_empty:
        return []
    left, low, right, high = inside.bounds
    places = np.arange(low + spacing / 2, high - spacing / 2 + 1e-9, spacing)
    lines: list[Floats] = []
    for i, n in enumerate(places):
        clipped = inside.intersection(MultiLineString([[(left - 1, n), (right + 1, n)]]))
        parts = [np.asarray(p.coords) for p in shapely.get_parts(clipped) if p.length > spacing]
        # A line keeps half a spacing to the loop's bead at its ends too.
        parts = [
            p + np.array([[spacing / 2, 0], [-spacing / 2, 0]]) * np.sign(p[1, 0] - p[0, 0]) for p in parts
        ]
        lines += [p[::-1] for p in parts[::-1]] if i % 2 else parts
    return lines
