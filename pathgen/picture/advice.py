"""Advice on a prepared picture: what of it the panel will lose, and what to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from pathgen.picture.colorimetry import encode_srgb
from pathgen.picture.prepare import Prepared

CLIPPED = 0.02  # share of pixels at either end that is worth a word
USED = 0.75  # of the tones between black and white
FINE = 0.10  # share of the detail's energy that is worth a word
ALIKE = 0.08  # difference of code at which subject and backdrop run into each other
NONE = 1e-10  # mean square of detail, in codes, that is rounding and no detail
EDGE = 0.25  # share of the subject's edge


def advice(prepared: Prepared, width: float, nozzle: float) -> list[str]:
    """Judge a picture for a panel.

    Parameters
    ----------
    prepared : Prepared
    width : float
        Of the panel's picture, mm.
    nozzle : float
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
    pixel_size = width / codes.shape[1]
    lost = detail_lost(codes, pixel_size, nozzle)
    said.append(
        f"detail: {100 * lost:.0f} % of it is finer than the {nozzle:g} mm nozzle can lay at {width:g} mm"
        + ("; a larger panel or a finer nozzle shows more" if lost > FINE else "")
    )
    said.append(
        f"size: this photograph is used up at {codes.shape[1] * prepared.factor * nozzle / 2:.0f} mm width; "
        "beyond that a panel shows no more"
    )
    swallowed = _swallowed(codes, prepared.subject)
    if swallowed is not None:
        said.append(
            f"backdrop: {100 * swallowed:.0f} % of the subject's edge is as light as its backdrop"
            + ("; another backdrop_tone or more contrast parts them" if swallowed > EDGE else "")
        )
    return said


def detail_lost(codes: NDArray[np.floating], pixel: float, nozzle: float) -> float:
    """Share of a picture's detail that is finer than a line pair of two nozzles.

    Parameters
    ----------
    codes : (rows, cols) float
        Coded grey.
    pixel : float
        Its pixel_size on the panel, mm.
    nozzle : float
        Of the nozzle, mm.

    Returns
    -------
    float
        0 to 1; 0 for a picture without detail.

    Notes
    -----
    Detail is what departs from the mean of a window of 20 nozzles. Its energy is that of its Fourier
    transform,
    which by Parseval's theorem is that of the picture; lost is what lies beyond 1/(2·nozzle), in any
    direction. A Hann window keeps the jump from one edge of the picture to the other out of it.

    Examples
    --------
    >>> u = np.arange(400) * 0.1
    >>> coarse, fine = (np.tile(np.sin(2 * np.pi * u / p), (20, 1)) for p in (4.0, 0.5))
    >>> round(detail_lost(coarse, 0.1, 0.4), 2), round(detail_lost(fine, 0.1, 0.4), 2)
    (0.0, 1.0)
    """
    single = np.asarray(codes, np.float32)
    detail = single - ndimage.uniform_filter(single, max(1, round(20 * nozzle / pixel)), mode="nearest")
    if float(np.square(detail).mean()) <= NONE:
        return 0.0
    rows, cols = detail.shape
    # Two more than the picture has, so that not even the smallest picture's pixels are all weighed as 0.
    detail *= np.hanning(rows + 2)[1:-1, None].astype(np.float32)
    detail *= np.hanning(cols + 2)[None, 1:-1].astype(np.float32)
    energy = np.square(np.abs(fft.rfft2(detail)))
    energy[:, 1 : (cols + 1) // 2] *= 2  # of each pair of opposite frequencies the transform holds one
    up, across = fft.fftfreq(rows, pixel)[:, None], fft.rfftfreq(cols, pixel)
    fine = up * up + across * across > (1 / (2 * nozzle)) ** 2
    return float(energy[fine].sum(dtype=np.float64) / energy.sum(dtype=np.float64))


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
