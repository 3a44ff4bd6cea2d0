"""Lines of sight, against shapely's own answer for every single line."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from pathgen.route.visibility import HAIR, WallVisibility

TURNS = np.linspace(0, 1, 80)


def arc(degrees, radius=40.0, thick=3.0):
    angle = np.radians(degrees) * (TURNS - 0.5)
    out = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    return shapely.Polygon(np.concatenate([out * (radius + thick), out[::-1] * radius]))


SHAPES = {
    "box": shapely.box(0, 0, 60, 3),
    "slanting": affinity.rotate(shapely.box(0, 0, 60, 3), 33),
    "shallow": arc(60),
    "deep": arc(250),
    "ring": shapely.Point(0, 0).buffer(30, 32).difference(shapely.Point(0, 0).buffer(27, 32)),
    "disc": shapely.Point(0, 0).buffer(25),
    "triangle": shapely.Polygon([(0, 0), (50, 5), (10, 30)]),
    "comb": shapely.box(0, 0, 60, 30) - shapely.union_all([shapely.box(x, 4, x + 6, 40) for x in (5, 25)]),
}  # fmt: skip


def compare(walls, points):
    """Every pair's answer, and shapely's for the walls a little smaller and a little larger."""
    sight = WallVisibility(np.array(walls, object))
    outside = points[~shapely.intersects_xy(shapely.union_all(walls), *points.T)]
    seen = sight.look(outside, outside)
    i, j = (side.ravel() for side in np.indices((len(outside),) * 2))
    lines = shapely.linestrings(np.stack([outside[i], outside[j]], axis=1))
    inner = shapely.union_all([wall.buffer(-2 * HAIR, join_style="mitre") for wall in walls])
    must = shapely.length(shapely.intersection(lines, inner)) > 0
    outer = shapely.union_all([wall.buffer(2 * HAIR, join_style="mitre") for wall in walls])
    may = shapely.length(shapely.intersection(lines, outer)) > 0
    return sight.blocked(seen, i, seen, j), must, may


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_a_line_is_blocked_where_shapely_finds_it_in_the_wall(name):
    low, high = np.reshape(SHAPES[name].bounds, (2, 2))
    points = np.random.default_rng(3).uniform(low - 8, high + 8, (70, 2))
    blocked, must, may = compare([SHAPES[name]], points)
    assert (must <= blocked).all()
    assert (blocked <= may).all()
    assert 0.05 < blocked.mean() < 0.95


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    names=st.lists(st.sampled_from(sorted(SHAPES)), min_size=1, max_size=4),
)
def test_several_walls_turned_anyhow(seed, names):
    rng = np.random.default_rng(seed)
    walls = [
        affinity.translate(affinity.rotate(SHAPES[name], rng.uniform(0, 360)), 0, 130.0 * row)
        for row, name in enumerate(names)
    ]
    points = rng.uniform((-90, -90), (90, 130 * len(names)), (14, 2))
    blocked, must, may = compare(walls, points)
    assert (must <= blocked).all()
    assert (blocked <= may).all()


def test_a_shape_whose_turned_box_comes_out_empty():
    """A ring turned so that GEOS's oriented envelope of half of it has no area."""
    test_several_walls_turned_anyhow.hypothesis.inner_test(3356, ["ring"])


def test_a_line_along_a_face_is_clear():
    points = np.array([[-5.0, 3.0], [65.0, 3.0], [30.0, 3.0]])
    sight = WallVisibility(np.array([SHAPES["box"]], object))
    seen = sight.look(points, points)
    assert not sight.blocked(seen, np.array([0, 0, 2]), seen, np.array([1, 2, 2])).any()


@pytest.mark.parametrize("x", [0.01, 7.5, 15.0, 30.0, 45.0, 59.99])
def test_a_line_just_between_two_pieces_is_blocked(x):
    # A wall with a foot is halved again and again: at 30 mm, and at 15 and 45 mm if not at once.
    foot = SHAPES["box"].union(shapely.box(0, 0, 3, 20))
    points = np.array([[x, -4.0], [x, 25.0]])
    sight = WallVisibility(np.array([foot], object))
    seen = sight.look(points, points)
    assert sight.blocked(seen, np.array([0, 1]), seen, np.array([1, 0])).all()


def test_no_walls_block_nothing():
    sight = WallVisibility(np.array([], object))
    seen = sight.look(np.zeros((1, 2)), np.zeros((1, 2)))
    assert sight.blocked(seen, np.zeros(1, int), seen, np.zeros(1, int)).tolist() == [False]
    assert sight.blocked(seen, np.zeros(0, int), seen, np.zeros(0, int)).tolist() == []


def test_from_inside_a_wall_nothing_is_in_sight():
    points = np.array([[30.0, 1.5], [30.0, 5.0], [-4.0, 1.5], [31.0, 1.5]])
    for wall in (SHAPES["box"], SHAPES["box"].union(shapely.box(0, 0, 3, 20))):
        sight = WallVisibility(np.array([wall], object))
        seen = sight.look(points, points)
        assert sight.blocked(seen, np.zeros(3, int), seen, np.array([1, 2, 3])).all()
