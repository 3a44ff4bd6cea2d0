"""The thickness map whose blurred picture is nearest to the picture wanted.

A plain map gives every pixel the thickness of its tone, and nozzle, layers and the wall then blur it. Here
the
blur is known and the map is solved for: thin lines are made thinner and edges steeper than their tones ask,
so that the blur leaves what was wanted.

Glossary. *Plain map*: thickness of every tone by itself. *Wanted*: what the plain map would show without any
blur. *Error*: root mean square, over the pixels, of the difference in CIE lightness L* between what is seen
and what is wanted. *Room*: how far beyond the plain map's range the wall may go; without it, what is as thick
as black already cannot be made darker against a light neighbour.

The method is that of projected gradients with momentum (Y. Nesterov, Soviet Math. Dokl. 27, 372, 1983; A.
Beck and M. Teboulle, SIAM J. Imaging Sci. 2, 183, 2009), the momentum dropped whenever the error rises (B.
O'Donoghue and E. Candès, Found. Comput. Math. 15, 715, 2015); all three from memory. Steps are scaled by how
much lightness a mm of the plain map is worth, and the start is an inverse filter: with mirrored edges a blur
is a product in the cosine transform.
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
from pathgen.optics.laws import TransmittanceLaw
from pathgen.optics.predict import PictureModel, working
from pathgen.optics.thickness import BLOCK

Floats = NDArray[np.float64]
Worked = NDArray[np.floating]
Progress = Callable[[int, int], None]

ITERATIONS = 40  # at most
TOLERANCE = 5e-4  # of the plain map's error; a turn that gains less is the last but two
PATIENCE = 3  # iterations in a row that gain too little
DAMPING = 0.02  # share of noise the inverse filter allows for: waves left under a seventh are not restored
SHORTER = 0.7  # what is left of the step after the error rose
LEAST_SLOPE = 1e-3  # of the steepest: where a law is level, steps must not become endless
ROUNDING = 1e-6  # mm
KNEE = (6 / 29) ** 3  # luminance below which L* is a straight line
LINE = 841 / 108


@dataclass(frozen=True, slots=True)
class Compensated:
    """A map that was solved for, and what it is worth.

    Attributes
    ----------
    thickness : (rows, cols) float64
        mm.
    before, after : float
        Error of the plain map and of this one, in L*.
    iterations : int
        Evaluations of picture and gradient.
    held : float
        Share of the pixels that are as thin or as thick as may be.
    """

    thickness: Floats
    before: float
    after: float
    iterations: int
    held: float

    @property
    def gain(self) -> float:
        """Share of the error that is gone; 0 where there was none."""
        return 1 - self.after / self.before if self.before > 0 else 0.0

    def __str__(self) -> str:
        """Word it for people."""
        return (
            f"compensated for blur: lightness L* is off by {self.after:.2f} RMS instead of "
            f"{self.before:.2f}; {100 * self.held:.0f} % of the picture is as thin or as thick as may be"
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
) -> Compensated:
    """Solve for the map whose picture, blurred, is nearest in lightness to the plain map's without blur.

    Parameters
    ----------
    plain : (rows, cols) array
        Thickness of every tone by itself, mm, row 0 at the top.
    law : TransmittanceLaw
        The plastic's law.
    pixel : float
        Spacing of the map, mm.
    thinnest, thickest : float
        Range that the plain map keeps to, mm; `thinnest` is the picture's white.
    layer, nozzle, spread : float, float, (float, float)
        What blurs it, as `pathgen.optics.predict.seen` takes it.
    room : (float, float)
        mm the wall may go under `thinnest` and over `thickest`.
    overhang : float, optional
        Degrees from the vertical that the face may lean out toward the top at most; None for any.
    tolerance : float
        Ends after three iterations in a row that each took off less than this share of the plain map's error.
    iterations : int
        The most there may be; 0 gives the plain map back, within its overhang.
    progress : callable, optional
        Called with (iterations done, iterations at most); the last call has both alike.

    Returns
    -------
    Compensated
        Never worse than the plain map where that one keeps to the overhang. Empty for an empty map.

    Raises
    ------
    PathgenError
        For a range, room or angle that is none, a map that leaves its range or is not a number somewhere, and
        for what `seen` refuses.

    Notes
    -----
    Worked in single precision. What the blur takes away entirely (much finer than the nozzle or the spread)
    does not come back, and what is black or white already has only `room` to go.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> stripes = np.tile(np.repeat([1.0, 2.5], 4), (24, 4))
    >>> made = compensate(stripes, ExponentialLaw(1.2), 0.1, 0.8, 3.0, nozzle=0.4, spread=(0.1, 0.0))
    >>> made.gain > 0.1, bool(made.thickness.min() < 1.0), bool(made.thickness.max() > 2.5)
    (True, True, True)
    """
    _check(plain, thinnest, thickest, room, overhang)
    if not plain.size:
        return Compensated(np.array(plain, np.float64), 0.0, 0.0, 0, 0.0)
    between = (thinnest - room[0], thickest + room[1])
    work = plain.astype(np.float32)
    misfit = Misfit(work, PictureModel(law, pixel, layer, nozzle, spread, thinnest, between))
    reach = None if overhang is None else pixel * math.tan(math.radians(overhang))
    bounds = Bounds(between, reach)
    before = misfit.error(work)
    best, after, done = _solve(misfit, bounds, tolerance * before, iterations, progress)
    # Rounding to single precision may lean by its last digit.
    made = np.asarray(bounds.nearest(best.astype(np.float64)), np.float64)
    held = np.mean((made <= between[0] + ROUNDING) | (made >= between[1] - ROUNDING))
    return Compensated(made, before, after, done, float(held))


@dataclass(frozen=True)
class Misfit:
    """How far the picture of a map is from the wanted one, with its exact gradient.

    Attributes
    ----------
    plain : (rows, cols) array
        The map whose picture without blur is wanted, mm. Its precision is that of the work.
    sight : Sight
        How a map becomes a picture.
    """

    plain: Worked
    sight: PictureModel

    @cached_property
    def wanted(self) -> Worked:
        """Lightness wanted, L*."""
        return lightness_and_slope(self.sight.unblurred(self.plain))[0]

    @cached_property
    def worth(self) -> Worked:
        """What a mm of the plain map is worth, in L*; above 0."""
        rise = lightness_and_slope(self.sight.unblurred(self.plain))[1]
        steep = np.abs(self.sight.steepness(self.plain) * rise)
        return np.asarray(
            np.maximum(steep, max(LEAST_SLOPE * float(np.max(steep)), 1e-12)), working(self.plain)
        )

    def error(self, thickness: Worked) -> float:
        """Root mean square of the difference in L*."""
        return self._compare(self.sight.luminance(self.sight.wall(thickness)))[0]

    def __call__(self, thickness: Worked) -> tuple[float, Worked]:
        """Error, and the gradient of half the sum of the squared differences, L*² per mm."""
        wall = self.sight.wall(thickness)
        error, weight = self._compare(self.sight.luminance(wall))
        return error, self.sight.pull(wall, weight)

    def guess(self) -> Worked:
        """Map that an inverse filter gives, taken as if lightness was what blurs: near, and quick."""
        off = lightness_and_slope(self.sight.luminance(self.sight.wall(self.plain)))[0] - self.wanted
        rows, cols = self.plain.shape
        left = self.sight.response((rows, cols), float(np.mean(self.plain))).astype(off.dtype)
        filtered = idctn(dctn(off, overwrite_x=True) * (left / (left * left + DAMPING)), overwrite_x=True)
        return np.asarray(self.plain + filtered / self.worth)

    def _compare(self, seen: Worked) -> tuple[float, Worked]:
        """Error of a luminance, and the derivative of half the sum of squares with respect to it."""
        total, weight = 0.0, np.empty_like(seen)
        flat, out, wanted = seen.ravel(), weight.ravel(), self.wanted.ravel()
        for first in range(0, flat.size, BLOCK):
            part = slice(first, first + BLOCK)
            light, rise = lightness_and_slope(flat[part])
            off = light - wanted[part]
            total += float(np.square(off, dtype=np.float64).sum())
            out[part] = off * rise
        return math.sqrt(total / flat.size), weight


@dataclass(frozen=True)
class Bounds:
    """What a map may be.

    Attributes
    ----------
    between : (float, float)
        Least and largest thickness, mm.
    reach : float, optional
        How far a row may stand out over the one below it, mm; None for any.
    """

    between: tuple[float, float]
    reach: float | None = None

    def nearest(self, thickness: Worked, worth: Worked | None = None) -> Worked:
        """Map within the bounds next to one that may not be; with `worth`, differences weigh as its square.

        With t + reach·row in place of t, rows downward, the limit of the overhang says that no column falls:
        the nearest such column is its isotonic regression. All columns are one long one, each lifted beyond
        the one before, so that none takes part in another's. Clipping what keeps to a limit keeps to it.
        """
        if self.reach is None:
            return np.clip(thickness, *self.between)
        rows, cols = thickness.shape
        tilt = self.reach * np.arange(rows, dtype=np.float64)
        lift = (np.ptp(thickness) + tilt[-1] + 1.0) * np.arange(cols)[:, None]
        column = thickness.T + tilt + lift
        weights = None if worth is None else np.square(worth.T, dtype=np.float64).ravel()
        level = isotonic_regression(column.ravel(), weights=weights).x.reshape(column.shape)
        return np.ascontiguousarray(np.clip((level - tilt - lift).T, *self.between), thickness.dtype)


def lightness_and_slope(y: Worked) -> tuple[Worked, Worked]:
    """CIE lightness L* of a luminance relative to white (CIE e-ILV 17-23-076), and its derivative.

    In the precision of `y`. The formula goes on in its straight line below 0, and above 1 as it is.
    """
    root = np.cbrt(np.maximum(y, KNEE))
    bright = y > KNEE
    level = 116 * np.where(bright, root, y * LINE + 4 / 29) - 16
    rise = np.where(bright, (116 / 3) / (root * root), 116 * LINE)
    return level.astype(y.dtype, copy=False), rise.astype(y.dtype, copy=False)


def _solve(
    misfit: Misfit, bounds: Bounds, enough: float, iterations: int, progress: Progress | None
) -> tuple[Worked, float, int]:
    """Descend until a few iterations gain less than `enough`; return map, error and iterations."""
    worth = misfit.worth
    last = ahead = best = bounds.nearest(misfit.guess(), worth)
    least, downhill, pace, glide, step, idle, done = math.inf, worth, 1.0, 0.0, 1.0, 0, 0
    while done < iterations and idle < PATIENCE:
        error, gradient = misfit(ahead)
        done += 1
        idle = 0 if error < least - enough else idle + 1
        if error < least:
            best, least, downhill = ahead, error, gradient
            downhill /= worth  # in place, here and below: large panels are many megabytes
            downhill /= worth
        else:
            # Back to the best without momentum; where there was none, it was the step that was too long.
            step *= SHORTER if glide == 0 else 1.0
            last, pace = best, 1.0
        del gradient
        new = bounds.nearest(best - step * downhill, worth)
        further = (1 + math.sqrt(1 + 4 * pace * pace)) / 2
        glide = (pace - 1) / further
        ahead = new
        if glide:
            ahead = new - last
            ahead *= glide
            ahead += new
            ahead = bounds.nearest(ahead, worth)
        last, pace = new, further
        if progress:
            progress(iterations if idle == PATIENCE else done, iterations)
    plain = bounds.nearest(misfit.plain, worth)
    at_start = misfit.error(plain)
    return (best, least, done) if least < at_start else (plain, at_start, done)


def _check(
    plain: NDArray[np.floating],
    thinnest: float,
    thickest: float,
    room: tuple[float, float],
    overhang: float | None,
) -> None:
    """Refuse what nothing can be solved for."""
    under, over = room
    if not (0 <= under <= thinnest <= thickest < math.inf and 0 <= over < math.inf):
        what = f"thinnest is {thinnest:g} mm, thickest {thickest:g} mm, room {under:g} and {over:g} mm"
        allowed = "thinnest not above thickest, room of 0 or more, and under thinnest no more than thinnest"
        raise PathgenError(what, where="compensate", allowed=allowed)
    if overhang is not None and not 0 < overhang < 90:
        raise PathgenError(f"overhang is {overhang:g} degrees", where="overhang", allowed="between 0 and 90")
    if plain.ndim != 2:
        raise PathgenError(f"a map has rows and columns, not {plain.ndim} axes", where="compensate")
    if plain.size:
        low, high = float(plain.min()), float(plain.max())
        if not (thinnest - ROUNDING <= low and high <= thickest + ROUNDING):
            what = f"the plain map goes from {low:g} to {high:g} mm"
            raise PathgenError(what, where="compensate", allowed=f"{thinnest:g} to {thickest:g} mm")
