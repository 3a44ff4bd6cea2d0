"""The packing ladder: a strip fed more from band to band, for the volume that fills a wall and no more.

Too little leaves gaps between beads, which scatter light; too much has nowhere to go and stands out of the
face as ridges. Near full the light is taken to follow a parabola in its logarithm. Ridges spoil what is
printed over them, so the fullest band is the uppermost.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.banded_strip import (
    BRIM,
    POST,
    bottoms,
    boxes,
    by_step,
    end_note,
    holds_up_to,
    log_light,
    plain_wall,
    raised,
)
from pathgen.coupons.definition import LIGHT, Coupon, FilledSheet, MeasuringPlace, SheetColumn, Specimen
from pathgen.coupons.estimate import peak
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import across, plain_job
from pathgen.settings import Setup
from pathgen.settings.job import Band

SOLIDITIES = (0.94, 0.95, 0.96, 0.97, 0.98, 0.99, 1.00, 1.01, 1.02)  # lowest band first
HIGH = 4.5  # mm of a band
WIDE = 40.0  # mm


def _build(setup: Setup) -> Specimen:
    """Lay the strip out."""
    heights = [HIGH] * len(SOLIDITIES)
    wall, post = plain_wall(setup)
    face = across([POST, WIDE - 2 * POST, POST], [post, wall, post], setup.job.pixel, setup.job.pixel)[0]
    bands = tuple(Band(above=z, packing=s) for z, s in zip(bottoms(heights), SOLIDITIES, strict=True))
    # The job itself says none: what the bands are compared with is the material's.
    job = plain_job(setup.job, brim=BRIM, thinnest=wall, thickest=post, band=bands, packing=None)
    steps = [MeasuringPlace(box, (s,)) for box, s in zip(boxes(heights, WIDE), SOLIDITIES, strict=True)]
    return Specimen([(raised(face, heights, setup.job.pixel), job)], steps, repeats=3)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Find the packing that lets most light through, among those without ridges.

    Parameters
    ----------
    filled : FilledSheet
        A step's readings are averaged, as logarithms.
    setup : Setup

    Raises
    ------
    PathgenError
        For readings that say nothing of a peak, or a face that is clean nowhere.

    Notes
    -----
    The peak is `pathgen.coupons.estimate.peak`'s, the packing up to which the face is clean `threshold`'s.
    What is taken is the peak, or the lower end of the limit's interval where the peak is above that.
    """
    packing = filled["packing"]
    at, light = by_step(packing, log_light(filled, "reading"))
    value, low, high, line = peak(at, light, "light")
    best = Estimate("brightest at", "", value, low, high)
    limit = holds_up_to(packing, filled["clean"], "clean up to", "", "a clean face")
    figures = (best,) if limit.found is None else (best, limit.found)
    notes = end_note("the brightest packing", at, low, high)
    if limit.safe < value:
        notes += (f"light is best at {value:.3f}, but the face is sure to be clean only to {limit.safe:.3f}",)
    if np.isinf(limit.safe):
        notes += ("whether the face is clean was not judged: feel it for ridges before you trust it",)
    chosen = short(min(value, limit.safe), (high - low) / 2)
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
    measures="how full a wall lets most light through without ridges",
    profile="material",
    nominal=(SheetColumn("packing", "", 0.5, 1.2),),
    measured=(
        SheetColumn("reading", LIGHT, text="what the meter shows with the band over its window"),
        SheetColumn("clean", "", 0.0, 1.0, text="1 where the face has no ridges, else 0; may stay blank"),
    ),
    how=(
        "Count bands from the platform up; at each notch in the edge a fuller one begins.",
        "Read each along its middle, in three places, on an even light; feel its face for ridges.",
    ),
    build=_build,
    fit=_fit,
)
