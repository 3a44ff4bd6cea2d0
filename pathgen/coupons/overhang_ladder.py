"""Lean ladder: columns with faces of increasing overhang, to find the maximum overhang of a layer.

Each column is a saw: its face grows out of a thin base at one angle from the vertical, returns to the base
and repeats as often as space allows; a return to the base is not an overhang. The columns are side by side.
Notches above each column give its number (a wide notch counts five); the thicker edge is beside the first.
"""

from __future__ import annotations

import math

import numpy as np

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import estimate_threshold
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome
from pathgen.coupons.shapes import INDEX, INDEX_OVER, cut_notches, pixel_count, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

ANGLES = tuple(float(lean) for lean in range(20, 75, 5))  # degrees from the vertical
WIDE = 12.0  # mm, width of a column
FOOT, SAW, HEAD = 1.5, 9.0, 2.0  # mm, heights of base, teeth, and base with the notches
GROWTH = 3.0  # mm, protrusion of a tooth
REST = 0.6  # mm of base between teeth
BRIM = 6.0  # mm
MIN_ANGLE, MAX_ANGLE = 20, 80  # degrees, range of `overhang` in a profile


def _build(setup: Setup) -> Specimen:
    """Build the wall of the lean ladder."""
    base, pixel = round(2 * setup.beads.spacing, 2), setup.light.pixel
    rows = pixel_count(FOOT + SAW + HEAD, pixel)
    columns = [saw_profile(lean, base, rows, pixel) for lean in ANGLES]
    faces = np.repeat(np.stack(columns, axis=1), pixel_count(WIDE, pixel), axis=1)
    edge = np.full((rows, pixel_count(INDEX, pixel)), base + INDEX_OVER)
    lefts = [INDEX + WIDE * number for number in range(len(ANGLES))]
    counts = [(left + WIDE / 2, number) for number, left in enumerate(lefts, start=1)]
    wall = cut_notches(np.hstack([edge, faces]), pixel, counts)
    job = plain_job(setup.job, brim=BRIM, thinnest=base, thickest=base + GROWTH, slope="free")
    boxes = [PanelArea(left + 0.5, FOOT, left + WIDE - 0.5, FOOT + SAW) for left in lefts]
    steps = [
        MeasuringPlace(box, (lean,), label=f"{lean:g}°") for box, lean in zip(boxes, ANGLES, strict=True)
    ]
    return Specimen([(wall, job)], steps)


def saw_profile(lean: float, base: float, rows: int, pixel: float) -> Floats:
    """Return the thickness of one column at each height, from the top down, mm.

    Parameters
    ----------
    lean : float
        Degrees from the vertical.
    base : float
        mm.
    rows : int
    pixel : float
        mm.

    Examples
    --------
    >>> saw_profile(45.0, 1.0, 30, 0.5)[::-1][:11].round(2).tolist()  # from the platform up
    [1.0, 1.0, 1.0, 1.25, 1.75, 2.25, 2.75, 3.25, 3.75, 1.0, 1.15]
    """
    slope = math.tan(math.radians(lean))
    rise = min(GROWTH / slope, SAW)
    teeth = int((SAW + REST) / (rise + REST) + 1e-9)
    over = (np.arange(rows) + 0.5) * pixel - FOOT
    tooth = np.floor(over / (rise + REST))
    grown = over - tooth * (rise + REST)
    leans = (tooth >= 0) & (tooth < teeth) & (grown <= rise)
    return np.where(leans, base + slope * grown, base)[::-1]


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the maximum overhang, and set the lower limit of its interval in the profile.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than four judgements, if all are equal, or if larger overhangs succeed and smaller ones
        fail.

    Notes
    -----
    The profile gets the lower limit of the interval in whole degrees, so that panels planned with it are
    clean.
    """
    holds = filled["holds"] > 0.5
    if holds.any() and not holds.all() and filled["lean"][holds].mean() > filled["lean"][~holds].mean():
        what = "columns with small overhangs fail, but columns with large overhangs hold"
        raise PathgenError(
            what, where=filled.where, allowed="1 if the face of a column is clean, or 0 if the face droops"
        )
    lean = Estimate("lean", "degrees", *estimate_threshold(filled["lean"], filled["holds"], "lean"))
    safe, old = min(math.floor(lean.low), MAX_ANGLE), setup.machine.overhang
    curve = Curve("lean (degrees)", "clean", filled["lean"], filled["holds"], marks=(lean,))
    if safe < MIN_ANGLE:
        low = f"the safe limit, {safe:d} degrees, is below the minimum, {MIN_ANGLE}; it is not stored"
        again = "check fan, temperature and feed, and print the coupon again"
        return Outcome((lean,), (), (), curve, (low, again))
    clean = f"faces were clean up to about {lean.value:.0f} degrees"
    note = f"overhang is the lower limit of the interval; {clean}"
    remark = "degrees, maximum overhang of a layer unless the job sets it"
    change = Change("", "overhang", float(safe), remark)
    return Outcome((lean,), (change,), (f"overhang {old:g} → {safe:g} degrees",), curve, (note,))


COUPON = define_coupon("overhang-ladder", _build, _fit)
