"""Packing ladder: a strip with more plastic from band to band, to find the volume that just fills a wall.

Too little plastic leaves gaps between beads, which scatter light; excess plastic has no room and forms ridges
on the face. Near full packing, the logarithm of light is assumed to follow a parabola. Ridges damage the
layers above them, so the band with the highest packing is at the top.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.banded_strip import (
    BRIM,
    POST,
    average_steps,
    band_areas,
    bottoms,
    end_note,
    extrude_bands,
    log_light,
    plain_wall,
    upper_limit,
)
from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, MeasuringPlace, SheetColumn, Specimen
from pathgen.coupons.estimate import estimate_peak
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, round_to_error
from pathgen.coupons.shapes import build_stripes, plain_job
from pathgen.settings import Setup
from pathgen.settings.job import Band

PACKINGS = (0.94, 0.95, 0.96, 0.97, 0.98, 0.99, 1.00, 1.01, 1.02)  # lowest band first
HIGH = 4.5  # mm, height of a band
WIDE = 40.0  # mm, width of the strip


def _build(setup: Setup) -> Specimen:
    """Build the strip."""
    heights = [HIGH] * len(PACKINGS)
    wall, post = plain_wall(setup)
    face = build_stripes([POST, WIDE - 2 * POST, POST], [post, wall, post], setup.job.pixel, setup.job.pixel)[
        0
    ]
    bands = tuple(Band(above=z, packing=s) for z, s in zip(bottoms(heights), PACKINGS, strict=True))
    # The job itself sets no packing, so the bands are compared with the packing of the material.
    job = plain_job(setup.job, brim=BRIM, thinnest=wall, thickest=post, band=bands, packing=None)
    steps = [MeasuringPlace(box, (s,)) for box, s in zip(band_areas(heights, WIDE), PACKINGS, strict=True)]
    return Specimen([(extrude_bands(face, heights, setup.job.pixel), job)], steps, repeats=3)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the most translucent packing among those without ridges.

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
    packing = filled["packing"]
    at, light = average_steps(packing, log_light(filled, "reading"))
    value, low, high, line = estimate_peak(at, light, "light")
    best = Estimate("brightest at", "", value, low, high)
    limit = upper_limit(packing, filled["clean"], "clean up to", "", "a clean face")
    figures = (best,) if limit.found is None else (best, limit.found)
    notes = end_note("the brightest packing", at, low, high)
    if limit.safe < value:
        notes += (
            f"light is brightest at {value:.3f}, but the face is safely clean only up to {limit.safe:.3f}",
        )
    if np.isinf(limit.safe):
        notes += ("ridges on the face were not judged; feel the face to check it",)
    chosen = round_to_error(min(value, limit.safe), (high - low) / 2)
    x = np.linspace(at.min(), at.max(), 101)
    return Outcome(
        estimates=figures,
        changes=(Change("", "packing", chosen, "deposited over geometric volume, measured"),),
        before_after=(f"packing {setup.material.packing:g} → {chosen:g}",),
        curve=Curve("packing", "ln light", at, light, (x, np.asarray(np.polyval(line, x))), figures),
        notes=notes,
    )


COUPON = Coupon(
    name="packing-ladder",
    measures="most translucent packing without ridges",
    profile="material",
    nominal=(SheetColumn("packing", "", 0.5, 1.2),),
    measured=(
        SheetColumn("reading", LIGHT, text="light through the band"),
        SheetColumn("clean", "", 0.0, 1.0, text="1 if the face has no ridges, else 0; optional"),
    ),
    how=(
        "Count bands from the platform up; a band with more plastic begins at each notch in the edge.",
        "On an even light, measure each band at three places along its middle; feel its face for ridges.",
    ),
    build=_build,
    fit=_fit,
)
