"""The bead ladder: walls of one bead and of two, over a range of spacings, to be measured with a micrometer.

A bead of spacing p and height h whose volume is right is p + h·(1 − π/4) wide (exact geometry of the stadium
section), and walls of several beads are as wide as their spacings together and the same once. So

    wall = factor · packing · beads · spacing + offset,

in which the factor is volume laid down over volume asked for, whatever its cause (drive, filament), and the
offset holds the rounding of the sides and what a micrometer adds by riding on the layers. Its slope is what
counts. Walls of one bead also show between which spacings a bead holds at all.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import Coupon, FilledSheet, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.estimate import least_squares, need, threshold
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import across, notched, notches_wide, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

ONE = np.linspace(0.6, 1.8, 13)  # spacings of single beads, in nozzles
TWO = np.linspace(0.75, 1.65, 7)  # of two beads
WIDE, HIGH = 10.0, 9.0  # mm of a step; a micrometer's anvils are 6 mm across
POST, POST_WIDE = 1.3, 7.0  # mm, thickness and width of the edges that hold the thin walls up
BRIM = 6.0  # mm
CONSTANT = 100.0  # cost of a change of bead count that no wall here is worth
LEAST = 0.03  # half width of a factor's interval above which it says nothing


def _build(setup: Setup) -> Specimen:
    """Lay the two walls out."""
    nozzle = setup.machine.hot_end.nozzle_diameter
    ones, twos = ([round(float(p) * nozzle, 3) for p in spacings] for spacings in (ONE, TWO))
    common = {
        "brim": BRIM,
        "change_cost": CONSTANT,
        "end_cost": CONSTANT,
        "fill": "tailored",
        "spacing": None,
        "spacing_min": round(0.5 * nozzle, 3),
        "spacing_max": round(2.0 * nozzle, 3),
    }
    panels, steps = [], []
    for number, (beads, spacings) in enumerate(((1, ones), (2, twos))):
        wall = across(
            [POST_WIDE, *[WIDE] * len(spacings), POST_WIDE],
            [POST, *(beads * spacing for spacing in spacings), POST],
            HIGH,
            setup.job.pixel,
        )
        middle = (POST_WIDE - notches_wide(beads)) / 2
        panels.append((notched(wall, setup.job.pixel, [(middle, beads)]), plain_job(setup.job, **common)))
        for place, spacing in enumerate(spacings):
            left = POST_WIDE + WIDE * place
            box = PanelArea(left + 2.0, 1.0, left + WIDE - 2.0, HIGH - 1.0)
            said = (beads, spacing, setup.packing, setup.machine.hot_end.filament_factor)
            steps.append(MeasuringPlace(box, said, number))
    return Specimen(panels, steps)


def _fit(sheet: FilledSheet, setup: Setup) -> Outcome:
    """Say how much is laid down of what is fed, and which beads hold."""
    factor, curve, notes = _factor(sheet)
    hot_end = setup.machine.hot_end
    reach = (factor.high - factor.low) / 2
    changes = [
        Change("hot_end", "filament_factor", short(factor.value, reach), "volume laid down over volume fed")
    ]
    lines = [f"filament factor {hot_end.filament_factor:g} → {changes[0].value:g}"]
    estimates = [factor]
    for key, sign in (("spacing_min", -1.0), ("spacing_max", 1.0)):
        limit, said = _limit(sheet, key, sign, hot_end.nozzle_diameter)
        if limit is None:
            notes.append(said)
            continue
        estimates.append(limit)
        safe = np.ceil(100 * limit.high) / 100 if sign < 0 else np.floor(100 * limit.low) / 100
        before = getattr(hot_end, key) or (0.70 if sign < 0 else 1.55) * hot_end.nozzle_diameter
        words = "narrowest bead that holds, mm" if sign < 0 else "widest bead that is solid, mm"
        changes.append(Change("hot_end", key, float(safe), words))
        lines.append(f"{key} {before:.3g} → {safe:.3g} mm")
    return Outcome(tuple(estimates), tuple(changes), tuple(lines), curve, tuple(notes))


def _factor(sheet: FilledSheet) -> tuple[Estimate, Curve, list[str]]:
    """Fit the line of walls over what was asked for."""
    good = np.isfinite(sheet["wall"]) & ~(sheet["holds"] < 0.5)
    asked, wall = (sheet["packing"] * sheet["beads"] * sheet["spacing"])[good], sheet["wall"][good]
    need(len(wall), 6, "walls that hold")
    line = least_squares(
        lambda p: p[0] * asked + p[1],
        wall,
        np.array([1.0, 0.02]),
        (np.array([0.2, -1.0]), np.array([3.0, 1.0])),
        "walls",
    )
    old = sheet.same("filament_factor")
    factor = Estimate(
        "filament factor", "", *(float(old * ends[0]) for ends in (line.values, line.low, line.high))
    )
    if factor.high - factor.low > 2 * LEAST:
        ends = f"{factor.low:.3g} to {factor.high:.3g}"
        what = f"a filament factor of {ends}: the walls scatter by {line.scatter:.3f} mm"
        hint = "measure more walls, each in its middle"
        raise PathgenError(what, where=sheet.where, allowed=f"an interval of at most ±{LEAST:g}", hint=hint)
    drawn = np.array([asked.min(), asked.max()])
    curve = Curve(
        "packing · beads · spacing, mm",
        "wall, mm",
        asked,
        wall,
        (drawn, line.values[0] * drawn + line.values[1]),
    )
    notes = [
        f"walls scatter by {line.scatter:.3f} mm about the line, which adds {line.values[1]:.3f} mm to each"
    ]
    return factor, curve, notes


def _limit(sheet: FilledSheet, key: str, sign: float, nozzle: float) -> tuple[Estimate | None, str]:
    """Find the spacing beyond which single beads do not hold; or say why it is not found."""
    spacing = sheet["spacing"]
    side = (sheet["beads"] == 1) & np.isfinite(sheet["holds"])
    side &= (spacing <= 1.2 * nozzle) if sign < 0 else (spacing >= 1.0 * nozzle)
    if not side.any():
        return None, f"no judgement of single beads: {key} stays"
    try:
        found = threshold(sign * spacing[side], sheet["holds"][side], f"{key}: a bead")
    except PathgenError as error:
        return None, f"{error.what}: {key} stays"
    value, low, high = (sign * v for v in found)
    return Estimate(key, "mm", value, min(low, high), max(low, high)), ""


COUPON = Coupon(
    name="bead-ladder",
    measures="how much plastic is laid down of what is fed, and which widths of bead hold",
    profile="machine",
    nominal=(
        SheetColumn("beads", "", 1, 2),
        SheetColumn("spacing", "mm", 0.01, 5.0),
        SheetColumn("packing", "", 0.5, 1.2),
        SheetColumn("filament_factor", "", 0.5, 1.5),
    ),
    measured=(
        SheetColumn(
            "wall", "mm", 0.05, 10.0, "thickness of the wall in the middle of the step, by micrometer"
        ),
        SheetColumn("holds", "", 0, 1, "1 where the wall is closed and even, 0 where it has gaps or ridges"),
    ),
    how=(
        "The wall with one notch is one bead thick, the one with two is two; steps count from the notches.",
        "Close the micrometer gently: thin walls give way.",
    ),
    build=_build,
    fit=_fit,
)
