"""Step wedge: a strip of steps in thickness, to measure the transmittance law of a plastic.

The steps are side by side, thin to thick, each wide enough for the window of a light meter. Notches above
each step give its number (a wide notch counts five). The index edge, thicker than its neighbour, is at step
1. `pathgen.optics.law_fit` fits the law to a sheet; its density is D = −log10 T (ISO 5-2).
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.shapes import INDEX, INDEX_OVER, build_stripes, cut_notches, plain_job
from pathgen.settings import Setup

STEPS = 12
WIDE, HIGH = 12.5, 14.0  # mm, size of a step; windows of light meters are 5 to 10 mm wide
THIN, THICK = 0.6, 3.4  # mm, beyond the thickness range of ordinary panels
BRIM = 8.0  # mm


def step_thicknesses(setup: Setup) -> list[float]:
    """Return the thicknesses of the steps, mm, denser where light decreases fastest.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> step_thicknesses(settle(Job()))[:4]
    [0.6, 0.74, 0.9, 1.09]
    """
    thin = max(THIN, setup.beads.spacing_min)
    even = np.linspace(0.0, 1.0, STEPS)
    return [round(float(t), 2) for t in thin + (THICK - thin) * (0.5 * even + 0.5 * even**2)]


def _build(setup: Setup) -> Specimen:
    """Build the step wedge."""
    steps, pixel = step_thicknesses(setup), setup.light.pixel
    end = steps[0] + INDEX_OVER
    widths = [INDEX, *[WIDE] * STEPS, INDEX]
    wall = build_stripes(widths, [end, *steps, steps[-1] + INDEX_OVER], HIGH, pixel)
    lefts = [INDEX + WIDE * number for number in range(STEPS)]
    counts = [(left + WIDE / 2, number) for number, left in enumerate(lefts, start=1)]
    job = plain_job(setup.job, brim=BRIM, thinnest=steps[0], thickest=steps[-1])
    boxes = [PanelArea(left + 1.0, 1.0, left + WIDE - 1.0, HIGH - 2.0) for left in lefts]
    places = [MeasuringPlace(box, (thickness,)) for box, thickness in zip(boxes, steps, strict=True)]
    return Specimen([(cut_notches(wall, pixel, counts), job)], places)


COUPON = define_coupon("step-wedge", _build)
