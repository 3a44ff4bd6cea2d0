"""Estimation of quantities from measurements, with 95 % confidence intervals.

Glossary. *Threshold*: the value of the varied quantity at which a yes turns into a no. *Peak*: the value at
which the measured quantity is highest. The interval reports the uncertainty due to the scatter of the
measurements.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pathgen.coupons.fit_result import Estimate, Floats
from pathgen.errors import PathgenError

LEVEL = 0.95
GRID = 801  # maximum number of candidates of a profile likelihood
FINE = 40  # candidates per step of the ladder
EXACT = 1e-9  # minimum relative residual; smaller ones are rounding errors, not scatter


@dataclass(frozen=True, slots=True)
class Estimates:
    """Parameters fitted by least squares, with their uncertainty.

    Attributes
    ----------
    values, low, high : (P,) float64
    covariance : (P, P) float64
    scatter : float
        Standard deviation of the residuals, in the unit of the measurements.
    """

    values: Floats
    low: Floats
    high: Floats
    covariance: Floats
    scatter: float

    def single(self, place: int, name: str, unit: str) -> Estimate:
        """Return the parameter at an index, with its confidence interval."""
        return Estimate(name, unit, *(float(ends[place]) for ends in (self.values, self.low, self.high)))


def least_squares(
    model: Callable[[Floats], Floats],
    measurements: Floats,
    start: Floats,
    bounds: tuple[Floats, Floats],
    what: str,
    misfit: float = 0.0,
) -> Estimates:
    """Fit a model by least squares to measurements of equal variance.

    Parameters
    ----------
    model : callable
        From (P,) parameters to (N,) measurements.
    measurements : (N,) float64
    start, bounds
        Initial values, and their bounds.
    what : str
        Name of the measurements, for error messages.
    misfit : float
        RMS error of the model itself, which widens the intervals.

    Raises
    ------
    PathgenError
        For fewer measurements than parameters plus two.

    Notes
    -----
    Intervals are Student's, from (JᵀJ)⁻¹ times the variance of the residuals, as in any textbook on
    regression.

    Examples
    --------
    >>> x = np.arange(10.0)
    >>> y = 2 * x + 1 + 0.1 * np.cos(7 * x)
    >>> wide = np.full(2, -9.0), np.full(2, 9.0)
    >>> line = least_squares(lambda p: p[0] * x + p[1], y, np.zeros(2), wide, "line")
    >>> line.values.round(1).tolist()
    [2.0, 1.0]
    """
    from scipy import optimize

    count, figures = len(measurements), len(start)
    require_count(count, figures + 2, what)
    step = 1e-4 * np.where(start != 0, np.abs(start), 1.0)

    def slopes(p: Floats) -> Floats:
        # scipy's step is relative to the parameter, so a parameter at 0 needs an absolute one.
        shifts = np.diag(np.where(p + step > bounds[1], -step, step))
        return np.column_stack([(model(p + shift) - model(p)) / shift.sum() for shift in shifts])

    found = optimize.least_squares(
        lambda p: model(p) - measurements, start, jac=slopes, bounds=bounds, x_scale="jac"
    )
    freedom = count - figures
    variance = float(np.sum(found.fun**2)) / freedom
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * (variance + misfit**2)
    error = student_factor(freedom) * np.sqrt(np.diag(covariance))
    return Estimates(found.x, found.x - error, found.x + error, covariance, float(np.sqrt(variance)))


def student_factor(freedom: int) -> float:
    """Return the half width of Student's confidence interval, in standard errors.

    Examples
    --------
    >>> round(student_factor(2), 3)
    4.303
    """
    return float(special.stdtrit(freedom, (1 + LEVEL) / 2))


def sum_limit(freedom: int) -> float:
    """Return the ratio of the sum of squares at an interval's ends to the smallest sum (F test).

    Examples
    --------
    >>> round(sum_limit(2), 2)
    10.26
    """
    return 1 + float(special.fdtri(1, freedom, LEVEL)) / freedom


def estimate_mean(values: Floats, what: str) -> tuple[float, float, float]:
    """Return the mean of measurements and its Student confidence interval.

    Raises
    ------
    PathgenError
        For fewer than three measurements.

    Examples
    --------
    >>> tuple(round(v, 3) for v in estimate_mean(np.array([1.0, 2.0, 3.0]), "heights"))
    (2.0, -0.484, 4.484)
    """
    require_count(len(values), 3, what)
    middle = float(values.mean())
    error = student_factor(len(values) - 1) * float(values.std(ddof=1) / np.sqrt(len(values)))
    return middle, middle - error, middle + error


def estimate_threshold(at: Floats, holds: Floats, what: str) -> tuple[float, float, float]:
    """Estimate the largest value at which a property holds, from yes/no judgements.

    Parameters
    ----------
    at : (N,) float64
        The varied quantity. For a property that holds *from* a value on, pass its negative.
    holds : (N,) float64
        1 if the property holds, 0 if not. Judgements near the threshold may contradict each other.
    what : str
        Name of the property, for error messages.

    Returns
    -------
    value, low, high : float

    Raises
    ------
    PathgenError
        If the property always or never holds, or if the judgements are random.

    Notes
    -----
    A judgement has P(yes) = Φ((θ − x)/σ), the threshold model of psychophysics (D. Finney, Probit Analysis,
    1947; from memory). The interval of θ comes from its profile likelihood; σ, which a few judgements hardly
    determine, is bounded to between half a step of the ladder and two steps.

    Examples
    --------
    >>> value, low, high = estimate_threshold(np.arange(20.0, 75, 5), np.arange(20.0, 75, 5) <= 45, "lean")
    >>> value, low < 45 and high > 50
    (47.5, True)
    """
    judged = np.isfinite(holds)
    at, holds = at[judged], holds[judged]
    require_count(len(at), 4, what)
    yes = holds > 0.5
    if yes.all() or not yes.any():
        answer = "holds at every step" if yes.all() else "holds at no step"
        allowed = "at least one step with the answer yes and one with the answer no"
        raise PathgenError(f"{what} {answer}", where="sheet", allowed=allowed)
    steps = np.unique(at)
    require_count(len(steps), 2, f"{what} at different steps")
    step = float(np.median(np.diff(steps)))
    span = float(steps[-1] - steps[0])
    # With an even ladder, the middle between two steps is a candidate.
    count = min(round((span + 4 * step) / step) * FINE, GRID) + 1
    theta = np.linspace(steps[0] - 2 * step, steps[-1] + 2 * step, count)
    sigma = np.geomspace(step / 2, 2 * step, 25)
    z = (theta[:, None, None] - at) / sigma[:, None]
    likely = special.log_ndtr(np.where(yes, z, -z)).sum(axis=2).max(axis=1)
    best = likely.max()
    flat = likely >= best - 1e-9
    share = float(yes.mean())
    alike = len(yes) * float(share * np.log(share) + (1 - share) * np.log(1 - share))
    if max(likely[0], likely[-1], alike) > best - 1e-9:
        allowed = "judgements that change once along the steps"
        raise PathgenError(f"the answers for {what} look random", where="sheet", allowed=allowed)
    interval = interval_ends(theta, likely >= best - special.chdtri(1, 1 - LEVEL) / 2)
    return float(theta[flat].mean().round(9)), *interval


def estimate_peak(at: Floats, read: Floats, what: str) -> tuple[float, float, float, Floats]:
    """Estimate the peak position of a parabola fitted to measurements.

    Parameters
    ----------
    at, read : (N,) float64
        Varied and measured quantity.
    what : str
        Name of the measurements, for error messages.

    Returns
    -------
    value, low, high : float
        Within the range of `at`; an interval that is open at an end stops at the end of the range.
    line : (3,) float64
        Coefficients of the parabola, highest power first.

    Raises
    ------
    PathgenError
        For fewer than five measurements, and if they do not determine a peak, or have none.

    Notes
    -----
    The interval comes from the F test of parabolas with a fixed peak against the free parabola (profile of
    the sum of squares). This needs no linear approximation, which fails for flat tops. It is valid as far as
    the parabola is: measurements that decrease more steeply on one side shift it.

    Examples
    --------
    >>> x = np.arange(9.0)
    >>> value, low, high, _ = estimate_peak(x, -(x - 3.2) ** 2 + 0.01 * np.cos(9 * x), "light")
    >>> round(value, 1), low < 3.2 < high
    (3.2, True)
    """
    require_count(len(at), 5, what)
    require_count(len(np.unique(at)), 4, f"{what} at different steps")
    middle, half = (at.max() + at.min()) / 2, (at.max() - at.min()) / 2
    x = (at - middle) / half
    line = np.polyfit(x, read, 2)
    smallest = len(at) * (EXACT * float(np.abs(read).max())) ** 2
    residual = max(float(np.sum((np.polyval(line, x) - read) ** 2)), smallest)
    where = np.linspace(-1.0, 1.0, GRID)
    sums = _sums_by_peak(x, read, where)
    limit = residual * sum_limit(len(at) - 3)
    if not (sums > limit).any():
        allowed = "steps that differ by more than the scatter of the measurements"
        raise PathgenError(f"{what} is the same at every step", where="sheet", allowed=allowed)
    best = float(where[int(np.argmin(sums))])
    inside = sums <= limit
    interval = interval_ends(where, inside) if inside.any() else (best, best)
    if not inside.any():  # the peak is beyond an end, or no parabola fits better than a constant
        if float(np.sum((read - read.mean()) ** 2)) < float(sums.min()) * sum_limit(len(at) - 2):
            allowed = "measurements with a single maximum, inside the range or at an end"
            raise PathgenError(f"{what} has no peak", where="sheet", allowed=allowed)
    value, low, high = (float(middle + half * v) for v in (best, *interval))
    unscaled = np.poly1d(line)(np.poly1d([1 / half, -middle / half]))
    return value, low, high, np.asarray(unscaled.coeffs)


def _sums_by_peak(x: Floats, read: Floats, places: Floats) -> Floats:
    """Return the squared error of the best downward parabola for each candidate peak, (P,)."""
    basis = -((x - places[:, None]) ** 2)
    basis -= basis.mean(axis=1, keepdims=True)
    slope = np.clip(basis @ read / np.sum(basis**2, axis=1), 0.0, None)
    off = read - read.mean() - slope[:, None] * basis
    return np.asarray(np.sum(off**2, axis=1))


def interval_ends(candidates: Floats, inside: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the lower and upper limit of the accepted candidate values.

    Each limit is at the next rejected candidate, because the position of the limit between two is unknown.

    Examples
    --------
    >>> interval_ends(np.arange(5.0), np.array([False, False, True, True, True]))
    (1.0, 4.0)
    """
    at = np.flatnonzero(inside)
    return float(candidates[max(at[0] - 1, 0)]), float(candidates[min(at[-1] + 1, len(candidates) - 1)])


def require_count(count: int, minimum: int, what: str) -> None:
    """Raise an error for fewer measurements than an estimate needs."""
    if count < minimum:
        found = f"there are {count} measurements of {what}"
        raise PathgenError(found, where="sheet", allowed=f"at least {minimum}")
