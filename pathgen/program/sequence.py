"""The sequence of moves: panels' layers filled, put in order and assembled, block after block.

Layers are planned in blocks, so memory does not grow with a panel's height. Panels that stand *abreast* grow
together; *in turn*, one is finished before the next begins, and the head goes over what stands there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.layers import Strokes, bend_strokes, brim_loops, find_fill
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

CELLS_PER_BLOCK = 1 << 17  # columns × layers planned at once: enough to be quick, little enough for memory
CLEAR = 10.0  # mm that the head rises over what stands on the platform

if TYPE_CHECKING:
    from pathgen.route.ordering import StrokeSequencer

Ints = NDArray[np.intp]

WALL, TAB, FREE = 0, 1, -1  # as `pathgen.route.ordering` ranks strokes

Item = TypeVar("Item")
Done = TypeVar("Done")


@dataclass(frozen=True, slots=True)
class Laid:
    """What a block holds of one panel.

    Attributes
    ----------
    number : int
        The panel's, from 0.
    strokes : Strokes
        Of its walls in plan coordinates, in the order of its fill.
    first, last : int
        The panel's layers ``first:last``.
    """

    number: int
    strokes: Strokes
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class MoveBlock:
    """Moves of some layers, in machine coordinates, and the walls they make."""

    moves: Moves
    laid: tuple[Laid, ...]

    @property
    def layers(self) -> int:
        """Layers in the block, of all panels together."""
        return sum(part.last - part.first for part in self.laid)


def program_layers(platform: Platform) -> LayerSpans:
    """Tops and heights of the program's layers; in turn, each panel's after the one's before it."""
    if not platform.in_turn:
        layers = platform.tallest.layers
        return LayerSpans(layers.top, layers.height)
    return LayerSpans(
        np.concatenate([p.layers.top for p in platform.panels]),
        np.concatenate([p.layers.height for p in platform.panels]),
    )


def blocks(platform: Platform) -> Iterator[MoveBlock]:
    """Plan a platform's moves block after block.

    Yields
    ------
    Block
        The first opens with the approach, the start line and the brims (in turn: the first panel's). One more
        without layers leads aside where zones are in the way.

    Raises
    ------
    PathgenError
        Where no way leads round a keep-out zone.
    """
    detour, end = Detour(platform.setup.machine), None
    for block in _straight(platform):
        end = detour.round_zones(block.moves)
        yield replace(block, moves=end)
    if end is not None and len(aside := detour.aside(end, rest(platform))):
        yield MoveBlock(aside, ())


def rest(platform: Platform, inset: float = 0.0) -> tuple[float, float, float]:
    """Where the head rests, mm: over all that is made, in (or `inset` off) a corner that it can come to.

    Where zones leave none, it is the first: that the head then goes over one, the checklist says.
    """
    machine = platform.setup.machine
    clear = min(float(platform.tallest.layers.top[-1]) + CLEAR, machine.volume.z[1])
    (low_x, high_x), (low_y, high_y) = machine.volume.x, machine.volume.y
    corners = [(x, y) for y in (high_y - inset, low_y + inset) for x in (low_x + inset, high_x - inset)]
    if zones := closed_areas(machine, clear):
        line = platform.placement.put(start_line(*platform.line, platform.panels[0].beads.spacing))
        parts = shapely.get_parts(shapely.box(low_x, low_y, high_x, high_y).difference(join_areas(zones)))
        here = shapely.union_all(parts[shapely.intersects_xy(parts, line.u[0], line.n[0])])
        corners = [corner for corner in corners if shapely.intersects_xy(here, *corner)] or corners
    return *corners[0], clear


def _straight(platform: Platform) -> Iterator[MoveBlock]:
    """Plan moves block after block, dry ones straight over any keep-out zone."""
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
            opening.append(_brim(planned, heights, opening[-1].end, begun))
        at, order = opening[-1].end, _Order(platform, group)
        for laid in _laid(platform, group):
            strokes, kinds = order.of(laid, at[:2])
            moves = assemble(_later(strokes, begun), kinds, heights, setup, at)
            moves = _aside(moves, stops, platform)
            at = moves.end
            yield MoveBlock(concatenate([*opening, moves]), laid)
            opening = [_none(at)]
        opening = [_none(at)]
        begun += max(len(planned.layers) for planned in panels)


def _stops(setup: Setup, heights: LayerSpans) -> Ints:
    """Give the layers before which the operator has another nozzle temperature to set."""
    if setup.machine.dialect.heaters == "program":
        return np.zeros(0, np.intp)
    return np.flatnonzero(np.diff(banded(setup, heights, "nozzle_temperature"))) + 1


def _aside(moves: Moves, stops: Ints, platform: Platform) -> Moves:
    """Have the head wait aside where a program stops: a hot nozzle at rest melts into the wall.

    What goes aside belongs to the layer before, what comes back to the one after: the stop is between.
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


def _none(at: tuple[float, float, float]) -> Moves:
    none = np.zeros(0)
    return Moves(at, none, none, none, none, none, np.zeros(0, np.uint8), np.zeros(0, np.int32))


def _brim(planned: Planned, heights: LayerSpans, at: tuple[float, float, float], begun: int) -> Moves:
    loops = brim_loops(
        planned.layers.profiles(0, 1), planned.setup.job.brim, planned.beads.spacing, planned.bend
    )
    return assemble(_later(planned.placement.put(loops), begun), Kind.BRIM, heights, planned.setup, at)


def _later(strokes: Strokes, layers: int) -> Strokes:
    """Count on strokes' layers from those of panels made before."""
    if layers:
        strokes.layer[:] += layers
    return strokes


def _to_next(platform: Platform, planned: Planned, at: tuple[float, float, float], begun: int) -> Moves:
    """Go over what is finished to where the next panel begins."""
    loops = brim_loops(
        planned.layers.profiles(0, 1), planned.setup.job.brim, planned.beads.spacing, planned.bend
    )
    first = (
        loops
        if len(loops)
        else find_fill(planned.setup.job.fill)(planned.layers.profiles(0, 1), planned.beads)
    )
    put = planned.placement.put(first)
    tallest = max(float(p.layers.top[-1]) for p in platform.panels)
    clear = min(tallest + CLEAR, planned.setup.machine.volume.z[1])
    to = (float(put.u[0]), float(put.n[0]), float(planned.layers.top[0]))
    return cross_to_next_panel(at, to, clear, begun, planned.setup.machine)


def _laid(platform: Platform, group: Sequence[int]) -> Iterator[tuple[Laid, ...]]:
    """Fill the panels of a group, some layers of all of them at once."""
    panels = {number: platform.panels[number] for number in group}
    total = max(len(planned.layers) for planned in panels.values())
    columns = sum(planned.panel.thickness.shape[1] for planned in panels.values())
    step = max(1, CELLS_PER_BLOCK // columns)

    def filled(first: int) -> tuple[Laid, ...]:
        return tuple(
            Laid(number, _strokes(planned, first, last), first, last)
            for number, planned in panels.items()
            if (last := min(first + step, len(planned.layers))) > first
        )

    yield from _one_ahead(filled, range(0, total, step))


def _strokes(planned: Planned, first: int, last: int) -> Strokes:
    """Fill some layers of a panel; in plan coordinates."""
    strokes = find_fill(planned.setup.job.fill)(planned.layers.profiles(first, last), planned.beads)
    return strokes if planned.bend is None else bend_strokes(strokes, planned.bend)


def _one_ahead(function: Callable[[Item], Done], items: Sequence[Item]) -> Iterator[Done]:
    """Map in order, working on the next item in a thread while the caller is busy with this one.

    Filling and writing take about as long as each other, and neither holds the interpreter for much of it.
    """
    with ThreadPoolExecutor(1) as worker:
        ahead = [worker.submit(function, item) for item in items[:1]]
        for item in items[1:]:
            ahead.append(worker.submit(function, item))
            yield ahead.pop(0).result()
        for last in ahead:
            yield last.result()


class _Order:
    """Puts the strokes of a group of panels in order, block after block."""

    def __init__(self, platform: Platform, group: Sequence[int]) -> None:
        self._panels = {number: platform.panels[number] for number in group}
        self._guide: StrokeSequencer | None = None

    def of(self, laid: Sequence[Laid], at: tuple[float, float]) -> tuple[Strokes, Kind | NDArray[np.uint8]]:
        """Order what a block holds; ways round walls are strokes of kind `Kind.TRAVEL`."""
        parts = self._parts(laid)
        if len(parts) == 1:
            return order_strokes(parts[0][0], at)[0], Kind.WALL
        together = join_strokes([strokes for strokes, *_ in parts], parts[0][0].counts)
        labels = [np.repeat([row], len(strokes), axis=0) for strokes, *row in parts]
        kind, owner, rank = np.concatenate(labels).T.astype(np.intp)
        by_layer = np.argsort(together.layer, kind="stable")
        strokes = reorder_strokes(together, by_layer, np.zeros(len(by_layer), bool))
        kind, owner, rank = kind[by_layer], owner[by_layer], rank[by_layer]
        ordered, index, _ = self._guided().order(strokes, owner, rank, at)
        return ordered, np.where(index < 0, Kind.TRAVEL, kind[index]).astype(np.uint8)

    def _parts(self, laid: Sequence[Laid]) -> list[tuple[Strokes, Kind, int, int]]:
        """Give the strokes of a block in machine coordinates, with kind, owner and rank."""
        parts: list[tuple[Strokes, Kind, int, int]] = []
        for part in laid:
            planned = self._panels[part.number]
            put, supports = planned.placement.put, planned.supports
            parts.append((put(part.strokes), Kind.WALL, part.number, WALL))
            if supports is None:
                continue
            for strokes, kind, rank in (
                (supports.strips, Kind.WEDGE, FREE),
                (supports.tabs, Kind.WEDGE, TAB),
                (supports.comb, Kind.COMB, FREE),
            ):
                here = strokes.select(part.first, part.last)
                if len(here):
                    parts.append((put(here), kind, part.number, rank))
        return parts

    def _guided(self) -> StrokeSequencer:
        """Prepare the ways round the walls, once they are needed."""
        from pathgen.route.ordering import (
            StrokeSequencer,
        )  # loads networkx, which a panel without supports does not need

        if self._guide is None:
            outlines = [_outline(planned) for planned in self._panels.values()]
            machine = next(iter(self._panels.values())).setup.machine
            zones = closed_areas(machine, 0.0)
            walls, middles = [wall for wall, _ in outlines], [middle for _, middle in outlines]
            self._guide = StrokeSequencer([*walls, *zones], [*middles, *(None for _ in zones)])
        return self._guide


def _outline(planned: Planned) -> tuple[BaseGeometry, NDArray[np.float64] | None]:
    """Outline of a panel's wall in machine coordinates, and the line along its middle; a ring has none."""
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
