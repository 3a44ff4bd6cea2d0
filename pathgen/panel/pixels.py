"""Rasterise outlines: the map pixels inside an outline, and their distances from the edge.

A pixel belongs to an outline if its centre lies inside; a centre exactly on the edge does not count. All
calculations use pixels with the origin at the middle of the map, rounded to 1e-9, so that a symmetric
outline gives an exactly symmetric mask.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]

MEGAPIXELS = 100  # maximum size of a map, equal to that of a picture
EXACT = 9  # decimals to which pixel coordinates are rounded
SAMPLING = 0.5  # spacing of the points that mark the cells of the edge, pixels


@dataclass(frozen=True, slots=True)
class Grid:
    """Position of a map's pixels in the coordinates of the outline.

    Attributes
    ----------
    rows, cols : int
        Size of the map.
    pixel : float
        Pixel size, mm.
    u, z : float
        Left and lower border of the map, mm.

    Examples
    --------
    >>> Grid(2, 3, 0.5, 0.0, 0.0).centres()[1].tolist()
    [0.75, 0.25]
    """

    rows: int
    cols: int
    pixel: float
    u: float
    z: float

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        return self.rows, self.cols

    def centres(self) -> tuple[Floats, Floats]:
        """Return u of every column's centre, (cols,), and z of every row's centre, (rows,), top row first."""
        across = np.arange(0.5, self.cols, dtype=np.float64)
        up = np.arange(0.5, self.rows, dtype=np.float64)[::-1]
        return self.u + across * self.pixel, self.z + up * self.pixel

    def in_pixels(self, points: Floats) -> Floats:
        """Convert points (N, 2) from mm to pixels, measured right and up from the map's middle."""
        middle = (self.cols / 2, self.rows / 2)
        return np.asarray(np.round((points - (self.u, self.z)) / self.pixel - middle, EXACT))


def grid_over(outline: BaseGeometry, pixel: float) -> Grid:
    """Create the pixel grid for an outline: the bounding box, rounded up to whole pixels about its centre.

    Parameters
    ----------
    outline : shapely polygon
        mm.
    pixel : float
        Pixel size, mm.

    Returns
    -------
    Grid

    Raises
    ------
    PathgenError
        If `pixel` is not finite and positive, or the map would be empty or exceed 100 megapixels.

    Examples
    --------
    >>> grid_over(shapely.box(0, 0, 30, 20.04), 0.1).shape
    (201, 300)
    """
    if not (np.isfinite(pixel) and pixel > 0):
        raise PathgenError(f"pixel is {pixel:g} mm", allowed="a finite length of more than 0 mm")
    if outline.is_empty:
        raise PathgenError("the outline is empty", allowed="a polygon of positive area")
    left, low, right, high = outline.bounds
    across, up = (right - left) / pixel, (high - low) / pixel
    if not max(across, 1.0) * max(up, 1.0) <= 1e6 * MEGAPIXELS:
        what = f"an outline of {right - left:g} × {high - low:g} mm with pixels of {pixel:g} mm is too large"
        raise PathgenError(what, allowed=f"at most {MEGAPIXELS} megapixels", hint="use a larger `pixel`")
    rows, cols = (max(math.ceil(round(side, EXACT)), 1) for side in (up, across))
    middle = (left + right) / 2, (low + high) / 2
    return Grid(rows, cols, pixel, middle[0] - cols * pixel / 2, middle[1] - rows * pixel / 2)


def check_shape(thickness: NDArray[np.floating], grid: Grid) -> None:
    """Raise a PathgenError if the shapes of a thickness map and a grid differ."""
    if thickness.shape != grid.shape:
        what = f"the thickness map has {' × '.join(map(str, thickness.shape))} pixels"
        raise PathgenError(what, allowed=f"{grid.rows} × {grid.cols} pixels, the size of the outline")


def mask(outline: BaseGeometry, grid: Grid) -> Mask:
    """Return the pixels whose centres lie inside an outline.

    Parameters
    ----------
    outline : shapely polygon or multipolygon
        mm; pixels in its holes are outside. It may extend beyond the map.
    grid : Grid
        From `grid_over` of this outline or of an enclosing one.

    Returns
    -------
    (rows, cols) bool
        Row 0 at the top. All False for an empty outline.

    Examples
    --------
    >>> corner = shapely.from_wkt("POLYGON ((0 0, 3 0, 0 3, 0 0))")
    >>> mask(corner, grid_over(corner, 1.0)).astype(int).tolist()
    [[0, 0, 0], [1, 0, 0], [1, 1, 0]]
    """
    inside = np.zeros(grid.shape, bool)
    if outline.is_empty:
        return inside
    shape = shapely.transform(outline, grid.in_pixels)
    across, down = np.arange(grid.cols) + 0.5 - grid.cols / 2, np.arange(grid.rows) + 0.5 - grid.rows / 2
    left, low, right, high = shape.bounds
    cols = slice(*np.searchsorted(across, [left, right]).tolist())
    rows = slice(*np.searchsorted(down, [-high, -low]).tolist())
    shapely.prepare(shape)
    inside[rows, cols] = shapely.contains_xy(shape, across[None, cols], -down[rows, None])
    return inside


def edge_distance(outline: BaseGeometry, grid: Grid, reach: float = np.inf) -> Floats:
    """Compute the distance from each pixel's centre inside an outline to the nearest edge, holes included.

    A distance transform finds the nearest cell that contains edge. The distance is then measured to the edge
    itself, so that it does not depend on the orientation of the edge relative to the pixels. Segments that
    are nearest to neighbouring pixels are tried as well, and from the best one the search continues along the
    edge. The result is exact except where the nearest segment changes: a few pixels in 100,000 may be wrong
    by a fraction of a pixel.

    Parameters
    ----------
    outline : shapely polygon or multipolygon
        mm.
    grid : Grid
    reach : float
        Distances are computed up to this limit, mm; a smaller limit takes less time.

    Returns
    -------
    (rows, cols) float64
        mm; 0 outside, infinite from `reach` on.

    Examples
    --------
    >>> plate = shapely.box(0, 0, 5, 3)
    >>> edge_distance(plate, grid_over(plate, 1.0)).tolist()[1]
    [0.5, 1.5, 1.5, 1.5, 0.5]
    """
    inside = mask(outline, grid)
    distance = np.where(inside, np.inf, 0.0)
    if not inside.any():
        return distance
    edge = _Edge.of(outline, grid)
    cells = edge.cells(grid)
    apart, (row, col) = ndimage.distance_transform_edt(cells < 0, return_indices=True)
    near = inside & (apart * grid.pixel < reach + 2 * grid.pixel)
    rows, cols = np.nonzero(near)
    centres = np.column_stack([cols + 0.5 - grid.cols / 2, grid.rows / 2 - rows - 0.5])
    nearest = cells[row, col]
    around = [
        nearest[np.clip(rows + down, 0, grid.rows - 1), np.clip(cols + right, 0, grid.cols - 1)]
        for down in (-1, 0, 1)
        for right in (-1, 0, 1)
    ]
    exact = edge.distance(centres, around) * grid.pixel
    distance[near] = np.where(exact < reach, exact, np.inf)
    return distance


def box_distance(outline: BaseGeometry, grid: Grid, sides: bool = True) -> Floats:
    """Compute the distance from each pixel's centre to the edge of an outline's bounding box.

    Parameters
    ----------
    outline : shapely polygon
        mm.
    grid : Grid
    sides : bool
        Whether the left and right sides count as edges. For a ring they do not.

    Returns
    -------
    (rows, cols) float64
        mm; 0 outside. For a rectangle equal to `edge_distance`, with less time and memory.

    Examples
    --------
    >>> plate = shapely.box(0, 0, 4, 3)
    >>> box_distance(plate, grid_over(plate, 1.0)).tolist()[1]
    [0.5, 1.5, 1.5, 0.5]
    >>> box_distance(plate, grid_over(plate, 1.0), sides=False).tolist()[0]
    [0.5, 0.5, 0.5, 0.5]
    """
    left, low, right, high = outline.bounds
    (left, low), (right, high) = grid.in_pixels(np.array([(left, low), (right, high)]))
    across, up = np.arange(grid.cols) + 0.5 - grid.cols / 2, grid.rows / 2 - np.arange(grid.rows) - 0.5
    beside = np.minimum(across - left, right - across) if sides else np.full(grid.cols, np.inf)
    inside: Floats = np.minimum(np.minimum(up - low, high - up)[:, None], beside)
    inside *= grid.pixel
    return np.maximum(inside, 0.0, out=inside)


@dataclass(frozen=True, slots=True)
class _Edge:
    """Segments of an outline's edge, in pixels, with the origin at the middle of the map.

    Attributes
    ----------
    start, along : (S, 2) float64
        Start of each segment, and vector to its end.
    before, after : (S,) intp
        Indices of its neighbours on the same ring.
    """

    start: Floats
    along: Floats
    before: Ints
    after: Ints

    @classmethod
    def of(cls, outline: BaseGeometry, grid: Grid) -> _Edge:
        rings = shapely.get_rings(shapely.get_parts(outline))
        points, ring = shapely.get_coordinates(rings, return_index=True)
        points = grid.in_pixels(points)
        pieces = np.flatnonzero(ring[1:] == ring[:-1])
        count = np.bincount(ring[pieces])
        last = np.cumsum(count) - 1
        first = last - count + 1
        number = np.arange(len(pieces), dtype=np.intp)
        before, after = number - 1, number + 1
        before[first], after[last] = last, first
        return cls(points[pieces], points[pieces + 1] - points[pieces], before, after)

    def cells(self, grid: Grid) -> NDArray[np.int32]:
        """Return the index of a segment that crosses each cell of the map; -1 if none does."""
        count = np.ceil(np.hypot(*self.along.T) / SAMPLING).astype(np.intp) + 1
        piece = np.repeat(np.arange(len(count)), count)
        step = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
        at = self.start[piece] + self.along[piece] * (step / np.maximum(count[piece] - 1, 1))[:, None]
        # An edge exactly on the border of the map belongs to the cells inside.
        col = np.clip(np.floor(at[:, 0] + grid.cols / 2).astype(np.intp), 0, grid.cols - 1)
        row = np.clip(np.floor(grid.rows / 2 - at[:, 1]).astype(np.intp), 0, grid.rows - 1)
        cells = np.full(grid.shape, -1, np.int32)
        cells[row, col] = piece
        return cells

    def distance(self, points: Floats, guesses: Sequence[NDArray[np.int32]]) -> Floats:
        """Return the distance from each point (N, 2) to its candidate segments and their neighbours.

        Each entry of `guesses` is an array (N,) with one segment per point.
        """
        piece = guesses[0].astype(np.intp)
        square = self._square(points, piece)

        def better(at: Ints, guess: Ints) -> Ints:
            """Replace candidate segments by nearer segments, and return the points that changed."""
            closer = self._square(points[at], guess)
            nearer = closer < square[at]
            at = at[nearer]
            piece[at], square[at] = guess[nearer], closer[nearer]
            return at

        for guess in guesses[1:]:
            other = np.flatnonzero(guess != piece)
            better(other, guess[other].astype(np.intp))
        for neighbour in (self.before, self.after):
            moved = np.arange(len(points))
            while moved.size:  # continue along the edge while the distance decreases
                moved = better(moved, neighbour[piece[moved]])
        return np.asarray(np.sqrt(square))

    def _square(self, points: Floats, piece: Ints) -> Floats:
        """Return the squared distance of each point to its segment."""
        along = self.along[piece]
        away = points - self.start[piece]
        length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-18)
        away -= along * np.clip(np.einsum("ij,ij->i", along, away) / length, 0.0, 1.0)[:, None]
        return np.asarray(np.einsum("ij,ij->i", away, away))
