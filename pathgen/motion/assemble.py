"""Convert ordered strokes to moves, with travels, retractions and the lift to the next layer between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.strokes import Ints, Strokes
from pathgen.motion.bands import LayerSpans, banded
from pathgen.motion.moves import Kind, Moves
from pathgen.motion.pace import pace_factor
from pathgen.settings import Setup

BEFORE = 4  # maximum number of rows before a stroke: retract, lift, travel, reload


def filament_area(diameter: float) -> float:
    """Return the cross-section of the filament, mm²."""
    return float(np.pi * diameter**2 / 4)


def assemble(
    strokes: Strokes,
    kind: Kind | NDArray[np.uint8],
    heights: LayerSpans,
    setup: Setup,
    start: tuple[float, float, float],
) -> Moves:
    """Convert ordered strokes to moves in machine coordinates.

    Parameters
    ----------
    strokes : Strokes
        In the order of deposition, in machine coordinates: `u` holds x and `n` holds y.
    kind : Kind or (S,) uint8
        Kind of the deposits, common or per stroke; hairpins of a wall become `Kind.HAIRPIN`, segments without
        a deposit become `Kind.LINK`. A stroke of kind `Kind.TRAVEL` is a detour to the next stroke, traversed
        without depositing.
    heights : LayerSpans
        All layers.
    setup : Setup
        Feeds, packing, bands, filament and retraction.
    start : tuple of float
        Position of the head before the first move, (x, y, z), mm.

    Returns
    -------
    Moves
        Filament is E = packing · area · h / (π d²/4), divided by the filament factor of the machine. Empty if
        there are no strokes.
    """
    x, y = strokes.u, strokes.n
    first, last = strokes.start[:-1], strokes.start[1:] - 1
    points = len(x)
    of = np.repeat(np.arange(len(strokes)), np.diff(strokes.start))
    # Each stroke begins with its leading rows; its first point shares the row of the reload.
    row = np.arange(points) + (BEFORE - 1) * (of + 1)
    rows = points + (BEFORE - 1) * len(strokes)
    layer = strokes.layer[of]

    table = _blank(rows, start)
    present = np.zeros(rows, bool)
    present[row] = True
    table.x[row], table.y[row], table.z[row] = x, y, heights.top[layer]
    per_area = banded(setup, heights, "packing") * heights.height / setup.machine.hot_end.section
    table.filament[row] = strokes.area * per_area[layer]
    table.feed[row] = np.where(layer == 0, setup.feeds.first_feed, banded(setup, heights, "feed")[layer])
    kind = np.broadcast_to(np.asarray(kind, np.uint8), len(strokes))
    kinds, detour = kind[of], kind == Kind.TRAVEL
    table.feed[row] = np.where(kinds == Kind.TRAVEL, setup.machine.travel_feed, table.feed[row])
    if setup.feeds.support_feed is not None:
        support = (kinds == Kind.WEDGE) | (kinds == Kind.COMB)
        table.feed[row] = np.where(support & (layer > 0), setup.feeds.support_feed, table.feed[row])
    if setup.feeds.pace == "steady-flow":
        factor = pace_factor(strokes.area, strokes.length(), setup.beads.spacing)
        table.feed[row] *= np.where(kinds == Kind.WALL, factor, 1.0)
    table.layer[row] = layer
    kinds[(strokes.area == 0) & (kinds != Kind.TRAVEL)] = Kind.LINK
    kinds[strokes.hairpin] = Kind.HAIRPIN
    table.kind[row] = kinds
    _lead_in(table, present, row[first], row[last], detour, setup)
    return table.only(present)


def _blank(rows: int, start: tuple[float, float, float]) -> Moves:
    x, y, z, filament, feed = (np.empty(rows) for _ in range(5))
    return Moves(start, x, y, z, filament, feed, np.empty(rows, np.uint8), np.empty(rows, np.int32))


def _lead_in(
    table: Moves, present: NDArray[np.bool_], first: Ints, last: Ints, detour: NDArray[np.bool_], setup: Setup
) -> None:
    """Fill in the moves needed before every stroke: retract, lift, travel and reload.

    They are in rows first − 3 (retract), first − 2 (lift) and first − 1 (travel). The reload takes the row of
    the first point, which the head has already reached. A detour is one passage with the travel to it and the
    travel from it: filament is drawn back before it and fed back after it.
    """
    machine = setup.machine
    if not len(first):
        return
    here = {
        axis: np.concatenate([[at], getattr(table, axis)[last[:-1]]])
        for axis, at in zip("xyz", table.start, strict=True)
    }
    gap = np.hypot(table.x[first] - here["x"], table.y[first] - here["y"])
    lifted = np.abs(table.z[first] - here["z"]) > 1e-9
    dry = ((gap > machine.retraction.over) | detour) & (machine.retraction.length > 0)
    after = np.concatenate([[False], detour[:-1]]) & (machine.retraction.length > 0)
    back, fed = dry & ~after, (dry | after) & ~detour
    top = table.z[first]
    length = machine.retraction.length
    for offset, kind, needed, x, y, z, filament, feed in (
        (-3, Kind.RETRACT, back, here["x"], here["y"], here["z"], -length, machine.retraction.feed),
        (-2, Kind.LIFT, lifted, here["x"], here["y"], top, 0.0, machine.axes.z.feed),
        (-1, Kind.TRAVEL, gap > 1e-9, table.x[first], table.y[first], top, 0.0, machine.travel_feed),
        (0, Kind.RELOAD, fed, table.x[first], table.y[first], top, length, machine.retraction.feed),
    ):
        at = first + offset
        present[at] = needed
        table.x[at], table.y[at], table.z[at] = x, y, z
        table.filament[at], table.feed[at], table.kind[at] = filament, feed, kind
        table.layer[at] = table.layer[first]
