"""The step wedge: a staircase of thickness, for the law by which a plastic lets light through.

Steps stand side by side, thin to thick, each wide enough for a meter's window, and each with as many notches
over it as its number says (a wide notch is five). The index edge, thicker than its neighbour, is at step 1.
A sheet is fitted by `pathgen.optics.law_fit`; its density is D = −log10 T (ISO 5-2).
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import LIGHT, Coupon, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.shapes import INDEX, INDEX_OVER, across, notched, notches_wide, plain_job
from pathgen.settings import Setup

STEPS = 12
WIDE, HIGH = 12.5, 14.0  # mm of a step; meters look through 5 to 10 mm
THIN, THICK = 0.6, 3.4  # mm, beyond both ends of an ordinary panel
BRIM = 8.0  # mm


def thicknesses(setup: Setup) -> list[float]:
    """Give the steps' thicknesses, mm: closer together where light falls fastest.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> thicknesses(settle(Job()))[:4]
    [0.6, 0.74, 0.9, 1.09]
    """
    assert setup.job.spacing_min is not None, "settle fills it in"
    thin = max(THIN, setup.job.spacing_min)
    even = np.linspace(0.0, 1.0, STEPS)
    return [round(float(t), 2) for t in thin + (THICK - thin) * (0.5 * even + 0.5 * even**2)]


def _build(setup: Setup) -> Specimen:
    """Lay the wedge out."""
    steps, pixel = thicknesses(setup), setup.job.pixel
    end = steps[0] + INDEX_OVER
    widths = [INDEX, *[WIDE] * STEPS, INDEX]
    wall = across(widths, [end, *steps, steps[-1] + INDEX_OVER], HIGH, pixel)
    lefts = [INDEX + WIDE * number for number in range(STEPS)]
    counts = [
        (left + (WIDE - notches_wide(number)) / 2, number) for number, left in enumerate(lefts, start=1)
    ]
    job = plain_job(setup.job, brim=BRIM, thinnest=steps[0], thickest=steps[-1])
    boxes = [PanelArea(left + 1.0, 1.0, left + WIDE - 1.0, HIGH - 2.0) for left in lefts]
    return Specimen(
        [(notched(wall, pixel, counts), job)],
        [MeasuringPlace(box, (thickness,)) for box, thickness in zip(boxes, steps, strict=True)],
    )


COUPON = Coupon(
    name="step-wedge",
    measures="how much light each thickness lets through",
    profile="material",
    nominal=(SheetColumn("thickness", "mm", 0.0, 100.0),),
    measured=(
        SheetColumn("reading", LIGHT, text="what the meter shows with the step over its window"),
        SheetColumn("reference", LIGHT, text="the same without the wedge, now and then; may stay blank"),
        SheetColumn("dark", LIGHT, text="the same with the light off; may stay blank"),
    ),
    how=(
        "Lay the wedge on an even light, cover what lies bare beside it, and read each step in its middle.",
        "Steps count from the thicker edge beside the thinnest one; a wide notch counts five.",
    ),
    build=_build,
    fit=None,
)
