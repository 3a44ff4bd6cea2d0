"""Arcs of RS-274 (G2, G3 in the XY plane) as chords.

Glossary. *Sweep*: the angle an arc turns through, counter-clockwise positive, radians. *Sagitta*: the widest
gap between a chord and its arc.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TOLERANCE = 0.005  # mm, largest sagitta: a hundredth of a bead
MISMATCH = 0.002  # mm by which centre format's two radii may differ, NISTIR 6556 3.5.3.2 (from memory)
MOST_CHORDS = 100_000  # of one arc; more means a mistyped radius, not an arc

FAULTS = {
    1: "an arc without an end point: X or Y is needed",
    2: "an arc without its centre: I or J, or R, is needed",
    3: "an arc with both a centre and a radius",
    4: "an arc by radius that ends where it starts",
    5: "an arc whose ends are further apart than twice its radius",
    6: "an arc whose ends lie at different distances from its centre",
    7: "an arc of no radius",
    8: f"an arc of more than {MOST_CHORDS} chords",
}


class Arcs(NamedTuple):
    """Columns of N arcs; NaN where a word was not given."""

    start: Floats  # (N, 2) mm
    end: Floats  # (N, 2) mm
    clockwise: NDArray[np.bool_]
    placed: NDArray[np.bool_]  # an X or Y word stands in the line
    centre: Floats  # (N, 2) I and J, from the start, mm
    radius: Floats  # (N,) R, mm; negative: the longer way round


class ArcTurns(NamedTuple):
    """Where arcs run: columns of N."""

    centre: Floats  # (N, 2) mm
    first: Floats  # (N,) angle of the start seen from the centre
    sweep: Floats  # (N,)
    radius: Floats  # (N,) at the start
    growth: Floats  # (N,) radius at the end less radius at the start
    chords: NDArray[np.int64]  # (N,)
    fault: NDArray[np.int64]  # (N,) a key of FAULTS, 0 where there is none


def find_turns(arcs: Arcs) -> ArcTurns:
    """Find centre, sweep and number of chords of arcs in either format.

    Parameters
    ----------
    arcs : Arcs
        May be empty.

    Returns
    -------
    Turn
        Rows with a fault hold nothing else of use.

    Notes
    -----
    Formats and what is an error in them: NISTIR 6556, 3.5.3. A chord of half-angle a on radius r has the
    sagitta r·(1 − cos a).

    Examples
    --------
    >>> quarter = Arcs(np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]]), np.array([False]), np.array([True]),
    ...                np.array([[-1.0, np.nan]]), np.array([np.nan]))
    >>> found = find_turns(quarter)
    >>> round(float(found.sweep[0]), 6), int(found.chords[0])
    (1.570796, 8)
    """
    given = ~np.isnan(arcs.centre)
    by_radius = ~np.isnan(arcs.radius)
    offset = np.where(by_radius[:, None], _to_centre(arcs), np.where(given, arcs.centre, 0.0))
    centre = arcs.start + offset
    u, v = -offset, arcs.end - centre
    radius, final = np.hypot(u[:, 0], u[:, 1]), np.hypot(v[:, 0], v[:, 1])
    sweep = np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(1))
    sweep = np.where(arcs.clockwise & (sweep >= 0), sweep - 2 * np.pi, sweep)
    sweep = np.where(~arcs.clockwise & (sweep <= 0), sweep + 2 * np.pi, sweep)

    with np.errstate(divide="ignore", invalid="ignore"):
        step = 2 * np.arccos(1 - np.minimum(TOLERANCE / np.maximum(radius, final), 1.0))
        count = np.ceil(np.abs(sweep) / step)
    count = np.where(np.isfinite(count), count, MOST_CHORDS + 1)

    apart = np.hypot(*(arcs.end - arcs.start).T)
    fault = np.zeros(len(radius), np.int64)
    for number, wrong in (
        (8, count > MOST_CHORDS),
        (7, radius == 0),
        (6, ~by_radius & (np.abs(final - radius) > MISMATCH)),
        (5, by_radius & (apart / 2 > np.abs(arcs.radius) + MISMATCH)),
        (4, by_radius & (apart == 0)),
        (3, by_radius & given.any(1)),
        (2, ~by_radius & ~given.any(1)),
        (1, ~arcs.placed),
    ):
        fault[wrong] = number
    chords = np.clip(count, 1, MOST_CHORDS).astype(np.int64)
    return ArcTurns(centre, np.arctan2(u[:, 1], u[:, 0]), sweep, radius, final - radius, chords, fault)


def _to_centre(arcs: Arcs) -> Floats:
    """Find the centre, from the start, of arcs given by radius.

    A positive radius is the arc of at most half a turn, so a clockwise one has its centre right of the way
    from start to end; a negative radius swaps sides.
    """
    way = arcs.end - arcs.start
    length = np.hypot(way[:, 0], way[:, 1])
    height = np.sqrt(np.maximum(arcs.radius**2 - (length / 2) ** 2, 0.0))
    side = np.where(arcs.clockwise == (arcs.radius > 0), -1.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.stack([-way[:, 1], way[:, 0]], axis=1) / length[:, None]
    return np.asarray(way / 2 + np.nan_to_num(left) * (side * height)[:, None])


def chord_ends(found: ArcTurns, row: NDArray[np.int64], share: Floats) -> Floats:
    """Place the point at a share (0 to 1) of arc number `row`; (K, 2) mm for K shares."""
    angle = found.first[row] + found.sweep[row] * share
    radius = found.radius[row] + found.growth[row] * share
    arm = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.asarray(found.centre[row] + radius[:, None] * arm)
