"""Wedges: sacrificial right triangles on the platform that hold a growing panel from the front and the back.

A wedge stands on the platform beside the rim, separated by a gap. At intervals of a few millimetres in height
a *tab*, one bead wide, bridges the gap. The tabs alone connect wedge and panel, and are broken to remove the
wedge. Seen along the panel, with the rim in the middle:

            █
          ◿-█-◺
         ◿█ █ █◺
        ◿██-█-██◺

A layer of a wedge is a *strip*: beads side by side along u, printed as one serpentine of lines along n. In a
layer with a tab, the serpentine starts at the rim. On the first layer the brim replaces the strip as far as
it extends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.layers.sections import Layers
from pathgen.layers.strokes import Floats, Strokes, make_strokes, merge_strokes

Bools = NDArray[np.bool_]

PAD = 2.0  # extra width of a wedge's first layer on each side, mm
EVEN = 0.05  # maximum variation of the thickness of a border behind a wedge, mm
FACES = {"both": (1.0, -1.0), "front": (1.0,), "back": (-1.0,)}
ELSEWHERE = "set `wedge_at` to positions along a thick border"


@dataclass(frozen=True, slots=True)
class WedgePlan:
    """Parameters of the wedges; lengths in mm.

    Attributes
    ----------
    height, base : float
        Sides of the triangle: along z, and along n at the platform.
    spacing : float
        Target bead width; the beads of a wedge are of equal width.
    sites : int
        Number of places along the panel, half of them at each side's rim. Ignored if `at` is given.
    thickness : float
        Along u, at least two beads.
    gap : float
        Gap between wedge and rim.
    tab_spacing, tab_height : float
        Vertical distance between tabs, counted from the top, where support matters most; and height of each
        tab.
    brim : float
        Width of the brim under the wedges; 0 for none.
    faces : {"both", "front", "back"}
        Faces of the panel that have a wedge at every site.
    at : tuple of float
        Positions of the sites along u, if they are not in the rim. The border there must have uniform
        thickness.
    """

    height: float
    base: float
    spacing: float
    sites: int = 2
    thickness: float = 1.2
    gap: float = 0.2
    tab_spacing: float = 5.0
    tab_height: float = 0.2
    brim: float = 0.0
    faces: str = "both"
    at: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Wedges:
    """Strokes of wedges: `tabs` touch the rim, `strips` do not, and `contacts` is the number of tabs."""

    strips: Strokes
    tabs: Strokes
    contacts: int


def build_wedges(layers: Layers, plan: WedgePlan) -> Wedges:
    """Build wedges beside the rim of a panel.

    Parameters
    ----------
    layers : Layers
        Layers of the panel, with its rim.
    plan : WedgePlan

    Returns
    -------
    Wedges
        Strokes sorted by layer, then by site, front before back, from the rim outward. They must be printed
        after the walls of their layer, so that a tab meets existing rim.

    Raises
    ------
    PathgenError
        If a parameter is out of range, the panel has no rim and `at` is empty, the rim is too narrow for a
        wedge, or a wedge would stand beside the picture.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import add_rim
    >>> layers = cut_layers(add_rim(np.full((200, 300), 1.5), 0.1, 3.0, 4.0), 0.1, 0.2)
    >>> made = build_wedges(layers, WedgePlan(height=15.0, base=5.0, spacing=0.42, brim=10.0))
    >>> made.contacts, len(made.strips) + len(made.tabs)  # four wedges: 3 tabs and 148 layers each
    (12, 592)
    >>> float(made.strips.n[made.strips.n > 0].min())  # gap of 0.2 and half a bead of 0.4 beside the rim
    4.4
    """
    _check(layers, plan)
    sites = _sites(layers, plan)
    face = np.array([_face(layers, plan, u) for u in sites])
    beads = max(2, round(plan.thickness / plan.spacing))
    spacing = plan.thickness / beads
    middle = layers.top - layers.height / 2
    middle = middle[middle < plan.height]
    tip = min(plan.base, plan.thickness)  # a pointed tip cannot be printed
    length = tip + (plan.base - tip) * (1 - middle / plan.height)

    far = plan.gap + length - spacing / 2
    tabbed = _has_tab(layers, plan, len(middle))
    across = spacing * (np.arange(beads) - (beads - 1) / 2)
    reach = np.empty((len(middle), beads, 2))  # start and end of every line, distances from the rim
    reach[:, ::2] = np.stack([np.full_like(far, plan.gap + spacing / 2), far], axis=1)[:, None]
    reach[:, 1::2] = reach[:, :1, ::-1]
    reach[tabbed, 0, 0] = 0.0

    u = sites[:, None] + across
    number = np.arange(len(middle))
    rows = (~tabbed & (number > 0), tabbed)
    strips, tabs = (_serpentines(u, face, reach[own], number[own], spacing, plan.faces) for own in rows)
    pads = _pads(sites, face, float(far[0]) if len(far) else 0.0, spacing, plan)
    groups = int(np.count_nonzero(np.diff(tabbed.astype(np.int8), prepend=0) > 0))
    contacts = groups * len(sites) * len(FACES[plan.faces])
    return Wedges(merge_strokes([pads, strips], strips.counts), tabs, contacts)


def _serpentines(
    u: Floats, face: Floats, reach: Floats, number: NDArray[np.intp], spacing: float, faces: str
) -> Strokes:
    """Return the strokes of the wedges, one per layer, site and face.

    `u` is (sites, lines), `face` (sites,), `reach` (layers, lines, 2); `number` (layers,) contains the layer
    indices.
    """
    sides = np.array(FACES[faces])
    foot = face[:, None] * (sides > 0)  # the back of every site is at n = 0
    n = foot[None, :, :, None, None] + sides[None, None, :, None, None] * reach[:, None, None]
    points = np.stack(np.broadcast_arrays(u[None, :, None, :, None], n), axis=-1)
    points = points.reshape(-1, 2 * u.shape[1], 2)
    return make_strokes(list(points), np.repeat(number, len(u) * len(sides)).tolist(), spacing)


def _pads(sites: Floats, face: Floats, far: float, spacing: float, plan: WedgePlan) -> Strokes:
    """Return the strokes of the first layer under the wedges, which are wider than the wedges.

    `far` is the distance of its outermost bead's centreline from the rim, mm.
    """
    # The brim is a whole number of loops wide, and the pad ends on its edge, not half a bead short of it.
    brim = math.ceil(plan.brim / plan.spacing - 1e-9) * plan.spacing
    near = max(plan.gap + spacing / 2, brim)
    if far < near:
        return make_strokes([], [], spacing)
    far = max(far, near + spacing)  # a shorter line cannot be printed
    room = float(np.diff(np.sort(sites)).min(initial=np.inf)) - plan.thickness
    more = int(min(PAD, room / 2) / spacing)
    lines = max(2, round(plan.thickness / plan.spacing)) + 2 * more
    u = sites[:, None] + spacing * (np.arange(lines) - (lines - 1) / 2)
    reach = np.tile([[near, far], [far, near]], (lines // 2 + 1, 1))[:lines][None]
    return _serpentines(u, face, reach, np.zeros(1, np.intp), spacing, plan.faces)


def _has_tab(layers: Layers, plan: WedgePlan, count: int) -> Bools:
    """Return True for each of the lowest `count` layers with a tab; the first layer has no tab."""
    middle = layers.top[:count] - layers.height[:count] / 2
    below = (layers.top[count - 1] - middle) % plan.tab_spacing
    tabbed: Bools = below < np.maximum(plan.tab_height, layers.height[:count]) - 1e-9
    tabbed[:1] = False
    return tabbed


def _sites(layers: Layers, plan: WedgePlan) -> Floats:
    """Return the requested wedge sites, or sites evenly spaced in both sides of the rim."""
    if plan.at:
        sites = np.sort(np.array(plan.at, np.float64))
        if (np.diff(sites) < plan.thickness + plan.gap).any():
            what = f"wedges at u = {', '.join(f'{u:g}' for u in sites)} mm are too close to each other"
            allowed = f"distances of {plan.thickness + plan.gap:g} mm or more"
            raise PathgenError(what, where="wedge_at", allowed=allowed)
        return sites
    panel = layers.panel
    rim = panel.rim * panel.pixel
    if rim <= 0:
        what = "wedges need a rim, but the panel has none"
        raise PathgenError(what, where="wedges", hint=f"set `rim_width`, or {ELSEWHERE}")
    if plan.sites < 2 or plan.sites % 2:
        allowed = "an even number of 2 or more, half of them on each side"
        raise PathgenError(f"the number of wedges is {plan.sites}", where="wedges", allowed=allowed)
    half = plan.sites // 2
    needed = plan.thickness + 2 * plan.gap
    if needed > rim / half + 1e-9:
        wedges = f"{half} × {plan.thickness:g} mm of wedges with gaps of {plan.gap:g} mm on both sides"
        what = f"the rim of {rim:g} mm has no room for {wedges}"
        allowed = f"at most {max(rim / half - 2 * plan.gap, 0):g} mm"
        hint = f"make the rim wider, or {ELSEWHERE}"
        raise PathgenError(what, where="wedge_thickness", allowed=allowed, hint=hint)
    left = rim * (np.arange(half) + 0.5) / half
    return np.concatenate([left, panel.width - left[::-1]])


def _face(layers: Layers, plan: WedgePlan, u: float) -> float:
    """Return the thickness of the border at a site, mm; reject a site without a uniform border."""
    panel, half = layers.panel, plan.thickness / 2 + plan.gap
    if not half <= u + 1e-9 <= panel.width - half + 2e-9:
        allowed = f"{half:g} to {panel.width - half:g} mm"
        what = f"the wedge at u = {u:g} mm is outside the panel"
        raise PathgenError(what, where="wedge_at", allowed=allowed)
    lo, hi = math.floor((u - half) / panel.pixel + 1e-6), math.ceil((u + half) / panel.pixel - 1e-6)
    rows = max(1, math.ceil(plan.height / panel.pixel - 1e-6))
    border = panel.thickness[-rows:, max(lo, 0) : hi]
    thinnest, thickest = float(border.min()), float(border.max())
    if thinnest <= 0 or thickest - thinnest > EVEN:
        there = f"{thinnest:g} to {thickest:g} mm thick"
        what = f"the wedge at u = {u:g} mm needs a uniform border, but the wall there is {there}"
        allowed = f"a border of uniform thickness up to a height of {plan.height:g} mm"
        raise PathgenError(what, where="wedge_at" if plan.at else "wedges", allowed=allowed)
    return thickest


def _check(layers: Layers, plan: WedgePlan) -> None:
    top = float(layers.top[-1])
    if plan.faces not in FACES:
        what = f"unknown wedge faces {plan.faces!r}"
        raise PathgenError(what, where="wedge_faces", allowed=", ".join(FACES))
    for name, good, allowed in (
        ("height", 0 < plan.height <= top + 1e-9, f"more than 0 and at most {top:g} mm, the panel's height"),
        ("spacing", plan.spacing > 0, "more than 0 mm"),
        ("thickness", plan.thickness >= 1.5 * plan.spacing, f"{1.5 * plan.spacing:g} mm (two beads) or more"),
        ("base", plan.base >= plan.thickness, f"{plan.thickness:g} mm (the thickness) or more"),
        ("gap", plan.gap >= 0, "0 mm or more"),
        ("tab_height", plan.tab_height > 0, "more than 0 mm"),
        ("tab_spacing", plan.tab_spacing > 2 * plan.tab_height, "more than twice the tab height"),
        ("brim", plan.brim >= 0, "0 mm or more"),
    ):
        if not good:
            key = name if name in ("spacing", "brim") else f"wedge_{name}"
            raise PathgenError(f"{name} is {getattr(plan, name):g} mm", where=key, allowed=allowed)
