"""Moves and machines for the motion tests."""

import msgspec
import numpy as np
import pytest

from pathgen.motion import Kind, Moves
from pathgen.settings import load_machine


def polyline(points, feed, filament=0.0, layer=0, kind=Kind.WALL):
    """Moves along points (N + 1, 2 or 3), the first of which is the start."""
    points = np.column_stack([np.asarray(points, float), np.zeros((len(points), 3))])[:, :3]
    n = len(points) - 1
    x, y, z = points[1:].T.copy()
    return Moves(
        tuple(points[0]),
        x,
        y,
        z,
        np.broadcast_to(np.asarray(filament, float), n).copy(),
        np.broadcast_to(np.asarray(feed, float), n).copy(),
        np.full(n, kind, np.uint8),
        np.broadcast_to(np.asarray(layer, np.int32), n).copy(),
    )


def plain_machine(acceleration=1000.0, rule="deviation", deviation=0.01, step=8.0, feed=500.0):
    """A machine with the same limits on every axis, none of which comes into play by itself."""
    machine = load_machine("moving-gantry")
    axis = msgspec.structs.replace(machine.axes.x, feed=feed, acceleration=acceleration, step_change=step)
    free = msgspec.structs.replace(axis, acceleration=1e5, feed=1000.0)
    return msgspec.structs.replace(
        machine,
        axes=msgspec.structs.replace(machine.axes, x=axis, y=axis, z=axis, filament=free),
        junction=msgspec.structs.replace(machine.junction, rule=rule, deviation=deviation),
        hot_end=msgspec.structs.replace(machine.hot_end, melt_rate=500.0),
    )


@pytest.fixture
def walk():
    """A seeded random walk of moves that feed, in a few layers."""

    def make(seed, n=300, layers=3):
        rng = np.random.default_rng(seed)
        points = np.column_stack([rng.normal(0, 2, (n + 1, 2)).cumsum(axis=0), np.zeros(n + 1)])
        layer = np.sort(rng.integers(0, layers, n))
        points[1:, 2] = layer * 0.1
        return polyline(points, rng.uniform(5, 120, n), rng.uniform(0, 0.05, n), layer)

    return make
