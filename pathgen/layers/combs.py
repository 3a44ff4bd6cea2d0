"""The comb: a sacrificial comb on the platform under an outline that leans out too far.

Its *fins* are one bead thick, run along n under the whole depth of the wall, and rise from the platform to a
layer short of the outline above them. Neighbours are joined by *ribs*, in turns at the front and at the back,
so that a layer of the comb is one zig-zag and the comb, a corrugated wall, stands by itself. Seen from above,
and from the viewer's side under the left flank of a disc:

        ┌─┐ ┌─┐ ┌─┐           ╲       the outline
        │ │ │ │ │ │          │ ╲
        │ │ │ │ │ │          │││ ╲
        ┘ └─┘ └─┘ └         ▁│││││▁╲▁ the foot, and the brim

The fins stand as far apart as the overhang angle lets the outline reach from fin to fin. A foot on the first
layer joins them to the brim; nothing else touches the panel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.layers.sections import Layers, outline
from pathgen.layers.strokes import Floats, Ints, Strokes, constant_spacing, merge
from pathgen.panel.overhang import ANGLE, outline_lean, reach_of

Bools = NDArray[np.bool_]

BLOCK = 256  # layers looked at together, for memory's sake
MARGIN = 2.0  # mm that a comb goes on beyond the place where the outline stops to lean too far
SLENDER = 5.0  # height over depth of a comb that stands by itself; a rule of ours
SMOOTH = 0.05  # mm, of the foot's outline, as the brim's


@dataclass(frozen=True, slots=True)
class CombPlan:
    """What a comb is to be like; lengths in mm.

    Attributes
    ----------
    spacing : float
        Of its beads.
    angle : float
        Degrees from the vertical that the outline may lean out without a comb.
    fin_spacing : float or None
        From fin to fin at most; None: as far apart as the angle lets the outline reach from fin to fin.
    gap : float
        Sideways, between comb and panel.
    clear : int
        Layers left out between a fin and the outline above it.
    depth : float
        Least depth along n; it is as deep as the wall above, and a fifth of its own height, in any case.
    foot : float
        How far the first layer stands out around the fins.
    brim : float
        Width of the panel's brim, which the foot joins; 0 for none.
    """

    spacing: float
    angle: float = ANGLE
    fin_spacing: float | None = None
    gap: float = 0.2
    clear: int = 1
    depth: float = 3.0
    foot: float = 2.0
    brim: float = 0.0


@dataclass(frozen=True, slots=True)
class Comb:
    """A comb.

    Attributes
    ----------
    strokes : Strokes
        The foot's and the fins', sorted by layer; empty where no outline leans out too far.
    fins : int
        How many rise above the first layer.
    height : float
        Of the highest, mm.
    bridge : float
        Widest way from fin to fin that the outline has to reach, mm.
    """

    strokes: Strokes
    fins: int
    height: float
    bridge: float


@dataclass(frozen=True, slots=True)
class _Comb:
    """Fins side by side: their places along u, their common extent along n (low, high), mm."""

    u: Floats
    n: tuple[float, float]


def build_comb(layers: Layers, plan: CombPlan) -> Comb:
    """Stand a comb under every stretch of a panel's outline that leans out too far.

    Only what has nothing but air between itself and the platform is carried: a support stands on the
    platform, so the upper edge of a hole has none.

    Parameters
    ----------
    layers : Layers
    plan : CombPlan

    Returns
    -------
    Comb

    Raises
    ------
    PathgenError
        For a measure out of range.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> arm = np.full((100, 200), 3.0)
    >>> arm[50:, 40:] = 0  # from 5 mm up, 16 mm wide, it stands out over nothing
    >>> made = build_comb(cut_layers(Panel(arm, 0.1), 0.1, 0.2), CombPlan(spacing=0.42, brim=3.0))
    >>> made.fins, round(made.height, 2), round(made.bridge, 2)  # up to one layer below the arm
    (20, 4.9, 0.39)
    """
    _check(plan)
    bottom, depth = _underside(layers)
    combs = _combs(layers, plan, bottom, depth)
    if not combs:
        return Comb(constant_spacing([], [], plan.spacing), 0, 0.0, 0.0)
    parts = [_foot(layers, plan, combs)]
    fins, tallest, bridge = 0, 0, 0.0
    for comb in combs:
        free = _free_layers(layers, plan, comb, bottom)
        parts.append(_zigzags(comb, *free, plan.spacing))
        fins += int(np.count_nonzero(free[0] > 1))
        tallest = max(tallest, int(free[0].max()))
        bridge = max(bridge, float(np.diff(comb.u).max(initial=0.0)) - plan.spacing)
    height = float(layers.top[tallest - 1]) if tallest else 0.0
    return Comb(merge(parts, parts[0].counts), fins, height, bridge)


def _underside(layers: Layers) -> tuple[Ints, Floats]:
    """Find the lowest layer with wall in every column, and how thick it is there, mm; each (C,).

    Where there is no wall at all the layer is the number of layers.
    """
    columns = layers.panel.thickness.shape[1]
    bottom, thickness = np.full(columns, len(layers), np.intp), np.zeros(columns)
    for first in range(0, len(layers), BLOCK):
        wall = layers.profiles(first, min(first + BLOCK, len(layers))).thickness
        lowest = (wall > 0).argmax(axis=0)
        here = np.take_along_axis(wall, lowest[None], axis=0)[0]
        new = (here > 0) & (bottom == len(layers))
        bottom[new], thickness[new] = lowest[new] + first, here[new]
        if (bottom < len(layers)).all():
            break
    return bottom, thickness


def _needed(layers: Layers, plan: CombPlan, bottom: Ints) -> Bools:
    """Mark the columns under which the outline leans out too far, stretches that are nearly one as one."""
    pixel, total = layers.panel.pixel, len(layers)
    rising = bottom[bottom < total]
    count = int(rising.max(initial=0)) + 1
    wall = bottom <= np.arange(count)[:, None]
    reach = np.array([reach_of(h, plan.angle) for h in layers.height[:count]])
    leaning: Bools = np.any(outline_lean(wall, reach, pixel, pixel), axis=0)
    if not leaning.any():
        return leaning
    more = math.ceil(MARGIN / pixel)
    near = np.convolve(leaning, np.ones(2 * more + 1), "full")[more : more + len(leaning)] > 0.5
    marked: Bools = near & (bottom > 0) & (bottom < total)
    return marked


def _combs(layers: Layers, plan: CombPlan, bottom: Ints, depth: Floats) -> list[_Comb]:
    """Place the fins of one comb in each stretch that needs one."""
    pixel, needed = layers.panel.pixel, _needed(layers, plan, bottom)
    fin_spacing = plan.fin_spacing or plan.spacing + 2 * reach_of(
        (plan.clear + 1) * float(layers.height[-1]), plan.angle
    )
    edge = np.diff(needed.astype(np.int8), prepend=0, append=0)
    combs = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        # Beside a wall that reaches further down a fin keeps the gap.
        below_left = lo > 0 and bottom[lo - 1] < bottom[lo]
        below_right = hi < len(bottom) and bottom[hi] < bottom[hi - 1]
        left = lo * pixel + plan.spacing / 2 + plan.gap * below_left
        right = hi * pixel - plan.spacing / 2 - plan.gap * below_right
        if right - left < plan.spacing:
            continue  # what is no wider than two beads carries itself
        fins = math.ceil((right - left) / fin_spacing - 1e-9) + 1
        wall = float(depth[lo:hi].max())
        tallest = float(layers.top[bottom[lo:hi].max() - 1])
        deep = max(wall, plan.depth, tallest / SLENDER)
        ends = (wall / 2 - deep / 2 + plan.spacing / 2, wall / 2 + deep / 2 - plan.spacing / 2)
        combs.append(_Comb(np.linspace(left, right, fins), ends))
    return combs


def _free_layers(layers: Layers, plan: CombPlan, comb: _Comb, bottom: Ints) -> tuple[Ints, Ints]:
    """Count the lowest layers in which there is room for every fin, and for the rib after it."""
    half = plan.spacing / 2
    counts = []
    for lo, hi in ((comb.u, comb.u), (comb.u[:-1], comb.u[1:])):
        beside = _lowest(bottom, lo - half - plan.gap, hi + half + plan.gap, layers.panel.pixel)
        above = _lowest(bottom, lo - half, hi + half, layers.panel.pixel)
        counts.append(np.clip(np.minimum(beside, above - plan.clear), 0, len(layers)))
    return counts[0], counts[1]


def _lowest(bottom: Ints, lo: Floats, hi: Floats, pixel: float) -> Ints:
    """Lowest layer with wall in the columns from `lo` to `hi`, mm, (M,)."""
    first = np.floor(lo / pixel + 1e-6).astype(np.intp).clip(0, len(bottom) - 1)
    last = np.ceil(hi / pixel - 1e-6).astype(np.intp).clip(first + 1, len(bottom))
    spans = np.column_stack([first, last]).ravel()
    lowest: Ints = np.minimum.reduceat(np.append(bottom, bottom.max()), spans)[::2]
    return lowest


def _zigzags(comb: _Comb, fins: Ints, ribs: Ints, spacing: float) -> Strokes:
    """Lay the fins from the second layer up; `fins` and `ribs` are the layers each of them reaches to."""
    number = np.arange(1, max(int(fins.max(initial=0)), 1))[:, None]
    standing = number < fins
    if not standing.any():  # what leans out is too low for a fin under it
        return constant_spacing([], [], spacing)
    joined = np.zeros_like(standing)
    joined[:, 1:] = (number < ribs) & standing[:, 1:] & standing[:, :-1]
    # Every second fin is laid from the front to the back, so that ribs stand above ribs in all layers.
    ends = np.tile(comb.n, (len(comb.u), 1))
    ends[1::2] = ends[1::2, ::-1]
    lines = np.stack([np.broadcast_to(comb.u[:, None], ends.shape), ends], axis=-1)
    layer, fin = np.nonzero(standing)
    points = lines[fin].reshape(-1, 2)
    heads = np.flatnonzero(~joined[standing])
    return constant_spacing(np.split(points, 2 * heads[1:]), (layer[heads] + 1).tolist(), spacing)


def _foot(layers: Layers, plan: CombPlan, combs: list[_Comb]) -> Strokes:
    """Lay the first layer: lines along u under and around all fins, as far as the brim leaves room."""
    spacing, pixel = plan.spacing, layers.panel.pixel
    around = plan.foot + spacing / 2
    boxes: list[BaseGeometry] = [
        shapely.box(c.u[0] - around, c.n[0] - around, c.u[-1] + around, c.n[1] + around) for c in combs
    ]
    # The brim is a whole number of loops wide; what joins it ends on its edge, not half a spacing short of
    # it.
    brim = math.ceil(plan.brim / spacing - 1e-9) * spacing - spacing / 2
    low = layers.profiles(0, 1 + plan.clear).thickness
    taken: list[BaseGeometry] = [outline(low[0], pixel, SMOOTH).buffer(max(plan.gap + SMOOTH, brim))]
    taken += [outline(row, pixel, SMOOTH) for row in low[1:]]
    # Held half a spacing inside on all sides, where the beads' middles go.
    room = shapely.union_all(boxes).difference(shapely.union_all(taken)).buffer(-spacing / 2)
    lines = _lines(room, spacing)
    return constant_spacing(lines, [0] * len(lines), spacing)


def _lines(room: BaseGeometry, spacing: float) -> list[Floats]:
    """Fill an area with lines along u, every second one turned round."""
    if room.is_empty:
        return []
    left, low, right, high = room.bounds
    lines: list[Floats] = []
    for i, n in enumerate(np.linspace(low, high, max(1, round((high - low) / spacing)) + 1)):
        clipped = room.intersection(MultiLineString([[(left - 1, n), (right + 1, n)]]))
        parts = [np.asarray(p.coords) for p in shapely.get_parts(clipped) if p.length > spacing]
        lines += [p[::-1] for p in parts[::-1]] if i % 2 else parts
    return lines


def _check(plan: CombPlan) -> None:
    beads = "more than the spacing, or none"
    for name, good, allowed in (
        ("spacing", plan.spacing > 0, "more than 0"),
        ("angle", 0 < plan.angle < 90, "between 0 and 90"),
        ("fin_spacing", plan.fin_spacing is None or plan.fin_spacing > plan.spacing, beads),
        ("gap", plan.gap >= 0, "0 or more"),
        ("clear", plan.clear >= 0, "0 or more layers"),
        ("depth", plan.depth >= 2 * plan.spacing, f"two beads, {2 * plan.spacing:g} mm or more"),
        ("foot", plan.foot >= 0, "0 or more"),
        ("brim", plan.brim >= 0, "0 or more"),
    ):
        if not good:
            key = name if name in ("spacing", "brim") else f"comb_{name}"
            raise PathgenError(f"{name} of {getattr(plan, name):g}", where=key, allowed=allowed)
