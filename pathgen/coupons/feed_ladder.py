r"""The pace ladder: a strip of waves, laid faster from band to band, for the feed at which relief is lost.

The pressure behind the nozzle follows the flow late, as a first-order system of time constant τ (the lag of
`pathgen.motion.lag`). Along a wave of period P, laid at feed v, the flow asked for swings with the angular
frequency 2π·v/P; what leaves is that over 1 + ix, x = 2π·v·τ/P (first-order systems, K. Ogata, Modern Control
Engineering, ch. 5; from memory). So a bead's wave is weaker by 1/√(1 + x²) and late by the phase
φ = arctan x, in the direction the head went. The beads of a wall go to and fro, as many one way as the other;
the mean of a wave early and a wave late by φ is the wave itself times cos φ = 1/√(1 + x²). Together

    amplitude = 1/(1 + x²).

The strip's mean thickness stays, and the logarithm of light falls with thickness nearly in a straight line
(what curves it is odd in the amplitude, and small); so the contrast C = ln(brightest/dimmest) does the same,

    C(v) = C0 / (1 + (v/vc)²),    vc = P/(2π·τ).

What blurs all bands alike (nozzle, spread of light) goes into C0. The waves stay within what one number of
beads can fill: a bead that ended inside the wall would slow the head where it has to be fast. Fast bands also
have less time to cool, which can only soften them more: it errs toward the slower feed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.banded_strip import BRIM, POST, bottoms, boxes, by_step, log_light, raised
from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, MeasuringPlace, SheetColumn, Specimen
from pathgen.coupons.estimate import GRID, LEVEL, ends, need
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import pixels, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup
from pathgen.settings.job import Band

Floats = NDArray[np.float64]

FEEDS = (8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 60.0)  # mm/s, lowest band first
KEEP = 100.0  # cost of another number of beads: beyond all reason, so that it stays
LEAST = 4  # bands that a fit needs
HIGH = (4.0, 4.0, 5.0, 5.0, 5.0, 5.0, 5.0)  # mm; the slow ones take longest
PERIOD, WAVES = 10.0, 4  # mm, and how many of them
READ = 2  # waves in the middle that are read: near the turns the flow is still on its way to its swing
MIDDLE, SWING = 1.8, 0.6  # mm, mean thickness and amplitude
FILLED = 0.9  # share of what a number of beads can fill that waves may use
HOLDS = 0.8  # of a slow band's contrast that is still good: a judgement
BEYOND = 16.0  # times past the ladder's ends that feeds are looked for
WIDEST = 3.0  # times its lower end that an interval may reach up to: a wider one says nothing of use
EVEN = math.sqrt(1 / HOLDS - 1)  # of vc, the feed at which the contrast is HOLDS·C0


class Kept(NamedTuple):
    """The feed that keeps `HOLDS` of the contrast, mm/s, its interval, and the contrast at no speed.

    All are as fitted: also beyond the ladder, where they say no more than that they are beyond.
    """

    feed: float
    low: float
    high: float
    contrast: float


def ladder_feeds(setup: Setup) -> list[float]:
    """Give the bands' feeds, mm/s, lowest band first: none faster than the slower axis or the hot end.

    Raises
    ------
    PathgenError
        Where that leaves too few bands.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> ladder_feeds(settle(Job()))
    [8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 60.0]
    """
    assert setup.job.spacing_max is not None, "settle fills it in"
    melts = setup.machine.hot_end.melt_rate / (setup.packing * setup.job.spacing_max * setup.layer)
    fastest = min(FEEDS[-1], slower_axis(setup), float(math.floor(melts)))
    speeds = [feed for feed in FEEDS if feed < fastest] + [fastest]
    if len(speeds) < LEAST:
        what = f"walls on {setup.machine.name} can be laid at {fastest:g} mm/s at most"
        raise PathgenError(what, where="pace-ladder", allowed=f"over {FEEDS[LEAST - 2]:g} mm/s")
    return speeds


def slower_axis(setup: Setup) -> float:
    """Give the highest feed of the slower of the axes x and y, mm/s."""
    return min(setup.machine.axes.x.feed, setup.machine.axes.y.feed)


def wave_relief(setup: Setup) -> tuple[float, float]:
    """Give mean thickness and amplitude of the waves, mm: what an even number of beads can fill throughout.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> wave_relief(settle(Job()))
    (1.8, 0.6)
    """
    low, high = setup.job.spacing_min, setup.job.spacing_max
    assert low is not None and high is not None, "settle fills them in"
    beads = 2 * max(1, round(MIDDLE / (low + high)))
    swing = min(SWING, FILLED * beads * (high - low) / 2)
    return round(beads * (low + high) / 2, 3), round(swing, 3)


def _build(setup: Setup) -> Specimen:
    """Lay the strip out; its posts are the first and the last wave's crest, drawn out."""
    speeds = ladder_feeds(setup)
    heights = list(HIGH[: len(speeds)])
    # As coarse as the controller's block rate needs it, or planning would have to cut the pixels anew.
    least = speeds[-1] / setup.machine.blocks_per_second
    pixel = setup.job.pixel if least <= setup.job.pixel else math.ceil(least * 1000) / 1000
    mean, swing = wave_relief(setup)
    width = 2 * POST + WAVES * PERIOD
    u = (np.arange(pixels(width, pixel)) + 0.5) * pixel
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
    places = boxes(heights, width, (width - READ * PERIOD) / 2)
    steps = [MeasuringPlace(box, (feed,)) for box, feed in zip(places, speeds, strict=True)]
    return Specimen([(raised(face, heights, pixel), job)], steps, repeats=READ)


def kept_contrast(feed: Floats, contrast: Floats) -> Kept:
    """Fit C0/(1 + (v/vc)²) and find the feed that keeps `HOLDS` of C0.

    Parameters
    ----------
    feed : (N,) float64
        mm/s.
    contrast : (N,) float64
        ln(brightest/dimmest): readings that scatter by a share of themselves scatter alike here.

    Raises
    ------
    PathgenError
        For fewer than four bands, and where feeds too far apart fit alike.

    Notes
    -----
    For each vc the best C0 is known in closed form, so the sum of squares is profiled over vc; the interval
    is that of the F test of each vc against the best (D. Bates, D. Watts, Nonlinear Regression Analysis,
    1988, ch. 6; from memory). It needs no linear approximation, which fails where the contrast hardly falls.

    Examples
    --------
    >>> v = np.array(FEEDS)
    >>> round(kept_contrast(v, 0.7 / (1 + (v / 40) ** 2) + 0.003 * np.cos(9 * v)).feed, 1)
    20.1
    """
    from scipy.special import fdtri

    need(len(feed), LEAST, "contrast")
    at = np.geomspace(feed.min() / BEYOND, feed.max() * BEYOND, 10 * GRID)
    shape = 1 / (1 + (EVEN * feed / at[:, None]) ** 2)
    scale = np.maximum(shape @ contrast, 0.0) / np.sum(shape**2, axis=1)
    sums = np.sum((contrast - scale[:, None] * shape) ** 2, axis=1)
    best, left = int(np.argmin(sums)), len(feed) - 2
    limit = max(float(sums[best]), 1e-30) * (1 + float(fdtri(1, left, LEVEL)) / left)
    low, high = ends(at, sums <= limit)
    if min(high, feed.max()) > WIDEST * low:
        allowed = "bands that differ by more than they scatter"
        raise PathgenError("the contrast says nothing of the feed", where="sheet", allowed=allowed)
    return Kept(float(at[best]), low, high, float(scale[best]))


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Find the fastest feed that keeps most of a slow band's contrast.

    Parameters
    ----------
    filled : FilledSheet
        A band's contrasts are averaged.
    setup : Setup

    Raises
    ------
    PathgenError
        For a band whose brightest place is not brighter than its dimmest, and for readings that say nothing
        of the feed.

    Notes
    -----
    `kept_contrast` has the method. The result stays between the slowest and the fastest band: beyond them
    nothing was seen.
    """
    contrast = log_light(filled, "bright") - log_light(filled, "dim")
    turned = np.flatnonzero(contrast < 0)
    if turned.size:
        where = f"{filled.where}, line {filled.line[turned[0]]}"
        raise PathgenError("bright is less than dim", where=where, allowed="bright over dim")
    at, read = by_step(filled["feed"], contrast)
    kept = kept_contrast(at, read)
    slowest, fastest = float(at.min()), min(float(at.max()), slower_axis(setup))
    figures = (_within(kept, fastest), _lag(kept, fastest))
    wanted = short(kept.feed, (figures[0].high - figures[0].low) / 2)
    chosen = float(np.clip(wanted, slowest, fastest))
    x = np.linspace(0.0, at.max(), 121)
    line = kept.contrast / (1 + (EVEN * x / kept.feed) ** 2)
    return Outcome(
        estimates=figures,
        changes=(Change("", "wall_feed", chosen, "of image walls, mm/s, measured with a pace ladder"),),
        before_after=(f"wall feed {setup.machine.wall_feed:g} → {chosen:g} mm/s",),
        curve=Curve("feed, mm/s", "contrast, ln(bright/dim)", at, read, (x, line), figures[:1]),
        notes=_notes(kept, figures[1], slowest, fastest, setup),
    )


def _within(kept: Kept, fastest: float) -> Estimate:
    """Give the feed with its interval; what is beyond the fastest band is only known to be."""
    values = (min(feed, fastest) for feed in (kept.feed, kept.low, kept.high))
    return Estimate(f"{100 * HOLDS:.0f} % of the contrast up to", "mm/s", *values)


def _lag(kept: Kept, fastest: float) -> Estimate:
    """Give the lag that the feed implies; 0 is no less likely where the interval is open above."""
    lag, high, low = (EVEN * PERIOD / (2 * math.pi * feed) for feed in (kept.feed, kept.low, kept.high))
    return Estimate("implied lag", "s", lag, low if kept.high < fastest else 0.0, high)


def _notes(kept: Kept, lag: Estimate, slowest: float, fastest: float, setup: Setup) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if kept.feed >= fastest:
        notes += (f"all feeds hold, up to the fastest band's {fastest:g} mm/s",)
    elif kept.high >= fastest:
        notes += (f"the readings do not tell whether {fastest:g} mm/s would hold too: read them again",)
    if kept.feed < slowest:
        notes += (f"{slowest:g} mm/s already loses more than {100 * (1 - HOLDS):.0f} % of the contrast",)
    known = setup.machine.hot_end.lag
    if known and not lag.low <= known <= lag.high:
        notes += (
            f"the profile's lag is {known:g} s, not {lag.low:.2g} to {lag.high:.2g}: print a lag strip",
        )
    return notes


COUPON = Coupon(
    name="pace-ladder",
    measures="how fast walls can be laid before the relief flattens",
    profile="machine",
    nominal=(SheetColumn("feed", "mm_s", 0.1, 1000.0),),
    measured=(
        SheetColumn("bright", LIGHT, text="the brightest reading along the band"),
        SheetColumn("dim", LIGHT, text="the dimmest, beside it"),
    ),
    how=(
        "Count bands from the platform up; at each notch in the edge a faster one begins.",
        "On an even light, read each one's two middle waves: the brightest place and the dimmest beside it.",
        "Waves nearer to the ends do not count: there the head turns.",
    ),
    build=_build,
    fit=_fit,
)
