"""Gaps, overlap, pitches, strokes and flow, from written programs."""

import numpy as np
import pytest

from pathgen import Job, PathgenError, make
from pathgen.gcode.read import read_program
from pathgen.motion import limit_feed, plan_speeds
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import in_plane, pooled, sample_layers
from pathgen.proof.trace import counts, melt_rate, pitch_distribution
from tests.layers.test_tailored import smooth_wall


def written(wall, folder, **job):
    out = folder / "panel.gcode"
    result = make(wall, out, Job(machine="gantry-300", brim=0.0, rim_width=0.0, **job))
    machine = result.planned.setup.machine
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    amounts = {
        "solidity": result.planned.setup.job.solidity,
        "filament_diameter": machine.hot_end.filament_diameter,
    }
    return result, program, Frame.of(program), amounts


def judge(result, program, frame, amounts, layers=3, **more):
    numbers = sample_layers(layers, len(result.planned.layers))
    sections = [result.planned.layers.profiles(i, i + 1).thickness[0] for i in numbers]
    return pooled(in_plane(program, frame, sections, numbers, **amounts, **more))


def test_a_straight_wall_has_neither_gaps_nor_overlap(tmp_path):
    made = written(np.full((20, 300), 1.5), tmp_path)
    row = judge(*made, between=(2.0, 28.0))
    assert row["void_share"] < 0.01 and row["overlap_share"] < 0.01 and row["outside_share"] < 0.01
    assert row["filled_share"] == pytest.approx(1.0, abs=1e-3)


def test_visible_width_overlaps_by_its_round_flanks(tmp_path):
    made = written(np.full((20, 300), 1.68), tmp_path)
    row = judge(*made, between=(2.0, 28.0), width="visible")
    # Three seams between four beads of 0.42 mm, and half of the flanks outside, h(1 − π/4) = 0.02146 mm each.
    assert row["overlap_share"] == pytest.approx(3 * 0.1 * (1 - np.pi / 4) / 1.68, rel=0.05)


@pytest.mark.parametrize("seed", range(2))
def test_tailored_leaves_fewer_faults_than_uniform_offsets(seed, tmp_path):
    wall = np.tile(smooth_wall(seed, layers=1, columns=600), (6, 1))
    shares = {}
    for fill in ("tailored", "contour"):
        row = judge(*written(wall, tmp_path, fill=fill))
        shares[fill] = row["void_share"] + row["overlap_share"]
    assert shares["tailored"] < shares["contour"]


def test_pitches_are_those_of_the_fill(tmp_path):
    result, program, frame, amounts = written(np.full((12, 300), 1.5), tmp_path)
    found = pitch_distribution(program, frame, **amounts, limits=(0.28, 0.62))
    row = found.as_dict()
    assert row["column_pitch_median_mm"] == pytest.approx(1.5 / 4, rel=0.01)
    assert row["normal_pitch_median_mm"] == pytest.approx(1.5 / 4, rel=0.01)
    assert found.normal.beyond < 0.03  # only the strokes' ends take more


def test_strokes_and_loose_ends_are_counted(tmp_path):
    result, program, frame, _ = written(np.full((12, 300), 1.26), tmp_path)
    found = counts(program, frame, picture=(3.0, 27.0))
    layers = len(result.planned.layers)
    assert (found.strokes == 1).all() and len(found.strokes) == layers
    assert (found.turns == 2).all() and not found.loose_ends.any()
    assert found.as_dict()["shortest_stroke_mm"] > 80


def test_flow_is_volume_over_time(tmp_path):
    result, program, _, amounts = written(np.full((12, 300), 1.26), tmp_path)
    machine = result.planned.setup.machine
    moves = program.moves
    feed = limit_feed(moves.only(moves.feed > 0), machine)
    moves = moves.only(moves.feed > 0)
    plan = plan_speeds(moves, machine, feed)
    found = melt_rate(moves, plan, amounts["filament_diameter"])
    area = np.pi * amounts["filament_diameter"] ** 2 / 4
    rows = found.deposit
    assert (found.mean[rows] * plan.time[rows]).sum() == pytest.approx(moves.filament[rows].sum() * area)
    assert found.by_time.quantiles[2] == pytest.approx(0.99 * 0.42 * 0.1 * 20, rel=0.02)
    with pytest.raises(PathgenError, match="a plan of"):
        melt_rate(moves.only(rows), plan, 1.75)


def test_a_sample_is_even_and_inside():
    assert sample_layers(3, 90) == [15, 45, 74]  # between the first and the last
    assert sample_layers(5, 3) == [0, 1, 2]


def test_refusals(tmp_path):
    result, program, frame, amounts = written(np.full((12, 60), 1.26), tmp_path)
    with pytest.raises(PathgenError, match="layer 99"):
        in_plane(program, frame, [np.ones(60)], [99], **amounts)
    with pytest.raises(PathgenError, match="width 'wide'"):
        in_plane(program, frame, [np.ones(60)], [1], **amounts, width="wide")
    with pytest.raises(PathgenError, match="section of shape"):
        in_plane(program, frame, [np.ones(3)], [1], **amounts)
