"""Blur of a panel: smear of the deposit by nozzle and layers, and spread of light inside the wall.

The three steps are independent and optional. `smear` and `smear_layers` act on the deposit, along u and along
z. `spread_light` acts on the transmitted light, in both directions.

All functions take values that are constant over each pixel, convolve them with a kernel, and return the mean
over each pixel. For a kernel whose second antiderivative is G, and a pixel spacing p, the weight of the k-th
neighbour is exactly

    w_k = (G((k + 1)·p) − 2·G(k·p) + G((k − 1)·p)) / p,

so the kernel is not sampled, a kernel much narrower than a pixel is as accurate as a wide one, and the
weights add up to 1.

*Edges.* The picture is mirrored at its edges (edge pixel first). This keeps the sum of all pixels: the
deposited plastic stays in the wall, and a wall of constant thickness is constant up to its edge.
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

REACH = 5.0  # standard deviations at which the Gaussian is truncated; 6e-7 of it lies beyond
WIDEST = 2000  # pixels on either side; a wider kernel is slow and leaves only the mean


def smear(values: NDArray[np.floating], nozzle: float, pixel: float) -> Blurred:
    """Smear the deposit over the width of the nozzle, along u.

    The kernel is the half-ellipse 2·√(r² − x²)/(π·r²), r = nozzle/2. The plastic is assumed to leave the
    round opening evenly, and light passes through the total along n, which is proportional to the chord of
    the circle. A box of the same width, for a square opening, would be wider by about a sixth (standard
    deviation nozzle/√12 instead of nozzle/4).

    Parameters
    ----------
    values : (..., C) array
        Thickness in mm, or volume if all columns are equally wide; u along the last axis. NaN spreads.
    nozzle : float
        Nozzle diameter, mm; 0 for no smear.
    pixel : float
        Width of a column, mm.

    Returns
    -------
    (..., C) array
        The sum along u is kept. float32 for float32 input, otherwise float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a negative nozzle diameter, or a pixel not above 0.

    Examples
    --------
    >>> smear(np.array([0.0, 0.0, 1.0, 0.0, 0.0]), nozzle=0.2, pixel=0.1).round(4).tolist()
    [0.0, 0.2122, 0.5756, 0.2122, 0.0]
    """
    return convolve(np.asarray(values), nozzle_weights(nozzle, pixel), axis=-1)


def smear_layers(values: NDArray[np.floating], layer: float, pixel: float) -> Blurred:
    """Smear the deposit over the height of a layer, along z.

    The kernel is a box, because a layer is constant from its lower to its upper face. The position of these
    faces relative to the rows of the map is unknown, so the smear is the average over all positions.

    Parameters
    ----------
    values : (..., rows, cols) array
        Thickness in mm; z along the second to last axis. NaN spreads.
    layer : float
        Layer height, mm; 0 for no smear.
    pixel : float
        Height of a row, mm.

    Returns
    -------
    (..., rows, cols) array
        The sum along z is kept. float32 for float32 input, otherwise float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a negative layer height, or a pixel not above 0.

    Examples
    --------
    >>> smear_layers(np.array([[0.0], [1.0], [0.0]]), layer=0.1, pixel=0.1).ravel().round(3).tolist()
    [0.125, 0.75, 0.125]
    """
    return convolve(np.asarray(values), layer_weights(layer, pixel), axis=-2)


def spread_light(
    luminance: NDArray[np.floating], sigma: float, pixel: float | tuple[float, float]
) -> Blurred:
    """Spread the transmitted light by an isotropic Gaussian.

    In a scattering wall, light leaves at a distance from the point where it entered. The distance depends on
    plastic and thickness. One Gaussian for the whole panel is the simplest model; `sigma` has to be measured.

    Parameters
    ----------
    luminance : (..., rows, cols) array
        Linear luminance, not sRGB codes. NaN spreads.
    sigma : float
        Standard deviation in either direction, mm; 0 for no spread.
    pixel : float or (float, float)
        Pixel spacing, mm; (height, width) if they differ.

    Returns
    -------
    (..., rows, cols) array
        The sum over the picture is kept. float32 for float32 input, otherwise float64; empty for empty input.

    Raises
    ------
    PathgenError
        For a negative `sigma`, or a pixel not above 0.

    Examples
    --------
    >>> point = np.zeros((5, 5))
    >>> point[2, 2] = 1.0
    >>> spread_light(point, sigma=0.05, pixel=0.1)[2].round(4).tolist()
    [0.0026, 0.1164, 0.3715, 0.1164, 0.0026]
    """
    high, wide = pixel if isinstance(pixel, tuple) else (pixel, pixel)
    across = convolve(np.asarray(luminance), gaussian_weights(sigma, wide), axis=-1)
    return convolve(across, gaussian_weights(sigma, high), axis=-2)


def nozzle_weights(nozzle: float, pixel: float) -> Floats:
    """Return the weights of the nozzle kernel.

    Parameters
    ----------
    nozzle, pixel : float
        mm.

    Returns
    -------
    (2K + 1,) float64
        From the K-th neighbour on the left to the K-th on the right; symmetric, sum 1.

    Examples
    --------
    >>> len(nozzle_weights(0.4, 0.1)), len(nozzle_weights(0.0, 0.1))
    (5, 1)
    """
    _check("nozzle", nozzle, pixel)
    r = nozzle / 2

    def twice(x: Floats) -> Floats:
        """Return the second antiderivative of the half-ellipse, which is 0 to its left and x to its right."""
        s = np.clip(x / r, -1.0, 1.0)
        root = np.sqrt(1 - s * s)
        inside = r * (s / 2 - root**3 / (3 * np.pi) + (s * np.arcsin(s) + root) / np.pi)
        return np.asarray(inside + np.maximum(x - r, 0.0))

    return _weights(twice, math.ceil(r / pixel), pixel) if nozzle else np.ones(1)


def layer_weights(layer: float, pixel: float) -> Floats:
    """Return the weights of the layer kernel.

    Parameters
    ----------
    layer, pixel : float
        mm.

    Returns
    -------
    (2K + 1,) float64
        As in `nozzle_weights`.

    Examples
    --------
    >>> layer_weights(0.1, 0.1).round(6).tolist()
    [0.125, 0.75, 0.125]
    """
    _check("layer", layer, pixel)

    def twice(x: Floats) -> Floats:
        """Return the second antiderivative of the box, which is 0 to its left and x to its right."""
        s = np.clip(x / layer, -0.5, 0.5)
        return np.asarray(layer * (s + 0.5) ** 2 / 2 + np.maximum(x - layer / 2, 0.0))

    return _weights(twice, math.ceil(layer / 2 / pixel), pixel) if layer else np.ones(1)


def gaussian_weights(sigma: float, pixel: float) -> Floats:
    """Return the weights of the Gaussian kernel.

    Parameters
    ----------
    sigma, pixel : float
        Standard deviation and spacing, mm.

    Returns
    -------
    (2K + 1,) float64
        As in `nozzle_weights`; truncated at 5 standard deviations.

    Examples
    --------
    >>> gaussian_weights(0.0, 0.1).tolist()
    [1.0]
    """
    _check("sigma", sigma, pixel)

    def twice(x: Floats) -> Floats:
        """Return the antiderivative of the normal distribution function."""
        x = x / sigma
        return np.asarray(sigma * (x * special.ndtr(x) + np.exp(-x * x / 2) / math.sqrt(2 * math.pi)))

    return _weights(twice, math.ceil(REACH * sigma / pixel), pixel) if sigma else np.ones(1)


def convolve(values: NDArray[np.floating], weights: ArrayLike, axis: int) -> Blurred:
    """Convolve an array with symmetric weights along one axis, mirrored at its edges.

    Symmetric weights and mirrored edges make this a symmetric matrix. The operation is therefore
    self-adjoint, and a product with `frequency_response` in the cosine transform (DCT-II).

    Parameters
    ----------
    values : array
    weights : (2K + 1,) array_like
        Symmetric.
    axis : int

    Returns
    -------
    array
        A copy, float32 for float32 input, otherwise float64. Same shape; empty for empty input.

    Examples
    --------
    >>> convolve(np.array([4.0, 0.0, 0.0]), [0.25, 0.5, 0.25], axis=0).tolist()
    [3.0, 1.0, 0.0]
    """
    kind = np.float32 if values.dtype == np.float32 else np.float64
    values = values.astype(kind)
    if not values.size or np.size(weights) == 1:
        return values
    # scipy's "reflect" repeats the edge pixel and keeps the sum; its "mirror" does not.
    return np.asarray(ndimage.correlate1d(values, weights, axis=axis, mode="reflect"))


def frequency_response(weights: Floats, count: int) -> Floats:
    """Return the frequency response of `convolve` in the cosine transform (DCT-II) of `count` values.

    Parameters
    ----------
    weights : (2K + 1,) float64
        Symmetric.
    count : int
        Number of values along the axis.

    Returns
    -------
    (count,) float64
        1 for the mean, decreasing for shorter waves.

    Examples
    --------
    >>> frequency_response(np.array([0.25, 0.5, 0.25]), 4).round(3).tolist()
    [1.0, 0.854, 0.5, 0.146]
    """
    reach = len(weights) // 2
    wave = np.outer(np.arange(1, reach + 1), np.arange(count)) * (np.pi / count)
    return np.asarray(weights[reach] + 2 * weights[reach + 1 :] @ np.cos(wave))


def _weights(twice: Callable[[Floats], Floats], reach: int, pixel: float) -> Floats:
    """Return the second differences of a kernel's second antiderivative, up to `reach` neighbours."""
    steps = np.diff(twice(np.arange(-reach - 1.0, reach + 2.0) * pixel), 2)
    weights = np.maximum(steps + steps[::-1], 0.0)  # far out, differences are rounding errors
    return np.asarray(weights / weights.sum())


def _check(name: str, width: float, pixel: float) -> None:
    what = f"{name} is {width:g} mm and pixel is {pixel:g} mm"
    if not (0 <= width < math.inf and 0 < pixel < math.inf):
        raise PathgenError(
            what, where="blur", allowed=f"a {name} of at least 0 mm, and a pixel size above 0 mm"
        )
    if REACH * width > WIDEST * pixel:
        limit = WIDEST / REACH * pixel
        raise PathgenError(what, where="blur", allowed=f"a {name} of at most {limit:g} mm at this pixel size")
