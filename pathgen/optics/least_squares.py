"""The figures of a transmittance law that agree best with a wedge, how sure they are, and what they cost.

Fitted is ln T, so that a reading error of some per cent counts alike in light and dark, and with a loss that
grows only in proportion to a residual far from zero (scipy's soft_l1), so that a slip of the hand does not
bend the law. Laws are weighed by Akaike's criterion, corrected for few readings:

    n·ln(Σρ/n) + 2k + 2k(k + 1)/(n − k − 1)

with k the number of figures fitted, the scatter among them (C. M. Hurvich, C.-L. Tsai, Biometrika 76, 297,
1989; from memory); Σρ, the loss, stands for the sum of squares. A law of more figures has to earn them.

Glossary. *Figures*: what is fitted, as one array: ln of what comes through at thickness 0, then the law's
own. *Residual*: ln of a reading over what the law says, near enough the share by which it is too bright.
*Scatter*: standard deviation of the residuals, outliers left aside.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pathgen.optics.laws import ExponentialLaw, Floats, TransmittanceLaw, TwoFluxLaw
from pathgen.optics.wedge import Readings, step_middles
from pathgen.settings.material import Exponential, TwoFlux

SOFT = 2.0  # scatters at which the loss turns from square to straight
LEAST_SCATTER = 1e-4  # no meter is better
SMALLEST = 1e-300  # transmittance whose logarithm is still a number
LEAST_T0 = -5.0  # ln of it: surfaces alone take no more


@dataclass(frozen=True, slots=True)
class LawModel:
    """A law of a few figures: how it is built, where to begin, and between what to look."""

    name: str  # as in a material's [light]
    build: Callable[[Floats], TransmittanceLaw]  # from its own figures, with t0 = 1
    record: type[Exponential] | type[TwoFlux]
    figures: tuple[tuple[str, str], ...]  # its own figures' names and units
    low: tuple[float, ...]
    high: tuple[float, ...]
    starts: Callable[[float], list[list[float]]]  # from the mean rate −d ln T/dt


KINDS = (
    LawModel(
        "exponential",
        lambda own: ExponentialLaw(own[0]),
        Exponential,
        (("length", "mm"),),
        (1e-3,),
        (100.0,),
        lambda rate: [[1 / rate]],
    ),
    LawModel(
        "two-flux",
        lambda own: TwoFluxLaw(own[0], own[1]),
        TwoFlux,
        (("absorption", "1/mm"), ("scattering", "1/mm")),
        (0.0, 1e-6),
        (1000.0, 1000.0),
        # Middling and much scattering, and almost none, where the law is the exponential.
        lambda rate: [[rate / 4, rate * 2], [rate / 40, rate * 8], [rate, rate / 100]],
    ),
)


def residuals_of(kind: LawModel, figures: Floats, readings: Readings) -> Floats:
    """Compare readings with a law: ln of each over what the law says, (N,)."""
    return np.asarray(np.log(readings.light) - _predict(kind, figures, readings.thickness))


def solve(kind: LawModel, readings: Readings, scatter: float, near: Floats | None = None) -> Floats:
    """Find the figures with the least loss.

    Parameters
    ----------
    kind : Kind
    readings : Readings
        Checked ones.
    scatter : float
        What readings scatter by; the loss is square within about twice of it.
    near : (P,) float64, optional
        Figures to begin from, as of another scatter; by default several starts are tried.

    Returns
    -------
    (P,) float64
        ln of what comes through at thickness 0, at most 0 where readings are absolute; then the law's own.
    """
    # Only who fits waits for this part of scipy.
    from scipy.optimize import least_squares

    t, log = readings.thickness, np.log(readings.light)
    each, middle, _ = step_middles(t, log)
    rate = max((middle[0] - middle[-1]) / (each[-1] - each[0]), 1e-3)
    low, high = bounds_of(kind, readings.absolute)
    best, least = np.empty(0), np.inf
    for start in kind.starts(rate) if near is None else [near[1:]]:
        guess = np.array([0.0, *start])
        guess[0] = np.median(log - _predict(kind, guess, t))
        done = least_squares(
            lambda figures: -residuals_of(kind, figures, readings),
            np.clip(guess, low + 1e-9, high - 1e-9),
            bounds=(low, high),
            x_scale="jac",
            loss="soft_l1",
            f_scale=SOFT * scatter,
            ftol=1e-12,
            xtol=1e-12,
            gtol=1e-12,
            max_nfev=300,
        )
        if done.cost < least * (1 - 1e-9):
            best, least = done.x, float(done.cost)
    return np.asarray(best)


def bounds_of(kind: LawModel, absolute: bool) -> tuple[Floats, Floats]:
    """Give the least and the greatest that each figure may be, (P,) each."""
    first = (LEAST_T0, 0.0) if absolute else (-np.inf, np.inf)
    return np.array([first[0], *kind.low]), np.array([first[1], *kind.high])


def scatter_of(residuals: Floats, count: int) -> float:
    """Give the scatter of residuals, from their median, under a law of so many figures.

    Examples
    --------
    >>> round(scatter_of(np.array([0.02, -0.02, 0.02, -0.02, 0.02, 3.0]), 2), 3)
    0.036
    """
    left = len(residuals) / max(1, len(residuals) - count)
    # 1.4826: of normal residuals, over the median of their sizes.
    return max(LEAST_SCATTER, 1.4826 * float(np.median(np.abs(residuals))) * math.sqrt(left))


def aicc_of(residuals: Floats, count: int, scatter: float) -> float:
    """Weigh residuals under a law of so many figures; less is better.

    Parameters
    ----------
    residuals : (N,) float64
    count : int
        Figures fitted, the scatter not among them.
    scatter : float
        What the loss was drawn to; the same for all laws that are to be compared.

    Returns
    -------
    float
        See the module's text; infinite where there are too few readings for so many figures.
    """
    n, k, turn = len(residuals), count + 1, SOFT * scatter
    if n - k - 1 <= 0:
        return math.inf
    loss = 2 * turn**2 * float(np.mean(np.sqrt(1 + (residuals / turn) ** 2) - 1))
    return n * math.log(max(loss, LEAST_SCATTER**2)) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def variance_of(residuals: Floats, count: int, scatter: float) -> float:
    """Give the variance of readings about a law of so many figures, as it counts for the errors of a fit.

    Notes
    -----
    (Σψ²/(n − p))/(mean ψ')², ψ the slope of the loss (P. J. Huber, Ann. Stat. 1, 799, 1973; from memory).

    Examples
    --------
    >>> round(variance_of(np.array([0.02, -0.02, 0.02, -0.02, 3.0]), 1, 0.02) ** 0.5, 3)
    0.047
    """
    far = 1 + (residuals / (SOFT * scatter)) ** 2
    left = max(1, len(residuals) - count)
    return float(np.sum(residuals**2 / far)) / left / float(np.mean(far**-1.5)) ** 2


def covariance_of(kind: LawModel, figures: Floats, readings: Readings, scatter: float) -> Floats:
    """Give the covariance of fitted figures, the reference's own error included.

    Returns
    -------
    (P, P) float64
        (JᵀJ)⁻¹ times `variance_of` the residuals.
    """
    slopes = _slopes(kind, figures, readings.thickness, readings.absolute)
    variance = variance_of(residuals_of(kind, figures, readings), len(figures), scatter)
    covariance = np.linalg.pinv(slopes.T @ slopes, rcond=1e-12, hermitian=True) * variance
    if readings.references:
        covariance[0, 0] += variance / readings.references
    return np.asarray(covariance)


def error_of(kind: LawModel, figures: Floats, covariance: Floats, readings: Readings) -> float:
    """Give the largest relative standard error of T at the thicknesses measured.

    Without a reference it is that of T over its brightest: all that is known then.
    """
    span = np.linspace(readings.thickness.min(), readings.thickness.max(), 50)
    slopes = _slopes(kind, figures, span, readings.absolute)
    if not readings.absolute:
        slopes = slopes - slopes[0]
    return math.sqrt(max(0.0, float(np.max(np.sum((slopes @ covariance) * slopes, axis=1)))))


def _predict(kind: LawModel, figures: Floats, thickness: ArrayLike) -> Floats:
    """Give ln of the light that a law promises."""
    through = kind.build(figures[1:]).transmittance(thickness)
    return np.asarray(figures[0] + np.log(np.maximum(through, SMALLEST)))


def _slopes(kind: LawModel, figures: Floats, thickness: Floats, absolute: bool) -> Floats:
    """Change of what a law promises with each of its figures, (N, P)."""
    low, high = bounds_of(kind, absolute)
    step = np.diag(1e-5 * np.maximum(np.abs(figures), 1e-3))
    up, down = np.minimum(figures + step, high), np.maximum(figures - step, low)
    change = [
        _predict(kind, more, thickness) - _predict(kind, less, thickness)
        for more, less in zip(up, down, strict=True)
    ]
    return np.asarray(np.column_stack(change) / np.diag(up - down))
