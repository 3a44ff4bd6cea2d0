"""Convert arcs of RS-274 (G2 and G3 in the XY plane) to chords.

Glossary. *Sweep*: the angle through which an arc turns, in radians, counter-clockwise positive. *Sagitta*:
the largest distance between a chord and its arc.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TOLERANCE = 0.005  # mm, maximum sagitta: a hundredth of a bead width
# Maximum difference of the two radii in centre format, mm; NISTIR 6556, 3.5.3.2 (from memory).
MISMATCH = 0.002
MAX_CHORDS = 100_000  # per arc; an arc that needs more has a mistyped radius

FAULTS = {
    1: "the arc has no end point; add X or Y",
    2: "the arc has no centre; add I or J, or a radius R",
    3: "the arc has both a centre and a radius; remove one",
    4: "an arc given by its radius ends at its start point; give its centre instead",
    5: "the end points of the arc are further apart than twice its radius",
    6: "the end points of the arc are at different distances from its centre",
    7: "the radius of the arc is 0",
    8: f"the arc needs more than {MAX_CHORDS} chords; check its radius",
}


class Arcs(NamedTuple):
    """Columns of N arcs; NaN where a word is absent."""

    start: Floats  # (N, 2) mm
    end: Floats  # (N, 2) mm
    clockwise: NDArray[np.bool_]
    placed: NDArray[np.bool_]  # the line has an X or a Y word
    centre: Floats  # (N, 2) I and J, relative to the start, mm
    radius: Floats  # (N,) R, mm; negative for the longer of the two arcs


class ArcTurns(NamedTuple):
    """Centre, sweep and number of chords of N arcs."""

    centre: Floats  # (N, 2) mm
    first: Floats  # (N,) direction from the centre to the start, radians
    sweep: Floats  # (N,)
    radius: Floats  # (N,) at the start, mm
    growth: Floats  # (N,) radius at the end minus radius at the start, mm
    chords: NDArray[np.int64]  # (N,)
    fault: NDArray[np.int64]  # (N,) a key of FAULTS, 0 for a valid arc


def find_turns(arcs: Arcs) -> ArcTurns:
    """Compute centre, sweep and number of chords of arcs in either format.

    Parameters
    ----------
    arcs : Arcs
        May be empty.

    Returns
    -------
    ArcTurns
        In rows with a fault, only the fault is meaningful.

    Notes
    -----
    Both formats and their errors are those of NISTIR 6556, 3.5.3. The sagitta of a chord with half-angle a on
    radius r is r·(1 − cos a).

    Examples
    --------
    >>> quarter = Arcs(np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]]), np.array([False]), np.array([True]),
    ...                np.array([[-1.0, np.nan]]), np.array([np.nan]))
    >>> found = find_turns(quarter)
    >>> round(float(found.sweep[0]), 6), int(found.chords[0])
    (1.570796, 8)
    """
    present = ~np.isnan(arcs.centre)
    by_radius = ~np.isnan(arcs.radius)
    offset = np.where(by_radius[:, None], _to_centre(arcs), np.where(present, arcs.centre, 0.0))
    centre = arcs.start + offset
    u, v = -offset, arcs.end - centre
    radius, final = np.hypot(u[:, 0], u[:, 1]), np.hypot(v[:, 0], v[:, 1])
    sweep = np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(1))
    sweep = np.where(arcs.clockwise & (sweep >= 0), sweep - 2 * np.pi, sweep)
    sweep = np.where(~arcs.clockwise & (sweep <= 0), sweep + 2 * np.pi, sweep)

    with np.errstate(divide="ignore", invalid="ignore"):
        step = 2 * np.arccos(1 - np.minimum(TOLERANCE / np.maximum(radius, final), 1.0))
        count = np.ceil(np.abs(sweep) / step)
    count = np.where(np.isfinite(count), count, MAX_CHORDS + 1)

    apart = np.hypot(*(arcs.end - arcs.start).T)
    fault = np.zeros(len(radius), np.int64)
    for number, wrong in (
        (8, count > MAX_CHORDS),
        (7, radius == 0),
        (6, ~by_radius & (np.abs(final - radius) > MISMATCH)),
        (5, by_radius & (apart / 2 > np.abs(arcs.radius) + MISMATCH)),
        (4, by_radius & (apart == 0)),
        (3, by_radius & present.any(1)),
        (2, ~by_radius & ~present.any(1)),
        (1, ~arcs.placed),
    ):
        fault[wrong] = number
    chords = np.clip(count, 1, MAX_CHORDS).astype(np.int64)
    return ArcTurns(centre, np.arctan2(u[:, 1], u[:, 0]), sweep, radius, final - radius, chords, fault)


def _to_centre(arcs: Arcs) -> Floats:
    """Compute the vector from start to centre for arcs given by their radius.

    A positive radius denotes the arc of at most half a turn, so the centre of a clockwise arc lies to the
    right of the chord from start to end. A negative radius reverses the side.
    """
    chord = arcs.end - arcs.start
    length = np.hypot(chord[:, 0], chord[:, 1])
    height = np.sqrt(np.maximum(arcs.radius**2 - (length / 2) ** 2, 0.0))
    side = np.where(arcs.clockwise == (arcs.radius > 0), -1.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.stack([-chord[:, 1], chord[:, 0]], axis=1) / length[:, None]
    return np.asarray(chord / 2 + np.nan_to_num(left) * (side * height)[:, None])


def chord_ends(found: ArcTurns, row: NDArray[np.int64], share: Floats) -> Floats:
    """Return the points at fractions `share` (0 to 1) of the arcs `row`; (K, 2), mm."""
    angle = found.first[row] + found.sweep[row] * share
    radius = found.radius[row] + found.growth[row] * share
    arm = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.asarray(found.centre[row] + radius[:, None] * arm)
