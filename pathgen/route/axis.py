"""The best axis: the figures behind standing along X or along Y, and the choice with its reason.

Glossary. *Along*: the machine axis the panel's length lies on. *Normal axis*: the other horizontal one,
across the wall; it places the beads across and so shapes the face. *Carried*: the platform moves along the
normal and takes the wall with it, the way it is weakest.

Every figure becomes a cost between 0 and 1, so none can run away: v/(v + half) with the value that costs half
in `HALF`, and time and acceleration by how far they fall short of the better axis. Costs are weighted by
`WEIGHTS` and added up. The lowest sum wins; at equal sums, rotation 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from pathgen.errors import PathgenError
from pathgen.route.placement import ROOM_ABOVE, Footprint, place
from pathgen.settings import Machine
from pathgen.settings.machine import Axis

# Judgements, in the order they settle the matter. Carried outweighs all others together: a wall that stands
# along the platform's way is stiff that way whatever else is the matter, which no figure here could buy back.
# Sway shows on the face at once, steps of the normal axis as a fine grain, time costs patience only, and a
# sluggish normal axis stays a little longer where beads cross over.
WEIGHTS = {"carried": 10.0, "sway": 3.0, "positioning": 2.0, "time": 1.0, "acceleration": 0.5}
# Shares of a bead's spacing that cost half: a quarter of a bead is where sway is no longer tolerable, a
# twentieth (0.02 mm) is a motor step at 50 steps a millimetre.
HALF = {"sway": 0.25, "positioning": 0.05}

ALONG = {0: "X", 90: "Y"}  # rotation in degrees: the axis the panel stands along


@dataclass(frozen=True, slots=True)
class AxisScore:
    """What one rotation would be like.

    Attributes
    ----------
    rotation : int
        Degrees: 0 along X, 90 along Y.
    fits : bool
        Inside the build volume, margin, brim and start line included.
    clear : bool
        It fits, and somewhere keep-out zones leave room for it.
    carried : bool
        The platform moves along the panel's normal.
    sway : float
        Of the finished wall's top, mm.
    positioning : float
        Error of the normal axis as it was measured, or its way for one motor step, mm.
    acceleration : float
        Of the normal axis, mm/s².
    time : float or None
        As planned, s.
    costs : dict of str to float
        Each of `WEIGHTS`, weighted.
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
        """Sum of the costs, the lower the better; infinite where there is no place for the panel."""
        return sum(self.costs.values()) if self.clear else math.inf

    @property
    def along(self) -> str:
        """Machine axis the panel stands along, "X" or "Y"."""
        return ALONG[self.rotation]


@dataclass(frozen=True, slots=True)
class AxisChoice:
    """The axis chosen.

    Attributes
    ----------
    rows : tuple of AxisScore
        One for each rotation, in order.
    rotation : int
        The chosen one, degrees.
    reason : str
        One sentence that names the deciding numbers; it goes on from "the panel stands".
    """

    rows: tuple[AxisScore, ...]
    rotation: int
    reason: str

    @property
    def axis(self) -> str:
        """The chosen axis as a job names it, "x" or "y"."""
        return ALONG[self.rotation].lower()


def carried_acceleration(machine: Machine, rotation: int) -> float:
    """Acceleration of the wall along its normal, mm/s²: 0 unless the platform itself moves that way.

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
    """Compare standing along X with standing along Y.

    Parameters
    ----------
    machine : Machine
    footprint : Footprint, or a mapping of int to Footprint
        What panel, brim and start line cover; one for each rotation where it is not the same.
    sway : mapping of int to float
        For each rotation to compare (0, 90), sway of the finished wall's top under the acceleration that
        `carried_acceleration` gives and the nozzle's drag, mm.
    spacing : float
        Spacing of a bead, mm.
    time : mapping of int to float, optional
        For each of the same rotations, planned time, s.

    Returns
    -------
    AxisChoice

    Raises
    ------
    PathgenError
        When the panel fits at no rotation (as `place` says it), or figures are missing or below 0.

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
        step, spent = normal.positioning or 1 / normal.steps_per_mm, time[rotation] if time else None
        costs = {
            "carried": float(carried),
            "sway": _half(sway[rotation], HALF["sway"] * spacing),
            "positioning": _half(step, HALF["positioning"] * spacing),
            "time": 1 - best_time / spent if spent else 0.0,
            "acceleration": 1 - normal.acceleration / quickest,
        }
        fits = _fits(areas[rotation], machine, rotation)
        clear = fits and _has_place(areas[rotation], machine, rotation)
        weighted = {name: WEIGHTS[name] * cost for name, cost in costs.items()}
        figures = (sway[rotation], step, normal.acceleration, spent)
        rows.append(AxisScore(rotation, fits, clear, carried, *figures, weighted))
    best = min(rows, key=lambda row: row.total)
    if not best.clear:
        axis = "auto" if len(rows) > 1 else best.along.lower()
        place(areas[rotations[0]], machine, axis)  # raises, with its sizes
    return AxisChoice(tuple(rows), best.rotation, _reason(best, rows))


def _check(sway: Mapping[int, float], spacing: float, time: Mapping[int, float] | None) -> None:
    """Refuse figures that cannot be compared."""
    unknown = sorted(set(sway) - set(ALONG))
    if unknown or not sway:
        raise PathgenError(f"rotations {unknown or 'missing'}", where="score_axes: sway", allowed="0 and 90")
    if time is not None and set(time) != set(sway):
        given, wanted = sorted(time), sorted(sway)
        raise PathgenError(f"times for {given}", where="score_axes: time", allowed=f"one each for {wanted}")
    figures = [*sway.values(), *(time or {}).values(), spacing]
    if not all(0 <= value < math.inf for value in figures) or spacing == 0:
        what = f"sway, time and spacing are {', '.join(f'{value:g}' for value in figures)}"
        raise PathgenError(what, where="score_axes", allowed="0 or more, a spacing above 0")


def _normal(machine: Machine, rotation: int) -> Axis:
    return machine.axes.y if rotation == 0 else machine.axes.x


def _is_carried(machine: Machine, rotation: int) -> bool:
    return machine.platform_axis == ("y" if rotation == 0 else "x")


def _half(value: float, half: float) -> float:
    """Cost from 0 to 1 of a value that costs a half at `half`."""
    return value / (value + half)


def _fits(footprint: Footprint, machine: Machine, rotation: int) -> bool:
    """Whether it fits the volume, keep-out zones aside."""
    x, y = (footprint.u, footprint.n) if rotation == 0 else (footprint.n, footprint.u)
    spans, volume = (x, y), (machine.volume.x, machine.volume.y)
    inside = (
        high - low <= (end - machine.margin) - (begin + machine.margin)
        for (low, high), (begin, end) in zip(spans, volume, strict=True)
    )
    return all(inside) and footprint.height + ROOM_ABOVE <= machine.volume.z[1]


def _has_place(footprint: Footprint, machine: Machine, rotation: int) -> bool:
    """Whether a place is found for it between the keep-out zones."""
    try:
        place(footprint, machine, ALONG[rotation].lower())
    except PathgenError:
        return False
    return True


def _reason(best: AxisScore, rows: list[AxisScore]) -> str:
    """Say why, by the cost that parts the two most."""
    others = [row for row in rows if row is not best]
    if not others:
        return f"along {best.along}, the only one compared"
    other = others[0]
    if not other.clear:
        why = "keep-out zones leave it no place" if other.fits else "it does not fit"
        return f"along {best.along}, as {why} along {other.along}"
    gains = {name: other.costs[name] - best.costs[name] for name in WEIGHTS}
    decides = max(gains, key=lambda name: gains[name])
    if gains[decides] <= 0:
        return (
            f"along {best.along}, either axis being as good: sway {best.sway:.3f} mm, "
            f"positions to {best.positioning:.4f} mm, {best.acceleration:g} mm/s² across the face"
        )
    return f"along {best.along}: {_words(decides, best, other)}"


def _words(decides: str, best: AxisScore, other: AxisScore) -> str:
    """Word the deciding figures of the chosen and the other axis."""
    if decides == "carried":
        shaken = f"along {other.along} the platform would shake the face at {other.acceleration:g} mm/s²"
        return f"{shaken}, sway {other.sway:.3f} mm against {best.sway:.3f} mm"
    if decides == "sway":
        return f"along {other.along} the top sways more, {other.sway:.3f} mm against {best.sway:.3f} mm"
    if decides == "positioning":
        steps = f"{best.positioning:.4f} mm, along {other.along} {other.positioning:.4f} mm"
        return f"across the face it positions to {steps}"
    if decides == "time":
        assert best.time is not None and other.time is not None, "only given times can decide"
        return f"it takes {best.time / 3600:.2f} h, along {other.along} {other.time / 3600:.2f} h"
    across = f"{best.acceleration:g} mm/s², along {other.along} {other.acceleration:g} mm/s²"
    return f"across the face it accelerates at {across}"
