"""Lag strip: a round single-bead wall with steps in bead spacing, to measure the pressure lag.

The head goes round without stopping, so only the jumps disturb the flow. The hot end responds like a
first-order system of time constant τ (`pathgen.motion.lag`): at feed v, the wall approaches its new thickness
as exp(−s/(v·τ)) with the distance s from the jump. The distance due to the lag grows with the feed, that due
to the size of the nozzle does not; two bands of different feed separate them.

The jump is a short slope, because a step would divert the bead and slow the head. After a slope of length r,
the remaining part of the jump is (λ/r)·(1 − exp(−r/λ))·exp(−s/λ), λ = v·τ, with s from the end of the slope:
the response of a first-order system to a ramp (any textbook on control).

The wall is a closed ring. Each layer begins in its thin part, so far before the upward jump that the effect
of the start has decayed there.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import Estimates, least_squares, require_count
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome
from pathgen.coupons.shapes import build_stripes, cut_notches, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup
from pathgen.settings.job import Band

LOW, HIGH = 0.85, 1.5  # thickness of the two parts, in nozzle diameters
BEFORE, THICK, AFTER = 40.0, 60.0, 40.0  # mm of wall: thin, thick, thin
SLOPE = 2.0  # mm over which the thickness changes, at the end of the preceding part
AT = (1.5, 3.0, 5.0, 8.0, 12.0, 18.0, 26.0, 36.0)  # mm after a jump, places to measure
FEEDS = (25.0, 60.0)  # mm/s
BAND = 8.0  # mm, height of the band of each feed
BRIM = 6.0  # mm
LONGEST = 2.0  # s, maximum lag; hot ends have less
MISFIT = 0.005  # mm, error of the model against a replayed strip, in which the head slows at corners
MIN_JUMP = 0.01  # mm, minimum measured jump; the actual one is over half a nozzle diameter
KNOWN = 0.5  # maximum half width of the interval, relative to the lag


def lag_feeds(setup: Setup) -> tuple[float, ...]:
    """Return the feed of each band, mm/s, within the limits of the axes and the hot end."""
    machine = setup.machine
    melts = machine.hot_end.melt_rate / (HIGH * machine.hot_end.nozzle_diameter * setup.layers.nominal)
    limit = min(machine.axes.x.feed, machine.axes.y.feed, 0.9 * melts)
    return tuple(min(feed, limit * feed / FEEDS[-1]) for feed in FEEDS)


def _build(setup: Setup) -> Specimen:
    """Build the round wall of the lag strip."""
    nozzle, pixel = setup.machine.hot_end.nozzle_diameter, setup.light.pixel
    walls = [round(part * nozzle, 3) for part in (LOW, HIGH)]
    wall = build_stripes([BEFORE, THICK, AFTER], [walls[0], walls[1], walls[0]], BAND * len(FEEDS), pixel)
    for end, (before, after) in ((BEFORE, walls), (BEFORE + THICK, walls[::-1])):
        cells = slice(round((end - SLOPE) / pixel), round(end / pixel))
        along = (np.arange(cells.stop - cells.start) + 0.5) * pixel
        wall[:, cells] = np.interp(along, [0, SLOPE], [before, after])
    marked = cut_notches(wall, pixel, [(BEFORE - 0.5, 1), (BEFORE + THICK - 1.6, 2)])
    ladder = lag_feeds(setup)
    job = plain_job(
        setup.job,
        bend=360.0,
        brim=BRIM,
        first_layer=setup.layers.first_layer,
        fill="tailored",
        feed=ladder[0],
        band=tuple(Band(above=BAND * number, feed=feed) for number, feed in enumerate(ladder) if number),
        spacing=round((walls[0] + walls[1]) / 2, 3),
        spacing_min=round(0.8 * walls[0], 3),
        spacing_max=round(1.2 * walls[1], 3),
        change_cost=100.0,
        end_cost=100.0,
        pace="steady-feed",
        lead="off",
    )
    steps = []
    for number, feed in enumerate(ladder):
        bottom = BAND * number + (2.0 if number == 0 else 1.0)
        for up, jump in ((1, BEFORE), (0, BEFORE + THICK)):
            for after in AT:
                box = PanelArea(jump + after - 0.5, bottom, jump + after + 0.5, BAND * (number + 1) - 2.0)
                steps.append(MeasuringPlace(box, (feed, up, after, SLOPE, walls[1 - up], walls[up])))
    return Specimen([(marked, job)], steps)


def _fit(sheet: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the lag of the nozzle pressure from wall thicknesses."""
    good = np.isfinite(sheet["wall"])
    feed, up, after, slope = (sheet[name][good] for name in ("feed", "up", "after", "slope"))
    wall = sheet["wall"][good]
    require_count(len(wall), 8, "the wall")
    if len(np.unique(feed)) < 2 and len(wall) < 12:
        what, allowed = "all measurements are from one band", "measurements of both bands"
        raise PathgenError(what, where=sheet.where, allowed=allowed)

    def model(p: Floats) -> Floats:
        way = feed * p[0]
        left = np.exp(-after / way) * (way / slope) * -np.expm1(-slope / way)
        new, old = np.where(up > 0.5, p[2], p[1]), np.where(up > 0.5, p[1], p[2])
        return np.asarray(new + (old - new) * left)

    start = np.array([0.05, wall.min(), wall.max()])
    bounds = np.array([1e-3, 0.0, 0.0]), np.array([LONGEST, 10.0, 10.0])
    found = least_squares(model, wall, start, bounds, "the wall", MISFIT)
    lag = found.single(0, "lag", "s")
    lag = lag._replace(low=max(0.0, lag.low))
    thin, thick = map(float, found.values[1:])
    ends = [model(np.array([end[0], thin, thick])) for end in bounds]
    _reject_unclear(found, lag, float(np.abs(ends[1] - ends[0]).max()), sheet.where)
    change = Change("hot_end", "lag", lag.rounded(), "s, time constant of the pressure behind the nozzle")
    # All measurements on one curve: completed fraction of the jump over the time since the jump.
    way = feed * lag.value
    since = after / feed - np.log((way / slope) * -np.expm1(-slope / way)) * lag.value
    part = (wall - np.where(up > 0.5, thin, thick)) / np.where(up > 0.5, thick - thin, thin - thick)
    time = np.linspace(0.0, float(since.max()), 200)
    line = (time, 1 - np.exp(-time / lag.value))
    curve = Curve("time since the jump, s", "completed fraction of the jump", since, part, line, (lag,))
    before = setup.machine.hot_end.lag
    note = f"walls of {thin:.3f} and {thick:.3f} mm scatter by {found.scatter:.3f} mm"
    return Outcome((lag,), (change,), (f"lag {before:g} → {change.value:g} s",), curve, (note,))


def _reject_unclear(found: Estimates, lag: Estimate, effect: float, where: str) -> None:
    """Reject measurements from which the lag cannot be determined."""
    jump = found.values[2] - found.values[1]
    if jump < MIN_JUMP:
        what = f"the wall is {found.values[1]:.3f} mm thick before the notch, {found.values[2]:.3f} after"
        allowed = f"a wall that is at least {MIN_JUMP:g} mm thicker after the single notch"
        raise PathgenError(
            what, where=where, allowed=allowed, hint="check the order of the columns in the sheet"
        )
    if effect < MISFIT:
        what = f"no lag up to {LONGEST:g} s would change the measured thicknesses"
        raise PathgenError(
            what, where=where, hint="measure the wall closer to the places where its thickness jumps"
        )
    if jump < 3 * found.scatter or lag.half_width > KNOWN * max(lag.value, 0.05):
        span = f"{lag.low:.3f} to {lag.high:.3f} s"
        what = f"the lag is uncertain, {span}: the wall scatters by {found.scatter:.3f} mm"
        hint = "measure closer to the jumps in thickness, and measure each position twice"
        raise PathgenError(what, where=where, allowed="a confidence interval at most half as wide", hint=hint)


COUPON = define_coupon("lag-strip", _build, _fit)
