"""Least-squares fit of a transmittance law to a measured wedge, with uncertainty and criterion.

The fit uses ln T, so that a relative error of some per cent has the same weight in light and dark steps. The
loss is quadratic for small residuals and linear for large ones (scipy's `soft_l1`), so that a single bad
measurement does not distort the law. Laws are compared by Akaike's criterion, corrected for small samples:

    n·ln(Σρ/n) + 2k + 2k(k + 1)/(n − k − 1)

with k the number of fitted parameters including the scatter, and Σρ the loss in place of the sum of squares
(C. M. Hurvich, C.-L. Tsai, Biometrika 76, 297, 1989; from memory). A law with more parameters is preferred
only if it fits clearly better.

Glossary. *Parameters*: one array, ln of the light at thickness 0 first, then the parameters of the law.
*Residual*: ln of a measurement over the prediction of the law, which is nearly the relative deviation.
*Scatter*: robust standard deviation of the residuals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pathgen.optics.laws import Floats, LawModel
from pathgen.optics.wedge import WedgeMeasurements, step_medians

SOFT = 2.0  # scatters at which the loss changes from quadratic to linear
MIN_SCATTER = 1e-4  # no meter is more precise
SMALLEST = 1e-300  # transmittance whose logarithm is still finite
MIN_LOG_T0 = -5.0  # the surfaces alone do not attenuate more
SETTINGS: Any = {
    "loss": "soft_l1",
    "x_scale": "jac",
    "ftol": 1e-12,
    "xtol": 1e-12,
    "gtol": 1e-12,
    "max_nfev": 300,
}


@dataclass(frozen=True, slots=True)
class LawRegression:
    """Regression of the parameters of a law on a wedge.

    Attributes
    ----------
    model : LawModel
    wedge : WedgeMeasurements
        Measurements that passed `check_wedge`.
    """

    model: LawModel
    wedge: WedgeMeasurements

    @property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lower and upper bounds of the parameters, each (P,)."""
        first = (MIN_LOG_T0, 0.0) if self.wedge.absolute else (-np.inf, np.inf)
        return np.array([first[0], *self.model.low]), np.array([first[1], *self.model.high])

    def residuals(self, parameters: Floats) -> Floats:
        """Return the log ratio of each measurement to the law's prediction, (N,)."""
        return np.asarray(np.log(self.wedge.light) - self._predict(parameters, self.wedge.thickness))

    def fit(self, scatter: float, start: Floats | None = None) -> Floats:
        """Fit the parameters by robust least squares.

        Parameters
        ----------
        scatter : float
            Scatter of the measurements; the loss is quadratic up to about twice this value.
        start : (P,) float64, optional
            Initial parameters. By default the starts of the model are tried in turn.

        Returns
        -------
        (P,) float64
            ln of the light at thickness 0 (at most 0 for absolute measurements), then the parameters of the
            law.
        """
        from scipy.optimize import least_squares  # imported here, because only a fit needs it

        t, log = self.wedge.thickness, np.log(self.wedge.light)
        steps, medians, _ = step_medians(t, log)
        rate = max((medians[0] - medians[-1]) / (steps[-1] - steps[0]), 1e-3)
        low, high = self.bounds
        best, cost = np.empty(0), np.inf
        for own in self.model.starts(rate) if start is None else [start[1:]]:
            guess = np.array([0.0, *own])
            guess[0] = np.median(log - self._predict(guess, t))
            result = least_squares(
                lambda parameters: -self.residuals(parameters),
                np.clip(guess, low + 1e-9, high - 1e-9),
                bounds=(low, high),
                f_scale=SOFT * scatter,
                **SETTINGS,
            )
            if result.cost < cost * (1 - 1e-9):
                best, cost = result.x, float(result.cost)
        return np.asarray(best)

    def covariance(self, parameters: Floats, scatter: float) -> Floats:
        """Return the covariance of fitted parameters, including the error of the reference.

        Returns
        -------
        (P, P) float64
            (JᵀJ)⁻¹ times the `robust_variance` of the residuals.
        """
        jacobian = self._jacobian(parameters, self.wedge.thickness)
        variance = robust_variance(self.residuals(parameters), len(parameters), scatter)
        covariance = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-12, hermitian=True) * variance
        if self.wedge.references:
            covariance[0, 0] += variance / self.wedge.references
        return np.asarray(covariance)

    def transmittance_error(self, parameters: Floats, covariance: Floats) -> float:
        """Return the maximum relative standard error of T in the measured range of thickness.

        Without a reference, it is the error of T over T at the smallest thickness.
        """
        span = np.linspace(self.wedge.thickness.min(), self.wedge.thickness.max(), 50)
        jacobian = self._jacobian(parameters, span)
        if not self.wedge.absolute:
            jacobian = jacobian - jacobian[0]
        return math.sqrt(max(0.0, float(np.max(np.sum((jacobian @ covariance) * jacobian, axis=1)))))

    def _predict(self, parameters: Floats, thickness: ArrayLike) -> Floats:
        """Return the logarithm of the light that a law predicts."""
        through = self.model.build(*parameters[1:]).transmittance(thickness)
        return np.asarray(parameters[0] + np.log(np.maximum(through, SMALLEST)))

    def _jacobian(self, parameters: Floats, thickness: Floats) -> Floats:
        """Return the Jacobian of the predicted log light with respect to the parameters, (N, P)."""
        low, high = self.bounds
        step = np.diag(1e-5 * np.maximum(np.abs(parameters), 1e-3))
        up, down = np.minimum(parameters + step, high), np.maximum(parameters - step, low)
        above, below = (np.array([self._predict(each, thickness) for each in ends]) for ends in (up, down))
        return np.asarray((above - below).T / np.diag(up - down))


def estimate_scatter(residuals: Floats, count: int) -> float:
    """Estimate the standard deviation of residuals from their median, after a fit of `count` parameters.

    Examples
    --------
    >>> round(estimate_scatter(np.array([0.02, -0.02, 0.02, -0.02, 0.02, 3.0]), 2), 3)
    0.036
    """
    left = len(residuals) / max(1, len(residuals) - count)
    # 1.4826: standard deviation of a normal distribution over its median absolute deviation.
    return max(MIN_SCATTER, 1.4826 * float(np.median(np.abs(residuals))) * math.sqrt(left))


def corrected_aic(residuals: Floats, count: int, scatter: float) -> float:
    """Return the corrected Akaike information criterion of a fit; smaller is better.

    Parameters
    ----------
    residuals : (N,) float64
    count : int
        Number of fitted parameters, without the scatter.
    scatter : float
        Scale of the loss, the same for all laws that are compared.

    Returns
    -------
    float
        See the module docstring; infinite for too few measurements.
    """
    n, k, turn = len(residuals), count + 1, SOFT * scatter
    if n - k - 1 <= 0:
        return math.inf
    loss = 2 * turn**2 * float(np.mean(np.sqrt(1 + (residuals / turn) ** 2) - 1))
    return n * math.log(max(loss, MIN_SCATTER**2)) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def robust_variance(residuals: Floats, count: int, scatter: float) -> float:
    """Return a robust variance of the residuals after a fit of `count` parameters.

    Notes
    -----
    (Σψ²/(n − p))/(mean ψ')², ψ the derivative of the loss (P. J. Huber, Ann. Stat. 1, 799, 1973; from
    memory).

    Examples
    --------
    >>> round(robust_variance(np.array([0.02, -0.02, 0.02, -0.02, 3.0]), 1, 0.02) ** 0.5, 3)
    0.047
    """
    far = 1 + (residuals / (SOFT * scatter)) ** 2
    left = max(1, len(residuals) - count)
    return float(np.sum(residuals**2 / far)) / left / float(np.mean(far**-1.5)) ** 2
