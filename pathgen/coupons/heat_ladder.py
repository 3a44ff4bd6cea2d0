"""Heat ladder: a strip with a lower nozzle temperature in each band, to find the most translucent one.

If too cold, beads do not fuse: the gaps between them scatter light, and layers split when bent. If too hot,
the plastic foams, yellows and sags. In between, the logarithm of light is assumed to follow a parabola. The
hottest band is at the bottom, which has to adhere. The nozzle cools by a few degrees within the two
millimetres that are not measured, and the bands whose layers may split come last.
"""

from __future__ import annotations

import math

import numpy as np

from pathgen.coupons.banded_strip import Limit, end_note, even_strip, fit_brightness, lower_limit
from pathgen.coupons.definition import FilledSheet, Specimen, define_coupon
from pathgen.coupons.fit_result import Change, Estimate, Floats, Outcome
from pathgen.errors import PathgenError
from pathgen.settings import Setup

BANDS = 7
HIGH = 6.0  # mm, height of a band
COOLED = 2.0  # mm at the bottom of a band in which the nozzle temperature still changes
APART = 2.0  # °C, minimum difference between bands; heaters fluctuate by less


def band_temperatures(setup: Setup) -> list[float]:
    """Return the nozzle temperature of each band in whole °C, bottom band first.

    Raises
    ------
    PathgenError
        If the range that material and machine allow is too small.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> band_temperatures(settle(Job()))
    [230.0, 222.0, 213.0, 205.0, 197.0, 188.0, 180.0]
    """
    heat, machine = setup.material.temperature, setup.machine
    low, high = math.ceil(heat.nozzle_min), math.floor(min(heat.nozzle_max, machine.heaters.nozzle_max))
    minimum = APART * (BANDS - 1)
    if high - low < minimum:
        what = f"{setup.material.name} on {machine.name} allows nozzle temperatures of {low} to {high} °C"
        raise PathgenError(
            what, where="heat-ladder", allowed=f"a temperature range of at least {minimum:g} °C"
        )
    return [float(round(t)) for t in np.linspace(high, low, BANDS)]


def _build(setup: Setup) -> Specimen:
    """Build the strip of the heat ladder."""
    heats = band_temperatures(setup)
    return even_strip(setup, HIGH, "nozzle_temperature", heats, settled=COOLED, nozzle_temperature=heats[0])


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the nozzle temperature of the most translucent wall whose layers bond.

    Parameters
    ----------
    filled : FilledSheet
        The logarithms of the measurements of each step are averaged.
    setup : Setup

    Raises
    ------
    PathgenError
        If the measurements do not determine a peak, or if layers bond nowhere.

    Notes
    -----
    `pathgen.coupons.estimate.estimate_peak` gives the peak, and `estimate_threshold` the temperature from
    which layers bond. The result is the peak, or the upper limit of the threshold's interval if the peak is
    below it.
    """
    heats = filled["nozzle_temperature"]
    limit = lower_limit(heats, filled["bonded"], "layers bond from", "°C", "the bond between layers")
    best, curve = fit_brightness(filled, "nozzle_temperature", "°C", limit)
    held = limit.safe > best.value
    chosen = float(math.ceil(limit.safe - 1e-9) if held else round(best.value))
    before = setup.material.temperature.nozzle
    return Outcome(
        estimates=curve.marks,
        changes=(Change("temperature", "nozzle", chosen, "°C, measured with a heat ladder"),),
        before_after=(f"nozzle temperature {before:g} → {chosen:g} °C",),
        curve=curve,
        notes=_notes(best, limit, curve.x, held),
    )


def _notes(best: Estimate, limit: Limit, at: Floats, held: bool) -> tuple[str, ...]:
    notes = end_note("the brightest temperature", at, best.low, best.high)
    if held:
        safe = f"layers bond safely only from {limit.safe:.0f} °C"
        notes += (f"light is brightest at {best.value:.0f} °C, but {safe}",)
    if np.isinf(limit.safe):
        notes += ("the bond between layers was not judged; bend the strip to check it",)
    return notes


COUPON = define_coupon("heat-ladder", _build, _fit)
