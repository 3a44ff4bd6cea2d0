"""Routes over the platform that go around standing walls.

Glossary. *Corner*: a point just outside a convex corner of a wall; shortest routes bend only there
(Lozano-Pérez and Wesley, Communications of the ACM 22, 560, 1979; from memory). *Middle*: a line along the
inside of a wall; its ends are the wall's two *gates*. *Exit*: a point outside all walls at which a route
enters the open space: the point itself, or the point where the route leaves the wall. *Sight*: a straight
line that crosses no wall.

The route depends on the position of its ends:

- outside, or up to `BORDER` inside a wall, as the end of a tab at the rim: around all walls; - inside a wall:
straight to a point of the same wall; to any other point along the middle to one of the gates, and from
  there around all walls. A wall without a middle, such as a closed ring, is left at the nearest point of each
  border;
- without any route around, as between the inside and the outside of a ring: straight, and counted as a
crossing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import networkx as nx
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.layers.strokes import Floats, Ints
from pathgen.route.visibility import HAIR, Viewpoints, WallVisibility

BORDER = 0.05  # depth inside a wall up to which a point counts as outside, mm
CLEARANCE = 0.05  # distance of a route from the corner of a wall, mm
COARSE = 0.25  # outward tolerance for simplifying outlines with many corners, mm
PLAIN = 8  # number of corners up to which an outline is not simplified

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Routes:
    """Routes between pairs of points.

    Attributes
    ----------
    points : list of (K, 2) float64
        Points of every route, including both ends, mm.
    crossing : (P,) bool
        True for routes that cross a wall because none leads around it.
    """

    points: list[Floats]
    crossing: Bools

    @property
    def crossings(self) -> int:
        """Number of routes that cross a wall."""
        return int(self.crossing.sum())


class Obstacles:
    """Walls on the platform, prepared for computing many routes around them.

    Parameters
    ----------
    polygons : sequence of shapely.Polygon
        Outline of each wall seen from above, mm, with a hole if it is a closed ring. They must be disjoint.
    middles : sequence of (K, 2) float64 or None, optional
        Line along the middle of each wall from end to end; a line that ends inside the wall is extended to
        its border. None for a wall that may be left anywhere.

    Raises
    ------
    PathgenError
        If an outline is empty or intersects itself, or the numbers of middles and outlines differ.

    Notes
    -----
    Routes bend at a distance of `CLEARANCE` from the corners of a wall. An outline of more than `PLAIN`
    corners, such as that of a bent wall, is simplified: routes then bend up to `COARSE` further away, and a
    route all around it is at most 2 mm longer.

    Examples
    --------
    >>> wall = Obstacles([shapely.box(0, 0, 100, 4)], [np.array([[0.0, 2.0], [100.0, 2.0]])])
    >>> wall.distances(np.array([[10.0, -5.0]]), np.array([[60.0, -5.0], [10.0, 9.0]])).round(2).tolist()
    [[50.0, 26.51]]
    >>> wall.path((10.0, -5.0), (10.0, 9.0)).round(2).tolist()
    [[10.0, -5.0], [-0.05, -0.05], [-0.05, 4.05], [10.0, 9.0]]
    >>> wall.path((3.0, 1.0), (3.0, 9.0)).round(2).tolist()
    [[3.0, 1.0], [-0.05, 2.0], [-0.05, 4.05], [3.0, 9.0]]
    """

    def __init__(
        self, polygons: Sequence[BaseGeometry], middles: Sequence[Floats | None] | None = None
    ) -> None:
        walls = np.array(list(polygons), object)
        lines = [None] * len(walls) if middles is None else list(middles)
        _check(walls, lines)
        self._tree = shapely.STRtree(walls)
        self._borders = shapely.boundary(walls)
        self._walls = [_Wall.of(wall, line) for wall, line in zip(walls, lines, strict=True)]
        self._sight = WallVisibility(walls)
        corners = _corners(walls)
        self._corners = self._sight.look(corners, corners)
        self._steps, self._between = self._graph()

    def distances(self, a: Floats, b: Floats) -> Floats:
        """Return the lengths of the shortest routes between points.

        Parameters
        ----------
        a : (N, 2) float64
        b : (M, 2) float64
            mm. Passing the same array twice is faster than passing two equal arrays.

        Returns
        -------
        (N, M) float64
            Lengths of the routes that `path` returns, mm; empty for no points.
        """
        first = self._exits(a)
        then = first if a is b else self._exits(b)
        straight = _lengths(first.points[:, None] - then.points)
        same = (first.wall[:, None] == then.wall) & (then.wall >= 0)
        if not self._walls or same.all():
            return straight
        if first is then:
            i, j = np.triu_indices(len(first.views.at), 1)
            free = np.zeros((len(first.views.at),) * 2)
            free[i, j] = free[j, i] = self._free(first.views, i, first.views, j).length
        else:
            shape = len(first.views.at), len(then.views.at)
            i, j = (side.ravel() for side in np.indices(shape))
            free = self._free(first.views, i, then.views, j).length.reshape(shape)
        length = np.full(straight.shape, np.inf)
        for i, lead in zip(first.index.T, first.lead.T, strict=True):
            for j, trail in zip(then.index.T, then.lead.T, strict=True):
                np.minimum(length, lead[:, None] + free[np.ix_(i, j)] + trail, out=length)
        return np.where(same | np.isinf(length), straight, length)

    def path(self, a: Sequence[float] | Floats, b: Sequence[float] | Floats) -> Floats:
        """Return the shortest route between two points.

        Parameters
        ----------
        a, b : (2,) float
            mm.

        Returns
        -------
        (K, 2) float64
            Its points, including both ends, mm.
        """
        return self.paths(np.reshape(a, (1, 2)), np.reshape(b, (1, 2))).points[0]

    def paths(self, a: Floats, b: Floats) -> Routes:
        """Return the shortest routes between pairs of points.

        Parameters
        ----------
        a, b : (P, 2) float64
            Start and end of each route, mm.

        Returns
        -------
        Routes
            Empty for no points.
        """
        first, then = self._exits(a), self._exits(b)
        same = (first.wall == then.wall) & (then.wall >= 0)
        i, j = np.broadcast_arrays(first.index[:, :, None], then.index[:, None, :])
        free = self._free(first.views, i.ravel(), then.views, j.ravel())
        total = first.lead[:, :, None] + free.length.reshape(i.shape) + then.lead[:, None, :]
        count = i[0].size if len(i) else 1
        best = total.reshape(-1, count).argmin(axis=1)
        chosen = best + count * np.arange(len(i))
        crossing = np.isinf(total.ravel()[chosen]) & ~same
        leave, come = np.divmod(best, then.index.shape[1])
        bends = self._bends(free, i.ravel()[chosen], j.ravel()[chosen], free.blocked[chosen])
        found = []
        for k, direct in enumerate((same | crossing).tolist()):
            route = [first.points[k : k + 1], then.points[k : k + 1]]
            if not direct:
                route[1:1] = self._lead(first, k, leave[k]), bends[k], self._lead(then, k, come[k])[::-1]
            found.append(_distinct(np.concatenate(route)))
        return Routes(found, crossing)

    def _exits(self, points: Floats) -> _Exits:
        """Locate points, and find the exits at which their routes leave a wall."""
        points = np.asarray(points, np.float64).reshape(-1, 2)
        wall, eye = self._locate(points)
        outside = np.flatnonzero(wall < 0)
        inside = np.unique(wall[wall >= 0]).tolist()
        shape = len(points), max([1, *(self._walls[number].exits for number in inside)])
        index, lead = np.zeros(shape, np.intp), np.full(shape, np.inf)
        bend = np.zeros((len(points), 2), np.intp)
        index[outside, 0], lead[outside, 0] = np.arange(len(outside)), 0.0
        at, count = [points[outside]], len(outside)
        for number in inside:
            own = np.flatnonzero(wall == number)
            exits, which, length, bend[own] = self._walls[number].leave(points[own])
            index[own, : which.shape[1]] = count + which
            lead[own, : which.shape[1]] = length
            at.append(exits)
            count += len(exits)
        exits = np.concatenate(at)
        eyes = np.concatenate([eye[outside], exits[len(outside) :]])
        return _Exits(points, wall, self._sight.look(exits, eyes), index, lead, bend)

    def _locate(self, points: Floats) -> tuple[Ints, Floats]:
        """Return the wall that contains each point, −1 for none, and the viewpoint of points outside."""
        wall, eye = np.full(len(points), -1), points.copy()
        spots = shapely.points(points)
        which, number = self._tree.query(spots, predicate="intersects")
        lines = shapely.shortest_line(self._borders[number], np.take(np.asarray(spots), which))
        deep = np.asarray(shapely.length(lines) > BORDER)
        wall[which[deep]] = number[deep]
        eye[which[~deep]] = shapely.get_coordinates(lines).reshape(-1, 2, 2)[~deep, 0]
        return wall, eye

    def _lead(self, exits: _Exits, k: int, side: np.intp) -> Floats:
        """Return the points on the way from inside a wall to an exit; no points if already outside."""
        if exits.wall[k] < 0:
            return exits.points[:0]
        line: Floats = self._walls[exits.wall[k]].middle
        if not len(line):
            exit = int(exits.index[k, side])
            return exits.views.at[exit : exit + 1]
        bend = exits.bend[k, side]
        return line[bend:] if side else line[bend::-1]

    def _free(self, a: Viewpoints, i: Ints, b: Viewpoints, j: Ints) -> _Free:
        """Return the shortest routes from exits `i` of wall `a` to exits `j` of wall `b`."""
        length = _lengths(a.at[i] - b.at[j])
        blocked = self._sight.blocked(a, i, b, j)
        if not blocked.any():
            none = np.zeros((0, 0))
            return _Free(length, blocked, none, none, none)
        legs = self._legs(a)
        trail = legs if b is a else self._legs(b)
        reach = (legs[:, :, None] + self._between).min(axis=1, initial=np.inf)
        length[blocked] = (reach[i[blocked]] + trail[j[blocked]]).min(axis=1, initial=np.inf)
        return _Free(length, blocked, legs, reach, trail)

    def _legs(self, views: Viewpoints) -> Floats:
        """Return straight distances from exits to visible corners, infinite for all others, (U, K)."""
        shape = len(views.at), len(self._corners.at)
        i, j = (side.ravel() for side in np.indices(shape))
        length = _lengths(views.at[i] - self._corners.at[j])
        length[self._sight.blocked(views, i, self._corners, j)] = np.inf
        return length.reshape(shape)

    def _graph(self) -> tuple[Floats, Floats]:
        """Return straight distances between visible corners, and the shortest distances between all."""
        steps = self._legs(self._corners)
        np.fill_diagonal(steps, np.inf)
        if not len(steps):
            return steps, steps
        graph = nx.from_numpy_array(np.where(np.isfinite(steps), steps, 0.0))
        return steps, np.asarray(nx.floyd_warshall_numpy(graph))

    def _bends(self, free: _Free, i: Ints, j: Ints, blocked: Bools) -> list[Floats]:
        """Return the corners on the routes from exits i to exits j; a straight route has none."""
        found = [np.zeros((0, 2))] * len(i)
        which = np.flatnonzero(blocked)
        if not len(which) or not len(self._steps):
            return found
        last = (free.reach[i[which]] + free.trail[j[which]]).argmin(axis=1)
        here = (free.legs[i[which]] + self._between[:, last].T).argmin(axis=1)
        for k, corner, end in zip(which.tolist(), here.tolist(), last.tolist(), strict=True):
            chain = [corner]
            # Every step is longer than 0, so the remaining route becomes shorter.
            while chain[-1] != end and np.isfinite(self._between[chain[-1], end]):
                chain.append(int((self._steps[chain[-1]] + self._between[:, end]).argmin()))
            found[k] = self._corners.at[chain]
        return found


class _Free(NamedTuple):
    """Lengths of the shortest routes between P pairs of exits.

    Attributes
    ----------
    length : (P,) float64
        mm, infinite if there is none.
    blocked : (P,) bool
        True for routes that are not straight.
    legs, reach, trail : (U, K), (U, K), (V, K) float64
        Distances from the first exits to visible corners, and along the shortest route to all corners; from
        the other exits to visible corners. Empty if nothing is blocked.
    """

    length: Floats
    blocked: Bools
    legs: Floats
    reach: Floats
    trail: Floats


@dataclass(frozen=True, slots=True)
class _Exits:
    """Points, and the exits through which their routes enter open space.

    Attributes
    ----------
    points : (N, 2) float64
    wall : (N,) intp
        Wall that contains the point, −1 for none.
    views : Viewpoints
        All exits.
    index : (N, R) intp
        Exits of each point.
    lead : (N, R) float64
        Length of the route to each exit, infinite for a missing one.
    bend : (N, 2) intp
        First points of the wall's middle on the routes to its two gates.
    """

    points: Floats
    wall: Ints
    views: Viewpoints
    index: Ints
    lead: Floats
    bend: Ints


@dataclass(frozen=True, slots=True)
class _Wall:
    """Wall, and the routes from its inside to open space.

    Attributes
    ----------
    middle : (K, 2) float64
        From gate to gate; empty if there is none.
    rings : list of shapely.LinearRing
        Its borders.
    """

    middle: Floats
    rings: list[shapely.LinearRing]

    @classmethod
    def of(cls, wall: shapely.Polygon, line: Floats | None) -> _Wall:
        middle = np.zeros((0, 2)) if line is None else _with_gates(wall, line)
        return cls(middle, list(shapely.get_rings(wall)))

    @property
    def exits(self) -> int:
        """Number of exits per point inside the wall."""
        return 2 if len(self.middle) else len(self.rings)

    def leave(self, points: Floats) -> tuple[Floats, Ints, Floats, Ints]:
        """Return the exit positions, the exits of each point with their distances, and the bend points."""
        if len(self.middle):
            return self._along(points)
        spots = shapely.points(points)
        rings = np.array(self.rings, object)[:, None]
        at = shapely.line_interpolate_point(rings, shapely.line_locate_point(rings, spots))
        exits = shapely.get_coordinates(at).reshape(len(at), -1, 2)
        index = np.arange(exits[..., 0].size).reshape(len(at), -1).T
        return exits.reshape(-1, 2), index, _lengths(exits - points).T, np.zeros((len(points), 2), np.intp)

    def _along(self, points: Floats) -> tuple[Floats, Ints, Floats, Ints]:
        line, step = self.middle, np.diff(self.middle, axis=0)
        length = _lengths(step)
        away = points[:, None] - line[:-1]
        share = np.clip((away * step).sum(axis=-1) / length**2, 0.0, 1.0)
        off = _lengths(away - share[..., None] * step)
        part = off.argmin(axis=1)
        each = np.arange(len(points))
        past = np.concatenate([[0.0], np.cumsum(length)])
        here, off = past[part] + (share * length)[each, part], off[each, part]
        # Points of the line that are nearer along it than across would add a hook to the route.
        back = np.maximum(np.searchsorted(past, here - off, side="right") - 1, 0)
        ahead = np.minimum(np.searchsorted(past, here + off), len(line) - 1)
        bend = np.stack([back, ahead], axis=1)
        rest = np.stack([past[back], past[-1] - past[ahead]], axis=1)
        index = np.tile([0, 1], (len(points), 1))
        return line[[0, -1]], index, rest + _lengths(line[bend] - points[:, None]), bend


def _check(walls: NDArray[np.object_], lines: Sequence[Floats | None]) -> None:
    if len(lines) != len(walls):
        what = f"{len(lines)} middles for {len(walls)} walls"
        raise PathgenError(what, allowed="one middle line or None for each wall")
    good = shapely.is_valid(walls) & (shapely.area(walls) > 0) & (shapely.get_type_id(walls) == 3)
    for number in np.flatnonzero(~good).tolist():
        reason = shapely.is_valid_reason(walls[number])
        what = f"the outline of wall {number + 1} is not a polygon with an area: {reason}"
        raise PathgenError(what, allowed="a polygon that does not intersect itself")
    for number, line in enumerate(lines):
        if line is not None and (np.ndim(line) != 2 or len(line) < 2 or np.shape(line)[1] != 2):
            what = f"the middle of wall {number + 1} is not a line"
            raise PathgenError(what, allowed="an array of two points or more")


def _with_gates(wall: shapely.Polygon, line: Floats) -> Floats:
    """Extend the centreline of a wall at both ends until it lies just outside the wall."""
    points: Floats = np.asarray(line, np.float64)
    points = np.concatenate([_gate(wall, points[:2]), points, _gate(wall, points[:-3:-1])])
    middle: Floats = shapely.get_coordinates(shapely.simplify(shapely.LineString(points), HAIR))
    return middle


def _gate(wall: shapely.Polygon, end: Floats) -> Floats:
    """Extend a line beyond its last two points, `end`, until it lies just outside a wall."""
    if not shapely.intersects_xy(wall, *end[0]):
        return end[:0]
    along = end[0] - end[1]
    along = along / np.hypot(*along)
    low, high = np.reshape(wall.bounds, (2, 2))
    ray = shapely.LineString([end[0], end[0] + along * np.hypot(*(high - low))])
    crossing = shapely.get_coordinates(shapely.intersection(ray, shapely.boundary(wall)))
    nearest = crossing[_lengths(crossing - end[0]).argmin()]
    gate: Floats = (nearest + CLEARANCE * along)[None]
    return gate


def _corners(walls: NDArray[np.object_]) -> Floats:
    """Return the convex corners of all walls, moved outward, (K, 2)."""
    coarse = np.where(shapely.get_num_coordinates(walls) <= PLAIN + 1, 0.0, COARSE)
    outer = shapely.buffer(walls, CLEARANCE + coarse, join_style="mitre", mitre_limit=2.0)
    found = [np.zeros((0, 2))]
    for shape in shapely.simplify(outer, coarse):
        for number, ring in enumerate(shapely.get_rings(shape)):
            points = shapely.get_coordinates(ring)[:-1]
            before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
            left = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
            # The wall is inside its outer border, and outside the border of a hole.
            found.append(points[(left > 0) == (shapely.is_ccw(ring) == (number == 0))])
    return np.unique(np.concatenate(found), axis=0)


def _distinct(points: Floats) -> Floats:
    """Remove repeated points from a route, but keep both ends."""
    bends = points[1:-1]
    moves = (bends != points[:-2]).any(axis=1) & (bends != points[-1]).any(axis=1)
    kept: Floats = points[np.concatenate([[True], moves, [True]])]
    return kept


def _lengths(steps: Floats) -> Floats:
    length: Floats = np.hypot(steps[..., 0], steps[..., 1])
    return length
