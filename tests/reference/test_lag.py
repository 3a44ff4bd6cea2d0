"""The lag model against textbook responses, and against a general-purpose solver of linear systems.

First-order system τ·dq/dt + q = Q (K. Ogata, Modern Control Engineering, ch. 5, from memory):
step of Q from rest, q(t) = Q·(1 − e^(−t/τ)); ramp Q = s·t from rest, q(t) = s·(t − τ + τ·e^(−t/τ)).
"""

import numpy as np
import pytest
from scipy import signal

from pathgen.motion import Kind, Moves, Plan, filament_area, plan_speeds
from pathgen.motion.lag import held_volume, lagged_volume, shorter
from pathgen.settings import load_machine
from tests.motion.conftest import plain_machine, polyline

MACHINE = load_machine("benchtop-220")
LAG, AREA = MACHINE.hot_end.lag, filament_area(1.75)


def steady(flow, dt=0.01, speed=20.0):
    """Moves of `dt` seconds each at constant speed, with a flow (mm³/s) each."""
    count = len(flow)
    x, none, constant = speed * dt * np.arange(1, count + 1), np.zeros(count), np.full(count, speed)
    wall, layer = np.full(count, Kind.WALL, np.uint8), np.zeros(count, np.int32)
    moves = Moves((0, 0, 0), x, none, none, flow * dt / AREA, constant, wall, layer)
    return moves, Plan(constant, constant, constant, np.full(count, dt))


def test_step_response():
    flow, dt, count = 2.0, 0.01, 50
    moves, plan = steady(np.full(count, flow), dt)
    left = lagged_volume(moves, plan, MACHINE)
    t = dt * np.arange(1, count + 1)
    assert np.cumsum(left) == pytest.approx(flow * (t - LAG * (1 - np.exp(-t / LAG))), abs=1e-9)  # ∫ q dt
    held = flow * LAG * (1 - np.exp(-t[-1] / LAG))
    assert held_volume(moves, left, MACHINE) == pytest.approx(held, abs=1e-9)


@pytest.mark.parametrize(("before", "after"), [(0.84, 1.24), (1.24, 0.56)])
def test_a_jump_of_the_pitch_dies_away(before, after):
    """The step response again: after a jump the error of q is (before − after)·e^(−t/τ)."""
    dt, settled = 0.01, 500
    moves, plan = steady(np.repeat([before, after], [settled, 60]), dt)
    error = (lagged_volume(moves, plan, MACHINE) - moves.filament * AREA)[settled:]
    t = dt * np.arange(61)
    assert error == pytest.approx(-(before - after) * LAG * np.diff(np.exp(-t / LAG)), abs=1e-12)


def test_ramp_response():
    """One move that speeds up all the way from rest: its flow is a ramp."""
    machine = plain_machine(acceleration=1000.0)
    lag = machine.hot_end.lag
    moves = polyline([[0, 0], [2, 0], [30, 0]], 500.0, [0.1, 0.5])
    plan = plan_speeds(moves, machine)
    assert plan.exit[0] == plan.peak[0] > 60  # no cruise, no braking
    t, slope = plan.time[0], 0.1 * AREA / 2 * 1000.0
    assert lagged_volume(moves, plan, machine)[0] == pytest.approx(
        slope * (t**2 / 2 - lag * t + lag**2 * (1 - np.exp(-t / lag)))  # ∫ q dt
    )


def test_a_trapezoid_against_a_solver():
    """Cut into 1 mm pieces, from rest to rest; `scipy.signal.lsim` is exact for input straight in between."""
    machine = plain_machine(acceleration=1000.0)
    flow_per_speed = 0.05 * AREA / 15
    moves = shorter(polyline([[0, 0], [15, 0]], 100.0, 0.05), 1.0)  # 0.1 s up, 5 mm at 100 mm/s, 0.1 s down
    plan = plan_speeds(moves, machine)
    t = np.linspace(0.0, 0.25, 25_001)
    assert plan.time.sum() == pytest.approx(t[-1])
    speed = np.interp(t, [0.0, 0.1, 0.15, 0.25], [0.0, 100.0, 100.0, 0.0])
    lag = machine.hot_end.lag
    # One state more integrates q, so that its second output is the volume that has left.
    system = signal.StateSpace([[-1 / lag, 0], [1, 0]], [[1 / lag], [0]], np.eye(2), np.zeros((2, 1)))
    _, out, _ = signal.lsim(system, flow_per_speed * speed, t)
    expected = np.interp(np.cumsum(plan.time), t, out[:, 1])
    assert np.cumsum(lagged_volume(moves, plan, machine)) == pytest.approx(expected, rel=1e-4, abs=1e-7)
