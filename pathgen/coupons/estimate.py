"""Figures from readings, with intervals that hold the truth 95 times in 100.

Glossary. *Threshold*: the value of what is varied at which a yes turns into a no. *Peak*: the value at which
what is read is highest. Readings scatter; each interval says how far that leaves the figure open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

LEVEL = 0.95
GRID = 801  # candidates that a profile is taken over
FINE = 40  # of them to a ladder's step
EXACT = 1e-9  # share of what is read that residuals are never taken to be under: rounding is no scatter


@dataclass(frozen=True, slots=True)
class Estimates:
    """Figures fitted by least squares.

    Attributes
    ----------
    values, low, high : (P,) float64
    covariance : (P, P) float64
    scatter : float
        Standard deviation of the residuals, in the unit of what was read.
    """

    values: Floats
    low: Floats
    high: Floats
    covariance: Floats
    scatter: float


def least_squares(
    model: Callable[[Floats], Floats],
    readings: Floats,
    start: Floats,
    bounds: tuple[Floats, Floats],
    what: str,
    misfit: float = 0.0,
) -> Estimates:
    """Fit a model to readings that scatter alike.

    Parameters
    ----------
    model : callable
        From (P,) figures to (N,) readings.
    readings : (N,) float64
    start, bounds
        Where to begin, and between what to look.
    what : str
        Named in a refusal.
    misfit : float
        What the model itself is off by, RMS, whatever the readings: it widens the intervals.

    Raises
    ------
    PathgenError
        For fewer readings than figures and two more.

    Notes
    -----
    Intervals are Student's, from (JᵀJ)⁻¹ times the residuals' variance: any textbook on regression.

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
    from scipy.special import stdtrit

    count, figures = len(readings), len(start)
    need(count, figures + 2, what)
    step = 1e-4 * np.where(start != 0, np.abs(start), 1.0)

    def slopes(p: Floats) -> Floats:
        # A figure at 0 needs a step of its own size; scipy's is relative to the figure.
        ways = np.diag(np.where(p + step > bounds[1], -step, step))
        return np.column_stack([(model(p + way) - model(p)) / way.sum() for way in ways])

    found = optimize.least_squares(
        lambda p: model(p) - readings, start, jac=slopes, bounds=bounds, x_scale="jac"
    )
    left = count - figures
    variance = float(np.sum(found.fun**2)) / left
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * (variance + misfit**2)
    reach = float(stdtrit(left, (1 + LEVEL) / 2)) * np.sqrt(np.diag(covariance))
    return Estimates(found.x, found.x - reach, found.x + reach, covariance, float(np.sqrt(variance)))


def mean(values: Floats, what: str) -> tuple[float, float, float]:
    """Give the mean of readings, and the ends of Student's interval about it.

    Raises
    ------
    PathgenError
        For fewer than three.

    Examples
    --------
    >>> tuple(round(v, 3) for v in mean(np.array([1.0, 2.0, 3.0]), "heights"))
    (2.0, -0.484, 4.484)
    """
    from scipy.special import stdtrit

    need(len(values), 3, what)
    middle = float(values.mean())
    reach = float(stdtrit(len(values) - 1, (1 + LEVEL) / 2)) * float(
        values.std(ddof=1) / np.sqrt(len(values))
    )
    return middle, middle - reach, middle + reach


def threshold(at: Floats, holds: Floats, what: str) -> tuple[float, float, float]:
    """Find the value up to which something holds, from yes and no.

    Parameters
    ----------
    at : (N,) float64
        What was varied. For something that holds *from* a value on, give its negative.
    holds : (N,) float64
        1 where it holds, 0 where not. Judgements may contradict each other near the threshold.

    Returns
    -------
    value, low, high : float

    Raises
    ------
    PathgenError
        Where it always holds or never, or where the judgements say nothing.

    Notes
    -----
    A judgement is taken as P(yes) = Φ((θ − x)/σ), the threshold model of psychophysics (D. Finney, Probit
    Analysis, 1947; from memory). θ's interval is that of its profile likelihood; σ, about which a few
    judgements say little, is taken to be between half of the ladder's step and twice of it.

    Examples
    --------
    >>> value, low, high = threshold(np.arange(20.0, 75, 5), np.arange(20.0, 75, 5) <= 45, "lean")
    >>> value, low < 45 and high > 50
    (47.5, True)
    """
    from scipy.special import chdtri, log_ndtr

    said = np.isfinite(holds)
    at, holds = at[said], holds[said]
    need(len(at), 4, what)
    yes = holds > 0.5
    if yes.all() or not yes.any():
        answer = "holds at every step" if yes.all() else "holds at no step"
        raise PathgenError(f"{what} {answer}", where="sheet", allowed="steps that hold and steps that do not")
    steps = np.unique(at)
    need(len(steps), 2, f"{what} at different steps")
    step = float(np.median(np.diff(steps)))
    span = float(steps[-1] - steps[0])
    # Of an even ladder, the middle between two steps is a candidate.
    count = min(round((span + 4 * step) / step) * FINE, GRID) + 1
    theta = np.linspace(steps[0] - 2 * step, steps[-1] + 2 * step, count)
    sigma = np.geomspace(step / 2, 2 * step, 25)
    z = (theta[:, None, None] - at) / sigma[:, None]
    likely = np.where(yes, log_ndtr(z), log_ndtr(-z)).sum(axis=2).max(axis=1)
    best = likely.max()
    flat = likely >= best - 1e-9
    share = float(yes.mean())
    alike = len(yes) * float(share * np.log(share) + (1 - share) * np.log(1 - share))
    if max(likely[0], likely[-1], alike) > best - 1e-9:
        raise PathgenError(f"{what} is judged at random", where="sheet", allowed="yes on one side, no beyond")
    return float(theta[flat].mean().round(9)), *ends(theta, likely >= best - chdtri(1, 1 - LEVEL) / 2)


def peak(at: Floats, read: Floats, what: str) -> tuple[float, float, float, Floats]:
    """Find where a parabola through readings is highest.

    Parameters
    ----------
    at, read : (N,) float64

    Returns
    -------
    value, low, high : float
        Within the range of `at`; the interval is open at an end where the readings are (the range's end).
    line : (3,) float64
        The parabola's coefficients, highest power first.

    Raises
    ------
    PathgenError
        For fewer than five readings, and where they say nothing of a peak, or that there is none.

    Notes
    -----
    The interval is that of the F test of parabolas with their peak held at each value against the free one
    (profile of the sum of squares): it needs no linear approximation, which fails for flat tops. It holds as
    far as the parabola does: readings that fall off more steeply on one side shift it.

    Examples
    --------
    >>> x = np.arange(9.0)
    >>> value, low, high, _ = peak(x, -(x - 3.2) ** 2 + 0.01 * np.cos(9 * x), "light")
    >>> round(value, 1), low < 3.2 < high
    (3.2, True)
    """
    from scipy.special import fdtri

    need(len(at), 5, what)
    need(len(np.unique(at)), 4, f"{what} at different steps")
    middle, half = (at.max() + at.min()) / 2, (at.max() - at.min()) / 2
    x = (at - middle) / half
    line = np.polyfit(x, read, 2)
    least = len(at) * (EXACT * float(np.abs(read).max())) ** 2
    left = max(float(np.sum((np.polyval(line, x) - read) ** 2)), least)
    where = np.linspace(-1.0, 1.0, GRID)
    sums = _held(x, read, where)
    free = len(at) - 3
    limit = left * (1 + float(fdtri(1, free, LEVEL)) / free)
    if not (sums > limit).any():
        allowed = "readings that differ by more than they scatter"
        raise PathgenError(f"{what} is as good at every step", where="sheet", allowed=allowed)
    best = float(where[int(np.argmin(sums))])
    inside = sums <= limit
    reach = ends(where, inside) if inside.any() else (best, best)
    if not inside.any():  # the peak is beyond an end, or there is none: then no parabola beats a constant
        even, nearest = float(np.sum((read - read.mean()) ** 2)), float(sums.min())
        if even < nearest * (1 + float(fdtri(1, free + 1, LEVEL)) / (free + 1)):
            allowed = "readings that are highest between the ends, or at one of them"
            raise PathgenError(f"{what} has no peak", where="sheet", allowed=allowed)
    value, low, high = (float(middle + half * v) for v in (best, *reach))
    a, b, c = line
    unscaled = np.array(
        [a / half**2, b / half - 2 * a * middle / half**2, c - b * middle / half + a * middle**2 / half**2]
    )
    return value, low, high, unscaled


def _held(x: Floats, read: Floats, places: Floats) -> Floats:
    """Sum squares about the best parabola that opens downward with its peak at a place, for each, (P,)."""
    basis = -((x - places[:, None]) ** 2)
    basis -= basis.mean(axis=1, keepdims=True)
    slope = np.clip(basis @ read / np.sum(basis**2, axis=1), 0.0, None)
    off = read - read.mean() - slope[:, None] * basis
    return np.asarray(np.sum(off**2, axis=1))


def ends(candidates: Floats, inside: NDArray[np.bool_]) -> tuple[float, float]:
    """Give the ends of the interval that some of the candidates lie inside of.

    It reaches to the next candidate on either side: where in between it ends is not known.

    Examples
    --------
    >>> ends(np.arange(5.0), np.array([False, False, True, True, True]))
    (1.0, 4.0)
    """
    at = np.flatnonzero(inside)
    return float(candidates[max(at[0] - 1, 0)]), float(candidates[min(at[-1] + 1, len(candidates) - 1)])


def need(count: int, least: int, what: str) -> None:
    """Refuse fewer readings than a figure needs."""
    if count < least:
        raise PathgenError(f"{count} readings of {what}", where="sheet", allowed=f"at least {least}")
