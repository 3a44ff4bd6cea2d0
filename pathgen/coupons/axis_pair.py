"""The axis pair: like strips at different angles, for how finely each axis places a face.

A strip along X has its face placed by the Y axis, and the other way round; at rotation r the face takes
√(x²·sin²r + y²·cos²r) of both, which the strip at 45 degrees checks. Strips are told by notches: one along
X, two along Y, three at 45 degrees.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import Coupon, FilledSheet, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.estimate import LEVEL, mean
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import across, notched, notches_wide, plain_job
from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.route.placement import free
from pathgen.settings import Setup

Floats = NDArray[np.float64]

LONG, HIGH = 30.0, 12.0  # mm of the strip between its posts
THICK, POST, POST_WIDE = 1.6, 3.0, 4.0  # mm
BRIM = 5.0  # mm
# Rotation in degrees, and where the strip's middle lies from the platform's, mm.
STRIPS = ((0.0, (0.0, -35.0)), (90.0, (-35.0, 12.0)), (45.0, (15.0, 12.0)))
LEAST = 3  # readings of a strip
PLACED_BY = {"x": 90.0, "y": 0.0}  # the strip whose face an axis places


def _build(setup: Setup) -> Specimen:
    """Lay the strips out about the platform's middle."""
    pixel = setup.job.pixel
    wall = across([POST_WIDE, LONG, POST_WIDE], [POST, THICK, POST], HIGH, pixel)
    job = plain_job(setup.job, brim=BRIM, thinnest=THICK, thickest=POST)
    middle = [sum(span) / 2 for span in free(setup.machine)]
    panels, steps, spots = [], [], []
    for number, (rotation, (x, y)) in enumerate(STRIPS, start=1):
        left = POST_WIDE + (LONG - notches_wide(number)) / 2
        panels.append((notched(wall, pixel, [(left, number)]), job))
        box = PanelArea(POST_WIDE + 1.0, 1.0, POST_WIDE + LONG - 1.0, HIGH - 2.0)
        steps.append(MeasuringPlace(box, (rotation,), panel=number - 1))
        spots.append(Spot(middle[0] + x, middle[1] + y, rotation))
    return Specimen(panels, steps, spots, repeats=5)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Give each axis the mean roughness of the face it places.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than three readings of the strip along X or of the one along Y.

    Notes
    -----
    Intervals are Student's; axes are compared by Welch's test (`welch`).
    """
    read = {r: filled["roughness"][filled["rotation"] == r] / 1000 for r, _ in STRIPS}
    names = {axis: f"roughness at {rotation:g} degrees" for axis, rotation in PLACED_BY.items()}
    found = {
        axis: Estimate(f"{axis} positioning", "mm", *mean(read[rotation], names[axis]))
        for axis, rotation in PLACED_BY.items()
    }
    changes, lines = [], []
    for axis, estimate in found.items():
        profile = getattr(setup.machine.axes, axis)
        old = profile.positioning or 1 / profile.steps_per_mm
        value = short(estimate.value, (estimate.high - estimate.low) / 2)
        if not 0 < value <= 5:
            what = f"{axis} would place a face to {estimate.value:g} mm"
            raise PathgenError(what, where=filled.where, allowed="more than 0, at most 5 mm")
        changes.append(Change(f"axes.{axis}", "positioning", value, "measured, else one motor step"))
        lines.append(f"axes.{axis} positioning {old:.4g} → {value:.4g} mm")
    notes = (_compared(read), _checked(read))
    return Outcome(tuple(found.values()), tuple(changes), tuple(lines), _curve(filled, found), notes)


def welch(one: Floats, other: Floats) -> tuple[float, float]:
    """Compare two means whose readings may scatter differently.

    Parameters
    ----------
    one, other : (N,), (M,) float64
        At least two each.

    Returns
    -------
    t : float
        Above 0 where `one` is the larger.
    p : float
        How often chance alone parts like means so far; 1 for readings that do not differ at all.

    Notes
    -----
    B. L. Welch, Biometrika 34, 28 (1947), with Satterthwaite's degrees of freedom (Biometrics Bulletin 2,
    110, 1946); both from memory.

    Examples
    --------
    >>> t, p = welch(np.array([8.0, 9.0, 10.0]), np.array([11.0, 12.0, 13.0]))
    >>> round(t, 3), round(p, 3)
    (-3.674, 0.021)
    """
    return _student(
        float(one.mean() - other.mean()), [(_error(one), len(one) - 1), (_error(other), len(other) - 1)]
    )


def _error(values: Floats) -> float:
    """Variance of a mean."""
    return float(values.var(ddof=1)) / len(values)


def _student(gap: float, parts: list[tuple[float, int]]) -> tuple[float, float]:
    """Give t and p of a difference, from the variances it is made of and their degrees of freedom."""
    from scipy.special import stdtr

    variance = sum(part for part, _ in parts)
    if variance == 0:
        return (math.copysign(math.inf, gap), 0.0) if gap else (0.0, 1.0)
    freedom = variance**2 / sum(part**2 / free for part, free in parts)
    t = gap / math.sqrt(variance)
    return t, 2 * float(stdtr(freedom, -abs(t)))


def _compared(read: dict[float, Floats]) -> str:
    """Say which axis places the cleaner face, or that the readings do not tell."""
    x, y = read[PLACED_BY["x"]], read[PLACED_BY["y"]]
    t, p = welch(x, y)
    figures = f"x {1000 * x.mean():.3g}, y {1000 * y.mean():.3g} um, Welch's test p = {p:.2g}"
    if p > 1 - LEVEL:
        return f"the readings do not tell which axis is cleaner ({figures})"
    finer, along = ("y", "X") if t > 0 else ("x", "Y")
    return f"{finer} places a face more finely ({figures}): panels come out cleaner along {along}"


def _checked(read: dict[float, Floats]) -> str:
    """Hold the strip at 45 degrees against what the other two say of it."""
    x, y, both = read[PLACED_BY["x"]], read[PLACED_BY["y"]], read[45.0]
    if len(both) < LEAST:
        return f"no check at 45 degrees: {len(both)} readings there, at least {LEAST} are needed"
    said = math.sqrt((x.mean() ** 2 + y.mean() ** 2) / 2)
    # Of a root of squares: each mean counts with its own share (propagation of errors).
    shares = [(_error(v) * (v.mean() / (2 * said)) ** 2, len(v) - 1) for v in (x, y)]
    _, p = _student(float(both.mean()) - said, [(_error(both), len(both) - 1), *shares])
    figures = f"{1000 * both.mean():.3g} um at 45 degrees, {1000 * said:.3g} expected of both axes together"
    if p > 1 - LEVEL:
        return f"the check agrees: {figures}"
    return f"the check disagrees: {figures}; something other than the axes shapes the faces"


def _curve(filled: FilledSheet, found: dict[str, Estimate]) -> Curve:
    turn = np.linspace(0.0, 90.0, 91)
    x, y = (1000 * found[axis].value for axis in "xy")
    expected = np.hypot(x * np.sin(np.radians(turn)), y * np.cos(np.radians(turn)))
    return Curve(
        "rotation (degrees)", "roughness (um)", filled["rotation"], filled["roughness"], (turn, expected)
    )


COUPON = Coupon(
    name="axis-pair",
    measures="how finely each axis places a face",
    profile="machine",
    nominal=(SheetColumn("rotation", "deg", 0.0, 360.0),),
    measured=(
        SheetColumn("roughness", "um", 0.001, 5000.0, "height of the ripples, or any measure of it in um"),
    ),
    how=(
        "Read the face between the posts that stand out, at five places a strip, always in the same way.",
        "One notch: along X, placed by the Y axis. Two: along Y, placed by X. Three: at 45 degrees, by both.",
    ),
    build=_build,
    fit=_fit,
)
