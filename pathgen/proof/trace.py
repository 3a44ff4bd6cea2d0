"""Numbers along a toolpath: spacings, strokes and turns, flow; from the moves of the written program.

For whoever compares ways to fill thin walls. Time, filament and length by kind of move are
`pathgen.motion.tally`'s; gaps and overlap are in `metrics`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.assemble import filament_area
from pathgen.motion.moves import Kind, Moves
from pathgen.motion.speed import SpeedPlan
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.footprint import Bools, Floats, Ints, beads_of, closes_itself, deposits
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import Row, Span

SHARES = (0.01, 0.05, 0.5, 0.95, 0.99)
SHARE_NAMES = ("p01", "p05", "median", "p95", "p99")
SPACING_EDGES = np.linspace(0.0, 2.0, 201)
LEVEL = 1e-6  # mm of rise that is none
LINK = 2.0  # mm, the longest dry crossing that counts as a link


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """Quantiles and histogram of one quantity.

    Attributes
    ----------
    quantiles : tuple of float
        At the shares 0.01, 0.05, 0.5, 0.95 and 0.99 of the weight; NaN where there is nothing.
    mean : float
        Weighted.
    beyond : float
        Share of the weight outside the limits asked about; NaN without limits.
    weight : float
        All of it: mm of path or s.
    edges, histogram : (B + 1,), (B,) float64
        Weight in each bin; what lies beyond the edges is in the outermost bins.
    """

    quantiles: tuple[float, ...]
    mean: float
    beyond: float
    weight: float
    edges: Floats
    histogram: Floats

    def as_dict(self, name: str, unit: str) -> Row:
        """Give the row, keys beginning with `name`; None for what is NaN, no histogram."""
        row = {f"{name}_{key}_{unit}": q for key, q in zip(SHARE_NAMES, self.quantiles, strict=True)}
        row |= {f"{name}_mean_{unit}": self.mean, f"{name}_beyond_share": self.beyond}
        return {key: None if math.isnan(value) else value for key, value in row.items()}


@dataclass(frozen=True, slots=True, eq=False)
class SpacingDistribution:
    """Spacings of a program's beads.

    Attributes
    ----------
    normal : Spread
        Volume over layer height and path length, mm, weighted by path length: the bead's own width.
    column : Spread
        Volume over layer height and |Δu|, mm, weighted by |Δu|: what light meets in a column. Moves straight
        across the wall have none and no weight.
    """

    normal: Distribution
    column: Distribution

    def as_dict(self) -> Row:
        """Give both as one row."""
        return self.normal.as_dict("bead_width", "mm") | self.column.as_dict("column_spacing", "mm")


@dataclass(frozen=True, slots=True, eq=False)
class StrokeCounts:
    """How often the head starts, stops, turns and crosses, layer by layer, bottom first.

    Attributes
    ----------
    strokes, travels, links, hairpins, loose_ends : (L,) intp
        Continuous deposits; dry crossings to a stroke of the layer, long or lifted (travels) and short
        (links); reversals inside strokes; ends of strokes inside the picture.
    length, shortest : (L,) float64
        Length of all strokes, and of the shortest one (NaN where there is none), mm.
    """

    strokes: Ints
    travels: Ints
    links: Ints
    hairpins: Ints
    loose_ends: Ints
    length: Floats
    shortest: Floats

    def as_dict(self) -> Row:
        """Give totals, and means a layer."""
        layers = len(self.strokes)
        row: Row = {"layers": layers, "stroke_length_mm": float(self.length.sum())}
        for name in ("strokes", "travels", "links", "hairpins", "loose_ends"):
            total = int(getattr(self, name).sum())
            row |= {name: total, f"{name}_per_layer": total / layers}
        real = self.shortest[~np.isnan(self.shortest)]
        return row | {"shortest_stroke_mm": float(real.min()) if len(real) else None}


@dataclass(frozen=True, slots=True, eq=False)
class MeltRate:
    """Volume melted a second.

    Attributes
    ----------
    mean, peak : (N,) float64
        Of each move, mm³/s: over its time, and at its highest speed. 0 where nothing is fed, or no time
        passes.
    deposit : (N,) bool
        The moves that deposit: all the spreads look at.
    by_time, by_length : Spread
        Of `mean`, mm³/s, weighted by time and by path length.
    """

    mean: Floats
    peak: Floats
    deposit: Bools
    by_time: Distribution
    by_length: Distribution

    def as_dict(self) -> Row:
        """Give both spreads and the highest peak as one row."""
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
    between: Span | None = None,
    edges: Floats = SPACING_EDGES,
    kinds: tuple[Kind, ...] = COUNTED,
) -> SpacingDistribution:
    """Spread of the spacings that a program's beads really have.

    Parameters
    ----------
    source : Program or Moves
    frame : Frame
    packing, filament_diameter : float
        As for `in_plane`.
    limits : tuple of float, optional
        Smallest and largest spacing of the plan, mm; `beyond` is the share outside, a thousandth of a spacing
        (rounding of the text) apart.
    between : tuple of float, optional
        Only moves whose middle lies in this range of u, mm.
    edges : (B + 1,) float64
        Edges of the histograms' bins, mm.
    kinds : tuple of Kind

    Returns
    -------
    PitchDistribution
        Turns count as any other move.
    """
    beads = beads_of(source, frame, packing=packing, filament_diameter=filament_diameter, kinds=kinds)
    if between is not None:
        middle = (beads.start[:, 0] + beads.end[:, 0]) / 2
        beads = beads.only((middle >= between[0]) & (middle <= between[1]))
    along = np.abs(beads.end[:, 0] - beads.start[:, 0])
    real = along > 0
    column = beads.area[real] / along[real]
    return SpacingDistribution(
        weighted_quantiles(beads.spacing, beads.length, edges, limits),
        weighted_quantiles(column, along[real], edges, limits),
    )


def weighted_quantiles(
    values: Floats, weights: Floats, edges: Floats, limits: Span | None = None
) -> Distribution:
    """Weighted quantiles and histogram.

    Parameters
    ----------
    values, weights : (N,) float64
        Weights not below 0.
    edges : (B + 1,) float64
        Ascending.
    limits : tuple of float, optional
        What `beyond` counts from; a thousandth of them is allowed.

    Returns
    -------
    Spread
        A quantile is the smallest value that, with all below it, has that share of the weight. All NaN for no
        weight.

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


def counts(
    source: Program | Moves,
    frame: Frame,
    *,
    picture: Span | None = None,
    link: float = LINK,
    kinds: tuple[Kind, ...] = COUNTED,
) -> StrokeCounts:
    """Count strokes, crossings, turns and loose ends of every layer.

    Parameters
    ----------
    source : Program or Moves
    frame : Frame
    picture : tuple of float, optional
        Range of u inside the rim, mm: where a loose end can be seen. By default the whole width.
    link : float
        Longest dry crossing, mm, that is a link and not a travel: within a layer, and without filament drawn
        back. Told from the motion alone, since that is all a program's text keeps.
    kinds : tuple of Kind
        Kinds of move that are strokes.

    Returns
    -------
    StrokeCounts
        A crossing belongs to the layer it leads to. A closed loop has no loose end. All 0 for no moves.
    """
    moves = source.moves if isinstance(source, Program) else source
    beads = beads_of(moves, frame, packing=1.0, filament_diameter=1.0, kinds=kinds)
    total = len(frame.tops)
    first = np.flatnonzero(np.diff(beads.stroke, prepend=-1))
    last = np.append(first[1:], len(beads))[: len(first)] - 1
    layer = beads.layer[first]

    def per_layer(chosen: Bools) -> Ints:
        return np.bincount(layer[chosen], minlength=total).astype(np.intp)

    way, same = _crossings(moves, beads.row[first])
    linked = same & (way <= link)
    hairpins = np.bincount(beads.layer[first], beads.run[last] - beads.run[first], total)
    low, high = picture or (0.0, frame.width)
    seen = np.zeros(len(first), np.intp)
    for ends in (beads.start[first, 0], beads.end[last, 0]):
        seen += (ends > low) & (ends < high)
    seen[closes_itself(beads, first, last)] = 0
    length = np.add.reduceat(beads.length, first) if len(first) else np.zeros(0)
    shortest = np.full(total, np.inf)
    np.minimum.at(shortest, layer, length)
    return StrokeCounts(
        per_layer(np.ones(len(layer), np.bool_)),
        per_layer((way > 0) & ~linked),
        per_layer((way > 0) & linked),
        hairpins.astype(np.intp),
        np.bincount(layer, seen, total).astype(np.intp),
        np.bincount(layer, length, total).astype(np.float64),
        np.where(np.isinf(shortest), np.nan, shortest),
    )


def _crossings(moves: Moves, first: Ints) -> tuple[Floats, Bools]:
    """Dry way to each stroke, mm, and whether it stays in the layer with no filament drawn back.

    `first` are the rows of the strokes' first beads; what counts is between the deposit before and that row.
    """
    steps = moves.steps()
    dry = ~deposits(moves)
    made = np.flatnonzero(~dry)
    after = np.searchsorted(made, first)
    begin = np.where(after > 0, made[after - 1] + 1, 0) if len(made) else np.zeros_like(first)

    def between(values: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(np.where(dry, values, 0.0))])
        return np.asarray(total[first] - total[begin])

    level = between(np.abs(steps[2])) < LEVEL
    return between(np.hypot(steps[0], steps[1])), level & (between((moves.filament < 0).astype(float)) == 0)


def measure_melt_rate(
    moves: Moves, plan: SpeedPlan, filament_diameter: float, *, bins: int = 100
) -> MeltRate:
    """Trace how much plastic is asked of the hot end.

    Parameters
    ----------
    moves : Moves
    plan : Plan
        Of the same moves, from `pathgen.motion.plan_speeds`.
    filament_diameter : float
        mm.
    bins : int
        Equal bins of the histograms, from 0 to the highest mean.

    Returns
    -------
    MeltRate

    Raises
    ------
    PathgenError
        Where the plan is of other moves.
    """
    if len(plan.time) != len(moves):
        raise PathgenError(f"a plan of {len(plan.time)} moves for {len(moves)}", where="melt_rate")
    length = moves.path()
    volume = moves.filament.clip(0) * filament_area(filament_diameter)
    alone = (length == 0) & (volume > 0)
    path = np.where(alone, moves.filament, length)
    none = np.zeros(len(moves))
    mean = np.divide(volume, plan.time, out=none.copy(), where=plan.time > 0)
    peak = np.divide(volume * plan.peak, path, out=none.copy(), where=path > 0)
    made = deposits(moves)
    edges = np.linspace(0.0, float(mean[made].max(initial=0.0)) or 1.0, bins + 1)
    return MeltRate(
        mean,
        peak,
        made,
        weighted_quantiles(mean[made], plan.time[made], edges),
        weighted_quantiles(mean[made], length[made], edges),
    )
