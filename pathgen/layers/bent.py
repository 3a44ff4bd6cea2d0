"""Strokes of a flat wall, bent with it: their points go to plan coordinates, their areas with their lengths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pathgen.layers.strokes import Strokes
from pathgen.panel.bend import Bend


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
        In plan coordinates, which stand in `u` and `n`. A segment's area grows by 1 + n/R at its middle, so
        that beads which add up to t in every column add up to the bent column's t + t²/2R.

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
