"""Packing ladder: a strip with more plastic in each band, to find the volume that just fills a wall.

Too little plastic leaves gaps between beads, which scatter light; excess plastic has no room and forms ridges
on the face. Near full packing, the logarithm of light is assumed to follow a parabola. Ridges damage the
layers above them, so the band with the highest packing is at the top.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.banded_strip import end_note, even_strip, fit_brightness, upper_limit
from pathgen.coupons.definition import FilledSheet, Specimen, define_coupon
from pathgen.coupons.fit_result import Change, Outcome, round_to_error
from pathgen.settings import Setup

PACKINGS = (0.94, 0.95, 0.96, 0.97, 0.98, 0.99, 1.00, 1.01, 1.02)  # lowest band first
HIGH = 4.5  # mm, height of a band


def _build(setup: Setup) -> Specimen:
    """Build the strip of the packing ladder."""
    # The job itself sets no packing, so the bands are compared with the packing of the material.
    return even_strip(setup, HIGH, "packing", PACKINGS, packing=None)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the packing of the most translucent wall without ridges.

    Parameters
    ----------
    filled : FilledSheet
        The logarithms of the measurements of each step are averaged.
    setup : Setup

    Raises
    ------
    PathgenError
        If the measurements do not determine a peak, or if the face is clean nowhere.

    Notes
    -----
    `pathgen.coupons.estimate.estimate_peak` gives the peak, and `estimate_threshold` the packing up to which
    the face is clean. The result is the peak, or the lower limit of the threshold's interval if the peak is
    above it.
    """
    limit = upper_limit(filled["packing"], filled["clean"], "clean up to", "", "a clean face")
    best, curve = fit_brightness(filled, "packing", "", limit)
    notes = end_note("the brightest packing", curve.x, best.low, best.high)
    if limit.safe < best.value:
        clean = f"the face is safely clean only up to {limit.safe:.3f}"
        notes += (f"light is brightest at {best.value:.3f}, but {clean}",)
    if np.isinf(limit.safe):
        notes += ("ridges on the face were not judged; feel the face to check it",)
    chosen = round_to_error(min(best.value, limit.safe), best.half_width)
    return Outcome(
        estimates=curve.marks,
        changes=(Change("", "packing", chosen, "deposited over geometric volume, measured"),),
        before_after=(f"packing {setup.material.packing:g} → {chosen:g}",),
        curve=curve,
        notes=notes,
    )


COUPON = define_coupon("packing-ladder", _build, _fit)
