"""Wedges: sacrificial right triangles on the platform that a growing panel leans on, front and back.

A wedge stands beside the rim, a gap away from it, on the platform only. Every few millimetres of height a
*tab*, one bead wide, bridges the gap; that is all that holds the wedge, and all that has to be broken. Seen
along the panel, the rim in the middle:

            █
          ◿-█-◺
         ◿█ █ █◺
        ◿██-█-██◺

A layer of a wedge is a *strip*: beads side by side along u, laid as one serpentine of lines along n. Where it
has a tab, the serpentine begins at the rim. On the first layer the brim takes the strip's place as far as it
reaches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.layers.sections import Layers
from pathgen.layers.strokes import Floats, Strokes, constant_spacing, merge

Bools = NDArray[np.bool_]

PAD = 2.0  # mm that the first layer of a wedge is wider than the wedge, each side, where there is no brim
EVEN = 0.05  # mm of thickness that a border may vary by and still be leant on
FACES = {"both": (1.0, -1.0), "front": (1.0,), "back": (-1.0,)}


@dataclass(frozen=True, slots=True)
class WedgePlan:
    """What the wedges are to be like; lengths in mm.

    Attributes
    ----------
    height, base : float
        Of the triangle: along z, and along n at the platform.
    spacing : float
        Spacing aimed at; beads share the thickness evenly.
    sites : int
        Places along the panel, half of them at each side's rim. Where `at` is given, it counts.
    thickness : float
        Along u, at least two beads.
    gap : float
        Between wedge and rim.
    tab_spacing, tab_height : float
        From tab to tab in z, counted from the top, where holding counts most; and how high each is.
    brim : float
        Width of the brim the wedges stand on; 0 for none.
    faces : {"both", "front", "back"}
        Of the panel: which of them have a wedge at every site.
    at : tuple of float
        Middles of the sites along u, where they are not to be the rim's. Only a border of even thickness is
        leant on.
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
    """Strokes of the wedges: `strips` stay clear, `tabs` begin at the rim; `contacts` counts the tabs."""

    strips: Strokes
    tabs: Strokes
    contacts: int


def build_wedges(layers: Layers, plan: WedgePlan) -> Wedges:
    """Stand wedges against a panel's rim.

    Parameters
    ----------
    layers : Layers
        Of the panel, with its rim.
    plan : WedgePlan

    Returns
    -------
    Wedges
        Strokes sorted by layer, site after site, front before back, from the rim outward. They are meant to
        be laid after the layer's walls, so that a tab meets a rim that is there.

    Raises
    ------
    PathgenError
        For a measure out of range, for a panel without a rim unless the plan says where, for a wedge that
        the rim has no room for, and for a place where it would stand against the picture.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import add_rim
    >>> layers = cut_layers(add_rim(np.full((200, 300), 1.5), 0.1, 3.0, 4.0), 0.1, 0.2)
    >>> made = build_wedges(layers, WedgePlan(height=15.0, base=5.0, spacing=0.42, brim=10.0))
    >>> made.contacts, len(made.strips) + len(made.tabs)  # four wedges: 3 tabs and 148 layers each
    (12, 592)
    >>> float(made.strips.n[made.strips.n > 0].min())  # 0.2 and half a spacing of 0.4 in front of the rim
    4.4
    """
    _check(layers, plan)
    sites = _sites(layers, plan)
    face = np.array([_face(layers, plan, u) for u in sites])
    beads = max(2, round(plan.thickness / plan.spacing))
    spacing = plan.thickness / beads
    middle = layers.top - layers.height / 2
    middle = middle[middle < plan.height]
    tip = min(plan.base, plan.thickness)  # a point could not be laid
    length = tip + (plan.base - tip) * (1 - middle / plan.height)

    far = plan.gap + length - spacing / 2
    tabbed = _tabbed(layers, plan, len(middle))
    across = spacing * (np.arange(beads) - (beads - 1) / 2)
    reach = np.empty((len(middle), beads, 2))  # from the rim: start and end of every line
    reach[:, ::2] = np.stack([np.full_like(far, plan.gap + spacing / 2), far], axis=1)[:, None]
    reach[:, 1::2] = reach[:, :1, ::-1]
    reach[tabbed, 0, 0] = 0.0

    u = sites[:, None] + across
    number = np.arange(len(middle))
    clear = ~tabbed & (number > 0)
    strips = _serpentines(u, face, reach[clear], number[clear], spacing, plan.faces)
    tabs = _serpentines(u, face, reach[tabbed], number[tabbed], spacing, plan.faces)
    pads = _pads(sites, face, float(far[0]) if len(far) else 0.0, spacing, plan)
    groups = int(np.count_nonzero(np.diff(tabbed.astype(np.int8), prepend=0) > 0))
    contacts = groups * len(sites) * len(FACES[plan.faces])
    return Wedges(merge([pads, strips], strips.counts), tabs, contacts)


def _serpentines(
    u: Floats, face: Floats, reach: Floats, number: NDArray[np.intp], spacing: float, faces: str
) -> Strokes:
    """One stroke for every layer, site and face.

    `u` is (sites, lines), `face` (sites,), `reach` (layers, lines, 2), `number` (layers,), the layers' own.
    """
    sides = np.array(FACES[faces])
    shape = (len(reach), len(u), len(sides), u.shape[1], 2)
    foot = face[:, None] * (sides > 0)  # the back of every site is at n = 0
    n = foot[None, :, :, None, None] + sides[None, None, :, None, None] * reach[:, None, None]
    along = np.broadcast_to(u[None, :, None, :, None], shape)
    points = np.stack([along, n], axis=-1).reshape(-1, 2 * u.shape[1], 2)
    return constant_spacing(list(points), np.repeat(number, len(u) * len(sides)).tolist(), spacing)


def _pads(sites: Floats, face: Floats, far: float, spacing: float, plan: WedgePlan) -> Strokes:
    """Lay the first layer of every wedge, from the brim's edge (or the gap) outward, wider than the wedge.

    `far` is where its outermost bead's middle lies, mm from the rim.
    """
    # The brim is a whole number of loops wide; what joins it ends on its edge, not half a spacing short of
    # it.
    brim = math.ceil(plan.brim / plan.spacing - 1e-9) * plan.spacing
    near = max(plan.gap + spacing / 2, brim)
    if far < near:
        return constant_spacing([], [], spacing)
    far = max(far, near + spacing)  # a shorter line could not be laid
    room = float(np.diff(np.sort(sites)).min(initial=np.inf)) - plan.thickness
    more = int(min(PAD, room / 2) / spacing)
    lines = max(2, round(plan.thickness / plan.spacing)) + 2 * more
    u = sites[:, None] + spacing * (np.arange(lines) - (lines - 1) / 2)
    reach = np.tile([[near, far], [far, near]], (lines // 2 + 1, 1))[:lines][None]
    return _serpentines(u, face, reach, np.zeros(1, np.intp), spacing, plan.faces)


def _tabbed(layers: Layers, plan: WedgePlan, count: int) -> Bools:
    """Tell which of the lowest `count` layers have a tab: the first has none, it stands on the platform."""
    if not count:
        return np.zeros(0, bool)
    middle = layers.top[:count] - layers.height[:count] / 2
    below = (layers.top[count - 1] - middle) % plan.tab_spacing
    tabbed: Bools = below < np.maximum(plan.tab_height, layers.height[:count]) - 1e-9
    tabbed[0] = False
    return tabbed


def _sites(layers: Layers, plan: WedgePlan) -> Floats:
    """Place the sites: as told, or evenly in the rim of either side."""
    if plan.at:
        told = np.sort(np.array(plan.at, np.float64))
        if (np.diff(told) < plan.thickness + plan.gap).any():
            what = f"wedges at u = {', '.join(f'{u:g}' for u in told)} mm run into each other"
            allowed = f"{plan.thickness + plan.gap:g} mm or more from one to the next"
            raise PathgenError(what, where="wedge_at", allowed=allowed)
        return told
    panel = layers.panel
    rim = panel.rim * panel.pixel
    if rim <= 0:
        raise PathgenError(
            "there is no rim for wedges to lean on",
            where="wedges",
            hint="give the panel a rim, or say where along a thick border they stand",
        )
    if plan.sites < 2 or plan.sites % 2:
        allowed = "an even number, 2 or more: half of them at each side"
        raise PathgenError(f"wedges at {plan.sites} places", where="wedges", allowed=allowed)
    half = plan.sites // 2
    needed = plan.thickness + 2 * plan.gap
    if needed > rim / half + 1e-9:
        raise PathgenError(
            f"{half} × {plan.thickness:g} mm of wedge, with {plan.gap:g} mm of gap on both sides of each, "
            f"are wider than the rim of {rim:g} mm",
            where="wedge_thickness",
            allowed=f"up to {max(rim / half - 2 * plan.gap, 0):g} mm",
            hint="widen the rim, or say where along a thick border they stand",
        )
    left = rim * (np.arange(half) + 0.5) / half
    return np.concatenate([left, panel.width - left[::-1]])


def _face(layers: Layers, plan: WedgePlan, u: float) -> float:
    """Find where the face of the border at a site is, mm, and refuse what is no even border."""
    panel, half = layers.panel, plan.thickness / 2 + plan.gap
    if not half <= u + 1e-9 <= panel.width - half + 2e-9:
        raise PathgenError(
            f"a wedge at u = {u:g} mm",
            where="wedge_at",
            allowed=f"{half:g} to {panel.width - half:g} mm, inside the panel",
        )
    lo, hi = math.floor((u - half) / panel.pixel + 1e-6), math.ceil((u + half) / panel.pixel - 1e-6)
    rows = max(1, math.ceil(plan.height / panel.pixel - 1e-6))
    border = panel.thickness[-rows:, max(lo, 0) : hi]
    least, most = float(border.min()), float(border.max())
    if least <= 0 or most - least > EVEN:
        raise PathgenError(
            f"a wedge at u = {u:g} mm would stand against a wall of {least:g} to {most:g} mm, the picture",
            where="wedge_at" if plan.at else "wedges",
            allowed=f"a border of even thickness up to the wedge's height, {plan.height:g} mm",
        )
    return most


def _check(layers: Layers, plan: WedgePlan) -> None:
    top = float(layers.top[-1])
    if plan.faces not in FACES:
        raise PathgenError(f"wedges on {plan.faces!r}", where="wedge_faces", allowed=", ".join(FACES))
    for name, good, allowed in (
        ("height", 0 < plan.height <= top + 1e-9, f"more than 0, up to the panel's {top:g} mm"),
        ("spacing", plan.spacing > 0, "more than 0"),
        ("thickness", plan.thickness >= 1.5 * plan.spacing, f"two beads, {1.5 * plan.spacing:g} mm or more"),
        ("base", plan.base >= plan.thickness, f"at least its thickness, {plan.thickness:g} mm"),
        ("gap", plan.gap >= 0, "0 or more"),
        ("tab_height", plan.tab_height > 0, "more than 0"),
        ("tab_spacing", plan.tab_spacing > 2 * plan.tab_height, "more than twice a tab's height"),
        ("brim", plan.brim >= 0, "0 or more"),
    ):
        if not good:
            key = name if name in ("spacing", "brim") else f"wedge_{name}"
            raise PathgenError(f"{name} of {getattr(plan, name):g} mm", where=key, allowed=allowed)
