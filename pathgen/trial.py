"""Trials: a few layers planned with one fill and judged, to choose between fills or directions beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pathgen.layers import BeadPlan, Layers, Strokes, find_fill
from pathgen.layers.fills import DIRECTIONS
from pathgen.motion import Heights, Kind, Moves, assemble, plan_speeds
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import in_plane, pooled, sample_layers
from pathgen.route import Placement, order_strokes
from pathgen.settings import Setup

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
        found += in_plane(
            moves, frame, profiles.thickness, [number],
            solidity=setup.solidity, filament_diameter=machine.hot_end.filament_diameter,
        )  # fmt: skip
    row = pooled(found)
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


def _laid(strokes: Strokes, number: int, layers: Layers, placement: Placement, setup: Setup) -> Moves:
    """Assemble one layer's walls, the head being where they begin."""
    put = placement.put(strokes)
    start = (float(put.u[0]), float(put.n[0]), float(layers.top[number])) if len(put) else (0.0, 0.0, 0.0)
    return assemble(put, Kind.WALL, Heights(layers.top, layers.height), setup, start)


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
