"""Gaps, overlap, spacings, strokes and flow, from written programs."""

import json
from dataclasses import replace

import numpy as np
import pytest
import shapely

from pathgen import Job, PathgenError, make
from pathgen.files.quantities import flatten
from pathgen.gcode.read import read_program
from pathgen.motion import limit_feed, plan_speeds
from pathgen.panel import Bend
from pathgen.proof.footprint import extract_beads, joint_shapes, run_shapes
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import measure_coverage, pool_layers, sample_layers
from pathgen.proof.trace import count_strokes, measure_melt_rate, measure_spacing
from tests.layers.test_tailored import smooth_wall
from tests.reference.test_footprint import AMOUNTS, frame_of, strokes_of


def written(wall, folder, **job):
    out = folder / "panel.gcode"
    result = make(wall, out, Job(machine="moving-gantry", brim=0.0, rim_width=0.0, **job))
    machine = result.planned.setup.machine
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    amounts = {
        "packing": result.planned.setup.beads.packing,
        "filament_diameter": machine.hot_end.filament_diameter,
    }
    return result, program, Frame.of(program), amounts


def judge(result, program, frame, amounts, layers=3, **more):
    numbers = sample_layers(layers, len(result.planned.layers))
    sections = [result.planned.layers.profiles(i, i + 1).thickness[0] for i in numbers]
    return pool_layers(measure_coverage(program, frame, sections, numbers, **amounts, **more))


def test_a_straight_wall_has_neither_gaps_nor_overlap(tmp_path):
    made = written(np.full((20, 300), 1.5), tmp_path)
    row = judge(*made, between=(2.0, 28.0))
    assert row.void_share < 0.01 and row.overlap_share < 0.01 and row.outside_share < 0.01
    assert row.filled_share == pytest.approx(1.0, abs=1e-3)


def test_visible_width_overlaps_by_its_round_flanks(tmp_path):
    made = written(np.full((20, 300), 1.68), tmp_path)
    row = judge(*made, between=(2.0, 28.0), width="visible")
    # Three seams between four beads of 0.42 mm, and half of the flanks outside, h(1 − π/4) = 0.02146 mm each.
    assert row.overlap_share == pytest.approx(3 * 0.1 * (1 - np.pi / 4) / 1.68, rel=0.05)


@pytest.mark.parametrize("seed", range(2))
def test_tailored_puts_less_in_the_wrong_place_than_uniform_beads(seed, tmp_path):
    wall = np.tile(smooth_wall(seed, layers=1, columns=400), (4, 1))
    wrong = {}
    for fill in ("tailored", "contour", "raster"):
        row = judge(*written(wall, tmp_path, fill=fill, direction="along"), joints="fitted")
        wrong[fill] = row.void_share + row.overlap_share + row.outside_share
    assert wrong["tailored"] < min(wrong["contour"], wrong["raster"])


def serpentine(lines, width, spacing, axis=0):
    """A wall of one stroke there and back: lines of one width, a spacing apart, along u or across it."""
    rows = [
        (end, spacing * (line + 0.5)) for line in range(lines) for end in (0.2, 9.8)[:: 1 - 2 * (line % 2)]
    ]
    points = np.array(rows)[:, ::-1] if axis else np.array(rows)
    return strokes_of((points, width))


@pytest.mark.parametrize("axis", [0, 1])
def test_a_serpentine_that_just_fills_overlaps_nowhere_not_even_at_its_turns(axis):
    frame, shape = frame_of(10.0), shapely.box(0, 0, *((10, 1.6) if axis == 0 else (1.6, 10)))
    (found,) = measure_coverage(serpentine(4, 0.4, 0.4, axis), frame, [shape], [0], **AMOUNTS)
    assert found.overlap < 1e-6 and found.void < 0.01 and found.outside < 1e-6


@pytest.mark.parametrize("axis", [0, 1])
def test_a_serpentine_beside_itself_overlaps(axis):
    """Lines of 0.4 mm width, 0.3 mm apart: three seams of 0.1 mm, 9.6 mm long, less a joint of one width."""
    frame, shape = frame_of(10.0), shapely.box(0, 0, *((10, 1.2) if axis == 0 else (1.2, 10)))
    moves = serpentine(4, 0.4, 0.3, axis)
    (found,) = measure_coverage(moves, frame, [shape], [0], **AMOUNTS)
    assert found.overlap == pytest.approx(3 * 0.1 * (9.6 - 0.4) / 12, rel=0.02)
    assert count_strokes(moves, frame).hairpins.tolist() == [3]


def test_a_closed_loop_has_no_overlap_at_its_seam_and_no_loose_end():
    moves, frame = strokes_of(([(1, 1), (9, 1), (9, 3), (1, 3), (1, 1)], 0.4)), frame_of(10.0)
    beads = extract_beads(moves, frame, **AMOUNTS)
    shapes = run_shapes(beads, beads.spacing)
    joints = joint_shapes(beads, beads.spacing, shapes)
    whole = shapely.box(0, 0, 10, 4)
    (found,) = measure_coverage(moves, frame, [whole], [0], **AMOUNTS)
    assert len(shapes) == 2 and len(joints) == 2 and found.overlap < 1e-9
    assert count_strokes(moves, frame).loose_ends.tolist() == [0]


def test_a_layer_alone_is_judged_as_among_others(tmp_path):
    result, program, frame, amounts = written(smooth_wall(3, layers=12), tmp_path)
    sections = [result.planned.layers.profiles(i, i + 1).thickness[0] for i in (2, 5)]
    both = measure_coverage(program, frame, sections, [2, 5], **amounts)
    assert measure_coverage(program, frame, sections[1:], [5], **amounts) == both[1:]
    assert measure_coverage(program.moves, frame, sections, [2, 5], **amounts) == both


def test_no_beads_and_no_section():
    frame, none = frame_of(10.0), strokes_of()
    bare, empty = measure_coverage(none, frame, [np.ones(100), np.zeros(100)], [0, 0], **AMOUNTS)
    assert (bare.void, bare.overlap, bare.outside, bare.filled) == (1.0, 0.0, 0.0, 0.0)
    assert np.isnan(empty.void)
    assert pool_layers([]).void_share is None and pool_layers([bare, empty]).void_share == 1.0
    assert not count_strokes(none, frame).strokes.any()
    assert measure_spacing(none, frame, **AMOUNTS).normal.median is None


def test_rows_are_plain_json(tmp_path):
    result, program, frame, amounts = written(np.full((12, 60), 1.26), tmp_path)
    found = measure_coverage(program, frame, [np.full(60, 1.26)], [3], **amounts)
    for row in (flatten(pool_layers(found)), flatten(count_strokes(program, frame).per_layer)):
        assert json.loads(json.dumps(row, allow_nan=False)) == row


def test_spacings_are_those_of_the_fill(tmp_path):
    result, program, frame, amounts = written(np.full((12, 300), 1.5), tmp_path)
    found = measure_spacing(program, frame, **amounts, limits=(0.28, 0.62))
    row = flatten(found)
    assert row["column_spacing_median_mm"] == pytest.approx(1.5 / 4, rel=0.01)
    assert row["bead_width_median_mm"] == pytest.approx(1.5 / 4, rel=0.01)
    assert found.normal.beyond_share < 0.03  # only the strokes' ends take more


def test_strokes_and_loose_ends_are_counted(tmp_path):
    result, program, frame, _ = written(np.full((12, 300), 1.26), tmp_path)
    found = count_strokes(program, frame, picture=(3.0, 27.0))
    layers = len(result.planned.layers)
    assert (found.strokes == 1).all() and len(found.strokes) == layers
    assert (found.hairpins == 2).all() and not found.loose_ends.any()
    assert np.nanmin(found.shortest) > 80


def test_flow_is_volume_over_time(tmp_path):
    result, program, _, amounts = written(np.full((12, 300), 1.26), tmp_path)
    machine = result.planned.setup.machine
    moves = program.moves
    feed = limit_feed(moves.only(moves.feed > 0), machine)
    moves = moves.only(moves.feed > 0)
    plan = plan_speeds(moves, machine, feed)
    found = measure_melt_rate(moves, plan, amounts["filament_diameter"])
    area = np.pi * amounts["filament_diameter"] ** 2 / 4
    rows = found.deposit
    assert (found.mean[rows] * plan.time[rows]).sum() == pytest.approx(moves.filament[rows].sum() * area)
    assert found.by_time.median == pytest.approx(0.99 * 0.42 * 0.1 * 20, rel=0.02)
    with pytest.raises(PathgenError, match="the speed plan has"):
        measure_melt_rate(moves.only(rows), plan, 1.75)


def test_a_sample_is_even_and_inside():
    assert sample_layers(3, 90) == [15, 45, 74]  # between the first and the last
    assert sample_layers(5, 3) == [0, 1, 2]


def test_refusals(tmp_path):
    result, program, frame, amounts = written(np.full((12, 60), 1.26), tmp_path)
    with pytest.raises(PathgenError, match="layer 99"):
        measure_coverage(program, frame, [np.ones(60)], [99], **amounts)
    with pytest.raises(PathgenError, match="width is 'wide'"):
        measure_coverage(program, frame, [np.ones(60)], [1], **amounts, width="wide")
    with pytest.raises(PathgenError, match="joints is 'square'"):
        measure_coverage(program, frame, [np.ones(60)], [1], **amounts, joints="square")
    with pytest.raises(PathgenError, match="bent by 90"):
        measure_coverage(program, replace(frame, bend=Bend(frame.width, 90.0)), [np.ones(60)], [1], **amounts)
    with pytest.raises(PathgenError, match="the section has shape"):
        measure_coverage(program, frame, [np.ones(3)], [1], **amounts)
