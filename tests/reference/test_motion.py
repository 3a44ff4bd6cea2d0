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
    # The first move runs along x alone: its 1000 mm/s² is the smaller acceleration, so the junction's.
    machine = plain_machine(acceleration=1000.0)
    plan = plan_speeds(polyline(points, 400.0), machine)
    assert plan.exit[0] == pytest.approx(JUNCTIONS[angle], rel=1e-6)


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


@pytest.mark.parametrize(("back", "speed"), [([100, 0], 80.0), ([0, 0], 0.0)])
def test_junction_deviation_at_its_ends(back, speed):
    """Straight on (180°) only the feed limits; straight back (0°) the head stops (same formula)."""
    plan = plan_speeds(polyline([[0, 0], [50, 0], back], 80.0), plain_machine())
    assert plan.exit[0] == pytest.approx(speed, abs=1e-12)


# The move after one along +x, and the speed v whose jump is 8 mm/s on the worst axis (by hand).
STEPS = [
    ([0, 1], 8.0),  # 90°: x loses v, y gains v
    ([-1, 0], 4.0),  # back: x changes by 2v
    ([0.6, 0.8], 10.0),  # y gains 0.8v, x loses 0.4v
    ([0.8, 0.6], 8 / 0.6),
    ([1, 0], 80.0),  # straight on: the feed
]


@pytest.mark.parametrize(("direction", "speed"), STEPS)
def test_step_change(direction, speed):
    points = [[-50, 0], [0, 0], [50 * direction[0], 50 * direction[1]]]
    plan = plan_speeds(polyline(points, 80.0), plain_machine(rule="step", step=8.0))
    assert (plan.exit[0], plan.entry[1]) == pytest.approx((speed, speed), rel=1e-12)


def test_step_change_of_the_filament():
    """Straight on at 80 mm/s, 0.2 mm of filament a mm and then none: 5 mm/s of jump is met at 25 mm/s."""
    machine = plain_machine(rule="step", step=8.0)
    filament = msgspec.structs.replace(machine.axes.filament, step_change=5.0)
    machine = msgspec.structs.replace(machine, axes=msgspec.structs.replace(machine.axes, filament=filament))
    plan = plan_speeds(polyline([[0, 0], [50, 0], [100, 0]], 80.0, [10.0, 0.0]), machine)
    assert plan.exit[0] == pytest.approx(25.0)
