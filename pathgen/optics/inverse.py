"""Blur compensation: find the thickness map whose blurred picture is closest to the target.

A plain map gives every pixel the thickness of its tone; nozzle, layers and wall then blur the picture. Here
the blur is known and the map is optimised: thin lines become thinner and edges steeper than their tones alone
require, so that the blurred picture is close to the target.

Glossary. *Plain map*: thickness of each tone without compensation. *Target*: picture of the plain map without
blur. *Error*: root mean square over the pixels of the difference in CIE lightness L* between picture and
target. *Room*: distance by which the map may exceed the range of the plain map. Without room, a pixel as
thick as black cannot become darker to compensate for a light neighbour.

The optimisation is a projected gradient method with momentum (Y. Nesterov, Soviet Math. Dokl. 27, 372, 1983;
A. Beck and M. Teboulle, SIAM J. Imaging Sci. 2, 183, 2009) that restarts when the error increases (B.
O'Donoghue and E. Candès, Found. Comput. Math. 15, 715, 2015); all three from memory. Steps are scaled by the
derivative of lightness with respect to thickness. The initial map comes from an inverse filter: with mirrored
edges, a blur is a product in the cosine transform.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dctn, idctn
from scipy.optimize import isotonic_regression

from pathgen.errors import PathgenError
from pathgen.optics.laws import Range, TransmittanceLaw
from pathgen.optics.predict import PictureModel, working_precision
from pathgen.optics.thickness import BLOCK
from pathgen.picture.colorimetry import lightness_and_slope

Floats = NDArray[np.float64]
Worked = NDArray[np.floating]
Progress = Callable[[int, int], None]

ITERATIONS = 40  # maximum
TOLERANCE = 5e-4  # gain of an iteration, over the error of the plain map, that is too small to go on
PATIENCE = 3  # consecutive iterations with too small a gain
DAMPING = 0.02  # noise share of the inverse filter: waves attenuated to less than a seventh are not restored
SHORTER = 0.7  # factor of the step after the error increased
MIN_SLOPE = 1e-3  # of the steepest slope; bounds the steps where the law is nearly flat
ROUNDING = 1e-6  # mm


@dataclass(frozen=True, slots=True)
class CompensatedMap:
    """A compensated thickness map, with the error before and after.

    Attributes
    ----------
    thickness : (rows, cols) float64
        mm.
    before, after : float
        Error of the plain map and of this one, in L*.
    iterations : int
        Evaluations of picture and gradient.
    limited : float
        Share of the pixels at the minimum or maximum thickness.
    """

    thickness: Floats
    before: float
    after: float
    iterations: int
    limited: float

    @property
    def gain(self) -> float:
        """Fraction of the error that compensation removed; 0 if there was no error."""
        return 1 - self.after / self.before if self.before > 0 else 0.0

    def __str__(self) -> str:
        """Return a one-line summary of the compensation."""
        return (
            f"compensated for blur: RMS error of lightness {self.after:.2f} instead of {self.before:.2f} L*; "
            f"{100 * self.limited:.0f} % of the picture is at the minimum or maximum thickness"
        )


def compensate(
    plain: NDArray[np.floating],
    law: TransmittanceLaw,
    pixel: float,
    thinnest: float,
    thickest: float,
    *,
    layer: float = 0.0,
    nozzle: float = 0.0,
    spread: tuple[float, float] = (0.0, 0.0),
    room: tuple[float, float] = (0.0, 0.0),
    overhang: float | None = None,
    tolerance: float = TOLERANCE,
    iterations: int = ITERATIONS,
    progress: Progress | None = None,
) -> CompensatedMap:
    """Find the thickness map whose blurred picture is closest to the unblurred target picture.

    Parameters
    ----------
    plain : (rows, cols) array
        Plain map, mm, row 0 at the top.
    law : TransmittanceLaw
        Law of the plastic.
    pixel : float
        Pixel spacing, mm.
    thinnest, thickest : float
        Range of the plain map, mm; `thinnest` is the white of the picture.
    layer, nozzle, spread : float, float, (float, float)
        Blur, as in `pathgen.optics.predict.viewed`.
    room : (float, float)
        Distance by which the map may go below `thinnest` and above `thickest`, mm.
    overhang : float, optional
        Maximum overhang of the face, degrees from the vertical; None for no limit.
    tolerance : float
        The optimisation ends after three consecutive iterations that each reduce the error by less than this
        share of the error of the plain map.
    iterations : int
        Maximum number of iterations; 0 returns the plain map, within the overhang.
    progress : callable, optional
        Called with (iterations done, maximum); both are equal in the last call.

    Returns
    -------
    CompensatedMap
        Not worse than the plain map, if that map respects the overhang. Empty for an empty map.

    Raises
    ------
    PathgenError
        For an invalid range, room or angle, a map that exceeds its range or contains NaN, and for the errors
        of `viewed`.

    Notes
    -----
    The computation uses single precision. Detail much finer than the nozzle or the spread cannot be restored,
    and black or white pixels can only use the `room`.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> stripes = np.tile(np.repeat([1.0, 2.5], 4), (24, 4))
    >>> made = compensate(stripes, ExponentialLaw(1.2), 0.1, 0.8, 3.0, nozzle=0.4, spread=(0.1, 0.0))
    >>> made.gain > 0.1, bool(made.thickness.min() < 1.0), bool(made.thickness.max() > 2.5)
    (True, True, True)
    """
    _check(plain, (thinnest, thickest), room, overhang)
    if not plain.size:
        return CompensatedMap(np.array(plain, np.float64), 0.0, 0.0, 0, 0.0)
    between = (thinnest - room[0], thickest + room[1])
    work = plain.astype(np.float32)
    misfit = Misfit(work, PictureModel(law, pixel, layer, nozzle, spread, thinnest, between))
    reach = None if overhang is None else pixel * math.tan(math.radians(overhang))
    bounds = MapBounds(between, reach)
    before = misfit.error(work)
    best, after, done = _descend(misfit, bounds, tolerance * before, iterations, progress)
    # Projected again in double precision, because single precision may exceed the overhang by rounding.
    made = np.asarray(bounds.project(best.astype(np.float64)), np.float64)
    limited = np.mean((made <= between[0] + ROUNDING) | (made >= between[1] - ROUNDING))
    return CompensatedMap(made, before, after, done, float(limited))


@dataclass(frozen=True)
class Misfit:
    """Difference between the picture of a map and the target, with its exact gradient.

    Attributes
    ----------
    plain : (rows, cols) array
        Map whose unblurred picture is the target, mm. Its precision is that of the computation.
    model : PictureModel
        Model of the picture of a map.
    """

    plain: Worked
    model: PictureModel

    @cached_property
    def target(self) -> Worked:
        """Lightness L* of the target picture."""
        return lightness_and_slope(self.model.unblurred(self.plain))[0]

    @cached_property
    def scale(self) -> Worked:
        """Magnitude of the derivative of lightness with respect to thickness, L* per mm, above 0."""
        rise = lightness_and_slope(self.model.unblurred(self.plain))[1]
        steep = np.abs(self.model.slope(self.plain) * rise)
        lowest = max(MIN_SLOPE * float(np.max(steep)), 1e-12)
        return np.asarray(np.maximum(steep, lowest), working_precision(self.plain))

    def error(self, thickness: Worked) -> float:
        """Return the root-mean-square difference in L* between a map's picture and the target."""
        return self._compare(self.model.luminance(self.model.wall(thickness)))[0]

    def __call__(self, thickness: Worked) -> tuple[float, Worked]:
        """Return the error of a map, and the gradient of half the sum of squared errors, L*² per mm."""
        wall = self.model.wall(thickness)
        error, weight = self._compare(self.model.luminance(wall))
        return error, self.model.gradient(wall, weight)

    def guess(self) -> Worked:
        """Return an initial map, from an inverse filter that assumes the blur acts on lightness."""
        off = lightness_and_slope(self.model.luminance(self.model.wall(self.plain)))[0] - self.target
        rows, cols = self.plain.shape
        left = self.model.response((rows, cols), float(np.mean(self.plain))).astype(off.dtype)
        filtered = idctn(dctn(off, overwrite_x=True) * (left / (left * left + DAMPING)), overwrite_x=True)
        return np.asarray(self.plain + filtered / self.scale)

    def _compare(self, luminance: Worked) -> tuple[float, Worked]:
        """Return the error of a luminance picture, and the gradient of half the sum of squared errors."""
        total, weight = 0.0, np.empty_like(luminance)
        flat, out, target = luminance.ravel(), weight.ravel(), self.target.ravel()
        for first in range(0, flat.size, BLOCK):
            part = slice(first, first + BLOCK)
            light, rise = lightness_and_slope(flat[part])
            off = light - target[part]
            total += float(np.square(off, dtype=np.float64).sum())
            out[part] = off * rise
        return math.sqrt(total / flat.size), weight


@dataclass(frozen=True)
class MapBounds:
    """Bounds of a thickness map: limits of thickness and of overhang.

    Attributes
    ----------
    between : (float, float)
        Minimum and maximum thickness, mm.
    reach : float, optional
        Maximum projection of a row over the row below it, mm; None for no limit.
    """

    between: tuple[float, float]
    reach: float | None = None

    def project(self, thickness: Worked, scale: Worked | None = None) -> Worked:
        """Return the map within the bounds that is closest in the least-squares sense, with weights `scale`².

        Replacing t by t + reach·row, rows counted downward, turns the limit of the overhang into columns that
        must not decrease. The nearest such column is its isotonic regression. All columns are joined to one,
        each shifted above the one before it, so that they do not interact. Clipping preserves the limit.
        """
        if self.reach is None:
            return np.clip(thickness, *self.between)
        rows, cols = thickness.shape
        tilt = self.reach * np.arange(rows, dtype=np.float64)
        lift = (np.ptp(thickness) + tilt[-1] + 1.0) * np.arange(cols)[:, None]
        column = thickness.T + tilt + lift
        weights = None if scale is None else np.square(scale.T, dtype=np.float64).ravel()
        level = isotonic_regression(column.ravel(), weights=weights).x.reshape(column.shape)
        return np.ascontiguousarray(np.clip((level - tilt - lift).T, *self.between), thickness.dtype)


def _descend(
    misfit: Misfit, bounds: MapBounds, enough: float, iterations: int, progress: Progress | None
) -> tuple[Worked, float, int]:
    """Minimise the error until an iteration gains less than `enough`; return map, error and iterations."""
    scale = misfit.scale
    last = ahead = best = bounds.project(misfit.guess(), scale)
    lowest, downhill, pace, momentum, step, idle, done = math.inf, scale, 1.0, 0.0, 1.0, 0, 0
    while done < iterations and idle < PATIENCE:
        error, gradient = misfit(ahead)
        done += 1
        idle = 0 if error < lowest - enough else idle + 1
        if error < lowest:
            best, lowest, downhill = ahead, error, gradient
            downhill /= scale  # in place, here and below, to save memory
            downhill /= scale
        else:
            # Restart from the best map without momentum; without momentum, the step was too long.
            step *= SHORTER if momentum == 0 else 1.0
            last, pace = best, 1.0
        del gradient
        new = bounds.project(best - step * downhill, scale)
        further = (1 + math.sqrt(1 + 4 * pace * pace)) / 2
        momentum = (pace - 1) / further
        ahead = bounds.project(new + momentum * (new - last), scale) if momentum else new
        last, pace = new, further
        if progress:
            progress(iterations if idle == PATIENCE else done, iterations)
    plain = bounds.project(misfit.plain, scale)
    at_start = misfit.error(plain)
    return (best, lowest, done) if lowest < at_start else (plain, at_start, done)


def _check(plain: Worked, limits: Range, room: Range, overhang: float | None) -> None:
    """Reject invalid input of `compensate`."""
    (thinnest, thickest), (under, over) = limits, room
    what = allowed = ""
    if not (0 <= under <= thinnest <= thickest < math.inf and 0 <= over < math.inf):
        what = f"thinnest is {thinnest:g} mm, thickest {thickest:g} mm, room {under:g}, {over:g} mm"
        allowed = "0 ≤ room below ≤ thinnest ≤ thickest, and room above of 0 mm or more"
    elif overhang is not None and not 0 < overhang < 90:
        what, allowed = f"overhang is {overhang:g} degrees", "an angle between 0 and 90 degrees"
    elif plain.ndim != 2:
        what, allowed = f"the map has {plain.ndim} dimensions", "2 dimensions (rows and columns)"
    elif plain.size and not (thinnest - ROUNDING <= plain.min() and plain.max() <= thickest + ROUNDING):
        what = f"the plain map ranges from {plain.min():g} to {plain.max():g} mm"
        allowed = f"{thinnest:g} to {thickest:g} mm"
    if what:
        raise PathgenError(what, where="compensate", allowed=allowed)
