"""Figures along a toolpath: spacing, strokes, hairpins and flow, from the moves of a written program.

Use them to compare fills of thin walls. Time, filament and length by kind of move are in
`pathgen.motion.tally`; gaps and overlap are in `metrics`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import Moves
from pathgen.motion.speed import SpeedPlan
from pathgen.proof.footprint import Bools, Floats, Ints, extract_beads, find_deposits, is_closed
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import Row, Span

SHARES = (0.01, 0.05, 0.5, 0.95, 0.99)
SHARE_NAMES = ("p01", "p05", "median", "p95", "p99")
SPACING_EDGES = np.linspace(0.0, 2.0, 201)  # mm, bin edges
BINS = 100  # of the melt rate, from 0 to the highest mean
LEVEL = 1e-6  # mm; a smaller rise is rounding
LINK = 2.0  # mm, maximum length of a link


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """Weighted quantiles and histogram of one quantity.

    Attributes
    ----------
    quantiles : tuple of float
        At the shares 0.01, 0.05, 0.5, 0.95 and 0.99 of the weight; NaN if there is no weight.
    mean : float
        Weighted mean.
    beyond : float
        Share of the weight outside the limits; NaN without limits.
    weight : float
        Total weight: mm of path, or s.
    edges, histogram : (B + 1,), (B,) float64
        Weight per bin; values beyond the edges are in the outermost bins.
    """

    quantiles: tuple[float, ...]
    mean: float
    beyond: float
    weight: float
    edges: Floats
    histogram: Floats

    def as_dict(self, name: str, unit: str) -> Row:
        """Return the figures without the histogram; keys start with `name`, and NaN becomes None."""
        row = {f"{name}_{key}_{unit}": q for key, q in zip(SHARE_NAMES, self.quantiles, strict=True)}
        row |= {f"{name}_mean_{unit}": self.mean, f"{name}_beyond_share": self.beyond}
        return {key: None if math.isnan(value) else value for key, value in row.items()}


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

    normal: Distribution
    column: Distribution

    def as_dict(self) -> Row:
        """Return both as one row."""
        return self.normal.as_dict("bead_width", "mm") | self.column.as_dict("column_spacing", "mm")


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

    def as_dict(self) -> Row:
        """Return totals, and means per layer."""
        layers = len(self.strokes)
        row: Row = {"layers": layers, "stroke_length_mm": float(self.length.sum())}
        for name in ("strokes", "travels", "links", "hairpins", "loose_ends"):
            total = int(getattr(self, name).sum())
            row |= {name: total, f"{name}_per_layer": total / layers}
        real = self.shortest[~np.isnan(self.shortest)]
        return row | {"shortest_stroke_mm": float(real.min()) if len(real) else None}


@dataclass(frozen=True, slots=True, eq=False)
class MeltRate:
    """Volume melted per second.

    Attributes
    ----------
    mean, peak : (N,) float64
        Mean and highest melt rate of each move, mm³/s; 0 for moves that feed nothing or take no time.
    deposit : (N,) bool
        Moves that deposit; the distributions include only these.
    by_time, by_length : Distribution
        Distribution of `mean`, mm³/s, weighted by time and by path length.
    """

    mean: Floats
    peak: Floats
    deposit: Bools
    by_time: Distribution
    by_length: Distribution

    def as_dict(self) -> Row:
        """Return both distributions and the highest peak as one row."""
        highest = float(self.peak[self.deposit].max(initial=0.0))
        by_time = self.by_time.as_dict("melt_by_time", "mm3_s")
        by_length = self.by_length.as_dict("melt_by_length", "mm3_s")
        return by_time | by_length | {"melt_peak_mm3_s": highest}


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
    >>> weighted_quantiles(np.array([3.0, 1.0]), np.array([1.0, 3.0]), np.array([0.0, 2.0, 4.0])).quantiles
    (1.0, 1.0, 1.0, 3.0, 3.0)
    """
    inside = np.clip(values, edges[0], edges[-1])
    histogram = np.histogram(inside, edges, weights=weights)[0].astype(np.float64)
    total = float(weights.sum())
    if not total > 0:
        return Distribution((math.nan,) * len(SHARES), math.nan, math.nan, 0.0, edges, histogram)
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    place = np.searchsorted(reached, np.array(SHARES) * reached[-1])
    beyond = math.nan
    if limits is not None:
        outside = (values < limits[0] * (1 - 1e-3)) | (values > limits[1] * (1 + 1e-3))
        beyond = float(weights[outside].sum()) / total
    quantiles = tuple(float(v) for v in values[order][place])
    return Distribution(quantiles, float(values @ weights) / total, beyond, total, edges, histogram)


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
    """Return the distance without deposit before each stroke, mm, and whether it is level without retraction.

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
    """Compute how much plastic the hot end must melt per second.

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
        raise PathgenError(f"speed plan of {len(plan.time)} moves for {len(moves)} moves", where="melt_rate")
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
    )
