"""Toolpath statistics of a program: spacing, strokes, hairpins and melt rate.

Use them to compare fills of thin walls. Time, filament and length by kind of move are in
`pathgen.motion.tally`; gaps and overlap are in `metrics`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np

from pathgen.errors import PathgenError
from pathgen.files.quantities import Nested, Quantity
from pathgen.gcode.read import Program
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import Moves
from pathgen.motion.speed import SpeedPlan
from pathgen.proof.footprint import Bools, Floats, Ints, extract_beads, find_deposits, is_closed
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import Span

SHARES = (0.01, 0.05, 0.5, 0.95, 0.99)
SHARE_NAMES = ("p01", "p05", "median", "p95", "p99")
SPACING_EDGES = np.linspace(0.0, 2.0, 201)  # mm, bin edges
BINS = 100  # of the melt rate, from 0 to the highest mean
LEVEL = 1e-6  # mm; a smaller rise is rounding
LINK = 2.0  # mm, maximum length of a link


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Distribution:
    """Weighted quantiles and histogram of one quantity.

    Attributes
    ----------
    p01, p05, median, p95, p99, mean : float or None
        Weighted quantiles and mean; None if there is no weight.
    beyond_share : float or None
        Share of the weight outside the limits; None without limits.
    weight : float
        Total weight: mm of path, or s.
    edges, histogram : (B + 1,), (B,) float64
        Weight per bin; values beyond the edges are in the outermost bins.
    """

    p01: Annotated[float | None, Quantity("", "1st percentile of")] = None
    p05: Annotated[float | None, Quantity("", "5th percentile of")] = None
    median: Annotated[float | None, Quantity("", "median of")] = None
    p95: Annotated[float | None, Quantity("", "95th percentile of")] = None
    p99: Annotated[float | None, Quantity("", "99th percentile of")] = None
    mean: Annotated[float | None, Quantity("", "mean of")] = None
    beyond_share: Annotated[float | None, Quantity("share", "share beyond the limits of")] = None
    weight: float = 0.0
    edges: Floats
    histogram: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SpacingDistribution:
    """Bead widths and column spacings of a program.

    Attributes
    ----------
    normal : Distribution
        Bead width: volume per layer height and path length, mm, weighted by path length.
    column : Distribution
        Column spacing: volume per layer height and |Δu|, mm, weighted by |Δu|. This is the thickness that
        light passes. Moves straight across the wall have no weight.
    """

    normal: Annotated[Distribution, Nested("bead_width_", "bead width, by path length", "mm", "_mm")]
    column: Annotated[Distribution, Nested("column_spacing_", "column spacing, by width", "mm", "_mm")]


@dataclass(frozen=True, slots=True, eq=False)
class StrokeCounts:
    """Strokes, crossings and reversals per layer, bottom layer first.

    Attributes
    ----------
    strokes, travels, links, hairpins, loose_ends : (L,) intp
        Continuous deposits; long or lifted moves without deposit before a stroke (travels), and short ones
        (links); reversals inside strokes; ends of strokes inside the picture.
    length, shortest : (L,) float64
        Length of all strokes and of the shortest stroke, mm; NaN for layers without strokes.
    """

    strokes: Ints
    travels: Ints
    links: Ints
    hairpins: Ints
    loose_ends: Ints
    length: Floats
    shortest: Floats

    @property
    def per_layer(self) -> LayerMeans:
        """Mean number of strokes, crossings and reversals per layer."""
        return LayerMeans(*(float(n.mean()) for n in (self.strokes, self.travels, self.links, self.hairpins)))


@dataclass(frozen=True, slots=True)
class LayerMeans:
    """Mean numbers of strokes, crossings and reversals per layer."""

    strokes: Annotated[float, Quantity("", "continuous deposits per layer")]
    travels: Annotated[float, Quantity("", "long or lifted dry crossings per layer")]
    links: Annotated[float, Quantity("", "short dry crossings per layer")]
    hairpins: Annotated[float, Quantity("", "reversals inside strokes per layer")]


@dataclass(frozen=True, slots=True, eq=False)
class MeltRate:
    """Distribution of the volume melted per second.

    Attributes
    ----------
    mean, peak : (N,) float64
        Mean and highest melt rate of each move, mm³/s; 0 for moves that feed nothing or take no time.
    deposit : (N,) bool
        Moves that deposit; the distributions include only these.
    by_time, by_length : Distribution
        Distribution of `mean`, mm³/s, weighted by time and by path length.
    melt_peak_mm3_s : float
        Maximum of `peak` among the moves that deposit.
    """

    mean: Floats
    peak: Floats
    deposit: Bools
    by_time: Annotated[
        Distribution, Nested("melt_by_time_", "melt rate, by time", "mm³/s", "_mm3_s", ("beyond_share",))
    ]
    by_length: Annotated[
        Distribution,
        Nested("melt_by_length_", "melt rate, by path length", "mm³/s", "_mm3_s", ("beyond_share",)),
    ]
    melt_peak_mm3_s: Annotated[float, Quantity("mm³/s", "maximum melt rate")]


@dataclass(frozen=True, slots=True)
class PathFigures:
    """Toolpath statistics of a program."""

    per_layer: Annotated[LayerMeans, Nested(suffix="_per_layer", unit="1")]
    spacings: Annotated[SpacingDistribution, Nested()]
    rate: Annotated[MeltRate, Nested()]


def measure_spacing(
    source: Program | Moves,
    frame: Frame,
    *,
    packing: float,
    filament_diameter: float,
    limits: Span | None = None,
) -> SpacingDistribution:
    """Measure the distribution of bead widths and column spacings of a program.

    Parameters
    ----------
    source : Program or Moves
    frame : Frame
    packing, filament_diameter : float
        See `measure_coverage`.
    limits : tuple of float, optional
        Minimum and maximum spacing of the plan, mm; `beyond` is the share outside, with a tolerance of a
        thousandth for the rounding of the text.

    Returns
    -------
    SpacingDistribution
        Includes hairpins.
    """
    beads = extract_beads(source, frame, packing=packing, filament_diameter=filament_diameter)
    along = np.abs(beads.end[:, 0] - beads.start[:, 0])
    real = along > 0
    column = beads.area[real] / along[real]
    return SpacingDistribution(
        weighted_quantiles(beads.spacing, beads.length, SPACING_EDGES, limits),
        weighted_quantiles(column, along[real], SPACING_EDGES, limits),
    )


def weighted_quantiles(
    values: Floats, weights: Floats, edges: Floats, limits: Span | None = None
) -> Distribution:
    """Compute weighted quantiles and a histogram.

    Parameters
    ----------
    values, weights : (N,) float64
        Weights must not be negative.
    edges : (B + 1,) float64
        Ascending.
    limits : tuple of float, optional
        Limits for `beyond`, with a tolerance of a thousandth.

    Returns
    -------
    Distribution
        A quantile is the smallest value up to which the weights reach the share. All NaN for no weight.

    Examples
    --------
    >>> found = weighted_quantiles(np.array([3.0, 1.0]), np.array([1.0, 3.0]), np.array([0.0, 2.0, 4.0]))
    >>> found.median, found.p95
    (1.0, 3.0)
    """
    inside = np.clip(values, edges[0], edges[-1])
    histogram = np.histogram(inside, edges, weights=weights)[0].astype(np.float64)
    total = float(weights.sum())
    if not total > 0:
        return Distribution(edges=edges, histogram=histogram)
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    place = np.searchsorted(reached, np.array(SHARES) * reached[-1])
    beyond = None
    if limits is not None:
        outside = (values < limits[0] * (1 - 1e-3)) | (values > limits[1] * (1 + 1e-3))
        beyond = float(weights[outside].sum()) / total
    return Distribution(
        **dict(zip(SHARE_NAMES, values[order][place].tolist(), strict=True)),
        mean=float(values @ weights) / total,
        beyond_share=beyond,
        weight=total,
        edges=edges,
        histogram=histogram,
    )


def count_strokes(
    source: Program | Moves,
    frame: Frame,
    *,
    picture: Span | None = None,
) -> StrokeCounts:
    """Count strokes, crossings, hairpins and loose ends in every layer.

    A crossing without deposit is a link if it is at most `LINK` long, stays in the layer and does not
    retract; otherwise it is a travel. The text alone decides, as it does not name the kind of a crossing.

    Parameters
    ----------
    source : Program or Moves
    frame : Frame
    picture : tuple of float, optional
        Range of u in which a loose end is visible, mm; by default, the whole width.

    Returns
    -------
    StrokeCounts
        A crossing belongs to the layer of the next stroke. A closed loop has no loose end. All 0 for no
        moves.
    """
    moves = source.moves if isinstance(source, Program) else source
    beads = extract_beads(moves, frame, packing=1.0, filament_diameter=1.0)
    total = len(frame.tops)
    first = np.flatnonzero(np.diff(beads.stroke, prepend=-1))
    last = np.append(first[1:], len(beads))[: len(first)] - 1
    layer = beads.layer[first]

    def per_layer(chosen: Bools) -> Ints:
        return np.bincount(layer[chosen], minlength=total).astype(np.intp)

    distance, same = _crossings(moves, beads.row[first])
    linked = same & (distance <= LINK)
    hairpins = np.bincount(beads.layer[first], beads.run[last] - beads.run[first], total)
    low, high = picture or (0.0, frame.width)
    loose = np.zeros(len(first), np.intp)
    for ends in (beads.start[first, 0], beads.end[last, 0]):
        loose += (ends > low) & (ends < high)
    loose[is_closed(beads, first, last)] = 0
    length = np.add.reduceat(beads.length, first) if len(first) else np.zeros(0)
    shortest = np.full(total, np.inf)
    np.minimum.at(shortest, layer, length)
    return StrokeCounts(
        per_layer(np.ones(len(layer), np.bool_)),
        per_layer((distance > 0) & ~linked),
        per_layer((distance > 0) & linked),
        hairpins.astype(np.intp),
        np.bincount(layer, loose, total).astype(np.intp),
        np.bincount(layer, length, total).astype(np.float64),
        np.where(np.isinf(shortest), np.nan, shortest),
    )


def _crossings(moves: Moves, first: Ints) -> tuple[Floats, Bools]:
    """Return the travel before each stroke, mm, and whether it is level and without retraction.

    `first` contains the row of the first bead of each stroke.
    """
    steps = moves.steps()
    dry = ~find_deposits(moves)
    made = np.flatnonzero(~dry)
    after = np.searchsorted(made, first)
    begin = np.where(after > 0, made[after - 1] + 1, 0) if len(made) else np.zeros_like(first)

    def between(values: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(np.where(dry, values, 0.0))])
        return np.asarray(total[first] - total[begin])

    level = between(np.abs(steps[2])) < LEVEL
    return between(np.hypot(steps[0], steps[1])), level & (between((moves.filament < 0).astype(float)) == 0)


def measure_melt_rate(moves: Moves, plan: SpeedPlan, filament_diameter: float) -> MeltRate:
    """Compute the volume of plastic that the hot end must melt per second.

    Parameters
    ----------
    moves : Moves
    plan : SpeedPlan
        Speeds of the same moves, from `pathgen.motion.plan_speeds`.
    filament_diameter : float
        mm.

    Returns
    -------
    MeltRate

    Raises
    ------
    PathgenError
        If the plan belongs to other moves.
    """
    if len(plan.time) != len(moves):
        raise PathgenError(
            f"the speed plan has {len(plan.time)} moves, but the program has {len(moves)} moves",
            where="melt_rate",
        )
    length = moves.path()
    volume = moves.filament.clip(0) * filament_area(filament_diameter)
    alone = (length == 0) & (volume > 0)
    path = np.where(alone, moves.filament, length)
    none = np.zeros(len(moves))
    mean = np.divide(volume, plan.time, out=none.copy(), where=plan.time > 0)
    peak = np.divide(volume * plan.peak, path, out=none.copy(), where=path > 0)
    made = find_deposits(moves)
    edges = np.linspace(0.0, float(mean[made].max(initial=0.0)) or 1.0, BINS + 1)
    return MeltRate(
        mean,
        peak,
        made,
        weighted_quantiles(mean[made], plan.time[made], edges),
        weighted_quantiles(mean[made], length[made], edges),
        float(peak[made].max(initial=0.0)),
    )
