"""Pace ladder: a wavy strip printed faster in each band, to find the feed at which relief is lost.

The pressure behind the nozzle follows the flow like a first-order system of time constant τ (the lag of
`pathgen.motion.lag`). Along a wave of period P at feed v, the wanted flow oscillates with angular frequency
2π·v/P; the actual flow is the wanted one divided by 1 + ix, x = 2π·v·τ/P (first-order systems, K. Ogata,
Modern Control Engineering, ch. 5; from memory). The wave of one bead is thus weaker by 1/√(1 + x²) and
shifted by the phase φ = arctan x in the direction of motion. The beads of a wall alternate in direction, half
of them each way; the mean of a wave shifted forward and a wave shifted back by φ is the wave itself times
cos φ = 1/√(1 + x²). Together

    amplitude = 1/(1 + x²).

The mean thickness of the strip is constant, and the logarithm of light decreases almost linearly with
thickness (the curvature is small and odd in the amplitude). So the contrast C = ln(brightest/dimmest)
decreases alike,

    C(v) = C0 / (1 + (v/vc)²),    vc = P/(2π·τ).

C0 contains what blurs all bands equally (nozzle, spread of light). The waves are within the range that a
constant number of beads can fill, because a bead that ended inside the wall would slow the head. Fast bands
also have less time to cool, which can only soften them further; this error favours the slower feed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.banded_strip import (
    BRIM,
    POST,
    average_steps,
    band_areas,
    bottoms,
    extrude_bands,
    log_light,
)
from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, MeasuringPlace, SheetColumn, Specimen
from pathgen.coupons.estimate import GRID, LEVEL, interval_ends, require_count
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, round_to_error
from pathgen.coupons.shapes import pixel_count, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup
from pathgen.settings.job import Band

Floats = NDArray[np.float64]

FEEDS = (8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 60.0)  # mm/s, lowest band first
KEEP = 100.0  # cost of a change of bead count, high enough to prevent any
MIN_BANDS = 4  # minimum number of bands for a fit
HIGH = (4.0, 4.0, 5.0, 5.0, 5.0, 5.0, 5.0)  # mm, heights of the bands; slow ones take longest
PERIOD, WAVES = 10.0, 4  # mm, and number of periods
READ = 2  # number of waves in the middle that are measured; near the hairpins the flow is not yet steady
MIDDLE, SWING = 1.8, 0.6  # mm, mean thickness and amplitude
FILLED = 0.9  # fraction of the range of a bead count that the waves use
HOLDS = 0.8  # fraction of the contrast of slow bands that is acceptable (our judgement)
BEYOND = 16.0  # factor by which the search extends beyond the ends of the ladder
WIDEST = 3.0  # maximum ratio of the limits of a useful interval
EVEN = math.sqrt(1 / HOLDS - 1)  # feed at which the contrast is HOLDS·C0, over vc


class ContrastFit(NamedTuple):
    """Feed that keeps `HOLDS` of the contrast, mm/s, with its interval, and the contrast at zero speed.

    All are fitted values; beyond the ladder, they only indicate that the true value is beyond it.
    """

    feed: float
    low: float
    high: float
    contrast: float


def ladder_feeds(setup: Setup) -> list[float]:
    """Return the feeds of the bands, mm/s, lowest band first, within the limits of the axes and the hot end.

    Raises
    ------
    PathgenError
        If too few bands remain.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> ladder_feeds(settle(Job()))
    [8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 60.0]
    """
    melts = setup.machine.hot_end.melt_rate / (
        setup.beads.packing * setup.beads.spacing_max * setup.layers.nominal
    )
    fastest = min(FEEDS[-1], slower_axis_feed(setup), float(math.floor(melts)))
    speeds = [feed for feed in FEEDS if feed < fastest] + [fastest]
    if len(speeds) < MIN_BANDS:
        what = f"walls on {setup.machine.name} can be printed at {fastest:g} mm/s at most"
        raise PathgenError(
            what,
            where="feed-ladder",
            allowed=f"a machine that prints walls faster than {FEEDS[MIN_BANDS - 2]:g} mm/s",
        )
    return speeds


def slower_axis_feed(setup: Setup) -> float:
    """Return the maximum feed of the slower of the axes x and y, mm/s."""
    return min(setup.machine.axes.x.feed, setup.machine.axes.y.feed)


def wave_relief(setup: Setup) -> tuple[float, float]:
    """Return the mean thickness and the amplitude of waves that an even number of beads can fill, mm.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> wave_relief(settle(Job()))
    (1.8, 0.6)
    """
    low, high = setup.beads.spacing_min, setup.beads.spacing_max
    beads = 2 * max(1, round(MIDDLE / (low + high)))
    swing = min(SWING, FILLED * beads * (high - low) / 2)
    return round(beads * (low + high) / 2, 3), round(swing, 3)


def _build(setup: Setup) -> Specimen:
    """Build the wavy strip, with posts that continue the crests at both ends."""
    speeds = ladder_feeds(setup)
    heights = list(HIGH[: len(speeds)])
    # As coarse as the block rate of the controller requires; otherwise planning would resample the pixels.
    least = speeds[-1] / setup.machine.blocks_per_second
    pixel = setup.light.pixel if least <= setup.light.pixel else math.ceil(least * 1000) / 1000
    mean, swing = wave_relief(setup)
    width = 2 * POST + WAVES * PERIOD
    u = (np.arange(pixel_count(width, pixel)) + 0.5) * pixel
    face = mean + swing * np.cos(2 * np.pi * np.clip(u - POST, 0.0, WAVES * PERIOD) / PERIOD)
    bands = tuple(Band(above=z, feed=feed) for z, feed in zip(bottoms(heights), speeds, strict=True))
    job = plain_job(
        setup.job,
        brim=BRIM,
        thinnest=round(mean - swing, 3),
        thickest=round(mean + swing, 3),
        band=bands,
        pixel=pixel,
        change_cost=KEEP,
    )
    places = band_areas(heights, width, (width - READ * PERIOD) / 2)
    steps = [MeasuringPlace(box, (feed,)) for box, feed in zip(places, speeds, strict=True)]
    return Specimen([(extrude_bands(face, heights, pixel), job)], steps, repeats=READ)


def fit_contrast(feed: Floats, contrast: Floats) -> ContrastFit:
    """Fit C0/(1 + (v/vc)²) and return the feed that keeps `HOLDS` of C0.

    Parameters
    ----------
    feed : (N,) float64
        mm/s.
    contrast : (N,) float64
        ln(brightest/dimmest); with it, relative scatter of the light becomes uniform scatter.

    Raises
    ------
    PathgenError
        For fewer than four bands, and if the interval of the feed is too wide.

    Notes
    -----
    The best C0 for each vc has a closed form, so the sum of squares is profiled over vc. The interval comes
    from the F test of each vc against the best (D. Bates, D. Watts, Nonlinear Regression Analysis, 1988, ch.
    6; from memory). This needs no linear approximation, which fails if the contrast hardly decreases.

    Examples
    --------
    >>> v = np.array(FEEDS)
    >>> round(fit_contrast(v, 0.7 / (1 + (v / 40) ** 2) + 0.003 * np.cos(9 * v)).feed, 1)
    20.1
    """
    from scipy.special import fdtri

    require_count(len(feed), MIN_BANDS, "contrast")
    at = np.geomspace(feed.min() / BEYOND, feed.max() * BEYOND, 10 * GRID)
    shape = 1 / (1 + (EVEN * feed / at[:, None]) ** 2)
    scale = np.maximum(shape @ contrast, 0.0) / np.sum(shape**2, axis=1)
    sums = np.sum((contrast - scale[:, None] * shape) ** 2, axis=1)
    best, left = int(np.argmin(sums)), len(feed) - 2
    limit = max(float(sums[best]), 1e-30) * (1 + float(fdtri(1, left, LEVEL)) / left)
    low, high = interval_ends(at, sums <= limit)
    if min(high, feed.max()) > WIDEST * low:
        allowed = "bands that differ by more than the scatter of the measurements"
        raise PathgenError("the feed cannot be determined from the contrast", where="sheet", allowed=allowed)
    return ContrastFit(float(at[best]), low, high, float(scale[best]))


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the maximum feed that preserves most of the contrast of slow bands.

    Parameters
    ----------
    filled : FilledSheet
        The contrasts of each band are averaged.
    setup : Setup

    Raises
    ------
    PathgenError
        If the brightest place of a band is dimmer than its dimmest, or if the measurements do not determine
        the feed.

    Notes
    -----
    `fit_contrast` has the method. The result is limited to the range of the bands, because nothing was
    measured beyond it.
    """
    contrast = log_light(filled, "bright") - log_light(filled, "dim")
    turned = np.flatnonzero(contrast < 0)
    if turned.size:
        where = f"{filled.where}, line {filled.line[turned[0]]}"
        allowed = "a bright reading that is not below the dim reading"
        raise PathgenError("the bright reading is below the dim reading", where=where, allowed=allowed)
    at, read = average_steps(filled["feed"], contrast)
    kept = fit_contrast(at, read)
    slowest, fastest = float(at.min()), min(float(at.max()), slower_axis_feed(setup))
    figures = (_limited_feed(kept, fastest), _lag(kept, fastest))
    wanted = round_to_error(kept.feed, (figures[0].high - figures[0].low) / 2)
    chosen = float(np.clip(wanted, slowest, fastest))
    x = np.linspace(0.0, at.max(), 121)
    line = kept.contrast / (1 + (EVEN * x / kept.feed) ** 2)
    return Outcome(
        estimates=figures,
        changes=(Change("", "wall_feed", chosen, "feed of image walls, mm/s, measured with a pace ladder"),),
        before_after=(f"wall feed {setup.machine.wall_feed:g} → {chosen:g} mm/s",),
        curve=Curve("feed, mm/s", "contrast, ln(bright/dim)", at, read, (x, line), figures[:1]),
        notes=_notes(kept, figures[1], slowest, fastest, setup),
    )


def _limited_feed(kept: ContrastFit, fastest: float) -> Estimate:
    """Return the estimated feed and its interval, limited to the fastest band."""
    values = (min(feed, fastest) for feed in (kept.feed, kept.low, kept.high))
    return Estimate(f"{100 * HOLDS:.0f} % of the contrast up to", "mm/s", *values)


def _lag(kept: ContrastFit, fastest: float) -> Estimate:
    """Return the lag equivalent to an estimated feed, s, with its interval."""
    lag, high, low = (EVEN * PERIOD / (2 * math.pi * feed) for feed in (kept.feed, kept.low, kept.high))
    return Estimate("implied lag", "s", lag, low if kept.high < fastest else 0.0, high)


def _notes(kept: ContrastFit, lag: Estimate, slowest: float, fastest: float, setup: Setup) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if kept.feed >= fastest:
        notes += (f"all feeds up to {fastest:g} mm/s, the fastest band, keep the contrast",)
    elif kept.high >= fastest:
        notes += (f"{fastest:g} mm/s may also keep the contrast: measure again to find out",)
    if kept.feed < slowest:
        notes += (f"{slowest:g} mm/s already loses more than {100 * (1 - HOLDS):.0f} % of the contrast",)
    known = setup.machine.hot_end.lag
    if known and not lag.low <= known <= lag.high:
        notes += (
            f"the profile's lag is {known:g} s, not {lag.low:.2g} to {lag.high:.2g}: print a lag strip",
        )
    return notes


COUPON = Coupon(
    name="feed-ladder",
    measures="maximum feed of walls before the relief flattens",
    profile="machine",
    nominal=(SheetColumn("feed", "mm_s", 0.1, 1000.0),),
    measured=(
        SheetColumn("bright", LIGHT, text="light at the brightest place of the wave"),
        SheetColumn("dim", LIGHT, text="light at the dimmest place beside it"),
    ),
    how=(
        "Count bands from the platform up; a faster band begins at each notch in the edge.",
        "On an even light, measure the two middle waves of each band at the brightest and the dimmest place.",
        "Ignore the waves near the ends, where the head reverses.",
    ),
    build=_build,
    fit=_fit,
)
