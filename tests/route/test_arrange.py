"""Several panels on one platform: rows that do not touch, and orders in which the head has room."""

from itertools import combinations, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from pathgen.errors import PathgenError
from pathgen.route.arrange import arrange_rows, build_order, enclosing_footprint, head_clearance
from pathgen.route.placement import Footprint
from pathgen.settings import load_machine
from pathgen.settings.machine import HeadPart

SIDES = st.floats(1.0, 80.0)
BOXES = st.lists(
    st.builds(
        lambda wide, deep, u, n: Footprint((u, u + wide), (n, n + deep), 50.0),
        SIDES,
        SIDES,
        st.floats(-20, 0),
        st.floats(-20, 0),
    ),
    min_size=1,
    max_size=8,
)
HEAD = (
    HeadPart((-12.0, 12.0), (-12.0, 12.0), 3.0),
    HeadPart((-300.0, 300.0), (20.0, 60.0), 30.0, "crossbar"),
)


def moved(boxes, offsets):
    return [
        box(b.u[0] + du, b.n[0] + dn, b.u[1] + du, b.n[1] + dn)
        for b, (du, dn) in zip(boxes, offsets, strict=True)
    ]


@given(BOXES, st.floats(50.0, 300.0), st.floats(50.0, 300.0), st.floats(0.5, 20.0))
def test_packed_boxes_keep_their_distance_inside_the_room(boxes, wide, deep, spacing):
    """shapely measures distances and the room."""
    offsets = arrange_rows(boxes, (wide, deep), (spacing, spacing))
    if offsets is None:
        return
    placed = moved(boxes, offsets)
    room = box(0, 0, wide, deep).buffer(1e-5)
    assert all(room.contains(each) for each in placed)
    assert all(one.distance(other) >= spacing - 1e-6 for one, other in combinations(placed, 2))
    around = enclosing_footprint(boxes, offsets)
    left, low, right, high = box(*_bounds(placed)).bounds
    assert (around.u, around.n) == (pytest.approx((left, right)), pytest.approx((low, high)))


def _bounds(shapes):
    from shapely.geometry import MultiPolygon

    return MultiPolygon(shapes).bounds


def test_what_fits_exactly_fits():
    strip = Footprint((0.0, 50.0), (0.0, 20.0), 10.0)
    assert arrange_rows([strip] * 4, (105.0, 45.0), (5.0, 5.0)) == [(0, 0), (55, 0), (0, 25), (55, 25)]
    assert arrange_rows([strip] * 5, (105.0, 45.0), (5.0, 5.0)) is None
    assert arrange_rows([strip], (49.0, 45.0), (5.0, 5.0)) is None


def _clear(order, reached, standing, heights, head):
    """Sweep the head over each panel in turn, as boxes of shapely, and look for what it meets."""
    for at, number in enumerate(order):
        (x0, x1), (y0, y1) = reached[number]
        for part in head:
            swept = box(x0 + part.x[0], y0 + part.y[0], x1 + part.x[1], y1 + part.y[1])
            for done in order[:at]:
                (a, b), (c, d) = standing[done]
                if heights[done] > part.z and swept.intersection(box(a, c, b, d)).area > 1e-6:
                    return False
    return True


@given(
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8), st.sampled_from([2.0, 20.0, 60.0])), max_size=5)
)
def test_an_order_is_found_where_there_is_one_and_only_there(panels):
    """Against every order of up to five panels."""
    reached = [((40.0 * x, 40.0 * x + 30.0), (25.0 * y, 25.0 * y + 12.0)) for x, y, _ in panels]
    standing = [((x0 + 5, x1 - 5), (y0 + 4, y1 - 4)) for (x0, x1), (y0, y1) in reached]
    heights = [height for *_, height in panels]
    possible = any(
        _clear(order, reached, standing, heights, HEAD) for order in permutations(range(len(panels)))
    )
    if possible:
        order = build_order(reached, standing, heights, HEAD)
        assert sorted(order) == list(range(len(panels)))
        assert _clear(order, reached, standing, heights, HEAD)
    else:
        with pytest.raises(PathgenError, match="would hit panel"):
            build_order(reached, standing, heights, HEAD)


@pytest.mark.parametrize("name", ["moving-table", "moving-gantry", "long-tube", "ngc-lab"])
@pytest.mark.parametrize("rotation", [0, 90])
@pytest.mark.parametrize("height", [2.0, 20.0, 80.0])
def test_the_spacing_for_the_head_is_enough(name, rotation, height):
    """Two panels beside each other along u, and two in rows along n, can be made in some order."""
    head = load_machine(name).head
    assert head
    along_u, along_n = head_clearance(head, height, rotation)
    for du, dn in ((60.0 + along_u, 0.0), (0.0, 10.0 + along_n)):
        flat = [((0.0, 60.0), (0.0, 10.0)), ((du, du + 60.0), (dn, dn + 10.0))]
        boxes = flat if rotation == 0 else [(y, x) for x, y in flat]
        assert len(build_order(boxes, boxes, [height] * 2, head)) == 2
