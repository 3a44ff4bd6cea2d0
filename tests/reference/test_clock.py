"""Planned times against a machine driven step by step through time: written apart, and without the planner.

The slow machine knows nothing of junction speeds in advance. Every 0.2 ms it looks at the lines that have
come so far, works backwards from a stop at the end of the last of them, and speeds up, holds or brakes
(standard kinematics). Lines come one by one at the controller's rate while its buffer has room.
"""

import io
import math

import numpy as np
import pytest
from msgspec.structs import replace

from pathgen import Job
from pathgen.gcode.read import read_program
from pathgen.job import plan_panel, write
from pathgen.motion import Kind, Supply, TimeByCause, limit_feed, plan_speeds, sum_moves
from pathgen.settings import load_machine
from tests.matrix import paired
from tests.motion.conftest import plain_machine, polyline

STEP = 2e-4  # s
HERE = 1e-9  # mm from the end of a move


def rows_of(moves, machine):
    """Length, acceleration, speed aimed at, unit vector, kind, layer, alone: one move after another."""
    axes = [machine.axes.x, machine.axes.y, machine.axes.z, machine.axes.filament]
    area = math.pi / 4 * machine.hot_end.filament_diameter**2 * machine.hot_end.filament_factor
    at, rows = moves.start, []
    columns = (moves.x, moves.y, moves.z, moves.filament, moves.feed, moves.kind, moves.layer)
    for x, y, z, fed, feed, kind, layer in zip(*(c.tolist() for c in columns), strict=True):
        step, at = [x - at[0], y - at[1], z - at[2]], (x, y, z)
        length, alone = math.hypot(*step), False
        if length == 0:
            length, alone = abs(fed), True
        if length == 0:
            continue
        unit = [d / length for d in (*step, fed)]
        speed = min([feed, *(axis.feed / abs(u) for axis, u in zip(axes, unit, strict=True) if u)])
        if fed > 0 and not alone:
            speed = min(speed, machine.hot_end.melt_rate / (unit[3] * area))
        slope = min(axis.acceleration / abs(u) for axis, u in zip(axes, unit, strict=True) if u)
        rows.append((length, slope, speed, unit, kind, layer, alone))
    return rows


def passing(before, here, machine):
    """Square of the speed allowed from one move into the next."""
    if before is None or before[6] or here[6] or before[5] != here[5]:
        return 0.0
    most = min(before[2], here[2]) ** 2
    u, w = before[3], here[3]
    axes = [machine.axes.x, machine.axes.y, machine.axes.z, machine.axes.filament]
    if machine.junction.rule == "step":
        jumps = [(axis.step_change, abs(p - q)) for axis, p, q in zip(axes, u, w, strict=True) if p != q]
        return min([most, *((change / jump) ** 2 for change, jump in jumps)])
    turn = math.atan2(math.hypot(*np.cross(u[:3], w[:3])), np.dot(u[:3], w[:3]))
    sine = math.cos(turn / 2)
    if sine >= 1:
        return most
    return min(most, min(before[1], here[1]) * machine.junction.deviation * sine / (1 - sine))


def drive(moves, machine, step=STEP):
    """Seconds by kind of move, waiting included in the move waited before, and seconds stood waiting."""
    rows = rows_of(moves, machine)
    caps = [passing(b, h, machine) for b, h in zip([None, *rows[:-1]], rows, strict=True)]
    line, n = 1 / machine.blocks_per_second, len(rows)
    spent, waited, v, coming = [0.0] * len(Kind), 0.0, 0.0, 0.0
    there = min(machine.queue, n)  # lines taken in
    for i, (length, slope, feed, _, kind, _, _) in enumerate(rows):
        left, known, out = length, -1, 0.0
        while left > HERE:
            if there <= i:  # the line is not there yet: stand
                v, passed = 0.0, step
                waited += passed
            else:
                if known != there:
                    known, out = there, 0.0
                    for k in range(min(there, n) - 1, i, -1):
                        out = min(out + 2 * rows[k][1] * rows[k][0], caps[k])
                # The fastest speed after this step from which what is left suffices to brake.
                half = slope * step / 2
                room = max(out + 2 * slope * left - slope * step * v, 0.0)
                faster = min(v + slope * step, feed, math.sqrt(half * half + room) - half)
                gone = (v + faster) / 2 * step
                if gone >= left:
                    passed, left, v = step * left / gone, 0.0, min(faster, math.sqrt(out))
                else:
                    passed, left, v = step, left - gone, faster
            spent[kind] += passed
            started = i + (there > i)
            if there < n and there - started < machine.queue:
                coming += passed
                if coming >= line:
                    there, coming = there + 1, coming - line
            else:
                coming = 0.0
    return np.array(spent), waited


def planned(moves, machine):
    """The clock of the same moves."""
    feed = limit_feed(moves, machine)
    plan, supply = plan_speeds(moves, machine, feed), Supply(machine)
    supply.take(plan.time)
    return TimeByCause.of(sum_moves(moves, plan, feed), machine, starving=supply.waited)


@pytest.fixture(scope="module")
def moves_of():
    """What the text of a small panel says, read back; each machine makes another kind of panel."""
    u, z = np.meshgrid(np.linspace(-3, 3, 100), np.linspace(0, 1, 7))
    wall, known = 1.8 + np.tanh(np.sin(3 * u) + z), {}

    def give(name):
        if name not in known:
            stream, machine = io.BytesIO(), load_machine(name)
            write(plan_panel(wall, Job(machine=name, brim=1.0, rim_width=0.0, **PANELS[name])), stream)
            diameter = machine.hot_end.filament_diameter
            known[name] = read_program(stream.getvalue(), machine.dialect, diameter).moves
            assert len(known[name]) > 1500
        return known[name]

    return give


PANELS = {
    "moving-table": {},
    "moving-gantry": {"bend": 120.0},
    "long-tube": {"fill": "terraced", "pace": "steady-flow"},
    "ngc-lab": {"copies": 2},
}
UNLIMITED = 1e6  # lines a second


@pytest.mark.parametrize(("name", "queue"), paired(PANELS, [1, 2, 4, 16]))
def test_a_queue_slows_the_machine_as_it_slows_one_driven_step_by_step(name, queue, moves_of):
    """Within 0.5 % of the whole time, in all and kind by kind."""
    machine = replace(load_machine(name), queue=queue, blocks_per_second=UNLIMITED)
    driven, waited = drive(moves_of(name), machine, STEP if queue > 1 else STEP / 2)
    found = planned(moves_of(name), machine)
    assert waited == found.starving == 0
    assert found.moving == pytest.approx(driven.sum(), rel=0.005)
    assert found.kinds == pytest.approx(driven, rel=0, abs=0.005 * driven.sum())


@pytest.mark.parametrize("name", PANELS)
def test_the_profiles_own_figures(name, moves_of):
    driven, _ = drive(moves_of(name), load_machine(name))
    found = planned(moves_of(name), load_machine(name))
    assert found.moving + found.starving == pytest.approx(driven.sum(), rel=0.005)


# Lines a second, and queue. Of two lines, one that is late leaves the controller half of what it would see.
# That the machine then drives slower by itself is left out, so two are checked where waiting is all.
SLOW = [(60.0, 2), (60.0, 4), (60.0, 16), (120.0, 4), (120.0, 16), (200.0, 4), (200.0, 16)]


@pytest.mark.parametrize(("name", "case"), paired(PANELS, SLOW))
def test_lines_that_come_late_cost_as_much_as_they_cost_one_driven_step_by_step(name, case, moves_of):
    """Within 0.5 % in all; one that sees lines run out slows down, where the planned one stands and waits."""
    rate, queue = case
    machine = replace(load_machine(name), queue=queue, blocks_per_second=rate)
    driven, _ = drive(moves_of(name), machine)
    found = planned(moves_of(name), machine)
    assert found.moving + found.starving == pytest.approx(driven.sum(), rel=0.005)
    if rate == 60.0:
        assert found.starving > 0.1 * found.moving


def test_the_slow_machine_keeps_to_a_trapezoid():
    """1.1 s over 100 mm at 100 mm/s and 1000 mm/s² (standard kinematics): it is no copy of the planner."""
    driven, waited = drive(polyline([[0, 0], [100, 0]], 100.0), plain_machine(acceleration=1000.0))
    assert driven.sum() == pytest.approx(1.1, rel=1e-3) and waited == 0
