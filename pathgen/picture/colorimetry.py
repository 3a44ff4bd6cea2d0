"""Conversion between sRGB codes, linear luminance and CIE lightness.

Glossary. *Encoded value*: an sRGB code divided by its maximum, 0 to 1. *Linear value*: proportional to light,
0 to 1. *Luminance* Y: weighted sum of linear red, green and blue; white is 1. *Lightness* L*: 0 to 100,
perceptually uniform.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Worked = NDArray[np.floating]

KNEE = (6 / 29) ** 3  # luminance below which L* is linear
LINE = 841 / 108

WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Weights of linear red, green and blue in luminance (ITU-R BT.709)."""


def decode_srgb(encoded: ArrayLike) -> Floats:
    """Convert sRGB-encoded values to linear values.

    Parameters
    ----------
    encoded : array_like
        Values 0 to 1, any shape; values outside are clipped.

    Returns
    -------
    array of float64
        Linear values 0 to 1, same shape; empty for empty input.

    Notes
    -----
    IEC 61966-2-1: v/12.92 up to 0.04045, ((v + 0.055)/1.055)^2.4 above.

    Examples
    --------
    >>> decode_srgb([0.0, 128 / 255, 1.0]).round(7).tolist()
    [0.0, 0.2158605, 1.0]
    """
    v = np.clip(np.asarray(encoded, dtype=np.float64), 0.0, 1.0)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: ArrayLike) -> Floats:
    """Convert linear values to sRGB-encoded values; the inverse of `decode_srgb`.

    Parameters
    ----------
    linear : array_like
        Values 0 to 1, any shape; values outside are clipped.

    Returns
    -------
    array of float64
        Encoded values 0 to 1, same shape; empty for empty input.

    Notes
    -----
    IEC 61966-2-1: 12.92·L up to 0.0031308, 1.055·L^(1/2.4) − 0.055 above.

    Examples
    --------
    >>> (encode_srgb([0.0, 0.2158605, 1.0]) * 255).round(3).tolist()
    [0.0, 128.0, 255.0]
    """
    y = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(y <= 0.0031308, y * 12.92, 1.055 * y ** (1 / 2.4) - 0.055)


def luminance(linear: ArrayLike) -> Floats:
    """Compute the luminance of linear red, green and blue.

    Parameters
    ----------
    linear : array_like, (..., 3)
        Linear values (not sRGB codes).

    Returns
    -------
    array of float64, (...)
        Luminance, 1 for white; empty for empty input.

    Notes
    -----
    Weights of ITU-R BT.709, which has the same primaries as sRGB.

    Examples
    --------
    >>> float(luminance([0.0, 1.0, 0.0]))
    0.7152
    """
    return np.asarray(np.asarray(linear, dtype=np.float64) @ np.array(WEIGHTS), dtype=np.float64)


def lightness(y: ArrayLike) -> Floats:
    """Compute the CIE lightness L* of a luminance.

    Parameters
    ----------
    y : array_like
        Luminance relative to white, any shape; negative values count as 0.

    Returns
    -------
    array of float64
        L*, 0 for black, 100 for white, same shape; empty for empty input.

    Notes
    -----
    CIE e-ILV 17-23-076: L* = 116·f(Y) − 16, f the cube root above (6/29)³ and a straight line below.

    Examples
    --------
    >>> lightness([0.0, 0.18, 1.0]).round(2).tolist()
    [0.0, 49.5, 100.0]
    """
    level, _ = lightness_and_slope(np.maximum(np.asarray(y, dtype=np.float64), 0.0))
    return np.asarray(level, np.float64)


def lightness_and_slope(y: Worked) -> tuple[Worked, Worked]:
    """Return the CIE lightness L* of a relative luminance (CIE e-ILV 17-23-076), and its derivative.

    The result has the precision of `y`. The formula is linear below 0 and unchanged above 1.
    """
    root = np.cbrt(np.maximum(y, KNEE))
    bright = y > KNEE
    level = 116 * np.where(bright, root, y * LINE + 4 / 29) - 16
    rise = np.where(bright, (116 / 3) / (root * root), 116 * LINE)
    return level.astype(y.dtype, copy=False), rise.astype(y.dtype, copy=False)
