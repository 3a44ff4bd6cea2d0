"""Order of the strokes of all panels on the platform, with detours around walls.

Glossary. *Owner*: the panel to which a stroke belongs. *Rank*: strokes of rank 1 are printed after those of
rank 0 of the same owner, as a wedge's tab after the rim at which it starts, and are never reversed; rank −1
has no such condition. *Detour*: a stroke without deposit whose points lead around a wall to the next stroke.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry.base import BaseGeometry

from pathgen.layers.strokes import Floats, Ints, Strokes, join_strokes, make_strokes, reorder_strokes
from pathgen.route.around import Obstacles
from pathgen.route.stroke_order import order_layers
from pathgen.route.tour import Tour, order_layer, rank_pairs

WALL, TAB, FREE = 0, 1, -1


class StrokeSequencer:
    """Order of strokes in machine coordinates, layer after layer.

    Parameters
    ----------
    walls : sequence of shapely polygons
        Outline of every panel's wall seen from above, mm.
    middles : sequence of (K, 2) float64 or None
        As in `Obstacles`.

    Attributes
    ----------
    crossings : int
        Number of travels so far that had to cross a wall, for example into a ring.

    Examples
    --------
    >>> from shapely import box
    >>> sequencer = StrokeSequencer([box(0, 0, 50, 4)], [np.array([[0.0, 2.0], [50.0, 2.0]])])
    >>> lines = [np.array([[10.0, -2], [10.0, -6]]), np.array([[10.0, 6], [10.0, 10]])]
    >>> both = make_strokes(lines, [0, 0], 0.4)
    >>> ordered, index, at = sequencer.order(both, np.zeros(2, int), np.full(2, FREE), (10.0, -9.0))
    >>> index.tolist(), at  # the detour is between the two strokes
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
        """Order every layer's strokes, with detours where a travel would cross a wall.

        Parameters
        ----------
        strokes : Strokes
            Sorted by layer.
        owner, rank : (S,) int
            Owner and rank of each stroke.
        at : tuple of float
            Position of the head, mm.

        Returns
        -------
        strokes : Strokes
            Strokes may be reversed; their deposit does not change.
        index : (T,) intp
            Input index of each stroke; −1 for a detour.
        at : tuple of float
            Position of the head after the last stroke.
        """
        if not len(strokes):
            return strokes, np.zeros(0, np.intp), at

        def choose(part: slice, ends: Floats, here: Floats) -> tuple[Ints, Ints]:
            tour = self._tour(ends, owner[part], rank[part], here)
            return tour.sequence, tour.turned.astype(np.intp)

        ordered, sequence, end = order_layers(strokes, at, choose)
        return *self._add_detours(ordered, sequence, np.asarray(at, np.float64)), end

    def _tour(self, ends: Floats, owner: Ints, rank: Ints, at: Floats) -> Tour:
        ranked = np.flatnonzero(rank != FREE)
        labels = owner[ranked].tolist(), rank[ranked].tolist()
        pairs = [(int(ranked[i]), int(ranked[j])) for i, j in rank_pairs(*labels)]
        key = owner.tobytes(), rank.tobytes()
        tour = order_layer(ends, pairs, at, self._obstacles.distances, self._hints.get(key), rank == TAB)
        self._hints[key] = tour
        return tour

    def _add_detours(self, ordered: Strokes, sequence: Ints, at: Floats) -> tuple[Strokes, Ints]:
        """Insert detours before strokes whose travel would cross a wall."""
        points = np.column_stack([ordered.u, ordered.n])
        begin = points[ordered.start[:-1]]
        before = np.concatenate([at[None], points[ordered.start[1:-1] - 1]])
        routes = self._obstacles.paths(before, begin)
        self.crossings += routes.crossings
        bent = [i for i, points in enumerate(routes.points) if len(points) > 2]
        if not bent:
            return ordered, sequence
        lines = [routes.points[i][1:-1] for i in bent]
        detours = make_strokes(lines, ordered.layer[bent].tolist(), 0.0)
        place = np.concatenate([2 * np.arange(len(ordered)) + 1, 2 * np.array(bent)])
        order = np.argsort(place, kind="stable")
        joined = join_strokes([ordered, detours], ordered.counts)
        both = reorder_strokes(joined, order, np.zeros(len(order), bool))
        index = np.concatenate([sequence, np.full(len(detours), -1, np.intp)])[order]
        return both, index
