"""The speed planner: its limits kept, none given away, and no trace of how moves were cut into blocks."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pathgen.errors import PathgenError
from pathgen.motion import Kind, Moves, concatenate, limit_feed, plan_speeds
from pathgen.settings import load_machine
from tests.motion.conftest import plain_machine, polyline

MACHINES = ["moving-table", "moving-gantry"]  # one of each junction rule

# Points on the grid of a program's decimals: crossings of the platform, moves of microns, and no move at all.
MICRON = st.integers(0, 50_000) | st.integers(0, 3)
POINTS = st.lists(st.tuples(MICRON, MICRON, st.integers(0, 1)), min_size=2, max_size=40)


def path_of(points, seed):
    """Moves along points in microns, with random feeds and filament; some are moves of filament alone."""
    rng = np.random.default_rng(seed)
    n = len(points) - 1
    fed = rng.uniform(-0.1, 0.4, n) * (rng.random(n) < 0.7)
    return polyline(np.array(points) * 1e-3, rng.uniform(1, 400, n), fed)


def plainly(moves, feed, machine):
    """Plan one move at a time in plain Python: rows that move, entry, exit, time, 2aL and junction caps."""
    axes = [machine.axes.x, machine.axes.y, machine.axes.z, machine.axes.filament]
    at, rows, gain, caps, before = moves.start, [], [], [0.0], None
    for i, to in enumerate(zip(moves.x, moves.y, moves.z, strict=True)):
        step = [float(b - a) for a, b in zip(at, to, strict=True)]
        at, length, alone = to, math.hypot(*step), False
        if length == 0:
            length, alone = abs(moves.filament[i]), True
        if length == 0:
            continue
        unit = [d / length for d in (*step, moves.filament[i])]
        a = min(axis.acceleration / abs(u) for axis, u in zip(axes, unit, strict=True) if u)
        here = (unit, a, feed[i], alone, moves.layer[i])
        if before:
            caps.append(junction(before, here, axes, machine.junction))
        rows.append(i)
        gain.append(2 * a * length)
        before = here
    caps += [0.0] if rows else []
    for i in range(len(gain)):  # a stop must be possible within the moves the controller knows
        caps[i] = min(caps[i], sum(gain[i : i + machine.queue]))
    squares = list(caps)
    for i in range(len(gain) - 1, -1, -1):
        squares[i] = min(squares[i], squares[i + 1] + gain[i])
    for i in range(len(gain)):
        squares[i + 1] = min(squares[i + 1], squares[i] + gain[i])
    return np.array(rows, int), np.sqrt(squares), np.array(gain), np.sqrt(caps)


def junction(before, here, axes, rule):
    """Square of the speed allowed between two moves, by angles instead of sums of vectors."""
    (u, a, f, alone, layer), (w, b, g, also, after) = before, here
    if alone or also or layer != after:
        return 0.0
    cap = min(f, g) ** 2
    if rule.rule == "step":
        jumps = [(axis.step_change, abs(p - q)) for axis, p, q in zip(axes, u, w, strict=True) if p != q]
        return min([cap, *((most / jump) ** 2 for most, jump in jumps)])
    turn = math.atan2(math.hypot(*np.cross(u[:3], w[:3])), np.dot(u[:3], w[:3]))
    sharp = 2 * math.sin(turn / 4) ** 2  # 1 − sin(θ/2), θ = π − turn
    return min(cap, min(a, b) * rule.deviation * math.cos(turn / 2) / sharp) if sharp else cap


def seconds(length, entry, leave, acceleration, feed):
    """Time of one trapezoid by its three stretches (standard kinematics)."""
    peak = min(feed, math.sqrt((entry**2 + leave**2) / 2 + acceleration * length))
    ramps = (2 * peak**2 - entry**2 - leave**2) / (2 * acceleration)
    return (2 * peak - entry - leave) / acceleration + max(0.0, length - ramps) / peak


@pytest.mark.parametrize("name", MACHINES)
@settings(max_examples=40, deadline=None)
@given(points=POINTS, seed=st.integers(0, 99), queue=st.sampled_from([1, 2, 3, 5, 16, 64]))
def test_agrees_with_two_plain_passes(name, points, seed, queue):
    """No faster than any limit allows, and no slower than all of them together force."""
    machine, moves = replace(load_machine(name), queue=queue), path_of(points, seed)
    feed = limit_feed(moves, machine)
    plan = plan_speeds(moves, machine, feed)
    rows, speeds, _, _ = plainly(moves, feed, machine)
    # cos of a half turn near a reversal is good to 1e-16 only, so 1e-7 mm/s after the root.
    assert plan.entry[rows] == pytest.approx(speeds[:-1], rel=1e-9, abs=1e-6)
    assert plan.exit[rows] == pytest.approx(speeds[1:], rel=1e-9, abs=1e-6)
    assert (plan.time[np.setdiff1d(np.arange(len(moves)), rows)] == 0).all()
    assert (plan.entry[1:] == plan.exit[:-1]).all()


@pytest.mark.parametrize("name", MACHINES)
@settings(max_examples=40, deadline=None)
@given(points=POINTS, seed=st.integers(0, 99))
def test_no_limit_is_passed(name, points, seed):
    machine, moves = load_machine(name), path_of(points, seed)
    feed = limit_feed(moves, machine)
    plan = plan_speeds(moves, machine, feed)
    rows, _, gain, caps = plainly(moves, feed, machine)
    entry, leave, peak, time = plan.entry[rows], plan.exit[rows], plan.peak[rows], plan.time[rows]
    assert (feed <= moves.feed).all()
    assert (peak <= feed[rows] * (1 + 1e-12)).all()
    assert (peak >= np.maximum(entry, leave) * (1 - 1e-12)).all()
    assert (np.abs(leave**2 - entry**2) <= gain * (1 + 1e-9) + 1e-9).all()
    assert (entry <= caps[:-1] + 1e-6).all() and (leave <= caps[1:] + 1e-6).all()
    assert (time > 0).all()


@pytest.mark.parametrize("name", MACHINES)
def test_times_are_those_of_trapezoids(walk, name):
    machine, moves = load_machine(name), walk(5)
    feed = limit_feed(moves, machine)
    plan = plan_speeds(moves, machine, feed)
    rows, _, gain, _ = plainly(moves, feed, machine)
    points = np.column_stack([moves.x, moves.y, moves.z])
    length = np.linalg.norm(np.diff(np.vstack([moves.start, points]), axis=0), axis=1)
    assert len(rows) == len(moves)
    columns = zip(length, plan.entry, plan.exit, gain / (2 * length), feed, strict=True)
    assert plan.time == pytest.approx([seconds(*row) for row in columns], rel=1e-9)


@pytest.mark.parametrize("name", MACHINES)
def test_the_way_back_takes_as_long(walk, name):
    machine, moves = load_machine(name), walk(7, layers=1)
    points = np.vstack([moves.start, np.column_stack([moves.x, moves.y, moves.z])])[::-1]
    back = polyline(points, moves.feed[::-1], moves.filament[::-1])
    there, again = (plan_speeds(m, machine).time for m in (moves, back))
    assert again[::-1] == pytest.approx(there, rel=1e-9)


@pytest.mark.parametrize("name", MACHINES)
def test_blocks_do_not_show(walk, name):
    machine, moves = load_machine(name), walk(3, n=20_000, layers=80)
    whole = plan_speeds(moves, machine)
    cut = np.flatnonzero(np.diff(moves.layer)) + 1
    parts, start = [], moves.start
    for rows in np.split(np.arange(len(moves)), cut):
        names = ("x", "y", "z", "filament", "feed", "kind", "layer")
        part = Moves(start, *(getattr(moves, n)[rows] for n in names))
        parts.append(plan_speeds(part, machine).time)
        start = part.end
    assert np.concatenate(parts) == pytest.approx(whole.time, rel=1e-13)


def test_precision_holds_over_many_moves():
    """Straight on along x, 0.1 µm to 10 mm a move, against two passes one move at a time."""
    machine, rng, n = plain_machine(acceleration=1000.0), np.random.default_rng(0), 100_000
    machine = replace(machine, queue=n)
    x = np.concatenate([[0.0], np.cumsum(10 ** rng.uniform(-4, 1, n))])
    feed = rng.uniform(5, 200, n)
    plan = plan_speeds(polyline(np.column_stack([x, 0 * x]), feed), machine)
    gain = (2 * 1000.0 * np.diff(x)).tolist()
    squares = [0.0, *(np.minimum(feed[1:], feed[:-1]) ** 2).tolist(), 0.0]
    for i in range(n):
        squares[i + 1] = min(squares[i + 1], squares[i] + gain[i])
    for i in range(n - 1, -1, -1):
        squares[i] = min(squares[i], squares[i + 1] + gain[i])
    speeds = np.sqrt(squares)
    np.testing.assert_allclose(plan.entry, speeds[:-1], rtol=1e-12)
    np.testing.assert_allclose(plan.exit, speeds[1:], rtol=1e-12)


@pytest.mark.parametrize("queue", [1, 2, 7])
def test_a_stop_is_possible_within_the_moves_the_controller_knows(queue):
    """Straight on in moves of 0.1 mm at 1000 mm/s²: v² = 2·a·N·L in the middle (standard kinematics)."""
    machine = replace(plain_machine(acceleration=1000.0), queue=queue)
    plan = plan_speeds(polyline(np.outer(np.arange(101), [0.1, 0.0]), 400.0), machine)
    assert plan.exit[50] == pytest.approx(math.sqrt(2 * 1000 * queue * 0.1))
    assert plan.exit[-1] == 0.0
    # N moves are known at a junction, the one that begins there included; so from rest the speeds at the
    # first N − 1 junctions are those of acceleration alone.
    free = np.sqrt(2 * 1000 * 0.1 * np.arange(1, queue))
    assert plan.exit[: queue - 1] == pytest.approx(free)


@pytest.mark.parametrize("name", MACHINES)
def test_a_longer_queue_is_never_slower_and_a_long_one_never_binds(walk, name):
    machine, moves = load_machine(name), walk(11)
    times = [plan_speeds(moves, replace(machine, queue=q)).time.sum() for q in (1, 2, 3, 4, 8, 300, 10**9)]
    assert all(a >= b for a, b in zip(times[:-1], times[1:], strict=True))
    assert times[0] > times[1] and times[-1] == times[-2]


def test_filament_alone_rests_the_head():
    machine = load_machine("moving-table")
    points = [[0, 0], [10, 0], [10, 0], [20, 0]]
    plan = plan_speeds(polyline(points, 40.0, [0.0, -4.0, 0.0]), machine)
    assert plan.exit[0] == plan.entry[1] == plan.exit[1] == plan.entry[2] == 0
    # 40 mm/s under the axis's 50, at its 1000 mm/s²: 4/40 + 40/1000 s.
    assert plan.time[1] == pytest.approx(0.14)


@pytest.mark.parametrize("gap", [0.0, 1e-13])  # the second is what rounding leaves of a coordinate
def test_a_move_of_no_length_breaks_no_chain(gap):
    machine = load_machine("moving-gantry")
    plan = plan_speeds(polyline([[0, 0], [10, 0], [10, gap], [20, gap]], 40.0), machine)
    straight = plan_speeds(polyline([[0, 0], [10, 0], [20, 0]], 40.0), machine)
    assert plan.time.tolist() == pytest.approx([straight.time[0], 0.0, straight.time[1]])
    assert plan.exit.tolist() == pytest.approx([40.0, 40.0, 0.0])
    assert plan.entry.tolist() == pytest.approx([0.0, 40.0, 40.0])


@pytest.mark.parametrize("feed", [0.0, -3.0, math.nan])
def test_a_feed_that_gets_nowhere_is_refused(feed):
    machine = load_machine("moving-gantry")
    moves = polyline([[0, 0], [0, 0], [5, 0], [9, 0]], [0.0, 20.0, feed])  # the first goes nowhere anyway
    with pytest.raises(PathgenError, match="move 3.*more than 0"):
        plan_speeds(moves, machine)
    with pytest.raises(PathgenError, match="move 3"):
        plan_speeds(polyline([[0, 0], [0, 0], [5, 0], [9, 0]], 20.0), machine, moves.feed)


def test_hot_end_and_axes_slow_the_feed():
    machine = load_machine("moving-table")
    area = np.pi * machine.hot_end.filament_diameter**2 / 4
    moves = polyline([[0, 0], [10, 0]], 100.0, 10.0)  # 1 mm of filament a mm of path
    assert limit_feed(moves, machine)[0] == pytest.approx(machine.hot_end.melt_rate / area)
    up = polyline([[0, 0, 0], [0, 0, 5]], 100.0)
    assert limit_feed(up, machine)[0] == pytest.approx(machine.axes.z.feed)
    slant = polyline([[0, 0, 0], [3, 0, 4]], 100.0)
    assert limit_feed(slant, machine)[0] == pytest.approx(machine.axes.z.feed / 0.8)
    pushed_back = polyline([[0, 0], [0, 0]], 100.0, 4.0)  # not melted again
    assert limit_feed(pushed_back, machine)[0] == machine.axes.filament.feed
    hot_end = replace(machine.hot_end, filament_factor=0.9)  # thinner than it says it is: more of it melts
    thin = limit_feed(moves, replace(machine, hot_end=hot_end))[0]
    assert thin == pytest.approx(machine.hot_end.melt_rate / (0.9 * area))


def test_per_axis_acceleration_scales_with_direction():
    machine = plain_machine(acceleration=1000.0)
    slow_y = replace(machine.axes.y, acceleration=100.0)
    machine = replace(machine, axes=replace(machine.axes, y=slow_y))
    # 5 mm from rest to rest, too short for the feed: √(4L/a), a = 1000, 100, and 100/0.8 along (3, 4).
    for point, acceleration in (([5, 0], 1000), ([0, 5], 100), ([3, 4], 125)):
        time = plan_speeds(polyline([[0, 0], point], 400.0), machine).time[0]
        assert time == pytest.approx(math.sqrt(20 / acceleration))


def test_nothing_takes_no_time():
    none = polyline([[0, 0]], 1.0)
    plan = plan_speeds(none, load_machine("ngc-lab"))
    assert [len(c) for c in (plan.entry, plan.exit, plan.peak, plan.time)] == [0, 0, 0, 0]
    assert len(limit_feed(none, load_machine("ngc-lab"))) == 0
    still = polyline([[1, 1], [1, 1]], 1.0)
    assert plan_speeds(still, load_machine("ngc-lab")).time.tolist() == [0.0]


def test_joining_blocks_keeps_the_first_start(walk):
    moves = walk(1)
    assert concatenate([moves, moves]).start == moves.start
    assert len(concatenate([moves, moves])) == 2 * len(moves)
    assert moves.only(moves.kind == Kind.BRIM).end == moves.start
