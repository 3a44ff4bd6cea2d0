"""Several panels on one platform: packed in rows, and the order in which they can be made in turn.

Panels stand as thin strips side by side, all along the same axis: *rows* run along u, and follow one another
along n. What lies at a place on the platform is a `Footprint`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import networkx as nx

from pathgen.errors import PathgenError
from pathgen.route.placement import Footprint
from pathgen.settings.machine import HeadPart

Box = tuple[tuple[float, float], tuple[float, float]]  # low and high along x (or u), then y (or n), mm
HAIR = 1e-6  # mm by which what touches is still clear


def pack(
    boxes: Sequence[Footprint], room: tuple[float, float], gap: tuple[float, float]
) -> list[tuple[float, float]] | None:
    """Set boxes in rows: along u as long as there is room, then in the next row.

    Parameters
    ----------
    boxes : sequence of Footprint
    room : (along u, along n)
        What the rows may take, mm.
    gap : (along u, along n)
        Free space between neighbours, and between rows, mm.

    Returns
    -------
    list of (u, n) or None
        What to add to each box's own coordinates, the block's lower corner at (0, 0); None where the rows
        take more than the room.

    Examples
    --------
    >>> strip = Footprint((-5.0, 65.0), (-5.0, 10.0), 40.0)
    >>> pack([strip] * 3, (150.0, 100.0), (5.0, 5.0))
    [(5.0, 5.0), (80.0, 5.0), (5.0, 25.0)]
    >>> pack([strip] * 3, (150.0, 30.0), (5.0, 5.0)) is None
    True
    """
    offsets: list[tuple[float, float]] = []
    at = row = deepest = 0.0
    for box in boxes:
        wide, deep = box.u[1] - box.u[0], box.n[1] - box.n[0]
        if at and at + wide > room[0] + HAIR:
            at, row, deepest = 0.0, row + deepest + gap[1], 0.0
        if at + wide > room[0] + HAIR or row + deep > room[1] + HAIR:
            return None
        offsets.append((at - box.u[0], row - box.n[0]))
        at, deepest = at + wide + gap[0], max(deepest, deep)
    return offsets


def around_all(boxes: Sequence[Footprint], offsets: Sequence[tuple[float, float]]) -> Footprint:
    """Footprint of a whole block of boxes.

    Examples
    --------
    >>> strip = Footprint((0.0, 60.0), (0.0, 10.0), 40.0)
    >>> around_all([strip, strip], [(0.0, 0.0), (70.0, 0.0)])
    Footprint(u=(0.0, 130.0), n=(0.0, 10.0), height=40.0)
    """
    moved = [
        ((box.u[0] + du, box.u[1] + du), (box.n[0] + dn, box.n[1] + dn))
        for box, (du, dn) in zip(boxes, offsets, strict=True)
    ]
    (low_u, high_u), (low_n, high_n) = (
        (min(box[i][0] for box in moved), max(box[i][1] for box in moved)) for i in (0, 1)
    )
    return Footprint((low_u, high_u), (low_n, high_n), max(box.height for box in boxes))


def head_spacing(head: Sequence[HeadPart], height: float, rotation: float) -> tuple[float, float]:
    """How far finished panels have to be from where the head works, so that it has room beside them.

    Parameters
    ----------
    head : sequence of HeadPart
    height : float
        Of the finished panels, mm.
    rotation : float
        0: u is machine x; 90: u is machine y.

    Returns
    -------
    along u, along n : float
        mm. Along n the smaller of the two sides: rows can be made from either end.
    """
    low = [part for part in head if part.z < height]
    x = max((max(part.x[1], -part.x[0]) for part in low), default=0.0)
    y = max((max(part.y[1], -part.y[0]) for part in low), default=0.0)
    one_way_x = min(max((side(part.x) for part in low), default=0.0) for side in (_high, _low))
    one_way_y = min(max((side(part.y) for part in low), default=0.0) for side in (_high, _low))
    return (x, one_way_y) if rotation == 0 else (y, one_way_x)


def _high(span: tuple[float, float]) -> float:
    return span[1]


def _low(span: tuple[float, float]) -> float:
    return -span[0]


def turn_order(
    reached: Sequence[Box], standing: Sequence[Box], heights: Sequence[float], head: Sequence[HeadPart]
) -> list[int]:
    """Find an order in which panels can be made one after another, the head never meeting a finished one.

    Parameters
    ----------
    reached : sequence of boxes
        Where the nozzle goes for each panel, machine coordinates, mm.
    standing : sequence of boxes
        What stands there once it is finished: without its brim.
    heights : sequence of float
        Of the finished panels, mm.
    head : sequence of HeadPart

    Returns
    -------
    list of int
        The first in order where several can be next.

    Raises
    ------
    PathgenError
        When there is none: which two are in each other's way, and what of the head.

    Notes
    -----
    "i must come after j" is an arrow from j to i: the head would meet i, finished, while it makes j. An order
    is a topological sort of that graph.
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(reached)))
    why: dict[tuple[int, int], HeadPart] = {}
    for done, next_one in permutations(range(len(reached)), 2):
        for part in head:
            if heights[done] > part.z and _meet(_swept(reached[next_one], part), standing[done]):
                graph.add_edge(next_one, done)
                why[next_one, done] = part
                break
    try:
        return [int(i) for i in nx.lexicographical_topological_sort(graph)]
    except nx.NetworkXUnfeasible:
        next_one, done = nx.find_cycle(graph)[0]
        part = why[next_one, done]
        raise PathgenError(
            f"in turn, the head ({part.why or f'its part from {part.z:g} mm up'}) would meet panel "
            f"{done + 1}, {heights[done]:g} mm high, while it makes panel {next_one + 1}",
            where="build",
            allowed=f"panels up to {part.z:g} mm high, or fewer, further apart",
            hint="build = abreast needs no room for the head",
        ) from None


def _swept(box: Box, part: HeadPart) -> Box:
    """Where a part of the head gets to while the nozzle goes everywhere in a box."""
    (x0, x1), (y0, y1) = box
    return (x0 + part.x[0], x1 + part.x[1]), (y0 + part.y[0], y1 + part.y[1])


def _meet(one: Box, other: Box) -> bool:
    return all(a[0] < b[1] - HAIR and b[0] < a[1] - HAIR for a, b in zip(one, other, strict=True))
