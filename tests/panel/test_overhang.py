"""Overhangs found in maps, and maps changed so that there are none on their face.

Outside references: the geometry of straight slopes and of the circle; scipy's grey dilation, linear
programming and non-negative least squares for what the least change of a map is.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage, optimize

from pathgen.errors import PathgenError
from pathgen.panel.overhang import KEEP, limit_slope, outline_overhang, overhangs, step_limit

PIXEL = 0.1
walls = arrays(
    np.float64,
    st.tuples(st.integers(1, 12), st.integers(1, 6)),
    elements=st.floats(0.5, 4.0).map(lambda t: round(t, 3)),
)
with_holes = arrays(
    np.float64,
    st.tuples(st.integers(1, 12), st.integers(1, 6)),
    elements=st.sampled_from([0.0, 0.0, 0.8, 1.1, 1.9, 3.0]),
)
angles = st.sampled_from([20.0, 45.0, 60.0])


def leaning_face(degrees, rows=60):
    """A wall whose face leans out by an angle, from the platform up, with row 0 at the top."""
    z = np.arange(rows)[::-1, None] * PIXEL
    return 1.0 + z * np.tan(np.radians(degrees)) * np.ones((1, 3))


def leaning_outline(degrees, rows=120):
    """A wall whose right end leans out by an angle."""
    z = np.arange(rows)[::-1, None] * PIXEL
    u = (np.arange(400) + 0.5) * PIXEL
    return np.where(u < 2.0 + z * np.tan(np.radians(degrees)), 2.0, 0.0)


def disc(radius, pixel=PIXEL, thickness=3.0):
    side = round(2 * radius / pixel)
    at = (np.arange(side) + 0.5) * pixel - radius
    return np.where(np.hypot(at[:, None], at) <= radius, thickness, 0.0)


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
def test_a_face_leans_where_it_is_flatter_than_the_angle(angle):
    assert not overhangs(leaning_face(angle - 1), PIXEL, angle).unsupported.any()
    leaning = overhangs(leaning_face(angle + 1), PIXEL, angle).unsupported
    assert leaning[:-1].all() and not leaning[-1].any()  # the lowest row stands on the platform


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
def test_an_outline_leans_where_it_is_flatter_than_the_angle(angle):
    assert not overhangs(leaning_outline(angle - 1.5), PIXEL, angle).unsupported.any()
    found = overhangs(leaning_outline(angle + 3), PIXEL, angle)
    assert found.unsupported.any() and (found.outline == found.unsupported).all()


def test_a_leaning_face_is_short_by_what_it_grows_too_much():
    found = overhangs(leaning_face(60), PIXEL)
    too_much = PIXEL * (np.tan(np.radians(60)) - 1)
    assert found.excess[:-1] == pytest.approx(too_much, rel=1e-5)
    assert found.area[:-1] == pytest.approx(too_much * 3 * PIXEL, rel=1e-5)


def test_the_upper_edge_of_a_hole_hangs_from_both_sides():
    wall = np.full((40, 60), 2.0)
    wall[10:30, 20:40] = 0.0  # 2 × 2 mm
    found = overhangs(wall, PIXEL)
    rows, cols = np.nonzero(found.unsupported)
    # The columns at either side are within reach; the middle is a millimetre from both, less the reach.
    assert set(rows) == {9} and (cols.min(), cols.max()) == (22, 37)
    assert found.excess.max() == pytest.approx(1.0 - PIXEL)
    assert found.outline[found.unsupported].all()
    hangs = (20 - 2) * PIXEL * 2.0
    assert found.area[9] == pytest.approx(hangs, rel=0.15)
    place = found.worst[0]
    assert place.outline and place.z == pytest.approx(3.0)
    assert place.u == pytest.approx((2.2, 3.8))


def test_a_disc_leans_below_the_point_where_its_edge_is_at_the_angle():
    # The circle's edge is at 45° at z = R(1 − cos 45°), R sin 45° from the middle (geometry).
    radius = 20.0
    rows, cols = np.nonzero(overhangs(disc(radius), PIXEL).unsupported)
    top = (399 - rows.min()) * PIXEL
    limit = radius * (1 - np.sqrt(0.5))
    # There u'' = −2√2/R, so that over the last d it runs √2·d²/R ahead of 45°: two pixels, and it shows.
    late = np.sqrt(2 * PIXEL * radius / np.sqrt(2))
    assert limit - late < top < limit
    assert limit < cols.min() * PIXEL < limit + late


def test_a_mirrored_map_leans_mirrored():
    wall = np.where(disc(5.0) > 0, 2.0, 0.0)
    wall[:, 60:] *= np.linspace(1, 2, 100)[:, None]
    found, mirrored = overhangs(wall, PIXEL), overhangs(wall[:, ::-1], PIXEL)
    assert np.array_equal(found.excess, mirrored.excess[:, ::-1])


def test_the_tolerance_forgives_a_ledge_but_no_slope():
    ledge = np.full((30, 3), 1.4)
    ledge[20:] = 1.0
    assert overhangs(ledge, PIXEL, tolerance=0.2).unsupported.any()
    assert not overhangs(ledge, PIXEL, tolerance=0.4).unsupported.any()
    assert overhangs(leaning_face(60), PIXEL, tolerance=0.4).unsupported[:40].all()


def test_what_stands_on_a_bad_place_is_not_bad_for_its_sake():
    table = np.full((30, 40), 2.0)
    table[20:, 10:] = 0.0
    assert np.flatnonzero(overhangs(table, PIXEL, angle=20.0).unsupported.any(axis=1)).tolist() == [19]


def test_wall_over_a_row_of_none_leans_by_the_whole_width():
    floating = np.full((4, 10), 1.0)
    floating[2] = 0.0
    found = overhangs(floating, PIXEL)
    assert found.excess[1] == pytest.approx(10 * PIXEL - PIXEL)
    assert not found.unsupported[[0, 2, 3]].any()


def test_places_are_named_worst_first_and_not_twice():
    wall = np.full((400, 300), 2.0)
    wall[300:350, 50:80] = 0.0
    wall[100:150, 150:250] = 0.0
    found = overhangs(wall, PIXEL)
    worst = found.worst
    assert found.count == 2
    assert [p.z for p in worst] == pytest.approx([30.0, 10.0])
    assert "u 15.2 to 24.8 mm: 4.90 mm of unsupported overhang (outline)" in str(worst[0])
    many = np.tile(np.repeat([1.0, 3.0], 40), 20)[:, None] * np.ones((1, 5))
    found = overhangs(many, PIXEL)
    places = found.worst
    assert found.count == 19  # 20 blocks that are 3 mm thick; the lowest stands on the platform
    assert len(places) == 5 and len({p.z for p in places}) == 5


def test_an_empty_map_leans_nowhere_and_changes_nowhere():
    for shape in ((0, 0), (0, 5), (5, 0)):
        assert overhangs(np.zeros(shape), PIXEL).worst == ()
        assert limit_slope(np.zeros(shape), PIXEL).rms == 0


@given(with_holes, angles, st.sampled_from(KEEP))
def test_a_limited_face_never_leans(wall, angle, keep):
    limited = limit_slope(wall, PIXEL, angle, keep).thickness
    found = overhangs(limited, PIXEL, angle)
    assert not (found.unsupported & ~found.outline).any()
    assert np.array_equal(limited > 0, wall > 0)
    assert (limited.max(axis=0) <= wall.max(axis=0) + 1e-12).all()


@given(with_holes, angles)
def test_thick_only_adds_and_thin_only_removes(wall, angle):
    assert (limit_slope(wall, PIXEL, angle, "thick").thickness >= wall).all()
    assert (limit_slope(wall, PIXEL, angle, "thin").thickness <= wall).all()


@given(walls, angles, st.sampled_from(KEEP))
def test_limiting_twice_changes_nothing_more(wall, angle, keep):
    once = limit_slope(wall, PIXEL, angle, keep).thickness
    assert limit_slope(once, PIXEL, angle, keep).largest < 1e-9


@given(walls, angles)
def test_adding_below_is_a_grey_dilation_along_z(wall, angle):
    # scipy.ndimage.grey_dilation with a sloping structuring element: max over b of t(z − b) + s(b).
    rows = len(wall)
    slope = np.full((2 * rows - 1, 1), -1e9)
    slope[rows - 1 :, 0] = -step_limit(PIXEL, angle) * np.arange(rows)
    dilated = ndimage.grey_dilation(wall, structure=slope, mode="constant", cval=-1e9)
    assert limit_slope(wall, PIXEL, angle, "thick").thickness == pytest.approx(dilated)


@settings(max_examples=25)
@given(walls, angles)
def test_the_middle_makes_the_least_largest_change(wall, angle):
    column = wall[::-1, 0]
    rows = len(column)
    # Least e with |f − t| ≤ e and f(z + 1) − f(z) ≤ reach, by scipy.optimize.linprog.
    one, up = np.eye(rows), np.eye(rows, k=1)[:-1] - np.eye(rows)[:-1]
    above = np.vstack(
        [np.c_[one, -np.ones(rows)], np.c_[-one, -np.ones(rows)], np.c_[up, np.zeros(rows - 1)]]
    )
    most = np.concatenate([column, -column, np.full(rows - 1, step_limit(PIXEL, angle))])
    cost = np.append(np.zeros(rows), 1.0)
    best = optimize.linprog(cost, above, most, bounds=(None, None))
    assert limit_slope(wall[:, :1], PIXEL, angle, "middle").largest == pytest.approx(best.fun, abs=1e-7)


@given(walls, angles)
def test_the_least_is_the_best_of_the_blends(wall, angle):
    least = limit_slope(wall, PIXEL, angle, "minimum")
    assert all(least.rms <= limit_slope(wall, PIXEL, angle, keep).rms + 1e-12 for keep in KEEP)
    # No map that holds the limit is nearer than a + reach·z less a growing sum fitted by scipy.optimize.nnls.
    rows = len(wall)
    z = np.arange(rows) * step_limit(PIXEL, angle)
    falling = np.column_stack([np.ones(rows), -np.ones(rows), -np.tri(rows)[:, 1:]])
    off = [optimize.nnls(falling, column - z)[1] for column in wall[::-1].T]
    assert least.rms >= np.sqrt(np.square(off).sum() / wall.size) - 1e-9


def test_what_holds_the_limit_stays_as_it_is():
    for keep in KEEP:
        limited = limit_slope(leaning_face(44), PIXEL, keep=keep)
        assert np.array_equal(limited.thickness, leaning_face(44))
        assert (limited.rms, limited.largest, limited.share) == (0.0, 0.0, 0.0)


def test_the_outline_is_judged_layer_by_layer_with_layers_of_any_height():
    wall = leaning_outline(50)[::-2] > 0  # layers two pixels high
    high = np.full(len(wall), step_limit(2 * PIXEL, 45.0))
    assert outline_overhang(wall, high, PIXEL, PIXEL).any()
    assert not outline_overhang(wall, np.full(len(wall), step_limit(2 * PIXEL, 52.0)), PIXEL, PIXEL).any()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"angle": 0.0}, "overhang angle is 0°"),
        ({"angle": 90.0}, "allowed: between 0 and 90°"),
        ({"pixel": 0.0}, "pixel is 0 mm"),
        ({"pixel": np.nan}, "pixel is nan mm"),
        ({"thickness": np.ones(3)}, "the thickness map has 1 dimensions"),
        ({"thickness": np.full((2, 2), np.nan)}, "negative, NaN or infinite values"),
        ({"thickness": np.full((2, 2), -1.0)}, "negative, NaN or infinite values"),
    ],
)
def test_refusals(change, says):
    given = {"thickness": np.ones((2, 2)), "pixel": PIXEL, "angle": 45.0} | change
    for function in (overhangs, limit_slope):
        with pytest.raises(PathgenError, match=says):
            function(**given)


def test_refusals_of_their_own():
    with pytest.raises(PathgenError, match="minimum, middle, thick, thin"):
        limit_slope(np.ones((2, 2)), PIXEL, keep="both")
    with pytest.raises(PathgenError, match="tolerance is -1 mm"):
        overhangs(np.ones((2, 2)), PIXEL, tolerance=-1.0)
