"""Overhangs: where a growing panel leans out too far over what carries it, and maps whose face never does.

Glossary. *Angle*: from the vertical, the most a layer may lean out. *Reach*: how far a layer may then stand
out over the one below it, rise · tan(angle), the rise being the layer's height. *Lean*: by how much a layer
stands out further than its reach, mm. Two things lean: the *face*, where a column grows thicker with height,
and the *outline*, where there is a column of wall over none (the upper edge of a hole, a disc's lower flank).

A lean within the tolerance counts as carrying and is remembered from layer to layer, so that it forgives a
ledge but no long slope; what leans beyond it counts as carrying from there on, up to the tolerance, since it
is there, however it came out. So what stands on a bad place is not called bad for its sake.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]
Leans = NDArray[np.float32]
Bools = NDArray[np.bool_]

ANGLE = 45.0  # degrees from the vertical; common practice
PLACES = 5  # worst places that are named
APART = 2.0  # mm; places nearer than this to a worse one are not named again
ROUNDING = 1e-9  # mm

KEEP = ("least", "middle", "thick", "thin")


@dataclass(frozen=True, slots=True)
class OverhangPlace:
    """One stretch of a layer that leans out too far: `z`, `u` (low, high) and `lean`, mm."""

    z: float
    u: tuple[float, float]
    lean: float
    outline: bool

    def __str__(self) -> str:
        """Word it for people."""
        what = "the outline" if self.outline else "the face"
        span = f"u {self.u[0]:.1f} to {self.u[1]:.1f} mm"
        return f"z {self.z:.1f} mm, {span}: {what} leans {self.lean:.2f} mm further than it is carried"


@dataclass(frozen=True, slots=True)
class Overhang:
    """What leans out too far, row by row of a thickness map.

    Attributes
    ----------
    lean : (rows, cols) float32
        How far each column stands out beyond what is carried, mm, row 0 at the top; what was forgiven below
        it is included. 0 where it is carried.
    outline : (rows, cols) bool
        Where it leans as part of the outline, over no wall; elsewhere it is the face that leans.
    area : (rows,) float64
        Area of each row's section that is not carried, seen from above, mm², row 0 at the top.
    worst : tuple of Place
        The worst places, the worst first.
    """

    lean: Leans
    outline: Bools
    area: Floats
    worst: tuple[OverhangPlace, ...]

    @property
    def unsupported(self) -> Bools:
        """Where it leans too far, (rows, cols) bool."""
        return self.lean > 0


@dataclass(frozen=True, slots=True)
class Limited:
    """A map whose face never leans too far, and what that cost.

    Attributes
    ----------
    thickness : (rows, cols) float64
        The changed map, mm.
    rms, largest : float
        Root mean square of the change over all pixels of wall, and the largest change, mm.
    share : float
        Share of the pixels of wall that changed.
    added : float
        Where between removing above (0) and adding below (1) the map lies.
    """

    thickness: Floats
    rms: float
    largest: float
    share: float
    added: float


def overhangs(
    thickness: NDArray[np.floating],
    pixel: float,
    angle: float = ANGLE,
    tolerance: float = 0.0,
    carries: Bools | None = None,
) -> Overhang:
    """Find what leans out further than an angle over what carries it; each row of the map is a layer.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness, mm, row 0 at the top; 0 where there is no wall. The lowest row stands on the platform.
    pixel : float
        Spacing of the map, mm.
    angle : float
        Degrees from the vertical, between 0 and 90.
    tolerance : float
        Lean that is forgiven, mm; about a bead is common practice. For the outline it is at least a pixel,
        since an outline on a map is a staircase of pixels.
    carries : (rows, cols) bool, optional
        Where something else stands, such as a comb, that carries what comes to lie on it.

    Returns
    -------
    Overhang
        Nothing leans in an empty map.

    Raises
    ------
    PathgenError
        For an angle, pixel or tolerance out of range, and for a map that is no thickness.

    Notes
    -----
    The face is judged in each column by itself, as if its neighbours gave it no hold.

    Examples
    --------
    >>> ledge = np.array([[3.0], [3.0], [1.0]])  # 2 mm thicker from the second row up
    >>> found = overhangs(ledge, 0.5)
    >>> found.lean.ravel().tolist()
    [0.0, 1.5, 0.0]
    >>> print(found.worst[0])
    z 0.5 mm, u 0.0 to 0.5 mm: the face leans 1.50 mm further than it is carried
    """
    _check(thickness, pixel, angle)
    if not tolerance >= 0:
        raise PathgenError(f"tolerance is {tolerance:g} mm", where="tolerance", allowed="0 or more")
    rows = len(thickness)
    up = np.asarray(thickness)[::-1]
    wall = up > 0
    reach = np.full(rows, reach_of(pixel, angle))
    face = _face_lean(up, reach, tolerance)
    there = wall if carries is None else wall | carries[::-1]
    edge = outline_lean(there, reach, pixel, max(tolerance, pixel)) * wall
    outline = edge > 0
    # A column over no wall hangs with its whole thickness, a leaning face only with what is too much.
    area = (face.sum(axis=1) + (np.minimum(edge / pixel, 1.0) * up).sum(axis=1)) * pixel
    lean = np.maximum(face, edge)
    worst = _worst(lean, outline, pixel)
    return Overhang(lean[::-1], outline[::-1], area[::-1].astype(np.float64), worst)


def limit_slope(
    thickness: NDArray[np.floating], pixel: float, angle: float = ANGLE, keep: str = "least"
) -> Limited:
    """Change a map so that its face never leans out further than an angle, as little as can be.

    Two maps hold the limit with the least one-sided change: one removes above, its thickness the minimum over
    z' ≤ z of t(z') + (z − z')·tan(angle); the other adds below, the maximum over z' ≥ z of
    t(z') − (z' − z)·tan(angle). Any blend of the two holds it as well.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness, mm, row 0 at the top; 0 where there is no wall, which stays so. Each unbroken stretch of
        wall in a column is taken by itself: what overhangs a hole is the outline's affair.
    pixel : float
        Spacing of the map, mm.
    angle : float
        Degrees from the vertical, between 0 and 90.
    keep : {"least", "middle", "thick", "thin"}
        What stays: the thick places (material is added below them), the thin ones (it is removed above
        them), or neither: `middle` halves the way, which makes the largest change the least possible, and
        `least` takes the blend with the least root mean square.

    Returns
    -------
    Limited
        Its map stays between the least and the largest thickness of every column.

    Raises
    ------
    PathgenError
        For an unknown `keep`, an angle or pixel out of range, and for a map that is no thickness.

    Examples
    --------
    >>> ledge = np.array([[3.0], [3.0], [1.0], [1.0]])
    >>> [limit_slope(ledge, 1.0, keep=k).thickness.ravel().tolist() for k in ("thick", "thin", "middle")]
    [[3.0, 3.0, 2.0, 1.0], [3.0, 2.0, 1.0, 1.0], [3.0, 2.5, 1.5, 1.0]]
    >>> limit_slope(ledge, 1.0, keep="middle").largest
    0.5
    """
    _check(thickness, pixel, angle)
    if keep not in KEEP:
        raise PathgenError(f"cannot keep {keep!r}", where="keep", allowed=", ".join(KEEP))
    given = np.asarray(thickness, np.float64)
    reach = reach_of(pixel, angle)
    low, high = _removed_above(given, reach), _added_below(given, reach)
    spread = high - low
    if keep == "least":
        # The least squares of low + w·spread − given, in closed form; it lies between 0 and 1 by itself.
        both = float(np.square(spread).sum())
        added = float(((given - low) * spread).sum()) / both if both > 0 else 0.0
    else:
        added = {"thin": 0.0, "middle": 0.5, "thick": 1.0}[keep]
    made = low + added * spread if 0 < added < 1 else (high if added else low)
    change = np.abs(made - given)
    wall = max(int(np.count_nonzero(given > 0)), 1)
    rms = float(np.sqrt(np.square(change).sum() / wall))
    share = int(np.count_nonzero(change > ROUNDING)) / wall
    return Limited(made, rms, float(change.max(initial=0.0)), share, added)


def reach_of(rise: float, angle: float) -> float:
    """How far a layer of height `rise` may stand out over the one below, mm, at an angle in degrees."""
    return float(rise * np.tan(np.radians(angle)))


def outline_lean(wall: Bools, reach: Floats, pixel: float, tolerance: float) -> Leans:
    """Lean of the outline, layer by layer from the platform up.

    Parameters
    ----------
    wall : (L, C) bool
        Where there is wall; layer 0 stands on the platform.
    reach : (L,) float64
        Reach of each layer over the one below it, mm.
    pixel : float
        Width of a column, mm.
    tolerance : float
        Lean that is forgiven, mm.

    Returns
    -------
    (L, C) float32
        Lean of the columns that are wall over no wall, mm; the panel's width where the layer below has no
        wall at all. 0 elsewhere.

    Examples
    --------
    >>> bridge = np.array([[1, 0, 0, 0, 1], [1, 1, 1, 1, 1]], bool)
    >>> outline_lean(bridge, np.array([1.0, 1.0]), 1.0, 0.0)[1].tolist()
    [0.0, 0.0, 1.0, 0.0, 0.0]
    """
    lean = np.zeros(wall.shape, np.float32)
    so_far = np.zeros(wall.shape[1])
    for k in range(1, len(wall)):
        new = wall[k] & ~wall[k - 1]
        if new.any():
            nearest, away = _nearest(wall[k - 1])
            so_far = so_far[nearest] + away * pixel
        so_far = np.maximum(so_far - reach[k], 0.0) * wall[k]
        # What the layer below had was no more than the tolerance, so only new columns can be beyond it.
        lean[k] = np.where(so_far > tolerance + ROUNDING, so_far, 0.0)
        np.minimum(so_far, tolerance, out=so_far)
    return lean


def _face_lean(thickness: NDArray[np.floating], reach: Floats, tolerance: float) -> Leans:
    """Lean of the face, (L, C) mm, layer by layer from the platform up; 0 in columns over no wall."""
    lean = np.zeros(thickness.shape, np.float32)
    so_far = np.zeros(thickness.shape[1])
    for k in range(1, len(thickness)):
        grown = thickness[k] - thickness[k - 1] - reach[k]
        stands = (thickness[k] > 0) & (thickness[k - 1] > 0)
        so_far = np.maximum(so_far + grown, 0.0) * stands
        lean[k] = np.where(so_far > tolerance + ROUNDING, so_far, 0.0)
        np.minimum(so_far, tolerance, out=so_far)
    return lean


def _nearest(wall: Bools) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Find every column's nearest column of wall, and how many columns away it is."""
    count = len(wall)
    column = np.arange(count)
    if not wall.any():
        return np.zeros(count, np.intp), np.full(count, count, np.intp)
    left = np.maximum.accumulate(np.where(wall, column, -count))
    right = np.minimum.accumulate(np.where(wall, column, 2 * count)[::-1])[::-1]
    nearest = np.where(column - left <= right - column, left, right)
    return nearest, np.abs(column - nearest)


def _removed_above(thickness: Floats, reach: float) -> Floats:
    out = thickness.copy()
    for row in range(len(out) - 2, -1, -1):
        below = out[row + 1]
        np.minimum(out[row], below + reach, out=out[row], where=below > 0)
    return out


def _added_below(thickness: Floats, reach: float) -> Floats:
    out = thickness.copy()
    for row in range(1, len(out)):
        np.maximum(out[row], out[row - 1] - reach, out=out[row], where=out[row] > 0)
    return out


def _worst(lean: Leans, outline: Bools, pixel: float) -> tuple[OverhangPlace, ...]:
    """Name the worst stretches of layers, none of them beside a worse one; layer 0 is the lowest."""
    leaning = lean > 0
    if not leaning.any():
        return ()
    columns = lean.shape[1]
    edge = np.diff(leaning.astype(np.int8), axis=1, prepend=0, append=0)
    layer, lo = np.nonzero(edge > 0)
    _, hi = np.nonzero(edge < 0)
    bounds = np.column_stack([layer * columns + lo, layer * columns + hi]).ravel()
    peak = np.maximum.reduceat(np.append(lean.ravel(), np.float32(0)), bounds)[::2]
    hangs = np.logical_or.reduceat(np.append(outline.ravel(), False), bounds)[::2]
    z, left, right = layer * pixel, lo * pixel, hi * pixel
    free = np.ones(len(peak), bool)
    places: list[OverhangPlace] = []
    while free.any() and len(places) < PLACES:
        i = int(np.where(free, peak, -1.0).argmax())
        span = (float(left[i]), float(right[i]))
        places.append(OverhangPlace(float(z[i]), span, float(peak[i]), bool(hangs[i])))
        beside = (left < right[i] + APART) & (right > left[i] - APART)
        free &= ~(beside & (np.abs(z - z[i]) < APART))
    return tuple(places)


def _check(thickness: NDArray[np.floating], pixel: float, angle: float) -> None:
    if thickness.ndim != 2:
        raise PathgenError(f"map of {thickness.ndim} dimensions", allowed="rows and columns")
    if not (np.isfinite(thickness).all() and (thickness >= 0).all()):
        raise PathgenError("the map has a thickness that is negative or no number", allowed="0 or more")
    if not pixel > 0:
        raise PathgenError(f"pixel is {pixel:g} mm", where="pixel", allowed="more than 0")
    if not 0 < angle < 90:
        raise PathgenError(f"overhang angle is {angle:g}°", where="angle", allowed="between 0 and 90°")
