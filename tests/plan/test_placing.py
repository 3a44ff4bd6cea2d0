"""What keeps a panel standing: wedges, the chamfered top rim, the axis by its score, the sway."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import LineString, box

from pathgen import Job, PathgenError, compare, make, plan_panel, replay
from pathgen.gcode.read import read_program
from pathgen.motion import Kind
from pathgen.plan.placing import Room
from pathgen.proof.deposit_map import deposit, thickness_error
from pathgen.proof.frame import Frame
from pathgen.route.arrange import arrange_rows
from pathgen.route.placement import Footprint, usable_area
from pathgen.settings import load_machine

WALL = np.full((300, 600), 1.6)


def written(tmp_path, **job):
    out = tmp_path / "panel.gcode"
    result = make(WALL, out, Job(**({"brim": 5.0} | job)))
    machine = result.planned.setup.machine
    return result, read_program(out, machine.dialect, machine.hot_end.filament_diameter)


@pytest.mark.parametrize("machine", ["moving-table", "ngc-lab"])
def test_wedges_stand_clear_of_the_face_and_leave_the_deposit_alone(machine, tmp_path):
    result, program = written(tmp_path, wedges=2, wedge_base=8.0, machine=machine)
    moves, place = program.moves, result.planned.placement
    wedge = np.flatnonzero(moves.kind == Kind.WEDGE)
    assert len(wedge) > 500
    u, n = place.to_panel(moves.x, moves.y)
    width, rim = result.planned.panel.width, 3.0
    inside = (u[wedge] > rim) & (u[wedge] < width - rim)
    above_foot = moves.layer[wedge] > 0
    assert not (inside & above_foot).any(), "a wedge stands within the picture's columns"
    # Every strip above the foot, grown by half a spacing, stays clear of the picture's own box.
    face = box(rim, 0, width - rim, 4.0)
    for i in wedge[above_foot][::37]:
        strip = LineString([(u[i - 1], n[i - 1]), (u[i], n[i])]).buffer(0.21)
        assert strip.distance(face) > 0 or moves.kind[i - 1] != Kind.WEDGE
    diameter = result.planned.setup.machine.hot_end.filament_diameter
    laid = deposit(program, Frame.of(program), packing=0.99, filament_diameter=diameter)
    wanted = result.planned.layers.profiles(0, len(result.planned.layers)).thickness[::-1]
    assert thickness_error(laid, wanted, ends=1.0)["rms"] < 0.01
    # Sway is computed for a panel held up to the top of its wedges.
    assert moves.z[wedge].max() == pytest.approx(result.planned.steady.conditions.support, abs=0.2)
    assert result.summary.standing.supports_share < 0.15
    assert result.summary.standing.support_contacts > 0
    volume = result.planned.setup.machine.volume
    for values, (low, high) in ((moves.x, volume.x), (moves.y, volume.y), (moves.z, volume.z)):
        assert values.min() >= low and values.max() <= high


def test_wedges_hold_the_panel_up_to_their_top(tmp_path):
    free, held = (plan_panel(WALL, Job(wedges=w, brim=5.0)) for w in (0, 2))
    assert held.steady.sway[-1] < free.steady.sway[-1] / 3


def test_the_axis_follows_the_score_and_says_its_figures():
    bench, gantry = (plan_panel(WALL, Job(machine=m, brim=5.0)) for m in ("moving-table", "moving-gantry"))
    assert bench.placement.rotation == 90 and "sway" in bench.placement.reason
    assert gantry.placement.rotation == 0
    forced = plan_panel(WALL, Job(axis="x", brim=5.0))
    assert forced.placement.rotation == 0
    assert forced.steady.sway[-1] > bench.steady.sway[-1]


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
def test_the_top_rim_leans_out_no_faster_than_asked(angle):
    panel = plan_panel(WALL, Job(overhang=angle, brim=0.0)).panel
    column = panel.thickness[::-1, 100]  # upward
    assert np.diff(column).max() <= 0.1 * np.tan(np.radians(angle)) + 1e-9 or column[0] == 4.0
    top = panel.thickness[: panel.rim, 100]
    assert top[0] == pytest.approx(min(4.0, 1.6 + 3.0 * np.tan(np.radians(angle))))


def test_slope_limits_the_face_and_says_what_it_costs():
    steep = np.full((200, 300), 0.8)
    steep[:100] = 3.0
    planned = plan_panel(steep, Job(slope="minimum", brim=0.0))
    rise = np.diff(planned.panel.thickness[planned.panel.picture][::-1], axis=0)
    assert rise.max() <= 0.1 + 1e-9
    assert any(note.startswith("slope limited") for note in planned.notes)


def test_refusals():
    with pytest.raises(PathgenError, match="wedges is 2, but bend is"):
        plan_panel(WALL, Job(wedges=2, bend=90.0))
    with pytest.raises(PathgenError, match="rim"):
        plan_panel(WALL, Job(wedges=2, rim_width=0.0))


@pytest.mark.parametrize(
    "job",
    [{"outline": "disc"}, {"outline": "disc", "turn": 90, "eyelets": 1}, {"outline": "arch", "turn": 90}],
)
def test_every_layer_of_a_disc_is_carried_and_its_comb_is_light(job):
    """100 mm, 0.1 mm layers. A layer's columns lie over the layer below, or over fins that end a layer under
    them, both grown sideways by what 45 degrees allow: looked at layer by layer with plain arrays."""
    planned = plan_panel(np.full((1000, 1000), 1.9), Job(brim=6.0, width=100.0, **job))
    layers, supports, pixel = planned.layers, planned.supports, planned.panel.pixel
    assert 0 < supports.share < 0.15
    wall = layers.profiles(0, len(layers)).thickness > 0
    fins = np.zeros_like(wall)
    made = np.flatnonzero(supports.comb.area > 0)
    layer = np.repeat(supports.comb.layer, np.diff(supports.comb.start))[made]
    ends = np.sort(np.stack([supports.comb.u[made - 1], supports.comb.u[made]]), axis=0) / pixel
    for number, low, high in zip(layer, ends[0] - 2.1, ends[1] + 2.1, strict=True):
        fins[number, max(0, round(low)) : round(high)] = True
    foot = np.flatnonzero(wall[0])
    fins[0, max(0, foot[0] - 60) : foot[-1] + 61] = True  # the brim of 6 mm
    hanging, bead = 0.0, 0.42
    for number in range(1, len(layers)):
        under = wall[number - 1] | fins[number - 1] | (fins[number - 2] if number > 1 else False)
        # Reach of one layer (two over a gap), and a bead's width that common practice forgives.
        steps = round((2 * 0.1 + bead) / pixel)
        reach = np.convolve(under, np.ones(2 * steps + 1), "same") > 0
        hanging = max(hanging, float(np.count_nonzero(wall[number] & ~reach)) * pixel)
    assert hanging == 0.0
    assert not planned.overhang.outline[planned.overhang.unsupported].any()
    without = plan_panel(np.full((1000, 1000), 1.9), Job(brim=6.0, width=100.0, comb="none", **job))
    assert without.overhang.outline[without.overhang.unsupported].any()


@pytest.mark.parametrize("machine", ["moving-table", "moving-gantry"])
def test_auto_wedges_make_it_steady_and_no_higher_than_needed(machine):
    tall = np.full((1950, 400), 0.9)
    asked = Job(machine=machine, brim=5.0, rim_thickness=1.2, thickest=1.1, wedges="auto", axis="x")
    planned = plan_panel(tall, asked)
    limit = 0.25 * planned.setup.beads.spacing
    assert planned.setup.standing.wedges == 2 and planned.steady.sway[-1] <= limit * 1.001
    height = planned.setup.standing.wedge_height
    keys = {"machine": machine, "brim": 5.0, "rim_thickness": 1.2, "thickest": 1.1, "axis": "x"}
    lower = plan_panel(tall, Job(**keys, wedges=2, wedge_height=height - 3.0))
    assert lower.steady.sway[-1] > limit
    low = plan_panel(WALL, Job(wedges="auto", brim=5.0))
    assert (
        low.setup.standing.wedges == 0 and "no wedges added: the panel is steady without wedges" in low.notes
    )


def test_wedges_stand_where_they_are_told():
    planned = plan_panel(WALL, Job(rim_width=0.0, wedge_at=(10.0, 50.0), wedge_height=20.0, brim=5.0))
    strips = planned.supports.strips
    assert {round(float(u)) for u in np.unique(strips.u[strips.u > 0].round())} <= {
        9,
        10,
        11,
        49,
        50,
        51,
        8,
        12,
        48,
        52,
    }
    with pytest.raises(PathgenError, match="wedges need a rim, but the panel has none"):
        plan_panel(WALL, Job(rim_width=0.0, wedges=2))


def test_the_turn_is_chosen_by_its_figures():
    """Relief that hangs over when upright is turned the other way up."""
    steep = np.full((300, 600), 0.8)
    for row in range(20, 280, 40):
        steep[row : row + 20] = np.linspace(3.0, 0.8, 20)[:, None]  # thick above, falling downward at a slope
        steep[row + 19] = 0.8
    saw = steep[::-1].copy()  # sheer steps that lean out, one above the other
    up, down = (plan_panel(wall, Job(turn="auto", brim=3.0)) for wall in (saw, saw[::-1].copy()))
    leaning = [p.overhang.unsupported.mean() for p in (up, down)]
    assert {up.setup.standing.turn, down.setup.standing.turn} == {0, 180}
    assert leaning[0] == pytest.approx(leaning[1], abs=0.005)
    assert any(note.startswith(f"turn {up.setup.standing.turn}; 0°: ") for note in up.notes)


def test_a_bent_panel_that_fits_along_no_axis_is_placed_at_an_angle(tmp_path):
    wide = np.full((100, 2850), 1.5)
    wide[:, :600] = 2.5
    out = tmp_path / "wide.gcode"
    result = make(wide, out, Job(bend=60.0, brim=3.0, rim_width=2.0))
    rotation = result.planned.placement.rotation
    assert rotation not in (0, 90)
    found = replay(out)
    assert found.panel.frame.rotation == rotation
    assert compare(found, result.planned.panel.thickness, ends=1.0).thickness_rms_mm < 0.012
    volume, margin = result.planned.setup.machine.volume, result.planned.setup.machine.margin
    assert volume.x[0] + margin - 0.01 <= result.summary.deposit.x_min
    assert result.summary.deposit.y_max <= volume.y[1] - margin + 0.01
    with pytest.raises(PathgenError, match="does not fit"):
        plan_panel(wide, Job(bend=60.0, brim=3.0, axis="y"))
    with pytest.raises(PathgenError, match="does not fit"):
        plan_panel(np.full((100, 2850), 1.5), Job(brim=3.0))


def test_travels_go_round_standing_walls(tmp_path):
    """No travel of a panel with wedges front and back crosses the wall, but to and from its own strokes."""
    result, program = written(tmp_path, wedges=4, rim_width=6.0, wedge_base=8.0)
    moves, place = program.moves, result.planned.placement
    u, n = place.to_panel(moves.x, moves.y)
    width, thickest = result.planned.panel.width, float(result.planned.panel.thickness.max())
    face = box(0.0, 0.0, width, thickest).buffer(-0.06)
    travel = np.flatnonzero((moves.kind == Kind.TRAVEL) & (moves.layer > 0))
    around = 0
    for i in travel.tolist():
        way = LineString([(u[i - 1], n[i - 1]), (u[i], n[i])])
        crossed = way.intersection(face).length
        sides = (n[i - 1] < 0.0, n[i] < 0.0, n[i - 1] > thickest, n[i] > thickest)
        if (sides[0] and sides[3]) or (sides[1] and sides[2]):
            assert crossed == 0.0
        around += crossed == 0.0
    assert around > 100


def test_supports_have_their_own_feed(tmp_path):
    result, program = written(tmp_path, wedges=2, support_feed=31.0)
    moves = program.moves
    above = moves.layer > 0
    assert set(moves.feed[(moves.kind == Kind.WEDGE) & above & (moves.filament > 0)]) == {31.0}
    assert 31.0 not in moves.feed[np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN, Kind.BRIM))]
    assert result.summary.dry_time_s > 0
    with pytest.raises(PathgenError, match="support_feed"):
        plan_panel(WALL, Job(support_feed=900.0))


@pytest.mark.parametrize("turn", [0, 90, 270])
@pytest.mark.parametrize("relief", ["toward", "away"])
def test_the_opening_of_a_loop_needs_no_support_whichever_way_it_stands(turn, relief):
    job = Job(outline="disc", width=60.0, eyelets=1, eyelet_opening=5.0, turn=turn, relief=relief, brim=4.0)
    planned = plan_panel(np.full((600, 600), 1.9), job)
    assert not planned.overhang.outline[planned.overhang.unsupported].any()


def test_no_panels_that_can_be_packed_are_taken_for_too_many():
    """However full the platform: rows that fill it to the last hair are within its area."""
    machine = load_machine("moving-table")
    setup = SimpleNamespace(machine=machine)
    (low_x, high_x), (low_y, high_y) = usable_area(machine)
    sides, dice, packed, gap = (high_x - low_x, high_y - low_y), np.random.default_rng(4), 0, 5.0
    whole = [(side - 9 * gap) / 10 for side in sides]  # ten by ten of these leave nothing over
    for cells in [[whole] * 100, *(dice.uniform(4, 60, (dice.integers(2, 60), 2)) for _ in range(300))]:
        boxes = [Footprint((0.0, wide), (-1.0, deep - 1.0), 9.0) for wide, deep in cells]
        if arrange_rows(boxes, sides, (gap, gap)) is None:
            continue
        packed += 1
        room = Room(len(boxes), gap, False)
        for count in range(1, len(boxes) + 1):
            room.take([SimpleNamespace(footprint=box, setup=setup) for box in boxes[:count]], 1)
    assert packed > 50
