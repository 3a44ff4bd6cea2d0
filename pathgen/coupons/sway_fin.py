"""The sway fins: slender walls that begin to ripple at some height, for how much sway shows.

Fins of several thicknesses stand the way the machine shakes most, each by itself with its own brim and
without wedges: they are to sway. The thinnest is the lowest, and each has as many notches in its top as its
number says (a wide notch is five). Teeth in the side edge count height: the upper end of each is at a whole
10 mm, that of the longer one at 50 mm, so no ruler is needed.

What is found is a sway as `pathgen.panel.steadiness` reckons it. A figure it assumes, such as the nozzle's
drag, need not be right for that: panels are judged by the same reckoning.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import Coupon, FilledSheet, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.estimate import LEVEL, need
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import notched, notches_wide, pixels, plain_job
from pathgen.errors import PathgenError
from pathgen.panel.steadiness import FRACTION, Conditions, compute_steadiness, measure_sections
from pathgen.plan.settle import Spot
from pathgen.route.axis import carried_acceleration
from pathgen.route.placement import free
from pathgen.settings import Machine, Setup

Floats = NDArray[np.float64]

# Thickness and height, mm: half as high again as where a quarter of a spacing is passed with shipped figures.
FINS = ((0.8, 36.0), (0.9, 41.0), (1.0, 46.0), (1.2, 55.0), (1.5, 68.0))
WIDE = 9.0  # mm; four notches need as much
TOOTH, LONGER = 1.0, 2.0  # mm that teeth stand out
EVERY = 10.0  # mm from tooth to tooth
STEEP = 2.0  # mm a tooth rises for each mm it stands out: 27 degrees, which any machine carries
BRIM, APART = 6.0, 4.0  # mm
TOP = 0.5  # mm under a fin's top that still count as its top
LEAST = 3  # fins that ripple below their top
MOST_OPEN = 10.0  # times its low end that the interval may reach to
FINEST = 0.03  # scatter of ln(sway): a height read to 1 mm is no surer, as sway grows with its cube
WIDEST, GRID = 8.0, 1601  # standard deviations looked over, and candidates in them


def shaken(machine: Machine) -> int:
    """Give the rotation at which a wall is shaken most, degrees: normal to the way the platform moves.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> shaken(load_machine("moving-table"))
    0
    """
    return max((0, 90), key=lambda rotation: carried_acceleration(machine, rotation))


def fin(thickness: float, height: float, pixel: float) -> Floats:
    """Make a fin's map, with its teeth and without its notches, mm.

    Examples
    --------
    >>> widths = (fin(1.0, 40.0, 0.1) > 0).sum(axis=1)[::-1]  # pixels, from the platform up
    >>> widths[[50, 79, 99, 100, 199]].tolist()
    [90, 90, 100, 90, 100]
    """
    z = (np.arange(pixels(height, pixel)) + 0.5) * pixel
    tick = np.ceil(z / EVERY)
    long = np.where(tick * EVERY % 50 == 0, LONGER, TOOTH)
    out = np.clip(long - (tick * EVERY - z) / STEEP, 0.0, None) * (tick * EVERY < height)
    room, wide = pixels(LONGER, pixel), pixels(WIDE, pixel)
    column = np.arange(room + wide)
    wall = column >= room - np.rint(out / pixel)[:, None]
    return np.where(wall, thickness, 0.0)[::-1]


def _build(setup: Setup) -> Specimen:
    """Lay the fins out in a row through the platform's middle."""
    assert setup.job.spacing_min is not None, "settle fills it in"
    pixel, rotation = setup.job.pixel, shaken(setup.machine)
    wider = max(1.0, setup.job.spacing_min / FINS[0][0])
    fins = [(round(wider * thickness, 2), height) for thickness, height in FINS]
    middle = [sum(span) / 2 for span in free(setup.machine)]
    job = plain_job(setup.job, brim=BRIM, wedges=0, thinnest=fins[0][0], thickest=fins[-1][0])
    panels, steps, spots = [], [], []
    for number, (thickness, height) in enumerate(fins, start=1):
        left = LONGER + (WIDE - notches_wide(number)) / 2
        panels.append((notched(fin(thickness, height, pixel), pixel, [(left, number)]), job))
        steps.append(
            MeasuringPlace(
                PanelArea(LONGER, 0.0, LONGER + WIDE, height), (thickness, height), panel=number - 1
            )
        )
        along = (number - (len(fins) + 1) / 2) * (LONGER + WIDE + 2 * BRIM + APART)
        x, y = (along, 0.0) if rotation == 0 else (0.0, along)
        spots.append(Spot(middle[0] + x, middle[1] + y, float(rotation)))
    return Specimen(panels, steps, spots)


def sway_at(thickness: float, height: float, reached: float, setup: Setup) -> float:
    """Reckon how far a fin sways when it has reached a height, mm.

    Parameters
    ----------
    thickness, height : float
        Of the fin, mm.
    reached : float
        mm.
    setup : Setup
    """
    material, machine = setup.material, setup.machine
    shaking = carried_acceleration(machine, shaken(machine))
    conditions = Conditions(material.modulus, material.density, shaking)
    wall = measure_sections(fin(thickness, height, setup.job.pixel), setup.job.pixel)
    return float(compute_steadiness(wall, conditions, np.array([min(reached, height)])).sway[0])


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Find the sway at which ripples begin.

    Parameters
    ----------
    filled : FilledSheet
        A fin clean to its top has its own height in `clean_up_to`.
    setup : Setup

    Raises
    ------
    PathgenError
        When fewer than three fins ripple, when they tell too little, and for a height above the fin's.

    Notes
    -----
    ln(sway) at the onsets is taken as normally distributed about that of the limit, so the limit is their
    geometric mean. A fin clean to its top only says that its onset is beyond (a censored reading: J. Tobin,
    Econometrica 26, 24, 1958; from memory). The interval is that of the profile likelihood, cut where it is
    Student's when nothing is censored: n·ln(1 + t²/(n − 1)), the degrees of freedom those of onsets seen.
    """
    thickness, height, clean = (filled[name] for name in ("fin_thickness", "fin_height", "clean_up_to"))
    over = np.flatnonzero(clean > height + TOP)
    if over.size:
        at = over[0]
        where, allowed = f"{filled.where}, line {filled.line[at]}", f"at most the fin's {height[at]:g} mm"
        raise PathgenError(f"clean_up_to_mm is {clean[at]:g}", where=where, allowed=allowed)
    to_top = clean > height - TOP
    swayed = np.array([sway_at(*row, setup) for row in zip(thickness, height, clean, strict=True)])
    if to_top.all():
        hint = f"sway of {swayed.max():.3g} mm does not show: sway_limit may be as high"
        raise PathgenError(
            "every fin is clean to its top", where=filled.where, allowed=f"{LEAST} that ripple", hint=hint
        )
    need(int((~to_top).sum()), LEAST, "an onset of ripples under a fin's top")
    value, low, high = (math.exp(v) for v in _censored(np.log(swayed[~to_top]), np.log(swayed[to_top])))
    if high > MOST_OPEN * low:
        what = f"sway_limit lies anywhere from {low:.2g} to {high:.2g} mm"
        raise PathgenError(what, where=filled.where, allowed="onsets that agree better, or more of them")
    return _outcome(filled, setup, swayed, to_top, Estimate("sway_limit", "mm", value, low, high))


def _censored(seen: Floats, beyond: Floats) -> tuple[float, float, float]:
    """Give the mean of normal readings, some known only to be larger than a bound, and its interval."""
    from scipy.special import log_ndtr, stdtrit

    count, middle, scatter = len(seen) + len(beyond), float(seen.mean()), float(seen.std(ddof=1))
    widest = max(scatter, float(np.max(beyond - middle, initial=0.0)), 3 * FINEST)
    mean = (middle + np.linspace(-WIDEST, WIDEST, GRID) * widest)[:, None, None]
    sigma = np.geomspace(FINEST, max(WIDEST * widest, 10 * FINEST), 200)[:, None]
    likely = (-(((seen - mean) / sigma) ** 2) / 2 - np.log(sigma)).sum(axis=2)
    likely = (likely + log_ndtr((mean - beyond) / sigma).sum(axis=2)).max(axis=1)
    freedom = len(seen) - 1
    t = float(stdtrit(freedom, (1 + LEVEL) / 2))
    inside = mean.ravel()[likely >= likely.max() - count * math.log1p(t**2 / freedom) / 2]
    return float(mean.ravel()[np.argmax(likely)]), float(inside[0]), float(inside[-1])


def _outcome(
    filled: FilledSheet, setup: Setup, swayed: Floats, to_top: NDArray[np.bool_], limit: Estimate
) -> Outcome:
    """Word what was found."""
    assert setup.job.spacing is not None, "settle fills it in"
    machine = setup.machine
    value = short(limit.value, (limit.high - limit.low) / 2)
    value = value if value > 0 else float(f"{limit.value:.2g}")
    if limit.value > 5:
        raise PathgenError(f"sway_limit is {limit.value:g} mm", where=filled.where, allowed="at most 5 mm")
    old = (
        f"{machine.sway_limit:g}"
        if machine.sway_limit
        else f"1/4 of a spacing, {FRACTION * setup.job.spacing:g}"
    )
    change = Change("", "sway_limit", value, "mm of sway that shows; else 1/4 of a spacing")
    notes = []
    if to_top.any():
        bound = f"{int(to_top.sum())} of {len(to_top)} fins are clean to their tops"
        notes.append(f"{bound}: they count as bounds, their limit lies beyond what they reached")
    curve = Curve(
        "clean up to (mm)", "sway there (mm)", filled["clean_up_to"], swayed, _line(filled, setup, limit)
    )
    return Outcome((limit,), (change,), (f"sway_limit {old} → {value:g} mm",), curve, tuple(notes))


def _line(filled: FilledSheet, setup: Setup, limit: Estimate) -> tuple[Floats, Floats]:
    """Draw the limit over the heights that were read."""
    ends = np.array([filled["clean_up_to"].min(), filled["clean_up_to"].max()])
    return ends, np.full(2, limit.value)


COUPON = Coupon(
    name="sway-fin",
    measures="how much sway shows on a face",
    profile="machine",
    nominal=(SheetColumn("fin_thickness", "mm", 0.1, 20.0), SheetColumn("fin_height", "mm", 1.0, 2000.0)),
    measured=(
        SheetColumn(
            "clean_up_to",
            "mm",
            1.0,
            2000.0,
            "height at which ripples begin; the fin's own where none are seen",
        ),
    ),
    how=(
        "Hold each fin to a slanting light and find the height over its foot at which ripples begin.",
        "Teeth in the side edge count it: their upper ends are 10 mm apart, the longer one is at 50 mm.",
        "Fins count from the thinnest, which is the lowest; a wide notch in the top counts five.",
        "They sway by purpose: notes about that are as they should be.",
    ),
    build=_build,
    fit=_fit,
)
