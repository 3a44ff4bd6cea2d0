"""Advice on a prepared picture: what of it the panel will lose, and what to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.picture.prepare import Prepared
from pathgen.picture.tone import encode_srgb

CLIPPED = 0.02  # share of pixels at either end that is worth a word
USED = 0.75  # of the tones between black and white
FINE = 0.10  # share of the detail's energy that is worth a word
ALIKE = 0.08  # difference of code at which subject and backdrop run into each other
EDGE = 0.25  # share of the subject's edge


def advice(prepared: Prepared, width: float, bore: float) -> list[str]:
    """Judge a picture for a panel.

    Parameters
    ----------
    prepared : Prepared
    width : float
        Of the panel's picture, mm.
    bore : float
        Of the nozzle, mm: detail finer than two of it is smeared.

    Returns
    -------
    list of str
        One sentence each: what was found, and what to do about it where something is to be done.

    Examples
    --------
    >>> flat = Prepared(np.full((60, 80), 0.2, np.float32), None, "grey.png", (80, 60))
    >>> advice(flat, 100.0, 0.4)[1]
    'tones: 0 % of the range from black to white is used; levels_low and levels_high stretch it'
    """
    codes = encode_srgb(prepared.luminance)
    own = codes if prepared.subject is None else codes[prepared.subject > 0.5]
    own = own if own.size else codes
    dark, bright = float(np.mean(own <= 0.004)), float(np.mean(own >= 0.996))
    said = [
        f"clipped: {100 * dark:.1f} % of the picture is black, {100 * bright:.1f} % white"
        + ("; less contrast, or other levels, keep what is in there" if max(dark, bright) > CLIPPED else "")
    ]
    low, high = np.percentile(own, [1, 99])
    used = float(high - low)
    said.append(
        f"tones: {100 * used:.0f} % of the range from black to white is used"
        + ("; levels_low and levels_high stretch it" if used < USED else "")
    )
    pitch = width / codes.shape[1]
    lost = detail_lost(codes, pitch, bore)
    said.append(
        f"detail: {100 * lost:.0f} % of it is finer than the {bore:g} mm bore can lay at {width:g} mm"
        + ("; a larger panel or a finer bore shows more" if lost > FINE else "")
    )
    said.append(
        f"size: this photograph is used up at {prepared.size[0] * bore / 2:.0f} mm width; "
        "beyond that a panel shows no more"
    )
    swallowed = _swallowed(codes, prepared.subject)
    if swallowed is not None:
        said.append(
            f"backdrop: {100 * swallowed:.0f} % of the subject's edge is as light as its backdrop"
            + ("; another backdrop_tone or more contrast parts them" if swallowed > EDGE else "")
        )
    return said


def detail_lost(codes: NDArray[np.floating], pixel: float, bore: float) -> float:
    """Share of a picture's detail that is finer than a line pair of two bores.

    Detail is what departs from the mean of a window of 20 bores; energy is counted, in the picture's codes.

    Examples
    --------
    >>> u = np.arange(400) * 0.1
    >>> coarse, fine = (np.tile(np.sin(2 * np.pi * u / p), (20, 1)) for p in (4.0, 0.5))
    >>> round(detail_lost(coarse, 0.1, 0.4), 2), round(detail_lost(fine, 0.1, 0.4), 2)
    (0.05, 0.96)
    """
    wide, fine = 20 * bore / pixel, 2 * bore / pixel
    detail = codes - ndimage.uniform_filter(codes, max(1, round(wide)), mode="nearest")
    total = float(np.square(detail).sum())
    if total <= 1e-12:
        return 0.0
    # A Gaussian that passes half of the amplitude at a period of two bores.
    sigma = fine * np.sqrt(np.log(2) / 2) / np.pi
    kept = ndimage.gaussian_filter(detail, sigma, mode="nearest")
    return float(np.clip(1 - np.square(kept).sum() / total, 0.0, 1.0))


def _swallowed(codes: NDArray[np.floating], subject: NDArray[np.floating] | None) -> float | None:
    """Share of the subject's edge that is as light as the backdrop beside it; None without a subject."""
    if subject is None or subject.min() > 0.5:
        return None
    inside = subject > 0.5
    core = ndimage.binary_erosion(inside, iterations=4)
    rim = core & ~ndimage.binary_erosion(core, iterations=3)
    if not rim.any():
        return None
    backdrop = float(np.median(codes[~inside]))
    return float(np.mean(np.abs(codes[rim] - backdrop) < ALIKE))
