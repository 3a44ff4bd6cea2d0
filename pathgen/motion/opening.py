"""Build the first moves of a program: the approach from home and the start line."""

from __future__ import annotations

import numpy as np

from pathgen.layers.strokes import Strokes, make_strokes
from pathgen.motion.moves import Kind, Moves, Position
from pathgen.settings import Machine

CLEARANCE = 5.0  # mm above the platform on the way from home to the first deposit
START_LINE = 60.0  # mm, long enough to refill a nozzle that oozed while heating


def home_position(machine: Machine) -> Position:
    """Return the assumed position of the head after homing, mm: the low corner of the build volume."""
    return machine.volume.x[0], machine.volume.y[0], machine.volume.z[0]


def start_line(span: tuple[float, float], n: float, spacing: float) -> Strokes:
    """Build the start line: one straight stroke in the first layer, parallel to the panel.

    Parameters
    ----------
    span : (u, u)
        Start and end, mm.
    n : float
        Distance in front of the back of the panel, mm.
    spacing : float
        Bead spacing of the line, mm.

    Returns
    -------
    Strokes
    """
    return make_strokes([np.array([[u, n] for u in span], np.float64)], [0], spacing)


def approach_moves(strokes: Strokes, machine: Machine) -> Moves:
    """Build the moves from home to above the first point of the first stroke: up, then across.

    `strokes` are in machine coordinates: `u` holds x and `n` holds y.
    """
    x, y, z = home = home_position(machine)
    ends = [(x, y, z + CLEARANCE), (float(strokes.u[0]), float(strokes.n[0]), z + CLEARANCE)]
    feeds = [machine.axes.z.feed, machine.travel_feed]
    return _build_moves(home, ends, [0.0, 0.0], feeds, [Kind.LIFT, Kind.TRAVEL], 0)


def cross_to_next_panel(at: Position, to: Position, clear: float, layer: int, machine: Machine) -> Moves:
    """Build the moves from a finished panel to the start of the next: retract, up, across, down, reload.

    Parameters
    ----------
    at, to : (x, y, z)
        Start and end position, mm.
    clear : float
        Height at which the head can cross freely, mm.
    layer : int
        Number of the next panel's first layer.
    machine : Machine
    """
    back, lift = machine.retraction, machine.axes.z.feed
    ends = [at, (at[0], at[1], clear), (to[0], to[1], clear), to, to]
    filament = [-back.length, 0.0, 0.0, 0.0, back.length]
    feeds = [back.feed, lift, machine.travel_feed, lift, back.feed]
    kinds = [Kind.RETRACT, Kind.LIFT, Kind.TRAVEL, Kind.LIFT, Kind.RELOAD]
    return _build_moves(at, ends, filament, feeds, kinds, layer)


def _build_moves(
    start: Position,
    ends: list[Position],
    filament: list[float],
    feeds: list[float],
    kinds: list[Kind],
    layer: int,
) -> Moves:
    x, y, z = np.array(ends).T.copy()
    layers = np.full(len(ends), layer, np.int32)
    return Moves(start, x, y, z, np.array(filament), np.array(feeds), np.array(kinds, np.uint8), layers)
