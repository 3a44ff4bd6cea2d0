"""Pace: the feed that keeps the flow steady."""

import numpy as np
import pytest

from pathgen import Job, make
from pathgen.motion import Kind
from pathgen.motion.pace import FASTEST, SLOWEST, STEP, fastest_feed, pace_factor
from tests.test_job import read_back, wanted, waves


def test_flow_is_steady_within_half_a_step():
    pitch = np.linspace(0.30, 0.62, 200)
    factor = pace_factor(pitch * 2.0, np.full(200, 2.0), 0.42)
    assert np.abs(np.log(factor * pitch / 0.42)).max() <= np.log(STEP) / 2 + 1e-12


def test_bounds_and_dry_moves():
    factor = pace_factor(np.array([9.0, 1e-6, 0.0, 1.0]), np.array([1.0, 1.0, 1.0, 0.0]), 0.42)
    assert factor[0] >= SLOWEST and factor[1] <= FASTEST
    assert factor[2] == factor[3] == 1.0
    assert pace_factor(np.zeros(0), np.zeros(0), 0.42).size == 0


def test_fastest_feed_bounds_every_move():
    job = Job(pace="steady-flow", feed=20.0)
    factor = pace_factor(np.geomspace(1e-3, 10, 500), np.ones(500), 0.42)
    assert factor.max() * 20.0 <= fastest_feed(job) + 1e-9


@pytest.mark.parametrize("pace", ["steady-feed", "steady-flow"])
def test_the_deposit_does_not_depend_on_the_pace(pace, tmp_path):
    from pathgen.proof.replay import thickness_error

    result = make(waves(2, 60, 200), tmp_path / "a.gcode", Job(pace=pace, brim=0.0))
    program, laid = read_back(result, tmp_path / "a.gcode")
    assert thickness_error(laid, wanted(result.planned), ends=1.0)["rms"] < 0.01
    moves = program.moves
    steps = np.hypot(np.diff(moves.x, prepend=0), np.diff(moves.y, prepend=0))
    wall = (moves.kind == Kind.WALL) & (moves.layer > 0) & (steps > 0)
    flow = moves.filament[wall] / steps[wall] * moves.feed[wall]
    spread = np.percentile(flow, 90) / np.percentile(flow, 10)
    if pace == "steady-flow":
        # Rounding of a move's filament to 1e-5 mm comes on top of half a step of feed.
        inside = np.abs(np.log(flow / np.median(flow)))
        assert np.percentile(inside, 80) < np.log(STEP)
    else:
        assert spread > 1.3
