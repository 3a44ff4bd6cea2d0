"""Contour fill: a closed loop half a bead inside the section, and lines along the wall inside the loop.

This is the result of a uniform offset. It is not column-exact: unless the wall thickness is a whole number of
spacings, the lines leave a gap or do not fit. A wall thinner than two spacings contains the loop only.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiLineString
from shapely.geometry.base import BaseGeometry

from pathgen.layers.bent import subdivide_strokes
from pathgen.layers.sections import section_outline
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
        lines += _rings(section.buffer(-spacing / 2, join_style="mitre"))
        lines += _lines(section.buffer(-spacing, join_style="mitre"), spacing)
        layer += [number] * (len(lines) - len(layer))
    counts = (profiles.thickness > 0).astype(np.int8)
    strokes = merge_strokes([make_strokes(lines, layer, spacing)], counts)
    return strokes if plan.longest is None else subdivide_strokes(strokes, plan.longest)


def _rings(inside: BaseGeometry) -> list[Floats]:
    parts = [part for part in shapely.get_parts(inside) if not part.is_empty]
    return [np.asarray(ring.coords) for part in parts for ring in (part.exterior, *part.interiors)]


def _lines(inside: BaseGeometry, spacing: float) -> list[Floats]:
    """Return lines along the wall whose beads fit inside the loop, in alternating directions."""
    if inside.is_empty:
        return []
    left, low, right, high = inside.bounds
    places = np.arange(low + spacing / 2, high - spacing / 2 + 1e-9, spacing)
    lines: list[Floats] = []
    for i, n in enumerate(places):
        clipped = inside.intersection(MultiLineString([[(left - 1, n), (right + 1, n)]]))
        parts = [np.asarray(p.coords) for p in shapely.get_parts(clipped) if p.length > spacing]
        # At its ends, too, a line keeps half a spacing from the bead of the loop.
        inset = np.array([[spacing / 2, 0], [-spacing / 2, 0]])
        parts = [p + inset * np.sign(p[1, 0] - p[0, 0]) for p in parts]
        lines += [p[::-1] for p in parts[::-1]] if i % 2 else parts
    return lines
