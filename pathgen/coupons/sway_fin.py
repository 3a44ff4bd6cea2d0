"""Sway fins: slender walls that show ripples above some height, to find the smallest visible sway.

Fins of several thicknesses stand in the direction in which the machine shakes most, each with its own brim
and without wedges, because they are meant to sway. The thinnest fin is the lowest. Notches in the top of a
fin give its number (a wide notch counts five). Teeth in the side edge mark the height: the upper end of each
is at a multiple of 10 mm, that of the longer one at 50 mm, so no ruler is needed.

The result is a sway as computed by `pathgen.panel.steadiness`. An assumed value such as the drag of the
nozzle need not be accurate, because panels are judged by the same computation.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import require_count, student_factor
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome
from pathgen.coupons.shapes import cut_notches, pixel_count, plain_job
from pathgen.errors import PathgenError
from pathgen.panel.steadiness import FRACTION, Conditions, compute_steadiness, measure_sections
from pathgen.plan.settle import Spot
from pathgen.route.axis import carried_acceleration
from pathgen.route.placement import usable_area
from pathgen.settings import Machine, Setup

# Thickness and height, mm: 1.5 times the height at which the sway of shipped profiles is 1/4 of a spacing.
FINS = ((0.8, 36.0), (0.9, 41.0), (1.0, 46.0), (1.2, 55.0), (1.5, 68.0))
WIDE = 9.0  # mm; the width that four notches need
TOOTH, LONGER = 1.0, 2.0  # mm, protrusion of the teeth
EVERY = 10.0  # mm between teeth
STEEP = 2.0  # rise of a tooth over its protrusion: 27 degrees, printable on any machine
BRIM, APART = 6.0, 4.0  # mm
TOP = 0.5  # mm below the top of a fin that still count as the top
MIN_RIPPLED = 3  # minimum number of fins that ripple below their top
MAX_RATIO = 10.0  # maximum ratio of the limits of the interval
FINEST = 0.03  # minimum scatter of ln(sway), for heights measured to 1 mm; sway grows with their cube
WIDEST, GRID = 8.0, 1601  # search range in standard deviations, and number of candidates


def most_shaken_rotation(machine: Machine) -> int:
    """Return the rotation, degrees, at which the moving platform shakes a wall the most.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> most_shaken_rotation(load_machine("moving-table"))
    0
    """
    return max((0, 90), key=lambda rotation: carried_acceleration(machine, rotation))


def fin_thickness(thickness: float, height: float, pixel: float) -> Floats:
    """Return the thickness map of a fin with teeth but without notches, mm.

    Examples
    --------
    >>> widths = (fin_thickness(1.0, 40.0, 0.1) > 0).sum(axis=1)[::-1]  # pixels, from the platform up
    >>> widths[[50, 79, 99, 100, 199]].tolist()
    [90, 90, 100, 90, 100]
    """
    z = (np.arange(pixel_count(height, pixel)) + 0.5) * pixel
    tick = np.ceil(z / EVERY)
    long = np.where(tick * EVERY % 50 == 0, LONGER, TOOTH)
    out = np.clip(long - (tick * EVERY - z) / STEEP, 0.0, None) * (tick * EVERY < height)
    room, wide = pixel_count(LONGER, pixel), pixel_count(WIDE, pixel)
    column = np.arange(room + wide)
    wall = column >= room - np.rint(out / pixel)[:, None]
    return np.where(wall, thickness, 0.0)[::-1]


def _build(setup: Setup) -> Specimen:
    """Arrange the fins in a row through the centre of the platform."""
    pixel, rotation = setup.light.pixel, most_shaken_rotation(setup.machine)
    wider = max(1.0, setup.beads.spacing_min / FINS[0][0])
    fins = [(round(wider * thickness, 2), height) for thickness, height in FINS]
    middle = [sum(span) / 2 for span in usable_area(setup.machine)]
    job = plain_job(setup.job, brim=BRIM, wedges=0, thinnest=fins[0][0], thickest=fins[-1][0])
    panels, steps, spots = [], [], []
    for number, (thickness, height) in enumerate(fins, start=1):
        fin = fin_thickness(thickness, height, pixel)
        panels.append((cut_notches(fin, pixel, [(LONGER + WIDE / 2, number)]), job))
        box = PanelArea(LONGER, 0.0, LONGER + WIDE, height)
        steps.append(MeasuringPlace(box, (thickness, height), panel=number - 1))
        along = (number - (len(fins) + 1) / 2) * (LONGER + WIDE + 2 * BRIM + APART)
        x, y = (along, 0.0) if rotation == 0 else (0.0, along)
        spots.append(Spot(middle[0] + x, middle[1] + y, float(rotation)))
    return Specimen(panels, steps, spots)


def sway_at(thickness: float, height: float, reached: float, setup: Setup) -> float:
    """Compute the sway of a fin printed up to a given height, mm.

    Parameters
    ----------
    thickness, height : float
        Thickness and final height of the fin, mm.
    reached : float
        Height grown so far, mm.
    setup : Setup
    """
    material, machine = setup.material, setup.machine
    shaking = carried_acceleration(machine, most_shaken_rotation(machine))
    conditions = Conditions(material.modulus, material.density, shaking)
    wall = measure_sections(fin_thickness(thickness, height, setup.light.pixel), setup.light.pixel)
    return float(compute_steadiness(wall, conditions, np.array([min(reached, height)])).sway[0])


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the smallest sway that causes visible ripples.

    Parameters
    ----------
    filled : FilledSheet
        For a fin without ripples, `clean_up_to` is its height.
    setup : Setup

    Raises
    ------
    PathgenError
        If fewer than three fins ripple, if the interval is too wide, or if a height exceeds that of the fin.

    Notes
    -----
    ln(sway) at the onset of ripples is assumed to be normally distributed about that of the limit, so the
    limit is the geometric mean of the onsets. For a fin without ripples, the onset is only known to be higher
    (a censored measurement: J. Tobin, Econometrica 26, 24, 1958; from memory). The interval comes from the
    profile likelihood, with the cut that gives Student's interval without censoring: n·ln(1 + t²/(n − 1)),
    with the degrees of freedom of the observed onsets.
    """
    thickness, height, clean = (filled[name] for name in ("fin_thickness", "fin_height", "clean_up_to"))
    over = np.flatnonzero(clean > height + TOP)
    if over.size:
        at = over[0]
        where, allowed = filled.place(at), f"at most {height[at]:g} mm, the fin's height"
        raise PathgenError(f"clean_up_to_mm is {clean[at]:g}", where=where, allowed=allowed)
    to_top = clean > height - TOP
    swayed = np.array([sway_at(*row, setup) for row in zip(thickness, height, clean, strict=True)])
    if to_top.all():
        hint = f"a sway of {swayed.max():.3g} mm is invisible, so sway_limit can be set to that value"
        allowed = f"at least {MIN_RIPPLED} fins with ripples"
        raise PathgenError("no fin has ripples", where=filled.where, allowed=allowed, hint=hint)
    require_count(int((~to_top).sum()), MIN_RIPPLED, "the onset of ripples")
    value, low, high = (math.exp(v) for v in _censored_mean(np.log(swayed[~to_top]), np.log(swayed[to_top])))
    if high > MAX_RATIO * low:
        what = f"sway_limit is uncertain, {low:.2g} to {high:.2g} mm"
        allowed = "more fins with ripples, or onsets with less scatter"
        raise PathgenError(what, where=filled.where, allowed=allowed)
    return _outcome(filled, setup, swayed, to_top, Estimate("sway_limit", "mm", value, low, high))


def _censored_mean(observed: Floats, beyond: Floats) -> tuple[float, float, float]:
    """Estimate the mean, with its interval, of normal measurements of which some are lower bounds."""
    count, middle, scatter = len(observed) + len(beyond), float(observed.mean()), float(observed.std(ddof=1))
    widest = max(scatter, float(np.max(beyond - middle, initial=0.0)), 3 * FINEST)
    mean = (middle + np.linspace(-WIDEST, WIDEST, GRID) * widest)[:, None, None]
    sigma = np.geomspace(FINEST, max(WIDEST * widest, 10 * FINEST), 200)[:, None]
    likely = (-(((observed - mean) / sigma) ** 2) / 2 - np.log(sigma)).sum(axis=2)
    likely = (likely + special.log_ndtr((mean - beyond) / sigma).sum(axis=2)).max(axis=1)
    freedom = len(observed) - 1
    cut = count * math.log1p(student_factor(freedom) ** 2 / freedom) / 2
    inside = mean.ravel()[likely >= likely.max() - cut]
    return float(mean.ravel()[np.argmax(likely)]), float(inside[0]), float(inside[-1])


def _outcome(
    filled: FilledSheet, setup: Setup, swayed: Floats, to_top: NDArray[np.bool_], limit: Estimate
) -> Outcome:
    """Return the result for the profile, with notes."""
    machine = setup.machine
    value = limit.rounded() or float(f"{limit.value:.2g}")
    if limit.value > 5:
        raise PathgenError(f"sway_limit is {limit.value:g} mm", where=filled.where, allowed="at most 5 mm")
    usual = f"1/4 of a spacing, {FRACTION * setup.beads.spacing:g}"
    old = f"{machine.sway_limit:g}" if machine.sway_limit else usual
    change = Change("", "sway_limit", value, "mm, visible sway; without it, 1/4 of a spacing")
    notes = []
    if to_top.any():
        notes.append(f"{int(to_top.sum())} of {len(to_top)} fins have no ripples and count as lower bounds")
    clean = filled["clean_up_to"]
    line = np.array([clean.min(), clean.max()]), np.full(2, limit.value)
    curve = Curve("clean up to (mm)", "sway there (mm)", clean, swayed, line)
    return Outcome((limit,), (change,), (f"sway_limit {old} → {value:g} mm",), curve, tuple(notes))


COUPON = define_coupon("sway-fin", _build, _fit)
