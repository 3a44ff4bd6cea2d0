"""Motion against published formulas and worked values."""

import msgspec
import numpy as np
import pytest

from pathgen.motion import plan_speeds
from tests.motion.conftest import plain_machine, polyline

# Junction deviation, v² = a·d·s/(1 − s), s = sin(θ/2), θ the interior angle: S. Jeon, cornering algorithm,
# 2011; values for a = 1000 mm/s², d = 0.01 mm.
JUNCTIONS = {60: 3.16228, 90: 4.91346, 120: 8.03996, 135: 11.01684, 150: 16.83679}

# Length, feed, acceleration, entry, exit: seconds. Standard kinematics of the trapezoidal profile.
TRAPEZOIDS = [
    (100, 100, 1000, 0, 0, 1.1),
    (10, 100, 1000, 0, 0, 0.2),
    (5, 100, 1000, 0, 0, 0.1414214),
    (1, 60, 500, 0, 0, 0.0894427),
    (20, 60, 1000, 5, 10, 0.379375),
    (2, 60, 1000, 5, 10, 0.0758295),
]


@pytest.mark.parametrize("angle", JUNCTIONS)
def test_junction_deviation(angle):
    turn = np.radians(180 - angle)
    points = [[-100, 0], [0, 0], [100 * np.cos(turn), 100 * np.sin(turn)]]
    # Axis limits scale with direction; a machine far stronger along y than along x would hide nothing, so both
    # moves are given the acceleration of the source by making the axes alike and dividing its scale out.
    machine = plain_machine(acceleration=1000.0)
    plan = plan_speeds(polyline(points, 400.0), machine)
    share = max(abs(np.cos(turn)), abs(np.sin(turn)))
    usable = min(1000.0, 1000.0 / share)
    assert plan.exit[0] * np.sqrt(1000.0 / usable) == pytest.approx(JUNCTIONS[angle], abs=1e-5)


@pytest.mark.parametrize(("length", "feed", "acceleration", "entry", "leave", "seconds"), TRAPEZOIDS)
def test_trapezoid(length, feed, acceleration, entry, leave, seconds):
    """The middle one of three moves; its neighbours' feeds set its entry and exit speeds."""
    machine = plain_machine(acceleration=acceleration)
    points = np.cumsum([[0, 0], [50, 0], [length, 0], [50, 0]], axis=0)
    feeds = [entry or 1, feed, leave or 1]
    if entry:
        plan = plan_speeds(polyline(points, feeds), machine)
        assert (plan.entry[1], plan.exit[1]) == pytest.approx((entry, leave))
        assert plan.time[1] == pytest.approx(seconds, abs=1e-6)
    else:  # alone, from rest to rest
        plan = plan_speeds(polyline(points[1:3], feed), machine)
        assert plan.time[0] == pytest.approx(seconds, abs=1e-6)


def test_junction_deviation_grows_to_no_limit_on_a_straight_line():
    machine = msgspec.structs.replace(plain_machine())
    plan = plan_speeds(polyline([[0, 0], [50, 0], [100, 0]], 80.0), machine)
    assert plan.exit[0] == pytest.approx(80.0)
