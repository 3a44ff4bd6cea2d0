"""Blur of a panel by the nozzle, by the layers, and by light that scatters inside the wall.

Three separate steps, each of them optional. `smear` and `even_out` act on what is deposited, along u and
along z. `spread` acts on the light that comes through, in both directions.

All take values that are even over each pixel, blur them by a kernel, and give the mean over each pixel
again. For a kernel whose integral taken twice is G, and pixels of spacing p, what a pixel receives from its
k-th neighbour is then exactly

    w_k = (G((k + 1)·p) − 2·G(k·p) + G((k − 1)·p)) / p,

so nothing is sampled, a kernel much narrower than a pixel is as good as a wide one, and all w add up to 1.

*Edges.* What would pass an edge is turned back at it (the picture goes on mirrored, edge pixel first). The
sum of all pixels is kept so: plastic that was fed stays in the wall, and an even wall stays even to its edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage, special

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]
Blurred = NDArray[np.floating]

REACH = 5.0  # standard deviations at which the Gaussian is cut; 6 in 10 million of it lie beyond
WIDEST = 2000  # pixels on either side; a kernel beyond it blurs everything to a mean, slowly


def smear(values: NDArray[np.floating], nozzle: float, pixel: float) -> Blurred:
    """Spread what is deposited over the width of the nozzle, along u.

    The kernel is the half-ellipse 2·√(r² − x²)/(π·r²), r = nozzle/2: plastic leaves a round opening, evenly
    as
    far as anyone can say, and of what leaves it light sees only the total along n, which is the chord of the
    circle. A box of the same width would say that the opening is square, and is wider by a sixth (standard
    deviation nozzle/√12 against nozzle/4).

    Parameters
    ----------
    values : (..., C) array
        Thickness in mm, or volume where columns are alike; u along the last axis. NaN spreads.
    nozzle : float
        Nozzle diameter, mm; 0 leaves everything as it is.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    (..., C) array
        The sum along u is kept. float32 for float32, else float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a nozzle that is not 0 or more, or a pixel not above 0.

    Examples
    --------
    >>> smear(np.array([0.0, 0.0, 1.0, 0.0, 0.0]), nozzle=0.2, pixel=0.1).round(4).tolist()
    [0.0, 0.2122, 0.5756, 0.2122, 0.0]
    """
    return blurred(np.asarray(values), nozzle_weights(nozzle, pixel), axis=-1)


def even_out(values: NDArray[np.floating], layer: float, pixel: float) -> Blurred:
    """Spread what is deposited over the height of a layer, along z.

    The kernel is a box: a layer is alike from its lower face to its upper one. Where these faces lie between
    the rows of a map is left open, so the smear is that of all places they might have.

    Parameters
    ----------
    values : (..., rows, cols) array
        Thickness in mm; z along the last axis but one. NaN spreads.
    layer : float
        Height of a layer, mm; 0 leaves everything as it is.
    pixel : float
        Height of a row, mm.

    Returns
    -------
    (..., rows, cols) array
        The sum along z is kept. float32 for float32, else float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a layer that is not 0 or more, or a pixel not above 0.

    Examples
    --------
    >>> even_out(np.array([[0.0], [1.0], [0.0]]), layer=0.1, pixel=0.1).ravel().round(3).tolist()
    [0.125, 0.75, 0.125]
    """
    return blurred(np.asarray(values), layer_weights(layer, pixel), axis=-2)


def spread_light(
    luminance: NDArray[np.floating], sigma: float, pixel: float | tuple[float, float]
) -> Blurred:
    """Spread the light that comes through over its surroundings: a Gaussian, alike in both directions.

    Inside a scattering wall light leaves beside where it entered. How far depends on plastic and thickness;
    one Gaussian for the whole panel is the simplest model of it, and `sigma` is to be measured.

    Parameters
    ----------
    luminance : (..., rows, cols) array
        Linear luminance, not sRGB codes. NaN spreads.
    sigma : float
        Standard deviation along either direction, mm; 0 leaves everything as it is.
    pixel : float or (float, float)
        Spacing of the pixels, mm; two where rows and columns have their own, height first.

    Returns
    -------
    (..., rows, cols) array
        The sum over the picture is kept. float32 for float32, else float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a sigma that is not 0 or more, or a pixel not above 0.

    Examples
    --------
    >>> point = np.zeros((5, 5))
    >>> point[2, 2] = 1.0
    >>> spread_light(point, sigma=0.05, pixel=0.1)[2].round(4).tolist()
    [0.0026, 0.1164, 0.3715, 0.1164, 0.0026]
    """
    high, wide = pixel if isinstance(pixel, tuple) else (pixel, pixel)
    across = blurred(np.asarray(luminance), gaussian_weights(sigma, wide), axis=-1)
    return blurred(across, gaussian_weights(sigma, high), axis=-2)


def nozzle_weights(nozzle: float, pixel: float) -> Floats:
    """Give what a column receives from its neighbours of plastic spread over the nozzle.

    Parameters
    ----------
    nozzle, pixel : float
        mm.

    Returns
    -------
    (2K + 1,) float64
        From the K-th neighbour on the left to the K-th on the right; symmetric, adds up to 1.

    Examples
    --------
    >>> len(nozzle_weights(0.4, 0.1)), len(nozzle_weights(0.0, 0.1))
    (5, 1)
    """
    _check("nozzle", nozzle, pixel)
    r = nozzle / 2

    def twice(x: Floats) -> Floats:
        """Integral of the half-ellipse's own integral: 0 on its left, x on its right."""
        s = np.clip(x / r, -1.0, 1.0)
        root = np.sqrt(1 - s * s)
        inside = r * (s / 2 - root**3 / (3 * np.pi) + (s * np.arcsin(s) + root) / np.pi)
        return np.asarray(inside + np.maximum(x - r, 0.0))

    return _weights(twice, math.ceil(r / pixel), pixel) if nozzle else np.ones(1)


def layer_weights(layer: float, pixel: float) -> Floats:
    """Give what a row receives from its neighbours of plastic that is alike over a layer's height.

    Parameters
    ----------
    layer, pixel : float
        mm.

    Returns
    -------
    (2K + 1,) float64
        As those of `nozzle_weights`.

    Examples
    --------
    >>> layer_weights(0.1, 0.1).round(6).tolist()
    [0.125, 0.75, 0.125]
    """
    _check("layer", layer, pixel)

    def twice(x: Floats) -> Floats:
        """Integral of the box's own integral: 0 on its left, x on its right."""
        s = np.clip(x / layer, -0.5, 0.5)
        return np.asarray(layer * (s + 0.5) ** 2 / 2 + np.maximum(x - layer / 2, 0.0))

    return _weights(twice, math.ceil(layer / 2 / pixel), pixel) if layer else np.ones(1)


def gaussian_weights(sigma: float, pixel: float) -> Floats:
    """Give what a pixel receives from its neighbours of light spread by a Gaussian.

    Parameters
    ----------
    sigma, pixel : float
        Standard deviation and spacing, mm.

    Returns
    -------
    (2K + 1,) float64
        As those of `nozzle_weights`; cut at 5 standard deviations.

    Examples
    --------
    >>> gaussian_weights(0.0, 0.1).tolist()
    [1.0]
    """
    _check("sigma", sigma, pixel)

    def twice(x: Floats) -> Floats:
        """Integral of the normal distribution function."""
        x = x / sigma
        return np.asarray(sigma * (x * special.ndtr(x) + np.exp(-x * x / 2) / math.sqrt(2 * math.pi)))

    return _weights(twice, math.ceil(REACH * sigma / pixel), pixel) if sigma else np.ones(1)


def blurred(values: NDArray[np.floating], weights: ArrayLike, axis: int) -> Blurred:
    """Have every pixel receive from its neighbours along one axis; what would pass an edge is turned back.

    Symmetric weights and mirrored edges make this a symmetric matrix: it is its own adjoint, and a cosine
    transform (DCT-II) of the values makes it a product, with `response`.

    Parameters
    ----------
    values : array
    weights : (2K + 1,) array_like
        Symmetric.
    axis : int

    Returns
    -------
    array
        float32 for float32, else float64; a copy. Same shape, empty for empty input.

    Examples
    --------
    >>> blurred(np.array([4.0, 0.0, 0.0]), [0.25, 0.5, 0.25], axis=0).tolist()
    [3.0, 1.0, 0.0]
    """
    kind = np.float32 if values.dtype == np.float32 else np.float64
    values = values.astype(kind)
    if not values.size or np.size(weights) == 1:
        return values
    # scipy's "reflect" mirrors the edge pixel too and keeps the sum; its "mirror" does not.
    return np.asarray(ndimage.correlate1d(values, weights, axis=axis, mode="reflect"))


def response(weights: Floats, count: int) -> Floats:
    """Factor that `blurred` leaves of each wave of the cosine transform (DCT-II) of `count` values.

    Parameters
    ----------
    weights : (2K + 1,) float64
        Symmetric.
    count : int
        Values along the axis.

    Returns
    -------
    (count,) float64
        1 for the even part, less and less for finer waves.

    Examples
    --------
    >>> response(np.array([0.25, 0.5, 0.25]), 4).round(3).tolist()
    [1.0, 0.854, 0.5, 0.146]
    """
    reach = len(weights) // 2
    wave = np.outer(np.arange(1, reach + 1), np.arange(count)) * (np.pi / count)
    return np.asarray(weights[reach] + 2 * weights[reach + 1 :] @ np.cos(wave))


def _weights(twice: Callable[[Floats], Floats], reach: int, pixel: float) -> Floats:
    """Second differences of a kernel's integral taken twice, out to `reach` neighbours."""
    steps = np.diff(twice(np.arange(-reach - 1.0, reach + 2.0) * pixel), 2)
    weights = np.maximum(steps + steps[::-1], 0.0)  # far out only last digits are left of a difference
    return np.asarray(weights / weights.sum())


def _check(name: str, width: float, pixel: float) -> None:
    if not (0 <= width < math.inf and 0 < pixel < math.inf):
        what = f"{name} is {width:g} mm and pixel {pixel:g} mm"
        raise PathgenError(what, where="smear", allowed=f"{name} of 0 or more, pixel above 0")
    if REACH * width > WIDEST * pixel:
        what = f"{name} is {width:g} mm, at pixels of {pixel:g} mm"
        raise PathgenError(what, where="smear", allowed=f"at most {WIDEST / REACH * pixel:g} mm")
