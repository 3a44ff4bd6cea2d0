"""Choose whether a panel stands along X or along Y, and state the reason.

Glossary. *Along*: the machine axis parallel to the panel's length. *Normal axis*: the other horizontal axis,
across the wall; it positions the beads across the wall and so shapes the face. *Carried*: the platform moves
along the normal, and so accelerates the wall in its weakest direction.

Every figure becomes a cost between 0 and 1, so that no single figure dominates: v/(v + half), with the value
of cost ½ in `HALF`, or the relative deficit to the better axis for time and acceleration. Costs are weighted
by `WEIGHTS` and added. The lowest sum wins; on ties, rotation 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from pathgen.errors import PathgenError
from pathgen.route.placement import Footprint, fits_volume, nearest_place, place
from pathgen.settings import Machine
from pathgen.settings.machine import Axis

# Judgements in order of importance. "carried" outweighs all others together: a wall along the motion of the
# platform is stiff in that direction, and nothing compensates for the loss of that. Sway is visible on the
# face, steps of the normal axis appear as fine texture, time costs only patience, and a slow normal axis
# dwells slightly longer where beads cross.
WEIGHTS = {"carried": 10.0, "sway": 3.0, "positioning": 2.0, "time": 1.0, "acceleration": 0.5}
# Fractions of the bead spacing with a cost of ½: sway is intolerable from a quarter of a bead on; a twentieth
# (0.02 mm) is a motor step at 50 steps per millimetre.
HALF = {"sway": 0.25, "positioning": 0.05}

ALONG = {0: "X", 90: "Y"}  # axis along which the panel stands, by rotation in degrees


@dataclass(frozen=True, slots=True)
class AxisScore:
    """Criteria and costs of one rotation of the panel.

    Attributes
    ----------
    rotation : int
        Degrees: 0 along X, 90 along Y.
    fits : bool
        The panel fits the build volume with margin, brim and start line.
    clear : bool
        The panel fits, also outside the keep-out zones.
    carried : bool
        The platform moves along the panel's normal.
    sway : float
        Sway of the finished wall's top, mm.
    positioning : float
        Measured error of the normal axis, or its distance per motor step, mm.
    acceleration : float
        Acceleration of the normal axis, mm/s².
    time : float or None
        Planned time, s.
    costs : dict of str to float
        Weighted cost for each key of `WEIGHTS`.
    """

    rotation: int
    fits: bool
    clear: bool
    carried: bool
    sway: float
    positioning: float
    acceleration: float
    time: float | None
    costs: dict[str, float]

    @property
    def total(self) -> float:
        """Sum of the costs, lower is better; infinite if the panel does not fit."""
        return sum(self.costs.values()) if self.clear else math.inf

    @property
    def along(self) -> str:
        """Machine axis along which the panel stands, "X" or "Y"."""
        return ALONG[self.rotation]


@dataclass(frozen=True, slots=True)
class AxisChoice:
    """Axis along which the panel stands, and the scores of all rotations.

    Attributes
    ----------
    rows : tuple of AxisScore
        One per rotation, in order.
    rotation : int
        Chosen rotation, degrees.
    reason : str
        Reason with the deciding figures; continues the sentence "the panel stands".
    """

    rows: tuple[AxisScore, ...]
    rotation: int
    reason: str

    @property
    def axis(self) -> str:
        """Chosen axis as written in a job file, "x" or "y"."""
        return ALONG[self.rotation].lower()


def carried_acceleration(machine: Machine, rotation: int) -> float:
    """Return the wall's acceleration along its normal, mm/s²; 0 unless the platform moves that way.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> [carried_acceleration(load_machine("moving-table"), rotation) for rotation in (0, 90)]
    [1000.0, 0.0]
    """
    return _normal(machine, rotation).acceleration if _is_carried(machine, rotation) else 0.0


def score_axes(
    machine: Machine,
    footprint: Footprint | Mapping[int, Footprint],
    sway: Mapping[int, float],
    spacing: float,
    time: Mapping[int, float] | None = None,
) -> AxisChoice:
    """Compare a panel that stands along X with one that stands along Y.

    Parameters
    ----------
    machine : Machine
    footprint : Footprint, or a mapping of int to Footprint
        Area of panel, brim and start line; one per rotation if they differ.
    sway : mapping of int to float
        Sway of the finished wall's top for each rotation to compare (0, 90), under the acceleration from
        `carried_acceleration` and the drag of the nozzle, mm.
    spacing : float
        Bead spacing, mm.
    time : mapping of int to float, optional
        Planned time for each of the same rotations, s.

    Returns
    -------
    AxisChoice

    Raises
    ------
    PathgenError
        If the panel does not fit at any rotation (see `place`), or figures are missing or negative.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> area = Footprint((-10.0, 110.0), (-10.0, 20.0), 100.0)
    >>> choice = score_axes(load_machine("moving-table"), area, {0: 0.022, 90: 0.017}, 0.42)
    >>> choice.rotation, [round(row.total, 2) for row in choice.rows]
    (90, [11.06, 0.96])
    >>> choice.reason
    'along Y: along X the platform would shake the face at 1000 mm/s², sway 0.022 mm against 0.017 mm'
    """
    _check(sway, spacing, time)
    rotations = sorted(sway)
    best_time = min(time.values()) if time else 0.0
    quickest = max(_normal(machine, rotation).acceleration for rotation in rotations)
    rows = []
    areas = {r: footprint if isinstance(footprint, Footprint) else footprint[r] for r in rotations}
    for rotation in rotations:
        normal, carried = _normal(machine, rotation), _is_carried(machine, rotation)
        step, seconds = normal.positioning or 1 / normal.steps_per_mm, time[rotation] if time else None
        costs = {
            "carried": float(carried),
            "sway": _half(sway[rotation], HALF["sway"] * spacing),
            "positioning": _half(step, HALF["positioning"] * spacing),
            "time": 1 - best_time / seconds if seconds else 0.0,
            "acceleration": 1 - normal.acceleration / quickest,
        }
        fits = fits_volume(areas[rotation], machine, rotation)
        clear = nearest_place(areas[rotation], machine, rotation) is not None
        weighted = {name: WEIGHTS[name] * cost for name, cost in costs.items()}
        figures = (sway[rotation], step, normal.acceleration, seconds)
        rows.append(AxisScore(rotation, fits, clear, carried, *figures, weighted))
    best = min(rows, key=lambda row: row.total)
    if not best.clear:
        axis = "auto" if len(rows) > 1 else best.along.lower()
        place(areas[rotations[0]], machine, axis)  # raises an error with the sizes
    return AxisChoice(tuple(rows), best.rotation, _reason(best, rows))


def _check(sway: Mapping[int, float], spacing: float, time: Mapping[int, float] | None) -> None:
    """Reject unknown rotations, and values that are not comparable numbers."""
    unknown = sorted(set(sway) - set(ALONG))
    if unknown or not sway:
        what = f"unknown rotations {unknown}" if unknown else "sway is empty"
        raise PathgenError(what, where="score_axes: sway", allowed="rotations 0 and 90")
    if time is not None and set(time) != set(sway):
        what = f"times are for the rotations {sorted(time)}"
        raise PathgenError(
            what,
            where="score_axes: time",
            allowed=f"times for {sorted(sway)}, the rotations of the sway values",
        )
    figures = [*sway.values(), *(time or {}).values(), spacing]
    if not all(0 <= value < math.inf for value in figures) or spacing == 0:
        what = f"sway, time and spacing are {', '.join(f'{value:g}' for value in figures)}"
        raise PathgenError(
            what, where="score_axes", allowed="values of 0 or more, and a bead spacing above 0"
        )


def _normal(machine: Machine, rotation: int) -> Axis:
    return machine.axes.y if rotation == 0 else machine.axes.x


def _is_carried(machine: Machine, rotation: int) -> bool:
    return machine.platform_axis == ("y" if rotation == 0 else "x")


def _half(value: float, half: float) -> float:
    """Convert a value to a cost from 0 to 1 that is ½ at `half`."""
    return value / (value + half)


def _reason(best: AxisScore, rows: list[AxisScore]) -> str:
    """Return the reason for the choice: the cost with the largest difference."""
    others = [row for row in rows if row is not best]
    if not others:
        return f"along {best.along}, the only one compared"
    other = others[0]
    if not other.clear:
        why = "keep-out zones leave no room for the panel" if other.fits else "it does not fit"
        return f"along {best.along}, because {why} along {other.along}"
    gains = {name: other.costs[name] - best.costs[name] for name in WEIGHTS}
    decides = max(gains, key=lambda name: gains[name])
    if gains[decides] <= 0:
        return (
            f"along {best.along}; both axes are equally good: sway {best.sway:.3f} mm, positioning error "
            f"{best.positioning:.4f} mm, {best.acceleration:g} mm/s² across the face"
        )
    return f"along {best.along}: {_compare(decides, best, other)}"


def _compare(decides: str, best: AxisScore, other: AxisScore) -> str:
    """Return the deciding criterion as text, with its values along both axes."""
    if decides == "carried":
        shaken = f"along {other.along} the platform would shake the face at {other.acceleration:g} mm/s²"
        return f"{shaken}, sway {other.sway:.3f} mm against {best.sway:.3f} mm"
    if decides == "sway":
        return f"along {other.along} the top sways more, {other.sway:.3f} mm against {best.sway:.3f} mm"
    if decides == "positioning":
        errors = f"{best.positioning:.4f} mm, along {other.along} {other.positioning:.4f} mm"
        return f"the positioning error across the face is {errors}"
    if decides == "time":
        assert best.time is not None and other.time is not None, "a missing time has no cost"
        return f"it takes {best.time / 3600:.2f} h, along {other.along} {other.time / 3600:.2f} h"
    across = f"{best.acceleration:g} mm/s², along {other.along} {other.acceleration:g} mm/s²"
    return f"the acceleration across the face is {across}"
