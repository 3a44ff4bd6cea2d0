"""The sequence of moves: panels' layers filled, put in order and assembled, block after block.

Layers are planned in blocks, so memory does not grow with a panel's height. Panels that stand *abreast* grow
together; *in turn*, one is finished before the next begins, and the head goes over what stands there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pathgen.layers import Strokes, bend_strokes, brim_loops, find_fill
from pathgen.layers.props import between
from pathgen.layers.strokes import merge
from pathgen.motion import Heights, Kind, Moves, approach, assemble, concatenate, hop, start_line
from pathgen.planned import Planned, Platform
from pathgen.route import order_strokes
from pathgen.settings import Setup

CELLS_PER_BLOCK = 1 << 17  # columns × layers planned at once: enough to be quick, little enough for memory
CLEAR = 10.0  # mm that the head rises over what stands on the platform

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
class Block:
    """Moves of some layers, in machine coordinates, and the walls they make."""

    moves: Moves
    laid: tuple[Laid, ...]

    @property
    def layers(self) -> int:
        """Layers in the block, of all panels together."""
        return sum(part.last - part.first for part in self.laid)


def program_layers(platform: Platform) -> Heights:
    """Tops and heights of the program's layers; in turn, each panel's after the one's before it."""
    if not platform.in_turn:
        layers = platform.tallest.layers
        return Heights(layers.top, layers.height)
    return Heights(
        np.concatenate([p.layers.top for p in platform.panels]),
        np.concatenate([p.layers.height for p in platform.panels]),
    )


def blocks(platform: Platform) -> Iterator[Block]:
    """Plan a platform's moves block after block.

    Yields
    ------
    Block
        The first opens with the approach, the start line and the brims (in turn: the first panel's).
    """
    setup, heights = platform.setup, program_layers(platform)
    line = platform.placement.put(start_line(*platform.line, platform.panels[0].beads.pitch))
    opening = [approach(line, setup.machine)]
    opening.append(assemble(line, Kind.START, heights, setup, opening[-1].end))
    every = tuple(range(len(platform.panels)))
    begun = 0  # layers of the panels before
    for group in [(number,) for number in every] if platform.in_turn else [every]:
        panels = [platform.panels[number] for number in group]
        if begun:
            opening = [_to_next(platform, panels[0], opening[-1].end, begun)]
        for planned in panels:
            opening.append(_brim(planned, heights, opening[-1].end, begun))
        at = opening[-1].end
        for laid in _laid(platform, group):
            moves = _moves(platform, laid, heights, at, begun)
            at = moves.end
            yield Block(concatenate([*opening, moves]), laid)
            opening = [_none(at)]
        opening = [_none(at)]
        begun += max(len(planned.layers) for planned in panels)


def _none(at: tuple[float, float, float]) -> Moves:
    none = np.zeros(0)
    return Moves(at, none, none, none, none, none, np.zeros(0, np.uint8), np.zeros(0, np.int32))


def _brim(planned: Planned, heights: Heights, at: tuple[float, float, float], begun: int) -> Moves:
    loops = brim_loops(
        planned.layers.profiles(0, 1), planned.setup.job.brim, planned.beads.pitch, planned.bend
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
        planned.layers.profiles(0, 1), planned.setup.job.brim, planned.beads.pitch, planned.bend
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
    return hop(at, to, clear, begun, planned.setup.machine)


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


def _moves(
    platform: Platform, laid: Sequence[Laid], heights: Heights, at: tuple[float, float, float], begun: int
) -> Moves:
    """Put what a block holds in order, and assemble it."""
    setup: Setup = platform.setup
    walls = [platform.panels[part.number].placement.put(part.strokes) for part in laid]
    together = walls[0] if len(walls) == 1 else merge(walls, walls[0].counts)
    ordered, _ = order_strokes(together, at[:2])
    strokes, kinds = _with_props(ordered, platform, laid)
    return assemble(_later(strokes, begun), kinds, heights, setup, at)


def _with_props(
    walls: Strokes, platform: Platform, laid: Sequence[Laid]
) -> tuple[Strokes, Kind | NDArray[np.uint8]]:
    """Put each layer's props after its walls: what touches the rim is laid against a wall that is there."""
    parts = [(walls, Kind.WALL)]
    for part in laid:
        planned = platform.panels[part.number]
        if planned.props is None:
            continue
        props = planned.props
        for strokes, kind in (
            (props.strips, Kind.WEDGE), (props.tabs, Kind.WEDGE), (props.cradle, Kind.CRADLE)
        ):  # fmt: skip
            parts.append((planned.placement.put(between(strokes, part.first, part.last)), kind))
    if len(parts) == 1:
        return walls, Kind.WALL
    layer = np.concatenate([part.layer for part, _ in parts])
    kinds = np.concatenate([np.full(len(part), kind, np.uint8) for part, kind in parts])
    return merge([part for part, _ in parts], walls.counts), kinds[np.argsort(layer, kind="stable")]
