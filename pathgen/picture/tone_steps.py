"""Tone adjustments of a picture, applied to sRGB-encoded grey from 0 to 1.

Each function takes and returns (rows, cols) float32, and returns its input unchanged at the default amount.
`STEPS` lists them in the order in which they are applied, with the keys of `Preparation` that each one uses.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import WEIGHTS, decode_srgb, encode_srgb
from pathgen.settings.preparation import Preparation

Single = NDArray[np.float32]

SHARPEN_RADIUS = 2.0  # pixels


def to_grey(rgb: NDArray[np.floating], weights: tuple[float, float, float] = WEIGHTS) -> Single:
    """Mix linear red, green and blue to grey, and encode the result as sRGB.

    Parameters
    ----------
    rgb : (rows, cols, 3) float
        Linear sRGB.
    weights : (red, green, blue)
        Weights; they are divided by their sum. By default those of luminance (ITU-R BT.709).

    Raises
    ------
    PathgenError
        If the sum of the weights is not above 0.

    Examples
    --------
    >>> round(float(to_grey(np.ones((1, 1, 3)) * 0.5, (1, 0, 0))[0, 0]), 3)
    0.735
    """
    total = float(sum(weights))
    if not total > 1e-9:
        what = f"the weights of red, green and blue are {', '.join(f'{w:g}' for w in weights)}"
        raise PathgenError(what, where="red", allowed="weights whose sum is above 0")
    share = np.asarray(weights, np.float32) / np.float32(total)
    return np.asarray(encode_srgb(np.clip(rgb @ share, 0.0, 1.0)), np.float32)


def stretch_levels(codes: Single, low: float, high: float, subject: Single | None = None) -> Single:
    """Stretch the tones between two percentiles to the full range from black to white.

    Parameters
    ----------
    codes : (rows, cols) float32
    low, high : float
        Percentiles that become black and white, 0 to 100.
    subject : (rows, cols) float32, optional
        Share of the subject in each pixel. The percentiles are those of its pixels; by default of all.

    Raises
    ------
    PathgenError
        If `low` is not below `high`.

    Examples
    --------
    >>> stretch_levels(np.array([[0.2, 0.4, 0.6]], np.float32), 0, 50).round(3).tolist()
    [[0.0, 1.0, 1.0]]
    """
    if not low < high:
        what = f"levels_low is {low:g}"
        raise PathgenError(what, where="levels_low", allowed=f"a value below levels_high ({high:g})")
    own = codes if subject is None else codes[subject > 0.5]
    if (low, high) == (0.0, 100.0) or not own.size:
        return codes
    black, white = np.percentile(own, [low, high])
    if white - black < 1e-6:
        return codes
    stretched = (codes - np.float32(black)) / np.float32(white - black)
    return np.asarray(np.clip(stretched, 0.0, 1.0), np.float32)


def grade(codes: Single, brightness: float = 0.0, contrast: float = 1.0, gamma: float = 1.0) -> Single:
    """Apply gamma, contrast about middle grey, and brightness, in this order.

    Examples
    --------
    >>> grade(np.array([[0.25, 0.5]], np.float32), contrast=2.0).tolist()
    [[0.0, 0.5]]
    """
    if (brightness, contrast, gamma) == (0.0, 1.0, 1.0):
        return codes
    bent = np.clip(codes, 0.0, 1.0) ** np.float32(1.0 / gamma)
    raised = (bent - 0.5) * np.float32(contrast) + np.float32(0.5 + brightness)
    return np.asarray(np.clip(raised, 0.0, 1.0), np.float32)


def raise_local_contrast(codes: Single, amount: float = 0.0) -> Single:
    """Raise local contrast by contrast-limited adaptive histogram equalisation.

    Parameters
    ----------
    codes : (rows, cols) float32
    amount : float
        0 for none, 1 for the full effect; the clip limit is a hundredth of it.
    """
    if amount <= 0:
        return codes
    from skimage.exposure import equalize_adapthist

    made = equalize_adapthist(np.clip(codes, 0.0, 1.0), clip_limit=0.01 * max(amount, 1e-3))
    return np.asarray(codes + np.float32(min(amount, 1.0)) * (made.astype(np.float32) - codes), np.float32)


def denoise(codes: Single, amount: float = 0.0) -> Single:
    """Reduce noise but preserve edges, by total-variation denoising with weight `amount`."""
    if amount <= 0:
        return codes
    from skimage import restoration

    chambolle: Any = restoration.denoise_tv_chambolle
    return np.asarray(chambolle(codes, weight=amount, max_num_iter=30), np.float32)


def sharpen(codes: Single, amount: float = 0.0) -> Single:
    """Apply an unsharp mask with a radius of 2 pixels.

    Examples
    --------
    >>> edge = np.repeat(np.float32([[0.3, 0.6]]), 4, axis=1)
    >>> bool(np.ptp(sharpen(edge, 1.0)) > np.ptp(edge))
    True
    """
    if amount <= 0:
        return codes
    smooth = ndimage.gaussian_filter(codes, SHARPEN_RADIUS, mode="nearest")
    return np.asarray(np.clip(codes + np.float32(amount) * (codes - smooth), 0.0, 1.0), np.float32)


def decode_grey(codes: Single) -> Single:
    """Return the linear luminance of sRGB-encoded grey."""
    return np.asarray(decode_srgb(np.clip(codes, 0.0, 1.0)), np.float32)


# In the order of application: name of the stage, and function of tones, settings and subject.
STEPS: dict[str, Callable[[Single, Preparation, Single | None], Single]] = {
    "denoised": lambda codes, p, _: denoise(codes, p.smooth),
    "levels": lambda codes, p, subject: stretch_levels(codes, p.levels_low, p.levels_high, subject),
    "local contrast": lambda codes, p, _: raise_local_contrast(codes, p.local_contrast),
    "graded": lambda codes, p, _: grade(codes, p.brightness, p.contrast, p.gamma),
    "sharpened": lambda codes, p, _: sharpen(codes, p.sharpen),
    "inverted": lambda codes, p, _: 1 - codes if p.invert == "yes" else codes,
}
