"""Ways round keep-out zones, read back from the written text and held against shapely's geometry."""

from io import BytesIO

import numpy as np
import pytest
import shapely
from msgspec.structs import replace

from pathgen import Job, PathgenError, load_machine, load_material, make
from pathgen.gcode.read import read_program
from pathgen.motion import Moves
from pathgen.plan.settle import Spot, plan_placed, plan_several
from pathgen.program.detour import Detour
from pathgen.program.writing import write
from pathgen.proof.checklist import check_program
from pathgen.settings.job import Band
from pathgen.settings.machine import KeepOut

GANTRY = load_machine("moving-gantry")
# The zones below are stated for a platform of 300 by 300 mm.
PLAIN = replace(GANTRY, volume=replace(GANTRY.volume, x=(0.0, 300.0), y=(0.0, 300.0)))
MATERIAL = load_material("pla-white")
WALL = np.linspace(1.0, 2.0, 25 * 40).reshape(25, 40)
SMALL = Job(pixel=0.5, layer=0.2, brim=3.0)
LOW = ((0.0, 250.0), (20.0, 40.0))  # between home and the panel, touching an edge
TALL = ((60.0, 70.0), (0.0, 295.0))
CORNER = ((0.0, 20.0), (280.0, 300.0))  # where the head rests at the end
BRACKET = (((0.0, 40.0), (250.0, 260.0)), ((40.0, 50.0), (250.0, 300.0)))  # closes that corner off


@pytest.fixture
def wall(tmp_path):
    np.save(tmp_path / "wall.npy", WALL)
    return tmp_path / "wall.npy"


def zoned(*zones, height=None):
    return replace(PLAIN, keep_out=tuple(KeepOut(x, y, "clip", height) for x, y in zones))


def written(wall, machine, job=SMALL):
    out = wall.with_suffix(".gcode")
    make(wall, out, job, machine, MATERIAL)
    return out.read_bytes()


def body(text):
    """Text without the header, which tells the profile's digest."""
    return text[text.index(b"G21") :]


def ways(text, machine):
    """Every move along x or y as a line, and the moves."""
    moves = read_program(text, machine.dialect, machine.hot_end.filament_diameter).moves
    x, y = (np.concatenate([[0.0], v]) for v in (moves.x, moves.y))
    points = np.column_stack([x, y])
    return shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1)), moves


def numbers(text, machine):
    return set(check_program(text, machine, MATERIAL).counts) & {304, 305}


@pytest.mark.parametrize("zones", [[LOW], [TALL], [CORNER], [LOW, CORNER], BRACKET])
def test_no_way_of_the_text_meets_a_zone(wall, zones):
    machine = zoned(*zones)
    text = written(wall, machine)
    lines, moves = ways(text, machine)
    shapes = shapely.union_all([shapely.box(x[0], y[0], x[1], y[1]) for x, y in zones])
    assert shapely.distance(lines, shapes).min() >= machine.hot_end.nozzle_diameter / 2 + 1.0 - 1e-3
    assert numbers(text, machine) == set()
    for values, axis in ((moves.x, "x"), (moves.y, "y")):
        low, high = getattr(machine.volume, axis)
        assert low <= values.min() and values.max() <= high


@pytest.mark.parametrize("zones", [[LOW], [TALL]])
def test_straight_ways_are_found_by_the_check(wall, monkeypatch, zones):
    monkeypatch.setattr(Detour, "round_zones", lambda self, moves: moves)
    assert 305 in numbers(written(wall, zoned(*zones)), zoned(*zones))


def test_the_way_round_is_the_shortest(wall):
    """Round one corner of a box it is two straight lines: Euclid's plane geometry."""
    machine = zoned(((20.0, 100.0), (20.0, 100.0)))
    lines, moves = ways(written(wall, machine), machine)
    first = int(np.flatnonzero((moves.z != 5.0) & (np.arange(len(moves)) > 0))[0])
    way = np.array([[0.0, 0.0], *np.column_stack([moves.x, moves.y])[:first]])
    length = np.hypot(*np.diff(way, axis=0).T).sum()
    corners = np.array([[18.8, 101.2], [101.2, 18.8]])  # a millimetre and half the nozzle beside the box
    least = min(np.hypot(*c) + np.hypot(*(way[-1] - c)) for c in corners)
    assert least <= length <= least + 0.3


def test_without_zones_nothing_changes(wall):
    here = KeepOut((290.0, 300.0), (0.0, 10.0), "brush")  # in nobody's way
    assert body(written(wall, PLAIN)) == body(written(wall, replace(PLAIN, keep_out=(here,))))


def test_a_zone_of_known_height_is_passed_over(wall):
    low, high, unknown = (zoned(LOW, height=height) for height in (3.0, 30.0, None))
    plain = written(wall, PLAIN)
    assert body(written(wall, low)) == body(plain) != body(written(wall, high))  # home to panel at 5 mm
    assert [numbers(plain, machine) for machine in (low, high, unknown)] == [set(), {304}, {305}]


def test_no_way(wall):
    for zones in ([((0.0, 300.0), (20.0, 40.0))], [((0.0, 60.0), (40.0, 50.0)), ((60.0, 70.0), (0.0, 50.0))]):
        with pytest.raises(PathgenError, match="the head cannot move from 0.0, 0.0 .*around clip") as caught:
            written(wall, zoned(*zones))
        assert caught.value.where == "keep_out" and "height" in caught.value.hint
        with pytest.raises(PathgenError, match="the head cannot move") as caught:
            written(wall, zoned(*zones, height=30.0))
        assert caught.value.hint == "make the zone smaller"  # how high it is, is said already
        assert not wall.with_suffix(".gcode").exists()
        assert written(wall, zoned(*zones, height=2.0))
        wall.with_suffix(".gcode").unlink()


def test_home_in_a_zone_is_a_warning_and_no_crash(wall):
    machine = zoned(((0.0, 20.0), (0.0, 20.0)))
    assert numbers(written(wall, machine), machine) == {305}


@pytest.mark.parametrize("height", [None, 3.0])
def test_panels_on_both_sides_of_a_zone(wall, height):
    """One of known height is passed over on the way from home, and gone round from brim to brim."""
    machine = zoned(((140.0, 160.0), (0.0, 220.0)), height=height)
    bound = replace(SMALL, rim_width=2.0, wedges=2, wedge_height=8.0, wedge_base=4.0)
    platform = plan_placed(
        [(wall, bound, Spot(100.0, 150.0)), (wall, bound, Spot(200.0, 150.0))], machine, MATERIAL
    )
    stream = BytesIO()
    write(platform, stream)
    lines, moves = ways(stream.getvalue(), machine)
    zone = shapely.box(140.0, 0.0, 160.0, 220.0).buffer(machine.hot_end.nozzle_diameter / 2)
    over = np.minimum(moves.z, np.concatenate([[0.0], moves.z[:-1]])) >= (
        np.inf if height is None else height + 1
    )
    assert not shapely.intersects(lines[~over], zone).any()
    # Beside the zone stand walls, and ways from one face to beyond the zone lead round them as well.
    top = platform.tallest.layers.top[-1]
    beside = (moves.filament == 0) & (moves.z > 0.21) & (moves.z < top)  # from the second layer on
    ends = shapely.points(shapely.get_coordinates(lines)).reshape(-1, 2)
    for planned in platform.panels:
        corners = np.column_stack(planned.placement.to_machine(np.array([0.0, 20.0]), np.array([0.0, 2.0])))
        inner = shapely.box(*corners.min(axis=0), *corners.max(axis=0)).buffer(-0.2)
        outside = ~shapely.intersects(ends, inner).any(axis=1)
        assert not shapely.intersects(lines[beside & outside], inner).any()
    side = np.sign(moves.x - 150.0)
    assert (np.diff(side[side != 0]) != 0).sum() >= len(np.unique(moves.z)) / 2  # it goes over often
    assert numbers(stream.getvalue(), machine) == set()


def test_a_sloping_way_keeps_its_slope():
    """Points on the way round rise with its length, as points of a straight line do."""
    at, column = (10.0, 50.0, 1.0), np.zeros(1)
    kinds = {"kind": np.zeros(1, np.uint8), "layer": np.zeros(1, np.int32)}
    slope = Moves(at, column + 90.0, column + 50.0, column + 3.0, column, column + 100.0, **kinds)
    led = Detour(zoned(((40.0, 60.0), (0.0, 80.0)))).round_zones(slope)
    points = np.array([at[:2], *np.column_stack([led.x, led.y])])
    length = np.cumsum(np.hypot(*np.diff(points, axis=0).T))
    assert len(led) == 3 and np.allclose(led.z, 1.0 + 2.0 * length / length[-1])


def test_panels_in_turn(wall):
    machine = zoned(((140.0, 160.0), (0.0, 250.0)))
    stream = BytesIO()
    write(plan_several([(wall, replace(SMALL, copies=2, build="in-turn"))], machine, MATERIAL), stream)
    lines, _ = ways(stream.getvalue(), machine)
    assert shapely.distance(lines, shapely.box(140.0, 0.0, 160.0, 250.0)).min() >= 1.2 - 1e-3


def test_nothing_is_made_next_to_a_zone(wall):
    """What is made stays two millimetres and half the nozzle off: ways lead between the two."""
    machine = zoned(((100.0, 140.0), (120.0, 300.0)))
    lines, moves = ways(written(wall, machine), machine)
    zone = shapely.box(100.0, 120.0, 140.0, 300.0)
    assert shapely.distance(lines[moves.filament > 0], zone).min() >= 2.2 - 1e-3


@pytest.mark.parametrize("edge", [80.0, 81.0, 82.0, 83.0, 84.0])
def test_nothing_is_made_next_to_a_zone_brim_and_supports_included(wall, monkeypatch, edge):
    """Travels inside one panel keep off a zone by its place alone: none of them is led round."""
    box = ((0.0, 300.0), (edge, 300.0))
    machine = zoned(box, height=2.0)
    monkeypatch.setattr(Detour, "round_zones", lambda self, moves: moves)
    held = replace(SMALL, wedges=2, wedge_height=4.0, wedge_base=12.0, axis="x")
    stream = BytesIO()
    write(plan_several([(wall, held)], machine, MATERIAL), stream)
    lines, moves = ways(stream.getvalue(), machine)
    fed = np.flatnonzero(moves.filament > 0)
    inside = lines[fed[0] : fed[-1] + 1]
    assert 2.2 - 1e-3 <= shapely.distance(inside, shapely.box(0.0, edge, 300.0, 300.0)).min() < 10.0


def test_the_head_waits_in_no_zone(wall):
    """Where an operator sets another temperature, the head waits in a corner that no zone bars."""
    plain = load_machine("ngc-lab")
    (left, _), (_, back) = plain.volume.x, plain.volume.y
    clip = KeepOut((left, left + 20.0), (back - 20.0, back), "clip")
    machine = replace(plain, keep_out=(clip,))
    job = replace(SMALL, band=(Band(above=2.0, nozzle_temperature=215.0),))
    text = written(wall, machine, job)
    lines, _ = ways(text, machine)
    zone = shapely.box(left, back - 20.0, left + 20.0, back).buffer(machine.hot_end.nozzle_diameter / 2)
    assert b"M0" in text and not shapely.intersects(lines, zone).any()
    assert numbers(text, machine) == set()


def test_a_zone_just_under_the_way_is_gone_round(wall):
    """Home to panel is at 5 mm: half a millimetre over a zone is too little."""
    assert body(written(wall, zoned(LOW, height=4.5))) != body(written(wall, PLAIN))


def test_a_low_zone_is_passed_over_though_another_is_high(wall):
    high = KeepOut(*CORNER, "post")
    both = replace(PLAIN, keep_out=(KeepOut(*LOW, "clip", 3.0), high))
    assert body(written(wall, both)) == body(written(wall, replace(PLAIN, keep_out=(high,))))


def test_a_panel_is_refused_next_to_a_zone(wall):
    here = [(wall, SMALL, Spot(150.0, 150.0))]
    stream = BytesIO()
    write(plan_placed(here, PLAIN, MATERIAL), stream)
    lines, moves = ways(stream.getvalue(), PLAIN)
    made = shapely.total_bounds(lines[(moves.filament > 0) & (moves.y > 100.0)])
    edge = float(made[2]) + PLAIN.hot_end.nozzle_diameter / 2  # of the outermost bead, about
    plan_placed(here, zoned(((edge + 3.0, 290.0), (140.0, 160.0))), MATERIAL)
    with pytest.raises(PathgenError, match="does not lie within the free area"):
        plan_placed(here, zoned(((edge + 1.5, 290.0), (140.0, 160.0))), MATERIAL)
