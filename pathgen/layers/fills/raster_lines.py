"""The raster fill: parallel lines of constant spacing clipped to the section.

Not column-exact, and it cannot be: `along` the wall the deposited thickness is a whole number of spacings,
wrong by up to half a spacing in every column; `across` it every line has the length of the wall where it
stands, but a column between two lines gets its neighbours' share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pathgen.layers.fills.runs import find_runs
from pathgen.layers.fills.strands import Share, strokes_of
from pathgen.layers.strokes import BeadPlan, Ints, Profiles, Strokes, merge, ragged


def raster(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill a block of layers with parallel lines of constant spacing, in the plan's direction.

    Parameters
    ----------
    profiles : Profiles
        Wall thickness, (L, C) mm; 0 where there is no wall.
    plan : BeadPlan
        Only its spacing, direction and turns count.

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
    """Fill with lines along the wall: a line stands wherever its centre lies inside the section.

    Parameters and result are those of `tailored`; only `plan.spacing` counts.

    Examples
    --------
    >>> wall = Profiles(np.full((1, 500), 1.2), 0.1)
    >>> round(float(raster_along(wall, BeadPlan(0.42, 0.28, 0.62)).area.sum()), 6)
    63.0
    """
    spacing = plan.spacing
    # Half a spacing of wall is the least that has a line's centre inside; a bare nothing above a whole number
    # of spacings and a half is rounding, not wall.
    counts = np.floor(profiles.thickness / spacing + 0.5 - 1e-9).clip(0, 126).astype(np.int8)

    def constant(beads: Ints, number: Ints) -> Share:
        none, all_alike = np.zeros(len(beads)), np.full(len(beads), spacing)
        offset = (spacing * (number + 0.5)).astype(np.float64)
        return Share(offset, none, all_alike, none)

    wall = find_runs(profiles, counts, plan, straight=True)
    return strokes_of(wall, counts, profiles.first, constant, straight=True)


def raster_across(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill with lines across the wall, from back to front and back again, one after the other.

    Lines stand a spacing apart, evenly from end to end of a wall, and keep half a spacing inside both faces;
    the crossing to the next line deposits its share, so a wall of constant thickness gets exactly its area.

    Parameters and result are those of `tailored`; only `plan.spacing` counts.

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
    number = ragged(np.zeros(len(lines), np.intp), lines)
    line_spacing = ((hi - lo) * pixel / np.maximum(lines, 1))[of]
    u = lo[of] * pixel + (number + 0.5) * line_spacing
    wall = thickness[layer[of], np.minimum((u / pixel).astype(np.intp), thickness.shape[1] - 1)]
    inset = np.minimum(plan.spacing / 2, wall / 4)

    # Two points a line, in alternating direction; the second's segment is the line, the first's the crossing.
    n = np.stack([inset, wall - inset], axis=1)
    n[number % 2 == 1] = n[number % 2 == 1, ::-1]
    crossing = np.zeros_like(inset) if plan.hairpins == "dry" else 2 * inset * line_spacing
    area = np.stack([crossing, wall * line_spacing - crossing], axis=1)
    first = np.flatnonzero(number == 0)
    area[first, 1] += area[first, 0]
    area[first, 0] = 0.0
    counts = (thickness > 0).astype(np.int8)
    start = np.append(2 * first, 2 * len(u)).astype(np.intp)
    turn = np.zeros(2 * len(u), bool)
    turn[::2] = (number > 0) & (plan.hairpins != "dry")
    return Strokes(np.repeat(u, 2), n.ravel(), area.ravel(), turn, start, layer + profiles.first, counts)


def raster_alternate(profiles: Profiles, plan: BeadPlan) -> Strokes:
    """Fill even layers along the wall and odd layers across it."""
    layers = profiles.first + np.arange(len(profiles.thickness))
    counts = np.zeros(profiles.thickness.shape, np.int8)
    parts = []
    for odd, fill in ((0, raster_along), (1, raster_across)):
        rows = np.flatnonzero(layers % 2 == odd)
        part = fill(Profiles(profiles.thickness[rows], profiles.pixel), plan)
        counts[rows] = part.counts
        parts.append(replace(part, layer=layers[rows][part.layer]))
    return merge(parts, counts)


DIRECTIONS: dict[str, Callable[[Profiles, BeadPlan], Strokes]] = {
    "along": raster_along,
    "across": raster_across,
    "alternate": raster_alternate,
}
