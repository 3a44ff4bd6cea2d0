"""Detours around keep-out zones for moves that deposit nothing.

The head passes above a zone whose height is known, where it is high enough. It goes around any other zone at
every height, as the height of the obstacle there is unknown.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import shapely
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.motion.moves import Kind, Moves
from pathgen.route.zones import NEAR, closed_areas, join_areas, zone_height, zone_outline
from pathgen.settings import Machine

Floats = NDArray[np.float64]


class Detour:
    """Finder of paths around the keep-out zones of a machine.

    Parameters
    ----------
    machine : Machine
        A machine without zones leaves all moves unchanged.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._limits = np.unique([zone_height(zone) for zone in machine.keep_out])
        self._shapes: dict[int, list[shapely.Polygon]] = {}

    def round_zones(self, moves: Moves) -> Moves:
        """Add detour points to moves without filament that would cross a keep-out zone.

        Parameters
        ----------
        moves : Moves
            In machine coordinates.

        Returns
        -------
        Moves
            The same moves if none crosses a zone.

        Raises
        ------
        PathgenError
            When no path leads around a zone.
        """
        if not len(self._limits) or not len(moves):
            return moves
        step = moves.steps()
        dry = np.flatnonzero((moves.filament == 0) & ((step[0] != 0) | (step[1] != 0)))
        end = np.column_stack([moves.x, moves.y, moves.z])[dry]
        begin = end - np.column_stack(step)[dry]
        low = np.minimum(begin[:, 2], end[:, 2])
        # Heights between the same limits meet the same zones.
        between = np.searchsorted(self._limits, low, "right")
        ways: dict[int, Floats] = {}
        for group in np.unique(between).tolist():
            here = np.flatnonzero(between == group)
            if group not in self._shapes:
                self._shapes[group] = closed_areas(self._machine, float(low[here[0]]))
            found = self._ways(begin[here, :2], end[here, :2], self._shapes[group])
            ways |= {int(dry[here[k]]): way for k, way in found.items()}
        return _with_points(moves, ways) if ways else moves

    def aside(self, moves: Moves, to: tuple[float, float, float]) -> Moves:
        """Move the head to the park position, if the straight path of the finish block would cross a zone.

        Parameters
        ----------
        moves : Moves
            Moves before the finish block.
        to : tuple of float
            Final position of the head, (x, y, z) mm, above all panels.

        Returns
        -------
        Moves
            Empty if the straight path is free.
        """
        at = moves.end
        straight = Moves(
            at,
            x=np.array([at[0], to[0]]),
            y=np.array([at[1], to[1]]),
            z=np.full(2, to[2]),
            filament=np.zeros(2),
            feed=np.array([self._machine.axes.z.feed, self._machine.travel_feed]),
            kind=np.array([Kind.LIFT, Kind.TRAVEL], np.uint8),
            layer=np.full(2, moves.layer[-1] if len(moves) else 0, np.int32),
        )
        led = self.round_zones(straight)
        return led if len(led) > len(straight) else led.rows(slice(0, 0))

    def _ways(self, begin: Floats, end: Floats, shapes: list[shapely.Polygon]) -> dict[int, Floats]:
        """Find detours around obstacles; return the points of each detour, by the index of its move."""
        lines = shapely.linestrings(np.stack([begin, end], axis=1))
        bad = np.flatnonzero(shapely.intersects(lines, join_areas(shapes)))
        if not len(bad):
            return {}
        from pathgen.route.around import Obstacles  # loads networkx, which a free path does not need

        # A path that begins or ends in a zone leaves it at the nearest point, as it has no other choice.
        ways = Obstacles(shapes).paths(begin[bad], end[bad])
        for k in bad[ways.crossing].tolist():
            raise self._no_way(begin[k], end[k])
        return {k: way for k, way in zip(bad.tolist(), ways.points, strict=True) if len(way) > 2}

    def _no_way(self, begin: Floats, end: Floats) -> PathgenError:
        """Return the error for a blocked path; zones of unknown height are named first."""
        line, (x0, y0), (x1, y1) = shapely.LineString([begin, end]), begin.tolist(), end.tolist()
        met = [zone for zone in self._machine.keep_out if shapely.intersects(line, zone_outline(zone))]
        zone = min(met or self._machine.keep_out, key=lambda zone: zone.height is not None)
        hint = "make the zone smaller"
        if zone.height is None:
            hint += ", or add its height, so that the head can pass above a low zone"
        return PathgenError(
            f"the head cannot move from {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f} mm around "
            f"{zone.why or 'a keep-out zone'}",
            where="keep_out",
            allowed=f"zones with a path between them, {NEAR:g} mm away from each, inside the build volume",
            hint=hint,
        )


def _with_points(moves: Moves, ways: dict[int, Floats]) -> Moves:
    """Insert detour points before the moves that they lead to."""
    rows = np.array(sorted(ways))
    extra = [ways[row][1:-1] for row in rows.tolist()]
    place = np.repeat(rows, [len(points) for points in extra])
    columns = {f.name: getattr(moves, f.name) for f in fields(Moves) if f.name != "start"}
    added = {name: values[place] for name, values in columns.items()}
    added["x"], added["y"] = np.concatenate(extra).T
    before = np.concatenate([[moves.start[2]], moves.z])[rows]
    shares = [np.cumsum(_lengths(ways[row]))[:-1] / _lengths(ways[row]).sum() for row in rows.tolist()]
    added["z"] = np.concatenate(
        [a + (b - a) * share for a, b, share in zip(before, moves.z[rows], shares, strict=True)]
    )
    return Moves(moves.start, **{n: np.insert(values, place, added[n]) for n, values in columns.items()})


def _lengths(way: Floats) -> Floats:
    return np.asarray(np.hypot(*np.diff(way, axis=0).T))
