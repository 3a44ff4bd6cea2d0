"""The crop: which part of a picture a panel shows, how large and how turned.

The *window* is the rectangle that the picture fills: the outline's bounding box inside the rim. A thickness
map is placed like a photograph; where it says 0 there is no wall, and no wall is thinned toward it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.panel.pixels import Floats, Grid
from pathgen.picture import resample

Window = tuple[float, float, float, float]

ZOOM = 0.05, 50.0
TURN = 360.0  # degrees, either way
LEAST = 2.0  # pixels of the picture that must fill the window, across and up
HAIR = 1e-6  # pixels of the picture by which rounding may put a place outside it


def window_of(outline: BaseGeometry, rim_width: float) -> Window:
    """Give the rectangle a picture fills: the outline's bounding box, less the rim on every side.

    Parameters
    ----------
    outline : shapely polygon
        Without its eyelets, mm.
    rim_width : float
        mm.

    Returns
    -------
    left, low, right, high : float
        mm.

    Raises
    ------
    PathgenError
        When the rim leaves nothing.

    Examples
    --------
    >>> import shapely
    >>> window_of(shapely.box(0, 0, 60, 40), 3.0)
    (3.0, 3.0, 57.0, 37.0)
    """
    left, low, right, high = outline.bounds
    shorter = min(right - left, high - low)
    if not 0 <= rim_width < shorter / 2:
        what = f"rim of {rim_width:g} mm in an outline of {right - left:g} × {high - low:g} mm"
        allowed = f"0 mm or more, less than {shorter / 2:g} mm"
        raise PathgenError(what, where="rim_width", allowed=allowed)
    return left + rim_width, low + rim_width, right - rim_width, high - rim_width


def picture_pixel(shape: tuple[int, int], window: Window, zoom: float = 1.0, rotation: float = 0.0) -> float:
    """Size of one picture pixel on the panel.

    Parameters are those of `place_picture`.

    Returns
    -------
    float
        mm. A picture much finer than the panel's pixels should be reduced to about their pixel_size before
        it is sampled, or it aliases; it may then be placed by its new shape with all else the same.

    Examples
    --------
    >>> picture_pixel((400, 600), (0, 0, 90, 80))
    0.2
    """
    half_across, half_up = _half_window(window, rotation)
    _check(shape, zoom, rotation, (0.5, 0.5))
    rows, cols = shape
    return max(2 * half_across / cols, 2 * half_up / rows) * zoom


def place_picture(
    shape: tuple[int, int],
    grid: Grid,
    window: Window,
    centre: tuple[float, float] = (0.5, 0.5),
    zoom: float = 1.0,
    rotation: float = 0.0,
) -> Floats:
    """Find the place in a picture that each pixel of a map shows.

    Parameters
    ----------
    shape : (rows, cols)
        Of the picture, row 0 at the top.
    grid : Grid
        Of the map.
    window : (left, low, right, high)
        What the picture fills, mm; see `window_of`.
    centre : (across, up)
        Place in the picture that goes to the middle of the window, as shares of its width from the left and
        of its height from the bottom. It is kept far enough inside that the picture covers the window; along
        a side where the picture is smaller than the window, that it lies wholly inside.
    zoom : float
        1: as small as still covers the window, turned as it is. 2: twice as large.
    rotation : float
        Degrees the picture is turned counter-clockwise, as the viewer sees it.

    Returns
    -------
    (2, rows, cols) float64
        Row and column in the picture, 0 at the first one's middle: `scipy.ndimage.map_coordinates` takes
        them as they are. Outside the window they may lie outside the picture; inside only with zoom under 1.

    Raises
    ------
    PathgenError
        For an empty picture, and values that are not finite or out of range.

    Examples
    --------
    >>> place_picture((2, 6), Grid(2, 2, 1.0, 0.0, 0.0), (0.0, 0.0, 2.0, 2.0)).tolist()
    [[[0.0, 0.0], [1.0, 1.0]], [[2.0, 3.0], [2.0, 3.0]]]
    """
    _check(shape, zoom, rotation, centre)
    rows, cols = shape
    pixel_size = picture_pixel(shape, window, zoom, rotation)
    half_across, half_up = _half_window(window, rotation)
    # In pixels from the picture's lower left corner.
    middle_u = _kept(centre[0] * cols, half_across / pixel_size, cols)
    middle_z = _kept(centre[1] * rows, half_up / pixel_size, rows)
    left, low, right, high = window
    across, up = grid.centres()
    du, dz = (across - (left + right) / 2) / pixel_size, ((up - (low + high) / 2) / pixel_size)[:, None]
    cosine, sine = _turn(rotation)
    place = np.empty((2, *grid.shape))
    np.add(sine * du, (rows - middle_z - 0.5) - cosine * dz, out=place[0])
    np.add(cosine * du, (middle_u - 0.5) + sine * dz, out=place[1])
    return place


def show_picture(
    picture: NDArray[np.floating],
    grid: Grid,
    window: Window,
    centre: tuple[float, float] = (0.5, 0.5),
    zoom: float = 1.0,
    rotation: float = 0.0,
    *,
    bare: float,
    walls: bool = False,
) -> Floats:
    """Sample a picture onto a map, as it is placed there.

    A picture finer than the map is first reduced to about the map's pixels, with the same filter as a fitted
    one, and then interpolated linearly, which adds no seams beside edges. A coarser one is interpolated with
    cubic splines, and what overshoots is clipped.

    Parameters
    ----------
    picture : (any, any) float
        Linear luminance, or thickness in mm, row 0 at the top.
    grid, window, centre, zoom, rotation
        As with `place_picture`.
    bare : float
        Value where the picture does not reach, as with a zoom under 1.
    walls : bool
        The values are thickness, and 0 is no wall. A pixel is wall where the wall has at least half of it,
        and then as thick as that part is on average: what is beside a gap gets no thinner, nor is there any
        wall thinner than the given ones. Interpolation is linear throughout.

    Returns
    -------
    (rows, cols) float64
        On the grid; within the range of the picture, but for `bare`.

    Raises
    ------
    PathgenError
        As with `place_picture`, and when fewer than 2 × 2 pixels of the picture fill the window.

    Examples
    --------
    >>> halves = np.array([[0.0, 1.0], [0.0, 1.0]])
    >>> grid, window = Grid(2, 2, 1.0, 0.0, 0.0), (0.0, 0.0, 2.0, 2.0)
    >>> show_picture(halves, grid, window, rotation=90, bare=1.0).round(9).tolist()
    [[1.0, 1.0], [0.0, 0.0]]
    """
    place = place_picture(picture.shape, grid, window, centre, zoom, rotation)
    pixel_size = picture_pixel(picture.shape, window, zoom, rotation)
    _check_shown(window, pixel_size, zoom)
    last = np.array(picture.shape)[:, None, None] - 1
    covered = ((place >= -0.5 - HAIR) & (place <= last + 0.5 + HAIR)).all(axis=0)
    order = 1 if walls or pixel_size < grid.pixel else 3
    reduction = min(1.0, pixel_size / grid.pixel)

    def sampled(values: NDArray[np.floating]) -> Floats:
        return _sampled(values, place, reduction, order)

    if walls and not picture.all():
        share = sampled((picture > 0).astype(np.float64))
        wall = share >= 0.5 - HAIR
        least, most = picture.min(where=picture > 0, initial=np.inf), picture.max()
        shown = np.where(wall, np.clip(sampled(picture) / np.maximum(share, 0.25), least, most), 0.0)
    else:
        shown = sampled(picture)
    shown[~covered] = bare
    return shown


def _sampled(values: NDArray[np.floating], place: Floats, share: float, order: int) -> Floats:
    """Reduce values to a share of their rows and columns, and interpolate them at places in the whole."""
    shape = [max(1, round(side * share)) for side in values.shape]
    reduced = resample(values, *shape)
    scale = np.divide(shape, values.shape)[:, None, None]
    at = (place + 0.5) * scale - 0.5
    found = ndimage.map_coordinates(reduced, at, order=order, mode="nearest")
    return np.asarray(np.clip(found, values.min(), values.max()), np.float64)


def _check_shown(window: Window, pixel_size: float, zoom: float) -> None:
    left, low, right, high = window
    across, up = (right - left) / pixel_size, (high - low) / pixel_size
    if min(across, up) < LEAST:
        least = zoom * min(across, up) / LEAST
        what = f"zoom {zoom:g} leaves {across:.3g} × {up:.3g} pixels of the picture"
        raise PathgenError(what, where="zoom", allowed=f"up to {least:.3g}: 2 × 2 pixels or more")


def _turn(rotation: float) -> tuple[float, float]:
    """Cosine and sine, exact at quarter turns."""
    quarters = rotation / 90
    if quarters == round(quarters):
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarters) % 4]
    return math.cos(math.radians(rotation)), math.sin(math.radians(rotation))


def _half_window(window: Window, rotation: float) -> tuple[float, float]:
    """Half the sides of the rectangle, upright in the turned picture, that just holds the window."""
    left, low, right, high = window
    if not (0 < right - left < math.inf and 0 < high - low < math.inf):
        raise PathgenError(f"window of {right - left:g} × {high - low:g} mm", allowed="sides above 0 mm")
    cosine, sine = map(abs, _turn(rotation) if math.isfinite(rotation) else (1.0, 0.0))
    across, up = (right - left) / 2, (high - low) / 2
    return across * cosine + up * sine, across * sine + up * cosine


def _kept(at: float, half: float, size: int) -> float:
    """Move the middle of a span of ±half as little as puts it inside 0…size, or that around the span."""
    least, most = sorted((half, size - half))
    return min(max(at, least), most)


def _check(shape: tuple[int, int], zoom: float, rotation: float, centre: tuple[float, float]) -> None:
    if min(shape) < 1:
        raise PathgenError(f"picture of {shape[0]} × {shape[1]} pixels", allowed="at least 1 × 1")
    if not ZOOM[0] <= zoom <= ZOOM[1]:
        raise PathgenError(f"zoom is {zoom:g}", where="zoom", allowed=f"{ZOOM[0]:g} to {ZOOM[1]:g}")
    if not -TURN <= rotation <= TURN:
        allowed = f"{-TURN:g} to {TURN:g} degrees, counter-clockwise"
        raise PathgenError(f"rotation is {rotation:g} degrees", allowed=allowed)
    if not all(0 <= share <= 1 for share in centre):
        what = f"centre is {centre[0]:g}, {centre[1]:g}"
        raise PathgenError(what, allowed="two shares from 0 to 1, from the left and from the bottom")
