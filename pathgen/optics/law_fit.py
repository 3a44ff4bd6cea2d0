"""The transmittance law of a plastic from a measured wedge: every law fitted, one chosen, its errors stated.

`pathgen.optics.least_squares` says how each law is fitted and how laws are weighed against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw, law
from pathgen.optics.least_squares import (
    KINDS,
    LawModel,
    aicc_of,
    bounds_of,
    covariance_of,
    error_of,
    residuals_of,
    scatter_of,
    solve,
    variance_of,
)
from pathgen.optics.wedge import Readings, check_readings, step_middles
from pathgen.settings.material import LEAST_STEPS, Law, LightLaw, Table

LAWS = ("exponential", "two-flux", "table")
OUTLYING = 4.0  # scatters; a good reading is so far off once in 16 000 times
GUESS = 0.03  # scatter before anything is known
LEVEL = 0.95  # of the intervals
TABLE_STEPS = 60  # most thicknesses of a table
BAD_RMS = 0.1  # of residuals; a law that is right misses by a few per cent


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a law, with the interval that holds the true one 95 times in 100."""

    name: str  # as in a material's [light]
    unit: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FittedLaw:
    """One law, fitted.

    Attributes
    ----------
    name : str
        One of `LAWS`.
    light : Exponential, TwoFlux or Table
        As a material takes it, `valid` and `error` filled in.
    figures : tuple of Figure
        Those that were fitted; empty for a table.
    count : int
        How many figures were fitted, a table's steps among them.
    residuals : (N,) float64
        ln of each reading over what the law says.
    scale : float
        What `Readings.light` is divided by to be this law's transmittance; 1 where it was absolute.
    aicc : float
        Corrected Akaike criterion, less is better; infinite where there are too few readings for it.
    """

    name: str
    light: Law
    figures: tuple[Figure, ...]
    count: int
    residuals: Floats
    scale: float
    aicc: float


@dataclass(frozen=True, slots=True)
class LawFit:
    """All laws fitted to a wedge, and the one that is taken.

    Attributes
    ----------
    readings : Readings
    laws : tuple of Fitted
        Those that could be fitted, in the order of `LAWS`.
    chosen : Fitted
        One of them.
    outliers : (M,) int
        Indices of the readings further than four scatters from the chosen law.
    rms : float
        Root mean square of the chosen law's residuals, outliers left out.
    notes : tuple of str
        What the person should know.
    """

    readings: Readings
    laws: tuple[FittedLaw, ...]
    chosen: FittedLaw
    outliers: NDArray[np.intp]
    rms: float
    notes: tuple[str, ...]

    @property
    def law(self) -> TransmittanceLaw:
        """The chosen law."""
        return law(self.chosen.light)


def fit_law(readings: Readings, choice: str = "auto", before: LightLaw | None = None) -> LawFit:
    """Fit every law to a wedge and choose one.

    Parameters
    ----------
    readings : Readings
        Of four thicknesses or more.
    choice : str
        "auto" for the law that the criterion prefers, or one of `LAWS`.
    before : Light, optional
        The `light` whose place the fitted one takes: its `spread` is kept, and where there was no reference
        its `t0` too, which cannot be known then.

    Returns
    -------
    Fit
        The same readings give the same fit.

    Raises
    ------
    PathgenError
        For readings that no law can be fitted to, or a choice that cannot be had.

    Examples
    --------
    >>> from pathgen.optics.laws import TwoFluxLaw
    >>> t = np.repeat([0.4, 0.8, 1.2, 1.6, 2.0, 2.6, 3.2], 2)
    >>> light = TwoFluxLaw(0.1, 2.0).transmittance(t) * (1 + 0.01 * np.cos(7 * np.arange(14)))
    >>> found = fit_law(Readings(t, light, light, np.arange(2, 16)))
    >>> found.chosen.name, [(figure.name, round(figure.value, 1)) for figure in found.chosen.figures]
    ('two-flux', [('absorption', 0.1), ('scattering', 2.0), ('t0', 1.0)])
    """
    check_readings(readings)
    if choice not in ("auto", *LAWS):
        raise PathgenError(f"law is {choice!r}", where="fit", allowed=", ".join(("auto", *LAWS)))
    rough = [solve(kind, readings, GUESS) for kind in KINDS]
    pairs = list(zip(KINDS, rough, strict=True))
    scatter = min(scatter_of(residuals_of(kind, near, readings), len(near)) for kind, near in pairs)
    t0 = float(getattr(before, "t0", 1.0))
    laws = [
        _fitted(kind, readings, solve(kind, readings, scatter, near), scatter, t0) for kind, near in pairs
    ]
    table = _table(readings, scatter, min(laws, key=lambda each: each.aicc).scale)
    if isinstance(table, FittedLaw):
        laws.append(table)
    elif choice == "table":
        raise PathgenError(f"no table: {table}", where="fit", allowed="another law")
    if before is not None:
        laws = [_with_spread(each, before) for each in laws]
    # Of those equally good the first, which is the plainest.
    best = min(laws, key=lambda each: each.aicc)
    chosen = next((each for each in laws if each.name == choice), best)
    off = chosen.residuals
    outliers = np.flatnonzero(np.abs(off) > OUTLYING * scatter_of(off, chosen.count))
    rms = math.sqrt(float(np.mean(np.delete(off, outliers) ** 2)))
    notes = (*readings.notes, *_notes(readings, laws, chosen, choice, rms, t0))
    return LawFit(readings, tuple(laws), chosen, outliers, rms, notes)


def falling(values: Floats, weight: Floats) -> Floats:
    """Bring values to the nearest ones that never rise: each run that does is brought to its mean.

    Parameters
    ----------
    values, weight : (M,) float64

    Returns
    -------
    (M,) float64
        The weighted least squares fit; empty for empty input.

    Notes
    -----
    By its min-max formula (R. E. Barlow and others, Statistical Inference under Order Restrictions, 1972;
    from memory): it takes M² numbers, and M is small here.

    Examples
    --------
    >>> falling(np.array([5.0, 2.0, 4.0, 1.0]), np.ones(4)).tolist()
    [5.0, 3.0, 3.0, 1.0]
    """
    sums = np.concatenate([[0.0], np.cumsum(weight * values)])
    weights = np.concatenate([[0.0], np.cumsum(weight)])
    backward = np.tri(len(values), k=-1, dtype=bool)  # runs that would end before they begin
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (sums[1:] - sums[:-1, None]) / (weights[1:] - weights[:-1, None])
    highest = np.maximum.accumulate(np.where(backward, -np.inf, mean)[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(np.min(np.where(backward, np.inf, highest), axis=0, initial=np.inf))


def _fitted(kind: LawModel, readings: Readings, figures: Floats, scatter: float, t0: float) -> FittedLaw:
    """State a law's figures as a material takes them, with how sure they are."""
    from scipy.special import stdtrit  # Student's t

    off, count = residuals_of(kind, figures, readings), len(figures)
    covariance = covariance_of(kind, figures, readings, scatter)
    reach = float(stdtrit(max(1, len(off) - count), (1 + LEVEL) / 2)) * np.sqrt(np.diag(covariance))
    ends = np.clip([figures - reach, figures + reach], *bounds_of(kind, readings.absolute))
    values = np.vstack([figures, ends])
    values[:, 0] = np.exp(values[:, 0])
    own = values[:, 1:].T.tolist()
    stated = [Figure(*name, *map(_short, row)) for name, row in zip(kind.figures, own, strict=True)]
    if readings.absolute:
        stated.append(Figure("t0", "", *map(_short, values[:, 0].tolist())))
    light = kind.record(
        **{"t0": t0} | {figure.name: figure.value for figure in stated},
        valid=(float(readings.thickness.min()), float(readings.thickness.max())),
        error=min(1.0, _short(error_of(kind, figures, covariance, readings), 3)),
    )
    scale = 1.0 if readings.absolute else float(values[0, 0]) / t0
    return FittedLaw(kind.name, light, tuple(stated), count, off, scale, aicc_of(off, count, scatter))


def _table(readings: Readings, scatter: float, scale: float) -> FittedLaw | str:
    """Take the steps' middles, those that rise brought to their mean; or say why that cannot be."""
    each, middle, count = step_middles(readings.thickness, np.log(readings.light / scale))
    if len(each) > TABLE_STEPS:
        return f"{len(each)} thicknesses, more than {TABLE_STEPS}"
    level = falling(middle, count.astype(np.float64))
    pool = np.cumsum(np.concatenate([[False], np.diff(level) < -1e-4]))  # steps of one level are one
    weight = np.bincount(pool, count)
    steps, logs = (np.bincount(pool, count * values) / weight for values in (each, level))
    if len(steps) < LEAST_STEPS:
        return f"{len(steps)} steps that fall, fewer than {LEAST_STEPS}"
    if logs[0] >= 0:
        return f"no less light at {steps[0]:g} mm than without the wedge"
    off = np.log(readings.light / scale) - level[np.searchsorted(each, readings.thickness)]
    error = None
    if len(off) > len(steps):
        # A median's variance is π/2 of a mean's, of many readings at least.
        shares = math.pi / 2 / weight.min() + (1 / readings.references if readings.references else 0.0)
        error = min(1.0, _short(math.sqrt(variance_of(off, len(steps), scatter) * shares), 3))
    thickness, through = (tuple(map(_short, column.tolist())) for column in (steps, np.exp(logs)))
    light = Table(
        thickness=thickness, transmittance=through, valid=(thickness[0], thickness[-1]), error=error
    )
    return FittedLaw("table", light, (), len(steps), off, scale, aicc_of(off, len(steps), scatter))


def _with_spread(fitted: FittedLaw, before: LightLaw) -> FittedLaw:
    """Keep what a wedge says nothing of."""
    kept = {"spread": before.spread, "spread_growth": before.spread_growth}
    values = {name: getattr(fitted, name) for name in FittedLaw.__dataclass_fields__}
    return FittedLaw(**values | {"light": msgspec.structs.replace(fitted.light, **kept)})


def _short(value: float, digits: int = 6) -> float:
    return float(f"{value:.{digits}g}")


def _notes(
    readings: Readings, laws: list[FittedLaw], chosen: FittedLaw, choice: str, rms: float, t0: float
) -> list[str]:
    notes = []
    if not readings.absolute:
        kept = "" if chosen.name == "table" else f", and t0 is left at {t0:g}"
        notes.append(f"no reference: only the fall of light with thickness is known{kept}")
    if choice == "auto" and any(math.isinf(each.aicc) for each in laws if each.name != "table"):
        notes.append(f"{len(readings)} readings cannot tell all laws apart: take 6 or more, 30 are better")
    if rms > BAD_RMS:
        notes.append(
            f"the law misses the readings by {100 * rms:.0f} % RMS: is each step as thick as written, "
            "and the light even?"
        )
    return notes
