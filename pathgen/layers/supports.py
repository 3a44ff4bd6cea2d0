"""Supports: the sacrificial parts beside a panel, and instructions for their removal.

Wedges hold the rim; a comb carries an outline with too much overhang. Both stand on the platform only and
never touch the face of the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.bent import bend_strokes, subdivide_strokes
from pathgen.layers.combs import Comb, CombPlan, build_comb
from pathgen.layers.sections import Layers, widen_mask
from pathgen.layers.strokes import Strokes, make_strokes
from pathgen.layers.wedges import WedgePlan, Wedges, build_wedges
from pathgen.panel.bend import Bend

Bounds = tuple[tuple[float, float], tuple[float, float]]

BEAD = 1.0  # upper limit of the bead width of a support, mm

OFF_WEDGES = (
    "Wedges: when the platform is cold, bend each wedge along the wall, to the left and to the right, until "
    "its tabs break, the highest first; then shave the stubs off the rim with a blade."
)
OFF_COMB = (
    "Comb: cut through its foot along the brim, then rock the comb back and forth across the wall until it "
    "breaks off."
)


@dataclass(frozen=True, slots=True)
class Supports:
    """Supports of a panel.

    Attributes
    ----------
    strips, tabs, comb : Strokes
        Layers of the wedges that do not touch the rim, layers of the wedges that do, and the comb; each
        sorted by layer. `tabs` are the only strokes that touch the panel. All are printed after the walls of
        their layer.
    contacts : int
        Number of tabs to break.
    fins : int
        Number of fins of the comb.
    bridge : float
        Maximum distance between fins that the outline has to bridge, mm.
    volume : float
        Material before packing, mm³.
    share : float
        Volume relative to that of the panel; 0 for an empty panel.
    reach : ((u low, u high), (n low, n high)) or None
        Bounding box of the beads of all supports, mm; None without supports.
    removal : str
        Removal instructions, one or two sentences; empty without supports.
    carries : (rows, cols) bool or None
        Pixels of the panel's map that comb and brim fill, including the clearance below the outline; None
        without a comb.
    """

    strips: Strokes
    tabs: Strokes
    comb: Strokes
    contacts: int
    fins: int
    bridge: float
    volume: float
    share: float
    reach: Bounds | None
    removal: str
    carries: NDArray[np.bool_] | None = None


def plan_supports(layers: Layers, wedge: WedgePlan | None = None, comb: CombPlan | None = None) -> Supports:
    """Plan all supports of a panel.

    Parameters
    ----------
    layers : Layers
    wedge : WedgePlan, optional
        None for no wedges.
    comb : CombPlan, optional
        None for no comb; otherwise a comb is built where the outline needs it.

    Returns
    -------
    Supports

    Raises
    ------
    PathgenError
        As `build_wedges` and `build_comb`.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import add_rim
    >>> layers = cut_layers(add_rim(np.full((940, 940), 1.8), 0.1, 3.0, 4.0), 0.1, 0.2)
    >>> supports = plan_supports(layers, WedgePlan(height=60.0, base=12.0, spacing=0.42, brim=10.0))
    >>> supports.contacts, round(supports.share, 3)
    (48, 0.091)
    """
    empty = make_strokes([], [], 1.0)
    wedges = build_wedges(layers, wedge) if wedge else Wedges(empty, empty, 0)
    built = build_comb(layers, comb) if comb else Comb(empty, 0, 0.0, 0.0)
    width = wedge.spacing if wedge else 0.0
    parts = ((wedges.strips, width), (wedges.tabs, width), (built.strokes, comb.spacing if comb else 0.0))
    volume = sum(stroke_volume(strokes, layers) for strokes, _ in parts)
    panel = float((layers.section_area() * layers.height).sum())
    removal = " ".join([OFF_WEDGES] * bool(wedges.contacts) + [OFF_COMB] * bool(len(built.strokes)))
    carries = _carries(built.strokes, layers, comb) if comb and len(built.strokes) else None
    strokes, counts = (wedges.strips, wedges.tabs, built.strokes), (wedges.contacts, built.fins)
    share = volume / panel if panel else 0.0
    return Supports(*strokes, *counts, built.bridge, volume, share, _bounds(parts), removal, carries)


def bend_supports(supports: Supports, bend: Bend) -> Supports:
    """Bend supports with their panel, which converts their strokes to plan coordinates.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> arm = np.full((100, 200), 3.0)
    >>> arm[50:, 40:] = 0
    >>> flat = plan_supports(cut_layers(Panel(arm, 0.1), 0.1, 0.2), comb=CombPlan(spacing=0.42))
    >>> round(flat.reach[0][1], 1), round(bend_supports(flat, Bend(20.0, 90.0)).reach[0][1], 1)
    (22.0, 24.5)
    """
    reach = max(abs(n) for n in supports.reach[1]) if supports.reach else 0.0
    longest = bend.longest_move(reach)
    flat = (supports.strips, supports.tabs, supports.comb)
    strips, tabs, comb = (bend_strokes(subdivide_strokes(strokes, longest), bend) for strokes in flat)
    bounds = _bounds([(strokes, BEAD) for strokes in (strips, tabs, comb)])
    return replace(supports, strips=strips, tabs=tabs, comb=comb, reach=bounds)


def stroke_volume(strokes: Strokes, layers: Layers) -> float:
    """Return the volume of strokes before packing, mm³: the sum of segment area times layer height.

    Examples
    --------
    >>> from pathgen.layers.sections import cut_layers
    >>> from pathgen.panel import Panel
    >>> line = make_strokes([np.array([[0.0, 0.0], [10.0, 0.0]])], [1], 0.5)
    >>> stroke_volume(line, cut_layers(Panel(np.ones((20, 10)), 0.1), 0.1, 0.2))
    0.5
    """
    height = np.repeat(layers.height[strokes.layer], np.diff(strokes.start))
    return float((strokes.area * height).sum())


def _carries(strokes: Strokes, layers: Layers, comb: CombPlan) -> NDArray[np.bool_]:
    """Return a mask of the pixels that brim and comb fill, including the gap below the outline."""
    rows, columns = layers.panel.thickness.shape
    pixel = layers.panel.pixel
    end = np.flatnonzero(strokes.area > 0)
    low = np.minimum(strokes.u[end], strokes.u[end - 1]) - comb.spacing / 2
    high = np.maximum(strokes.u[end], strokes.u[end - 1]) + comb.spacing / 2
    layer = np.repeat(strokes.layer, np.diff(strokes.start))[end]
    steps = np.zeros((len(layers), columns + 1), np.int32)
    first, last = (np.clip(np.rint(edge / pixel).astype(np.intp), 0, columns) for edge in (low, high))
    np.add.at(steps, (layer, first), 1)
    np.add.at(steps, (layer, last), -1)
    filled = np.cumsum(steps, axis=1)[:, :-1] > 0
    filled[0] |= widen_mask(layers.profiles(0, 1).thickness[0] > 0, round(comb.brim / pixel))
    for _ in range(comb.clear + 1):
        filled[1:] |= filled[:-1]
    middle = (np.arange(rows) + 0.5) * pixel
    upward = filled[np.clip(np.searchsorted(layers.top, middle), 0, len(layers) - 1)]
    return np.asarray(upward[::-1])


def _bounds(parts: Sequence[tuple[Strokes, float]]) -> Bounds | None:
    """Return the bounding box of strokes with the given bead widths, mm."""
    some = [(strokes, width / 2) for strokes, width in parts if len(strokes)]
    if not some:
        return None
    u = min(s.u.min() - half for s, half in some), max(s.u.max() + half for s, half in some)
    n = min(s.n.min() - half for s, half in some), max(s.n.max() + half for s, half in some)
    return (float(u[0]), float(u[1])), (float(n[0]), float(n[1]))
