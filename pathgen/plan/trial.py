"""Trials on a few layers, to choose a fill, a direction or a feed for the whole panel."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.deposit.blur import smear
from pathgen.layers import BeadPlan, Layers, Strokes, find_fill
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
from pathgen.plan.model import LayeredPanel, Planned
from pathgen.plan.toning import backlit_lightness
from pathgen.proof.deposit_map import deposit
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import measure_coverage, pool_layers, sample_layers
from pathgen.route import Placement, order_strokes
from pathgen.settings import Setup

Floats = NDArray[np.float64]

PACED = 8  # layers planned to compare feeds
ENDS = 2.0  # mm at the ends of a wall that are left out of its error
BETWEEN_LAYERS = 0.15  # s for the lift and the travel to the next layer
LAYERS = 3  # planned for a choice; layers of one picture are so similar that more would not change it
AS_GOOD = 0.002  # share of the section; smaller differences count as ties, which time breaks


@dataclass(frozen=True, slots=True)
class Trial:
    """Coverage and printing time of a fill on a few layers.

    Attributes
    ----------
    void, overlap, outside : float
        Shares of the section: not covered, covered twice, covered outside it.
    time : float
        Seconds per layer.
    """

    void: float
    overlap: float
    outside: float
    time: float

    @property
    def wrong(self) -> float:
        """Total error: area of gaps, of overlaps and outside the wall, as a fraction of the section."""
        return self.void + self.overlap + self.outside


def try_fill(fill: str, beads: BeadPlan, layers: Layers, placement: Placement, setup: Setup) -> Trial:
    """Fill a few evenly spaced layers and measure the result.

    Parameters
    ----------
    fill : str
        Name of the fill.
    beads : BeadPlan
    layers : Layers
    placement : Placement
    setup : Setup

    Returns
    -------
    Trial
    """
    machine = setup.machine
    frame = Frame(
        placement.rotation, placement.x0, placement.y0, layers.panel.width, layers.panel.pixel, layers.top
    )
    seconds, found = 0.0, []
    for number, thickness, strokes in _filled_samples(fill, beads, layers):
        moves = _layer_moves(strokes, number, layers, placement, setup)
        seconds += float(plan_speeds(moves, machine).time.sum())
        found += measure_coverage(
            moves, frame, thickness, [number],
            packing=setup.beads.packing, filament_diameter=machine.hot_end.filament_diameter,
        )  # fmt: skip
    total = pool_layers(found)
    void, overlap, outside = total.void_share or 0.0, total.overlap_share or 0.0, total.outside_share or 0.0
    return Trial(void, overlap, outside, seconds / len(found))


def printing_times(unplaced: LayeredPanel, rotations: Sequence[int]) -> dict[int, float]:
    """Estimate the printing time of the walls at each rotation, because axis limits differ.

    Parameters
    ----------
    unplaced : LayeredPanel
        A bent panel is timed as if it were flat.
    rotations : sequence of int
        Degrees.

    Returns
    -------
    dict of int to float
        Seconds, by rotation.
    """
    setup, layers = unplaced.setup, unplaced.layers
    samples, times = list(_filled_samples(setup.beads.fill, unplaced.beads, layers)), {}
    for rotation in rotations:
        put, times[rotation] = Placement(rotation, 0.0, 0.0), 0.0
        for number, _, strokes in samples:
            moves = _layer_moves(strokes, number, layers, put, setup)
            times[rotation] += float(plan_speeds(moves, setup.machine).time.sum())
    return {rotation: time * len(layers) / len(samples) for rotation, time in times.items()}


def _filled_samples(fill: str, beads: BeadPlan, layers: Layers) -> Iterator[tuple[int, Floats, Strokes]]:
    """Yield the number, the section and the ordered strokes of a few layers."""
    for number in sample_layers(LAYERS, len(layers)):
        profiles = layers.profiles(number, number + 1)
        strokes, _ = order_strokes(find_fill(fill)(profiles, beads), (0.0, 0.0))
        yield number, profiles.thickness, strokes


class FeedTrial:
    """Walls of a few sample layers, planned once and then timed at any feed.

    Parameters
    ----------
    planned : Planned
    """

    def __init__(self, planned: Planned) -> None:
        self._planned, layers, put, panel = planned, planned.layers, planned.placement, planned.panel
        self._frame = Frame(put.rotation, put.x0, put.y0, panel.width, panel.pixel, layers.top, planned.bend)
        self._layers: list[tuple[int, Moves, Floats]] = []
        for number in sample_layers(PACED, len(layers)):
            strokes, _ = order_strokes(planned.fill(number, number + 1), (0.0, 0.0))
            moves = _layer_moves(strokes, number, layers, put, planned.setup)
            self._layers.append((number, moves, layers.profiles(number, number + 1).thickness[0]))

    def seconds(self, feed: float) -> float:
        """Compute the time of the print for a wall feed in mm/s, including heating and homing."""
        machine, count = self._planned.setup.machine, len(self._planned.layers)
        before = machine.heaters.warm_up + machine.heaters.homing
        times = [float(plan_speeds(self._at(m, feed), machine).time.sum()) for _, m, _ in self._layers]
        return (sum(times) / len(times) + BETWEEN_LAYERS) * count + before

    def error(self, feed: float) -> float:
        """Compute the lightness error for a wall feed, L* RMS, including lag and nozzle blur."""
        setup, squares, count = self._planned.setup, 0.0, 0
        aside = max(1, round(ENDS / self._frame.pixel))
        for number, moves, target in self._layers:
            deposited = self._deposited(self._at(moves, feed), number)
            wall = target > 0
            wall[:aside] = wall[-aside:] = False
            found, wanted = (backlit_lightness(each[wall], setup) for each in (deposited, target))
            squares += float(np.sum((found - wanted) ** 2))
            count += int(np.count_nonzero(wall))
        return float(np.sqrt(squares / max(count, 1)))

    def _at(self, moves: Moves, feed: float) -> Moves:
        """Return the moves with a new feed for walls, hairpins and links."""
        slow = np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN, Kind.LINK))
        ratio = feed / self._planned.setup.feeds.feed
        return replace(moves, feed=np.where(slow, moves.feed * ratio, moves.feed))

    def _deposited(self, moves: Moves, number: int) -> Floats:
        """Compute the thickness deposited on each column of a layer, mm."""
        setup, hot_end = self._planned.setup, self._planned.setup.machine.hot_end
        plan = plan_speeds(moves, setup.machine)
        if hot_end.lag:
            if setup.feeds.lead == "on":
                moves, _ = lead_filament(moves, plan, setup.machine)
            moves = split_moves(moves, self._frame.pixel)
            moves = lagged_moves(moves, plan_speeds(moves, setup.machine), setup.machine)
        diameter = hot_end.filament_diameter * hot_end.filament_factor**0.5
        layers = self._planned.layers
        packing = float(banded(setup, LayerSpans(layers.top, layers.height), "packing")[number])
        found = deposit(moves, self._frame, packing=packing, filament_diameter=diameter)
        row = found.thickness[len(layers) - 1 - number]
        return np.asarray(smear(row[None], hot_end.nozzle_diameter, self._frame.pixel)[0], np.float64)


def _layer_moves(strokes: Strokes, number: int, layers: Layers, placement: Placement, setup: Setup) -> Moves:
    """Assemble the wall moves of one layer, starting at the first point."""
    put = placement.put(strokes)
    start = (float(put.u[0]), float(put.n[0]), float(layers.top[number])) if len(put) else (0.0, 0.0, 0.0)
    return assemble(put, Kind.WALL, LayerSpans(layers.top, layers.height), setup, start)


def best_direction(beads: BeadPlan, layers: Layers, placement: Placement, setup: Setup) -> tuple[str, str]:
    """Choose the raster direction with the smallest error; if errors are equal, choose the faster one.

    Returns
    -------
    direction : str
    reason : str
        Figures behind the choice, for people.
    """
    trials = {
        name: try_fill("raster", replace(beads, direction=name), layers, placement, setup)
        for name in DIRECTIONS
    }
    lowest = min(trial.wrong for trial in trials.values())
    good = [name for name, trial in trials.items() if trial.wrong <= lowest + AS_GOOD]
    best = min(good, key=lambda name: trials[name].time)
    figures = ", ".join(f"{n} {100 * t.wrong:.1f} % in {t.time:.1f} s" for n, t in trials.items())
    return best, f"raster {best}: error of the section and time per layer are {figures}"
