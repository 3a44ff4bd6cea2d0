"""The first layer tiles: one layer each, in the middle and near the corners, for where z is really 0.

A tile is a panel one layer high that is as thick as the tile is long: its plan is the tile. Its sheet is as
thick as the tip stood over the platform, since the tip presses the beads flat. It has no brim, which would
fill the stairs that are cut into one corner: as many as the tile's number says, and on the platform that
corner lay to the front and left.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.coupons.definition import Coupon, FilledSheet, MeasuringPlace, PanelArea, SheetColumn, Specimen
from pathgen.coupons.estimate import LEVEL, Estimates, least_squares
from pathgen.coupons.fit_result import Change, Curve, Estimate, Outcome, short
from pathgen.coupons.shapes import across, plain_job
from pathgen.errors import PathgenError
from pathgen.plan.settle import Spot
from pathgen.route.placement import free
from pathgen.settings import Setup
from pathgen.settings.constraints import LEAST_FIRST
from pathgen.settings.machine import Range

Floats = NDArray[np.float64]

SIDE = 20.0  # mm; as thick as a panel can be
STAIR = 1.6  # mm wide and deep
INSET = 20.0  # mm from the free platform's edge to the middle of a tile near a corner
WHERE = ((0, 0), (-1, -1), (1, -1), (-1, 1), (1, 1))  # of the tiles in order, from the middle
TOLERATED = 0.05  # mm of tilt across the platform
LEAST_SCATTER = 1e-8  # mm²; readings that agree to the digit scatter by a part of a micrometer's step
HUNDRED = 100.0  # mm that tilt is told for


def _build(setup: Setup) -> Specimen:
    """Lay the tiles out."""
    # Two rows make a layer. Nothing but the first layer is made, so its feed is the only one.
    pixel = setup.job.first_layer / 2
    job = plain_job(
        setup.job,
        pixel=pixel,
        brim=0.0,
        wedges=0,
        feed=setup.job.first_feed,
        thinnest=SIDE - STAIR * len(WHERE),
        thickest=SIDE,
    )
    spans = free(setup.machine)
    middles = [sum(span) / 2 for span in spans]
    reaches = [(high - low) / 2 - INSET for low, high in spans]
    panels, steps, spots = [], [], []
    for number, signs in enumerate(WHERE, start=1):
        x, y = (
            round(middle + sign * reach, 3)
            for middle, sign, reach in zip(middles, signs, reaches, strict=True)
        )
        cut = [SIDE - STAIR * (number - stair) for stair in range(number)]
        wall = across([STAIR] * number + [SIDE - STAIR * number], [*cut, SIDE], setup.job.first_layer, pixel)
        panels.append((wall, job))
        nominal = (setup.job.first_layer, x, y, setup.machine.z_zero)
        box = PanelArea(STAIR * len(WHERE) + 1.0, 0.0, SIDE - 1.0, setup.job.first_layer)
        steps.append(MeasuringPlace(box, nominal, panel=number - 1))
        spots.append(Spot(x, y))
    return Specimen(panels, steps, spots, repeats=3)


def _fit(filled: FilledSheet, setup: Setup) -> Outcome:
    """Lay a plane through the sheets: its height in the middle corrects z_zero, its tilt is told.

    Parameters
    ----------
    filled : FilledSheet
    setup : Setup

    Raises
    ------
    PathgenError
        For fewer than five tiles, tiles that lie in a line, and an offset no profile can hold.

    Notes
    -----
    Readings of one tile share its height, so the plane goes through the tiles' means, and Student's intervals
    come from what those depart by. That holds on a platform that is not flat as well; whether it is one is
    told by the F test of lack of fit (Draper and Smith, Applied Regression Analysis; from memory).
    """
    nominal, old = filled.same("nominal"), filled.same("z_zero")
    volume = setup.machine.volume
    x, y = filled["at_x"] - sum(volume.x) / 2, filled["at_y"] - sum(volume.y) / 2
    if np.linalg.matrix_rank(np.column_stack([np.ones(len(x)), x, y]), tol=1e-6 * INSET) < 3:
        what = "the tiles that were read lie in a line"
        raise PathgenError(what, where=filled.where, allowed="all five tiles")
    plane, uneven = _plane(x / HUNDRED, y / HUNDRED, filled["sheet"] - nominal)
    names = ("offset", "mm"), ("tilt along x", "mm per 100 mm"), ("tilt along y", "mm per 100 mm")
    values = zip(plane.values.tolist(), plane.low.tolist(), plane.high.tolist(), strict=True)
    found = [Estimate(*name, *figures) for name, figures in zip(names, values, strict=True)]
    new = short(old + found[0].value, (found[0].high - found[0].low) / 2)
    if abs(new) > 1:
        what = f"z_zero would be {new:g} mm"
        raise PathgenError(what, where=filled.where, allowed="-1 to 1 mm: set the machine's own zero first")
    change = Change("", "z_zero", new, "mm, tip over the platform at z = 0")
    notes = [*_tilted(found[1:], (volume.x, volume.y))]
    if uneven > 0:
        notes.append(f"the platform is not flat: tiles depart from a plane by up to {uneven:.3f} mm")
    if nominal - new < LEAST_FIRST:
        least = new + LEAST_FIRST
        notes.append(f"a first_layer of {nominal:g} mm is then too low: {least:.3g} mm is the least")
    line = f"z_zero {old:g} → {new:g} mm"
    return Outcome(tuple(found), (change,), (line,), _curve(filled, plane, x, y, nominal), tuple(notes))


def _plane(x: Floats, y: Floats, over: Floats) -> tuple[Estimates, float]:
    """Fit a plane to the tiles' means; say how far they depart where it is more than readings scatter."""
    from scipy.special import fdtrc

    _, tile, counts = np.unique(np.column_stack([x, y]), axis=0, return_inverse=True, return_counts=True)
    tile = tile.ravel()
    mean_x, mean_y, mean = (np.bincount(tile, values) / counts for values in (x, y, over))
    wide = np.full(3, 100.0)
    plane = least_squares(
        lambda p: p[0] + p[1] * mean_x + p[2] * mean_y, mean, np.zeros(3), (-wide, wide), "tiles"
    )
    within = len(x) - len(counts)
    if within < 1:
        return plane, 0.0
    a, b, c = plane.values
    apart = mean - (a + b * mean_x + c * mean_y)
    scatter = float(np.sum((over - mean[tile]) ** 2)) / within
    misfit = float(np.sum(counts * apart**2)) / (len(counts) - 3)
    flat = float(fdtrc(len(counts) - 3, within, misfit / max(scatter, LEAST_SCATTER))) > 1 - LEVEL
    return plane, 0.0 if flat else float(np.abs(apart).max())


def _tilted(tilts: list[Estimate], spans: tuple[Range, Range]) -> list[str]:
    """Say where the platform is so tilted that no single figure is right for all of it."""
    notes = []
    for tilt, (low, high), axis in zip(tilts, spans, "xy", strict=True):
        gap, least, most = (value * (high - low) / HUNDRED for value in tilt[2:])
        if abs(gap) > TOLERATED and least * most > 0:
            notes.append(
                f"level the platform first: from low to high {axis} the gap under the tip changes by "
                f"{gap:.2f} mm ({least:.2f} to {most:.2f})"
            )
    return notes


def _curve(filled: FilledSheet, plane: Estimates, x: Floats, y: Floats, nominal: float) -> Curve:
    said = nominal + plane.values @ np.stack([np.ones(len(x)), x / HUNDRED, y / HUNDRED])
    ends = np.array([said.min(), said.max()])
    return Curve("sheet by the plane (mm)", "sheet (mm)", said, filled["sheet"], (ends, ends))


COUPON = Coupon(
    name="first-layer-tile",
    measures="where z is really 0, and whether the platform is level",
    profile="machine",
    nominal=(
        SheetColumn("nominal", "mm", 0.01, 2.0),
        SheetColumn("at_x", "mm", -5000.0, 5000.0),
        SheetColumn("at_y", "mm", -5000.0, 5000.0),
        SheetColumn("z_zero", "mm", -1.0, 1.0),
    ),
    measured=(
        SheetColumn("sheet", "mm", 0.01, 3.0, "what a micrometer shows, at three places of each tile"),
    ),
    how=(
        "Let the platform cool, take the tiles off, and measure each sheet away from its edges and stairs.",
        "A tile's number is how many stairs are cut into its corner: 1 in the middle, 2 front left,",
        "3 front right, 4 back left, 5 back right; the stairs were to the front and left.",
    ),
    build=_build,
    fit=_fit,
)
