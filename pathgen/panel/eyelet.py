"""Eyelets: the loops a panel hangs by, each a lug on the outline's upper edge with an opening through it.

The opening is a circle that closes upward in two straight lines, leaning from the vertical by no more than
prints without a support. The lug is what a stated wall around the opening makes of it, on two upright sides
that go down to the panel: so nothing of an eyelet hangs over.
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
from pathgen.panel.pixels import Floats, Grid, mask

OPENING = 0.5, 50.0  # mm
WALL = 0.4, 20.0  # mm
OVERHANG = 15.0, 75.0  # degrees from the vertical
SHARE_SLACK = 1e-6  # of the width: what the limits lose by being printed and typed again
ARC_STEPS = 32  # straight pieces in a quarter circle around a corner
OVERLAP = 0.001  # mm that parts reach into each other, so that rounding leaves no crack between them
ROUNDING = 0.01  # mm by which those pieces may leave a wall thinner than asked


@dataclass(frozen=True, slots=True)
class Eyelet:
    """One eyelet. Lengths in mm.

    Attributes
    ----------
    at : float
        Where along the top: a share of the outline's width, 0 its left end, 1 its right.
    opening : float
        Width of the opening.
    wall : float
        Least material around the opening: to the outside, and to the picture (common practice: 1.5 mm, some
        three beads).
    overhang : float
        How far the opening's upper sides may lean from the vertical, degrees; 45 prints without a support on
        most machines (common practice).
    rise : float, optional
        Height of the opening's middle over the outline's edge, measured across the edge. By default as low
        as leaves the wall to the picture, and at the lowest on the edge itself.
    point : {"up", "left", "right"}
        Where the opening closes to a point: upward as the panel stands, which is sideways for one that is
        made on its side.
    """

    at: float = 0.5
    opening: float = 4.0
    wall: float = 1.5
    overhang: float = 45.0
    rise: float | None = None
    point: str = "up"

    @property
    def reach(self) -> float:
        """Half the width that the opening takes along the top, mm."""
        radius = self.opening / 2
        return radius if self.point == "up" else radius * (1 + 1 / math.sin(math.radians(self.overhang))) / 2


def eyelets(outline: Polygon, specs: Sequence[Eyelet], rim_width: float) -> tuple[Polygon, MultiPolygon]:
    """Set eyelets on an outline.

    Parameters
    ----------
    outline : Polygon
        mm.
    specs : sequence of Eyelet
        In any order.
    rim_width : float
        Width of the panel's rim, mm; openings may lie in it, and keep their wall to what is inside.

    Returns
    -------
    hung : Polygon
        The outline with its lugs, their openings as holes. It is higher by the lugs and as wide as before.
    lugs : MultiPolygon
        Where the panel gets the rim's thickness on account of the lugs: outside the outline, and in its rim;
        openings not taken out. Empty without eyelets.

    Raises
    ------
    PathgenError
        When a value is out of range, a lug stands off the panel or on too steep an edge, its opening comes
        nearer to the picture or the outside than its wall, or lugs overlap.

    Examples
    --------
    >>> from pathgen.panel.outline import rectangle
    >>> hung, lugs = eyelets(rectangle(60, 40), [Eyelet(0.2), Eyelet(0.8)], rim_width=3.0)
    >>> len(hung.interiors), len(lugs.geoms), round(hung.bounds[3], 2)
    (2, 2, 44.83)
    """
    if not 0 <= rim_width < np.inf:
        raise PathgenError(f"width of the rim is {rim_width:g} mm", allowed="0 mm or more")
    for spec in specs:
        _check(spec, outline)
    openings = [_opening(outline, spec, rim_width) for spec in specs]
    lugs = [_lug(outline, spec, opening) for spec, opening in zip(specs, openings, strict=True)]
    for (one, lug), (two, other) in combinations(zip(specs, lugs, strict=True), 2):
        if shapely.intersects(lug, other):
            what = f"eyelets at {one.at:g} and {two.at:g} overlap"
            raise PathgenError(what, where="eyelet_at", hint="set them further apart")
    solid = shapely.union_all([outline, *lugs])
    picture = _grown(outline, -rim_width)
    for spec, opening in zip(specs, openings, strict=True):
        _check_walls(spec, opening, solid, picture)
    hung = shapely.difference(solid, shapely.union_all(openings))
    assert isinstance(hung, Polygon), "lugs reach into the outline, openings lie within"
    raised = shapely.get_parts(shapely.difference(shapely.union_all(lugs), picture))
    return hung, MultiPolygon([part for part in raised if isinstance(part, Polygon) and part.area > 0])


def raise_lugs(
    thickness: NDArray[np.floating], hung: Polygon, lugs: MultiPolygon, grid: Grid, rim_thickness: float
) -> Floats:
    """Put eyelets into a thickness map that has its rim already.

    Parameters
    ----------
    thickness : (rows, cols) float
        From `rim`, with the outline as it was without eyelets, mm.
    hung, lugs : polygons
        From `eyelets`.
    grid : Grid
        Laid over `hung`.
    rim_thickness : float
        mm.

    Returns
    -------
    (rows, cols) float64
        A new map: lugs as thick as the rim, openings 0.

    Examples
    --------
    >>> from pathgen.panel.outline import rectangle
    >>> from pathgen.panel.pixels import grid_over
    >>> hung, lugs = eyelets(rectangle(20, 10), [Eyelet()], rim_width=3.0)
    >>> grid = grid_over(hung, 0.5)
    >>> lugged = raise_lugs(np.zeros(grid.shape), hung, lugs, grid, 4.0)
    >>> lugged[0].max().item(), lugged[9, 20].item()
    (4.0, 0.0)
    """
    if thickness.shape != grid.shape:
        what = f"thickness map of {' × '.join(map(str, thickness.shape))} pixels"
        raise PathgenError(what, allowed=f"the outline's {grid.rows} × {grid.cols}")
    panel = np.where(mask(lugs, grid), float(rim_thickness), thickness)
    panel[mask(MultiPolygon([Polygon(hole) for hole in hung.interiors]), grid)] = 0.0
    return panel


def teardrop(u: float, z: float, radius: float, overhang: float) -> Polygon:
    """Outline an opening: a circle closed upward by its tangents that lean by the overhang.

    A circle leans from the vertical as far as it is from its widest place, in degrees; where that reaches
    the overhang the tangent goes on, so the apex is radius / sin(overhang) above the middle (geometry).

    Parameters
    ----------
    u, z : float
        Middle of the circle, mm.
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
    lean = math.radians(overhang)
    step = 2 * math.sqrt(2 * SAGITTA / radius)  # as the outlines' arcs
    lower = np.linspace(-np.pi / 2, 0.0, max(8, math.ceil(np.pi / 2 / step)) + 1)
    upper = np.linspace(0.0, lean, max(4, math.ceil(lean / step)) + 1)
    angle = np.concatenate([lower, upper[1:]])
    right = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    right[0, 0] = 0.0
    apex = np.array([[0.0, radius / math.sin(lean)]])
    return Polygon(np.concatenate([right, apex, right[:0:-1] * (-1, 1)]) + (u, z))


def _opening(outline: Polygon, spec: Eyelet, rim_width: float) -> Polygon:
    """Place an opening: on the line that runs along the outline's edge at the rise over it."""
    radius = spec.opening / 2
    rise = max(radius + spec.wall - rim_width, 0.0) if spec.rise is None else spec.rise
    u = _across(outline, spec)
    z = _top(_grown(outline, rise), u)
    if z is None:
        allowed = "a rise that meets the outline there"
        raise PathgenError(f"rise of {rise:g} mm", where=_name(spec), allowed=allowed)
    upward = teardrop(u, z, radius, spec.overhang)
    if spec.point == "up":
        return upward
    lying = shapely.affinity.rotate(upward, 90 if spec.point == "left" else -90, origin=(u, z))
    left, _, right, _ = lying.bounds
    lying = shapely.affinity.translate(lying, u - (left + right) / 2)
    picture = _grown(outline, -rim_width)
    short = 0.0 if picture.is_empty or spec.rise is not None else spec.wall - lying.distance(picture)
    # On a curved top it comes nearer to the picture than one that points up: raised by twice what is short.
    return shapely.affinity.translate(lying, yoff=2 * short) if short > 0 else lying


def _lug(outline: Polygon, spec: Eyelet, opening: Polygon) -> BaseGeometry:
    """Outline a lug: the opening's wall above its middle, and below it all down to the panel."""
    low_left, low, low_right, _ = outline.bounds
    u, half = _across(outline, spec), spec.reach + spec.wall
    left, right = max(u - half, low_left), min(u + half, low_right)
    middle = opening.bounds[1] + spec.opening / 2
    empty = shapely.get_parts(shapely.difference(shapely.box(left, low, right, middle), outline))
    # What is empty further down, such as a hole of the outline, is not the lug's to fill.
    gaps = [gap for gap in empty if gap.bounds[3] > middle - OVERLAP and gap.area > 0]
    edge = _top(outline, u) or low
    fall = edge - min([edge, *(gap.bounds[1] for gap in gaps)])
    if fall > 2 * half:
        raise PathgenError(
            f"the outline falls {fall:.3g} mm across the lug's {2 * half:g} mm",
            where=_name(spec),
            allowed="at most 45 degrees",
            hint="set the eyelet nearer to the middle of the top",
        )
    around = shapely.buffer(opening, spec.wall, quad_segs=ARC_STEPS)
    cap = shapely.intersection(around, shapely.box(left, middle - OVERLAP, right, around.bounds[3] + 1))
    filled = shapely.buffer(shapely.union_all(gaps), OVERLAP, join_style="mitre")
    return shapely.union(cap, shapely.intersection(filled, shapely.box(left, low, right, middle)))


def _grown(outline: Polygon, by: float) -> BaseGeometry:
    """Move the edge outward, or inward for less than 0, rounding corners that open."""
    if abs(by) < OVERLAP:  # general geometry may lose a polygon over next to nothing
        return outline
    return shapely.buffer(outline, by, quad_segs=ARC_STEPS)


def _across(outline: Polygon, spec: Eyelet) -> float:
    left, _, right, _ = outline.bounds
    return float(left + spec.at * (right - left))


def _top(outline: BaseGeometry, u: float) -> float | None:
    """Give the highest z of an outline at u; None where it has none."""
    if outline.is_empty:
        return None
    _, low, _, high = outline.bounds
    chord = shapely.intersection(outline, shapely.linestrings([(u, low - 1), (u, high + 1)]))
    return None if chord.is_empty else float(chord.bounds[3])


def _name(spec: Eyelet) -> str:
    return f"eyelet_at {spec.at:g}"


def _check(spec: Eyelet, outline: Polygon) -> None:
    limits = {"opening": (*OPENING, "mm"), "wall": (*WALL, "mm"), "overhang": (*OVERHANG, "degrees")}
    for name, (least, most, unit) in limits.items():
        value = getattr(spec, name)
        if not least <= value <= most:
            allowed = f"{least:g} to {most:g} {unit}"
            raise PathgenError(f"{name} is {value:g} {unit}", where=f"eyelet_{name}", allowed=allowed)
    if spec.rise is not None and not abs(spec.rise) <= OPENING[1]:
        allowed = f"{-OPENING[1]:g} to {OPENING[1]:g} mm"
        raise PathgenError(f"rise is {spec.rise:g} mm", where=_name(spec), allowed=allowed)
    left, _, right, _ = outline.bounds
    least = (spec.reach + spec.wall) / (right - left)
    if least > 0.5:
        lug, width = 2 * (spec.reach + spec.wall), right - left
        what = f"lug of {lug:g} mm on a panel {width:g} mm wide"
        raise PathgenError(what, where=_name(spec), hint="make opening or wall smaller")
    if not least - SHARE_SLACK <= spec.at <= 1 - least + SHARE_SLACK:
        allowed = f"{least:.6f} to {1 - least:.6f} of the width, so that all of the lug is on the panel"
        raise PathgenError("the lug stands off the panel", where=_name(spec), allowed=allowed)


def _check_walls(spec: Eyelet, opening: Polygon, solid: BaseGeometry, picture: BaseGeometry) -> None:
    inside = shapely.distance(opening, picture) if not picture.is_empty else np.inf
    outside = shapely.distance(opening, solid.boundary) if solid.contains(opening) else 0.0
    for wall, what in ((inside, "picture"), (outside, "outside")):
        if wall < spec.wall - ROUNDING:
            raise PathgenError(
                f"the opening leaves {wall:.3g} mm of wall to the {what}",
                where=_name(spec),
                allowed=f"{spec.wall:g} mm or more",
                hint="raise the eyelet, or make the rim wider" if what == "picture" else "move the eyelet",
            )
