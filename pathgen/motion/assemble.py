"""Convert ordered strokes to moves, with travels, retractions and the lift to the next layer between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.strokes import Ints, Strokes
from pathgen.motion.bands import LayerSpans, banded
from pathgen.motion.moves import Kind, Moves, Position
from pathgen.motion.pace import pace_factor
from pathgen.settings import Setup

BEFORE = 4  # maximum number of rows before a stroke: retract, lift, travel, reload


def filament_area(diameter: float) -> float:
    """Return the cross-section of the filament, mm²."""
    return float(np.pi * diameter**2 / 4)


def assemble(
    strokes: Strokes, kind: Kind | NDArray[np.uint8], heights: LayerSpans, setup: Setup, start: Position
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
    first, last = strokes.start[:-1], strokes.start[1:] - 1
    points = len(strokes.u)
    of = np.repeat(np.arange(len(strokes)), np.diff(strokes.start))
    # Each stroke begins with its leading rows; its first point shares the row of the reload.
    row = np.arange(points) + (BEFORE - 1) * (of + 1)
    rows = points + (BEFORE - 1) * len(strokes)
    layer = strokes.layer[of]

    x, y, z, filament, feed = np.empty((5, rows))
    table = Moves(start, x, y, z, filament, feed, np.empty(rows, np.uint8), np.empty(rows, np.int32))
    present = np.zeros(rows, bool)
    present[row] = True
    table.x[row], table.y[row], table.z[row] = strokes.u, strokes.n, heights.top[layer]
    per_area = banded(setup, heights, "packing") * heights.height / setup.machine.hot_end.section
    table.filament[row] = strokes.area * per_area[layer]
    kind = np.broadcast_to(np.asarray(kind, np.uint8), len(strokes))
    kinds, detour = kind[of], kind == Kind.TRAVEL
    feed = np.where(layer == 0, setup.feeds.first_feed, banded(setup, heights, "feed")[layer])
    feed[kinds == Kind.TRAVEL] = setup.machine.travel_feed
    if setup.feeds.support_feed is not None:
        feed[np.isin(kinds, (Kind.WEDGE, Kind.COMB)) & (layer > 0)] = setup.feeds.support_feed
    if setup.feeds.pace == "steady-flow":
        factor = pace_factor(strokes.area, strokes.length(), setup.beads.spacing)
        feed *= np.where(kinds == Kind.WALL, factor, 1.0)
    table.feed[row] = feed
    table.layer[row] = layer
    kinds[(strokes.area == 0) & (kinds != Kind.TRAVEL)] = Kind.LINK
    kinds[strokes.hairpin] = Kind.HAIRPIN
    table.kind[row] = kinds
    _lead_in(table, present, row[first], row[last], detour, setup)
    return table.only(present)


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
    to_x, to_y, top = table.x[first], table.y[first], table.z[first]
    columns = zip(table.start, (table.x, table.y, table.z), strict=True)
    x0, y0, z0 = (np.concatenate([[at], values[last[:-1]]]) for at, values in columns)
    gap = np.hypot(to_x - x0, to_y - y0)
    lifted = np.abs(top - z0) > 1e-9
    length, feed_back = machine.retraction.length, machine.retraction.feed
    dry = ((gap > machine.retraction.over) | detour) & (length > 0)
    after = np.concatenate([[False], detour[:-1]]) & (length > 0)
    back, fed = dry & ~after, (dry | after) & ~detour
    for offset, kind, needed, x, y, z, filament, feed in (
        (-3, Kind.RETRACT, back, x0, y0, z0, -length, feed_back),
        (-2, Kind.LIFT, lifted, x0, y0, top, 0.0, machine.axes.z.feed),
        (-1, Kind.TRAVEL, gap > 1e-9, to_x, to_y, top, 0.0, machine.travel_feed),
        (0, Kind.RELOAD, fed, to_x, to_y, top, length, feed_back),
    ):
        at = first + offset
        present[at] = needed
        table.x[at], table.y[at], table.z[at] = x, y, z
        table.filament[at], table.feed[at], table.kind[at] = filament, feed, kind
        table.layer[at] = table.layer[first]
