"""Banded strips: an upright wall between two thicker posts, printed differently in each band.

This module lays out such strips and collects their measurements. Bands are numbered from the platform up.
Where a band ends and the next begins, the left post has a notch, flat at the bottom and slanting outward
above, which shows which way is up and needs no support. The bands most likely to fail are at the top, where
they do no damage to others.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen
from pathgen.coupons.estimate import estimate_peak, estimate_threshold
from pathgen.coupons.fit_result import Curve, Estimate, Floats
from pathgen.coupons.shapes import NOTCH, build_stripes, pixel_count, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Job, Setup
from pathgen.settings.job import Band

POST = 5.0  # mm, width of a post
WALL = 1.6  # mm, mid-tone thickness of an ordinary panel
RISE = 2.8  # mm, height of a notch: 20 degrees, the minimum overhang limit of a profile
SETTLED = 1.0  # mm not measured at the bottom of a band, where the band below affects the light
BORDER = 0.5  # mm not measured at the top of a band
MARGIN = 1.0  # mm not measured beside the posts
BRIM = 8.0  # mm
WIDE = 40.0  # mm, width of an even strip


class Limit(NamedTuple):
    """Estimated upper or lower limit of the range in which a property holds.

    Attributes
    ----------
    safe : float
        Safe end of the interval; infinite if nobody judged.
    found : Estimate or None
        The limit; None if the property holds at every judged step.
    """

    safe: float
    found: Estimate | None


def _plain_wall(setup: Setup) -> tuple[float, float]:
    """Return the thickness of a uniform strip and of its posts, mm.

    Posts are two beads thicker, because two more beads are joined by a hairpin; a single one would have a
    loose end.
    """
    wall = max(WALL, setup.beads.spacing_min)
    return wall, round(wall + 2 * setup.beads.spacing, 3)


def bottoms(heights: Sequence[float]) -> list[float]:
    """Return the height above the platform at which each band begins, mm.

    Examples
    --------
    >>> bottoms([6.0, 5.0, 5.0])
    [0.0, 6.0, 11.0]
    """
    return [round(float(z), 6) for z in np.cumsum([0.0, *heights[:-1]])]


def extrude_bands(face: Floats, heights: Sequence[float], pixel: float) -> Floats:
    """Build the thickness map of a strip from its profile, with a notch between bands.

    Parameters
    ----------
    face : (cols,) float64
        Thickness along the strip, mm.
    heights : sequence of float
        Heights of the bands, mm, lowest first.
    pixel : float
        mm.

    Returns
    -------
    (rows, cols) float64

    Examples
    --------
    >>> strip = extrude_bands(np.full(30, 2.0), [4.0, 4.0], 0.1)
    >>> strip.shape, (strip[[0, 12, 38, 39, 40, -1]] == 0).sum(axis=1).tolist()
    ((80, 30), [0, 0, 9, 10, 0, 0])
    """
    rows = pixel_count(sum(heights), pixel)
    z = (np.arange(rows)[::-1] + 0.5) * pixel
    over = z[:, None] - np.array([-RISE, *bottoms(heights)[1:]])
    low = np.where(over > 0, over, np.inf).min(axis=1)
    depth = NOTCH * np.clip(1 - low / RISE, 0.0, None)
    cut = (np.arange(len(face)) + 0.5) * pixel < depth[:, None]
    return np.where(cut, 0.0, face)


def band_areas(
    heights: Sequence[float], width: float, aside: float = POST + MARGIN, settled: float = SETTLED
) -> list[PanelArea]:
    """Return the rectangle to measure in each band.

    Parameters
    ----------
    heights : sequence of float
        Heights of the bands, mm, lowest first.
    width : float
        Width of the strip, mm.
    aside, settled : float
        Distance of an area from either side of the strip, and from the bottom of its band, mm.

    Examples
    --------
    >>> band_areas([6.0, 6.0], 40.0)[1]
    PanelArea(left=6.0, bottom=7.0, right=34.0, top=11.5)
    """
    return [
        PanelArea(aside, z + settled, width - aside, z + height - BORDER)
        for z, height in zip(bottoms(heights), heights, strict=True)
    ]


def banded_strip(
    base: Job,
    face: Floats,
    heights: Sequence[float],
    key: str,
    values: Sequence[float],
    areas: Sequence[PanelArea],
    **changes: object,
) -> Specimen:
    """Build a strip whose bands differ in one setting.

    Parameters
    ----------
    base : Job
        Job of the user; `plain_job` resets it.
    face : (cols,) float64
        Thickness along the strip, mm.
    heights : sequence of float
        Heights of the bands, mm, lowest first.
    key : str
        Key of the bands.
    values : sequence of float
        Its values, lowest band first.
    areas : sequence of PanelArea
        Area to measure in each band.
    **changes
        Further keys of the job.
    """
    keys = [{"above": z, key: value} for z, value in zip(bottoms(heights), values, strict=True)]
    job = plain_job(base, band=tuple(Band(**each) for each in keys), **changes)
    steps = [MeasuringPlace(area, (value,)) for area, value in zip(areas, values, strict=True)]
    return Specimen([(extrude_bands(face, heights, job.pixel), job)], steps, repeats=3)


def even_strip(
    setup: Setup,
    height: float,
    key: str,
    values: Sequence[float],
    settled: float = SETTLED,
    **changes: object,
) -> Specimen:
    """Build a strip of uniform thickness whose bands differ in one setting.

    Parameters
    ----------
    setup : Setup
    height : float
        Height of every band, mm.
    key : str
        Key of the bands.
    values : sequence of float
        Its values, lowest band first.
    settled : float
        Height at the bottom of a band that is not measured, mm.
    **changes
        Further keys of the job.
    """
    heights, (wall, post), pixel = [height] * len(values), _plain_wall(setup), setup.light.pixel
    face = build_stripes([POST, WIDE - 2 * POST, POST], [post, wall, post], pixel, pixel)[0]
    areas, changes = (
        band_areas(heights, WIDE, settled=settled),
        {"thinnest": wall, "thickest": post, **changes},
    )
    return banded_strip(setup.job, face, heights, key, values, areas, brim=BRIM, **changes)


def fit_brightness(filled: FilledSheet, name: str, unit: str, limit: Limit) -> tuple[Estimate, Curve]:
    """Estimate the nominal value at which the wall transmits the most light.

    Parameters
    ----------
    filled : FilledSheet
        With light in the column "reading".
    name, unit : str
        Column and its unit.
    limit : Limit
        Marked in the curve if it was found.

    Raises
    ------
    PathgenError
        If the measurements do not determine a peak.
    """
    at, light = average_steps(filled[name], log_light(filled, "reading"))
    value, low, high, line = estimate_peak(at, light, "light")
    best = Estimate("brightest at", unit, value, low, high)
    x = np.linspace(at.min(), at.max(), 101)
    label = ", ".join(filter(None, (name.replace("_", " "), unit)))
    marks = (best,) if limit.found is None else (best, limit.found)
    return best, Curve(label, "ln light", at, light, (x, np.asarray(np.polyval(line, x))), marks)


def log_light(filled: FilledSheet, name: str) -> Floats:
    """Return the logarithm of a column of light measurements, (N,); NaN for blank cells.

    Raises
    ------
    PathgenError
        If a measurement is 0.
    """
    light = filled[name]
    dark = np.flatnonzero(light == 0)
    if dark.size:
        allowed = "a reading of the light through the wall, above 0"
        raise PathgenError(f"{name} is 0", where=filled.place(dark[0]), allowed=allowed)
    return np.log(light)


def average_steps(at: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Average the measurements of each step, which share the error of that step.

    Parameters
    ----------
    at : (N,) float64
        Nominal value of the steps.
    values : (N,) float64
        Measurements; NaN is ignored.

    Returns
    -------
    at, values : (S,) float64
        Steps that were measured, ascending.

    Examples
    --------
    >>> [v.tolist() for v in average_steps(np.array([8.0, 9, 8]), np.array([1.0, np.nan, 3]))]
    [[8.0], [2.0]]
    """
    read = np.isfinite(values)
    steps, which = np.unique(at[read], return_inverse=True)
    return steps, np.bincount(which, values[read], len(steps)) / np.bincount(which, minlength=len(steps))


def lower_limit(at: Floats, holds: Floats, name: str, unit: str, what: str) -> Limit:
    """Estimate the smallest value at which a property holds.

    Parameters
    ----------
    at : (N,) float64
        Nominal value of the steps.
    holds : (N,) float64
        1 if the property holds, 0 if not, NaN if nobody judged. The majority decides in repeated judgements.
    name, unit : str
        Name and unit of the limit.
    what : str
        Name of the property, for error messages.

    Raises
    ------
    PathgenError
        If the property holds at no step, if the judgements do not determine a limit, or if no step is safely
        beyond it.

    Examples
    --------
    >>> steps = np.arange(180.0, 240, 10)
    >>> lower_limit(steps, steps >= 200.0, "layers hold from", "°C", "the bond").found.value
    195.0
    """
    limit = upper_limit(-at, holds, name, unit, what)
    if limit.found is None:
        return Limit(-limit.safe, None)
    value, low, high = limit.found[2:]
    return Limit(-limit.safe, Estimate(name, unit, -value, -high, -low))


def upper_limit(at: Floats, holds: Floats, name: str, unit: str, what: str) -> Limit:
    """Estimate the largest value at which a property holds; see `lower_limit` for the parameters."""
    steps, share = average_steps(at, holds)
    if not len(steps):
        return Limit(np.inf, None)
    if (share > 0.5).all():
        return Limit(float(steps.max()), None)
    value, low, high = estimate_threshold(steps, share, what)
    if low < at.min():
        allowed = "several steps that are clearly on the safe side"
        raise PathgenError(
            f"none of the measured steps is clearly safe for {what}", where="sheet", allowed=allowed
        )
    return Limit(low, Estimate(name, unit, value, low, high))


def end_note(what: str, at: Floats, low: float, high: float) -> tuple[str, ...]:
    """Return a note if a confidence interval reaches an end of the printed range."""
    reached = ((at.min(), low <= at.min()), (at.max(), high >= at.max()))
    ends = [f"{end:g}" for end, there in reached if there]
    return (f"{what} may be beyond {' or '.join(ends)}, the end of the ladder",) if ends else ()
