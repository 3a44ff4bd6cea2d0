"""Tone steps of a preparation, on grey as the eye grades it: sRGB codes from 0 to 1, not light.

Each takes and gives (rows, cols) float32 in 0 to 1, and leaves the picture alone at its default.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import WEIGHTS, decode_srgb, encode_srgb

Single = NDArray[np.float32]


def grey(rgb: NDArray[np.floating], weights: tuple[float, float, float] = WEIGHTS) -> Single:
    """Blend the channels of linear light into grey, and code it.

    Parameters
    ----------
    rgb : (rows, cols, 3) float
        Linear sRGB.
    weights : (red, green, blue)
        Shares; they are divided by their sum. By default those of luminance (ITU-R BT.709).

    Raises
    ------
    PathgenError
        When they add up to nothing, or less.

    Examples
    --------
    >>> round(float(grey(np.ones((1, 1, 3)) * 0.5, (1, 0, 0))[0, 0]), 3)
    0.735
    """
    total = float(sum(weights))
    if not total > 1e-9:
        what = f"red, green and blue are {', '.join(f'{w:g}' for w in weights)}"
        raise PathgenError(what, where="red", allowed="shares that add up to more than 0")
    share = np.asarray(weights, np.float32) / np.float32(total)
    return np.asarray(encode_srgb(np.clip(rgb @ share, 0.0, 1.0)), np.float32)


def stretch_levels(codes: Single, low: float = 0.0, high: float = 100.0) -> Single:
    """Stretch the tones between two percentiles to black and white.

    Raises
    ------
    PathgenError
        When low is not less than high.

    Examples
    --------
    >>> stretch_levels(np.array([[0.2, 0.4, 0.6]], np.float32), 0, 100).tolist()
    [[0.20000000298023224, 0.4000000059604645, 0.6000000238418579]]
    """
    if not low < high:
        raise PathgenError(
            f"levels_low is {low:g}", where="levels_low", allowed=f"less than levels_high, {high:g}"
        )
    if (low, high) == (0.0, 100.0):
        return codes
    from skimage.exposure import rescale_intensity

    ends = np.percentile(codes, [low, high])
    if ends[1] - ends[0] < 1e-6:
        return codes
    stretch: Any = rescale_intensity
    stretched = stretch(codes, (float(ends[0]), float(ends[1])), (0.0, 1.0))
    return np.asarray(stretched, np.float32)


def graded(codes: Single, brightness: float = 0.0, contrast: float = 1.0, gamma: float = 1.0) -> Single:
    """Bend the tones: gamma, then contrast about the middle grey, then brightness added.

    Examples
    --------
    >>> graded(np.array([[0.25, 0.5]], np.float32), contrast=2.0).tolist()
    [[0.0, 0.5]]
    """
    if (brightness, contrast, gamma) == (0.0, 1.0, 1.0):
        return codes
    bent = np.clip(codes, 0.0, 1.0) ** np.float32(1.0 / gamma)
    raised = (bent - 0.5) * np.float32(contrast) + np.float32(0.5 + brightness)
    return np.asarray(np.clip(raised, 0.0, 1.0), np.float32)


def local_contrast(codes: Single, amount: float = 0.0) -> Single:
    """Raise contrast place by place, held by a clip limit (contrast-limited adaptive equalisation).

    Parameters
    ----------
    codes : (rows, cols) float32
    amount : float
        0 none, 1 all of it; the clip limit is a hundredth of it.
    """
    if amount <= 0:
        return codes
    from skimage.exposure import equalize_adapthist

    made = equalize_adapthist(np.clip(codes, 0.0, 1.0), clip_limit=0.01 * max(amount, 1e-3))
    return np.asarray(codes + np.float32(min(amount, 1.0)) * (made.astype(np.float32) - codes), np.float32)


def smoothed(codes: Single, amount: float = 0.0) -> Single:
    """Reduce grain and keep edges: total variation, of which `amount` is the weight in sRGB codes."""
    if amount <= 0:
        return codes
    from skimage.restoration import denoise_tv_chambolle

    denoise: Any = denoise_tv_chambolle
    return np.asarray(denoise(codes, weight=amount, max_num_iter=30), np.float32)


def sharpened(codes: Single, amount: float = 0.0, radius: float = 2.0) -> Single:
    """Add back what a blur of `radius` pixels takes away, `amount` times.

    Examples
    --------
    >>> edge = np.repeat(np.float32([[0.3, 0.6]]), 4, axis=1)
    >>> bool(np.ptp(sharpened(edge, 1.0)) > np.ptp(edge))
    True
    """
    if amount <= 0:
        return codes
    blurred = ndimage.gaussian_filter(codes, radius, mode="nearest")
    return np.asarray(np.clip(codes + np.float32(amount) * (codes - blurred), 0.0, 1.0), np.float32)


def light_of(codes: Single) -> Single:
    """Linear luminance of coded grey."""
    return np.asarray(decode_srgb(np.clip(codes, 0.0, 1.0)), np.float32)
