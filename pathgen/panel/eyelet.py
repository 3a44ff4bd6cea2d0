"""Eyelets for hanging the panel: lugs on the upper edge of the outline, each with an opening.

The opening is a circle whose upper half is replaced by two tangents, at an overhang that prints without
support. The lug surrounds the opening with a wall of given thickness and has vertical sides down to the
panel, so that no part of an eyelet needs support.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.panel.outline import SAGITTA
from pathgen.panel.pixels import Floats, Grid, check_shape, mask

OPENING = 0.5, 50.0  # mm
WALL = 0.4, 20.0  # mm
OVERHANG = 15.0, 75.0  # degrees from the vertical
SHARE_SLACK = 1e-6  # fraction of the width; a limit that was printed and typed again is still accepted
ARC_STEPS = 32  # segments of a quarter circle around a corner
OVERLAP = 0.001  # overlap of joined parts that prevents cracks from rounding, mm
ROUNDING = 0.01  # thickness that a wall may lose to the segments of its arcs, mm


@dataclass(frozen=True, slots=True)
class Eyelet:
    """One eyelet; lengths in mm.

    Attributes
    ----------
    at : float
        Position along the top as a fraction of the outline's width, 0 at the left and 1 at the right.
    opening : float
        Width of the opening.
    wall : float
        Minimum wall around the opening, toward the outside and toward the picture (common practice: 1.5 mm,
        about three beads).
    overhang : float
        Overhang of the opening's upper sides, degrees from the vertical; 45 prints without support on most
        machines (common practice).
    rise : float, optional
        Distance of the opening's centre from the outline's edge, measured normal to the edge. By default the
        smallest that leaves `wall` toward the picture, and not below the edge.
    point : {"up", "left", "right"}
        Direction in which the opening is pointed: upward in the standing panel, thus sideways if the panel is
        printed on its side.
    """

    at: float = 0.5
    opening: float = 4.0
    wall: float = 1.5
    overhang: float = 45.0
    rise: float | None = None
    point: str = "up"

    @property
    def reach(self) -> float:
        """Half the width of the opening, measured along the top edge, mm."""
        radius = self.opening / 2
        return radius if self.point == "up" else radius * (1 + 1 / math.sin(math.radians(self.overhang))) / 2


def eyelets(outline: Polygon, specs: Sequence[Eyelet], rim_width: float) -> tuple[Polygon, MultiPolygon]:
    """Add eyelets to an outline.

    Parameters
    ----------
    outline : Polygon
        mm.
    specs : sequence of Eyelet
        In any order.
    rim_width : float
        Width of the panel's rim, mm; openings may lie in the rim and keep their wall toward the picture
        inside.

    Returns
    -------
    whole : Polygon
        The outline with its lugs; the openings are holes. Its height includes the lugs, and its width is
        unchanged.
    lugs : MultiPolygon
        Area that gets the thickness of the rim because of the lugs: outside the outline and in its rim,
        openings included. Empty without eyelets.

    Raises
    ------
    PathgenError
        If a value is out of range, a lug extends beyond the panel or is on too steep an edge, the wall of an
        opening is too thin, or lugs overlap.

    Examples
    --------
    >>> from pathgen.panel.outline_rectangle import rectangle
    >>> whole, lugs = eyelets(rectangle(60, 40), [Eyelet(0.2), Eyelet(0.8)], rim_width=3.0)
    >>> len(whole.interiors), len(lugs.geoms), round(whole.bounds[3], 2)
    (2, 2, 44.83)
    """
    if not 0 <= rim_width < np.inf:
        raise PathgenError(f"the rim width is {rim_width:g} mm", allowed="0 mm or more")
    for spec in specs:
        _check(spec, outline)
    openings = [_opening(outline, spec, rim_width) for spec in specs]
    lugs = [_lug(outline, spec, opening) for spec, opening in zip(specs, openings, strict=True)]
    for (one, lug), (two, other) in combinations(zip(specs, lugs, strict=True), 2):
        if shapely.intersects(lug, other):
            what = f"eyelets at {one.at:g} and {two.at:g} overlap"
            raise PathgenError(what, where="eyelet_at", hint="place them further apart")
    solid = shapely.union_all([outline, *lugs])
    picture = _grown(outline, -rim_width)
    for spec, opening in zip(specs, openings, strict=True):
        _check_walls(spec, opening, solid, picture)
    whole = shapely.difference(solid, shapely.union_all(openings))
    assert isinstance(whole, Polygon), "lugs overlap the outline, and openings lie inside"
    raised = shapely.get_parts(shapely.difference(shapely.union_all(lugs), picture))
    return whole, MultiPolygon([part for part in raised if isinstance(part, Polygon) and part.area > 0])


def raise_lugs(
    thickness: NDArray[np.floating], whole: Polygon, lugs: MultiPolygon, grid: Grid, rim_thickness: float
) -> Floats:
    """Add eyelets to a thickness map that already has its rim.

    Parameters
    ----------
    thickness : (rows, cols) float
        Map from `rim` for the outline without eyelets, mm, on `grid`.
    whole, lugs : polygons
        From `eyelets`.
    grid : Grid
        Grid over `whole`.
    rim_thickness : float
        mm.

    Returns
    -------
    (rows, cols) float64
        A new map: lugs are as thick as the rim, openings 0.

    Examples
    --------
    >>> from pathgen.panel.outline_rectangle import rectangle
    >>> from pathgen.panel.pixels import grid_over
    >>> whole, lugs = eyelets(rectangle(20, 10), [Eyelet()], rim_width=3.0)
    >>> grid = grid_over(whole, 0.5)
    >>> panel = raise_lugs(np.zeros(grid.shape), whole, lugs, grid, 4.0)
    >>> panel[0].max().item(), panel[9, 20].item()
    (4.0, 0.0)
    """
    check_shape(thickness, grid)
    panel = np.where(mask(lugs, grid), float(rim_thickness), thickness)
    panel[mask(MultiPolygon([Polygon(hole) for hole in whole.interiors]), grid)] = 0.0
    return panel


def teardrop(u: float, z: float, radius: float, overhang: float) -> Polygon:
    """Return the shape of an opening: a circle with a pointed top formed by tangents at the overhang angle.

    The overhang of a circle at a point equals the point's angle above its widest level. Where that angle
    reaches `overhang`, the tangent continues, so the apex is radius / sin(overhang) above the centre
    (geometry).

    Parameters
    ----------
    u, z : float
        Centre of the circle, mm.
    radius : float
        mm.
    overhang : float
        Degrees from the vertical.

    Returns
    -------
    Polygon

    Examples
    --------
    >>> [round(side, 3) for side in teardrop(0, 0, 2, 45).bounds]
    [-2.0, -2.0, 2.0, 2.828]
    """
    limit = math.radians(overhang)
    step = 2 * math.sqrt(2 * SAGITTA / radius)  # as for the arcs of outlines
    lower = np.linspace(-np.pi / 2, 0.0, max(8, math.ceil(np.pi / 2 / step)) + 1)
    upper = np.linspace(0.0, limit, max(4, math.ceil(limit / step)) + 1)
    angle = np.concatenate([lower, upper[1:]])
    right = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    right[0, 0] = 0.0
    apex = np.array([[0.0, radius / math.sin(limit)]])
    return Polygon(np.concatenate([right, apex, right[:0:-1] * (-1, 1)]) + (u, z))


def _opening(outline: Polygon, spec: Eyelet, rim_width: float) -> Polygon:
    """Place an opening at a distance of `rise` from the outline's edge."""
    radius = spec.opening / 2
    rise = max(radius + spec.wall - rim_width, 0.0) if spec.rise is None else spec.rise
    u = _across(outline, spec)
    z = _top(_grown(outline, rise), u)
    if z is None:
        what = f"a rise of {rise:g} mm places the opening outside the outline"
        raise PathgenError(what, where=_name(spec), hint="set the rise closer to 0 mm")
    upward = teardrop(u, z, radius, spec.overhang)
    if spec.point == "up":
        return upward
    sideways = shapely.affinity.rotate(upward, 90 if spec.point == "left" else -90, origin=(u, z))
    left, _, right, _ = sideways.bounds
    sideways = shapely.affinity.translate(sideways, u - (left + right) / 2)
    picture = _grown(outline, -rim_width)
    missing = 0.0 if picture.is_empty or spec.rise is not None else spec.wall - sideways.distance(picture)
    # On a curved top it is nearer to the picture than an upright one; it is raised by twice the missing wall.
    return shapely.affinity.translate(sideways, yoff=2 * missing) if missing > 0 else sideways


def _lug(outline: Polygon, spec: Eyelet, opening: Polygon) -> BaseGeometry:
    """Return the shape of a lug: a ring around the opening, and a solid base down to the panel."""
    low_left, low, low_right, _ = outline.bounds
    u, half = _across(outline, spec), spec.reach + spec.wall
    left, right = max(u - half, low_left), min(u + half, low_right)
    middle = opening.bounds[1] + spec.opening / 2
    empty = shapely.get_parts(shapely.difference(shapely.box(left, low, right, middle), outline))
    # The lug must not fill gaps further down, such as a hole of the outline.
    gaps = [gap for gap in empty if gap.bounds[3] > middle - OVERLAP and gap.area > 0]
    edge = _top(outline, u) or low
    fall = edge - min([edge, *(gap.bounds[1] for gap in gaps)])
    if fall > 2 * half:
        what = f"the outline falls by {fall:.3g} mm over the {2 * half:g} mm width of the lug"
        allowed, hint = f"at most {2 * half:g} mm", "place the eyelet nearer to the middle of the top"
        raise PathgenError(what, where=_name(spec), allowed=allowed, hint=hint)
    around = shapely.buffer(opening, spec.wall, quad_segs=ARC_STEPS)
    cap = shapely.intersection(around, shapely.box(left, middle - OVERLAP, right, around.bounds[3] + 1))
    filled = shapely.buffer(shapely.union_all(gaps), OVERLAP, join_style="mitre")
    return shapely.union(cap, shapely.intersection(filled, shapely.box(left, low, right, middle)))


def _grown(outline: Polygon, by: float) -> BaseGeometry:
    """Offset an outline outward, or inward if `by` is negative, with rounded convex corners."""
    if abs(by) < OVERLAP:  # a buffer by almost 0 may lose the polygon
        return outline
    return shapely.buffer(outline, by, quad_segs=ARC_STEPS)


def _across(outline: Polygon, spec: Eyelet) -> float:
    left, _, right, _ = outline.bounds
    return float(left + spec.at * (right - left))


def _top(outline: BaseGeometry, u: float) -> float | None:
    """Return the highest z of an outline at u, or None if there is none."""
    if outline.is_empty:
        return None
    _, low, _, high = outline.bounds
    chord = shapely.intersection(outline, shapely.linestrings([(u, low - 1), (u, high + 1)]))
    return None if chord.is_empty else float(chord.bounds[3])


def _name(spec: Eyelet) -> str:
    return f"eyelet_at {spec.at:g}"


def _check(spec: Eyelet, outline: Polygon) -> None:
    limits = {"opening": (*OPENING, "mm"), "wall": (*WALL, "mm"), "overhang": (*OVERHANG, "degrees")}
    for name, (lowest, highest, unit) in limits.items():
        value = getattr(spec, name)
        if not lowest <= value <= highest:
            allowed = f"{lowest:g} to {highest:g} {unit}"
            raise PathgenError(f"{name} is {value:g} {unit}", where=f"eyelet_{name}", allowed=allowed)
    if spec.rise is not None and not abs(spec.rise) <= OPENING[1]:
        allowed = f"{-OPENING[1]:g} to {OPENING[1]:g} mm"
        raise PathgenError(f"rise is {spec.rise:g} mm", where=_name(spec), allowed=allowed)
    width, lug = outline.bounds[2] - outline.bounds[0], 2 * (spec.reach + spec.wall)
    margin = lug / 2 / width
    if margin > 0.5:
        what = f"a lug of {lug:g} mm is wider than the panel of {width:g} mm"
        raise PathgenError(what, where=_name(spec), hint="reduce `eyelet_opening` or `eyelet_wall`")
    if not margin - SHARE_SLACK <= spec.at <= 1 - margin + SHARE_SLACK:
        allowed = f"{margin:.6f} to {1 - margin:.6f} of the panel's width"
        raise PathgenError(
            "the lug around the eyelet extends beyond the side of the panel",
            where=_name(spec),
            allowed=allowed,
        )


def _check_walls(spec: Eyelet, opening: Polygon, solid: BaseGeometry, picture: BaseGeometry) -> None:
    inside = shapely.distance(opening, picture) if not picture.is_empty else np.inf
    outside = shapely.distance(opening, solid.boundary) if solid.contains(opening) else 0.0
    for wall, side, hint in (
        (inside, "picture", "make the rim wider, or the rise larger"),
        (outside, "outside", "move the eyelet"),
    ):
        if wall < spec.wall - ROUNDING:
            what = f"the wall between the opening and the {side} is {wall:.3g} mm"
            raise PathgenError(what, where=_name(spec), allowed=f"{spec.wall:g} mm or more", hint=hint)
