"""Tone: sRGB codes, linear luminance, and how light or dark a luminance looks.

Glossary. *Encoded value*: an sRGB code divided by its highest code, 0 to 1. *Linear value*: what is in
proportion to light. *Luminance* Y: the weighted sum of linear red, green and blue; white is 1. *Lightness*
L*: 0 to 100, evenly spaced to the eye.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Shares of linear red, green and blue in luminance (ITU-R BT.709)."""


def decode_srgb(encoded: ArrayLike) -> Floats:
    """Turn encoded sRGB values into linear ones.

    Parameters
    ----------
    encoded : array_like
        Values 0 to 1, any shape; what lies outside is clipped.

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
    """Turn linear values into encoded sRGB ones; the inverse of `decode_srgb`.

    Parameters
    ----------
    linear : array_like
        Values 0 to 1, any shape; what lies outside is clipped.

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
    """Weigh linear red, green and blue into luminance.

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
    Weights of ITU-R BT.709, whose primaries sRGB shares.

    Examples
    --------
    >>> float(luminance([0.0, 1.0, 0.0]))
    0.7152
    """
    return np.asarray(np.asarray(linear, dtype=np.float64) @ np.array(WEIGHTS), dtype=np.float64)


def lightness(y: ArrayLike) -> Floats:
    """How light a luminance looks: CIE lightness L*.

    Parameters
    ----------
    y : array_like
        Luminance relative to white, any shape; what lies under 0 counts as 0.

    Returns
    -------
    array of float64
        L*, 0 for black, 100 for white, same shape; empty for empty input.

    Notes
    -----
    CIE e-ILV 17-23-076: L* = 116·f(Y) − 16, f the cube root above (6/29)³ and its tangent below.

    Examples
    --------
    >>> lightness([0.0, 0.18, 1.0]).round(2).tolist()
    [0.0, 49.5, 100.0]
    """
    y = np.maximum(np.asarray(y, dtype=np.float64), 0.0)
    f = np.where(y > (6 / 29) ** 3, np.cbrt(y), y * (841 / 108) + 4 / 29)
    return np.asarray(116.0 * f - 16.0, dtype=np.float64)
