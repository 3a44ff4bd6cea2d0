"""The lag model against the textbook's step response.

First-order system τ·dq/dt + q = Q: q(t) = Q·(1 − e^(−t/τ)) from rest at a constant Q (K. Ogata,
Modern Control Engineering, ch. 5, from memory).
"""

import numpy as np
import pytest

from pathgen.motion import Kind, Moves, Plan, filament_area
from pathgen.motion.lag import held_volume, lagged_volume
from pathgen.settings import load_machine


def test_step_response():
    machine = load_machine("benchtop-220")
    lag, flow, speed, count = machine.hot_end.lag, 2.0, 20.0, 50
    dt = 0.01
    x = speed * dt * np.arange(1, count + 1)
    none, constant = np.zeros(count), np.full(count, speed)
    fed = np.full(count, flow * dt / filament_area(1.75))
    moves = Moves(
        (0, 0, 0), x, none, none, fed, constant, np.full(count, Kind.WALL, np.uint8), none.astype(np.int32)
    )
    plan = Plan(constant, constant, constant, np.full(count, dt))
    left = lagged_volume(moves, plan, machine)
    t = dt * np.arange(1, count + 1)
    expected = flow * (t - lag * (1 - np.exp(-t / lag)))  # ∫ q dt
    assert np.cumsum(left) == pytest.approx(expected, abs=1e-9)
    held = held_volume(moves, left, machine)
    assert held == pytest.approx(lag * flow * (1 - np.exp(-t[-1] / lag)), abs=1e-9)
