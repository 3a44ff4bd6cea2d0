"""The lean ladder: columns whose faces lean out further and further, for how far a layer can.

Every column is a saw: its face grows out of a thin base at one angle from the vertical, falls back to the
base and begins anew as often as there is room; going back to thin is no overhang. Columns stand side by side,
each with as many notches over it as its number says (a wide notch is five); the thicker edge is beside the
first.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import Coupon, FilledSheet, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.estimate import threshold
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome
from pathgen.coupons.shapes import INDEX, INDEX_OVER, notched, notches_wide, pixels, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

Floats = NDArray[np.float64]

LEANS = tuple(float(lean) for lean in range(20, 75, 5))  # degrees from the vertical
WIDE = 12.0  # mm of a column
FOOT, SAW, HEAD = 1.5, 9.0, 2.0  # mm high: base alone, teeth, base with the notches
GROWTH = 3.0  # mm that a tooth grows over the base
REST = 0.6  # mm of base between teeth
BRIM = 6.0  # mm
LEAST, MOST = 20, 80  # degrees that a profile can say


def _build(setup: Setup) -> Specimen:
    """Lay the wall out."""
    assert setup.job.spacing is not None, "settle fills it in"
    base, pixel = round(2 * setup.job.spacing, 2), setup.job.pixel
    rows = pixels(FOOT + SAW + HEAD, pixel)
    columns = [np.tile(saw(lean, base, rows, pixel)[:, None], pixels(WIDE, pixel)) for lean in LEANS]
    edge = np.full((rows, pixels(INDEX, pixel)), base + INDEX_OVER)
    lefts = [INDEX + WIDE * number for number in range(len(LEANS))]
    counts = [
        (left + (WIDE - notches_wide(number)) / 2, number) for number, left in enumerate(lefts, start=1)
    ]
    wall = notched(np.concatenate([edge, *columns], axis=1), pixel, counts)
    job = plain_job(setup.job, brim=BRIM, thinnest=base, thickest=base + GROWTH, slope="free")
    boxes = [PanelArea(left + 0.5, FOOT, left + WIDE - 0.5, FOOT + SAW) for left in lefts]
    return Specimen(
        [(wall, job)],
        [MeasuringPlace(box, (lean,), label=f"{lean:g}°") for box, lean in zip(boxes, LEANS, strict=True)],
    )


def saw(lean: float, base: float, rows: int, pixel: float) -> Floats:
    """Give a column's thickness from the top down, mm.

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
    >>> saw(45.0, 1.0, 30, 0.5)[::-1][:11].round(2).tolist()  # from the platform up
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
    """Find how far a face can lean, and put the safe end of that into the profile.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than four judgements, for all alike, and for those the wrong way round.

    Notes
    -----
    The profile gets the interval's low end in whole degrees: a panel planned to it is clean.
    """
    holds = filled["holds"] > 0.5
    if holds.any() and not holds.all() and filled["lean"][holds].mean() > filled["lean"][~holds].mean():
        what = "it holds the further it leans"
        raise PathgenError(what, where=filled.where, allowed="1 where it is clean, 0 where it droops")
    lean = Estimate("lean", "degrees", *threshold(filled["lean"], filled["holds"], "lean"))
    safe, old = min(math.floor(lean.low), MOST), setup.machine.overhang
    curve = Curve("lean (degrees)", "clean", filled["lean"], filled["holds"], marks=(lean,))
    if safe < LEAST:
        note = (
            f"the safe end, {safe:d} degrees, is under the {LEAST} that a profile can say: nothing is changed"
        )
        return Outcome(
            (lean,), (), (), curve, (note, "look at fan, temperature and feed, and print it again")
        )
    note = f"overhang is the safe end of the interval; faces were clean up to about {lean.value:.0f} degrees"
    change = Change("", "overhang", float(safe), "degrees a layer may lean out, where a job says none")
    return Outcome((lean,), (change,), (f"overhang {old:g} → {safe:g} degrees",), curve, (note,))


COUPON = Coupon(
    name="lean-ladder",
    measures="how far a face can lean out before it droops",
    profile="machine",
    nominal=(SheetColumn("lean", "deg", 0.0, 90.0),),
    measured=(SheetColumn("holds", "", 0.0, 1.0, "1 where the leaning face is clean, 0 where it droops"),),
    how=(
        "Look at the face: a column holds where the undersides of all its teeth are clean.",
        "Columns count from the thicker edge; a wide notch counts five.",
        "It leans out too far by purpose: notes about that are as they should be.",
    ),
    build=_build,
    fit=_fit,
)
