"""Ways over the platform that go round standing walls.

Glossary. *Corner*: a point just off a convex corner of a wall; shortest ways bend only there (Lozano-Pérez
and Wesley, Communications of the ACM 22, 560, 1979; from memory). *Middle*: a line along the inside of a
wall; its ends are the wall's two *gates*. *Door*: a point outside all walls where a way comes into the open:
the point itself, or where it comes out of the wall it is in. *Sight*: a straight line that crosses no wall.

Which way is taken depends on where a point is:

- outside, or up to `BORDER` inside a wall, as a tab's end at the rim: round all walls;
- inside a wall: straight to a point of the same wall; to any other along the middle to one of the gates, and
  from there round all walls. A wall without a middle, as a closed ring, is left where one of its borders is
  nearest;
- where no way leads round, as between a ring's inside and outside: straight, and counted as a crossing.
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

BORDER = 0.05  # mm inside a wall that still count as outside
CLEARANCE = 0.05  # mm from a wall's corner to the way round it
COARSE = 0.25  # mm by which outlines with many corners are made coarser, outward
PLAIN = 8  # corners up to which an outline is taken as it is

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways from points to points.

    Attributes
    ----------
    points : list of (K, 2) float64
        Of every way, both ends included, mm.
    crossing : (P,) bool
        Ways that cross a wall because none leads round it.
    """

    points: list[Floats]
    crossing: Bools

    @property
    def crossings(self) -> int:
        """Count the ways that cross a wall."""
        return int(self.crossing.sum())


class Obstacles:
    """Walls on the platform, prepared once for all the ways round them.

    Parameters
    ----------
    polygons : sequence of shapely.Polygon
        Outline of each wall seen from above, mm, with a hole where it is a closed ring. They are apart.
    middles : sequence of (K, 2) float64 or None, optional
        For each wall the line along its middle from end to end; one that ends inside the wall is lengthened
        to its border. None for a wall that may be left anywhere.

    Raises
    ------
    PathgenError
        For an outline that is empty or crosses itself, and for more or fewer middles than outlines.

    Notes
    -----
    Ways bend `CLEARANCE` off a wall's corners. An outline of more than `PLAIN` corners, as a bent wall's, is
    made coarser: they bend up to `COARSE` further off it, which makes a full turn round it 2 mm longer at
    most.

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
        """Lengths of the shortest ways between points.

        Parameters
        ----------
        a : (N, 2) float64
        b : (M, 2) float64
            mm. The same array twice is quicker than two that are alike.

        Returns
        -------
        (N, M) float64
            Lengths of what `path` gives, mm; empty for no points.
        """
        first = self._doors(a)
        then = first if a is b else self._doors(b)
        straight = _lengths(first.points[:, None] - then.points)
        same = (first.wall[:, None] == then.wall) & (then.wall >= 0)
        if not self._walls or same.all():
            return straight
        if first is then:
            i, j = np.triu_indices(len(first.seen.at), 1)
            free = np.zeros((len(first.seen.at),) * 2)
            free[i, j] = free[j, i] = self._free(first.seen, i, first.seen, j).length
        else:
            shape = len(first.seen.at), len(then.seen.at)
            i, j = (side.ravel() for side in np.indices(shape))
            free = self._free(first.seen, i, then.seen, j).length.reshape(shape)
        length = np.full(straight.shape, np.inf)
        for i, lead in zip(first.index.T, first.lead.T, strict=True):
            for j, trail in zip(then.index.T, then.lead.T, strict=True):
                np.minimum(length, lead[:, None] + free[np.ix_(i, j)] + trail, out=length)
        return np.where(same | np.isinf(length), straight, length)

    def path(self, a: Sequence[float] | Floats, b: Sequence[float] | Floats) -> Floats:
        """Find the shortest way between two points.

        Parameters
        ----------
        a, b : (2,) float
            mm.

        Returns
        -------
        (K, 2) float64
            Its points, both ends included, mm.
        """
        return self.paths(np.reshape(a, (1, 2)), np.reshape(b, (1, 2))).points[0]

    def paths(self, a: Floats, b: Floats) -> Ways:
        """Find the shortest ways from points to as many others.

        Parameters
        ----------
        a, b : (P, 2) float64
            Where each way begins and ends, mm.

        Returns
        -------
        Ways
            Empty for no points.
        """
        first, then = self._doors(a), self._doors(b)
        same = (first.wall == then.wall) & (then.wall >= 0)
        i, j = np.broadcast_arrays(first.index[:, :, None], then.index[:, None, :])
        free = self._free(first.seen, i.ravel(), then.seen, j.ravel())
        total = first.lead[:, :, None] + free.length.reshape(i.shape) + then.lead[:, None, :]
        count = i[0].size if len(i) else 1
        best = total.reshape(-1, count).argmin(axis=1)
        chosen = best + count * np.arange(len(i))
        crossing = np.isinf(total.ravel()[chosen]) & ~same
        leave, come = np.divmod(best, then.index.shape[1])
        bends = self._bends(free, i.ravel()[chosen], j.ravel()[chosen], free.blocked[chosen])
        found = []
        for k, direct in enumerate((same | crossing).tolist()):
            way = [first.points[k : k + 1], then.points[k : k + 1]]
            if not direct:
                way[1:1] = self._lead(first, k, leave[k]), bends[k], self._lead(then, k, come[k])[::-1]
            found.append(_distinct(np.concatenate(way)))
        return Ways(found, crossing)

    def _doors(self, points: Floats) -> _Doors:
        """Find out where points are and by which doors their ways begin."""
        points = np.asarray(points, np.float64).reshape(-1, 2)
        wall, eye = self._locate(points)
        outside = np.flatnonzero(wall < 0)
        inside = np.unique(wall[wall >= 0]).tolist()
        shape = len(points), max([1, *(self._walls[number].doors for number in inside)])
        index, lead = np.zeros(shape, np.intp), np.full(shape, np.inf)
        bend = np.zeros((len(points), 2), np.intp)
        index[outside, 0], lead[outside, 0] = np.arange(len(outside)), 0.0
        at, count = [points[outside]], len(outside)
        for number in inside:
            own = np.flatnonzero(wall == number)
            doors, which, length, bend[own] = self._walls[number].leave(points[own])
            index[own, : which.shape[1]] = count + which
            lead[own, : which.shape[1]] = length
            at.append(doors)
            count += len(doors)
        doors = np.concatenate(at)
        eyes = np.concatenate([eye[outside], doors[len(outside) :]])
        return _Doors(points, wall, self._sight.look(doors, eyes), index, lead, bend)

    def _locate(self, points: Floats) -> tuple[Ints, Floats]:
        """Find the wall each point is in, −1 for none; and where it looks from if it is outside."""
        wall, eye = np.full(len(points), -1), points.copy()
        spots = shapely.points(points)
        which, number = self._tree.query(spots, predicate="intersects")
        lines = shapely.shortest_line(self._borders[number], np.take(np.asarray(spots), which))
        deep = np.asarray(shapely.length(lines) > BORDER)
        wall[which[deep]] = number[deep]
        eye[which[~deep]] = shapely.get_coordinates(lines).reshape(-1, 2, 2)[~deep, 0]
        return wall, eye

    def _lead(self, doors: _Doors, k: int, side: np.intp) -> Floats:
        """Points from inside a wall out to a door; none for a point outside."""
        if doors.wall[k] < 0:
            return doors.points[:0]
        line: Floats = self._walls[doors.wall[k]].middle
        if not len(line):
            door = int(doors.index[k, side])
            return doors.seen.at[door : door + 1]
        bend = doors.bend[k, side]
        return line[bend:] if side else line[bend::-1]

    def _free(self, a: Viewpoints, i: Ints, b: Viewpoints, j: Ints) -> _Free:
        """Find the shortest ways from doors i of a to doors j of b."""
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

    def _legs(self, seen: Viewpoints) -> Floats:
        """Straight distances from doors to the corners in sight, inf to all others, (U, K)."""
        shape = len(seen.at), len(self._corners.at)
        i, j = (side.ravel() for side in np.indices(shape))
        length = _lengths(seen.at[i] - self._corners.at[j])
        length[self._sight.blocked(seen, i, self._corners, j)] = np.inf
        return length.reshape(shape)

    def _graph(self) -> tuple[Floats, Floats]:
        """Distances between corners in sight of each other, inf for others; and the shortest between all."""
        steps = self._legs(self._corners)
        np.fill_diagonal(steps, np.inf)
        if not len(steps):
            return steps, steps
        graph = nx.Graph()
        graph.add_nodes_from(range(len(steps)))
        i, j = np.nonzero(np.isfinite(steps))
        graph.add_weighted_edges_from(zip(i.tolist(), j.tolist(), steps[i, j].tolist(), strict=True))
        return steps, np.asarray(nx.floyd_warshall_numpy(graph))

    def _bends(self, free: _Free, i: Ints, j: Ints, blocked: Bools) -> list[Floats]:
        """Corners that ways from doors i to doors j lead over; none where they see each other."""
        found = [np.zeros((0, 2))] * len(i)
        which = np.flatnonzero(blocked)
        if not len(which) or not len(self._steps):
            return found
        last = (free.reach[i[which]] + free.trail[j[which]]).argmin(axis=1)
        here = (free.legs[i[which]] + self._between[:, last].T).argmin(axis=1)
        for k, corner, end in zip(which.tolist(), here.tolist(), last.tolist(), strict=True):
            chain = [corner]
            # Every step is longer than 0, so what is left of the way gets shorter.
            while chain[-1] != end and np.isfinite(self._between[chain[-1], end]):
                chain.append(int((self._steps[chain[-1]] + self._between[:, end]).argmin()))
            found[k] = self._corners.at[chain]
        return found


class _Free(NamedTuple):
    """Shortest ways between P pairs of doors.

    Attributes
    ----------
    length : (P,) float64
        mm, inf where there is none.
    blocked : (P,) bool
        Those that are not straight.
    legs, reach, trail : (U, K), (U, K), (V, K) float64
        From the first doors to the corners they see, and the shortest way to all; from the other doors to
        the corners they see. Empty if nothing is blocked.
    """

    length: Floats
    blocked: Bools
    legs: Floats
    reach: Floats
    trail: Floats


@dataclass(frozen=True, slots=True)
class _Doors:
    """Points, and the doors by which their ways begin.

    Attributes
    ----------
    points : (N, 2) float64
    wall : (N,) intp
        Wall the point is in, −1 for none.
    seen : Seen
        All doors.
    index : (N, R) intp
        Doors of each point.
    lead : (N, R) float64
        Length of the way to each of them, inf for one that is not there.
    bend : (N, 2) intp
        Points of the wall's middle that the ways to its two gates come to first.
    """

    points: Floats
    wall: Ints
    seen: Viewpoints
    index: Ints
    lead: Floats
    bend: Ints


@dataclass(frozen=True, slots=True)
class _Wall:
    """How a wall is left from inside.

    Attributes
    ----------
    middle : (K, 2) float64
        From gate to gate; empty where it has none.
    rings : list of shapely.LinearRing
        Its borders.
    """

    middle: Floats
    rings: list[shapely.LinearRing]

    @classmethod
    def of(cls, wall: shapely.Polygon, line: Floats | None) -> _Wall:
        return cls(np.zeros((0, 2)) if line is None else _gated(wall, line), list(shapely.get_rings(wall)))

    @property
    def doors(self) -> int:
        """Number of doors a point has."""
        return 2 if len(self.middle) else len(self.rings)

    def leave(self, points: Floats) -> tuple[Floats, Ints, Floats, Ints]:
        """Give doors, (D, 2); which of them points have and how far they are, (N, R); and `bend`, (N, 2)."""
        if len(self.middle):
            return self._along(points)
        spots = shapely.points(points)
        at = [
            shapely.line_interpolate_point(ring, shapely.line_locate_point(ring, spots))
            for ring in self.rings
        ]
        doors = shapely.get_coordinates(np.concatenate(at)).reshape(len(at), -1, 2)
        index = np.arange(doors[..., 0].size).reshape(len(at), -1).T
        return doors.reshape(-1, 2), index, _lengths(doors - points).T, np.zeros((len(points), 2), np.intp)

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
        # A point nearer along the line than across to it would be a hook in the way.
        back = np.maximum(np.searchsorted(past, here - off, side="right") - 1, 0)
        ahead = np.minimum(np.searchsorted(past, here + off), len(line) - 1)
        bend = np.stack([back, ahead], axis=1)
        rest = np.stack([past[back], past[-1] - past[ahead]], axis=1)
        index = np.tile([0, 1], (len(points), 1))
        return line[[0, -1]], index, rest + _lengths(line[bend] - points[:, None]), bend


def _check(walls: NDArray[np.object_], lines: Sequence[Floats | None]) -> None:
    if len(lines) != len(walls):
        raise PathgenError(
            f"{len(lines)} middles for {len(walls)} walls", allowed="one for each, or none at all"
        )
    good = shapely.is_valid(walls) & (shapely.area(walls) > 0) & (shapely.get_type_id(walls) == 3)
    for number in np.flatnonzero(~good).tolist():
        raise PathgenError(
            f"the outline of wall {number + 1} is no area with one border: "
            f"{shapely.is_valid_reason(walls[number])}",
            allowed="a polygon that does not cross itself",
        )
    for number, line in enumerate(lines):
        if line is not None and (np.ndim(line) != 2 or len(line) < 2 or np.shape(line)[1] != 2):
            raise PathgenError(f"the middle of wall {number + 1} is no line", allowed="two points or more")


def _gated(wall: shapely.Polygon, line: Floats) -> Floats:
    """Lengthen a middle on both sides until it is just outside the wall."""
    points: Floats = np.asarray(line, np.float64)
    points = np.concatenate([_gate(wall, points[:2]), points, _gate(wall, points[:-3:-1])])
    middle: Floats = shapely.get_coordinates(shapely.simplify(shapely.LineString(points), HAIR))
    return middle


def _gate(wall: shapely.Polygon, end: Floats) -> Floats:
    """Lengthen a line, of which `end` are the last points in turn, out of a wall; (0, 2) if it is out."""
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
    """Convex corners of all walls, moved outward, (K, 2)."""
    coarse = np.where(shapely.get_num_coordinates(walls) <= PLAIN + 1, 0.0, COARSE)
    outer = shapely.buffer(walls, CLEARANCE + coarse, join_style="mitre", mitre_limit=2.0)
    found = [np.zeros((0, 2))]
    for shape in shapely.simplify(outer, coarse):
        for number, ring in enumerate(shapely.get_rings(shape)):
            points = shapely.get_coordinates(ring)[:-1]
            before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
            left = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
            # The wall is inside its outer border and outside that of a hole.
            found.append(points[(left > 0) == (shapely.is_ccw(ring) == (number == 0))])
    return np.unique(np.concatenate(found), axis=0)


def _distinct(points: Floats) -> Floats:
    """Leave out bends where the way stands still; both ends stay."""
    bends = points[1:-1]
    moves = (bends != points[:-2]).any(axis=1) & (bends != points[-1]).any(axis=1)
    kept: Floats = points[np.concatenate([[True], moves, [True]])]
    return kept


def _lengths(steps: Floats) -> Floats:
    length: Floats = np.hypot(steps[..., 0], steps[..., 1])
    return length
