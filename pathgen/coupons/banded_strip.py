"""A strip in bands: an upright wall between two thicker posts, every band of it made in another way.

How strips are laid out, and how their readings are gathered. Bands are numbered from the platform up. Where
one ends and the next begins, the left post has a notch: flat below and leaning out above it, so that it tells
up from down and hangs over nothing. What is most likely to fail goes to the top, where it spoils nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import FilledSheet, PanelArea
from pathgen.coupons.estimate import threshold
from pathgen.coupons.fit_result import Estimate
from pathgen.coupons.shapes import NOTCH, pixels
from pathgen.errors import PathgenError
from pathgen.settings import Setup

Floats = NDArray[np.float64]

POST = 5.0  # mm wide
WALL = 1.6  # mm, an ordinary panel's middle tone
RISE = 2.8  # mm up to which a notch leans out: 20 degrees, the least overhang a profile can have
SETTLED = 1.0  # mm of a band's foot that are no part of what is read: the band below shines through
BORDER = 0.5  # mm below the next band that are none either
MARGIN = 1.0  # mm beside the posts
BRIM = 8.0  # mm


class Limit(NamedTuple):
    """How far something holds.

    Attributes
    ----------
    safe : float
        Up to where, or from where on, it is sure to hold; infinite where nobody judged.
    found : Estimate or None
        The limit itself; None where it holds at every step judged.
    """

    safe: float
    found: Estimate | None


def plain_wall(setup: Setup) -> tuple[float, float]:
    """Give the thickness of an even strip and of its posts, mm.

    Posts are two beads thicker: two more beads join in a turn, where a single one would end loose.
    """
    assert setup.job.spacing_min is not None, "settle fills it in"
    wall = max(WALL, setup.job.spacing_min)
    return wall, round(wall + 2 * setup.spacing, 3)


def bottoms(heights: Sequence[float]) -> list[float]:
    """Give where bands of some heights begin, mm over the platform.

    Examples
    --------
    >>> bottoms([6.0, 5.0, 5.0])
    [0.0, 6.0, 11.0]
    """
    return [round(float(z), 6) for z in np.cumsum([0.0, *heights[:-1]])]


def raised(face: Floats, heights: Sequence[float], pixel: float) -> Floats:
    """Make a strip's map: the same face all the way up, with a notch where each band but the first begins.

    Parameters
    ----------
    face : (cols,) float64
        Thickness along the strip, mm.
    heights : sequence of float
        Of the bands, mm, lowest first.
    pixel : float
        mm.

    Returns
    -------
    (rows, cols) float64

    Examples
    --------
    >>> strip = raised(np.full(30, 2.0), [4.0, 4.0], 0.1)
    >>> strip.shape, (strip[[0, 12, 38, 39, 40, -1]] == 0).sum(axis=1).tolist()
    ((80, 30), [0, 0, 9, 10, 0, 0])
    """
    rows = pixels(sum(heights), pixel)
    z = (np.arange(rows)[::-1] + 0.5) * pixel
    over = z[:, None] - np.array([-RISE, *bottoms(heights)[1:]])
    low = np.where(over > 0, over, np.inf).min(axis=1)
    depth = NOTCH * np.clip(1 - low / RISE, 0.0, None)
    cut = (np.arange(len(face)) + 0.5) * pixel < depth[:, None]
    return np.where(cut, 0.0, face)


def boxes(
    heights: Sequence[float], width: float, aside: float = POST + MARGIN, settled: float = SETTLED
) -> list[PanelArea]:
    """Give the places to be read, one in each band.

    Parameters
    ----------
    heights : sequence of float
        Of the bands, mm, lowest first.
    width : float
        Of the strip, mm.
    aside, settled : float
        How far a place is from either side of the strip, and from the foot of its band, mm.

    Examples
    --------
    >>> boxes([6.0, 6.0], 40.0)[1]
    PanelArea(left=6.0, bottom=7.0, right=34.0, top=11.5)
    """
    return [
        PanelArea(aside, z + settled, width - aside, z + height - BORDER)
        for z, height in zip(bottoms(heights), heights, strict=True)
    ]


def log_light(filled: FilledSheet, name: str) -> Floats:
    """Give the logarithms of a column of light, (N,); NaN where it is blank.

    Raises
    ------
    PathgenError
        For a reading of 0.
    """
    light = filled[name]
    dark = np.flatnonzero(light == 0)
    if dark.size:
        where = f"{filled.where}, line {filled.line[dark[0]]}"
        raise PathgenError(f"{name} is 0", where=where, allowed="more than 0: light that came through")
    return np.log(light)


def by_step(at: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Average the readings of each step: what is wrong with a step is wrong in all readings of it.

    Parameters
    ----------
    at : (N,) float64
        What the steps were made with.
    values : (N,) float64
        Readings; NaN ones do not count.

    Returns
    -------
    at, values : (S,) float64
        Of the steps that were read, in rising order.

    Examples
    --------
    >>> [v.tolist() for v in by_step(np.array([8.0, 9, 8]), np.array([1.0, np.nan, 3]))]
    [[8.0], [2.0]]
    """
    read = np.isfinite(values)
    steps, which = np.unique(at[read], return_inverse=True)
    return steps, np.bincount(which, values[read], len(steps)) / np.bincount(which, minlength=len(steps))


def holds_from(at: Floats, holds: Floats, name: str, unit: str, what: str) -> Limit:
    """Find from where on something holds.

    Parameters
    ----------
    at : (N,) float64
        What the steps were made with.
    holds : (N,) float64
        1 where it holds, 0 where not, NaN where nobody judged. Of a step judged several times, most decide.
    name, unit : str
        Of the limit.
    what : str
        What holds or does not, for a refusal.

    Raises
    ------
    PathgenError
        Where it holds at no step, where the judgements say nothing of a limit, and where no step is far
        enough beyond it to be safe.

    Examples
    --------
    >>> steps = np.arange(180.0, 240, 10)
    >>> holds_from(steps, steps >= 200.0, "layers hold from", "°C", "the bond").found.value
    195.0
    """
    limit = holds_up_to(-at, holds, name, unit, what)
    if limit.found is None:
        return Limit(-limit.safe, None)
    value, low, high = limit.found[2:]
    return Limit(-limit.safe, Estimate(name, unit, -value, -high, -low))


def holds_up_to(at: Floats, holds: Floats, name: str, unit: str, what: str) -> Limit:
    """Find up to where something holds; parameters and refusals are those of `holds_from`."""
    steps, share = by_step(at, holds)
    if not len(steps):
        return Limit(np.inf, None)
    if (share > 0.5).all():
        return Limit(float(steps.max()), None)
    value, low, high = threshold(steps, share, what)
    if low < at.min():
        allowed = "steps that hold well away from the others"
        raise PathgenError(f"{what} is safe at no step", where="sheet", allowed=allowed)
    return Limit(low, Estimate(name, unit, value, low, high))


def end_note(what: str, at: Floats, low: float, high: float) -> tuple[str, ...]:
    """Remark on an interval that reaches an end of the ladder: beyond it may be better."""
    reached = ((at.min(), low <= at.min()), (at.max(), high >= at.max()))
    ends = [f"{end:g}" for end, there in reached if there]
    return (f"{what} may be beyond {' or '.join(ends)}, where the ladder ends",) if ends else ()
