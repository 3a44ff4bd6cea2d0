"""Bead ladder: walls of one bead and of two beads at increasing spacings, to be measured.

A bead of spacing p and height h with the correct volume is p + h·(1 − π/4) wide (exact geometry of the
stadium section). A wall of several beads is as wide as the sum of their spacings plus the same constant.
Hence

    wall = factor · packing · beads · spacing + offset,

where the factor is deposited volume divided by nominal volume, whatever the cause of the difference (drive,
filament), and the offset contains the rounded sides and the contact of the micrometer with the layer ridges.
Only the slope is used. Walls of one bead also show the range of spacings in which a bead is continuous.
"""

from __future__ import annotations

import numpy as np

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import estimate_threshold, least_squares, require_count
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome
from pathgen.coupons.shapes import build_stripes, cut_notches, plain_job
from pathgen.errors import PathgenError
from pathgen.settings import Setup

ONE = np.linspace(0.6, 1.8, 13)  # spacings of single beads, in nozzle diameters
TWO = np.linspace(0.75, 1.65, 7)  # spacings of two beads
WIDE, HIGH = 10.0, 9.0  # mm, a step; the anvils of a micrometer are 6 mm in diameter
POST, POST_WIDE = 1.3, 7.0  # mm, thickness and width of the edges that support the thin walls
BRIM = 6.0  # mm
CONSTANT = 100.0  # cost of a change of bead count, high enough to prevent any
MAX_ERROR = 0.03  # maximum half width of the interval of the factor


def _build(setup: Setup) -> Specimen:
    """Build the two walls of the bead ladder."""
    nozzle = setup.machine.hot_end.nozzle_diameter
    ones, twos = ([round(float(p) * nozzle, 3) for p in spacings] for spacings in (ONE, TWO))
    ends = {"spacing_min": round(0.5 * nozzle, 3), "spacing_max": round(2.0 * nozzle, 3)}
    costs = {"change_cost": CONSTANT, "end_cost": CONSTANT}
    job = plain_job(setup.job, brim=BRIM, fill="tailored", spacing=None, **costs, **ends)
    panels, steps = [], []
    for number, (beads, spacings) in enumerate(((1, ones), (2, twos))):
        widths = [POST_WIDE, *[WIDE] * len(spacings), POST_WIDE]
        walls = [POST, *(beads * spacing for spacing in spacings), POST]
        wall = build_stripes(widths, walls, HIGH, setup.light.pixel)
        panels.append((cut_notches(wall, setup.light.pixel, [(POST_WIDE / 2, beads)]), job))
        for place, spacing in enumerate(spacings):
            left = POST_WIDE + WIDE * place
            box = PanelArea(left + 2.0, 1.0, left + WIDE - 2.0, HIGH - 1.0)
            nominal = (beads, spacing, setup.beads.packing, setup.machine.hot_end.filament_factor)
            steps.append(MeasuringPlace(box, nominal, number))
    return Specimen(panels, steps)


def _fit(sheet: FilledSheet, setup: Setup) -> Outcome:
    """Estimate the ratio of deposited to fed volume, and the range of valid bead spacings."""
    factor, curve, notes = _factor(sheet)
    hot_end = setup.machine.hot_end
    changes = [Change("hot_end", "filament_factor", factor.rounded(), "volume deposited over volume fed")]
    lines = [f"filament factor {hot_end.filament_factor:g} → {changes[0].value:g}"]
    estimates = [factor]
    ends = ("minimum", "spacing_min", -1.0, 0.70, np.ceil), ("maximum", "spacing_max", 1.0, 1.55, np.floor)
    for end, key, sign, usual, round_safely in ends:
        limit, reason = _limit(sheet, key, sign, hot_end.nozzle_diameter)
        if limit is None:
            notes.append(reason)
            continue
        estimates.append(limit)
        safe = float(round_safely(100 * (limit.high if sign < 0 else limit.low)) / 100)
        before = getattr(hot_end, key) or usual * hot_end.nozzle_diameter
        changes.append(Change("hot_end", key, safe, f"{end} bead spacing, mm, measured"))
        lines.append(f"{key} {before:.3g} → {safe:.3g} mm")
    return Outcome(tuple(estimates), tuple(changes), tuple(lines), curve, tuple(notes))


def _factor(sheet: FilledSheet) -> tuple[Estimate, Curve, list[str]]:
    """Fit a line to measured wall thickness against nominal thickness."""
    good = np.isfinite(sheet["wall"]) & ~(sheet["holds"] < 0.5)
    nominal, wall = (sheet["packing"] * sheet["beads"] * sheet["spacing"])[good], sheet["wall"][good]
    require_count(len(wall), 6, "walls that hold")
    bounds = np.array([0.2, -1.0]), np.array([3.0, 1.0])
    line = least_squares(lambda p: p[0] * nominal + p[1], wall, np.array([1.0, 0.02]), bounds, "walls")
    name, unit, *ratios = line.single(0, "filament factor", "")
    factor = Estimate(name, unit, *(sheet.common_value("filament_factor") * ratio for ratio in ratios))
    if factor.half_width > MAX_ERROR:
        ends = f"{factor.low:.3g} to {factor.high:.3g}"
        what = f"the filament factor is uncertain, {ends}: the walls scatter by {line.scatter:.3f} mm"
        allowed, hint = f"an uncertainty of at most ±{MAX_ERROR:g}", "measure more walls, each at its middle"
        raise PathgenError(what, where=sheet.where, allowed=allowed, hint=hint)
    slope, offset = line.values
    drawn = np.array([nominal.min(), nominal.max()])
    fitted = drawn, slope * drawn + offset
    curve = Curve("packing · beads · spacing, mm", "wall, mm", nominal, wall, fitted)
    note = f"walls scatter by {line.scatter:.3f} mm about the fitted line; its offset is {offset:.3f} mm"
    return factor, curve, [note]


def _limit(sheet: FilledSheet, key: str, sign: float, nozzle: float) -> tuple[Estimate | None, str]:
    """Return the estimated limit of bead spacing, or the reason why it cannot be estimated."""
    spacing = sheet["spacing"]
    side = (sheet["beads"] == 1) & np.isfinite(sheet["holds"])
    side &= (spacing <= 1.2 * nozzle) if sign < 0 else (spacing >= 1.0 * nozzle)
    if not side.any():
        return None, f"single beads were not judged; {key} is unchanged"
    try:
        found = estimate_threshold(sign * spacing[side], sheet["holds"][side], f"{key}: a bead")
    except PathgenError as error:
        return None, f"{error.what}; {key} is unchanged"
    value, low, high = (sign * v for v in found)
    return Estimate(key, "mm", value, min(low, high), max(low, high)), ""


COUPON = define_coupon("bead-ladder", _build, _fit)
