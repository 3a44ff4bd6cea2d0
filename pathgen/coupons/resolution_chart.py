"""The resolution chart: waves and line pairs of falling period, along u and along z, and edges.

What is read is how bright the crests and how dim the troughs of a patch look: its modulation (B − D)/(B + D).
The finer the period, the more of it is lost to the light's sideways spread inside the wall and, along u, to
the nozzle (contrast transfer by sinusoids, as ISO 12233 has it for cameras; from memory). Patches of
two mean thicknesses tell a spread that grows with the wall from one that does not. The fit compares with
`pathgen.optics.predict.seen`, one factor for all patches left free: it takes up what law and camera are off
by.

In a photograph a patch's mean line is described by a few harmonics of its period, whose sum at crest and
trough is free of noise.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import (
    LIGHT,
    Coupon,
    FilledSheet,
    Floats,
    MeasuringPlace,
    PanelArea,
    SheetColumn,
    Specimen,
)
from pathgen.coupons.estimate import Estimates, least_squares, need
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import INDEX, INDEX_OVER, pixels, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

WAVE, BARS, EDGE = 0, 1, 2
ALONG_U, ALONG_Z = 0, 1
PERIODS = (6.0, 4.0, 2.5, 1.6, 1.0)  # mm
THIN, THICK = 1.4, 2.4  # mm, mean thickness
SWING = 0.35  # mm above and below it
WIDE, HIGH = 12.0, 7.0  # mm of a patch
MARGIN = 0.5  # mm at a patch's sides that are not read
BRIM = 5.0  # mm
HARMONICS = 5  # of a patch that a photograph is taken to show
FINE = 0.1  # mm, pixel that patches are predicted at
MISFIT = 0.002  # of modulations: what a replayed chart has less or more than predicted
GONE = 0.1  # modulation, over that of wide patches, at which detail counts as lost
WIDEST = 3.0  # mm of spread; a wall that spreads more shows no picture
KNOWN = 0.25  # mm, half width of the spread's interval above which readings say nothing


class Patch(NamedTuple):
    """What a patch is: its kind and direction, period, mean and swing, mm."""

    kind: int
    along: int
    period: float
    mean: float
    swing: float


def patches() -> list[Patch]:
    """List the chart's patches, row by row from the lower left."""
    # The thick ones stand below: a step back to thin is no overhang.
    both = (ALONG_U, ALONG_Z)
    lower = [Patch(WAVE, ALONG_U, period, THICK, SWING) for period in PERIODS]
    lower += [Patch(BARS, along, period, THIN, SWING) for along in both for period in PERIODS[2:]]
    upper = [Patch(WAVE, along, period, THIN, SWING) for along in both for period in PERIODS]
    return [*lower, *upper, Patch(EDGE, ALONG_U, 0.0, THIN, SWING)]


def patch_thickness(patch: Patch, at: NDArray[np.floating], length: float) -> Floats:
    """Give a patch's thickness along its direction, `at` mm from where it begins; a crest of light first."""
    if patch.kind == EDGE:
        return np.where(at < length / 2, patch.mean - patch.swing, patch.mean + patch.swing)
    wave = -np.cos(2 * np.pi * at / patch.period)
    if patch.kind == BARS:
        wave = np.where(wave < 0, -1.0, 1.0)
    return np.asarray(patch.mean + patch.swing * wave)


def _build(setup: Setup) -> Specimen:
    """Lay the chart out."""
    pixel, all_patches = setup.job.pixel, patches()
    columns = (len(all_patches) + 1) // 2
    rows, cols = pixels(HIGH, pixel), pixels(WIDE, pixel)
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
    edge = np.full((2 * rows, pixels(INDEX, pixel)), THICK + SWING)
    whole = np.hstack([edge + INDEX_OVER, wall, edge])
    job = plain_job(setup.job, brim=BRIM, thinnest=round(THIN - SWING, 3), thickest=round(THICK + SWING, 3))
    return Specimen([(whole, job)], steps)


def modulation(patch: Patch, setup: Setup, spread: tuple[float, float], nozzle: float) -> float:
    """Predict a patch's modulation.

    Parameters
    ----------
    patch : Patch
    setup : Setup
        Its material has the law.
    spread : (float, float)
        Standard deviation of the light's spread in a wall of no thickness, mm, and what each mm adds.
    nozzle : float
        mm.
    """
    from pathgen.deposit.blur import smear
    from pathgen.optics import law

    through = law(setup.material.light)
    if patch.kind == EDGE:
        bright, dim = through.transmittance([patch.mean - patch.swing, patch.mean + patch.swing])
    else:
        cells = 2 * max(20, round(patch.period / 2 / FINE))
        pixel = patch.period / cells
        if patch.kind == WAVE:  # it is made in steps: of columns, or of layers
            made = setup.job.pixel if patch.along == ALONG_U else setup.layer
            patch = patch._replace(swing=patch.swing * float(np.sinc(made / patch.period)))
        wall = patch_thickness(patch, (np.arange(cells) + 0.5) * pixel, patch.period)
        if patch.along == ALONG_U:  # three periods, as what is smeared at the ends is not repeated
            wall = np.asarray(smear(np.tile(wall, 3)[None], nozzle, pixel)[0, cells : 2 * cells], np.float64)
        width = spread[0] + spread[1] * wall
        ends = (0.0, patch.period / 2)
        bright, dim = (_arriving(at, through.transmittance(wall), width, patch.period) for at in ends)
    return float((bright - dim) / (bright + dim))


def _arriving(at: float, light: Floats, width: Floats, period: float) -> float:
    """Light at a place of an endless wave, each cell's being spread by a Gaussian of its own width."""
    from scipy.special import ndtr

    cells = len(light)
    pixel = period / cells
    scale = np.maximum(width, 1e-6)  # a growth under 0, tried on the way to a fit, may leave none
    reach = math.ceil(5 * float(scale.max()) / period) + 1
    middle = (np.arange(cells) + 0.5) * pixel + period * np.arange(-reach, reach + 1)[:, None]
    share = ndtr((at + pixel - middle) / scale) - ndtr((at - pixel - middle) / scale)  # of two cells' width
    return float(share.sum(axis=0) @ light) / 2


def read_patch(patch: Patch, image: Floats, pixel: float) -> tuple[float, float]:
    """Read crest and trough of a patch from a picture of it.

    Parameters
    ----------
    patch : Patch
    image : (rows, cols) float64
        Light inside the patch's box, row 0 at the top.
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
    # A wave is even about its crest: cosines alone describe it, and give crest and trough without noise.
    phase = 2 * np.pi * at / patch.period
    most = max(1, min(HARMONICS, int(patch.period / pixel / 3)))
    orders = np.arange(most + 1)
    waves = np.linalg.lstsq(np.cos(np.outer(phase, orders)), line, rcond=None)[0]
    return float(waves.sum()), float((waves * (-1.0) ** orders).sum())


def _fit(sheet: FilledSheet, setup: Setup) -> Outcome:
    """Say how far light spreads in the wall, and the finest detail that shows.

    A growth that the readings do not tell from none is reported, and the change made without it.
    """
    # Line pairs are for the eye: how sharp their sides come out hangs on more than the light.
    good = (sheet["kind"] != BARS) & (sheet["bright"] + sheet["dim"] > 0)
    bright, dim = sheet["bright"][good], sheet["dim"][good]
    columns = (sheet[name][good] for name in ("kind", "along", "period", "mean", "swing"))
    read = [Patch(int(k), int(a), p, m, s) for k, a, p, m, s in zip(*columns, strict=True)]
    need(len(read), 6, "patches")
    for patch, line in zip(read, sheet.line[good], strict=True):
        if (patch.kind != EDGE and patch.period <= 0) or patch.swing >= patch.mean:
            what = f"a patch with a period of {patch.period:g} mm, {patch.mean:g} ± {patch.swing:g} mm thick"
            raise PathgenError(what, where=f"{sheet.where}, line {line}", allowed="as the sheet was written")
    modulations = (bright - dim) / (bright + dim)
    several = len({patch.mean for patch in read}) > 1
    found = _spread(read, modulations, setup, several, sheet.where)
    estimates = [
        _named("spread", "mm", found, 1),
        *([_named("spread_growth", "mm/mm", found, 2)] if several else []),
    ]
    kept = found
    if several and estimates[1].low <= 0:
        kept = _spread(read, modulations, setup, False, sheet.where)
    grows = float(kept.values[2]) if len(kept.values) > 2 else 0.0
    if not found.covariance[1, 1] > 0:
        what = "the patches look alike whatever light spreads: they do not tell the spread"
        raise PathgenError(what, where=sheet.where, hint="read them anew, the finest too")
    wide = _at(found, THIN)
    if (wide.high - wide.low) / 2 > KNOWN:
        what = f"a spread of {wide.low:.2f} to {wide.high:.2f} mm: modulations scatter by {found.scatter:.3f}"
        raise PathgenError(what, where=sheet.where, allowed=f"an interval of at most ±{KNOWN:g} mm")
    estimates += [wide, _finest(wide, setup.machine.hot_end.nozzle_diameter)]
    words = "mm, standard deviation of the light's sideways spread"
    values = [max(0.0, short(float(kept.values[1]), (wide.high - wide.low) / 2)), round(max(0.0, grows), 3)]
    changes = [Change("light", "spread", values[0], words)]
    changes.append(Change("light", "spread_growth", values[1], "mm of it more for each mm of wall"))
    old = setup.material.light
    before, now = old.spread + old.spread_growth * THIN, values[0] + values[1] * THIN
    share = 100 * found.values[0]
    notes = [f"modulations scatter by {found.scatter:.3f}, and are {share:.0f} % of what the law says"]
    if not several:
        notes.append("one mean thickness only: whether the spread grows with the wall is not known")
    elif kept is not found:
        notes.append("the readings do not tell a spread that grows with the wall from one that does not")
    return Outcome(
        tuple(estimates),
        tuple(changes),
        (f"spread at {THIN:g} mm {before:.3g} → {now:.3g} mm",),
        _curve(read, modulations, setup, kept),
        tuple(notes),
    )


def _spread(read: list[Patch], modulations: Floats, setup: Setup, grows: bool, where: str) -> Estimates:
    """Fit one factor and the spread, and where asked its growth, to modulations."""
    nozzle = setup.machine.hot_end.nozzle_diameter

    def model(p: Floats) -> Floats:
        spread = (float(p[1]), float(p[2]) if grows else 0.0)
        return np.array([p[0] * modulation(patch, setup, spread, nozzle) for patch in read])

    figures = 3 if grows else 2
    start = np.array([1.0, 0.2, 0.02])[:figures]
    # A growth below 0 is nothing plastic has, but readings that scatter may say it, and intervals need that.
    bounds = np.array([0.0, 0.0, -0.3])[:figures], np.array([2.0, WIDEST, 1.0])[:figures]
    found = least_squares(model, modulations, start, bounds, "patches", MISFIT)
    if found.values[0] < 0.2:
        what = f"modulations are {100 * found.values[0]:.0f} % of what the law says"
        hint = "is the material the right one, and was the bare light around the chart covered?"
        raise PathgenError(what, where=where, allowed="20 % or more", hint=hint)
    return found


def _named(name: str, unit: str, found: Estimates, place: int) -> Estimate:
    value, low, high = (float(ends[place]) for ends in (found.values, found.low, found.high))
    return Estimate(name, unit, value, low, high)


def _at(found: Estimates, thickness: float) -> Estimate:
    """Give the spread at a thickness: far better known than its two parts."""
    weight = np.array([0.0, 1.0, thickness][: len(found.values)])
    value = float(weight @ found.values)
    student = (found.high[1] - found.values[1]) / math.sqrt(found.covariance[1, 1])
    error = float(student) * math.sqrt(float(weight @ found.covariance @ weight))
    return Estimate(f"spread at {thickness:g} mm", "mm", value, max(0.0, value - error), value + error)


def _finest(wide: Estimate, nozzle: float) -> Estimate:
    """Give the period at which a wave's modulation is down to `GONE`: Gaussian times the nozzle's box."""
    from scipy.optimize import brentq

    def left(period: float, spread: float) -> float:
        return math.exp(-2 * (math.pi * spread / period) ** 2) * float(np.sinc(nozzle / period)) - GONE

    least = 1.05 * nozzle  # the nozzle's own first zero lies at one nozzle
    ends = [
        float(brentq(left, least, 100.0, args=(spread,))) if left(least, spread) < 0 else least
        for spread in (wide.value, wide.low, wide.high)
    ]
    return Estimate("finest period that shows along the layers", "mm", ends[0], ends[1], ends[2])


def _curve(read: list[Patch], modulations: Floats, setup: Setup, found: Estimates) -> Curve:
    """Draw the modulation left of thin waves over their frequency, with what was fitted."""
    nozzle, spread = (
        setup.machine.hot_end.nozzle_diameter,
        (float(found.values[1]), float(np.append(found.values, 0.0)[2])),
    )
    chosen = [i for i, patch in enumerate(read) if patch.mean == THIN and patch.kind == WAVE]
    frequency = np.array([1 / read[i].period for i in chosen])
    periods = np.geomspace(PERIODS[0], PERIODS[-1], 40)
    fitted = [
        found.values[0] * modulation(Patch(WAVE, ALONG_U, float(p), THIN, SWING), setup, spread, nozzle)
        for p in periods
    ]
    line = (1 / periods, np.array(fitted))
    return Curve("periods a mm", "modulation of waves on a thin wall", frequency, modulations[chosen], line)


COUPON = Coupon(
    name="resolution-chart",
    measures="how far light spreads in the wall, and the finest detail that shows",
    profile="material",
    nominal=(
        SheetColumn("kind", "", 0, 2),
        SheetColumn("along", "", 0, 1),
        SheetColumn("period", "mm", 0, 100),
        SheetColumn("mean", "mm", 0, 100),
        SheetColumn("swing", "mm", 0, 100),
    ),
    measured=(
        SheetColumn("bright", LIGHT, text="light in the middle of a bright line of the patch"),
        SheetColumn("dim", LIGHT, text="light in the middle of a dark line of the patch"),
    ),
    how=(
        "Photograph the chart on an even light, sharp and without burnt-out places: --photo reads it.",
        "kind: 0 wave, 1 line pairs, 2 edge; along: 0 from left to right, 1 upward.",
        "Patches count from the thicker edge, the lower row first.",
    ),
    build=_build,
    fit=_fit,
)
