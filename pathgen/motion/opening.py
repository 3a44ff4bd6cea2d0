"""How a program begins on the platform: the safe approach and the start line."""

from __future__ import annotations

import numpy as np

from pathgen.layers.strokes import Strokes
from pathgen.motion.moves import Kind, Moves
from pathgen.settings import Machine

CLEARANCE = 5.0  # mm over the platform on the way from home to the first deposit
START_LINE = 60.0  # mm, long enough to fill a nozzle that has oozed while it heated


def home(machine: Machine) -> tuple[float, float, float]:
    """Where the head is taken to be after homing, mm: the low corner of the build volume."""
    return machine.volume.x[0], machine.volume.y[0], machine.volume.z[0]


def start_line(span: tuple[float, float], n: float, spacing: float) -> Strokes:
    """One straight stroke of the first layer, parallel to the panel.

    Parameters
    ----------
    span : (u, u)
        From where to where, mm.
    n : float
        Where it lies, mm in front of the panel's back.
    spacing : float
        Spacing of the line, mm.

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


def approach(strokes: Strokes, machine: Machine) -> Moves:
    """Go from home to over the first point of the first stroke: up, then across.

    `strokes` are in machine coordinates: x and y stand in their `u` and `n`.
    """
    at = home(machine)
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


def hop(
    at: tuple[float, float, float], to: tuple[float, float, float], clear: float, layer: int, machine: Machine
) -> Moves:
    """Go from a finished panel to where the next one begins: draw back, up, across, down, feed back.

    Parameters
    ----------
    at, to : (x, y, z)
        mm.
    clear : float
        Height at which the way across is free, mm.
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
