"""Lines of sight between walls: whether a straight line between two points crosses a wall.

Glossary. *Core*: the outline of a wall reduced by `HAIR`, which a line of sight must not intersect. *Piece*:
a part of a core that nearly fills its minimum bounding box, the *outer* box; a straight wall is one piece.
*Inner* box: a box inside the core with the same centre and axes. A line that misses all outer boxes is clear,
and a line that intersects an inner box is blocked, so that few lines must be tested with the core itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from pathgen.layers.strokes import Floats, Ints

HAIR = 0.005  # depth to which a line may enter a wall, mm: above rounding, below a motor step
SEAM = 1e-6  # extension of outer boxes, mm, so that a line between two pieces intersects both
FULL = 0.6  # minimum fraction of its box that a piece fills, unless `HALVINGS` is reached
HALVINGS = 5  # maximum number of times a wall is halved

Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Viewpoints:
    """Points that are not inside walls, prepared for visibility tests.

    Attributes
    ----------
    at, eye : (U, 2) float64
        Point, and the point from which lines of sight start: on the border for a point slightly inside a
        wall, mm.
    local : (2, U, B) float64
        `eye` in the frame of every box.
    code : (U, B) uint8
        Bits for the sides that the point is beyond: four of every outer box, four of every inner box.
    """

    at: Floats
    eye: Floats
    local: Floats
    code: NDArray[np.uint8]


class WallVisibility:
    """Walls, prepared for visibility tests.

    Parameters
    ----------
    walls : (W,) array of shapely.Polygon
        Outlines, mm.

    Examples
    --------
    >>> sight = WallVisibility(np.array([shapely.box(0, 0, 10, 2)], object))
    >>> points = np.array([[5.0, -1.0], [5.0, 3.0], [12.0, -1.0]])
    >>> views = sight.look(points, points)
    >>> sight.blocked(views, np.array([0, 0]), views, np.array([1, 2])).tolist()
    [True, False]
    """

    def __init__(self, walls: Shapes) -> None:
        cores = shapely.simplify(shapely.buffer(walls, -HAIR, join_style="mitre"), 0.8 * HAIR)
        self._core = shapely.union_all(cores)
        shapely.prepare(self._core)
        pieces = _pieces(shapely.get_parts(cores))
        boxes = _boxes(pieces)
        ring = shapely.get_coordinates(boxes).reshape(-1, 5, 2)
        sides = np.stack([ring[:, 1] - ring[:, 0], ring[:, 2] - ring[:, 1]])
        length = np.hypot(sides[..., 0], sides[..., 1])
        self._centre = ring[:, :4].mean(axis=1)
        self._axes = sides / length[..., None]
        self._outer = length / 2 + SEAM
        full = shapely.area(boxes) - shapely.area(pieces) <= HAIR**2
        self._inner = np.where(full, length / 2, self._within())

    def _within(self) -> Floats:
        """Return the half-sides of the inner boxes, the largest scaled outer boxes inside the core."""
        shares = np.array([(a, b) for a in (1.0, 0.95, 0.9, 0.8, 0.6) for b in np.linspace(0.9, 0.1, 9)])
        shares = np.concatenate([shares, shares[:, ::-1]])
        shares = shares[np.argsort(-shares.prod(axis=1), kind="stable")]
        half = self._outer * shares[..., None]  # (shares, 2, boxes)
        turns = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
        reach = turns[:, :, None, None] * np.moveaxis(half, 1, 0)[None]  # (corners, 2, shares, boxes)
        corners = self._centre + (reach[..., None] * self._axes[:, None]).sum(axis=1)
        covered = shapely.covers(self._core, shapely.polygons(np.moveaxis(corners, 0, 2)))
        best = np.argmax(covered, axis=0), slice(None), np.arange(half.shape[2])
        inner: Floats = np.where(np.any(covered, axis=0), half[best].T, 0.0)
        return inner

    def look(self, at: Floats, eye: Floats) -> Viewpoints:
        """Prepare points for `blocked`.

        Parameters
        ----------
        at, eye : (U, 2) float64
            Points, and the start of their lines of sight, mm. Nothing is visible from inside a core.
        """
        away = eye[:, None] - self._centre
        local = (away * self._axes[:, None]).sum(axis=-1)
        code = np.zeros(local.shape[1:], np.uint8)
        for bit, half in enumerate((*self._outer, *self._inner)):
            code |= (local[bit % 2] < -half).astype(np.uint8) << 2 * bit
            code |= (local[bit % 2] > half).astype(np.uint8) << 2 * bit + 1
        return Viewpoints(at, eye, local, code)

    def blocked(self, a: Viewpoints, i: Ints, b: Viewpoints, j: Ints) -> Bools:
        """Return whether a wall is between points i of a and points j of b.

        Parameters
        ----------
        a, b : Viewpoints
        i, j : (P,) intp

        Returns
        -------
        (P,) bool

        Notes
        -----
        A line misses a box if both its ends are beyond one side of the box (Cohen–Sutherland codes, from
        memory), or if the whole box is on one side of the line.
        """
        beyond = (a.code[i] & b.code[j]).ravel()
        near = np.flatnonzero((beyond & 15) == 0)
        beyond = beyond[near]
        pair, box = np.divmod(near, max(len(self._centre), 1))
        x, y = a.local[:, i[pair], box]
        way_x, way_y = b.local[:, j[pair], box] - a.local[:, i[pair], box]
        aside = np.abs(x * way_y - y * way_x)
        way_x, way_y = np.abs(way_x), np.abs(way_y)
        may = aside < self._outer[0, box] * way_y + self._outer[1, box] * way_x
        does = (beyond < 16) & (aside < self._inner[0, box] * way_y + self._inner[1, box] * way_x)
        found = np.zeros(len(i), bool)
        found[pair[may]] = True
        unsure = found.copy()
        unsure[pair[does]] = False
        which = np.flatnonzero(unsure)
        if len(which):
            lines = shapely.linestrings(np.stack([a.eye[i[which]], b.eye[j[which]]], axis=1))
            found[which] = shapely.intersects(self._core, lines)
        return found


def _pieces(shapes: Shapes) -> Shapes:
    """Halve shapes across their longer side until they nearly fill their bounding boxes."""
    done = [shapes[:0]]
    for _ in range(HALVINGS):
        boxes = _boxes(shapes)
        full = shapely.area(shapes) >= FULL * shapely.area(boxes)
        done.append(shapes[full])
        ring = shapely.get_coordinates(boxes[~full]).reshape(-1, 5, 2)
        sides = np.hypot(*np.moveaxis(np.diff(ring[:, :3], axis=1), -1, 0))
        ring = np.where((sides[:, 0] < sides[:, 1])[:, None, None], ring[:, [1, 2, 3, 0, 1]], ring)
        near, far = (ring[:, 0] + ring[:, 1]) / 2, (ring[:, 2] + ring[:, 3]) / 2
        halves = (
            np.stack([ring[:, 0], near, far, ring[:, 3]], axis=1),
            np.stack([near, ring[:, 1], ring[:, 2], far], axis=1),
        )
        cut = [shapely.intersection(shapes[~full], shapely.polygons(half)) for half in halves]
        shapes = shapely.get_parts(np.concatenate(cut))
        shapes = shapes[shapely.area(shapes) > 0]
    return np.concatenate([*done, shapes])


def _boxes(shapes: Shapes) -> Shapes:
    """Return the minimum bounding box of each shape, in any orientation.

    GEOS 3.14 returns a box without area for some curved shapes. A box that does not cover its shape is
    replaced by the axis-aligned one.
    """
    boxes: Shapes = np.array(shapely.oriented_envelope(shapes), object)
    wrong = ~shapely.covers(shapely.buffer(boxes, SEAM, join_style="mitre"), shapes)
    boxes[wrong] = shapely.box(*shapely.bounds(shapes[wrong]).T)
    return boxes
