"""Extruded volume: the volumes of straight moves, binned exactly on a grid of columns.

A move spreads its volume evenly over the range of u that it crosses. Binning is exact: the two columns in
which a move ends receive their shares, and the columns in between receive a constant density, which is
entered as a step up and a step down and summed along the row. The deposit is not sampled, and no volume is
lost.

Nothing is resolved across the wall (along n), because light passes through the whole column.

Glossary. *Column*: a range of u one pixel wide. *Border*: the u between two columns. *Row*: one layer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SNAP = 1e-9  # pixels; a position this close to a border is on it


def bin_volumes(
    starts: Floats, ends: Floats, volume: Floats, row: Ints, rows: int, borders: Floats, pixel: float
) -> tuple[Floats, float]:
    """Spread the volume of each move evenly along u, and add the volume to the grid's cells.

    Parameters
    ----------
    starts, ends : (N,) float64
        u at which each move starts and ends, mm, in either order.
    volume : (N,) float64
        Volume of each move, mm³.
    row : (N,) int64
        Row of each move, 0 to `rows` - 1.
    rows : int
        Number of rows.
    borders : (C + 1,) float64
        Borders of the columns, ascending from 0, mm. The last column may be narrower than the others.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    binned : (rows, C) float64
        Volume per cell, mm³; all 0 without moves.
    outside : float
        Volume beyond the first and the last border, mm³.

    Notes
    -----
    A move without extent along u belongs to the column that contains it. On a border it belongs to the column
    on the right; on the last border, to the last column.

    Examples
    --------
    >>> start, end, volume, row = np.array([[0.5], [2.0], [3.0], [0.0]])
    >>> binned, outside = bin_volumes(start, end, volume, row.astype(int), 1, np.arange(3.0), 1.0)
    >>> binned.tolist(), outside
    ([[1.0, 2.0]], 0.0)
    """
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    extent = high - low
    nudge = SNAP * pixel
    point = extent <= nudge
    touched = np.where(low > borders[-1] + nudge, low, np.minimum(low + nudge, borders[-1]))
    first = find_columns(np.where(point, touched, low), borders, pixel)
    last = np.where(point, first, find_columns(high, borders, pixel))
    crossing = last > first
    across = np.where(crossing, extent, 1.0)
    head = np.where(crossing, (borders[np.minimum(first + 1, len(borders) - 1)] - low) / across, 1.0)
    tail = np.where(crossing, (high - borders[np.maximum(last, 0)]) / across, 0.0)

    width = len(borders) + 1  # the columns and one more on each side
    start = row * width + 1
    shares = np.bincount(
        np.concatenate([start + first, start + last]),
        np.concatenate([volume * head, volume * tail]),
        rows * width,
    ).reshape(rows, width)
    inner = np.flatnonzero(last > first + 1)
    density = volume[inner] / extent[inner]
    steps = np.bincount(
        np.concatenate([(start + first)[inner] + 1, (start + last)[inner]]),
        np.concatenate([density, -density]),
        rows * width,
    ).reshape(rows, width)
    level = np.maximum(np.cumsum(steps, axis=1)[:, 1:-1], 0.0)  # rounding may leave a sum just below 0
    return shares[:, 1:-1] + level * np.diff(borders), float(shares[:, 0].sum() + shares[:, -1].sum())


def find_columns(u: Floats, borders: Floats, pixel: float) -> Ints:
    """Return the column that contains each position.

    Parameters
    ----------
    u : (N,) float64
        Positions, mm.
    borders : (C + 1,) float64
        Borders of the columns, ascending from 0, mm.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    (N,) int64
        0 to C - 1; -1 before the first border and C after the last. A position on a border belongs to the
        column on the right; on the last border, to the last column.

    Examples
    --------
    >>> find_columns(np.array([-0.1, 0.0, 1.0, 2.0, 2.1]), np.arange(3.0), 1.0).tolist()
    [-1, 0, 1, 1, 2]
    """
    last = len(borders) - 2
    column = np.clip(np.floor(u / pixel), 0, last).astype(np.int64)
    column -= u < borders[column]  # the division may round up to a border
    return np.where(u > borders[-1], last + 1, column)


def find_layers(z: Floats, tops: Floats, heights: Floats) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the layer with the nearest top for each height, and whether it is within half a layer.

    Parameters
    ----------
    z : (N,) float64
        Height at which each move deposits, mm.
    tops, heights : (L,) float64
        Top and height of each layer, tops ascending, mm.

    Returns
    -------
    layer : (N,) int64
        0 to L - 1.
    placed : (N,) bool
        True within half the layer's height of its top.

    Examples
    --------
    >>> layer, placed = find_layers(np.array([0.2, 0.31, 0.4]), np.array([0.2, 0.4]), np.array([0.2, 0.2]))
    >>> layer.tolist(), placed.tolist()
    ([0, 1, 1], [True, True, True])
    """
    layer = np.searchsorted((tops[:-1] + tops[1:]) / 2, z)
    return layer, np.abs(z - tops[layer]) <= heights[layer] / 2 + SNAP
