"""What moves add up to."""

import math

import numpy as np
import pytest

from pathgen.motion import Kind, Moves, Tally, limit_feed, mass, plan_speeds, sum_moves
from pathgen.settings import load_machine
from tests.motion.conftest import polyline

COLUMNS = ("time", "filament", "length", "count")


def mixed():
    """A travel of 5 mm, a wall of 10, a retraction of 4 and a lift of 2."""
    points = [[0, 0, 0], [3, 4, 0], [13, 4, 0], [13, 4, 0], [13, 4, 2]]
    moves = polyline(points, [100.0, 20.0, 40.0, 90.0], [0.0, 0.3, -4.0, 0.0])
    kinds = np.array([Kind.TRAVEL, Kind.WALL, Kind.RETRACT, Kind.LIFT], np.uint8)
    return Moves(moves.start, moves.x, moves.y, moves.z, moves.filament, moves.feed, kinds, moves.layer)


def sums_of(moves, machine):
    feed = limit_feed(moves, machine)
    return sum_moves(moves, plan_speeds(moves, machine, feed), feed)


def test_sums_by_kind():
    sums = sums_of(mixed(), load_machine("moving-table"))
    expected = {
        Kind.TRAVEL: (0.0, 5.0),
        Kind.WALL: (0.3, 10.0),
        Kind.RETRACT: (-4.0, 0.0),  # the head rests: no path
        Kind.LIFT: (0.0, 2.0),
    }
    for kind in Kind:
        filament, length = expected.get(kind, (0.0, 0.0))
        assert sums.filament[kind] == filament
        assert sums.length[kind] == length
        assert sums.count[kind] == (kind in expected)
        assert (sums.time[kind] > 0) == (kind in expected)
    assert sums.slowed == 1  # the lift: 90 mm/s wanted, the axis does 10


def test_a_feed_at_its_limit_is_not_slowed():
    """Scaling by direction may cost a last digit; that is not a slower move."""
    machine = load_machine("moving-table")
    angle = np.linspace(0.1, 0.7, 50)
    for a in angle:
        most = machine.axes.x.feed / math.cos(a)
        assert sums_of(polyline([[0, 0], [math.cos(a), math.sin(a)]], most), machine).slowed == 0


def test_blocks_add_up(walk):
    machine = load_machine("moving-gantry")
    moves = walk(2, layers=2)
    cut = int(np.flatnonzero(np.diff(moves.layer))[0]) + 1
    first = moves.only(np.arange(len(moves)) < cut)
    rest = moves.only(np.arange(len(moves)) >= cut)
    rest = Moves(first.end, *(getattr(rest, n) for n in ("x", "y", "z", "filament", "feed", "kind", "layer")))
    whole, parts = sums_of(moves, machine), sums_of(first, machine) + sums_of(rest, machine)
    for name in COLUMNS:
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), rel=1e-12)
    assert parts.slowed == whole.slowed
    assert whole.count.sum() == len(moves)


def test_nothing_adds_nothing(walk):
    machine = load_machine("moving-gantry")
    none, some = sums_of(polyline([[0, 0]], 1.0), machine), sums_of(walk(4), machine)
    for name in COLUMNS:
        assert not getattr(none, name).any()
        assert len(getattr(none, name)) == len(Kind)
        assert getattr(some + none + Tally(), name).tolist() == getattr(some, name).tolist()


def test_mass_of_a_metre():
    # PLA, 1240 kg/m³ (Front. Chem. 1:32, 2013, Table 2): in cm and g/cm³, π·0.175²/4 · 100 · 1.24 g.
    assert mass(1000.0, math.pi * 1.75**2 / 4, 1240.0) == pytest.approx(math.pi * 0.175**2 / 4 * 100 * 1.24)
