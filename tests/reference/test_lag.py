"""The lag model against textbook responses, and against a general-purpose solver of linear systems.

First-order system τ·dq/dt + q = Q (K. Ogata, Modern Control Engineering, ch. 5, from memory):
step of Q from rest, q(t) = Q·(1 − e^(−t/τ)); ramp Q = s·t from rest, q(t) = s·(t − τ + τ·e^(−t/τ)).
"""

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal
from scipy.integrate import solve_ivp

from pathgen.motion import Kind, Moves, SpeedPlan, filament_area, plan_speeds
from pathgen.motion.lag import held_volume, lagged_volume, split_moves
from pathgen.settings import load_machine
from tests.motion.conftest import plain_machine, polyline

MACHINE = load_machine("moving-table")
LAG, AREA = MACHINE.hot_end.lag, filament_area(1.75)


def steady(flow, dt=0.01, speed=20.0):
    """Moves of `dt` seconds each at constant speed, with a flow (mm³/s) each."""
    count = len(flow)
    x, none, constant = speed * dt * np.arange(1, count + 1), np.zeros(count), np.full(count, speed)
    wall, layer = np.full(count, Kind.WALL, np.uint8), np.zeros(count, np.int32)
    moves = Moves((0, 0, 0), x, none, none, flow * dt / AREA, constant, wall, layer)
    return moves, SpeedPlan(constant, constant, constant, np.full(count, dt))


def test_step_response():
    flow, dt, count = 2.0, 0.01, 50
    moves, plan = steady(np.full(count, flow), dt)
    left = lagged_volume(moves, plan, MACHINE)
    t = dt * np.arange(1, count + 1)
    assert np.cumsum(left) == pytest.approx(flow * (t - LAG * (1 - np.exp(-t / LAG))), abs=1e-9)  # ∫ q dt
    held = flow * LAG * (1 - np.exp(-t[-1] / LAG))
    assert held_volume(moves, left, MACHINE) == pytest.approx(held, abs=1e-9)


@given(st.floats(1e-3, 2), st.floats(1e-3, 0.5), st.floats(0, 30))
def test_step_response_of_any_lag(lag, dt, flow):
    machine = msgspec.structs.replace(MACHINE, hot_end=msgspec.structs.replace(MACHINE.hot_end, lag=lag))
    left = lagged_volume(*steady(np.full(20, flow), dt), machine)
    t = dt * np.arange(1, 21)
    assert np.cumsum(left) == pytest.approx(flow * (t + lag * np.expm1(-t / lag)), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("before", "after"), [(0.84, 1.24), (1.24, 0.56)])
def test_a_jump_of_the_spacing_dies_away(before, after):
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


def phases(moves, plan):
    """(duration, flow at its start, flow at its end) of the three phases of every move, mm³/s."""
    points = np.vstack([moves.start, np.column_stack([moves.x, moves.y, moves.z])])
    path = np.linalg.norm(np.diff(points, axis=0), axis=1)
    length = np.where(path > 0, path, np.abs(moves.filament))
    for i, (u, w, peak, time) in enumerate(zip(plan.entry, plan.exit, plan.peak, plan.time, strict=True)):
        short = 2 * (peak * time - length[i])  # what speeding up and braking cost, mm, twice
        square = (peak - u) ** 2 + (peak - w) ** 2
        up, down = ((peak - v) * short / square if square > 1e-12 else 0.0 for v in (u, w))
        per_mm = moves.filament[i] * AREA / length[i]
        ramps = (up, u, peak), (time - up - down, peak, peak), (down, peak, w)
        yield [(d, per_mm * a, per_mm * b) for d, a, b in ramps if d > 1e-12]


@pytest.mark.parametrize("seed", range(4))
def test_a_random_walk_against_an_integrator(seed):
    """`scipy.integrate.solve_ivp` phase by phase: long and short moves, and filament alone at rest."""
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal(0, 1, (13, 2)) * 10 ** rng.uniform(-2, 1, (13, 1)), axis=0)
    points[5] = points[4]
    moves = polyline(points, rng.uniform(5, 80, 12), rng.uniform(0.001, 0.2, 12))
    plan = plan_speeds(moves, MACHINE)
    state, expected = np.zeros(2), []  # outflow, volume that has left
    for move in phases(moves, plan):
        for time, first, last in move:

            def rate(t, y, time=time, first=first, last=last):
                return (first + (last - first) * t / time - y[0]) / LAG, y[0]

            state = solve_ivp(rate, (0, time), state, rtol=1e-9, atol=1e-12, method="LSODA").y[:, -1]
        expected.append(state[1])
    left = lagged_volume(moves, plan, MACHINE)
    assert np.cumsum(left) == pytest.approx(expected, abs=1e-8)
    assert left[4] < moves.filament[4] * AREA  # the one at rest lags too


def test_a_trapezoid_against_a_solver():
    """Cut into 1 mm pieces, from rest to rest; `scipy.signal.lsim` is exact for input straight in between."""
    machine = plain_machine(acceleration=1000.0)
    flow_per_speed = 0.05 * AREA / 15
    # 0.1 s up, 5 mm at 100 mm/s, 0.1 s down
    moves = split_moves(polyline([[0, 0], [15, 0]], 100.0, 0.05), 1.0)
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
