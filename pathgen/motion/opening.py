"""How a program begins on the platform: the safe approach and the start line."""

from __future__ import annotations

import numpy as np

from pathgen.layers.strokes import Strokes
from pathgen.motion.moves import Kind, Moves
from pathgen.route import Placement
from pathgen.settings import Machine

CLEARANCE = 5.0  # mm over the platform on the way from home to the first deposit
START_LINE = 60.0  # mm, long enough to fill a nozzle that has oozed while it heated


def home(machine: Machine) -> tuple[float, float, float]:
    """Where the head is taken to be after homing, mm: the low corner of the build volume."""
    return machine.volume.x[0], machine.volume.y[0], machine.volume.z[0]


def start_line(width: float, n: float, pitch: float) -> Strokes:
    """One straight stroke of the first layer, parallel to the panel.

    Parameters
    ----------
    width : float
        Width of the panel, mm; the line is no longer, and centred on it.
    n : float
        Where it lies, mm in front of the panel's back.
    pitch : float
        Pitch of the line, mm.

    Returns
    -------
    Strokes
    """
    length = min(width, START_LINE)
    u = width / 2 + np.array([-length / 2, length / 2])
    return Strokes(
        u=u,
        n=np.full(2, n),
        area=np.array([0.0, pitch * length]),
        turn=np.zeros(2, bool),
        start=np.array([0, 2], np.intp),
        layer=np.zeros(1, np.intp),
        counts=np.zeros((0, 0), np.int8),
    )


def approach(strokes: Strokes, placement: Placement, machine: Machine) -> Moves:
    """Go from home to over the first point of the first stroke: up, then across."""
    at = home(machine)
    x, y = placement.to_machine(strokes.u[:1], strokes.n[:1])
    z = at[2] + CLEARANCE
    return Moves(
        at,
        x=np.array([at[0], x[0]]),
        y=np.array([at[1], y[0]]),
        z=np.full(2, z),
        filament=np.zeros(2),
        feed=np.array([machine.axes.z.feed, machine.travel_feed]),
        kind=np.array([Kind.LIFT, Kind.TRAVEL], np.uint8),
        layer=np.zeros(2, np.int32),
    )
