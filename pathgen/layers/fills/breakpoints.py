"""Breakpoints: the ends of the segments of a layer's beads.

A straight move feeds its filament evenly, so between two breakpoints the deposited thickness is constant and
the path is straight. Two criteria determine the breakpoints. Each is a polyline that GEOS simplifies for all
layers in one call:

* the *cumulated area* V(u) = ∫t du, whose chords are exactly the deposit of constant moves: if every chord is
within
  ε·pixel/2 of V, the thickness of every column is within ε;
* the *thickness* t(u) itself, which the centreline of the front bead follows.

Simplifying the thickness alone, as for a drawing, would turn a long uniform ramp into a single move, with a
correct shape but a wrong deposit.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from pathgen.layers.strokes import Floats

# Simplification measures distances normal to the chord. Scaling u by this factor makes every chord nearly
# level, so that the distance is vertical.
STRETCH = 1e4


def cumulated_area(thickness: Floats, pixel: float) -> Floats:
    """Return the part of each section's area that lies to the left of every node, mm².

    Parameters
    ----------
    thickness : (L, C) float64
        Wall thickness of each column, mm.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    (L, C + 1) float64
        0 at the first node, the area of the section at the last.
    """
    return np.cumsum(np.pad(thickness, ((0, 0), (1, 0))), axis=1) * pixel


def node_thickness(thickness: Floats) -> Floats:
    """Return the wall thickness at the borders between columns, mm, (L, C + 1).

    It is the mean of both neighbours, or the thickness of the last column at an end of the wall.
    """
    node = np.empty((len(thickness), thickness.shape[1] + 1))
    node[:, 0], node[:, -1] = thickness[:, 0], thickness[:, -1]
    left, right = thickness[:, :-1], thickness[:, 1:]
    node[:, 1:-1] = (left + right) * np.where((left > 0) & (right > 0), 0.5, 1.0)
    return node


def breakpoints(area: Floats, node: Floats, pixel: float, tolerance: float) -> NDArray[np.bool_]:
    """Choose nodes so that a bead between two consecutive nodes can be one straight move.

    Parameters
    ----------
    area, node : (L, C + 1) float64
        Cumulated area (mm²) and thickness (mm) at the nodes.
    pixel : float
        Width of a column, mm.
    tolerance : float
        Maximum error of the deposited thickness of a column, and of the front face, mm.

    Returns
    -------
    (L, C + 1) bool
        The first and the last node are always True.
    """
    columns = area.shape[1] - 1
    level = area - area[:, -1:] * (np.arange(columns + 1) / columns)
    keep = _simplify(level, tolerance * pixel / 2)
    keep |= _simplify(node, tolerance)
    return keep


def _simplify(values: Floats, tolerance: float) -> NDArray[np.bool_]:
    """Return the nodes of every row that remain after simplification within `tolerance` (Douglas–Peucker)."""
    rows, nodes = values.shape
    points = np.stack(np.broadcast_arrays(np.arange(nodes) * STRETCH, values), axis=-1)
    lines = shapely.simplify(shapely.linestrings(points), tolerance, preserve_topology=False)
    kept, row = shapely.get_coordinates(lines, return_index=True)
    keep = np.zeros((rows, nodes), bool)
    keep[row, np.rint(kept[:, 0] / STRETCH).astype(np.intp)] = True
    return keep
