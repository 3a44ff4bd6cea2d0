"""Crop: position, scale and rotation of the picture on the panel.

The picture fills the *map*, the bounding box of the outline inside the rim. A thickness map is placed like a
photograph; a thickness of 0 means no wall, and no wall is thinned beside it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.panel.pixels import Floats, Grid
from pathgen.picture import resample

Centre = tuple[float, float]

ZOOM = 0.05, 50.0  # limits
ROTATION = 360.0  # limit in both directions, degrees
MINIMUM_PIXELS = 2.0  # minimum number of picture pixels across the map
HAIR = 1e-6  # tolerance for rounding at the border of the picture, picture pixels


def picture_pixel(shape: tuple[int, int], grid: Grid, zoom: float = 1.0, rotation: float = 0.0) -> float:
    """Return the size of one picture pixel on the panel.

    Parameters are those of `place_picture`.

    Returns
    -------
    float
        mm. A picture much finer than the panel must be reduced to about the panel's pixel size before
        sampling, or it aliases. The reduced picture is placed by its own shape and otherwise unchanged
        parameters.

    Examples
    --------
    >>> picture_pixel((400, 600), Grid(rows=160, cols=180, pixel=0.5, u=0.0, z=0.0))
    0.2
    """
    _check(shape, zoom, rotation, (0.5, 0.5))
    half_across, half_up = _half_extent(grid, rotation)
    rows, cols = shape
    return max(2 * half_across / cols, 2 * half_up / rows) * zoom


def place_picture(
    shape: tuple[int, int], grid: Grid, centre: Centre = (0.5, 0.5), zoom: float = 1.0, rotation: float = 0.0
) -> Floats:
    """Return the picture coordinates at every pixel of a map.

    Parameters
    ----------
    shape : (rows, cols)
        Shape of the picture, row 0 at the top.
    grid : Grid
        Grid of the map, which the picture fills.
    centre : (across, up)
        Point of the picture at the centre of the map, as fractions of its width from the left and of its
        height from the bottom. It is moved as far inward as needed for the picture to cover the map or, along
        a side on which the picture is smaller than the map, to lie entirely inside it.
    zoom : float
        Scale relative to the smallest one at which the rotated picture covers the map.
    rotation : float
        Counter-clockwise rotation of the picture as the viewer sees it, degrees.

    Returns
    -------
    (2, rows, cols) float64
        Row and column in the picture, 0 at the centre of the first pixel, as `scipy.ndimage.map_coordinates`
        expects them. With a zoom below 1, coordinates may lie outside the picture.

    Raises
    ------
    PathgenError
        If the picture is empty, or a value is not finite or out of range.

    Examples
    --------
    >>> place_picture((2, 6), Grid(2, 2, 1.0, 0.0, 0.0)).tolist()
    [[[0.0, 0.0], [1.0, 1.0]], [[2.0, 3.0], [2.0, 3.0]]]
    """
    _check(shape, zoom, rotation, centre)
    rows, cols = shape
    pixel_size = picture_pixel(shape, grid, zoom, rotation)
    half_across, half_up = _half_extent(grid, rotation)
    # In pixels from the picture's lower left corner.
    middle_u = _shifted_inside(centre[0] * cols, half_across / pixel_size, cols)
    middle_z = _shifted_inside(centre[1] * rows, half_up / pixel_size, rows)
    across, up = grid.centres()
    du = (across - (grid.u + grid.cols * grid.pixel / 2)) / pixel_size
    dz = ((up - (grid.z + grid.rows * grid.pixel / 2)) / pixel_size)[:, None]
    cosine, sine = _cosine_and_sine(rotation)
    place = np.empty((2, *grid.shape))
    np.add(sine * du, (rows - middle_z - 0.5) - cosine * dz, out=place[0])
    np.add(cosine * du, (middle_u - 0.5) + sine * dz, out=place[1])
    return place


def show_picture(
    picture: NDArray[np.floating],
    grid: Grid,
    centre: Centre = (0.5, 0.5),
    zoom: float = 1.0,
    rotation: float = 0.0,
    *,
    bare: float,
    walls: bool = False,
) -> Floats:
    """Sample a picture onto the grid of a map.

    A picture finer than the map is first reduced to about the map's pixel size, with the same filter as a
    fitted picture, and then interpolated linearly, which adds no halos beside edges. A coarser picture is
    interpolated with cubic splines; overshoot is clipped.

    Parameters
    ----------
    picture : (any, any) float
        Linear luminance, or thickness in mm, row 0 at the top.
    grid, centre, zoom, rotation
        See `place_picture`.
    bare : float
        Value where the picture does not reach, for example with a zoom below 1.
    walls : bool
        True if the values are thickness and 0 means no wall. A pixel is then wall if at least half of it is
        covered by wall, with the mean thickness of the covered part: wall beside a gap is not thinned, and no
        wall is thinner than the thinnest of the input. Interpolation is always linear.

    Returns
    -------
    (rows, cols) float64
        On the grid; within the range of the picture, except for `bare`.

    Raises
    ------
    PathgenError
        As `place_picture`, and if fewer than 2 × 2 pixels of the picture fill the map.

    Examples
    --------
    >>> halves = np.array([[0.0, 1.0], [0.0, 1.0]])
    >>> show_picture(halves, Grid(2, 2, 1.0, 0.0, 0.0), rotation=90, bare=1.0).round(9).tolist()
    [[1.0, 1.0], [0.0, 0.0]]
    """
    place = place_picture(picture.shape, grid, centre, zoom, rotation)
    pixel_size = picture_pixel(picture.shape, grid, zoom, rotation)
    _check_shown(grid, pixel_size, zoom)
    last = np.array(picture.shape)[:, None, None] - 1
    covered = ((place >= -0.5 - HAIR) & (place <= last + 0.5 + HAIR)).all(axis=0)
    order = 1 if walls or pixel_size < grid.pixel else 3
    reduction = min(1.0, pixel_size / grid.pixel)

    def sampled(values: NDArray[np.floating]) -> Floats:
        return _sampled(values, place, reduction, order)

    if walls and not picture.all():
        share = sampled((picture > 0).astype(np.float64))
        wall = share >= 0.5 - HAIR
        mean = sampled(picture) / np.maximum(share, 0.25)
        thinnest = picture.min(where=picture > 0, initial=np.inf)
        shown = np.where(wall, np.clip(mean, thinnest, picture.max()), 0.0)
    else:
        shown = sampled(picture)
    shown[~covered] = bare
    return shown


def _sampled(values: NDArray[np.floating], place: Floats, share: float, order: int) -> Floats:
    """Reduce an array, then interpolate it at coordinates of the full-size array."""
    shape = [max(1, round(side * share)) for side in values.shape]
    reduced = resample(values, *shape)
    scale = np.divide(shape, values.shape)[:, None, None]
    at = (place + 0.5) * scale - 0.5
    found = ndimage.map_coordinates(reduced, at, order=order, mode="nearest")
    return np.asarray(np.clip(found, values.min(), values.max()), np.float64)


def _check_shown(grid: Grid, pixel_size: float, zoom: float) -> None:
    across, up = grid.cols * grid.pixel / pixel_size, grid.rows * grid.pixel / pixel_size
    if min(across, up) < MINIMUM_PIXELS:
        limit = zoom * min(across, up) / MINIMUM_PIXELS
        what = f"zoom {zoom:g} shows only {across:.3g} × {up:.3g} pixels of the picture"
        raise PathgenError(
            what, where="zoom", allowed=f"at most {limit:.3g}, at which 2 × 2 pixels are visible"
        )


def _cosine_and_sine(rotation: float) -> tuple[float, float]:
    """Return cosine and sine, exact for multiples of 90 degrees."""
    quarters = rotation / 90
    if quarters == round(quarters):
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarters) % 4]
    return math.cos(math.radians(rotation)), math.sin(math.radians(rotation))


def _half_extent(grid: Grid, rotation: float) -> tuple[float, float]:
    """Return half the width and height of a map along the axes of the rotated picture, mm."""
    cosine, sine = map(abs, _cosine_and_sine(rotation))
    across, up = grid.cols * grid.pixel / 2, grid.rows * grid.pixel / 2
    return across * cosine + up * sine, across * sine + up * cosine


def _shifted_inside(at: float, half: float, size: int) -> float:
    """Move the centre of an interval so that the interval lies inside 0 to `size`, or contains it."""
    lowest, highest = sorted((half, size - half))
    return min(max(at, lowest), highest)


def _check(shape: tuple[int, int], zoom: float, rotation: float, centre: Centre) -> None:
    if min(shape) < 1:
        raise PathgenError(f"the picture has {shape[0]} × {shape[1]} pixels", allowed="at least 1 × 1 pixels")
    if not ZOOM[0] <= zoom <= ZOOM[1]:
        raise PathgenError(f"zoom is {zoom:g}", where="zoom", allowed=f"{ZOOM[0]:g} to {ZOOM[1]:g}")
    if not -ROTATION <= rotation <= ROTATION:
        allowed = f"{-ROTATION:g} to {ROTATION:g} degrees, counter-clockwise"
        raise PathgenError(f"rotation is {rotation:g} degrees", allowed=allowed)
    if not all(0 <= share <= 1 for share in centre):
        what = f"centre is {centre[0]:g}, {centre[1]:g}"
        raise PathgenError(
            what, allowed="two fractions from 0 to 1, measured from the left and from the bottom"
        )
