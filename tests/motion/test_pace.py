"""Pace: the feed that keeps the flow steady."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen import Job, make
from pathgen.job import plan_several
from pathgen.motion import Kind, concatenate, filament_area
from pathgen.motion.pace import FASTEST, SLOWEST, STEP, fastest_feed, pace_factor
from pathgen.program.sequence import blocks
from tests.test_job import read_back, wanted, waves

# Said to the reader in pace.py, so written out here and not taken from there.
HALF_STEP, LOWEST, HIGHEST = 0.025, 0.5, 1.5
NONE = st.just(0.0)


def walls(**job):
    """All moves of a small wavy panel before any rounding, and length, mm, of each one's path."""
    platform = plan_several([(waves(2, 60, 200), Job(brim=2.0, **job))])
    planned = platform.panels[0]
    moves = concatenate([block.moves for block in blocks(platform)])
    steps = [np.diff(v, prepend=v0) for v, v0 in zip((moves.x, moves.y, moves.z), moves.start, strict=True)]
    return planned, moves, np.sqrt(sum(step**2 for step in steps))


@given(
    st.lists(st.tuples(NONE | st.floats(1e-6, 10), NONE | st.floats(1e-6, 50)), max_size=30),
    st.floats(0.05, 2),
)
def test_factor_is_a_step_within_bounds_and_inside_them_steady(segments, nominal):
    spacing, length = np.array(segments).reshape(-1, 2).T
    area = spacing * length
    factor = pace_factor(area, length, nominal)
    assert ((factor >= LOWEST) & (factor <= HIGHEST)).all()
    steps = np.log(factor) / np.log(STEP)
    assert steps == pytest.approx(np.rint(steps), abs=1e-9)
    bead = (area > 0) & (length > 0)
    assert (factor[~bead] == 1).all()
    flow = factor[bead] * area[bead] / length[bead] / nominal
    inside = bead[bead] & (nominal * length[bead] > LOWEST * area[bead])
    inside &= nominal * length[bead] < HIGHEST * area[bead]
    assert (np.abs(flow[inside] - 1) <= HALF_STEP).all()


def test_steady_flow_of_walls_in_volume_a_second():
    """Flow against packing · spacing · layer height · feed; what the bounds hold back is left out."""
    planned, moves, path = walls(pace="steady-flow")
    job, layers = planned.setup.job, planned.layers
    wall = (moves.kind == Kind.WALL) & (path > 0)
    base = np.where(moves.layer == 0, job.first_feed, job.feed)[wall]
    flow = (moves.filament[wall] * filament_area(1.75) / path[wall]) * moves.feed[wall]
    nominal = job.packing * job.spacing * layers.height[moves.layer[wall]] * base
    factor = moves.feed[wall] / base
    assert ((factor >= LOWEST) & (factor <= HIGHEST)).all()
    asked = nominal / flow * factor
    inside = (asked > LOWEST) & (asked < HIGHEST)
    assert inside.mean() > 0.8  # most of the rest is steep: thin square to its path
    assert np.abs(flow / nominal - 1)[inside].max() <= HALF_STEP
    assert np.ptp(factor) > 0.5


def test_pace_changes_feeds_of_the_panel_alone():
    _, steady, _ = walls(wedges=2, wedge_height=4.0)
    _, paced, _ = walls(wedges=2, wedge_height=4.0, pace="steady-flow")
    for name in ("x", "y", "z", "filament", "kind", "layer"):
        assert np.array_equal(getattr(steady, name), getattr(paced, name)), name
    other = ~np.isin(steady.kind, (Kind.WALL, Kind.HAIRPIN))
    assert {Kind.BRIM, Kind.START, Kind.WEDGE} <= set(steady.kind[other])
    assert np.array_equal(steady.feed[other], paced.feed[other])


def test_by_default_feeds_are_the_jobs():
    planned, moves, _ = walls()
    job = planned.setup.job
    assert (job.pace, job.lead) == ("steady-feed", "off")
    made = np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN))
    assert np.array_equal(moves.feed[made], np.where(moves.layer[made] == 0, job.first_feed, job.feed))


def test_flow_is_steady_within_half_a_step():
    spacing = np.linspace(0.30, 0.62, 200)
    factor = pace_factor(spacing * 2.0, np.full(200, 2.0), 0.42)
    assert np.abs(np.log(factor * spacing / 0.42)).max() <= np.log(STEP) / 2 + 1e-12


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
    from pathgen.proof.deposit_map import thickness_error

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
