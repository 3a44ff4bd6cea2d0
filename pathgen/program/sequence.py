"""Sequence of moves: layers are filled, ordered and assembled, block by block.

Layers are planned in blocks, so memory does not grow with the height of a panel. Panels *abreast* grow
together; *in turn*, each is finished before the next begins, and the head travels above finished panels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.layers import Strokes, brim_loops
from pathgen.layers.bent import bend_outline
from pathgen.layers.strokes import join_strokes, reorder_strokes
from pathgen.motion import (
    Kind,
    LayerSpans,
    Moves,
    approach_moves,
    assemble,
    banded,
    concatenate,
    cross_to_next_panel,
    start_line,
)
from pathgen.plan.model import Planned, Platform
from pathgen.program.detour import Detour
from pathgen.route import order_strokes
from pathgen.route.zones import closed_areas, join_areas
from pathgen.settings import Setup

CELLS_PER_BLOCK = 1 << 17  # columns × layers planned at once, a compromise of speed and memory
CLEAR = 10.0  # mm between the head and the panels below it

if TYPE_CHECKING:
    from pathgen.route.ordering import StrokeSequencer

Ints = NDArray[np.intp]

WALL, TAB, FREE = 0, 1, -1  # as `pathgen.route.ordering` ranks strokes
SUPPORTS = (("strips", Kind.WEDGE, FREE), ("tabs", Kind.WEDGE, TAB), ("comb", Kind.COMB, FREE))


@dataclass(frozen=True, slots=True)
class FilledLayers:
    """Filled layers of one panel in a block.

    Attributes
    ----------
    number : int
        Number of the panel, from 0.
    strokes : Strokes
        Strokes of its walls in plan coordinates, in the order of the fill.
    first, last : int
        Layers ``first:last`` of the panel.
    """

    number: int
    strokes: Strokes
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class MoveBlock:
    """Moves of a block of layers, in machine coordinates, and the deposited layers."""

    moves: Moves
    filled: tuple[FilledLayers, ...]

    @property
    def layers(self) -> int:
        """Number of layers in the block, summed over all panels."""
        return sum(part.last - part.first for part in self.filled)


def program_layers(platform: Platform) -> LayerSpans:
    """Return tops and heights of all layers; panels built in turn follow one another."""
    panels = platform.panels if platform.in_turn else [platform.tallest]
    top, height = (np.concatenate([getattr(p.layers, key) for p in panels]) for key in ("top", "height"))
    return LayerSpans(top, height)


def blocks(platform: Platform) -> Iterator[MoveBlock]:
    """Plan the moves for a platform, block by block.

    Yields
    ------
    MoveBlock
        The first begins with the approach, the start line and the brims (in turn, that of the first panel).
        A last block without layers leads the head around keep-out zones, where they are in its way.

    Raises
    ------
    PathgenError
        When no path leads around a keep-out zone.
    """
    detour, end = Detour(platform.setup.machine), None
    for block in _straight(platform):
        end = detour.round_zones(block.moves)
        yield replace(block, moves=end)
    if end is not None and len(aside := detour.aside(end, rest(platform))):
        yield MoveBlock(aside, ())


def rest(platform: Platform, inset: float = 0.0) -> tuple[float, float, float]:
    """Return the position of the head at the end, mm: above all panels, in a corner of the platform.

    `inset` moves it inward from the corner. A corner that the head can reach without crossing a keep-out zone
    is preferred; if there is none, the first corner is returned, and the checklist reports the crossing.
    """
    machine = platform.setup.machine
    clear = _clear_height(platform)
    (low_x, high_x), (low_y, high_y) = machine.volume.x, machine.volume.y
    corners = [(x, y) for y in (high_y - inset, low_y + inset) for x in (low_x + inset, high_x - inset)]
    if zones := closed_areas(machine, clear):
        line = platform.placement.put(start_line(*platform.line, platform.panels[0].beads.spacing))
        parts = shapely.get_parts(shapely.box(low_x, low_y, high_x, high_y).difference(join_areas(zones)))
        here = shapely.union_all(parts[shapely.intersects_xy(parts, line.u[0], line.n[0])])
        corners = [corner for corner in corners if shapely.intersects_xy(here, *corner)] or corners
    return *corners[0], clear


def _clear_height(platform: Platform) -> float:
    """Return a height above all panels, mm."""
    highest = max(float(planned.layers.top[-1]) for planned in platform.panels)
    return min(highest + CLEAR, platform.setup.machine.volume.z[1])


def _straight(platform: Platform) -> Iterator[MoveBlock]:
    """Plan moves block by block, ignoring keep-out zones."""
    setup, heights = platform.setup, program_layers(platform)
    line = platform.placement.put(start_line(*platform.line, platform.panels[0].beads.spacing))
    opening = [approach_moves(line, setup.machine)]
    opening.append(assemble(line, Kind.START, heights, setup, opening[-1].end))
    every = tuple(range(len(platform.panels)))
    begun = 0  # layers of the panels before
    stops = _stops(setup, heights)
    for group in [(number,) for number in every] if platform.in_turn else [every]:
        panels = [platform.panels[number] for number in group]
        if begun:
            opening = [_to_next(platform, panels[0], opening[-1].end, begun)]
        for planned in panels:
            brim = _later(planned.placement.put(_loops(planned)), begun)
            opening.append(assemble(brim, Kind.BRIM, heights, planned.setup, opening[-1].end))
        at, order = opening[-1].end, _Order(platform, group)
        for filled in _filled(platform, group):
            strokes, kinds = order.of(filled, at[:2])
            moves = assemble(_later(strokes, begun), kinds, heights, setup, at)
            moves = _aside(moves, stops, platform)
            yield MoveBlock(concatenate([*opening, moves]), filled)
            at, opening = moves.end, [moves.rows(slice(len(moves), None))]
        begun += max(len(planned.layers) for planned in panels)


def _stops(setup: Setup, heights: LayerSpans) -> Ints:
    """Return the layers before which the program pauses for a new nozzle temperature."""
    if setup.machine.dialect.heaters == "program":
        return np.zeros(0, np.intp)
    return np.flatnonzero(np.diff(banded(setup, heights, "nozzle_temperature"))) + 1


def _aside(moves: Moves, stops: Ints, platform: Platform) -> Moves:
    """Move the head aside before a pause, because a hot nozzle at rest melts into the wall.

    The move aside belongs to the layer before the pause, and the move back to the layer after it.
    """
    if not len(stops):
        return moves
    machine = platform.setup.machine
    park = rest(platform, machine.margin)
    for layer in stops.tolist():
        row = int(np.searchsorted(moves.layer, layer))
        if row == len(moves) or moves.layer[row] != layer:
            continue
        before = moves.rows(slice(0, row))
        away = cross_to_next_panel(before.end, before.end, park[2], layer, machine)
        away.x[2], away.y[2], _ = park
        out, back = away.rows(slice(0, 3)), away.rows(slice(2, 5))
        back.x[0], back.y[0], _ = before.end
        out.layer[:] = max(layer - 1, 0)
        moves = concatenate([before, out, back, moves.rows(slice(row, None))])
    return moves


def _loops(planned: Planned) -> Strokes:
    """Return the brim of a panel in plan coordinates."""
    brim, spacing = planned.setup.standing.brim, planned.beads.spacing
    return brim_loops(planned.layers.profiles(0, 1), brim, spacing, planned.bend)


def _later(strokes: Strokes, layers: int) -> Strokes:
    """Shift the layer numbers of strokes by a number of layers."""
    strokes.layer[:] += layers
    return strokes


def _to_next(platform: Platform, planned: Planned, at: tuple[float, float, float], begun: int) -> Moves:
    """Travel above finished panels to the start of the next panel."""
    brim = _loops(planned)
    put = planned.placement.put(brim if len(brim) else planned.fill(0, 1))
    to = (float(put.u[0]), float(put.n[0]), float(planned.layers.top[0]))
    return cross_to_next_panel(at, to, _clear_height(platform), begun, planned.setup.machine)


def _filled(platform: Platform, group: Sequence[int]) -> Iterator[tuple[FilledLayers, ...]]:
    """Fill the panels of a group block by block; a thread fills the next block in advance.

    Filling and writing take about equally long, and both release the interpreter for most of that time.
    """
    panels = {number: platform.panels[number] for number in group}
    total = max(len(planned.layers) for planned in panels.values())
    columns = sum(planned.panel.thickness.shape[1] for planned in panels.values())
    step = max(1, CELLS_PER_BLOCK // columns)

    def layers_from(first: int) -> tuple[FilledLayers, ...]:
        return tuple(
            FilledLayers(number, planned.fill(first, last), first, last)
            for number, planned in panels.items()
            if (last := min(first + step, len(planned.layers))) > first
        )

    with ThreadPoolExecutor(1) as worker:
        ahead = worker.submit(layers_from, 0)
        for first in range(step, total, step):
            done, ahead = ahead, worker.submit(layers_from, first)
            yield done.result()
        yield ahead.result()


class _Order:
    """Order of the strokes for a group of panels, block by block."""

    def __init__(self, platform: Platform, group: Sequence[int]) -> None:
        self._panels = {number: platform.panels[number] for number in group}
        self._machine = platform.setup.machine

    def of(
        self, filled: Sequence[FilledLayers], at: tuple[float, float]
    ) -> tuple[Strokes, Kind | NDArray[np.uint8]]:
        """Order the strokes of a block; paths around walls have the kind `Kind.TRAVEL`."""
        parts = self._parts(filled)
        if len(parts) == 1:
            return order_strokes(parts[0][0], at)[0], Kind.WALL
        together = join_strokes([strokes for strokes, *_ in parts], parts[0][0].counts)
        labels = [np.repeat([row], len(strokes), axis=0) for strokes, *row in parts]
        kind, owner, rank = np.concatenate(labels).T.astype(np.intp)
        by_layer = np.argsort(together.layer, kind="stable")
        strokes = reorder_strokes(together, by_layer, np.zeros(len(by_layer), bool))
        kind, owner, rank = kind[by_layer], owner[by_layer], rank[by_layer]
        ordered, index, _ = self._guide.order(strokes, owner, rank, at)
        return ordered, np.where(index < 0, Kind.TRAVEL, kind[index]).astype(np.uint8)

    def _parts(self, filled: Sequence[FilledLayers]) -> list[tuple[Strokes, Kind, int, int]]:
        """Return a block's strokes in machine coordinates, with their kind, panel and rank."""
        parts: list[tuple[Strokes, Kind, int, int]] = []
        for part in filled:
            planned = self._panels[part.number]
            put, supports = planned.placement.put, planned.supports
            parts.append((put(part.strokes), Kind.WALL, part.number, WALL))
            for name, kind, rank in SUPPORTS if supports else ():
                here = getattr(supports, name).select(part.first, part.last)
                if len(here):
                    parts.append((put(here), kind, part.number, rank))
        return parts

    @cached_property
    def _guide(self) -> StrokeSequencer:
        """Paths around the walls, prepared on first use."""
        # It loads networkx, which a panel without supports does not need.
        from pathgen.route.ordering import StrokeSequencer

        outlines = [_outline(planned) for planned in self._panels.values()]
        outlines += [(zone, None) for zone in closed_areas(self._machine, 0.0)]
        return StrokeSequencer([wall for wall, _ in outlines], [middle for _, middle in outlines])


def _outline(planned: Planned) -> tuple[BaseGeometry, NDArray[np.float64] | None]:
    """Return the wall outline in machine coordinates, and the centre line unless the wall is a ring."""
    width, thickest, bend = planned.panel.width, float(planned.panel.thickness.max()), planned.bend
    flat = shapely.box(0.0, 0.0, width, thickest)
    along = np.linspace(0.0, width, 2 if bend is None else 73)
    u, n = along, np.full(len(along), thickest / 2)
    wall: BaseGeometry = flat
    if bend is not None:
        wall = bend_outline(flat, bend)
        u, n = bend.to_plan(u, n)
    put = planned.placement.to_machine
    moved = shapely.transform(wall, lambda points: np.column_stack(put(points[:, 0], points[:, 1])))
    return moved, None if bend is not None and bend.closed else np.column_stack(put(u, n))
