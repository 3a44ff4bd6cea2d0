"""Raster fill: parallel lines of constant spacing clipped to the section.

The raster fill is not column-exact. Lines `along` the wall deposit a whole number of spacings, with an error
of up to half a spacing in every column. Lines `across` the wall have the length of the wall at their
position, but a column between two lines gets the thickness of its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pathgen.layers.fills.runs import find_runs
from pathgen.layers.fills.strands import Share, build_strokes
from pathgen.layers.strokes import BeadPlan, Ints, Profiles, Strokes, merge_strokes, ragged_range


def raster(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with parallel lines of constant spacing in the direction set by the plan.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        `spacing`, `direction` and `hairpins` are used.

    Returns
    -------
    Strokes

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> round(float(raster(wall, BeadPlan(0.42, 0.28, 0.62, direction="across")).area.sum()), 2)
    60.0
    """
    return DIRECTIONS["along" if plan.direction == "auto" else plan.direction](profiles, plan)


def raster_along(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill with lines along the wall wherever the centreline of a line lies inside the section.

    Parameters and result are those of `tailored`; only `plan.spacing` is used.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> round(float(raster_along(wall, BeadPlan(0.42, 0.28, 0.62)).area.sum()), 6)
    63.0
    """
    spacing = plan.spacing
    # A centreline lies inside from half a spacing of wall on; the tolerance allows for rounding.
    counts = np.floor(profiles.thickness / spacing + 0.5 - 1e-9).clip(0, 126).astype(np.int8)

    def constant(beads: Ints, number: Ints) -> Share:
        zero, width = np.zeros(len(beads)), np.full(len(beads), spacing)
        return Share(width * (number + 0.5), zero, width, zero)

    wall = find_runs(profiles, counts, plan, straight=True)
    return build_strokes(wall, counts, profiles.first, constant, straight=True)


def raster_across(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill with consecutive lines across the wall, alternately from back to front and from front to back.

    The lines are evenly spaced from end to end of the wall, at about the nominal spacing, and end half a
    spacing inside both faces. The crossing to the next line deposits its share, so the deposit of a wall of
    constant thickness is exact.

    Parameters and result are those of `tailored`; only `plan.spacing` and `plan.hairpins` are used.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> round(float(raster_across(wall, BeadPlan(0.42, 0.28, 0.62)).area.sum()), 2)
    60.0
    """
    thickness, pixel = profiles.thickness, profiles.pixel
    edge = np.diff((thickness > 0).astype(np.int8), axis=1, prepend=0, append=0)
    layer, lo = np.nonzero(edge > 0)
    _, hi = np.nonzero(edge < 0)
    lines = np.maximum(1, np.rint((hi - lo) * pixel / plan.spacing).astype(np.intp))
    of = np.repeat(np.arange(len(lines)), lines)
    number = ragged_range(np.zeros(len(lines), np.intp), lines)
    line_spacing = ((hi - lo) * pixel / np.maximum(lines, 1))[of]
    u = lo[of] * pixel + (number + 0.5) * line_spacing
    wall = thickness[layer[of], np.minimum((u / pixel).astype(np.intp), thickness.shape[1] - 1)]
    inset = np.minimum(plan.spacing / 2, wall / 4)

    # Two points per line, in alternating direction; the first ends the crossing, the second the line.
    n = np.stack([inset, wall - inset], axis=1)
    n[number % 2 == 1] = n[number % 2 == 1, ::-1]
    crossing = np.zeros_like(inset) if plan.hairpins == "dry" else 2 * inset * line_spacing
    area = np.stack([crossing, wall * line_spacing - crossing], axis=1)
    first = np.flatnonzero(number == 0)
    area[first, 1] += area[first, 0]
    area[first, 0] = 0.0
    counts = (thickness > 0).astype(np.int8)
    start = np.append(2 * first, 2 * len(u)).astype(np.intp)
    hairpin = np.stack([area[:, 0] > 0, np.zeros(len(u), bool)], axis=1).ravel()
    return Strokes(np.repeat(u, 2), n.ravel(), area.ravel(), hairpin, start, layer + profiles.first, counts)


def raster_alternate(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill even layers with lines along the wall and odd layers with lines across it."""
    layers = profiles.first + np.arange(len(profiles.thickness))
    counts = np.zeros(profiles.thickness.shape, np.int8)
    parts = []
    for odd, fill in ((0, raster_along), (1, raster_across)):
        rows = np.flatnonzero(layers % 2 == odd)
        part = fill(Profiles(profiles.thickness[rows], profiles.pixel), plan)
        counts[rows] = part.counts
        parts.append(replace(part, layer=layers[rows][part.layer]))
    return merge_strokes(parts, counts)


DIRECTIONS: dict[str, Callable[[Profiles, BeadPlan], Strokes]] = {
    "along": raster_along,
    "across": raster_across,
    "alternate": raster_alternate,
}
