"""Layers' strokes put in order over everything that stands on the platform, ways round walls included.

Glossary. *Owner*: the panel a stroke belongs to. *Rank*: strokes of rank 1 wait for those of rank 0 of the
same owner, as a wedge's tab waits for the rim it begins at, and are not turned round; rank −1 waits for none.
*Way round*: a stroke without deposit whose points lead round a wall to the stroke after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from shapely.geometry.base import BaseGeometry

from pathgen.layers.strokes import Floats, Ints, Strokes, join_strokes, make_strokes, reorder_strokes
from pathgen.route.around import Obstacles
from pathgen.route.tour import Tour, order_layer

WALL, TAB, FREE = 0, 1, -1


class Guide:
    """Order of strokes, layer after layer, in machine coordinates.

    Parameters
    ----------
    walls : sequence of shapely polygons
        Outline of every panel's wall seen from above, mm.
    middles : sequence of (K, 2) float64 or None
        As `Obstacles` takes them.

    Attributes
    ----------
    crossings : int
        Travels so far that had to cross a wall, as into a ring.

    Examples
    --------
    >>> from shapely import box
    >>> guide = Guide([box(0, 0, 50, 4)], [np.array([[0.0, 2.0], [50.0, 2.0]])])
    >>> lines = [np.array([[10.0, -2], [10.0, -6]]), np.array([[10.0, 6], [10.0, 10]])]
    >>> both = make_strokes(lines, [0, 0], 0.4)
    >>> ordered, index, at = guide.order(both, np.zeros(2, int), np.full(2, FREE), (10.0, -9.0))
    >>> index.tolist(), at  # the way round lies between the two
    ([0, -1, 1], (10.0, 10.0))
    >>> ordered.u.round(2).tolist()
    [10.0, 10.0, -0.05, -0.05, 10.0, 10.0]
    """

    def __init__(self, walls: Sequence[BaseGeometry], middles: Sequence[Floats | None]) -> None:
        self._obstacles = Obstacles(walls, middles)
        self._hints: dict[tuple[bytes, bytes], Tour] = {}
        self.crossings = 0

    def order(
        self, strokes: Strokes, owner: Ints, rank: Ints, at: tuple[float, float]
    ) -> tuple[Strokes, Ints, tuple[float, float]]:
        """Put every layer's strokes in order, with ways round walls between them.

        Parameters
        ----------
        strokes : Strokes
            Sorted by layer.
        owner, rank : (S,) int
            Of each stroke.
        at : tuple of float
            Where the head is, mm.

        Returns
        -------
        strokes : Strokes
            What each deposits does not change; it may be turned round.
        index : (T,) intp
            Number of the stroke given that each one was; −1 for a way round.
        at : tuple of float
            Where the head is after the last.
        """
        if not len(strokes):
            return strokes, np.zeros(0, np.intp), at
        points = np.column_stack([strokes.u, strokes.n])
        ends = np.stack([points[strokes.start[:-1]], points[strokes.start[1:] - 1]], axis=1)
        here = np.asarray(at, np.float64)
        sequence, turned = np.empty(len(strokes), np.intp), np.empty(len(strokes), bool)
        bounds = np.flatnonzero(np.diff(strokes.layer, prepend=-1, append=-1))
        for lo, hi in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            tour = self._tour(ends[lo:hi], owner[lo:hi], rank[lo:hi], here)
            sequence[lo:hi], turned[lo:hi] = lo + tour.sequence, tour.turned
            here = ends[sequence[hi - 1], 1 - int(turned[hi - 1])]
        ordered = reorder_strokes(strokes, sequence, turned)
        with_ways, index = self._led_round(ordered, sequence, np.asarray(at, np.float64))
        return with_ways, index, (float(here[0]), float(here[1]))

    def _tour(self, ends: Floats, owner: Ints, rank: Ints, at: Floats) -> Tour:
        pairs = [
            pair
            for number in np.unique(owner[rank == TAB]).tolist()
            for pair in product(
                np.flatnonzero((owner == number) & (rank == WALL)).tolist(),
                np.flatnonzero((owner == number) & (rank == TAB)).tolist(),
            )
        ]
        key = owner.tobytes(), rank.tobytes()
        tour = order_layer(ends, pairs, at, self._obstacles.distances, self._hints.get(key), rank == TAB)
        self._hints[key] = tour
        return tour

    def _led_round(self, ordered: Strokes, sequence: Ints, at: Floats) -> tuple[Strokes, Ints]:
        """Put the ways round walls between strokes whose travel would cross one."""
        points = np.column_stack([ordered.u, ordered.n])
        begin = points[ordered.start[:-1]]
        before = np.concatenate([at[None], points[ordered.start[1:-1] - 1]])
        ways = self._obstacles.paths(before, begin)
        self.crossings += ways.crossings
        round_about = [i for i, way in enumerate(ways.points) if len(way) > 2]
        if not round_about:
            return ordered, sequence
        lines = [ways.points[i][1:-1] for i in round_about]
        detours = make_strokes(lines, ordered.layer[round_about].tolist(), 0.0)
        place = np.concatenate([2 * np.arange(len(ordered)) + 1, 2 * np.array(round_about)])
        order = np.argsort(place, kind="stable")
        joined = join_strokes([ordered, detours], ordered.counts)
        both = reorder_strokes(joined, order, np.zeros(len(order), bool))
        index = np.concatenate([sequence, np.full(len(detours), -1, np.intp)])[order]
        return both, index
