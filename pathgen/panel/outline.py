"""Geometry shared by all outlines: rounded corners, resizing, and the flat foot that a panel stands on.

An outline is one shapely polygon in (u, z), mm: u to the viewer's right, z up, the lower left corner of its
bounding box at the origin. A curve is approximated by a polygon whose vertices lie on it.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

SHORTEST, LONGEST = 0.01, 2000.0  # limits of an outline's sides, mm
SAGITTA = 0.002  # maximum distance between a curve and its polygon, mm
FOOT_SHARE = 0.4  # default foot as a fraction of the width (common practice)
FOOT_REACH = 0.1  # maximum fraction of the height that is cut off for the default foot
LEVEL_DECIMALS = 6  # vertices whose heights round to the same value are level, decimals of a mm
SPECK = 1e-9  # pieces smaller than this are rounding residue, mm²


def resize_outline(outline: Polygon, width: float | None = None, height: float | None = None) -> Polygon:
    """Scale an outline to a size and move the lower left corner of its bounding box to the origin.

    Parameters
    ----------
    outline : Polygon
    width, height : float, optional
        Target size of the bounding box, mm. If only one side is given, the outline keeps its proportions; if
        neither is given, it keeps its size.

    Returns
    -------
    Polygon

    Raises
    ------
    PathgenError
        If a side, before or after scaling, is outside 0.01 to 2000 mm.

    Examples
    --------
    >>> resize_outline(Polygon([(0, 0), (60, 0), (60, 40), (0, 40)]), width=90).bounds
    (0.0, 0.0, 90.0, 60.0)
    """
    left, low, right, high = outline.bounds
    own = right - left, high - low
    check_sides(width, height)
    across = None if width is None else width / own[0]
    up = None if height is None else height / own[1]
    across, up = across or up or 1.0, up or across or 1.0
    check_sides(width or own[0] * across, height or own[1] * up)
    return shapely.transform(outline, lambda points: (points - (left, low)) * (across, up))


def with_foot(outline: Polygon, foot: float | None = None) -> Polygon:
    """Cut an outline flat at the bottom to form a foot on which the panel stands.

    The cut is at the lowest height whose chord (the total length of the outline's section at that height) is
    at least as long as the foot. The foot may therefore consist of several parts, and an outline with a
    sufficient flat at its bottom is returned unchanged. The cut reduces the height of the panel.

    Parameters
    ----------
    outline : Polygon
    foot : float, optional
        Minimum width that stands on the platform, mm. By default 40 % of the outline's width, or the longest
        chord within the lowest tenth of its height if that is shorter (common practice: the first layer and
        its brim carry the panel).

    Returns
    -------
    Polygon
        The lower left corner of its bounding box is at the origin.

    Raises
    ------
    PathgenError
        If the foot is wider than the outline at every height, or the cut leaves several pieces.

    Examples
    --------
    >>> octagon = Polygon([(30, 0), (70, 0), (100, 30), (100, 70), (70, 100), (30, 100), (0, 70), (0, 30)])
    >>> with_foot(octagon, foot=50).bounds
    (0.0, 0.0, 100.0, 95.0)
    >>> with_foot(octagon, foot=40).equals(octagon)
    True
    """
    levels, above, below = chords(outline)
    minimum = _default_foot(levels, above, below, outline) if foot is None else foot
    widest = float(max(above.max(), below.max()))
    tolerance = 10.0**-LEVEL_DECIMALS
    if not 0 < minimum <= widest + tolerance:
        what = f"foot of {minimum:g} mm does not fit an outline that is {widest:.4g} mm at its widest level"
        raise PathgenError(what, where="foot", allowed=f"more than 0 and at most {widest:.4g} mm")
    at_once = above >= minimum - tolerance
    reached = at_once | (below > minimum + tolerance)
    if not reached.any():  # the outline is this wide at a single height and narrower on both sides of it
        what = f"foot of {minimum:g} mm fits the outline only at a single height"
        raise PathgenError(what, where="foot", allowed=f"less than {widest:.4g} mm")
    k = int(np.argmax(reached))
    share = 0.0 if at_once[k] else (minimum - above[k]) / (below[k] - above[k])
    return _cut(outline, float(levels[k] + share * (levels[k + 1] - levels[k])), minimum)


def chords(outline: Polygon) -> tuple[Floats, Floats, Floats]:
    """Compute the length of an outline's horizontal section at every height.

    The length is linear between the heights of vertices and may jump at them. It is the sum over the edges
    that bound the section on the right, minus the sum over those on the left, each linear in z; two
    cumulative sums therefore give the length at all heights.

    Parameters
    ----------
    outline : Polygon

    Returns
    -------
    levels : (K,) float64
        Heights of the vertices, mm, ascending, rounded to 1e-6 mm.
    above, below : (K - 1,) float64
        Length just above level k and just below level k + 1, mm.

    Examples
    --------
    >>> levels, above, below = chords(Polygon([(0, 0), (8, 0), (4, 6)]))
    >>> levels.tolist(), above.tolist(), below.tolist()
    ([0.0, 6.0], [8.0], [0.0])
    """
    rings = shapely.get_rings(orient(outline, 1.0))  # the interior is to the left of every ring
    points, ring = shapely.get_coordinates(rings, return_index=True)
    u, z = points[:, 0] - points[:, 0].mean(), np.round(points[:, 1], LEVEL_DECIMALS)
    edge = np.flatnonzero((ring[1:] == ring[:-1]) & (z[1:] != z[:-1]))
    levels = np.unique(z)
    u0, u1, z0, z1 = u[edge], u[edge + 1], z[edge], z[edge + 1]
    sign = np.where(z1 > z0, 1.0, -1.0)  # rising edges bound the section on its right
    slope = (u1 - u0) / (z1 - z0)
    begin = np.searchsorted(levels, np.minimum(z0, z1))
    end = np.searchsorted(levels, np.maximum(z0, z1))
    constant, linear = (
        np.cumsum(np.bincount(begin, sign * part, len(levels)) - np.bincount(end, sign * part, len(levels)))
        for part in (u0 - slope * z0, slope)
    )
    above = np.maximum(constant[:-1] + linear[:-1] * levels[:-1], 0.0)
    below = np.maximum(constant[:-1] + linear[:-1] * levels[1:], 0.0)
    return levels, above, below


def _default_foot(levels: Floats, above: Floats, below: Floats, outline: Polygon) -> float:
    left, low, right, high = outline.bounds
    limit = low + FOOT_REACH * (high - low)
    k = max(int(np.searchsorted(levels, limit, "right")) - 1, 0)
    share = (limit - levels[k]) / (levels[k + 1] - levels[k])
    at_limit = above[k] + share * (below[k] - above[k])
    # Only chords that continue above their level count: a cut at a topmost level would leave nothing there.
    return float(min(FOOT_SHARE * (right - left), max(above[: k + 1].max(), at_limit)))


def _cut(outline: Polygon, height: float, foot: float) -> Polygon:
    left, low, right, high = outline.bounds
    if height - low < 10.0**-LEVEL_DECIMALS:
        return resize_outline(outline)
    kept = shapely.intersection(outline, shapely.box(left - 1, height, right + 1, high + 1))
    parts = [part for part in shapely.get_parts(kept) if shapely.area(part) > SPECK]
    if len(parts) != 1:
        what = f"a foot of {foot:.4g} mm cuts off {height - low:.4g} mm and leaves {len(parts)} pieces"
        allowed, hint = "a foot that leaves one piece", "use a narrower foot"
        raise PathgenError(what, where="outline", allowed=allowed, hint=hint)
    return resize_outline(parts[0])


def rounded_corners(
    width: float, height: float, low_u: float, low_z: float, top_u: float, top_z: float
) -> Floats:
    """Return the vertices of a rectangle whose corners are quarter ellipses, counter-clockwise.

    Only the right half is computed and then mirrored, so the outline is exactly symmetric.

    Parameters
    ----------
    width, height : float
        mm.
    low_u, low_z, top_u, top_z : float
        Horizontal and vertical radius of the lower and of the upper corners, mm; 0 for square corners.

    Returns
    -------
    (M, 2) float64
        (u, z), mm.
    """
    low, top = _quarter(low_u, low_z), _quarter(top_u, top_z)
    upper = np.array([width / 2 - top_u, height / 2 - top_z]) + top
    lower = (np.array([width / 2 - low_u, height / 2 - low_z]) + low) * (1, -1)
    right = np.concatenate([lower[::-1], upper])
    points = np.concatenate([right, right[::-1] * (-1, 1)])
    return points + (width / 2, height / 2)


def _quarter(across: float, up: float) -> Floats:
    """Return points on a quarter ellipse about the origin, from right to top; one point for radius 0."""
    if across == 0:
        return np.zeros((1, 2))
    sine = np.sin(np.linspace(0.0, np.pi / 2, arc_segments(max(across, up), np.pi / 2) + 1))
    sine[-1] = 1.0
    return np.column_stack([across * sine[::-1], up * sine])


def arc_segments(radius: float, angle: float) -> int:
    """Return the number of segments that keeps an arc's polygon within `SAGITTA` of the arc.

    The sagitta of a segment is r(1 − cos φ) ≈ rφ²/2, where φ is half the angle of the segment.

    Parameters
    ----------
    radius : float
        mm.
    angle : float
        Angle of the arc, radians.
    """
    return max(8, math.ceil(angle / 2 / math.sqrt(2 * SAGITTA / radius)))


def ring_polygon(points: Floats) -> Polygon:
    """Build a polygon from a ring of points, without consecutive duplicates."""
    distinct = np.any(np.abs(points - np.roll(points, 1, axis=0)) > 1e-12, axis=1)
    return Polygon(points[distinct])


def check_sides(width: float | None, height: float | None) -> None:
    """Raise a PathgenError if a side is given and is outside 0.01 to 2000 mm."""
    for name, side in (("width", width), ("height", height)):
        if side is not None and not SHORTEST <= side <= LONGEST:  # also rejects NaN
            what = f"{name} of the outline is {side:g} mm"
            raise PathgenError(what, allowed=f"{SHORTEST:g} to {LONGEST:g} mm")
