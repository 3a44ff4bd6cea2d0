"""Resolution chart: edges, and waves and line pairs of decreasing period along u and z.

The light B at the crests and D at the troughs of a patch gives its modulation (B − D)/(B + D). Finer periods
lose more of it to the sideways spread of light inside the wall and, along u, to the size of the nozzle
(contrast transfer of sinusoids, as in ISO 12233 for cameras; from memory). Patches of two mean thicknesses
distinguish a spread that grows with the wall from a constant one. The fit compares with
`pathgen.optics.predict.viewed`; one free factor, common to all patches, absorbs errors of the law and the
camera.

In a photograph, a few harmonics of the period describe the mean line of a patch; their sum at crest and
trough is free of noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import Estimates, least_squares, require_count
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome, round_to_error
from pathgen.coupons.shapes import INDEX, INDEX_OVER, pixel_count, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

WAVE, BARS, EDGE = 0, 1, 2
ALONG_U, ALONG_Z = 0, 1
PERIODS = (6.0, 4.0, 2.5, 1.6, 1.0)  # mm
THIN, THICK = 1.4, 2.4  # mm, mean thickness
SWING = 0.35  # mm, amplitude
WIDE, HIGH = 12.0, 7.0  # mm, size of a patch
MARGIN = 0.5  # mm at the sides of a patch that are not measured
BRIM = 5.0  # mm
HARMONICS = 5  # maximum number of harmonics fitted to a photographed patch
FINE = 0.1  # mm, pixel size of predicted patches
MISFIT = 0.002  # error of predicted modulations against a replayed chart
GONE = 0.1  # modulation, relative to wide patches, at which detail counts as lost
WIDEST = 3.0  # mm, maximum spread; a wall with more shows no picture
KNOWN = 0.25  # mm, maximum half width of the interval of the spread


class Patch(NamedTuple):
    """A patch of the resolution chart: kind, direction, period, mean thickness and amplitude (mm)."""

    kind: int
    along: int
    period: float
    mean: float
    swing: float


def list_patches() -> list[Patch]:
    """List the patches of the resolution chart, row by row from the lower left."""
    # The thick ones are below, because a step back to a thinner wall is not an overhang.
    both = (ALONG_U, ALONG_Z)
    lower = [Patch(WAVE, ALONG_U, period, THICK, SWING) for period in PERIODS]
    lower += [Patch(BARS, along, period, THIN, SWING) for along in both for period in PERIODS[2:]]
    upper = [Patch(WAVE, along, period, THIN, SWING) for along in both for period in PERIODS]
    return [*lower, *upper, Patch(EDGE, ALONG_U, 0.0, THIN, SWING)]


def patch_thickness(patch: Patch, at: NDArray[np.floating], length: float) -> Floats:
    """Return the thickness of a patch, mm, at positions along its direction."""
    if patch.kind == EDGE:
        return np.where(at < length / 2, patch.mean - patch.swing, patch.mean + patch.swing)
    wave = -np.cos(2 * np.pi * at / patch.period)
    if patch.kind == BARS:
        wave = np.where(wave < 0, -1.0, 1.0)
    return np.asarray(patch.mean + patch.swing * wave)


def _build(setup: Setup) -> Specimen:
    """Build the resolution chart."""
    pixel, all_patches = setup.light.pixel, list_patches()
    columns = (len(all_patches) + 1) // 2
    rows, cols = pixel_count(HIGH, pixel), pixel_count(WIDE, pixel)
    wall = np.full((2 * rows, columns * cols), THIN)
    steps = []
    for number, patch in enumerate(all_patches):
        row, col = divmod(number, columns)
        along_u = patch_thickness(patch, (np.arange(cols) + 0.5) * pixel, WIDE)
        along_z = patch_thickness(patch, (np.arange(rows) + 0.5) * pixel, HIGH)[::-1, None]
        top = (1 - row) * rows
        wall[top : top + rows, col * cols : (col + 1) * cols] = along_u if patch.along == ALONG_U else along_z
        left, bottom = INDEX + col * WIDE, row * HIGH
        box = PanelArea(left + MARGIN, bottom + MARGIN, left + WIDE - MARGIN, bottom + HIGH - MARGIN)
        steps.append(MeasuringPlace(box, tuple(map(float, patch))))
    edge = np.full((2 * rows, pixel_count(INDEX, pixel)), THICK + SWING)
    whole = np.hstack([edge + INDEX_OVER, wall, edge])
    job = plain_job(setup.job, brim=BRIM, thinnest=round(THIN - SWING, 3), thickest=round(THICK + SWING, 3))
    return Specimen([(whole, job)], steps)


def predict_modulation(patch: Patch, setup: Setup, spread: tuple[float, float], nozzle: float) -> float:
    """Predict the modulation of light by a patch.

    Parameters
    ----------
    patch : Patch
    setup : Setup
        Its material provides the law.
    spread : (float, float)
        Standard deviation of the spread of light at zero thickness, mm, and its growth per mm of thickness.
    nozzle : float
        Nozzle diameter, mm.
    """
    from pathgen.deposit.blur import smear
    from pathgen.optics import law

    through = law(setup.material.light)
    if patch.kind == EDGE:
        bright, dim = through.transmittance([patch.mean - patch.swing, patch.mean + patch.swing])
    else:
        cells = 2 * max(20, round(patch.period / 2 / FINE))
        pixel = patch.period / cells
        if patch.kind == WAVE:  # printed in steps: columns or layers
            made = setup.light.pixel if patch.along == ALONG_U else setup.layers.nominal
            patch = patch._replace(swing=patch.swing * float(np.sinc(made / patch.period)))
        wall = patch_thickness(patch, (np.arange(cells) + 0.5) * pixel, patch.period)
        if patch.along == ALONG_U:  # three periods, because smearing is not periodic at the ends
            wall = np.asarray(smear(np.tile(wall, 3)[None], nozzle, pixel)[0, cells : 2 * cells], np.float64)
        width = spread[0] + spread[1] * wall
        ends = (0.0, patch.period / 2)
        bright, dim = (_spread_light_at(at, through.transmittance(wall), width, patch.period) for at in ends)
    return float((bright - dim) / (bright + dim))


def _spread_light_at(at: float, light: Floats, width: Floats, period: float) -> float:
    """Return the light at a point of an endless wave, with a Gaussian spread for each cell."""
    cells = len(light)
    pixel = period / cells
    scale = np.maximum(width, 1e-6)  # a negative growth, tried during a fit, may give a negative width
    reach = math.ceil(5 * float(scale.max()) / period) + 1
    middle = (np.arange(cells) + 0.5) * pixel + period * np.arange(-reach, reach + 1)[:, None]
    share = special.ndtr((at + pixel - middle) / scale) - special.ndtr(
        (at - pixel - middle) / scale
    )  # of two cells
    return float(share.sum(axis=0) @ light) / 2


def measure_patch(patch: Patch, image: Floats, pixel: float) -> tuple[float, float]:
    """Measure the light at the crests and the troughs of a patch in a picture.

    Parameters
    ----------
    patch : Patch
    image : (rows, cols) float64
        Light inside the area of the patch, row 0 at the top.
    pixel : float
        mm.

    Returns
    -------
    bright, dim : float
    """
    line = image.mean(axis=0) if patch.along == ALONG_U else image[::-1].mean(axis=1)
    at = MARGIN + (np.arange(len(line)) + 0.5) * pixel
    if patch.kind == EDGE:
        ends = len(line) // 4
        return float(line[:ends].mean()), float(line[-ends:].mean())
    # A wave is symmetric about its crest, so cosines describe it and average the noise.
    phase = 2 * np.pi * at / patch.period
    maximum = max(1, min(HARMONICS, int(patch.period / pixel / 3)))
    orders = np.arange(maximum + 1)
    waves = np.linalg.lstsq(np.cos(np.outer(phase, orders)), line, rcond=None)[0]
    return float(waves.sum()), float((waves * (-1.0) ** orders).sum())


def _fit(sheet: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the spread of light in the wall, and the finest visible detail.

    An insignificant growth of the spread is reported, but the profile is changed without it.
    """
    # Line pairs are for visual inspection: the sharpness of their sides does not depend on light alone.
    good = (sheet["kind"] != BARS) & (sheet["bright"] + sheet["dim"] > 0)
    bright, dim = sheet["bright"][good], sheet["dim"][good]
    columns = (sheet[name][good] for name in ("kind", "along", "period", "mean", "swing"))
    read = [Patch(int(k), int(a), p, m, s) for k, a, p, m, s in zip(*columns, strict=True)]
    require_count(len(read), 6, "patches")
    for patch, line in zip(read, sheet.line[good], strict=True):
        if (patch.kind != EDGE and patch.period <= 0) or patch.swing >= patch.mean:
            what = f"invalid patch: period {patch.period:g} mm, thickness {patch.mean:g} ± {patch.swing:g} mm"
            allowed = "the values in the sheet that `pathgen coupon` wrote"
            raise PathgenError(what, where=f"{sheet.where}, line {line}", allowed=allowed)
    modulations = (bright - dim) / (bright + dim)
    several = len({patch.mean for patch in read}) > 1
    found = _fit_spread(read, modulations, setup, several, sheet.where)
    names = (("spread", "mm"), ("spread_growth", "mm/mm"))[: 1 + several]
    estimates = [found.single(place, *name) for place, name in enumerate(names, start=1)]
    kept = found
    if several and estimates[1].low <= 0:
        kept = _fit_spread(read, modulations, setup, False, sheet.where)
    if not found.covariance[1, 1] > 0:
        what = "the measured patches do not determine the spread of light"
        raise PathgenError(
            what, where=sheet.where, hint="measure all patches again, including the finest patch"
        )
    wide = _spread_at(found, THIN)
    if wide.half_width > KNOWN:
        span, scatter = f"{wide.low:.2f} to {wide.high:.2f} mm", f"modulations scatter by {found.scatter:.3f}"
        what = f"the spread is uncertain, {span}: {scatter}"
        raise PathgenError(what, where=sheet.where, allowed=f"a confidence interval of at most ±{KNOWN:g} mm")
    estimates += [wide, _finest(wide, setup.machine.hot_end.nozzle_diameter)]
    spread = max(0.0, round_to_error(float(kept.values[1]), wide.half_width))
    growth = round(max(0.0, float(sum(kept.values[2:]))), 3)
    changes = (
        Change("light", "spread", spread, "mm, standard deviation of the sideways spread of light"),
        Change("light", "spread_growth", growth, "mm of spread per mm of thickness"),
    )
    old = setup.material.light
    before, now = old.spread + old.spread_growth * THIN, spread + growth * THIN
    share = f"{100 * found.values[0]:.0f} % of those predicted by the law"
    notes = [f"modulations are {share}, and scatter by {found.scatter:.3f}"]
    if not several:
        notes.append("only one mean thickness was measured, so the growth of the spread is unknown")
    elif kept is not found:
        notes.append("the growth of the spread with thickness is not significant")
    line, curve = f"spread at {THIN:g} mm {before:.3g} → {now:.3g} mm", _curve(read, modulations, setup, kept)
    return Outcome(tuple(estimates), changes, (line,), curve, tuple(notes))


def _fit_spread(read: list[Patch], modulations: Floats, setup: Setup, grows: bool, where: str) -> Estimates:
    """Fit a factor, the spread and optionally the spread's growth to measured modulations."""

    def model(p: Floats) -> Floats:
        return _predict_all(read, setup, p)

    parameters = 3 if grows else 2
    start = np.array([1.0, 0.2, 0.02])[:parameters]
    # No plastic has a negative growth, but scattered measurements may fit one, and intervals need it.
    bounds = np.array([0.0, 0.0, -0.3])[:parameters], np.array([2.0, WIDEST, 1.0])[:parameters]
    found = least_squares(model, modulations, start, bounds, "patches", MISFIT)
    if found.values[0] < 0.2:
        what = f"modulations are {100 * found.values[0]:.0f} % of those predicted by the law"
        hint = "check the material, and cover the bare light around the chart"
        raise PathgenError(what, where=where, allowed="at least 20 % of the predicted modulation", hint=hint)
    return found


def _predict_all(patches: Sequence[Patch], setup: Setup, p: Floats) -> Floats:
    """Predict the modulation of each patch from a factor, a spread and, optionally, its growth."""
    spread, nozzle = (float(p[1]), float(sum(p[2:]))), setup.machine.hot_end.nozzle_diameter
    return np.array([p[0] * predict_modulation(patch, setup, spread, nozzle) for patch in patches])


def _spread_at(found: Estimates, thickness: float) -> Estimate:
    """Return the spread at one thickness, with its interval."""
    weight = np.array([0.0, 1.0, thickness][: len(found.values)])
    value = float(weight @ found.values)
    student = (found.high[1] - found.values[1]) / math.sqrt(found.covariance[1, 1])
    error = float(student) * math.sqrt(float(weight @ found.covariance @ weight))
    return Estimate(f"spread at {thickness:g} mm", "mm", value, max(0.0, value - error), value + error)


def _finest(wide: Estimate, nozzle: float) -> Estimate:
    """Return the wave period at which the blur of light and nozzle reduces the modulation to `GONE`."""
    from scipy.optimize import brentq

    def left(period: float, spread: float) -> float:
        return math.exp(-2 * (math.pi * spread / period) ** 2) * float(np.sinc(nozzle / period)) - GONE

    minimum = 1.05 * nozzle  # the first zero of the nozzle is at one nozzle diameter
    value, low, high = (
        float(brentq(left, minimum, 100.0, args=(spread,))) if left(minimum, spread) < 0 else minimum
        for spread in (wide.value, wide.low, wide.high)
    )
    return Estimate("finest visible period along the layers", "mm", value, low, high)


def _curve(read: list[Patch], modulations: Floats, setup: Setup, found: Estimates) -> Curve:
    """Return the plot data: modulation of thin waves against frequency, and the fitted curve."""
    chosen = [i for i, patch in enumerate(read) if patch.mean == THIN and patch.kind == WAVE]
    frequency = np.array([1 / read[i].period for i in chosen])
    periods = np.geomspace(PERIODS[0], PERIODS[-1], 40)
    waves = [Patch(WAVE, ALONG_U, float(period), THIN, SWING) for period in periods]
    line = 1 / periods, _predict_all(waves, setup, found.values)
    return Curve("periods per mm", "modulation of waves on a thin wall", frequency, modulations[chosen], line)


COUPON = define_coupon("resolution-chart", _build, _fit)
