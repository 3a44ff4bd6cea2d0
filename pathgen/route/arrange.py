"""Arrangement of several panels on one platform, and the order in which they can be built one by one.

Panels stand as thin strips side by side, all along the same axis: *rows* run along u and follow each other
along n. A `Footprint` describes the area that a panel covers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import permutations

import networkx as nx

from pathgen.errors import PathgenError
from pathgen.route.placement import Footprint
from pathgen.settings.machine import HeadPart

Box = tuple[tuple[float, float], tuple[float, float]]  # low and high along x (or u), then y (or n), mm
HAIR = 1e-6  # overlap up to which touching boxes count as separate, mm


def arrange_rows(
    boxes: Sequence[Footprint], room: tuple[float, float], gap: tuple[float, float]
) -> list[tuple[float, float]] | None:
    """Arrange boxes in rows along u, and start a new row where the next box does not fit.

    Parameters
    ----------
    boxes : sequence of Footprint
    room : (along u, along n)
        Available space, mm.
    gap : (along u, along n)
        Gap between neighbours, and between rows, mm.

    Returns
    -------
    list of (u, n) or None
        Offset of each box; the lower corner of the arrangement is at (0, 0). None if there is not enough
        room.

    Examples
    --------
    >>> strip = Footprint((-5.0, 65.0), (-5.0, 10.0), 40.0)
    >>> arrange_rows([strip] * 3, (150.0, 100.0), (5.0, 5.0))
    [(5.0, 5.0), (80.0, 5.0), (5.0, 25.0)]
    >>> arrange_rows([strip] * 3, (150.0, 30.0), (5.0, 5.0)) is None
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


def enclosing_footprint(boxes: Sequence[Footprint], offsets: Sequence[tuple[float, float]]) -> Footprint:
    """Return the footprint that encloses all boxes at their offsets.

    Examples
    --------
    >>> strip = Footprint((0.0, 60.0), (0.0, 10.0), 40.0)
    >>> enclosing_footprint([strip, strip], [(0.0, 0.0), (70.0, 0.0)])
    Footprint(u=(0.0, 130.0), n=(0.0, 10.0), height=40.0)
    """
    nothing = (math.inf, -math.inf)
    whole = Footprint(nothing, nothing, max(box.height for box in boxes))
    for box, (du, dn) in zip(boxes, offsets, strict=True):
        whole = whole.around(((box.u[0] + du, box.u[1] + du), (box.n[0] + dn, box.n[1] + dn)))
    return whole


def head_clearance(head: Sequence[HeadPart], height: float, rotation: float) -> tuple[float, float]:
    """Return the clearance that the head needs between the current panel and finished panels.

    Parameters
    ----------
    head : sequence of HeadPart
    height : float
        Height of the finished panels, mm.
    rotation : float
        0: u is machine x; 90: u is machine y.

    Returns
    -------
    along u, along n : float
        mm. Along n, the smaller of the two sides, because rows can be built from either end.
    """
    low = [part for part in head if part.z < height]
    spans = [(part.x, part.y) if rotation == 0 else (part.y, part.x) for part in low]
    along = max((max(-u[0], u[1]) for u, _ in spans), default=0.0)
    below = max((-n[0] for _, n in spans), default=0.0)
    above = max((n[1] for _, n in spans), default=0.0)
    return along, min(below, above)


def build_order(
    reached: Sequence[Box], standing: Sequence[Box], heights: Sequence[float], head: Sequence[HeadPart]
) -> list[int]:
    """Return an order of panels in which the head does not hit a finished panel.

    Parameters
    ----------
    reached : sequence of boxes
        Area in which the nozzle works for each panel, machine coordinates, mm.
    standing : sequence of boxes
        Area of each finished panel without its brim.
    heights : sequence of float
        Heights of the finished panels, mm.
    head : sequence of HeadPart

    Returns
    -------
    list of int
        If several panels can be next, the first of them is.

    Raises
    ------
    PathgenError
        If there is no such order. The message names two conflicting panels and the part of the head.

    Notes
    -----
    An edge from j to i means that i must be built after j, because the head would hit the finished i while it
    builds j. The order is a topological sort of that graph.
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(reached)))
    why: dict[tuple[int, int], HeadPart] = {}
    for done, next_one in permutations(range(len(reached)), 2):
        for part in head:
            if heights[done] > part.z and _overlap(_swept(reached[next_one], part), standing[done]):
                graph.add_edge(next_one, done)
                why[next_one, done] = part
                break
    try:
        return [int(i) for i in nx.lexicographical_topological_sort(graph)]
    except nx.NetworkXUnfeasible:
        next_one, done = nx.find_cycle(graph)[0]
        part = why[next_one, done]
        name = part.why or f"its part above {part.z:g} mm"
        raise PathgenError(
            f"the head ({name}) would hit panel {done + 1}, {heights[done]:g} mm high, while it builds panel "
            f"{next_one + 1}",
            where="build",
            allowed=f"panels up to {part.z:g} mm high, or fewer panels that are further apart",
            hint='set `build = "abreast"`, which needs no room for the head',
        ) from None


def _swept(box: Box, part: HeadPart) -> Box:
    """Return the area swept by a part of the head while the nozzle visits every point of a box."""
    (x0, x1), (y0, y1) = box
    return (x0 + part.x[0], x1 + part.x[1]), (y0 + part.y[0], y1 + part.y[1])


def _overlap(one: Box, other: Box) -> bool:
    return all(a[0] < b[1] - HAIR and b[0] < a[1] - HAIR for a, b in zip(one, other, strict=True))
