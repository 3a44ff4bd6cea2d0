"""Where the segments of a layer's beads begin and end.

A straight move feeds its filament evenly, so between two breakpoints the wall is deposited with one thickness
while the head follows a straight line. Two things decide where a breakpoint is needed, and each is a polyline
simplified with GEOS for all layers in one call:

* the *cumulated area* V(u) = ∫t du, whose chords are exactly what constant moves deposit: a chord never off
  by more than ε·pixel/2 leaves no column's thickness off by more than ε;
* the *thickness* t(u) itself, which the front bead's centreline follows.

Simplifying only the thickness, as one would for drawing, would make a long even ramp a single move: right in
outline, wrong in light.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from pathgen.layers.strokes import Floats

# Simplification measures distance at right angles to the chord. Stretched along u by this much, every chord
# is nearly level and the distance is the vertical one.
STRETCH = 1e4


def cumulated_area(thickness: Floats, pixel: float) -> Floats:
    """Area of each layer's section left of every node, mm².

    Parameters
    ----------
    thickness : (L, C) float64
        Wall thickness of each column, mm.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    (L, C + 1) float64
        0 at the first node, the section's area at the last.
    """
    area = np.zeros((len(thickness), thickness.shape[1] + 1))
    np.cumsum(thickness, axis=1, out=area[:, 1:])
    area *= pixel
    return area


def node_thickness(thickness: Floats) -> Floats:
    """Wall thickness at the borders between columns, mm, (L, C + 1).

    The mean of both neighbours; at the wall's end the column that is there.
    """
    node = np.empty((len(thickness), thickness.shape[1] + 1))
    node[:, 0], node[:, -1] = thickness[:, 0], thickness[:, -1]
    left, right = thickness[:, :-1], thickness[:, 1:]
    np.add(left, right, out=node[:, 1:-1])
    if thickness.all():
        node[:, 1:-1] *= 0.5
    else:
        node[:, 1:-1] *= np.where((left > 0) & (right > 0), 0.5, 1.0)
    return node


def breakpoints(area: Floats, node: Floats, pixel: float, tolerance: float) -> NDArray[np.bool_]:
    """Choose the nodes between which a bead may be one straight move.

    Parameters
    ----------
    area, node : (L, C + 1) float64
        Cumulated area (mm²) and thickness (mm) at the nodes.
    pixel : float
        Width of a column, mm.
    tolerance : float
        Largest error of any column's deposited thickness and of the front face, mm.

    Returns
    -------
    (L, C + 1) bool
        The first and the last node are always kept.
    """
    columns = area.shape[1] - 1
    level = area - area[:, -1:] * (np.arange(columns + 1) / columns)
    keep = _simplified(level, tolerance * pixel / 2)
    keep |= _simplified(node, tolerance)
    return keep


def _simplified(values: Floats, tolerance: float) -> NDArray[np.bool_]:
    """Nodes that a simplification of every row within `tolerance` keeps (Douglas–Peucker)."""
    rows, nodes = values.shape
    points = np.empty((rows, nodes, 2))
    points[:, :, 0] = np.arange(nodes) * STRETCH
    points[:, :, 1] = values
    lines = shapely.simplify(shapely.linestrings(points), tolerance, preserve_topology=False)
    kept, row = shapely.get_coordinates(lines, return_index=True)
    keep = np.zeros((rows, nodes), bool)
    keep[row, np.rint(kept[:, 0] / STRETCH).astype(np.intp)] = True
    return keep
