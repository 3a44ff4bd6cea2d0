"""The heat ladder: a strip whose nozzle cools from band to band, for the temperature that lets most light in.

Too cold, beads do not melt into each other: the gaps between them scatter light, and the layers part when
bent. Too hot, the plastic foams, yellows and sags. Between the two the wall is clearest; there its light is
taken to follow a parabola in the logarithm. It begins hottest, at the foot that has to stick: a nozzle cools
by a few degrees within the two millimetres that are not read, and layers that part are the last ones.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.banded_strip import (
    BRIM,
    POST,
    Limit,
    bottoms,
    boxes,
    by_step,
    end_note,
    holds_from,
    log_light,
    plain_wall,
    raised,
)
from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, MeasuringPlace, SheetColumn, Specimen
from pathgen.coupons.estimate import peak
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome
from pathgen.coupons.shapes import across, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup
from pathgen.settings.job import Band

Floats = NDArray[np.float64]

BANDS = 7
HIGH = 6.0  # mm of a band
WIDE = 40.0  # mm
COOLED = 2.0  # mm of a band's foot in which the nozzle is still on its way
APART = 2.0  # °C between bands, at least: less is lost in what a heater wavers by


def band_temperatures(setup: Setup) -> list[float]:
    """Give the bands' nozzle temperatures, whole °C, lowest band first.

    Raises
    ------
    PathgenError
        Where material and machine leave too little between the coldest and the hottest.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> band_temperatures(settle(Job()))
    [230.0, 222.0, 213.0, 205.0, 197.0, 188.0, 180.0]
    """
    heat, machine = setup.material.temperature, setup.machine
    low, high = math.ceil(heat.nozzle_min), math.floor(min(heat.nozzle_max, machine.heaters.nozzle_max))
    least = APART * (BANDS - 1)
    if high - low < least:
        what = f"{setup.material.name} on {machine.name} leaves {low} to {high} °C for the nozzle"
        raise PathgenError(what, where="heat-ladder", allowed=f"at least {least:g} °C from end to end")
    return [float(round(t)) for t in np.linspace(high, low, BANDS)]


def _build(setup: Setup) -> Specimen:
    """Lay the strip out."""
    heats, heights = band_temperatures(setup), [HIGH] * BANDS
    wall, post = plain_wall(setup)
    face = across([POST, WIDE - 2 * POST, POST], [post, wall, post], setup.job.pixel, setup.job.pixel)[0]
    bands = tuple(
        Band(above=z, nozzle_temperature=heat) for z, heat in zip(bottoms(heights), heats, strict=True)
    )
    job = plain_job(
        setup.job, brim=BRIM, thinnest=wall, thickest=post, band=bands, nozzle_temperature=heats[0]
    )
    places = boxes(heights, WIDE, settled=COOLED)
    steps = [MeasuringPlace(box, (heat,)) for box, heat in zip(places, heats, strict=True)]
    return Specimen([(raised(face, heights, setup.job.pixel), job)], steps, repeats=3)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Find the temperature that lets most light through, among those at which layers hold.

    Parameters
    ----------
    filled : FilledSheet
        A step's readings are averaged, as logarithms.
    setup : Setup

    Raises
    ------
    PathgenError
        For readings that say nothing of a peak, or layers that hold nowhere.

    Notes
    -----
    The peak is `pathgen.coupons.estimate.peak`'s, the temperature from which layers hold `threshold`'s. What
    is taken is the peak, or the upper end of the limit's interval where the peak is below that.
    """
    heats = filled["nozzle_temperature"]
    at, light = by_step(heats, log_light(filled, "reading"))
    value, low, high, line = peak(at, light, "light")
    best = Estimate("brightest at", "°C", value, low, high)
    limit = holds_from(heats, filled["bonded"], "layers hold from", "°C", "the bond of layers")
    figures = (best,) if limit.found is None else (best, limit.found)
    held = limit.safe > value
    chosen = float(math.ceil(limit.safe - 1e-9) if held else round(value))
    before = setup.material.temperature.nozzle
    x = np.linspace(at.min(), at.max(), 101)
    return Outcome(
        estimates=figures,
        changes=(Change("temperature", "nozzle", chosen, "°C, measured with a heat ladder"),),
        before_after=(f"nozzle temperature {before:g} → {chosen:g} °C",),
        curve=Curve(
            "nozzle temperature, °C", "ln light", at, light, (x, np.asarray(np.polyval(line, x))), figures
        ),
        notes=_notes(best, limit, at, held),
    )


def _notes(best: Estimate, limit: Limit, at: Floats, held: bool) -> tuple[str, ...]:
    notes = end_note("the brightest temperature", at, best.low, best.high)
    if held:
        sure = f"layers are sure to hold only from {limit.safe:.0f} °C on"
        notes += (f"light is best at {best.value:.0f} °C, but {sure}",)
    if np.isinf(limit.safe):
        notes += ("whether layers hold was not judged: bend the strip before you trust it",)
    return notes


COUPON = Coupon(
    name="heat-ladder",
    measures="which nozzle temperature lets most light through with layers that hold",
    profile="material",
    nominal=(SheetColumn("nozzle_temperature", "degc", 1.0, 500.0),),
    measured=(
        SheetColumn("reading", LIGHT, text="what the meter shows with the band over its window"),
        SheetColumn(
            "bonded", "", 0.0, 1.0, text="1 where layers hold when bent or scratched, else 0; may stay blank"
        ),
    ),
    how=(
        "Count bands from the platform up; at each notch in the edge a colder one begins.",
        "Read each in its upper half, in three places, on an even light; bend and scratch it afterwards.",
    ),
    build=_build,
    fit=_fit,
)
