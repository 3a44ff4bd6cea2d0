"""Tone compression: fit the tones of a picture into the narrower range of a panel.

The darkest tone of a panel is far from black: a few times to some tens of times darker than its white, and
less in a lit room. Darker tones of the picture have to be moved or clipped.

Glossary. *Darkest*: darkest luminance of the panel over its white, room light included. *Clip*: tones are
kept, and those below the darkest are lost. *Global*: all tones are scaled linearly in light, as
`pathgen.optics.thickness` does; nothing is clipped, but contrast in the dark tones decreases. *Local*: only
large, slow changes of lightness are scaled, and fine detail is kept.

The local method separates a base layer and a detail layer (F. Durand and J. Dorsey, Fast bilateral filtering
for the display of high-dynamic-range images, SIGGRAPH 2002), with the guided filter for the base (K. He, J.
Sun, X. Tang, Guided image filtering, IEEE TPAMI 35, 1397, 2013), both from memory. The guided filter
preserves strong edges, so there are no halos, and takes a few running means, whatever its radius. It is
applied to CIE lightness L* instead of the logarithm of the sources. The two differ near black only, where a
logarithm amplifies invisible differences between the lowest codes of a camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError, nearest
from pathgen.optics.laws import TransmittanceLaw
from pathgen.picture.colorimetry import lightness

Single = NDArray[np.float32]

METHODS = ("clip", "global", "local")
RADIUS = 40  # longer side of the picture over the default radius of the filter
EDGE = 8.0  # L*; a region with this standard deviation counts half as edge, half as detail
ENDS = (0.5, 99.5)  # percentiles that have to fit
BISECTIONS = 12
SAMPLES = 1 << 16  # pixels from which the range is estimated


@dataclass(frozen=True, slots=True)
class CompressedPicture:
    """A picture compressed into the tonal range of a panel.

    Attributes
    ----------
    luminance : (rows, cols) float32
        Linear; 0 for the darkest tone of the panel, 1 for its white, as `pathgen.optics.thickness` expects.
    scale : float
        Factor applied to slow changes of lightness; 1 if the picture fitted without scaling.
    clipped : float
        Share of the pixels that were clipped at either end.
    """

    luminance: Single
    scale: float
    clipped: float


def darkest(law: TransmittanceLaw, thinnest: float, thickest: float, veil: float = 0.0) -> float:
    """Return the ratio of a panel's darkest luminance to its white, 0 to 1.

    Parameters
    ----------
    law : TransmittanceLaw
    thinnest, thickest : float
        mm.
    veil : float
        Luminance of room light reflected by the face, over that of the light behind the panel.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> law = ExponentialLaw(1.2)
    >>> round(darkest(law, 0.8, 3.0), 3), round(darkest(law, 0.8, 3.0, veil=0.02), 3)
    (0.16, 0.191)
    """
    bright, dark = (float(t) + veil for t in law.transmittance([thinnest, thickest]))
    return dark / bright if bright > 0 else 1.0


def compress(
    luminance: NDArray[np.floating], black: float, method: str = "local", radius: int | None = None
) -> CompressedPicture:
    """Fit the tones of a picture into the range of a panel.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 1 for white; values outside 0 to 1 are clipped.
    black : float
        Darkest luminance of the panel over its white, from `darkest`; at least 0, below 1.
    method : {"clip", "global", "local"}
        See the module docstring.
    radius : int, optional
        Radius of the base filter, pixels; by default a fortieth of the longer side, about 2.5 mm in 100 mm.

    Returns
    -------
    CompressedPicture
        Empty for an empty picture.

    Raises
    ------
    PathgenError
        For an unknown method, a `black` or `radius` out of range, and an array that is not a picture.

    Examples
    --------
    >>> shades = np.array([[0.01, 0.02, 0.5, 1.0]])
    >>> compress(shades, 0.1, "clip").luminance.round(2).tolist()
    [[0.0, 0.0, 0.4399999976158142, 1.0]]
    """
    _check(luminance, black, method, radius)
    shares = np.clip(luminance, 0.0, 1.0).astype(np.float32)
    if method == "global" or not shares.size:
        return CompressedPicture(shares, 1.0, 0.0)
    if method == "clip":
        return CompressedPicture(_above(shares, black), 1.0, float(np.mean(shares < black)))
    light = lightness(shares).astype(np.float32)
    low = float(lightness(black))
    base = guided_filter(light, radius or max(1, round(max(light.shape) / RADIUS)), EDGE)
    scale, shift = _fit_range(base, light - base, low)
    light += (scale - 1) * base + shift
    clipped = float(np.mean((light < low) | (light > 100)))
    return CompressedPicture(_above(_luminance(np.clip(light, low, 100)), black), scale, clipped)


def guided_filter(values: NDArray[np.floating], radius: int, edge: float) -> Single:
    """Smooth an array but preserve strong edges, by a guided filter with the array as guide.

    Parameters
    ----------
    values : (rows, cols) array
    radius : int
        Radius of the mean, pixels.
    edge : float
        Standard deviation within the radius, in the unit of `values`, at which half of the detail is kept.

    Returns
    -------
    (rows, cols) float32

    Examples
    --------
    >>> guided_filter(np.array([[0.0, 1.0, 0.0, 99.0, 100.0, 99.0]]), 1, 5.0).astype(int).tolist()
    [[0, 0, 0, 98, 99, 99]]
    """
    here = np.asarray(values, np.float32)
    # The mean is subtracted first, because single precision would lose small variances beside large squares.
    middle = np.float32(here.mean())
    mean = _mean(here - middle, radius)
    variance = np.maximum(_mean(np.square(here - middle), radius) - mean * mean, 0)
    keep = np.asarray(variance / (variance + edge * edge), np.float32)
    return np.asarray(_mean(keep, radius) * (here - middle) + _mean((1 - keep) * mean, radius) + middle)


def _mean(values: Single, radius: int) -> Single:
    return np.asarray(ndimage.uniform_filter(values, 2 * radius + 1, mode="reflect"))


def _fit_range(base: Single, detail: Single, low: float) -> tuple[float, float]:
    """Return the scale and shift of the base that keep base plus detail between `low` and white.

    A shift does not reduce contrast, so the base is scaled only if a shift is not sufficient.
    """
    every = max(1, base.size // SAMPLES)
    base, detail = base.ravel()[::every], detail.ravel()[::every]

    def ends(scale: float) -> tuple[float, float]:
        bottom, top = np.percentile(scale * base + detail, ENDS)
        return float(bottom), float(top)

    bottom, top = ends(1.0)
    if top - bottom <= 100 - low:
        return 1.0, max(low - bottom, 0.0)
    fits, fails = 0.0, 1.0
    for _ in range(BISECTIONS):
        scale = (fits + fails) / 2
        bottom, top = ends(scale)
        fits, fails = (scale, fails) if top - bottom <= 100 - low else (fits, scale)
    return fits, 100 - ends(fits)[1]


def _above(luminance: NDArray[np.floating], black: float) -> Single:
    """Map luminance from the range `black` to 1 onto the range 0 to 1."""
    return np.asarray(np.clip((luminance - black) / (1 - black), 0.0, 1.0), np.float32)


def _luminance(light: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the luminance of a CIE lightness L*; the inverse of `lightness`."""
    root = (light + 16) / 116
    return np.where(light > 8, root * root * root, light * (27 / 24389))


def _check(luminance: NDArray[np.floating], black: float, method: str, radius: int | None) -> None:
    what = allowed = hint = ""
    if method not in METHODS:
        what, allowed, hint = f"method is {method!r}", ", ".join(METHODS), nearest(method, METHODS)
    elif not 0 <= black < 1:
        what, allowed = f"the darkest tone of the panel is {black:g} of its white", "0 or more, and below 1"
    elif not (radius is None or radius >= 1):
        what, allowed = f"radius is {radius} pixels", "1 pixel or more"
    elif luminance.ndim != 2 or np.isnan(np.min(luminance, initial=1.0)):
        what, allowed = "the array is not a picture", "an array of two dimensions without NaN"
    if what:
        raise PathgenError(what, where="compress", allowed=allowed, hint=hint)
