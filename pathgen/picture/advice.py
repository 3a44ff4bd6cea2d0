"""Advice on a prepared picture: lost tones, lost detail, and remedies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from pathgen.picture.colorimetry import encode_srgb
from pathgen.picture.prepare import Prepared

CLIPPED = 0.02  # share of clipped pixels above which advice is given
USED = 0.75  # share of the tonal range below which advice is given
FINE = 0.10  # share of the detail's energy above which advice is given
SIMILAR = 0.08  # difference of code below which subject and backdrop merge
NEGLIGIBLE = 1e-10  # mean square of detail, in codes, that is rounding error
EDGE = 0.25  # share of the subject's edge above which advice is given
REMEDIES = {
    "clipped": "lower `contrast` or change the levels to keep the detail in it",
    "tones": "stretch it with `levels_low` and `levels_high`",
    "detail": "a larger panel or a finer nozzle shows more",
    "backdrop": "change `backdrop_tone` or raise `contrast`",
}


def advice(prepared: Prepared, width: float, nozzle: float) -> list[str]:
    """Return notes on how well a panel can show a picture.

    Parameters
    ----------
    prepared : Prepared
    width : float
        Width of the picture on the panel, mm.
    nozzle : float
        Nozzle diameter, mm. Detail finer than two diameters is lost.

    Returns
    -------
    list of str
        One finding each, with advice where something can be improved.

    Examples
    --------
    >>> flat = Prepared(np.full((60, 80), 0.2, np.float32), None, "grey.png", (80, 60))
    >>> advice(flat, 100.0, 0.4)[1]
    'tones: 0 % of the range from black to white is used; stretch it with `levels_low` and `levels_high`'
    """
    codes = encode_srgb(prepared.luminance)
    own = codes if prepared.subject is None else codes[prepared.subject > 0.5]
    own = own if own.size else codes
    dark, bright = float(np.mean(own <= 0.004)), float(np.mean(own >= 0.996))
    used = float(np.subtract(*np.percentile(own, [99, 1])))
    lost = detail_lost(codes, width / codes.shape[1], nozzle)
    largest = codes.shape[1] * prepared.factor * nozzle / 2
    merged = _merged_edge(codes, prepared.subject)
    too_fine = f"{100 * lost:.0f} % of it is too fine for a {nozzle:g} mm nozzle at {width:g} mm width"
    clipped = f"{100 * dark:.1f} % of the picture is black, {100 * bright:.1f} % white"
    findings = {
        "clipped": (clipped, max(dark, bright) > CLIPPED),
        "tones": (f"{100 * used:.0f} % of the range from black to white is used", used < USED),
        "detail": (too_fine, lost > FINE),
        "size": (f"the photograph has no further detail above a width of {largest:.0f} mm", False),
    }
    if merged is not None:
        similar = f"{100 * merged:.0f} % of the subject's edge is about as light as the backdrop"
        findings["backdrop"] = (similar, merged > EDGE)
    return [
        f"{topic}: {finding}; {REMEDIES[topic]}" if needed else f"{topic}: {finding}"
        for topic, (finding, needed) in findings.items()
    ]


def detail_lost(codes: NDArray[np.floating], pixel: float, nozzle: float) -> float:
    """Return the fraction of a picture's detail that is finer than two nozzle diameters per line pair.

    Parameters
    ----------
    codes : (rows, cols) float
        sRGB-encoded grey, 0 to 1.
    pixel : float
        Pixel spacing on the panel, mm.
    nozzle : float
        Nozzle diameter, mm.

    Returns
    -------
    float
        0 to 1; 0 for a picture without detail.

    Notes
    -----
    Detail is the difference from the mean over a window of 20 nozzle diameters. By Parseval's theorem its
    energy equals that of its Fourier transform; the lost part is the energy above the frequency 1/(2·nozzle),
    in any direction. A Hann window suppresses the discontinuity between opposite edges of the picture.

    Examples
    --------
    >>> u = np.arange(400) * 0.1
    >>> coarse, fine = (np.tile(np.sin(2 * np.pi * u / p), (20, 1)) for p in (4.0, 0.5))
    >>> round(detail_lost(coarse, 0.1, 0.4), 2), round(detail_lost(fine, 0.1, 0.4), 2)
    (0.0, 1.0)
    """
    single = np.asarray(codes, np.float32)
    detail = single - ndimage.uniform_filter(single, max(1, round(20 * nozzle / pixel)), mode="nearest")
    if float(np.square(detail).mean()) <= NEGLIGIBLE:
        return 0.0
    rows, cols = detail.shape
    # Two samples more than the picture has, so that no pixel has a weight of 0.
    detail *= np.hanning(rows + 2)[1:-1, None].astype(np.float32)
    detail *= np.hanning(cols + 2)[None, 1:-1].astype(np.float32)
    energy = np.square(np.abs(fft.rfft2(detail)))
    energy[:, 1 : (cols + 1) // 2] *= 2  # the transform contains one of each pair of opposite frequencies
    up, across = fft.fftfreq(rows, pixel)[:, None], fft.rfftfreq(cols, pixel)
    fine = up * up + across * across > (1 / (2 * nozzle)) ** 2
    return float(energy[fine].sum(dtype=np.float64) / energy.sum(dtype=np.float64))


def _merged_edge(codes: NDArray[np.floating], subject: NDArray[np.floating] | None) -> float | None:
    """Return the fraction of the subject's edge that is about as light as the backdrop."""
    if subject is None or subject.min() > 0.5:
        return None
    inside = subject > 0.5
    core = ndimage.binary_erosion(inside, iterations=4)
    rim = core & ~ndimage.binary_erosion(core, iterations=3)
    if not rim.any():
        return None
    backdrop = float(np.median(codes[~inside]))
    return float(np.mean(np.abs(codes[rim] - backdrop) < SIMILAR))
