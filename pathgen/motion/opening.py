"""Build the first moves of a program: the approach from home and the start line."""

from __future__ import annotations

import numpy as np

from pathgen.layers.strokes import Strokes
from pathgen.motion.moves import Kind, Moves
from pathgen.settings import Machine

CLEARANCE = 5.0  # mm above the platform on the way from home to the first deposit
START_LINE = 60.0  # mm, long enough to refill a nozzle that oozed while heating


def home_position(machine: Machine) -> tuple[float, float, float]:
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
    return Strokes(
        u=np.array(span, np.float64),
        n=np.full(2, n),
        area=np.array([0.0, spacing * (span[1] - span[0])]),
        hairpin=np.zeros(2, bool),
        start=np.array([0, 2], np.intp),
        layer=np.zeros(1, np.intp),
        counts=np.zeros((0, 0), np.int8),
    )


def approach_moves(strokes: Strokes, machine: Machine) -> Moves:
    """Build the moves from home to above the first point of the first stroke: up, then across.

    `strokes` are in machine coordinates: `u` holds x and `n` holds y.
    """
    at = home_position(machine)
    z = at[2] + CLEARANCE
    return Moves(
        at,
        x=np.array([at[0], strokes.u[0]]),
        y=np.array([at[1], strokes.n[0]]),
        z=np.full(2, z),
        filament=np.zeros(2),
        feed=np.array([machine.axes.z.feed, machine.travel_feed]),
        kind=np.array([Kind.LIFT, Kind.TRAVEL], np.uint8),
        layer=np.zeros(2, np.int32),
    )


def cross_to_next_panel(
    at: tuple[float, float, float], to: tuple[float, float, float], clear: float, layer: int, machine: Machine
) -> Moves:
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
    return Moves(
        at,
        x=np.array([at[0], at[0], to[0], to[0], to[0]]),
        y=np.array([at[1], at[1], to[1], to[1], to[1]]),
        z=np.array([at[2], clear, clear, to[2], to[2]]),
        filament=np.array([-back.length, 0.0, 0.0, 0.0, back.length]),
        feed=np.array([back.feed, lift, machine.travel_feed, lift, back.feed]),
        kind=np.array([Kind.RETRACT, Kind.LIFT, Kind.TRAVEL, Kind.LIFT, Kind.RELOAD], np.uint8),
        layer=np.full(5, layer, np.int32),
    )
