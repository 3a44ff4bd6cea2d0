"""Bend flat strokes and outlines: convert points to plan coordinates, and scale areas with lengths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pathgen.layers.strokes import Strokes
from pathgen.panel.bend import Bend

SEAM = 0.005  # offset that closes the gap between the ends of a ring, mm


def bend_strokes(strokes: Strokes, bend: Bend) -> Strokes:
    """Bend the strokes of a flat wall.

    Parameters
    ----------
    strokes : Strokes
        In flat coordinates (u, n).
    bend : Bend

    Returns
    -------
    Strokes
        `u` and `n` are plan coordinates. The area of a segment grows by 1 + n/R at its middle, so that beads
        which add up to t in every flat column add up to t + t²/2R in the bent one.

    Examples
    --------
    >>> line = Strokes(np.array([0.0, 10.0]), np.full(2, 2.0), np.array([0.0, 4.0]), np.zeros(2, bool),
    ...                np.array([0, 2]), np.array([0]), np.zeros((1, 1), np.int8))
    >>> bent = bend_strokes(line, Bend(10.0, 90.0))
    >>> bent.area.round(4).tolist()  # 4·(1 + 2/R), R = 10/(π/2)
    [0.0, 5.2566]
    """
    middle = strokes.n.copy()
    middle[1:] = (strokes.n[1:] + strokes.n[:-1]) / 2
    u, n = bend.to_plan(strokes.u, strokes.n)
    return replace(strokes, u=u, n=n, area=strokes.area * bend.stretch(middle))


def subdivide_strokes(strokes: Strokes, longest: float) -> Strokes:
    """Divide segments into pieces no longer than `longest` along u, so that the strokes can be bent.

    Examples
    --------
    >>> line = Strokes(np.array([0.0, 9.0]), np.full(2, 2.0), np.array([0.0, 3.6]), np.zeros(2, bool),
    ...                np.array([0, 2]), np.array([0]), np.zeros((1, 1), np.int8))
    >>> pieces = subdivide_strokes(line, 4.0)
    >>> pieces.u.tolist(), pieces.area.round(6).tolist()
    ([0.0, 3.0, 6.0, 9.0], [0.0, 1.2, 1.2, 1.2])
    """
    first = np.zeros(len(strokes.u), bool)
    first[strokes.start[:-1]] = True
    count = np.ceil(np.abs(np.diff(strokes.u, prepend=strokes.u[:1])) / longest - 1e-9).astype(np.intp)
    count[first | (count < 1)] = 1
    of = np.repeat(np.arange(len(count)), count)
    last = np.cumsum(count) - 1  # new index of each point
    left = (last[of] - np.arange(len(of))) / count[of]  # fraction of the segment that remains
    before = np.maximum(of - 1, 0)
    u, n = (v[of] - left * (v[of] - v[before]) for v in (strokes.u, strokes.n))
    start = np.append(last[strokes.start[:-1]], len(of)) if len(strokes) else strokes.start
    area, hairpin = strokes.area[of] / count[of], strokes.hairpin[of]
    return replace(strokes, u=u, n=n, area=area, hairpin=hairpin, start=start.astype(np.intp))


def bend_outline(flat: BaseGeometry, bend: Bend) -> BaseGeometry:
    """Convert the outline of a section to plan coordinates, and join the ends of a ring.

    Parameters
    ----------
    flat : shapely geometry
        In (u, n), mm.
    bend : Bend

    Returns
    -------
    shapely geometry
    """
    dense = shapely.segmentize(flat, bend.longest_move(float(flat.bounds[3])))
    bent: BaseGeometry = shapely.transform(dense, lambda points: np.column_stack(bend.to_plan(*points.T)))
    return bent.buffer(SEAM).buffer(-SEAM) if bend.closed else bent
