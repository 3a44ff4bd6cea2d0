"""The lag strip: a round wall of one bead whose spacing jumps, for the lag of the pressure behind the nozzle.

The head goes round without a stop, so nothing but the jump disturbs the flow. The hot end follows as a
first-order system of time constant τ (`pathgen.motion.lag`): at feed v the wall comes near to its new
thickness as exp(−s/(v·τ)) over the way s from the jump. Two bands of different feed tell the lag, which
grows in way with the feed, from what the nozzle smears, which does not.

The jump is a short slope, as a step would turn the bead aside and slow the head. Behind a slope of length r
what is left of the jump is (λ/r)·(1 − exp(−r/λ))·exp(−s/λ), λ = v·τ, with s from its end: the response of a
first-order system to a ramp (any textbook on control).

The wall stands as a ring. Each layer begins in its thin part, far enough before the jump up for the start to
be forgotten there.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import (
    Coupon,
    FilledSheet,
    Floats,
    MeasuringPlace,
    PanelArea,
    SheetColumn,
    Specimen,
)
from pathgen.coupons.estimate import Estimates, least_squares, need
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import across, notched, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup
from pathgen.settings.job import Band

LOW, HIGH = 0.85, 1.5  # thickness of the two parts, in nozzles
BEFORE, THICK, AFTER = 40.0, 60.0, 40.0  # mm of wall: thin up to the jump up, thick, thin to the end
SLOPE = 2.0  # mm over which the thickness changes, at the end of the part before
AT = (1.5, 3.0, 5.0, 8.0, 12.0, 18.0, 26.0, 36.0)  # mm behind a jump where the wall is measured
FEEDS = (25.0, 60.0)  # mm/s
BAND = 8.0  # mm of height for each feed
BRIM = 6.0  # mm
LONGEST = 2.0  # s; no hot end lags so much
MISFIT = 0.005  # mm: a replayed strip's wall over the model's, where the head slows at its joints
LEAST_JUMP = 0.01  # mm; the strip's own is over half a nozzle, and less is no jump to measure
KNOWN = 0.5  # half width of the interval, over the lag, above which readings say nothing


def lag_feeds(setup: Setup) -> tuple[float, ...]:
    """Give the bands' feeds, mm/s: no more than the machine's axes and hot end can do."""
    machine = setup.machine
    melts = machine.hot_end.melt_rate / (HIGH * machine.hot_end.nozzle_diameter * setup.layer)
    most = min(machine.axes.x.feed, machine.axes.y.feed, 0.9 * melts)
    return tuple(min(feed, most * feed / FEEDS[-1]) for feed in FEEDS)


def _build(setup: Setup) -> Specimen:
    """Lay the ring out."""
    nozzle, pixel = setup.machine.hot_end.nozzle_diameter, setup.job.pixel
    walls = [round(part * nozzle, 3) for part in (LOW, HIGH)]
    wall = across([BEFORE, THICK, AFTER], [walls[0], walls[1], walls[0]], BAND * len(FEEDS), pixel)
    for end, (before, after) in ((BEFORE, walls), (BEFORE + THICK, walls[::-1])):
        cells = slice(round((end - SLOPE) / pixel), round(end / pixel))
        wall[:, cells] = np.interp(
            (np.arange(cells.stop - cells.start) + 0.5) * pixel, [0, SLOPE], [before, after]
        )
    marked = notched(wall, pixel, [(BEFORE - 1.0, 1), (BEFORE + THICK - 3.2, 2)])
    ladder = lag_feeds(setup)
    job = plain_job(
        setup.job,
        bend=360.0,
        brim=BRIM,
        first_layer=setup.job.first_layer,
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
    """Say the lag."""
    good = np.isfinite(sheet["wall"])
    feed, up, after, slope = (sheet[name][good] for name in ("feed", "up", "after", "slope"))
    wall = sheet["wall"][good]
    need(len(wall), 8, "the wall")
    if len(np.unique(feed)) < 2 and len(wall) < 12:
        raise PathgenError("one feed only", where=sheet.where, allowed="readings of both bands")

    def model(p: Floats) -> Floats:
        way = feed * p[0]
        left = np.exp(-after / way) * (way / slope) * -np.expm1(-slope / way)
        new, old = np.where(up > 0.5, p[2], p[1]), np.where(up > 0.5, p[1], p[2])
        return np.asarray(new + (old - new) * left)

    thin, thick = float(wall.min()), float(wall.max())
    low = np.array([1e-3, 0.0, 0.0])
    found = least_squares(
        model, wall, np.array([0.05, thin, thick]), (low, np.array([LONGEST, 10.0, 10.0])), "the wall", MISFIT
    )
    lag = Estimate("lag", "s", float(found.values[0]), max(0.0, float(found.low[0])), float(found.high[0]))
    reach, jump = (lag.high - lag.low) / 2, float(found.values[2] - found.values[1])
    ends = [model(np.array([end, *found.values[1:]])) for end in (low[0], LONGEST)]
    _refuse_unclear(found, lag, float(np.abs(ends[1] - ends[0]).max()), sheet.where)
    change = Change(
        "hot_end", "lag", short(lag.value, reach), "s, time constant of the pressure behind the nozzle"
    )
    # All readings on one curve: how much of the jump is still to come, over the time since it.
    way = feed * lag.value
    since = after / feed - np.log((way / slope) * -np.expm1(-slope / way)) * lag.value
    part = (wall - np.where(up > 0.5, found.values[1], found.values[2])) / np.where(up > 0.5, jump, -jump)
    time = np.linspace(0.0, float(since.max()), 200)
    line = (time, 1 - np.exp(-time / lag.value))
    curve = Curve("time since the jump, s", "share of the jump made", since, part, line, (lag,))
    before = setup.machine.hot_end.lag
    notes = (
        f"walls scatter by {found.scatter:.3f} mm; {found.values[1]:.3f} and {found.values[2]:.3f} mm thick",
    )
    return Outcome((lag,), (change,), (f"lag {before:g} → {change.value:g} s",), curve, notes)


def _refuse_unclear(found: Estimates, lag: Estimate, told: float, where: str) -> None:
    """Refuse readings that do not say the lag; `told` is how much of it they could show, mm."""
    reach, jump = (lag.high - lag.low) / 2, found.values[2] - found.values[1]
    if jump < LEAST_JUMP:
        what = f"the wall is {found.values[1]:.3f} mm thick, and {found.values[2]:.3f} mm behind the notch"
        allowed = f"{LEAST_JUMP:g} mm thicker behind the single notch"
        raise PathgenError(what, where=where, allowed=allowed, hint="are the columns mixed up?")
    if told < MISFIT:
        what = f"readings that no lag up to {LONGEST:g} s would change"
        raise PathgenError(what, where=where, hint="measure nearer to the jumps")
    if jump < 3 * found.scatter or (reach > KNOWN * lag.value and reach > KNOWN * 0.05):
        what = f"a lag of {lag.low:.3f} to {lag.high:.3f} s: the wall scatters by {found.scatter:.3f} mm"
        hint = "measure nearer to the jumps, and each place twice"
        raise PathgenError(what, where=where, allowed="an interval half as wide", hint=hint)


COUPON = Coupon(
    name="lag-strip",
    measures="how long the pressure behind the nozzle lags",
    profile="machine",
    nominal=(
        SheetColumn("feed", "mm_s", 0.1, 1000.0),
        SheetColumn("up", "", 0, 1),
        SheetColumn("after", "mm", 0.0, 1000.0),
        SheetColumn("slope", "mm", 0.1, 50.0),
        SheetColumn("before_jump", "mm", 0.01, 10.0),
        SheetColumn("after_jump", "mm", 0.01, 10.0),
    ),
    measured=(
        SheetColumn("wall", "mm", 0.05, 10.0, "thickness of the wall at this place, by micrometer or dial"),
    ),
    how=(
        "The ring's wall jumps to thick at the single notch, and back to thin at the pair.",
        "Measure from the notch into the thick part (up = 1), from the pair into the thin one (up = 0).",
        "The lower half was laid slowly, the upper half fast: feed_mm_s says which half a row is of.",
    ),
    build=_build,
    fit=_fit,
)
