"""Where the panel stands: along which machine axis, and where on the platform.

Panel coordinates are u to the viewer's right, z up, n out of the flat back toward the viewer; seen so, (u,
n, z) is left-handed. At rotation 0 a point goes to machine (x0 + u, y0 − n, z): the panel stands along X,
its face toward low y. At rotation 90 the same is turned a quarter to the left, (x0 + n, y0 + u, z). A sign
wrong here prints a mirrored picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from pathgen.errors import PathgenError
from pathgen.layers.strokes import Floats, Strokes
from pathgen.route.zones import taken
from pathgen.settings import Machine

ROOM_ABOVE = 5.0  # mm the head needs over the finished panel to move clear
Rotation = Literal[0, 90]

TURN_STEP = 5  # degrees between the angles tried for what fits along no axis
STEP = 5.0  # mm between the places tried around keep-out zones


@dataclass(frozen=True, slots=True)
class Footprint:
    """What the job covers of the platform, in panel coordinates, mm.

    Attributes
    ----------
    u, n : tuple of float
        Extents of panel, brim and start line.
    height : float
        Height of the panel.
    """

    u: tuple[float, float]
    n: tuple[float, float]
    height: float

    def around(self, box: tuple[tuple[float, float], tuple[float, float]] | None) -> Footprint:
        """Grow to hold a box of (u, n) extents as well."""
        if box is None:
            return self
        u, n = (
            (min(own[0], more[0]), max(own[1], more[1]))
            for own, more in zip((self.u, self.n), box, strict=True)
        )
        return Footprint(u, n, self.height)


@dataclass(frozen=True, slots=True)
class Placement:
    """How panel coordinates become machine coordinates.

    Attributes
    ----------
    rotation : float
        Degrees the panel is turned counter-clockwise on the platform, seen from above. 0: it stands along X;
        90: along Y.
    x0, y0 : float
        Machine position of the panel's origin (u = 0, n = 0), mm.
    reason : str
        Why this rotation, for people.
    """

    rotation: float
    x0: float
    y0: float
    reason: str = ""

    def to_machine(self, u: Floats, n: Floats) -> tuple[Floats, Floats]:
        """Machine x and y of points (u, n), same shape."""
        if self.rotation == 0:
            return self.x0 + u, self.y0 - n
        if self.rotation == 90:
            return self.x0 + n, self.y0 + u
        cosine, sine = self._turn()
        return self.x0 + cosine * u + sine * n, self.y0 + sine * u - cosine * n

    def to_panel(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Panel u and n of machine points (x, y), same shape."""
        if self.rotation == 0:
            return x - self.x0, self.y0 - y
        if self.rotation == 90:
            return y - self.y0, x - self.x0
        cosine, sine = self._turn()  # a turn and a mirror together are their own inverse
        x, y = x - self.x0, y - self.y0
        return cosine * x + sine * y, sine * x - cosine * y

    def _turn(self) -> tuple[float, float]:
        angle = math.radians(self.rotation)
        return math.cos(angle), math.sin(angle)

    def put(self, strokes: Strokes) -> Strokes:
        """Put strokes where they lie on the machine: x and y stand in their `u` and `n`."""
        x, y = self.to_machine(strokes.u, strokes.n)
        return replace(strokes, u=x, n=y)

    def moved(self, u: float, n: float) -> Placement:
        """Placement of what has its origin at (u, n) of this one."""
        x, y = self.to_machine(np.array(u), np.array(n))
        return Placement(self.rotation, round(float(x), 3), round(float(y), 3), self.reason)


def place(footprint: Footprint, machine: Machine, axis: str = "auto") -> Placement:
    """Choose the axis a panel stands along and its place on the platform.

    Parameters
    ----------
    footprint : Footprint
    machine : Machine
    axis : {"auto", "x", "y"}
        "auto" takes an axis the panel fits along, and of two the one that the platform moves along: a wall
        carried along its own length does not sway.

    Returns
    -------
    Placement
        As near to the platform's middle as keep-out zones allow, on whole hundredths of a millimetre.

    Raises
    ------
    PathgenError
        When it does not fit: by how much, and the largest panel that would.
    """
    along = machine.platform_axis if machine.platform_axis in ("x", "y") else "x"
    preferred = [along, "y" if along == "x" else "x"] if axis == "auto" else [axis]
    for choice in preferred:
        found = _settle(footprint, machine, 0 if choice == "x" else 90)
        if found is not None:
            why = _reason(choice, axis, along, machine)
            return Placement(*found, why)
    raise _too_large(footprint, machine, preferred)


def place_turned(
    points: Floats, brim: float, line: tuple[tuple[float, float], float], height: float, machine: Machine
) -> Placement | None:
    """Place something that fits along no axis at the angle at which it fits with the most room to spare.

    Parameters
    ----------
    points : (N, 2) float64
        Of its outline, (u, n) mm.
    brim : float
        What it covers around them, mm.
    line : ((u, u), n)
        Its start line, mm.
    height : float
        mm.
    machine : Machine

    Returns
    -------
    Placement or None
        None where it fits at no angle of whole `TURN_STEP` degrees, or keep-out zones leave it no place.
    """
    if height + ROOM_ABOVE > machine.volume.z[1]:
        return None
    hull = shapely.MultiPoint(points).buffer(brim).union(shapely.LineString([(u, line[1]) for u in line[0]]))
    corners = shapely.get_coordinates(hull.convex_hull)
    spots, zones = [], taken(machine)
    for degrees in range(TURN_STEP, 180, TURN_STEP):
        turned = Placement(degrees, 0.0, 0.0)
        x, y = turned.to_machine(corners[:, 0], corners[:, 1])
        spans = [(float(v.min()), float(v.max())) for v in (x, y)]
        spare = [(high - low) - (b - a) for (a, b), (low, high) in zip(spans, free(machine), strict=True)]
        if min(spare) < 0:
            continue
        at = [
            round((low + high) / 2 - (a + b) / 2, 2)
            for (a, b), (low, high) in zip(spans, free(machine), strict=True)
        ]
        area = shapely.Polygon(np.column_stack([x + at[0], y + at[1]]))
        if not area.intersects(zones):
            reason = f"at {degrees} degrees, as it fits along no axis"
            spots.append((min(spare), Placement(degrees, at[0], at[1], reason)))
    return max(spots, key=lambda spot: spot[0])[1] if spots else None


def _reason(choice: str, axis: str, along: str, machine: Machine) -> str:
    if axis != "auto":
        return f"along {choice.upper()}, as asked"
    if choice != along:
        return f"along {choice.upper()}, as it does not fit along {along.upper()}"
    if machine.platform_axis == "none":
        return f"along {choice.upper()}: the platform stands still"
    return f"along {choice.upper()}: the platform moves that way and does not shake the face"


def _spans(footprint: Footprint, rotation: Rotation) -> tuple[tuple[float, float], tuple[float, float]]:
    """Extents along machine x and y for an origin at (0, 0)."""
    u, n = footprint.u, footprint.n
    return (u, (-n[1], -n[0])) if rotation == 0 else (n, u)


def free(machine: Machine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Give the part of the platform inside its margin, (low, high) along x and y."""
    x, y, m = machine.volume.x, machine.volume.y, machine.margin
    return (x[0] + m, x[1] - m), (y[0] + m, y[1] - m)


def _settle(
    footprint: Footprint, machine: Machine, rotation: Rotation
) -> tuple[Rotation, float, float] | None:
    """Find the place nearest the middle, or None when there is none."""
    if footprint.height + ROOM_ABOVE > machine.volume.z[1]:
        return None
    candidates = []
    for (lo, hi), (low, high) in zip(_spans(footprint, rotation), free(machine), strict=True):
        if hi - lo > high - low:
            return None
        middle = (low + high) / 2 - (lo + hi) / 2
        fewer, more = (middle - (low - lo)) // STEP, (high - hi - middle) // STEP
        steps = np.arange(-fewer, more + 1)
        candidates.append(np.round(middle + STEP * steps, 2))
    x, y = (grid.ravel() for grid in np.meshgrid(*candidates))
    (xlo, xhi), (ylo, yhi) = _spans(footprint, rotation)
    boxes = shapely.box(x + xlo, y + ylo, x + xhi, y + yhi)
    clear = ~shapely.intersects(boxes, taken(machine)) if machine.keep_out else np.ones(len(x), bool)
    if not clear.any():
        return None
    off = np.hypot(x - candidates[0].mean(), y - candidates[1].mean())
    best = np.lexsort((y, x, off.round(6), ~clear))[0]
    return rotation, float(x[best]), float(y[best])


def _too_large(footprint: Footprint, machine: Machine, axes: list[str]) -> PathgenError:
    """Say by how much it does not fit, and what would."""
    room = [high - low for low, high in free(machine)]
    width = footprint.u[1] - footprint.u[0]
    depth = footprint.n[1] - footprint.n[0]
    around = width - _panel_width(footprint)
    faults, widest = [], 0.0
    for axis in axes:
        along, across = (0, 1) if axis == "x" else (1, 0)
        if width > room[along]:
            faults.append(f"along {axis.upper()} it needs {width:.1f} mm of {room[along]:.1f} mm")
        if depth > room[across]:
            faults.append(f"across {axis.upper()} it needs {depth:.1f} mm of {room[across]:.1f} mm")
        widest = max(widest, room[along] - around)
    tallest = machine.volume.z[1] - ROOM_ABOVE
    if footprint.height > tallest:
        faults.append(f"it needs {footprint.height:.1f} mm of height of {tallest:.1f} mm")
    if not faults:
        faults.append("keep-out zones leave no place for it")
    return PathgenError(
        f"the panel does not fit on {machine.name}: {', '.join(faults)} (brim and start line included)",
        allowed=f"with this brim, up to {max(widest, 0):.1f} mm wide and {tallest:.1f} mm high",
        hint="make it smaller, narrow the brim, or choose another machine",
    )


def _panel_width(footprint: Footprint) -> float:
    """Width without the brim, which reaches as far left of u = 0 as right of the panel."""
    return footprint.u[1] + footprint.u[0]
