"""Supports: everything sacrificial that stands beside a panel while it grows, and how it comes off.

Wedges lean against the rim, a comb stands under an outline that leans out too far. Both stand on the
platform only and never touch the picture's face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.bent import bend_strokes, shortened
from pathgen.layers.combs import Comb, CombPlan, build_comb
from pathgen.layers.sections import Layers
from pathgen.layers.strokes import Strokes, constant_spacing
from pathgen.layers.wedges import WedgePlan, Wedges, build_wedges
from pathgen.panel.bend import Bend

BEAD = 1.0  # mm, wider than any bead of a support

OFF_WEDGES = (
    "Wedges: once the platform is cold, bend each one along the wall, to the left and to the right, until "
    "its tabs snap, the topmost first; shave the stubs off the rim with a blade."
)
OFF_COMB = (
    "Comb: cut through its foot along the brim, then rock the comb back and forth across the wall until it "
    "comes away."
)


@dataclass(frozen=True, slots=True)
class Supports:
    """What stands beside a panel.

    Attributes
    ----------
    strips, tabs, comb : Strokes
        Of the wedges, of their layers that begin at the rim, and of the comb; each sorted by layer. `tabs`
        are the only ones that touch the panel, and they touch its rim; all are laid after the walls.
    contacts : int
        Tabs to break.
    fins : int
        Fins of the comb.
    bridge : float
        Widest way from fin to fin that the outline has to reach, mm.
    volume : float
        Material, mm³, before packing.
    share : float
        Volume over the panel's; 0 for a panel that has none.
    reach : ((u low, u high), (n low, n high)) or None
        Box that the beads of all supports stay in, mm; None where there are no supports.
    removal : str
        How to take them off, a sentence or two; empty where there are none.
    carries : (rows, cols) bool or None
        Where on the panel's map comb and brim lie, up to the outline above; None where there is no comb.
    """

    strips: Strokes
    tabs: Strokes
    comb: Strokes
    contacts: int
    fins: int
    bridge: float
    volume: float
    share: float
    reach: tuple[tuple[float, float], tuple[float, float]] | None
    removal: str
    carries: NDArray[np.bool_] | None = None


def plan_supports(layers: Layers, wedge: WedgePlan | None = None, comb: CombPlan | None = None) -> Supports:
    """Plan everything that stands beside a panel.

    Parameters
    ----------
    layers : Layers
    wedge : WedgePlan, optional
        None for no wedges.
    comb : CombPlan, optional
        None for no comb; with a plan there is one where the outline needs it.

    Returns
    -------
    Supports

    Raises
    ------
    PathgenError
        As `wedges` and `comb` do.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import add_rim
    >>> layers = cut_layers(add_rim(np.full((940, 940), 1.8), 0.1, 3.0, 4.0), 0.1, 0.2)
    >>> supports = plan_supports(layers, WedgePlan(height=60.0, base=12.0, spacing=0.42, brim=10.0))
    >>> supports.contacts, round(supports.share, 3)
    (48, 0.091)
    """
    none = constant_spacing([], [], 1.0)
    lean = build_wedges(layers, wedge) if wedge else Wedges(none, none, 0)
    under = build_comb(layers, comb) if comb else Comb(none, 0, 0.0, 0.0)
    parts = (
        (lean.strips, wedge.spacing if wedge else 0.0),
        (lean.tabs, wedge.spacing if wedge else 0.0),
        (under.strokes, comb.spacing if comb else 0.0),
    )
    material = sum(stroke_volume(strokes, layers) for strokes, _ in parts)
    panel = float((layers.section_area() * layers.height).sum())
    removal = [OFF_WEDGES] * bool(lean.contacts) + [OFF_COMB] * bool(len(under.strokes))
    return Supports(
        lean.strips,
        lean.tabs,
        under.strokes,
        lean.contacts,
        under.fins,
        under.bridge,
        material,
        material / panel if panel else 0.0,
        _reach([part for part in parts if len(part[0])]),
        " ".join(removal),
        _carries(under.strokes, layers, comb) if comb and len(under.strokes) else None,
    )


def bent_supports(supports: Supports, bend: Bend) -> Supports:
    """Bend supports with their panel; their strokes are then in plan coordinates.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> arm = np.full((100, 200), 3.0)
    >>> arm[50:, 40:] = 0
    >>> flat = plan_supports(cut_layers(Panel(arm, 0.1), 0.1, 0.2), comb=CombPlan(spacing=0.42))
    >>> round(flat.reach[0][1], 1), round(bent_supports(flat, Bend(20.0, 90.0)).reach[0][1], 1)
    (22.0, 24.5)
    """
    reach = max(abs(n) for n in supports.reach[1]) if supports.reach else 0.0
    longest = bend.longest_move(reach)
    strips, tabs, comb = (
        bend_strokes(shortened(strokes, longest), bend)
        for strokes in (supports.strips, supports.tabs, supports.comb)
    )
    pitched = [(strokes, BEAD) for strokes in (strips, tabs, comb) if len(strokes)]
    return replace(supports, strips=strips, tabs=tabs, comb=comb, reach=_reach(pitched))


def stroke_volume(strokes: Strokes, layers: Layers) -> float:
    """Material of strokes, mm³: each segment's area times its layer's height, before packing.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> line = constant_spacing([np.array([[0.0, 0.0], [10.0, 0.0]])], [1], 0.5)
    >>> stroke_volume(line, cut_layers(Panel(np.ones((20, 10)), 0.1), 0.1, 0.2))
    0.5
    """
    height = np.repeat(layers.height[strokes.layer], np.diff(strokes.start))
    return float((strokes.area * height).sum())


def between(strokes: Strokes, first: int, last: int) -> Strokes:
    """Take the strokes of layers ``first:last``; they are sorted by layer. `counts` stays the whole's.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [10.0, 0.0]])
    >>> between(constant_spacing([line] * 4, [0, 1, 1, 2], 0.5), 1, 2).layer.tolist()
    [1, 1]
    """
    lo, hi = np.searchsorted(strokes.layer, [first, last])
    here = slice(int(strokes.start[lo]), int(strokes.start[hi]))
    return replace(
        strokes,
        u=strokes.u[here],
        n=strokes.n[here],
        area=strokes.area[here],
        hairpin=strokes.hairpin[here],
        start=strokes.start[lo : hi + 1] - strokes.start[lo],
        layer=strokes.layer[lo:hi],
    )


def _carries(strokes: Strokes, layers: Layers, comb: CombPlan) -> NDArray[np.bool_]:
    """Mark where brim and comb lie on the panel's map, the layers left out under the outline with them."""
    rows, columns = layers.panel.thickness.shape
    pixel = layers.panel.pixel
    made = np.flatnonzero(strokes.area > 0)
    low = np.minimum(strokes.u[made], strokes.u[made - 1]) - comb.spacing / 2
    high = np.maximum(strokes.u[made], strokes.u[made - 1]) + comb.spacing / 2
    layer = np.repeat(strokes.layer, np.diff(strokes.start))[made]
    steps = np.zeros((len(layers), columns + 1), np.int32)
    first, last = (np.clip(np.rint(edge / pixel).astype(np.intp), 0, columns) for edge in (low, high))
    np.add.at(steps, (layer, first), 1)
    np.add.at(steps, (layer, last), -1)
    there = np.cumsum(steps, axis=1)[:, :-1] > 0
    there[0] |= _beside(layers.profiles(0, 1).thickness[0] > 0, round(comb.brim / pixel))
    for _ in range(comb.clear + 1):
        there[1:] |= there[:-1]
    middle = (np.arange(rows) + 0.5) * pixel
    upward = there[np.clip(np.searchsorted(layers.top, middle), 0, len(layers) - 1)]
    return np.asarray(upward[::-1])


def _beside(wall: NDArray[np.bool_], columns: int) -> NDArray[np.bool_]:
    """Grow the columns of a wall to both sides."""
    passed = np.concatenate([[0], np.cumsum(wall)])
    at = np.arange(len(wall))
    low, high = np.maximum(at - columns, 0), np.minimum(at + columns + 1, len(wall))
    return np.asarray(passed[high] > passed[low])


def _reach(parts: list[tuple[Strokes, float]]) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Box around the beads of strokes of the given spacings, mm."""
    if not parts:
        return None
    boxes = np.array(
        [[s.u.min() - p / 2, s.u.max() + p / 2, s.n.min() - p / 2, s.n.max() + p / 2] for s, p in parts]
    )
    low, high = boxes.min(axis=0), boxes.max(axis=0)
    return (float(low[0]), float(high[1])), (float(low[2]), float(high[3]))
