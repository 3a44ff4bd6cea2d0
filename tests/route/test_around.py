"""Ways round walls: closed forms, and shapely as the judge of what a way crosses."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from pathgen.errors import PathgenError
from pathgen.route.around import BORDER, CLEARANCE, COARSE, Obstacles, _Wall

SHRUNK = 0.01  # mm that a wall is smaller where a way must not touch it

WALL = shapely.box(0, 0, 100, 4)
MIDDLE = np.array([[0.0, 2.0], [100.0, 2.0]])


def arc(degrees, width=100.0, thick=4.0, count=81):
    """A bent wall's outline and middle; the bend's centre at (0, 0), the middle's middle at the top."""
    radius = width / np.radians(degrees)
    angle = np.radians(degrees) * (np.linspace(0, 1, count) - 0.5)
    out = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    outline = np.concatenate([out * (radius + thick / 2), out[::-1] * (radius - thick / 2)])
    return shapely.Polygon(outline), out * radius


def ring(out=30.0, inside=26.0):
    return shapely.Point(0, 0).buffer(out, 64).difference(shapely.Point(0, 0).buffer(inside, 64))


def length_of(way):
    return float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())


def some_walls(rng, count):
    """Straight and bent walls, turned anyhow, none near another."""
    walls, middles = [], []
    for row in range(count):
        if rng.random() < 0.5:
            wall, line = shapely.box(-40, -2, 40, 2), np.array([[-40.0, 0.0], [40.0, 0.0]])
        else:
            wall, line = arc(rng.uniform(30, 200), 80.0)
        centre, angle = wall.centroid, rng.uniform(0, 360)
        to = rng.uniform(-10, 10) - centre.x, 110.0 * row - centre.y
        walls.append(affinity.translate(affinity.rotate(wall, angle, centre), *to))
        moved = affinity.translate(affinity.rotate(shapely.LineString(line), angle, centre), *to)
        middles.append(shapely.get_coordinates(moved))
    return walls, middles


def outside(walls, points):
    return points[~shapely.intersects_xy(shapely.union_all(walls), *points.T)]


def crossed(walls, way):
    """Length of a way inside walls that are a little smaller."""
    inner = shapely.union_all([wall.buffer(-SHRUNK, join_style="mitre") for wall in walls])
    return shapely.length(shapely.intersection(shapely.LineString(way), inner))


# Closed forms


def test_the_way_round_a_box_bends_at_two_corners():
    # Elementary geometry: from (20, −10) round the left end to (20, 14), symmetrical about the wall's middle.
    way = Obstacles([WALL], [MIDDLE]).path((20.0, -10.0), (20.0, 14.0))
    assert way.tolist() == [[20, -10], [-CLEARANCE, -CLEARANCE], [-CLEARANCE, 4 + CLEARANCE], [20, 14]]
    exact = 2 * np.hypot(20, 10) + 4
    assert exact <= length_of(way) <= exact + 8 * CLEARANCE


def test_nothing_in_the_way_is_a_straight_line():
    walls = Obstacles([WALL], [MIDDLE])
    for a, b in (((-5, -5), (120, -1)), ((0, 4), (100, 4)), ((-3, -9), (-3, 9)), ((50, 5), (50, 5))):
        assert walls.path(a, b).tolist() == [list(a), list(b)]
        assert walls.distances(np.array([a]), np.array([b]))[0, 0] == pytest.approx(
            np.hypot(*np.subtract(a, b))
        )


@pytest.mark.parametrize("away", [1.05, 1.5, 3.0])
def test_the_way_round_a_disc_is_a_taut_string(away):
    # Two tangents and the arc between them: 2·√(d² − r²) + r·(π − 2·arccos(r/d)).
    radius = 20.0
    distance = away * radius
    disc = Obstacles([shapely.Point(0, 0).buffer(radius, 128)])
    exact = 2 * np.sqrt(distance**2 - radius**2) + radius * (np.pi - 2 * np.arccos(radius / distance))
    found = disc.distances(np.array([[-distance, 0.0]]), np.array([[distance, 0.0]]))[0, 0]
    # The polygon lies inside its circle by r·(1 − cos(π/512)); round it, bends are up to 0.3 mm outside.
    assert exact - 0.01 <= found <= exact + 0.3 * np.pi


def test_from_inside_a_wall_the_way_is_along_its_middle():
    walls = Obstacles([WALL], [MIDDLE])
    assert walls.path((1.0, 3.0), (50.0, 10.0)).tolist() == [
        [1, 3], [-CLEARANCE, 2], [-CLEARANCE, 4 + CLEARANCE], [50, 10],
    ]  # fmt: skip
    right = walls.path((99.0, 2.0), (120.0, 2.0))
    assert right.tolist() == [[99, 2], [100 + CLEARANCE, 2], [120, 2]]


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_bent_wall_is_left_along_its_bend(side):
    wall, middle = arc(180.0)
    walls = Obstacles([wall], [middle])
    radius = 100.0 / np.pi
    start = np.array([[0.0, radius + 1.0]])  # on top, from where either gate is a quarter turn away
    gate = np.array([[side * radius, -3.0]])
    found = walls.distances(start, gate)[0, 0]
    # A quarter of the middle's turn and 3 mm down; a hook of 1 mm from the point to the middle would show.
    assert 50.0 + 3.0 <= found <= 50.0 + 3.0 + 0.5
    way = walls.path(start[0], gate[0])
    assert (side * way[:, 0]).min() >= 0
    inside = way[:-2]
    assert shapely.intersects_xy(wall.buffer(0.01), *inside.T).all()


def test_middles_that_end_inside_are_lengthened_to_the_border():
    short = Obstacles([WALL], [np.array([[2.0, 2.0], [60.0, 2.0], [97.0, 2.0]])])
    whole = Obstacles([WALL], [MIDDLE])
    a, b = np.array([[1.0, 1.0], [70.0, 3.0]]), np.array([[20.0, 9.0], [-4.0, 2.0]])
    assert short.distances(a, b) == pytest.approx(whole.distances(a, b))


def test_two_points_in_one_wall_are_joined_straight():
    wall, middle = arc(180.0)
    walls = Obstacles([wall], [middle])
    a, b = middle[5], middle[-5]
    assert walls.path(a, b).tolist() == [a.tolist(), b.tolist()]
    # Whatever else is asked for along with it.
    lengths = walls.distances(np.stack([a, middle[0] - (0, 9)]), b[None])
    assert lengths[0, 0] == pytest.approx(np.hypot(*(a - b)))
    assert lengths[1, 0] > 9


@pytest.mark.parametrize("depth", [-BORDER * 0.9, 0.0, BORDER * 0.9])
def test_a_point_on_the_rim_is_outside_on_its_side(depth):
    walls = Obstacles([WALL], [MIDDLE])
    rim = (50.0, 4.0 - depth)
    assert walls.path(rim, (80.0, 9.0)).tolist() == [list(rim), [80, 9]]
    assert walls.path(rim, (10.0, 4.0 + depth)).tolist() == [list(rim), [10, 4 + depth]]
    over = walls.path(rim, (50.0, -5.0))
    assert len(over) == 4
    assert crossed([shapely.box(0, 0, 100, 4 - BORDER)], over) == 0


def test_deeper_than_the_rim_is_inside():
    way = Obstacles([WALL], [MIDDLE]).path((50.0, 4.0 - 1.1 * BORDER), (50.0, 9.0))
    assert length_of(way) > 100


def test_between_walls_the_way_leads_from_gate_to_gate():
    walls = Obstacles([WALL, affinity.translate(WALL, 0, 20)], [MIDDLE, MIDDLE + (0, 20)])
    assert walls.path((99.0, 2.0), (98.0, 22.0)).tolist() == [
        [99, 2], [100 + CLEARANCE, 2], [100 + CLEARANCE, 22], [98, 22],
    ]  # fmt: skip


# Rings


def test_a_closed_ring_is_crossed_only_where_there_is_no_way():
    walls = Obstacles([ring()])
    a = np.array([[0.0, 0.0], [5.0, 5.0], [0.0, 0.0], [40.0, 0.0]])
    b = np.array([[50.0, 0.0], [-5.0, 5.0], [28.0, 0.0], [-40.0, 0.0]])
    ways = walls.paths(a, b)
    assert ways.crossing.tolist() == [True, False, False, False]
    assert ways.crossings == 1
    assert ways.points[0].tolist() == [[0, 0], [50, 0]]
    assert walls.distances(a[:1], b[:1])[0, 0] == 50.0
    assert crossed([ring()], ways.points[3]) == 0


@pytest.mark.parametrize(("to", "radius"), [((3.0, 0.0), 26.0), ((45.0, 0.0), 30.0)])
def test_a_ring_is_left_by_the_border_toward_the_goal(to, radius):
    way = Obstacles([ring()]).path((28.0, 0.0), to)
    assert np.hypot(*way[1]) == pytest.approx(radius, abs=0.01)
    assert length_of(way) == pytest.approx(abs(28.0 - to[0]), abs=0.05)


def test_the_end_of_a_ring_with_a_seam_can_be_reached():
    wall, middle = arc(340.0, 200.0)
    walls = Obstacles([wall], [middle])
    way = walls.paths(np.array([[0.0, 0.0]]), np.array([[0.0, 60.0]]))
    assert way.crossings == 0
    assert crossed([wall], way.points[0]) == 0
    assert len(way.points[0]) > 3


# Rules that hold for any walls


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), count=st.integers(1, 4))
def test_no_way_from_outside_to_outside_enters_a_wall(seed, count):
    rng = np.random.default_rng(seed)
    walls, middles = some_walls(rng, count)
    points = outside(walls, rng.uniform((-70, -70), (70, 110 * count), (16, 2)))
    around = Obstacles(walls, middles)
    lengths = around.distances(points, points)
    i, j = np.triu_indices(len(points), 1)
    ways = around.paths(points[i], points[j])
    assert ways.crossings == 0
    inner = shapely.union_all([wall.buffer(-SHRUNK, join_style="mitre") for wall in walls])
    lines = [shapely.LineString(way) for way in ways.points]
    assert shapely.length(shapely.intersection(lines, inner)).max(initial=0) == 0
    # As long as said, from where to where, the same both ways, never shorter than straight.
    assert shapely.length(lines) == pytest.approx(lengths[i, j])
    assert [way[0].tolist() for way in ways.points] == points[i].tolist()
    assert [way[-1].tolist() for way in ways.points] == points[j].tolist()
    assert lengths == pytest.approx(around.distances(points, points.copy()))
    assert (lengths == lengths.T).all()
    straight = np.hypot(*np.moveaxis(points[:, None] - points, -1, 0))
    assert (lengths >= straight - 1e-9).all()
    free = shapely.length(shapely.intersection(shapely.linestrings(
        np.stack([points[i], points[j]], axis=1)), shapely.union_all(walls))) == 0  # fmt: skip
    assert lengths[i, j][free] == pytest.approx(straight[i, j][free])
    # No detour over a third point is shorter, but where that is between a bent wall and its coarser outline.
    hair = 0.0 if all(len(line) == 2 for line in middles) else COARSE
    assert (lengths[:, :, None] <= lengths[:, None, :] + lengths.T[None, :, :] + hair + 1e-6).all()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), count=st.integers(1, 3))
def test_a_way_from_inside_crosses_no_other_wall(seed, count):
    rng = np.random.default_rng(seed)
    walls, middles = some_walls(rng, count)
    around = Obstacles(walls, middles)
    inside = np.concatenate([line[1:-1] for line in middles if len(line) > 2] + [line * 0.9 + 0.1 * line[::-1]
                            for line in middles if len(line) == 2])[::9]  # fmt: skip
    points = outside(walls, rng.uniform((-70, -70), (70, 110 * count), (len(inside), 2)))
    inside = inside[: len(points)]
    ways = around.paths(inside, points)
    lengths = around.distances(inside, points).diagonal()
    assert ways.crossings == 0
    for start, way, length in zip(inside, ways.points, lengths, strict=True):
        assert length_of(way) == pytest.approx(length)
        own = int(np.argmin(shapely.distance(walls, shapely.Point(start))))
        others = [wall for k, wall in enumerate(walls) if k != own]
        assert not others or crossed(others, way) == 0
        # Out of the own wall once: what is in it is one piece, and it ends near one of the middle's ends.
        within = shapely.intersection(shapely.LineString(way), walls[own].buffer(-SHRUNK, join_style="mitre"))
        assert within.geom_type == "LineString"
        ends = shapely.get_coordinates(within)[-1]
        assert np.hypot(*(middles[own][[0, -1]] - ends).T).min() < 1.0


def test_swapping_the_two_sides_turns_the_table_round():
    rng = np.random.default_rng(5)
    walls, middles = some_walls(rng, 2)
    around = Obstacles(walls, middles)
    a, b = rng.uniform(-60, 150, (7, 2)), rng.uniform(-60, 150, (4, 2))
    assert around.distances(a, b) == pytest.approx(around.distances(b, a).T)


# Nothing, and what is refused


def test_no_points_and_no_walls():
    none, some = np.zeros((0, 2)), np.array([[0.0, 0.0], [3.0, 4.0]])
    for walls in (Obstacles([]), Obstacles([WALL], [MIDDLE])):
        assert walls.distances(none, some).shape == (0, 2)
        assert walls.distances(some, none).shape == (2, 0)
        assert walls.paths(none, none).points == []
        assert walls.paths(none, none).crossings == 0
    free = Obstacles([])
    assert free.distances(some, some).tolist() == [[0, 5], [5, 0]]
    assert free.path((0, 0), (3, 4)).tolist() == [[0, 0], [3, 4]]


@pytest.mark.parametrize(
    ("walls", "middles", "says"),
    [
        ([shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])], None, "wall 1"),
        ([WALL, shapely.Polygon()], None, "wall 2"),
        ([WALL], [], "0 middles for 1 walls"),
        ([WALL], [np.array([[0.0, 1.0]])], "middle of wall 1"),
    ],
)
def test_outlines_that_are_none_are_refused_in_one_line(walls, middles, says):
    with pytest.raises(PathgenError, match=says) as refused:
        Obstacles(walls, middles)
    assert "\n" not in str(refused.value)


def test_a_way_out_along_a_middle_line_is_measured_from_the_nearest_place_on_it():
    """At 11 mm of a line with corners every 10 mm and 1 mm beside it: by the corners at 10 and at 20 mm."""
    line = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0], [30.0, 0.0]])
    wall = _Wall.of(shapely.box(-1, -2, 31, 2), None)
    exits, index, away, bend = replace(wall, middle=line).leave(np.array([[11.0, 1.0]]))
    assert exits.tolist() == [[0.0, 0.0], [30.0, 0.0]] and index.tolist() == [[0, 1]]
    assert bend.tolist() == [[1, 2]]
    assert away[0] == pytest.approx([10 + 2**0.5, 10 + 82**0.5])


def test_a_point_bends_at_the_nearest_points_of_the_middle_line():
    """The foot of (34, 2.5) on a line with a point every 10 mm lies between points 3 and 4."""
    line = np.column_stack([np.arange(0.0, 101.0, 10.0), np.full(11, 2.0)])
    bend = _Wall(line, [WALL.exterior]).leave(np.array([[34.0, 2.5]]))[3]
    assert bend.tolist() == [[3, 4]]
