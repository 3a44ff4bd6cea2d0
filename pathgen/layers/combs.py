"""Combs: sacrificial supports on the platform, under parts of the outline with too much overhang.

Its *fins* are one bead thick, run along n under the whole depth of the wall, and rise from the platform to
one layer below the outline. *Ribs* join neighbouring fins, alternately at the front and at the back, so that
each layer of the comb is one zigzag and the comb, a corrugated wall, stands by itself. Seen from above, and
from the viewer's side under the left flank of a disc:

        ┌─┐ ┌─┐ ┌─┐           ╲       the outline
        │ │ │ │ │ │          │ ╲
        │ │ │ │ │ │          │││ ╲
        ┘ └─┘ └─┘ └         ▁│││││▁╲▁ the foot, and the brim

The spacing of the fins is the distance that the outline can bridge at the overhang angle. A foot on the first
layer joins the fins to the brim; nothing else touches the panel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.layers.sections import BLOCK, Layers, clip_lines, section_outline, widen_mask
from pathgen.layers.strokes import Floats, Ints, Strokes, make_strokes, merge_strokes
from pathgen.panel.overhang import ANGLE, outline_overhang, step_limit

Bools = NDArray[np.bool_]

MARGIN = 2.0  # length of a comb beyond the end of the unsupported overhang, mm
SLENDER = 5.0  # maximum height of a free-standing comb divided by its depth; a judgement
SMOOTH = 0.05  # tolerance of the foot's outline, as for the brim, mm


@dataclass(frozen=True, slots=True)
class CombPlan:
    """Parameters of a comb; lengths in mm.

    Attributes
    ----------
    spacing : float
        Bead width of the comb.
    angle : float
        Maximum overhang of an outline without a comb, degrees from the vertical.
    fin_spacing : float or None
        Maximum spacing of the fins; None for the spacing that the outline can bridge at `angle`.
    gap : float
        Horizontal gap between comb and panel.
    clear : int
        Number of empty layers between a fin and the outline above it.
    depth : float
        Minimum depth along n. The depth is also at least that of the wall above, and one fifth of the comb's
        height.
    foot : float
        Width of the first layer around the fins.
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
    """Strokes of all combs of a panel, and their dimensions.

    Attributes
    ----------
    strokes : Strokes
        Foot and fins, sorted by layer; empty if the outline needs no support.
    fins : int
        Number of fins above the first layer.
    height : float
        Height of the highest fin, mm.
    bridge : float
        Maximum distance between fins that the outline has to bridge, mm.
    """

    strokes: Strokes
    fins: int
    height: float
    bridge: float


@dataclass(frozen=True, slots=True)
class _FinRow:
    """Row of fins: positions along u, and the extent (low, high) of all fins along n, mm."""

    u: Floats
    n: tuple[float, float]


def build_comb(layers: Layers, plan: CombPlan) -> Comb:
    """Build a comb under every part of a panel's outline with unsupported overhang.

    Only wall with nothing but air between it and the platform is supported: supports stand on the platform,
    so the upper edge of a hole gets none.

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
        If a parameter is out of range.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> arm = np.full((100, 200), 3.0)
    >>> arm[50:, 40:] = 0  # from 5 mm up, it overhangs by 16 mm
    >>> made = build_comb(cut_layers(Panel(arm, 0.1), 0.1, 0.2), CombPlan(spacing=0.42, brim=3.0))
    >>> made.fins, round(made.height, 2), round(made.bridge, 2)  # up to one layer below the arm
    (20, 4.9, 0.39)
    """
    _check(plan)
    bottom, depth = _underside(layers)
    combs = _combs(layers, plan, bottom, depth)
    if not combs:
        return Comb(make_strokes([], [], plan.spacing), 0, 0.0, 0.0)
    free = [_free_layers(layers, plan, comb, bottom) for comb in combs]
    zigzags = [_zigzags(comb, *each, plan.spacing) for comb, each in zip(combs, free, strict=True)]
    foot, fins = _foot(layers, plan, combs), np.concatenate([each for each, _ in free])
    height = float(layers.top[fins.max() - 1]) if fins.any() else 0.0
    bridge = max(0.0, *(float(np.diff(comb.u).max(initial=0.0)) - plan.spacing for comb in combs))
    strokes = merge_strokes([foot, *zigzags], foot.counts)
    return Comb(strokes, int(np.count_nonzero(fins > 1)), height, bridge)


def _underside(layers: Layers) -> tuple[Ints, Floats]:
    """Return the lowest layer with wall in every column, and the thickness there, mm; each (C,).

    In columns without wall the layer is the number of layers.
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
    """Return the columns in which the outline needs support from below, with small gaps closed."""
    pixel, total = layers.panel.pixel, len(layers)
    rising = bottom[bottom < total]
    count = int(rising.max(initial=0)) + 1
    wall = bottom <= np.arange(count)[:, None]
    limit = np.array([step_limit(h, plan.angle) for h in layers.height[:count]])
    unsupported = np.any(outline_overhang(wall, limit, pixel, pixel), axis=0)
    return widen_mask(unsupported, math.ceil(MARGIN / pixel)) & (bottom > 0) & (bottom < total)


def _combs(layers: Layers, plan: CombPlan, bottom: Ints, depth: Floats) -> list[_FinRow]:
    """Place a row of fins under each group of adjacent columns that needs support."""
    pixel, needed = layers.panel.pixel, _needed(layers, plan, bottom)
    fin_spacing = plan.fin_spacing or plan.spacing + 2 * step_limit(
        (plan.clear + 1) * float(layers.height[-1]), plan.angle
    )
    edge = np.diff(needed.astype(np.int8), prepend=0, append=0)
    combs = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        # A fin keeps the gap to a neighbouring wall that extends further down.
        below_left = lo > 0 and bottom[lo - 1] < bottom[lo]
        below_right = hi < len(bottom) and bottom[hi] < bottom[hi - 1]
        left = lo * pixel + plan.spacing / 2 + plan.gap * below_left
        right = hi * pixel - plan.spacing / 2 - plan.gap * below_right
        if right - left < plan.spacing:
            continue  # a stretch of up to two beads needs no support
        fins = math.ceil((right - left) / fin_spacing - 1e-9) + 1
        wall = float(depth[lo:hi].max())
        tallest = float(layers.top[bottom[lo:hi].max() - 1])
        deep = max(wall, plan.depth, tallest / SLENDER)
        ends = (wall / 2 - deep / 2 + plan.spacing / 2, wall / 2 + deep / 2 - plan.spacing / 2)
        combs.append(_FinRow(np.linspace(left, right, fins), ends))
    return combs


def _free_layers(layers: Layers, plan: CombPlan, comb: _FinRow, bottom: Ints) -> tuple[Ints, Ints]:
    """Return the number of layers with room for each fin, and for the rib to the next fin."""
    half = plan.spacing / 2
    counts = []
    for lo, hi in ((comb.u, comb.u), (comb.u[:-1], comb.u[1:])):
        beside = _lowest(bottom, lo - half - plan.gap, hi + half + plan.gap, layers.panel.pixel)
        above = _lowest(bottom, lo - half, hi + half, layers.panel.pixel)
        counts.append(np.clip(np.minimum(beside, above - plan.clear), 0, len(layers)))
    return counts[0], counts[1]


def _lowest(bottom: Ints, lo: Floats, hi: Floats, pixel: float) -> Ints:
    """Return the lowest layer with wall in each range from `lo` to `hi` (mm), (M,)."""
    first = np.floor(lo / pixel + 1e-6).astype(np.intp).clip(0, len(bottom) - 1)
    last = np.ceil(hi / pixel - 1e-6).astype(np.intp).clip(first + 1, len(bottom))
    spans = np.column_stack([first, last]).ravel()
    lowest: Ints = np.minimum.reduceat(np.append(bottom, bottom.max()), spans)[::2]
    return lowest


def _zigzags(comb: _FinRow, fins: Ints, ribs: Ints, spacing: float) -> Strokes:
    """Return the strokes of a comb above the first layer; `fins` and `ribs` are numbers of layers."""
    number = np.arange(1, int(fins.max(initial=1)))[:, None]
    standing = number < fins
    if not standing.any():  # the overhang is too low for a fin below it
        return make_strokes([], [], spacing)
    joined = np.zeros_like(standing)
    joined[:, 1:] = (number < ribs) & standing[:, 1:] & standing[:, :-1]
    # Every second fin runs from front to back, so that ribs are above ribs in all layers.
    ends = np.tile(comb.n, (len(comb.u), 1))
    ends[1::2] = ends[1::2, ::-1]
    lines = np.stack([np.broadcast_to(comb.u[:, None], ends.shape), ends], axis=-1)
    layer, fin = np.nonzero(standing)
    points = lines[fin].reshape(-1, 2)
    heads = np.flatnonzero(~joined[standing])
    return make_strokes(np.split(points, 2 * heads[1:]), (layer[heads] + 1).tolist(), spacing)


def _foot(layers: Layers, plan: CombPlan, combs: list[_FinRow]) -> Strokes:
    """Return the strokes of the first layer: lines along u under and around all fins, up to the brim."""
    spacing, pixel = plan.spacing, layers.panel.pixel
    around = plan.foot + spacing / 2
    boxes: list[BaseGeometry] = [
        shapely.box(c.u[0] - around, c.n[0] - around, c.u[-1] + around, c.n[1] + around) for c in combs
    ]
    # The brim is a whole number of loops wide, and the foot ends on its edge, not half a bead short of it.
    brim = math.ceil(plan.brim / spacing - 1e-9) * spacing - spacing / 2
    low = layers.profiles(0, 1 + plan.clear).thickness
    taken: list[BaseGeometry] = [section_outline(low[0], pixel, SMOOTH).buffer(max(plan.gap + SMOOTH, brim))]
    taken += [section_outline(row, pixel, SMOOTH) for row in low[1:]]
    # Centrelines of beads stay half a bead inside.
    room = shapely.union_all(boxes).difference(shapely.union_all(taken)).buffer(-spacing / 2)
    if room.is_empty:
        return make_strokes([], [], spacing)
    first, last = room.bounds[1], room.bounds[3]
    lines = clip_lines(room, np.linspace(first, last, max(1, round((last - first) / spacing)) + 1), spacing)
    return make_strokes(lines, [0] * len(lines), spacing)


def _check(plan: CombPlan) -> None:
    wider = f"more than the spacing of {plan.spacing:g} mm"
    for name, good, allowed in (
        ("spacing", plan.spacing > 0, "more than 0 mm"),
        ("angle", 0 < plan.angle < 90, "more than 0 and less than 90 degrees"),
        ("fin_spacing", plan.fin_spacing is None or plan.fin_spacing > plan.spacing, wider),
        ("gap", plan.gap >= 0, "0 mm or more"),
        ("clear", plan.clear >= 0, "0 layers or more"),
        ("depth", plan.depth >= 2 * plan.spacing, f"{2 * plan.spacing:g} mm (two beads) or more"),
        ("foot", plan.foot >= 0, "0 mm or more"),
        ("brim", plan.brim >= 0, "0 mm or more"),
    ):
        if not good:
            key = name if name in ("spacing", "brim") else f"comb_{name}"
            raise PathgenError(f"{name} is {getattr(plan, name):g}", where=key, allowed=allowed)
