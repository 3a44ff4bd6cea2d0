"""First-layer tiles: single-layer tiles across the platform, to find the true height of z = 0.

A tile is a panel one layer high that is as thick as the tile is long, so its plan view is the tile. The
thickness of the sheet equals the gap between nozzle tip and platform, because the tip presses the beads flat.
A tile has no brim, which would fill the steps cut into one of its corners. The number of steps is the number
of the tile; on the platform that corner is at the front left.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from pathgen.coupons.definition import FilledSheet, MeasuringPlace, PanelArea, Specimen, define_coupon
from pathgen.coupons.estimate import LEVEL, Estimates, least_squares
from pathgen.coupons.fit_result import Change, Curve, Estimate, Floats, Outcome, round_to_error
from pathgen.coupons.shapes import build_stripes, plain_job
from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.route.placement import usable_area
from pathgen.settings import Setup
from pathgen.settings.constraints import MIN_FIRST
from pathgen.settings.machine import Range

SIDE = 20.0  # mm; the maximum thickness of a panel
STAIR = 1.6  # mm, width and depth of a step in the corner
INSET = 20.0  # mm from the edge of the free platform to the centre of a tile near a corner
WHERE = ((0, 0), (-1, -1), (1, -1), (-1, 1), (1, 1))  # positions of the tiles relative to the centre
TOLERATED = 0.05  # mm, maximum tilt across the platform
MIN_VARIANCE = 1e-8  # mm²; identical measurements still scatter by a part of the micrometer's resolution
HUNDRED = 100.0  # mm, reference length of the tilt


def _build(setup: Setup) -> Specimen:
    """Build the tiles at the centre and near the corners of the platform."""
    # Two rows form a layer. There is only the first layer, so its feed is the only one.
    pixel = setup.layers.first_layer / 2
    ends = {"thinnest": SIDE - STAIR * len(WHERE), "thickest": SIDE}
    job = plain_job(setup.job, pixel=pixel, brim=0.0, wedges=0, feed=setup.feeds.first_feed, **ends)
    low, high = np.transpose(usable_area(setup.machine))
    middles, reaches = (low + high) / 2, (high - low) / 2 - INSET
    panels, steps, spots = [], [], []
    for number, signs in enumerate(WHERE, start=1):
        x, y = np.round(middles + reaches * signs, 3).tolist()
        cut = [SIDE - STAIR * (number - stair) for stair in range(number)]
        widths = [STAIR] * number + [SIDE - STAIR * number]
        wall = build_stripes(widths, [*cut, SIDE], setup.layers.first_layer, pixel)
        panels.append((wall, job))
        nominal = (setup.layers.first_layer, x, y, setup.machine.z_zero)
        box = PanelArea(STAIR * len(WHERE) + 1.0, 0.0, SIDE - 1.0, setup.layers.first_layer)
        steps.append(MeasuringPlace(box, nominal, panel=number - 1))
        spots.append(Spot(x, y))
    return Specimen(panels, steps, spots, repeats=3)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Fit a plane to the tiles' thickness, to correct `z_zero` and to report the platform's tilt.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than five tiles, tiles on a line, and an offset outside the range of a profile.

    Notes
    -----
    Measurements of one tile share its height, so the plane is fitted to the means of the tiles, and Student's
    intervals come from their residuals. This also holds for a platform that is not flat; the F test of lack
    of fit (Draper and Smith, Applied Regression Analysis; from memory) reports such a platform.
    """
    nominal, old = filled.common_value("nominal"), filled.common_value("z_zero")
    volume = setup.machine.volume
    x, y = filled["at_x"] - sum(volume.x) / 2, filled["at_y"] - sum(volume.y) / 2
    if np.linalg.matrix_rank(np.column_stack([np.ones(len(x)), x, y]), tol=1e-6 * INSET) < 3:
        what = "the measured tiles are on a line"
        raise PathgenError(what, where=filled.where, allowed="measurements of all five tiles")
    plane, uneven = _plane(x / HUNDRED, y / HUNDRED, filled["sheet"] - nominal)
    names = ("offset", "mm"), ("tilt along x", "mm per 100 mm"), ("tilt along y", "mm per 100 mm")
    found = [plane.single(place, *name) for place, name in enumerate(names)]
    new = round_to_error(old + found[0].value, found[0].half_width)
    if abs(new) > 1:
        what, hint = f"z_zero would be {new:g} mm", "set the machine's own zero first"
        raise PathgenError(what, where=filled.where, allowed="-1 to 1 mm", hint=hint)
    change = Change("", "z_zero", new, "mm, height of the tip above the platform at z = 0")
    notes = [*_tilt_notes(found[1:], (volume.x, volume.y))]
    if uneven > 0:
        notes.append(f"the platform is not flat: tiles deviate from a plane by up to {uneven:.3f} mm")
    if nominal - new < MIN_FIRST:
        minimum = new + MIN_FIRST
        notes.append(f"first_layer {nominal:g} mm is then too low; the minimum is {minimum:.3g} mm")
    line = f"z_zero {old:g} → {new:g} mm"
    return Outcome(tuple(found), (change,), (line,), _curve(filled, plane, x, y, nominal), tuple(notes))


def _plane(x: Floats, y: Floats, over: Floats) -> tuple[Estimates, float]:
    """Fit a plane to the mean thickness of each tile; also return the deviation from the plane."""
    _, tile, counts = np.unique(np.column_stack([x, y]), axis=0, return_inverse=True, return_counts=True)
    tile = tile.ravel()
    mean_x, mean_y, mean = (np.bincount(tile, values) / counts for values in (x, y, over))
    wide = np.full(3, 100.0)
    terms = np.column_stack([np.ones(len(mean)), mean_x, mean_y])
    plane = least_squares(lambda p: terms @ p, mean, np.zeros(3), (-wide, wide), "tiles")
    within = len(x) - len(counts)
    if within < 1:
        return plane, 0.0
    apart = mean - terms @ plane.values
    scatter = float(np.sum((over - mean[tile]) ** 2)) / within
    misfit = float(np.sum(counts * apart**2)) / (len(counts) - 3)
    flat = float(special.fdtrc(len(counts) - 3, within, misfit / max(scatter, MIN_VARIANCE))) > 1 - LEVEL
    return plane, 0.0 if flat else float(np.abs(apart).max())


def _tilt_notes(tilts: list[Estimate], spans: tuple[Range, Range]) -> list[str]:
    """Return notes on a tilt that no single `z_zero` can correct."""
    notes = []
    for tilt, (low, high), axis in zip(tilts, spans, "xy", strict=True):
        gap, minimum, maximum = (value * (high - low) / HUNDRED for value in tilt[2:])
        if abs(gap) > TOLERATED and minimum * maximum > 0:
            change = f"the gap under the tip changes by {gap:.2f} mm ({minimum:.2f} to {maximum:.2f})"
            notes.append(f"level the platform first: along {axis}, {change}")
    return notes


def _curve(filled: FilledSheet, plane: Estimates, x: Floats, y: Floats, nominal: float) -> Curve:
    predicted = nominal + plane.values @ np.stack([np.ones(len(x)), x / HUNDRED, y / HUNDRED])
    ends = np.array([predicted.min(), predicted.max()])
    return Curve("fitted plane (mm)", "sheet (mm)", predicted, filled["sheet"], (ends, ends))


COUPON = define_coupon("first-layer-tile", _build, _fit)
