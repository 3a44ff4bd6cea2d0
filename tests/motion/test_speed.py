"""The speed planner: its limits kept, none given away, and no trace of how moves were cut into blocks."""

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pathgen.motion import Kind, Moves, concatenate, limit_feed, plan_speeds
from pathgen.settings import load_machine
from tests.motion.conftest import plain_machine, polyline

MACHINES = ["benchtop-220", "gantry-300"]  # one of each junction rule


def directions(moves):
    points = np.column_stack([moves.x, moves.y, moves.z])
    step = np.diff(np.vstack([moves.start, points]), axis=0)
    length = np.linalg.norm(step, axis=1)
    alone = (length == 0) & (moves.filament != 0)
    length = np.where(alone, np.abs(moves.filament), length)
    scale = np.where(length > 0, length, 1)
    return length, np.column_stack([step, moves.filament]) / scale[:, None], alone


def limits(moves, machine):
    """Acceleration of each move and cap of each junction, one move at a time in plain Python."""
    length, unit, alone = directions(moves)
    axes = [machine.axes.x, machine.axes.y, machine.axes.z, machine.axes.filament]
    acceleration = [
        min((a.acceleration / abs(c) for a, c in zip(axes, row, strict=True) if c), default=np.inf) for row in unit
    ]
    caps = [0.0]
    for i in range(len(length) - 1):
        if alone[i] or alone[i + 1] or moves.layer[i] != moves.layer[i + 1]:
            caps.append(0.0)
            continue
        if machine.junction.rule == "step":
            change = np.abs(unit[i + 1] - unit[i])
            caps.append(min((a.step_change / c for a, c in zip(axes, change, strict=True) if c), default=np.inf))
        else:
            s = np.sqrt(max(0.0, (1 + unit[i, :3] @ unit[i + 1, :3]) / 2))
            a = min(acceleration[i], acceleration[i + 1])
            caps.append(np.sqrt(a * machine.junction.deviation * s / (1 - s)) if s < 1 else np.inf)
    return length, np.array(acceleration), np.array([*caps, 0.0])


def slow_plan(moves, feed, machine):
    """The classic planner: one pass back, one pass forward, over moves that have a length."""
    length, acceleration, caps = limits(moves, machine)
    v = np.minimum(caps, np.minimum(np.append(feed, np.inf), np.insert(feed, 0, np.inf)))
    for i in range(len(length) - 1, -1, -1):
        v[i] = min(v[i], np.sqrt(v[i + 1] ** 2 + 2 * acceleration[i] * length[i]))
    for i in range(len(length)):
        v[i + 1] = min(v[i + 1], np.sqrt(v[i] ** 2 + 2 * acceleration[i] * length[i]))
    return v[:-1], v[1:]


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_two_plain_passes(walk, name, seed):
    machine, moves = load_machine(name), walk(seed)
    feed = limit_feed(moves, machine)
    plan = plan_speeds(moves, machine, feed)
    entry, leave = slow_plan(moves, feed, machine)
    assert plan.entry == pytest.approx(entry, abs=1e-6)
    assert plan.exit == pytest.approx(leave, abs=1e-6)


@pytest.mark.parametrize("name", MACHINES)
@settings(max_examples=60, deadline=None)
@given(points=arrays(float, st.tuples(st.integers(2, 40), st.just(2)), elements=st.floats(0, 50, width=32)), seed=st.integers(0, 99))
def test_no_limit_is_passed(name, points, seed):
    machine = load_machine(name)
    rng = np.random.default_rng(seed)
    moves = polyline(points, rng.uniform(1, 400, len(points) - 1), rng.uniform(-0.1, 0.4, len(points) - 1))
    feed = limit_feed(moves, machine)
    plan = plan_speeds(moves, machine, feed)
    length, acceleration, caps = limits(moves, machine)
    real = length > 0
    assert (plan.peak[real] <= feed[real] * (1 + 1e-9)).all()
    gain = np.abs(plan.exit**2 - plan.entry**2)[real]
    assert (gain <= (2 * acceleration * length)[real] * (1 + 1e-9) + 1e-6).all()
    assert (plan.time[real] > 0).all() and (plan.time[~real] == 0).all()
    # Distance covered by the trapezoids is the path's length.
    mean = np.where(plan.time > 0, length / np.where(plan.time > 0, plan.time, 1), 0)
    assert (mean[real] <= plan.peak[real] * (1 + 1e-9)).all()
    if real.all():
        assert (plan.entry <= caps[:-1] + 1e-6).all() and (plan.exit <= caps[1:] + 1e-6).all()
        assert plan.entry[1:] == pytest.approx(plan.exit[:-1])


@pytest.mark.parametrize("name", MACHINES)
def test_the_way_back_takes_as_long(walk, name):
    machine, moves = load_machine(name), walk(7, layers=1)
    points = np.vstack([moves.start, np.column_stack([moves.x, moves.y, moves.z])])[::-1]
    back = polyline(points, moves.feed[::-1], moves.filament[::-1])
    there, again = (plan_speeds(m, machine).time.sum() for m in (moves, back))
    assert again == pytest.approx(there, rel=1e-9)


def test_blocks_do_not_show(walk):
    machine, moves = load_machine("benchtop-220"), walk(3, n=2000, layers=8)
    whole = plan_speeds(moves, machine)
    cut = np.flatnonzero(np.diff(moves.layer)) + 1
    parts, start = [], moves.start
    for rows in np.split(np.arange(len(moves)), cut):
        names = ("x", "y", "z", "filament", "feed", "kind", "layer")
        part = Moves(start, *(getattr(moves, n)[rows] for n in names))
        parts.append(plan_speeds(part, machine).time)
        start = part.end
    assert np.concatenate(parts) == pytest.approx(whole.time, rel=1e-9)


def test_precision_holds_over_a_million_moves():
    machine = plain_machine(rule="step")
    n = 1_000_000
    points = np.column_stack([np.tile([0.0, 0.1], n // 2 + 1)[: n + 1].cumsum() * 5, np.zeros(n + 1)])
    points[:, 1] = np.tile([0.0, 0.0, 0.2, 0.2], n // 4 + 1)[: n + 1]
    points[:, 0] = np.arange(n + 1) * 0.1
    plan = plan_speeds(polyline(points, 40.0), machine)
    # Every fourth move is alike, far from both ends: what the millionth says is what the first said.
    assert plan.time[-1004:-1000] == pytest.approx(plan.time[1000:1004], rel=1e-9)


def test_filament_alone_rests_the_head():
    machine = load_machine("benchtop-220")
    points = [[0, 0], [10, 0], [10, 0], [20, 0]]
    moves = polyline(points, 40.0, [0.0, -4.0, 0.0])
    plan = plan_speeds(moves, machine)
    assert plan.exit[0] == plan.entry[1] == plan.exit[1] == plan.entry[2] == 0
    axis = machine.axes.filament
    v = min(40.0, axis.feed)
    assert plan.time[1] == pytest.approx(4.0 / v + v / axis.acceleration)


def test_a_move_of_no_length_breaks_no_chain():
    machine = load_machine("gantry-300")
    with_rest = plan_speeds(polyline([[0, 0], [10, 0], [10, 0], [20, 0]], 40.0), machine)
    without = plan_speeds(polyline([[0, 0], [10, 0], [20, 0]], 40.0), machine)
    assert with_rest.time.sum() == pytest.approx(without.time.sum())


def test_hot_end_and_axes_slow_the_feed():
    machine = load_machine("benchtop-220")
    area = np.pi * machine.hot_end.filament_diameter**2 / 4
    moves = polyline([[0, 0], [10, 0]], 100.0, 10.0)  # 1 mm of filament a mm of path
    assert limit_feed(moves, machine)[0] == pytest.approx(machine.hot_end.melt_rate / area)
    up = polyline([[0, 0, 0], [0, 0, 5]], 100.0)
    assert limit_feed(up, machine)[0] == pytest.approx(machine.axes.z.feed)
    slant = polyline([[0, 0, 0], [3, 0, 4]], 100.0)
    assert limit_feed(slant, machine)[0] == pytest.approx(machine.axes.z.feed / 0.8)


def test_per_axis_acceleration_scales_with_direction():
    machine = plain_machine(acceleration=1000.0)
    slow_y = msgspec.structs.replace(machine.axes.y, acceleration=100.0)
    machine = msgspec.structs.replace(machine, axes=msgspec.structs.replace(machine.axes, y=slow_y))
    along_x, along_y = (
        plan_speeds(polyline([[0, 0], p], 400.0), machine).time[0] for p in ([10, 0], [0, 10])
    )
    assert along_y / along_x == pytest.approx(np.sqrt(10), rel=1e-3)


def test_nothing_takes_no_time():
    none = polyline([[0, 0]], 1.0)
    assert len(plan_speeds(none, load_machine("ngc-lab")).time) == 0
    assert len(limit_feed(none, load_machine("ngc-lab"))) == 0
    still = polyline([[1, 1], [1, 1]], 1.0)
    assert plan_speeds(still, load_machine("ngc-lab")).time.tolist() == [0.0]


def test_joining_blocks_keeps_the_first_start(walk):
    moves = walk(1)
    assert concatenate([moves, moves]).start == moves.start
    assert len(concatenate([moves, moves])) == 2 * len(moves)
    assert moves.only(moves.kind == Kind.BRIM).end == moves.start
