"""Fit of all transmittance laws to a measured wedge, and choice of the best one.

`pathgen.optics.least_squares` describes the fit of one law and the criterion that compares the laws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import LAW_MODELS, Floats, TransmittanceLaw, law
from pathgen.optics.least_squares import LawRegression, corrected_aic, estimate_scatter, robust_variance
from pathgen.optics.wedge import WedgeMeasurements, check_wedge, step_medians
from pathgen.settings.material import LEAST_STEPS, Law, LightLaw, Table

LAWS = (*(model.name for model in LAW_MODELS), "table")
OUTLYING = 4.0  # scatters; a good measurement deviates by more once in 16 000 times
GUESS = 0.03  # scatter assumed for the first fit
LEVEL = 0.95  # confidence level of the intervals
TABLE_STEPS = 60  # maximum number of thicknesses in a table
BAD_RMS = 0.1  # of the residuals; the correct law deviates by a few per cent


@dataclass(frozen=True, slots=True)
class FittedParameter:
    """A parameter of a fitted law, with its 95 % confidence interval."""

    name: str  # its key in a material's `[light]`
    unit: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FittedLaw:
    """One fitted law, with parameters and quality of the fit.

    Attributes
    ----------
    name : str
        One of `LAWS`.
    light : Exponential, TwoFlux or Table
        Record for a material, including `valid` and `error`.
    parameters : tuple of FittedParameter
        Empty for a table.
    count : int
        Number of fitted parameters; for a table, its number of steps.
    residuals : (N,) float64
        ln of each measurement over the prediction of the law.
    scale : float
        `WedgeMeasurements.light` over the transmittance of this law; 1 for absolute measurements.
    aicc : float
        Corrected Akaike criterion; smaller is better. Infinite for too few measurements.
    """

    name: str
    light: Law
    parameters: tuple[FittedParameter, ...]
    count: int
    residuals: Floats
    scale: float
    aicc: float


@dataclass(frozen=True, slots=True)
class LawFit:
    """All laws fitted to a wedge, and the chosen one.

    Attributes
    ----------
    wedge : WedgeMeasurements
    laws : tuple of FittedLaw
        The laws that could be fitted, in the order of `LAWS`.
    chosen : FittedLaw
        One of them.
    outliers : (M,) int
        Indices of the measurements more than four scatters from the chosen law.
    rms : float
        Root mean square of the residuals of the chosen law, without outliers.
    notes : tuple of str
        Remarks for the user.
    """

    wedge: WedgeMeasurements
    laws: tuple[FittedLaw, ...]
    chosen: FittedLaw
    outliers: NDArray[np.intp]
    rms: float
    notes: tuple[str, ...]

    @property
    def law(self) -> TransmittanceLaw:
        """The chosen law."""
        return law(self.chosen.light)


def fit_law(wedge: WedgeMeasurements, choice: str = "auto", before: LightLaw | None = None) -> LawFit:
    """Fit every law to a measured wedge, and choose one.

    Parameters
    ----------
    wedge : WedgeMeasurements
        At least four thicknesses.
    choice : str
        "auto" for the law with the smallest criterion, or one of `LAWS`.
    before : LightLaw, optional
        The `light` record to replace. Its `spread` and `spread_growth` are kept; without a reference its `t0`
        is kept too, because it cannot be measured then.

    Returns
    -------
    LawFit
        The result is deterministic.

    Raises
    ------
    PathgenError
        For measurements that no law can be fitted to, and for an unknown or impossible choice.

    Examples
    --------
    >>> from pathgen.optics.laws import TwoFluxLaw
    >>> t = np.repeat([0.4, 0.8, 1.2, 1.6, 2.0, 2.6, 3.2], 2)
    >>> light = TwoFluxLaw(0.1, 2.0).transmittance(t) * (1 + 0.01 * np.cos(7 * np.arange(14)))
    >>> fit = fit_law(WedgeMeasurements(t, light, light, np.arange(2, 16)))
    >>> fit.chosen.name, [(each.name, round(each.value, 1)) for each in fit.chosen.parameters]
    ('two-flux', [('absorption', 0.1), ('scattering', 2.0), ('t0', 1.0)])
    """
    check_wedge(wedge)
    if choice not in ("auto", *LAWS):
        raise PathgenError(f"law is {choice!r}", where="fit", allowed=", ".join(("auto", *LAWS)))
    rough = [(each, each.fit(GUESS)) for each in (LawRegression(model, wedge) for model in LAW_MODELS)]
    scatter = min(estimate_scatter(each.residuals(near), len(near)) for each, near in rough)
    t0 = float(getattr(before, "t0", 1.0))
    laws = [_fitted(each, each.fit(scatter, near), scatter, t0) for each, near in rough]
    table = _table(wedge, scatter, min(laws, key=lambda each: each.aicc).scale)
    if isinstance(table, FittedLaw):
        laws.append(table)
    elif choice == "table":
        what = f"the law `table` cannot be fitted: {table}"
        raise PathgenError(what, where="fit", hint="choose another law")
    if before is not None:
        kept = {"spread": before.spread, "spread_growth": before.spread_growth}
        laws = [replace(each, light=msgspec.structs.replace(each.light, **kept)) for each in laws]
    # On ties the first, which is the simplest.
    best = min(laws, key=lambda each: each.aicc)
    chosen = next((each for each in laws if each.name == choice), best)
    off = chosen.residuals
    outliers = np.flatnonzero(np.abs(off) > OUTLYING * estimate_scatter(off, chosen.count))
    rms = math.sqrt(float(np.mean(np.delete(off, outliers) ** 2)))
    notes = (*wedge.notes, *_notes(wedge, laws, chosen, choice, rms, t0))
    return LawFit(wedge, tuple(laws), chosen, outliers, rms, notes)


def _fitted(regression: LawRegression, parameters: Floats, scatter: float, t0: float) -> FittedLaw:
    """Return a fitted law with its confidence intervals and its settings for a material."""
    from scipy.special import stdtrit  # Student's t

    model, wedge = regression.model, regression.wedge
    off, count = regression.residuals(parameters), len(parameters)
    covariance = regression.covariance(parameters, scatter)
    reach = float(stdtrit(max(1, len(off) - count), (1 + LEVEL) / 2)) * np.sqrt(np.diag(covariance))
    ends = np.clip([parameters - reach, parameters + reach], *regression.bounds)
    values = np.vstack([parameters, ends])
    values[:, 0] = np.exp(values[:, 0])
    names = (*model.parameters, ("t0", "")) if wedge.absolute else model.parameters
    columns = np.roll(values, -1, axis=1).T.tolist()[: len(names)]  # t0 last
    fitted = [FittedParameter(*name, *map(_short, row)) for name, row in zip(names, columns, strict=True)]
    values_by_key = {"t0": t0} | {each.name: each.value for each in fitted}
    valid = (float(wedge.thickness.min()), float(wedge.thickness.max()))
    error = min(1.0, _short(regression.transmittance_error(parameters, covariance), 3))
    light = model.record(**values_by_key, valid=valid, error=error)
    scale = 1.0 if wedge.absolute else float(values[0, 0]) / t0
    return FittedLaw(model.name, light, tuple(fitted), count, off, scale, corrected_aic(off, count, scatter))


def _table(wedge: WedgeMeasurements, scatter: float, scale: float) -> FittedLaw | str:
    """Return a table law through the median of each step, or the reason why none can be made."""
    from scipy.optimize import isotonic_regression  # imported here, because only a fit needs it

    each, middle, count = step_medians(wedge.thickness, np.log(wedge.light / scale))
    if len(each) > TABLE_STEPS:
        return f"{len(each)} thicknesses, more than {TABLE_STEPS}"
    level = isotonic_regression(middle, weights=count, increasing=False).x
    pool = np.cumsum(np.concatenate([[False], np.diff(level) < -1e-4]))  # steps of equal level become one
    weight = np.bincount(pool, count)
    steps, logs = (np.bincount(pool, count * values) / weight for values in (each, level))
    if len(steps) < LEAST_STEPS:
        return f"{len(steps)} steps of falling light, fewer than {LEAST_STEPS}"
    if logs[0] >= 0:
        return f"no less light through {steps[0]:g} mm than without the wedge"
    off = np.log(wedge.light / scale) - level[np.searchsorted(each, wedge.thickness)]
    error = None
    if len(off) > len(steps):
        # For many measurements the variance of a median is π/2 times that of a mean.
        shares = math.pi / 2 / weight.min() + (1 / wedge.references if wedge.references else 0.0)
        error = min(1.0, _short(math.sqrt(robust_variance(off, len(steps), scatter) * shares), 3))
    thickness, through = (tuple(map(_short, column.tolist())) for column in (steps, np.exp(logs)))
    valid = (thickness[0], thickness[-1])
    light = Table(thickness=thickness, transmittance=through, valid=valid, error=error)
    return FittedLaw("table", light, (), len(steps), off, scale, corrected_aic(off, len(steps), scatter))


def _short(value: float, digits: int = 6) -> float:
    return float(f"{value:.{digits}g}")


def _notes(
    wedge: WedgeMeasurements, laws: list[FittedLaw], chosen: FittedLaw, choice: str, rms: float, t0: float
) -> list[str]:
    notes = []
    if not wedge.absolute:
        kept = "" if chosen.name == "table" else f"; t0 stays {t0:g}"
        notes.append(f"no reference: only the decrease of light with thickness was measured{kept}")
    if choice == "auto" and any(math.isinf(each.aicc) for each in laws if each.name != "table"):
        notes.append(f"{len(wedge)} measurements are too few to compare all laws: take at least 6, better 30")
    if rms > BAD_RMS:
        notes.append(
            f"the law deviates from the measurements by {100 * rms:.0f} % RMS: check the thickness of each "
            "step, and that the light is even"
        )
    return notes
