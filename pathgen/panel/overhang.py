"""Find the parts of a panel that no lower layer supports, and remove overhangs from its face.

Glossary. *Angle*: maximum overhang, from the vertical. *Step limit*: distance by which a layer may extend
beyond the layer below, height · tan(angle). *Excess*: distance by which a layer extends beyond its step
limit, mm; the unsupported overhang. Two parts can overhang: the *face*, where a column becomes thicker with
height, and the *outline*, where there is wall above no wall (the upper edge of a hole, the lower flank of a
disc).

An excess within the tolerance counts as supported, and is carried over to the next layer: the tolerance
allows a ledge but not a long slope. Beyond the tolerance, a layer is reported, and the layers above are
judged as if its excess were equal to the tolerance. Wall above a reported overhang is therefore not reported
for the same reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]
Lengths = NDArray[np.float32]
Bools = NDArray[np.bool_]

ANGLE = 45.0  # degrees from the vertical; common practice
PLACES = 5  # maximum number of places in `Overhang.worst`
APART = 2.0  # a stretch nearer than this to a worse one is part of the same place, mm
ROUNDING = 1e-9  # mm

KEEP = ("minimum", "middle", "thick", "thin")


@dataclass(frozen=True, slots=True)
class OverhangPlace:
    """Region without support, at its worst layer: `z`, `u` (low, high) and `excess`, mm."""

    z: float
    u: tuple[float, float]
    excess: float
    outline: bool

    def __str__(self) -> str:
        """Return position and excess as text."""
        part = "outline" if self.outline else "face"
        span = f"u {self.u[0]:.1f} to {self.u[1]:.1f} mm"
        return f"z {self.z:.1f} mm, {span}: {self.excess:.2f} mm of unsupported overhang ({part})"


@dataclass(frozen=True, slots=True)
class Overhang:
    """Unsupported overhang of a thickness map.

    Attributes
    ----------
    excess : (rows, cols) float32
        Unsupported overhang of each column, mm, row 0 at the top, including the tolerated excess of the
        layers below; 0 where supported.
    outline : (rows, cols) bool
        True where the outline overhangs, above no wall; elsewhere it is the face.
    area : (rows,) float64
        Unsupported area of each row's section, seen from above, mm², row 0 at the top.
    count : int
        Number of unsupported places.
    worst : tuple of OverhangPlace
        The `PLACES` worst places at most, in descending order.
    """

    excess: Lengths
    outline: Bools
    area: Floats
    count: int
    worst: tuple[OverhangPlace, ...]

    @property
    def unsupported(self) -> Bools:
        """Unsupported pixels, (rows, cols) bool."""
        return self.excess > 0


@dataclass(frozen=True, slots=True)
class LimitedSlope:
    """Thickness map without overhangs on its face, and its deviation from the original map.

    Attributes
    ----------
    thickness : (rows, cols) float64
        The changed map, mm.
    rms, largest : float
        Root mean square of the change over all wall pixels, and the largest change, mm.
    share : float
        Fraction of the wall pixels that changed.
    added : float
        Position of the map between removing material above (0) and adding it below (1).
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
    """Compute the unsupported overhang of a thickness map; each row of the map is a layer.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness, mm, row 0 at the top; 0 where there is no wall. The lowest row stands on the platform.
    pixel : float
        Pixel size, mm.
    angle : float
        Maximum overhang, degrees from the vertical, between 0 and 90.
    tolerance : float
        Excess that counts as supported, mm; about one bead is common practice. For the outline it is at least
        one pixel, because the outline of a map is a staircase of pixels.
    carries : (rows, cols) bool, optional
        Pixels filled by another structure, such as a comb, that supports the wall above it.

    Returns
    -------
    Overhang
        An empty map has no overhang.

    Raises
    ------
    PathgenError
        If angle, pixel or tolerance is out of range, or the map is not a thickness map.

    Notes
    -----
    Each column of the face is judged separately, without support from its neighbours.

    Examples
    --------
    >>> ledge = np.array([[3.0], [3.0], [1.0]])  # 2 mm thicker from the second row up
    >>> found = overhangs(ledge, 0.5)
    >>> found.excess.ravel().tolist()
    [0.0, 1.5, 0.0]
    >>> print(found.worst[0])
    z 0.5 mm, u 0.0 to 0.5 mm: 1.50 mm of unsupported overhang (face)
    """
    _check(thickness, pixel, angle)
    if not tolerance >= 0:
        raise PathgenError(f"tolerance is {tolerance:g} mm", where="tolerance", allowed="0 mm or more")
    up = np.asarray(thickness)[::-1]
    wall = up > 0
    limit = np.full(len(up), step_limit(pixel, angle))
    face = _face_overhang(up, limit, tolerance)
    carrying = wall if carries is None else wall | carries[::-1]
    edge = outline_overhang(carrying, limit, pixel, max(tolerance, pixel)) * wall
    outline = edge > 0
    # Above no wall, the whole thickness of a column is unsupported; on the face, only the excess is.
    area = (face.sum(axis=1) + (np.minimum(edge / pixel, 1.0) * up).sum(axis=1)) * pixel
    excess = np.maximum(face, edge)
    count, worst = _worst(excess, outline, pixel)
    return Overhang(excess[::-1], outline[::-1], area[::-1].astype(np.float64), count, worst)


def limit_slope(
    thickness: NDArray[np.floating], pixel: float, angle: float = ANGLE, keep: str = "minimum"
) -> LimitedSlope:
    """Change a map as little as possible so that its face does not overhang by more than a given angle.

    Two maps satisfy the limit with minimum one-sided change. One removes material above: its thickness is the
    minimum over z' ≤ z of t(z') + (z − z')·tan(angle). The other adds material below: the maximum over z' ≥ z
    of t(z') − (z' − z)·tan(angle). Any blend of the two satisfies the limit as well.

    Parameters
    ----------
    thickness : (rows, cols) float
        Thickness, mm, row 0 at the top; 0 where there is no wall, which is not changed. Each continuous
        stretch of wall in a column is limited separately; overhangs of the outline remain.
    pixel : float
        Pixel size, mm.
    angle : float
        Maximum overhang, degrees from the vertical, between 0 and 90.
    keep : {"minimum", "middle", "thick", "thin"}
        `thick` keeps the thick places and adds material below them; `thin` keeps the thin places and removes
        material above them; `middle` blends both in equal parts, which minimises the largest change; `least`
        uses the blend with the minimum root mean square change.

    Returns
    -------
    LimitedSlope
        Its map stays between the minimum and the maximum thickness of every column.

    Raises
    ------
    PathgenError
        If `keep` is unknown, angle or pixel is out of range, or the map is not a thickness map.

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
        raise PathgenError(f"unknown value {keep!r}", where="keep", allowed=", ".join(KEEP))
    original = np.asarray(thickness, np.float64)
    limit = step_limit(pixel, angle)
    low, high = _remove_above(original, limit), _add_below(original, limit)
    spread = high - low
    if keep == "minimum":
        # Least squares of low + added · spread − original in closed form; always between 0 and 1.
        norm = float(np.square(spread).sum())
        added = float(((original - low) * spread).sum()) / norm if norm > 0 else 0.0
    else:
        added = {"thin": 0.0, "middle": 0.5, "thick": 1.0}[keep]
    limited = low + added * spread if 0 < added < 1 else (high if added else low)
    change = np.abs(limited - original)
    wall = max(int(np.count_nonzero(original > 0)), 1)
    rms = float(np.sqrt(np.square(change).sum() / wall))
    share = int(np.count_nonzero(change > ROUNDING)) / wall
    return LimitedSlope(limited, rms, float(change.max(initial=0.0)), share, added)


def step_limit(height: float, angle: float) -> float:
    """Return the maximum extent of a layer beyond the layer below, at an overhang angle in degrees."""
    return float(height * np.tan(np.radians(angle)))


def outline_overhang(wall: Bools, limit: Floats, pixel: float, tolerance: float) -> Lengths:
    """Compute the unsupported overhang of the outline, layer by layer from the platform up.

    Parameters
    ----------
    wall : (L, C) bool
        True where there is wall; layer 0 stands on the platform.
    limit : (L,) float64
        Step limit of each layer, mm.
    pixel : float
        Width of a column, mm.
    tolerance : float
        Excess that counts as supported, mm.

    Returns
    -------
    (L, C) float32
        Excess of the columns with wall above no wall, mm; the width of the panel if the layer below has no
        wall at all. 0 elsewhere.

    Examples
    --------
    >>> bridge = np.array([[1, 0, 0, 0, 1], [1, 1, 1, 1, 1]], bool)
    >>> outline_overhang(bridge, np.array([1.0, 1.0]), 1.0, 0.0)[1].tolist()
    [0.0, 0.0, 1.0, 0.0, 0.0]
    """
    excess = np.zeros(wall.shape, np.float32)
    total = np.zeros(wall.shape[1])
    for k in range(1, len(wall)):
        new = wall[k] & ~wall[k - 1]
        if new.any():
            nearest, distance = _nearest(wall[k - 1])
            total = total[nearest] + distance * pixel
        total = np.maximum(total - limit[k], 0.0) * wall[k]
        # The layer below contributes no more than the tolerance, so only new columns can exceed it.
        excess[k] = np.where(total > tolerance + ROUNDING, total, 0.0)
        np.minimum(total, tolerance, out=total)
    return excess


def _face_overhang(thickness: NDArray[np.floating], limit: Floats, tolerance: float) -> Lengths:
    """Return the unsupported overhang of the face, (L, C) mm, from the platform up; 0 if supported."""
    excess = np.zeros(thickness.shape, np.float32)
    total = np.zeros(thickness.shape[1])
    for k in range(1, len(thickness)):
        growth = thickness[k] - thickness[k - 1] - limit[k]
        continuous = (thickness[k] > 0) & (thickness[k - 1] > 0)
        total = np.maximum(total + growth, 0.0) * continuous
        excess[k] = np.where(total > tolerance + ROUNDING, total, 0.0)
        np.minimum(total, tolerance, out=total)
    return excess


def _nearest(wall: Bools) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the nearest column with wall for every column, and the distance in columns."""
    count = len(wall)
    column = np.arange(count)
    if not wall.any():
        return np.zeros(count, np.intp), np.full(count, count, np.intp)
    left = np.maximum.accumulate(np.where(wall, column, -count))
    right = np.minimum.accumulate(np.where(wall, column, 2 * count)[::-1])[::-1]
    nearest = np.where(column - left <= right - column, left, right)
    return nearest, np.abs(column - nearest)


def _remove_above(thickness: Floats, limit: float) -> Floats:
    out = thickness.copy()
    for row in range(len(out) - 2, -1, -1):
        below = out[row + 1]
        np.minimum(out[row], below + limit, out=out[row], where=below > 0)
    return out


def _add_below(thickness: Floats, limit: float) -> Floats:
    out = thickness.copy()
    for row in range(1, len(out)):
        np.maximum(out[row], out[row - 1] - limit, out=out[row], where=out[row] > 0)
    return out


def _worst(excess: Lengths, outline: Bools, pixel: float) -> tuple[int, tuple[OverhangPlace, ...]]:
    """Return the number of unsupported regions, and the worst regions; layer 0 is the lowest."""
    unsupported = excess > 0
    if not unsupported.any():
        return 0, ()
    columns = excess.shape[1]
    edge = np.diff(unsupported.astype(np.int8), axis=1, prepend=0, append=0)
    layer, lo = np.nonzero(edge > 0)
    _, hi = np.nonzero(edge < 0)
    bounds = np.column_stack([layer * columns + lo, layer * columns + hi]).ravel()
    peak = np.maximum.reduceat(np.append(excess.ravel(), np.float32(0)), bounds)[::2]
    is_outline = np.logical_or.reduceat(np.append(outline.ravel(), False), bounds)[::2]
    z, left, right = layer * pixel, lo * pixel, hi * pixel
    order: list[int] = []
    remaining = peak.copy()
    while remaining[i := int(remaining.argmax())] > 0:
        order.append(i)
        # Stretches are sorted by height: only those near this one are compared with it.
        near = slice(*np.searchsorted(z, [z[i] - 2 * APART, z[i] + 2 * APART]).tolist())
        beside = (left[near] < right[i] + APART) & (right[near] > left[i] - APART)
        remaining[near][beside & (np.abs(z[near] - z[i]) < APART)] = 0.0
    worst = (
        OverhangPlace(float(z[i]), (float(left[i]), float(right[i])), float(peak[i]), bool(is_outline[i]))
        for i in order[:PLACES]
    )
    return len(order), tuple(worst)


def _check(thickness: NDArray[np.floating], pixel: float, angle: float) -> None:
    if thickness.ndim != 2:
        raise PathgenError(
            f"the thickness map has {thickness.ndim} dimensions", allowed="two dimensions, rows and columns"
        )
    if not (np.isfinite(thickness).all() and (thickness >= 0).all()):
        raise PathgenError(
            "the thickness map contains negative, NaN or infinite values",
            allowed="finite values of 0 mm or more",
        )
    if not pixel > 0:
        raise PathgenError(f"pixel is {pixel:g} mm", where="pixel", allowed="more than 0 mm")
    if not 0 < angle < 90:
        raise PathgenError(f"overhang angle is {angle:g}°", where="angle", allowed="between 0 and 90°")
