"""Tones of a picture that a panel's range is too narrow for.

A panel's darkest tone is far from black: a few times to some tens of times darker than its white, less where
the room is lit. What a picture holds below that has to go somewhere.

Glossary. *Darkest*: the panel's darkest luminance over its white, room light included. *Clip*: tones stay
true, and what is darker than the darkest is lost. *Global*: every tone is lifted alike, in proportion to
light, as `pathgen.optics.thickness` does by itself; nothing is clipped, but the darks are pressed together.
*Local*: only the wide, slow changes of lightness are pressed together, and what is fine stays as it is.

Local is the scheme of base and detail (F. Durand and J. Dorsey, Fast bilateral filtering for the display of
high-dynamic-range images, SIGGRAPH 2002) with the guided filter for the base (K. He, J. Sun, X. Tang, Guided
image filtering, IEEE TPAMI 35, 1397, 2013), both from memory: it follows strong edges, so it leaves no halo
there, and takes a few running means whatever its radius. It works on CIE lightness L* where the source takes
the logarithm: the two differ near black only, where a logarithm makes differences out of a camera's last
codes that nobody sees.
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
RADIUS = 40  # the filter's radius is by default this fraction of the picture's longer side
EDGE = 8.0  # L*; changes of this standard deviation within the radius are half an edge, half detail
ENDS = (0.5, 99.5)  # percentiles that have to fit
HALVINGS = 12
SAMPLES = 1 << 16  # pixels that the range is judged by


@dataclass(frozen=True, slots=True)
class Compressed:
    """A picture that fits a panel.

    Attributes
    ----------
    luminance : (rows, cols) float32
        0 for the panel's darkest to 1 for its white, linear: what `pathgen.optics.thickness` takes.
    scale : float
        What is left of wide changes of lightness: 1 where all of them fitted.
    clipped : float
        Share of the pixels that were cut off at either end.
    """

    luminance: Single
    scale: float
    clipped: float


def darkest(law: TransmittanceLaw, thinnest: float, thickest: float, veil: float = 0.0) -> float:
    """Darkest luminance of a panel over its white.

    Parameters
    ----------
    law : TransmittanceLaw
    thinnest, thickest : float
        mm.
    veil : float
        Luminance that the room gives the panel's face, over that of the light behind it.

    Returns
    -------
    float
        0 to 1.

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
    luminance: NDArray[np.floating],
    black: float,
    method: str = "local",
    radius: int | None = None,
    edge: float = EDGE,
) -> Compressed:
    """Fit a picture's tones into a panel's.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 1 for white; what is under 0 or over 1 counts as that.
    black : float
        The panel's darkest luminance over its white, from `darkest`; 0 or more, less than 1.
    method : {"clip", "global", "local"}
        See the module.
    radius : int, optional
        How far the base looks, in pixels; by default a fortieth of the longer side, about 2.5 mm in 100.
    edge : float
        L*; changes stronger than this are edges and belong to the base, weaker ones to the detail.

    Returns
    -------
    Compressed
        Empty for an empty picture.

    Raises
    ------
    PathgenError
        For an unknown method, a `black`, `radius` or `edge` out of range, and a picture that is none.

    Examples
    --------
    >>> shades = np.array([[0.01, 0.02, 0.5, 1.0]])
    >>> compress(shades, 0.1, "clip").luminance.round(2).tolist()
    [[0.0, 0.0, 0.4399999976158142, 1.0]]
    """
    _check(luminance, black, method, radius, edge)
    shares = np.clip(luminance, 0.0, 1.0).astype(np.float32)
    if method == "global" or not shares.size:
        return Compressed(shares, 1.0, 0.0)
    if method == "clip":
        return Compressed(_within(shares, black), 1.0, float(np.mean(shares < black)))
    light = lightness(shares).astype(np.float32)
    low = float(lightness(black))
    base = guided(light, radius or max(1, round(max(light.shape) / RADIUS)), edge)
    scale, shift = _fit(base, light - base, low)
    light += (scale - 1) * base + shift
    clipped = float(np.mean((light < low) | (light > 100)))
    return Compressed(_within(_luminance(np.clip(light, low, 100)), black), scale, clipped)


def guided(values: NDArray[np.floating], radius: int, edge: float) -> Single:
    """Smooth what changes little, keep what changes much: the guided filter, guided by the values themselves.

    Parameters
    ----------
    values : (rows, cols) array
    radius : int
        Pixels the mean reaches to either side.
    edge : float
        Standard deviation within the radius, in the values' unit, of which half stays.

    Returns
    -------
    (rows, cols) float32

    Examples
    --------
    >>> guided(np.array([[0.0, 1.0, 0.0, 99.0, 100.0, 99.0]]), 1, 5.0).astype(int).tolist()
    [[0, 0, 0, 98, 99, 99]]
    """
    here = np.asarray(values, np.float32)
    # The mean is taken off first: single precision would lose small variances beside large squares.
    middle = np.float32(here.mean())
    mean = _mean(here - middle, radius)
    variance = np.maximum(_mean(np.square(here - middle), radius) - mean * mean, 0)
    keep = np.asarray(variance / (variance + edge * edge), np.float32)
    return np.asarray(_mean(keep, radius) * (here - middle) + _mean((1 - keep) * mean, radius) + middle)


def _mean(values: Single, radius: int) -> Single:
    return np.asarray(ndimage.uniform_filter(values, 2 * radius + 1, mode="reflect"))


def _fit(base: Single, detail: Single, low: float) -> tuple[float, float]:
    """Scale of the base and shift of all with which base and detail fit between `low` and white.

    Moving all tones up costs no contrast, so the base is scaled only when that is not enough.
    """
    every = max(1, base.size // SAMPLES)
    base, detail = base.ravel()[::every], detail.ravel()[::every]

    def ends(scale: float) -> tuple[float, float]:
        bottom, top = np.percentile(scale * base + detail, ENDS)
        return float(bottom), float(top)

    bottom, top = ends(1.0)
    if top - bottom <= 100 - low:
        return 1.0, max(low - bottom, 0.0)
    least, most = 0.0, 1.0
    for _ in range(HALVINGS):
        scale = (least + most) / 2
        bottom, top = ends(scale)
        least, most = (scale, most) if top - bottom <= 100 - low else (least, scale)
    return least, 100 - ends(least)[1]


def _within(luminance: NDArray[np.floating], black: float) -> Single:
    """Luminance counted from the panel's darkest."""
    return np.asarray(np.clip((luminance - black) / (1 - black), 0.0, 1.0), np.float32)


def _luminance(light: NDArray[np.floating]) -> NDArray[np.floating]:
    """Luminance of a lightness L*; the inverse of `pathgen.picture.colorimetry.lightness`."""
    root = (light + 16) / 116
    return np.where(light > 8, root * root * root, light * (27 / 24389))


def _check(
    luminance: NDArray[np.floating], black: float, method: str, radius: int | None, edge: float
) -> None:
    if method not in METHODS:
        hint = nearest(method, METHODS)
        raise PathgenError(f"no method {method!r}", where="compress", allowed=", ".join(METHODS), hint=hint)
    if not 0 <= black < 1:
        what = f"the panel's darkest is {black:g} of its white"
        raise PathgenError(what, where="compress", allowed="0 or more, less than 1")
    if not (radius is None or radius >= 1) or not edge > 0:
        what = f"radius is {radius} pixels and edge {edge:g} of lightness"
        raise PathgenError(what, where="compress", allowed="radius of 1 or more, edge above 0")
    if luminance.ndim != 2 or np.isnan(np.min(luminance, initial=1.0)):
        raise PathgenError("this is no picture", where="compress", allowed="rows and columns of numbers")
