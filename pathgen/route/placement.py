"""Placement of a panel: the machine axis along which it stands, and its position on the platform.

In panel coordinates, u points to the viewer's right, z up and n out of the flat back toward the viewer; seen
this way, (u, n, z) is left-handed. At rotation 0 a point goes to machine (x0 + u, y0 − n, z): the panel
stands along X with its face toward low y. Rotation 90 is a quarter turn to the left, (x0 + n, y0 + u, z). A
wrong sign here prints a mirrored picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from pathgen.errors import PathgenError
from pathgen.layers.strokes import Floats, Strokes
from pathgen.route.zones import reserved_area
from pathgen.settings import Machine

ROOM_ABOVE = 5.0  # clearance for the head above the finished panel, mm
ANGLE_STEP = 5  # step of the rotations tried for a panel that fits along neither axis, degrees
STEP = 5.0  # step of the positions tried around keep-out zones, mm


@dataclass(frozen=True, slots=True)
class Footprint:
    """Area that a job covers on the platform, in panel coordinates, mm.

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
        """Extend the footprint to contain a box of (u, n) extents."""
        if box is None:
            return self
        u, n = ((min(a[0], b[0]), max(a[1], b[1])) for a, b in zip((self.u, self.n), box, strict=True))
        return Footprint(u, n, self.height)


@dataclass(frozen=True, slots=True)
class Placement:
    """Transformation from panel to machine coordinates.

    Attributes
    ----------
    rotation : float
        Counter-clockwise rotation of the panel on the platform, seen from above, degrees. 0: along X; 90:
        along Y.
    x0, y0 : float
        Machine position of the panel's origin (u = 0, n = 0), mm.
    reason : str
        Reason for the rotation, as text.
    """

    rotation: float
    x0: float
    y0: float
    reason: str = ""

    def to_machine(self, u: Floats, n: Floats) -> tuple[Floats, Floats]:
        """Return machine x and y of points (u, n), same shape."""
        cosine, sine = self._turn()
        return self.x0 + cosine * u + sine * n, self.y0 + sine * u - cosine * n

    def to_panel(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return panel u and n of machine points (x, y), same shape."""
        cosine, sine = self._turn()  # a rotation combined with a reflection is its own inverse
        right, up = x - self.x0, y - self.y0
        return cosine * right + sine * up, sine * right + cosine * (self.y0 - y)

    def _turn(self) -> tuple[float, float]:
        angle = math.radians(self.rotation)
        return (0.0, 1.0) if self.rotation == 90 else (math.cos(angle), math.sin(angle))

    def put(self, strokes: Strokes) -> Strokes:
        """Return strokes in machine coordinates; `u` and `n` then contain x and y."""
        x, y = self.to_machine(strokes.u, strokes.n)
        return replace(strokes, u=x, n=y)

    def moved(self, u: float, n: float) -> Placement:
        """Return the placement with its origin moved to (u, n)."""
        x, y = self.to_machine(np.array(u), np.array(n))
        return Placement(self.rotation, round(float(x), 3), round(float(y), 3), self.reason)


def place(footprint: Footprint, machine: Machine, axis: str = "auto") -> Placement:
    """Choose the axis along which a panel stands, and its position on the platform.

    Parameters
    ----------
    footprint : Footprint
    machine : Machine
    axis : {"auto", "x", "y"}
        "auto" selects an axis along which the panel fits, preferably the one along which the platform moves:
        a wall that is accelerated along its length does not sway.

    Returns
    -------
    Placement
        As near to the centre of the platform as keep-out zones allow, rounded to 0.01 mm.

    Raises
    ------
    PathgenError
        If the panel does not fit. The message gives the excess, and the largest panel that fits.
    """
    along = machine.platform_axis if machine.platform_axis in ("x", "y") else "x"
    preferred = [along, "y" if along == "x" else "x"] if axis == "auto" else [axis]
    for choice in preferred:
        rotation = 0 if choice == "x" else 90
        found = nearest_place(footprint, machine, rotation)
        if found is not None:
            return Placement(rotation, *found, _reason(choice, axis, along, machine))
    raise _too_large(footprint, machine, preferred)


def place_rotated(
    points: Floats, brim: float, line: tuple[tuple[float, float], float], height: float, machine: Machine
) -> Placement | None:
    """Place a panel that fits along neither axis at the angle with the largest margin.

    Parameters
    ----------
    points : (N, 2) float64
        Points of its outline, (u, n) mm.
    brim : float
        Width of the covered area around them, mm.
    line : ((u, u), n)
        Start line, mm.
    height : float
        mm.
    machine : Machine

    Returns
    -------
    Placement or None
        None if the panel does not fit at any multiple of `ANGLE_STEP`, or keep-out zones leave no room for
        it.
    """
    if height + ROOM_ABOVE > machine.volume.z[1]:
        return None
    hull = shapely.MultiPoint(points).buffer(brim).union(shapely.LineString([(u, line[1]) for u in line[0]]))
    corners = shapely.get_coordinates(hull.convex_hull)
    spots, zones, (low, high) = [], reserved_area(machine), np.transpose(usable_area(machine))
    for degrees in range(ANGLE_STEP, 180, ANGLE_STEP):
        reason = f"at {degrees} degrees, because it fits along neither axis"
        turned = np.stack(Placement(degrees, 0.0, 0.0).to_machine(*corners.T), axis=1)
        first, last = turned.min(axis=0), turned.max(axis=0)
        spare = float(((high - low) - (last - first)).min())
        x, y = (round(at, 2) for at in ((low + high) / 2 - (first + last) / 2).tolist())
        if spare >= 0 and not shapely.Polygon(turned + [x, y]).intersects(zones):
            spots.append((spare, Placement(degrees, x, y, reason)))
    return max(spots, key=lambda spot: spot[0])[1] if spots else None


def _reason(choice: str, axis: str, along: str, machine: Machine) -> str:
    if axis != "auto":
        return f"along {choice.upper()}, as requested"
    if choice != along:
        return f"along {choice.upper()}, because it does not fit along {along.upper()}"
    if machine.platform_axis == "none":
        return f"along {choice.upper()}: the platform does not move"
    return f"along {choice.upper()}: the platform moves in this direction and does not shake the face"


def _spans(footprint: Footprint, rotation: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the footprint's extents along machine x and y, with the origin at (0, 0)."""
    u, n = footprint.u, footprint.n
    return (u, (-n[1], -n[0])) if rotation == 0 else (n, u)


def usable_area(machine: Machine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the extents of the platform inside its margin, (low, high) along x and y."""
    x, y, m = machine.volume.x, machine.volume.y, machine.margin
    return (x[0] + m, x[1] - m), (y[0] + m, y[1] - m)


def fits_volume(footprint: Footprint, machine: Machine, rotation: int) -> bool:
    """Return whether a footprint fits the build volume inside its margin, regardless of keep-out zones."""
    pairs = zip(_spans(footprint, rotation), usable_area(machine), strict=True)
    inside = all(hi - lo <= high - low for (lo, hi), (low, high) in pairs)
    return inside and footprint.height + ROOM_ABOVE <= machine.volume.z[1]


def nearest_place(footprint: Footprint, machine: Machine, rotation: int) -> tuple[float, float] | None:
    """Return the free position (x0, y0) nearest to the platform's centre, mm, or None."""
    if not fits_volume(footprint, machine, rotation):
        return None
    candidates = []
    for (lo, hi), (low, high) in zip(_spans(footprint, rotation), usable_area(machine), strict=True):
        middle = (low + high) / 2 - (lo + hi) / 2
        fewer, more = (middle - (low - lo)) // STEP, (high - hi - middle) // STEP
        steps = np.arange(-fewer, more + 1)
        candidates.append(np.round(middle + STEP * steps, 2))
    x, y = (grid.ravel() for grid in np.meshgrid(*candidates))
    (xlo, xhi), (ylo, yhi) = _spans(footprint, rotation)
    boxes = shapely.box(x + xlo, y + ylo, x + xhi, y + yhi)
    clear = ~shapely.intersects(boxes, reserved_area(machine)) if machine.keep_out else np.ones(len(x), bool)
    if not clear.any():
        return None
    off = np.hypot(x - candidates[0].mean(), y - candidates[1].mean())
    best = np.lexsort((y, x, off.round(6), ~clear))[0]
    return float(x[best]), float(y[best])


def _too_large(footprint: Footprint, machine: Machine, axes: list[str]) -> PathgenError:
    """Build the error for a panel that is too large, with the free space and the size that fits."""
    room = [high - low for low, high in usable_area(machine)]
    width = footprint.u[1] - footprint.u[0]
    depth = footprint.n[1] - footprint.n[0]
    around = -2 * footprint.u[0]  # the brim extends equally to both sides of the panel
    faults, widest = [], 0.0
    for axis in axes:
        along, across = room if axis == "x" else room[::-1]
        for way, needed, free in (("along", width, along), ("across", depth, across)):
            if needed > free:
                faults.append(f"{way} {axis.upper()} it needs {needed:.1f} mm ({free:.1f} mm are free)")
        widest = max(widest, along - around)
    tallest = machine.volume.z[1] - ROOM_ABOVE
    if footprint.height > tallest:
        faults.append(f"it is {footprint.height:.1f} mm high ({tallest:.1f} mm are free)")
    if not faults:
        faults.append("keep-out zones leave no room for the panel")
    return PathgenError(
        f"the panel does not fit on {machine.name}: {', '.join(faults)} (including brim and start line)",
        allowed=f"with this brim, at most {max(widest, 0):.1f} mm wide and {tallest:.1f} mm high",
        hint="use a smaller panel, a narrower brim, or another machine",
    )
