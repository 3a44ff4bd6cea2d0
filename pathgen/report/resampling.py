"""Resample maps to the size at which they are drawn."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
Dots = NDArray[np.uint8]
Cell = TypeVar("Cell", bound=np.generic)


def area_mean(values: NDArray[Any], rows: int, cols: int) -> NDArray[np.float32]:
    """Resample an array to a larger or smaller size by area-weighted means.

    Parameters
    ----------
    values : (R, C) array
        At least one cell.
    rows, cols : int
        Size of the result.

    Returns
    -------
    (rows, cols) array of float32
        Its mean is the mean of `values`.

    Examples
    --------
    >>> area_mean(np.array([[0.0, 1.0, 5.0]]), 1, 2).round(3).tolist()
    [[0.3330000042915344, 3.6670000553131104]]
    """
    down, across = _shares(values.shape[0], rows), _shares(values.shape[1], cols)
    return np.asarray(down @ values.astype(np.float32, copy=False) @ across.T)


def _shares(cells: int, dots: int) -> NDArray[np.float32]:
    """Return the fraction of each dot that each cell covers, (dots, cells); each row sums to 1."""
    edge = np.linspace(0, cells, dots + 1)
    cell = np.arange(cells)
    overlap = np.minimum(edge[1:, None], cell + 1) - np.maximum(edge[:-1, None], cell)
    share: NDArray[np.float32] = (np.maximum(overlap, 0) * (dots / cells)).astype(np.float32)
    return share


def resample_nearest(values: NDArray[Cell], rows: int, cols: int) -> NDArray[Cell]:
    """Resample an array by nearest neighbours.

    Examples
    --------
    >>> resample_nearest(np.array([[1, 2, 3]]), 2, 1).tolist()
    [[2], [2]]
    """
    down, across = (
        ((np.arange(dots) + 0.5) * cells / dots).astype(np.intp)
        for dots, cells in zip((rows, cols), values.shape, strict=True)
    )
    picked: NDArray[Cell] = values[down[:, None], across]
    return picked


def dilate(mask: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Widen a mask by `by` dots on all sides.

    Examples
    --------
    >>> dilate(np.array([[False, False, True]]), 1).tolist()
    [[False, True, True]]
    """
    for axis in (0, 1):
        edge = [(by, by) if a == axis else (0, 0) for a in (0, 1)]
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(mask, edge), 2 * by + 1, axis=axis)
        mask = np.asarray(windows.any(axis=-1))
    return mask
