"""Conversion of luminance to wall thickness."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw

BLOCK = 1 << 15  # values per block; intermediate results stay in the cache of the processor


def thickness(
    luminance: NDArray[np.floating], law: TransmittanceLaw, thinnest: float, thickest: float
) -> Floats:
    """Return the thickness of a panel that shows a picture when lit from behind.

    White is `thinnest`, black is `thickest`, and between them the transmittance is linear in the luminance:
    T = T(thickest) + Y·(T(thinnest) − T(thickest)), thickness = T⁻¹. The inverse of the law is evaluated
    directly, without a lookup table.

    Parameters
    ----------
    luminance : array, any shape
        Linear luminance; values outside 0 to 1 are clipped.
    law : TransmittanceLaw
        Law of the plastic.
    thinnest, thickest : float
        mm.

    Returns
    -------
    array of float64
        Thickness in mm, from `thinnest` to `thickest`, same shape; empty for empty input.

    Raises
    ------
    PathgenError
        If the range is invalid or the luminance contains NaN.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> thickness(np.array([0.0, 0.5, 1.0]), ExponentialLaw(1.2), 0.8, 3.0).round(3).tolist()
    [3.0, 1.454, 0.8]
    """
    check_range(thinnest, thickest)
    if np.isnan(np.min(luminance, initial=1.0)):
        raise PathgenError("the luminance contains NaN", allowed="numbers from 0 to 1")
    darkest, brightest = law.transmittance([thickest, thinnest])

    def invert(block: NDArray[np.floating]) -> Floats:
        share = np.clip(block.astype(np.float64), 0.0, 1.0)
        return np.clip(law.inverse(darkest + share * (brightest - darkest)), thinnest, thickest)

    return np.asarray(map_blocks(invert, luminance), np.float64)


def map_blocks(
    function: Callable[[NDArray[np.floating]], Floats],
    values: NDArray[np.floating],
    dtype: type[np.floating] = np.float64,
) -> NDArray[np.floating]:
    """Apply an elementwise function to an array block by block, to save memory.

    Parameters
    ----------
    function : callable
        From an array to an array of the same shape.
    values : array, any shape
    dtype : type
        Type of the result.

    Returns
    -------
    array
        Same shape as `values`.

    Examples
    --------
    >>> map_blocks(np.sqrt, np.array([[1.0, 4.0], [9.0, 16.0]])).tolist()
    [[1.0, 2.0], [3.0, 4.0]]
    """
    flat = np.ravel(values)
    result = np.empty(flat.shape, dtype)
    for first in range(0, flat.size, BLOCK):
        result[first : first + BLOCK] = function(flat[first : first + BLOCK])
    return result.reshape(values.shape)


def check_range(thinnest: float, thickest: float) -> None:
    """Reject a range of thickness unless 0 ≤ `thinnest` ≤ `thickest` < infinity, mm."""
    if not 0 <= thinnest <= thickest < np.inf:
        what = f"thinnest is {thinnest:g} mm and thickest is {thickest:g} mm"
        allowed = "0 ≤ thinnest ≤ thickest, and finite"
        raise PathgenError(what, where="thinnest, thickest", allowed=allowed)
