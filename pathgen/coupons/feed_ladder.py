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
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pathgen.coupons.banded_strip import BRIM, POST, average_steps, band_areas, banded_strip, log_light
from pathgen.coupons.definition import FilledSheet, Specimen, define_coupon
from pathgen.coupons.estimate import GRID, interval_ends, require_count, sum_limit
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome, round_to_error
from pathgen.coupons.shapes import pixel_count
from pathgen.errors import PathgenError
from pathgen.settings import Setup

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
    """Feed, mm/s, that keeps the fraction `HOLDS` of the contrast, and the contrast at zero speed.

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
    section = setup.beads.packing * setup.beads.spacing_max * setup.layers.nominal
    melts = setup.machine.hot_end.melt_rate / section
    fastest = min(FEEDS[-1], slower_axis_feed(setup), float(math.floor(melts)))
    speeds = [feed for feed in FEEDS if feed < fastest] + [fastest]
    if len(speeds) < MIN_BANDS:
        what = f"walls on {setup.machine.name} can be printed at {fastest:g} mm/s at most"
        allowed = f"a machine that prints walls faster than {FEEDS[MIN_BANDS - 2]:g} mm/s"
        raise PathgenError(what, where="feed-ladder", allowed=allowed)
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
    areas = band_areas(heights, width, (width - READ * PERIOD) / 2)
    ends = {"thinnest": round(mean - swing, 3), "thickest": round(mean + swing, 3)}
    changes = {"brim": BRIM, "pixel": pixel, "change_cost": KEEP, **ends}
    strip = banded_strip(setup.job, face, heights, "feed", speeds, areas, **changes)
    return replace(strip, repeats=READ)


def fit_contrast(feed: Floats, contrast: Floats) -> ContrastFit:
    """Fit the contrast C0/(1 + (v/vc)²); return the feed v that keeps the fraction `HOLDS` of C0.

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
    require_count(len(feed), MIN_BANDS, "contrast")
    at = np.geomspace(feed.min() / BEYOND, feed.max() * BEYOND, 10 * GRID)
    shape = 1 / (1 + (EVEN * feed / at[:, None]) ** 2)
    scale = np.maximum(shape @ contrast, 0.0) / np.sum(shape**2, axis=1)
    sums = np.sum((contrast - scale[:, None] * shape) ** 2, axis=1)
    best = int(np.argmin(sums))
    limit = max(float(sums[best]), 1e-30) * sum_limit(len(feed) - 2)
    low, high = interval_ends(at, sums <= limit)
    if min(high, feed.max()) > WIDEST * low:
        allowed = "bands that differ by more than the scatter of the measurements"
        raise PathgenError(
            "the measured contrast does not determine the feed", where="sheet", allowed=allowed
        )
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
        what = "the bright reading is below the dim reading"
        allowed = "a bright reading that is not below the dim reading"
        raise PathgenError(what, where=filled.place(turned[0]), allowed=allowed)
    at, read = average_steps(filled["feed"], contrast)
    kept = fit_contrast(at, read)
    slowest, fastest = float(at.min()), min(float(at.max()), slower_axis_feed(setup))
    figures = (_limited_feed(kept, fastest), _lag(kept, fastest))
    wanted = round_to_error(kept.feed, figures[0].half_width)
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
    """Return the estimated feed and its confidence interval, both limited to the feed of the fastest band."""
    values = (min(feed, fastest) for feed in (kept.feed, kept.low, kept.high))
    return Estimate(f"{100 * HOLDS:.0f} % of the contrast up to", "mm/s", *values)


def _lag(kept: ContrastFit, fastest: float) -> Estimate:
    """Return the lag that corresponds to an estimated feed, s, with its confidence interval."""
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
        measured = f"{lag.low:.2g} to {lag.high:.2g}"
        notes += (f"the profile's lag is {known:g} s, not {measured}: print a lag strip",)
    return notes


COUPON = define_coupon("feed-ladder", _build, _fit)
