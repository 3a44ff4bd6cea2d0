"""Dry moves led round keep-out zones: from home, from brim to brim, over what is finished, and to the end.

A zone whose height is known is passed over where the head is high enough; any other is gone round at every
height, as nobody has said how high what stands there is.
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
    """Leads moves round the zones of a machine.

    Parameters
    ----------
    machine : Machine
        One without zones leaves all moves as they are.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._limits = np.unique([zone_height(zone) for zone in machine.keep_out])
        self._shapes: dict[int, list[shapely.Polygon]] = {}

    def round_zones(self, moves: Moves) -> Moves:
        """Put points into dry moves that would cross a zone.

        Parameters
        ----------
        moves : Moves
            In machine coordinates.

        Returns
        -------
        Moves
            The same where nothing crosses.

        Raises
        ------
        PathgenError
            Where no way leads round.
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
        """Lead up and aside, where the straight way that a finish block takes would cross a zone.

        Parameters
        ----------
        moves : Moves
            What comes before.
        to : tuple of float
            Where the head rests at last, (x, y, z) mm, over all that was made.

        Returns
        -------
        Moves
            None, an empty block, where the straight way is free.
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
        """Find ways for those straight ones, (N, 2) to (N, 2), that cross a shape, by their number."""
        lines = shapely.linestrings(np.stack([begin, end], axis=1))
        bad = np.flatnonzero(shapely.intersects(lines, join_areas(shapes)))
        if not len(bad):
            return {}
        from pathgen.route.around import Obstacles  # loads networkx, which a free way does not need

        # One that begins or ends in a zone leaves it where it is nearest: nothing else is to be done.
        ways = Obstacles(shapes).paths(begin[bad], end[bad])
        for k in bad[ways.crossing].tolist():
            raise self._no_way(begin[k], end[k])
        return {k: way for k, way in zip(bad.tolist(), ways.points, strict=True) if len(way) > 2}

    def _no_way(self, begin: Floats, end: Floats) -> PathgenError:
        """Say which way is closed, and by what: of the zones that it meets, one of unknown height first."""
        line, (x0, y0), (x1, y1) = shapely.LineString([begin, end]), begin.tolist(), end.tolist()
        met = [zone for zone in self._machine.keep_out if shapely.intersects(line, zone_outline(zone))]
        zone = min(met or self._machine.keep_out, key=lambda zone: zone.height is not None)
        hint = "make the zone smaller"
        if zone.height is None:
            hint += ", or say how high it is (height): the head goes over low ones"
        return PathgenError(
            f"no way for the head from {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f} mm past "
            f"{zone.why or 'a keep-out zone'}",
            where="keep_out",
            allowed=f"a way between zones, {NEAR:g} mm beside them, inside the build volume",
            hint=hint,
        )


def _with_points(moves: Moves, ways: dict[int, Floats]) -> Moves:
    """Put the points of ways before the moves that they lead to."""
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
