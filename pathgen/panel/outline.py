"""Outlines: the silhouettes a panel can have, and the flat they stand on.

An outline is one shapely polygon in (u, z), mm: u to the viewer's right, z up, the lower left corner of its
bounding box at the origin. Curves are polygons whose corners lie on the curve.
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

SHORTEST, LONGEST = 0.01, 2000.0  # mm, the sides an outline may have
SAGITTA = 0.002  # mm that a straight piece may stay inside the curve it stands for
FOOT_SHARE = 0.4  # of the width: what the foot is by default (common practice)
FOOT_REACH = 0.1  # of the height: how much may be cut off for it where nobody asked
LEVEL_DECIMALS = 6  # of a mm: corners nearer than this in height are at one level
SPECK = 1e-9  # mm²: less is no piece of an outline but what rounding leaves over


def rectangle(width: float, height: float, corner: float = 0.0) -> Polygon:
    """Outline a rectangle, its corners rounded or not.

    Parameters
    ----------
    width, height : float
        mm.
    corner : float
        Radius of the corners, mm; 0 for none.

    Returns
    -------
    Polygon

    Raises
    ------
    PathgenError
        When a side is not from 0.01 to 2000 mm, or the corners do not fit into the shorter side.

    Examples
    --------
    >>> rectangle(60, 40).area, round(rectangle(60, 40, corner=5).area, 1)
    (2400.0, 2378.5)
    """
    _check_sides(width, height)
    most = min(width, height) / 2
    if not 0 <= corner <= most:
        allowed = f"0 to {most:g} mm, half the shorter side"
        raise PathgenError(f"corner is {corner:g} mm", where="corner", allowed=allowed)
    if corner == 0:
        return _polygon(np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float64))
    return _polygon(_rounded(width, height, corner, corner, corner, corner))


def ellipse(width: float, height: float) -> Polygon:
    """Outline an ellipse; a disc when the sides are equal.

    Parameters and errors as with `rectangle`.

    Examples
    --------
    >>> round(ellipse(100, 100).area, 1), round(np.pi * 50**2, 1)
    (7853.6, 7854.0)
    """
    _check_sides(width, height)
    return _polygon(_rounded(width, height, width / 2, height / 2, width / 2, height / 2))


def arch(width: float, height: float) -> Polygon:
    """Outline a round-topped window: a rectangle below, half a disc of the same width above.

    Where the height is less than half the width, half a disc has no room; the whole outline is then a
    segment of a larger disc, its arc going from one foot over the crown to the other.

    Parameters and errors as with `rectangle`.

    Examples
    --------
    >>> arch(60, 80).bounds
    (0.0, 0.0, 60.0, 80.0)
    >>> round(arch(60, 80).area, 1), round(60 * 50 + np.pi * 30**2 / 2, 1)
    (4413.6, 4413.7)
    """
    _check_sides(width, height)
    if height >= width / 2:
        return _polygon(_rounded(width, height, 0.0, 0.0, width / 2, width / 2))
    # Circle through the two feet and the crown (exact geometry).
    radius = (width**2 / 4 + height**2) / (2 * height)
    half = math.asin(min(1.0, width / 2 / radius))
    turn = np.linspace(0.0, half, _pieces(radius, half) + 1)
    right = np.column_stack([radius * np.sin(turn), height - radius * (1 - np.cos(turn))])
    right[-1] = width / 2, 0.0
    left = right * (-1, 1)
    return _polygon(np.concatenate([right[::-1], left[1:]]) + (width / 2, 0))


def resize_outline(outline: Polygon, width: float | None = None, height: float | None = None) -> Polygon:
    """Bring an outline to a size, its lower left corner to the origin.

    Parameters
    ----------
    outline : Polygon
    width, height : float, optional
        Wanted size of the bounding box, mm. One given: the proportions stay. Both: each is met. None: the
        outline keeps its size.

    Returns
    -------
    Polygon

    Raises
    ------
    PathgenError
        When a side is, or comes to be, not from 0.01 to 2000 mm.

    Examples
    --------
    >>> resize_outline(rectangle(60, 40), width=90).bounds
    (0.0, 0.0, 90.0, 60.0)
    """
    left, low, right, high = outline.bounds
    own = right - left, high - low
    for name, side in (("width", width), ("height", height)):
        if side is not None:
            _check_side(name, side)
    across = None if width is None else width / own[0]
    up = None if height is None else height / own[1]
    across, up = across or up or 1.0, up or across or 1.0
    _check_sides(width or own[0] * across, height or own[1] * up)
    moved: Polygon = shapely.transform(outline, lambda points: (points - (left, low)) * (across, up))
    return moved


def with_foot(outline: Polygon, foot: float | None = None) -> Polygon:
    """Cut an outline flat at the bottom, as low as gives it a foot to stand on.

    It is cut at the lowest height whose chord (the length of the outline's section there, all its parts
    together) is at least the foot. So the foot may be in several places, and an outline that stands on
    enough already is left alone. The panel becomes lower by what is cut off.

    Parameters
    ----------
    outline : Polygon
    foot : float, optional
        Width that stands on the platform, mm. By default 40 % of the outline's width, or, where its lowest
        tenth is nowhere that wide, the widest chord found there (common practice: the first layer and its
        brim carry the panel).

    Returns
    -------
    Polygon
        Its lower left corner at the origin.

    Raises
    ------
    PathgenError
        When the outline is nowhere as wide as the foot, or the cut leaves it in several pieces.

    Examples
    --------
    >>> stands = with_foot(ellipse(100, 100))
    >>> [round(side, 2) for side in stands.bounds]
    [0.0, 0.0, 100.0, 95.83]
    >>> with_foot(rectangle(60, 40), foot=50).equals(rectangle(60, 40))
    True
    """
    levels, above, below = chords(outline)
    asked = _default_foot(levels, above, below, outline) if foot is None else foot
    widest = float(max(above.max(), below.max()))
    tolerance = 10.0**-LEVEL_DECIMALS
    if not 0 < asked <= widest + tolerance:
        what = f"foot is {asked:g} mm, and the outline's widest level {widest:.4g} mm"
        raise PathgenError(what, where="foot", allowed=f"more than 0 and at most {widest:.4g} mm")
    at_once = above >= asked - tolerance
    hit = at_once | (below > asked + tolerance)
    if not hit.any():  # as wide only at a point from which it is narrower, both ways
        what = f"foot is {asked:g} mm, as wide as the outline's widest level"
        raise PathgenError(what, where="foot", allowed=f"less than {widest:.4g} mm")
    k = int(np.argmax(hit))
    share = 0.0 if at_once[k] else (asked - above[k]) / (below[k] - above[k])
    return _cut(outline, float(levels[k] + share * (levels[k + 1] - levels[k])), asked)


def chords(outline: Polygon) -> tuple[Floats, Floats, Floats]:
    """Measure the outline's chords: how long its section is at every height.

    The length is linear between the heights of corners and may jump there. It is the sum over the edges
    that bound the section on the right, less those on the left, each linear in z: so two cumulated sums give
    it for all heights at once.

    Parameters
    ----------
    outline : Polygon

    Returns
    -------
    levels : (K,) float64
        Heights of corners, mm, ascending, to a millionth.
    above, below : (K - 1,) float64
        Length just above level k and just below level k + 1, mm.

    Examples
    --------
    >>> levels, above, below = chords(Polygon([(0, 0), (8, 0), (4, 6)]))
    >>> levels.tolist(), above.tolist(), below.tolist()
    ([0.0, 6.0], [8.0], [0.0])
    """
    rings = shapely.get_rings(orient(outline, 1.0))  # the inside is on the left of every ring
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
    # Only chords that go on above their level count: a foot without any height would be none.
    return float(min(FOOT_SHARE * (right - left), max(above[: k + 1].max(), at_limit)))


def _cut(outline: Polygon, height: float, foot: float) -> Polygon:
    left, low, right, high = outline.bounds
    if height - low < 10.0**-LEVEL_DECIMALS:
        return resize_outline(outline)
    kept = shapely.intersection(outline, shapely.box(left - 1, height, right + 1, high + 1))
    parts = [part for part in shapely.get_parts(kept) if shapely.area(part) > SPECK]
    if len(parts) != 1:
        what = f"a foot of {foot:.4g} mm cuts {height - low:.4g} mm off and leaves {len(parts)} pieces"
        raise PathgenError(what, where="outline", allowed="one piece", hint="ask for a narrower foot")
    return resize_outline(parts[0])


def _rounded(width: float, height: float, low_u: float, low_z: float, top_u: float, top_z: float) -> Floats:
    """Corner points, counter-clockwise, of a rectangle whose lower and upper corners are quarter ellipses.

    Only the upper right quarters are computed and the rest mirrored, so that the outline is exactly its own
    mirror image.
    """
    low, top = _quarter(low_u, low_z), _quarter(top_u, top_z)
    upper = np.array([width / 2 - top_u, height / 2 - top_z]) + top
    lower = (np.array([width / 2 - low_u, height / 2 - low_z]) + low) * (1, -1)
    right = np.concatenate([lower[::-1], upper])
    points = np.concatenate([right, right[::-1] * (-1, 1)])
    return points + (width / 2, height / 2)


def _quarter(across: float, up: float) -> Floats:
    """Points of a quarter ellipse about the origin, from its right to its top; a single one for radius 0."""
    if across == 0:
        return np.zeros((1, 2))
    sine = np.sin(np.linspace(0.0, np.pi / 2, _pieces(max(across, up), np.pi / 2) + 1))
    sine[-1] = 1.0
    return np.column_stack([across * sine[::-1], up * sine])


def _pieces(radius: float, turn: float) -> int:
    """Straight pieces that stay within the sagitta of an arc, r(1 − cos φ) ≈ rφ²/2 with φ half a piece."""
    return max(8, math.ceil(turn / 2 / math.sqrt(2 * SAGITTA / radius)))


def _polygon(points: Floats) -> Polygon:
    """Make a polygon of a ring of points, those that repeat their neighbour left out."""
    fresh = np.any(np.abs(points - np.roll(points, 1, axis=0)) > 1e-12, axis=1)
    return Polygon(points[fresh])


def _check_sides(width: float, height: float) -> None:
    _check_side("width", width)
    _check_side("height", height)


def _check_side(name: str, side: float) -> None:
    if not SHORTEST <= side <= LONGEST:  # says no to nan as well
        what = f"{name} of the outline is {side:g} mm"
        raise PathgenError(what, allowed=f"{SHORTEST:g} to {LONGEST:g} mm")
