"""Trials: a few layers planned with one fill and judged, to choose between fills or directions beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.deposit.blur import smear
from pathgen.layers import BeadPlan, Layers, Strokes, bend_strokes, find_fill
from pathgen.layers.fills import DIRECTIONS
from pathgen.motion import (
    Kind,
    LayerSpans,
    Moves,
    assemble,
    banded,
    lagged_moves,
    lead_filament,
    plan_speeds,
    split_moves,
)
from pathgen.picture import lightness
from pathgen.plan.model import Planned
from pathgen.proof.deposit_map import deposit
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import measure_coverage, pool_layers, sample_layers
from pathgen.route import Placement, order_strokes
from pathgen.settings import Setup

Floats = NDArray[np.float64]

PACED = 8  # layers that a pace is judged by
ENDS = 2.0  # mm at a wall's ends that do not count for it
BETWEEN_LAYERS = 0.15  # s for the lift and the way to the next layer
LAYERS = 3  # judged for a choice: alike enough within one picture that more would not change it
AS_GOOD = 0.002  # shares of the section nearer than this are as good as each other; then time decides


@dataclass(frozen=True, slots=True)
class Trial:
    """How a fill does on a few layers.

    Attributes
    ----------
    void, overlap, outside : float
        Shares of the section: not covered, covered twice, deposited beside it.
    time : float
        Seconds a layer.
    """

    void: float
    overlap: float
    outside: float
    time: float

    @property
    def wrong(self) -> float:
        """All that is not where it should be, as a share of the section."""
        return self.void + self.overlap + self.outside


def try_fill(
    fill: str, beads: BeadPlan, layers: Layers, placement: Placement, setup: Setup, sample: int = LAYERS
) -> Trial:
    """Plan a few evenly spaced layers with a fill and judge them.

    Parameters
    ----------
    fill : str
        Name of the fill.
    beads : BeadPlan
    layers : Layers
    placement : Placement
    setup : Setup
    sample : int
        How many layers.

    Returns
    -------
    Trial
    """
    machine = setup.machine
    frame = Frame(
        placement.rotation, placement.x0, placement.y0, layers.panel.width, layers.panel.pixel, layers.top
    )
    seconds, found = 0.0, []
    numbers = sample_layers(sample, len(layers))
    for number in numbers:
        profiles = layers.profiles(number, number + 1)
        strokes, _ = order_strokes(find_fill(fill)(profiles, beads), (0.0, 0.0))
        moves = _laid(strokes, number, layers, placement, setup)
        seconds += float(plan_speeds(moves, machine).time.sum())
        found += measure_coverage(
            moves, frame, profiles.thickness, [number],
            packing=setup.packing, filament_diameter=machine.hot_end.filament_diameter,
        )  # fmt: skip
    row = pool_layers(found)
    void, overlap, outside = (float(row[f"{name}_share"] or 0.0) for name in ("void", "overlap", "outside"))
    return Trial(void, overlap, outside, seconds / len(numbers))


def printing_times(
    beads: BeadPlan, layers: Layers, setup: Setup, rotations: Sequence[int], sample: int = LAYERS
) -> dict[int, float]:
    """Estimate how long the walls take at each rotation: the axes' limits differ.

    Parameters
    ----------
    beads : BeadPlan
    layers : Layers
    setup : Setup
    rotations : sequence of int
        Degrees.
    sample : int
        How many layers are planned for it.

    Returns
    -------
    dict of int to float
        Seconds, by rotation.
    """
    numbers = sample_layers(sample, len(layers))
    fill, times = find_fill(setup.job.fill), dict.fromkeys(rotations, 0.0)
    for number in numbers:
        strokes, _ = order_strokes(fill(layers.profiles(number, number + 1), beads), (0.0, 0.0))
        for rotation in rotations:
            moves = _laid(strokes, number, layers, Placement(rotation, 0.0, 0.0), setup)
            times[rotation] += float(plan_speeds(moves, setup.machine).time.sum())
    return {rotation: time * len(layers) / len(numbers) for rotation, time in times.items()}


class PacedWalls:
    """A few layers of a panel's walls, planned once, that can be driven at any feed.

    Parameters
    ----------
    planned : Planned
    sample : int
        How many layers.
    """

    def __init__(self, planned: Planned, sample: int = PACED) -> None:
        self._planned, layers, bend = planned, planned.layers, planned.bend
        put, panel = planned.placement, planned.panel
        self._frame = Frame(put.rotation, put.x0, put.y0, panel.width, panel.pixel, layers.top, bend)
        self._layers: list[tuple[int, Moves, Floats]] = []
        for number in sample_layers(sample, len(layers)):
            profiles = layers.profiles(number, number + 1)
            strokes = find_fill(planned.setup.job.fill)(profiles, planned.beads)
            strokes = strokes if bend is None else bend_strokes(strokes, bend)
            strokes, _ = order_strokes(strokes, (0.0, 0.0))
            moves = _laid(strokes, number, layers, put, planned.setup)
            self._layers.append((number, moves, profiles.thickness[0]))

    def seconds(self, feed: float) -> float:
        """Time of all layers with the walls at a feed, mm/s."""
        machine, count = self._planned.setup.machine, len(self._planned.layers)
        times = [float(plan_speeds(self._at(m, feed), machine).time.sum()) for _, m, _ in self._layers]
        return (sum(times) / len(times) + BETWEEN_LAYERS) * count

    def error(self, feed: float) -> float:
        """Lightness RMS between walls as lag and nozzle lay them down at a feed, and as they are to be."""
        setup, squares, count = self._planned.setup, 0.0, 0
        law, pixel = optics.law(setup.material.light), self._frame.pixel
        aside = max(1, round(ENDS / pixel))
        for number, moves, wanted in self._layers:
            made = self._laid_down(self._at(moves, feed), number)
            wall = wanted > 0
            wall[:aside] = wall[-aside:] = False
            made, wanted = (
                lightness(optics.backlit(t[wall], law, setup.job.thinnest).clip(max=1.0))
                for t in (made, wanted)
            )
            squares += float(np.sum((made - wanted) ** 2))
            count += int(np.count_nonzero(wall))
        return float(np.sqrt(squares / max(count, 1)))

    def _at(self, moves: Moves, feed: float) -> Moves:
        """Drive walls, turns and links at another feed."""
        slow = np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN, Kind.LINK))
        return replace(moves, feed=np.where(slow, moves.feed * (feed / self._planned.setup.feed), moves.feed))

    def _laid_down(self, moves: Moves, number: int) -> Floats:
        """Thickness that leaves the nozzle on each column of a layer, mm."""
        setup, hot_end = self._planned.setup, self._planned.setup.machine.hot_end
        plan = plan_speeds(moves, setup.machine)
        if hot_end.lag:
            if setup.job.lead == "on":
                moves, _ = lead_filament(moves, plan, setup.machine)
            moves = split_moves(moves, self._frame.pixel)
            moves = lagged_moves(moves, plan_speeds(moves, setup.machine), setup.machine)
        diameter = hot_end.filament_diameter * hot_end.filament_factor**0.5
        packing = float(banded(setup, self._heights, "packing")[number])
        laid = deposit(moves, self._frame, packing=packing, filament_diameter=diameter)
        row = laid.thickness[len(self._planned.layers) - 1 - number]
        return np.asarray(smear(row[None], hot_end.nozzle_diameter, self._frame.pixel)[0], np.float64)

    @property
    def _heights(self) -> LayerSpans:
        return LayerSpans(self._planned.layers.top, self._planned.layers.height)


def _laid(strokes: Strokes, number: int, layers: Layers, placement: Placement, setup: Setup) -> Moves:
    """Assemble one layer's walls, the head being where they begin."""
    put = placement.put(strokes)
    start = (float(put.u[0]), float(put.n[0]), float(layers.top[number])) if len(put) else (0.0, 0.0, 0.0)
    return assemble(put, Kind.WALL, LayerSpans(layers.top, layers.height), setup, start)


def best_direction(beads: BeadPlan, layers: Layers, placement: Placement, setup: Setup) -> tuple[str, str]:
    """Choose the direction of a raster's lines: least wrong, and of those as good the quickest.

    Returns
    -------
    direction : str
    reason : str
        The figures behind it, for people.
    """
    trials = {
        name: try_fill("raster", replace(beads, direction=name), layers, placement, setup)
        for name in DIRECTIONS
    }
    least = min(trial.wrong for trial in trials.values())
    good = [name for name, trial in trials.items() if trial.wrong <= least + AS_GOOD]
    best = min(good, key=lambda name: trials[name].time)
    figures = ", ".join(f"{n} {100 * t.wrong:.1f} % in {t.time:.1f} s" for n, t in trials.items())
    return best, f"raster {best}: what is wrong of the section, and time a layer, are {figures}"
