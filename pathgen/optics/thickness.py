"""From luminance to the thickness that will show it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw

BLOCK = 1 << 15  # values worked on at once: intermediate results stay in the processor's cache


def thickness(
    luminance: NDArray[np.floating], law: TransmittanceLaw, thinnest: float, thickest: float
) -> Floats:
    """Thickness of a panel that shows a picture when lit from behind.

    The picture's white is `thinnest`, its black `thickest`, and between them transmittance is in proportion
    to luminance: wanted T = T(thickest) + Y·(T(thinnest) − T(thickest)), thickness = T⁻¹. The law's own
    inverse is used, for the laws here a closed form in double precision: no table, no error but rounding.

    Parameters
    ----------
    luminance : array, any shape
        Linear luminance; what lies outside 0 to 1 is clipped.
    law : TransmittanceLaw
        The plastic's law.
    thinnest, thickest : float
        mm.

    Returns
    -------
    array of float64
        Thickness in mm, from `thinnest` to `thickest`, same shape; empty for empty input.

    Raises
    ------
    PathgenError
        When the range is no range of thickness, or the luminance is not a number somewhere.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> thickness(np.array([0.0, 0.5, 1.0]), ExponentialLaw(1.2), 0.8, 3.0).round(3).tolist()
    [3.0, 1.454, 0.8]
    """
    _check_range(thinnest, thickest)
    if np.isnan(np.min(luminance, initial=1.0)):
        raise PathgenError("luminance is not a number somewhere", allowed="0 to 1")
    darkest, brightest = law.transmittance([thickest, thinnest])

    def invert(block: NDArray[np.floating]) -> Floats:
        share = np.clip(block.astype(np.float64), 0.0, 1.0)
        return np.clip(law.inverse(darkest + share * (brightest - darkest)), thinnest, thickest)

    return in_blocks(invert, luminance)


def in_blocks(function: Callable[[NDArray[np.floating]], Floats], values: NDArray[np.floating]) -> Floats:
    """Apply an element by element function block by block, so that it needs little memory beside its result.

    Examples
    --------
    >>> in_blocks(np.sqrt, np.array([[1.0, 4.0], [9.0, 16.0]])).tolist()
    [[1.0, 2.0], [3.0, 4.0]]
    """
    flat = np.ravel(values)
    result = np.empty(flat.shape, dtype=np.float64)
    for first in range(0, flat.size, BLOCK):
        result[first : first + BLOCK] = function(flat[first : first + BLOCK])
    return result.reshape(values.shape)


def _check_range(thinnest: float, thickest: float) -> None:
    if not (0 <= thinnest <= thickest < np.inf):
        raise PathgenError(
            f"thinnest is {thinnest:g} mm and thickest {thickest:g} mm",
            where="thinnest, thickest",
            allowed="0 or more, thinnest not above thickest",
        )
