"""Axis pair: equal strips at different rotations, to measure the positioning error of each axis.

The Y axis positions the face of a strip along X, and the X axis that of a strip along Y. At rotation r, the
positioning error of the face is √(x²·sin²r + y²·cos²r); the strip at 45 degrees checks this. Notches identify
the strips: one along X, two along Y, three at 45 degrees.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import LEVEL, estimate_mean
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome
from pathgen.coupons.shapes import build_stripes, cut_notches, plain_job
from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.route.placement import usable_area
from pathgen.settings import Setup

LONG, HIGH = 30.0, 12.0  # mm; the strip between its posts
THICK, POST, POST_WIDE = 1.6, 3.0, 4.0  # mm
BRIM = 5.0  # mm
# Rotation in degrees, and offset of the strip's centre from the centre of the platform, mm.
STRIPS = ((0.0, (0.0, -35.0)), (90.0, (-35.0, 12.0)), (45.0, (15.0, 12.0)))
MIN_COUNT = 3  # minimum number of measurements per strip
POSITIONED_BY = {"x": 90.0, "y": 0.0}  # axis -> rotation of the strip whose face it positions


def _build(setup: Setup) -> Specimen:
    """Arrange the strips around the centre of the platform."""
    pixel = setup.light.pixel
    wall = build_stripes([POST_WIDE, LONG, POST_WIDE], [POST, THICK, POST], HIGH, pixel)
    job = plain_job(setup.job, brim=BRIM, thinnest=THICK, thickest=POST)
    middle = [sum(span) / 2 for span in usable_area(setup.machine)]
    box = PanelArea(POST_WIDE + 1.0, 1.0, POST_WIDE + LONG - 1.0, HIGH - 2.0)
    panels, steps, spots = [], [], []
    for number, (rotation, (x, y)) in enumerate(STRIPS, start=1):
        panels.append((cut_notches(wall, pixel, [(POST_WIDE + LONG / 2, number)]), job))
        steps.append(MeasuringPlace(box, (rotation,), panel=number - 1))
        spots.append(Spot(middle[0] + x, middle[1] + y, rotation))
    return Specimen(panels, steps, spots, repeats=5)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Set the positioning error of each axis to the mean roughness of the face that is normal to the axis.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than three measurements of the strip along X or of the strip along Y.

    Notes
    -----
    Intervals are Student's; axes are compared by Welch's test (`compare_means`).
    """
    measured = {r: filled["roughness"][filled["rotation"] == r] / 1000 for r, _ in STRIPS}
    remark = "mm, measured; without it, one motor step"
    estimates, changes, lines = {}, [], []
    for axis, rotation in POSITIONED_BY.items():
        figures = estimate_mean(measured[rotation], f"roughness at {rotation:g} degrees")
        estimate = estimates[axis] = Estimate(f"{axis} positioning", "mm", *figures)
        profile = getattr(setup.machine.axes, axis)
        old = profile.positioning or 1 / profile.steps_per_mm
        value = estimate.rounded()
        if not 0 < value <= 5:
            what = f"the positioning error of {axis} would be {estimate.value:g} mm"
            raise PathgenError(what, where=filled.where, allowed="more than 0 mm and at most 5 mm")
        changes.append(Change(f"axes.{axis}", "positioning", value, remark))
        lines.append(f"axes.{axis} positioning {old:.4g} → {value:.4g} mm")
    notes = (_compare_axes(measured), _check_diagonal(measured))
    return Outcome(tuple(estimates.values()), tuple(changes), tuple(lines), _curve(filled, estimates), notes)


def compare_means(one: Floats, other: Floats) -> tuple[float, float, float]:
    """Compare the means of two samples with unequal variances by Welch's test.

    Parameters
    ----------
    one, other : (N,), (M,) float64
        At least two values each.

    Returns
    -------
    p : float
        Probability of a difference at least this large if both means were equal. Constant samples give 1
        if they are equal, otherwise 0.
    low, high : float
        Confidence interval, at `LEVEL`, of the difference ``one.mean() - other.mean()``.

    Examples
    --------
    >>> p, low, high = compare_means(np.array([8.0, 9.0, 10.0]), np.array([11.0, 12.0, 13.0]))
    >>> round(p, 3), round(low, 2), round(high, 2)
    (0.021, -5.27, -0.73)
    """
    from scipy.stats import ttest_ind

    gap = float(one.mean() - other.mean())
    if not (np.ptp(one) or np.ptp(other)):  # no variance, of which a test could be made
        return float(gap == 0), gap, gap
    found = ttest_ind(one, other, equal_var=False)
    interval = found.confidence_interval(LEVEL)
    return float(found.pvalue), float(interval.low), float(interval.high)


def _error(values: Floats) -> float:
    """Return the variance of the mean of a sample."""
    return float(values.var(ddof=1)) / len(values)


def _student(gap: float, parts: list[tuple[float, int]]) -> tuple[float, float]:
    """Return Student's t and p of a difference, from its variance components and degrees of freedom."""
    variance = sum(part for part, _ in parts)
    if variance == 0:
        return (math.copysign(math.inf, gap), 0.0) if gap else (0.0, 1.0)
    freedom = variance**2 / sum(part**2 / free for part, free in parts)
    t = gap / math.sqrt(variance)
    return t, 2 * float(special.stdtr(freedom, -abs(t)))


def _compare_axes(measured: dict[float, Floats]) -> str:
    """Describe the difference between the positioning errors of the axes, if significant."""
    x, y = measured[POSITIONED_BY["x"]], measured[POSITIONED_BY["y"]]
    p, low, high = compare_means(x, y)
    interval = f"{1000 * low:.3g} to {1000 * high:.3g} um at {LEVEL:.0%} confidence"
    means = f"x {1000 * x.mean():.3g}, y {1000 * y.mean():.3g} um"
    figures = f"{means}; difference x − y {interval}; Welch's test p = {p:.2g}"
    if p > 1 - LEVEL:
        return f"the axes do not differ significantly ({figures})"
    finer, along = ("y", "X") if low > 0 else ("x", "Y")
    return f"{finer} positions faces more precisely ({figures}): panels along {along} are smoother"


def _check_diagonal(measured: dict[float, Floats]) -> str:
    """Compare the strip at 45 degrees with the value predicted from the other two strips."""
    x, y, both = measured[POSITIONED_BY["x"]], measured[POSITIONED_BY["y"]], measured[45.0]
    if len(both) < MIN_COUNT:
        return f"45 degrees not checked: {len(both)} measurements there, at least {MIN_COUNT} are needed"
    expected = math.sqrt((x.mean() ** 2 + y.mean() ** 2) / 2)
    # Propagation of errors through the root of the sum of squares.
    shares = [(_error(v) * (v.mean() / (2 * expected)) ** 2, len(v) - 1) for v in (x, y)]
    _, p = _student(float(both.mean()) - expected, [(_error(both), len(both) - 1), *shares])
    figures = f"{1000 * both.mean():.3g} um at 45 degrees, {1000 * expected:.3g} um expected from both axes"
    if p > 1 - LEVEL:
        return f"the check agrees: {figures}"
    return f"the check disagrees: {figures}; something other than the axes affects the faces"


def _curve(filled: FilledSheet, estimates: dict[str, Estimate]) -> Curve:
    turn = np.linspace(0.0, 90.0, 91)
    x, y = (1000 * estimates[axis].value for axis in "xy")
    line = turn, np.hypot(x * np.sin(np.radians(turn)), y * np.cos(np.radians(turn)))
    return Curve("rotation (degrees)", "roughness (um)", filled["rotation"], filled["roughness"], line)


COUPON = define_coupon("axis-pair", _build, _fit)
