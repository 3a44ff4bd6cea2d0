"""The rim of any outline; for a rectangle it is what `frame` makes."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel import add_rim
from pathgen.panel.outline import with_foot
from pathgen.panel.outline_arch import arch
from pathgen.panel.outline_disc import ellipse
from pathgen.panel.outline_rectangle import rectangle
from pathgen.panel.pixels import Grid, grid_over, mask
from pathgen.panel.rim import RimShape, rim

PIXEL = 0.1


def cut(given, outline, grid, *values, **more):
    return rim(given, outline, grid, RimShape(*values, **more))


def flat(outline, *args, thickness=1.0, pixel=PIXEL, **kwargs):
    grid = grid_over(outline, pixel)
    return cut(np.full(grid.shape, thickness), outline, grid, *args, **kwargs)


@settings(deadline=None)
@given(
    rows=st.integers(1, 30), cols=st.integers(1, 30), width=st.floats(0, 4), pixel=st.floats(0.1, 1),
    seed=st.integers(0, 99),
)  # fmt: skip
def test_a_rectangle_is_framed_as_frame_does(rows, cols, width, pixel, seed):
    picture = np.random.default_rng(seed).uniform(0.8, 3, (rows, cols))
    expected = add_rim(picture, pixel, width, 4.0)
    outline = rectangle(expected.width, expected.height)
    grid = grid_over(outline, pixel)
    assert grid.shape == expected.thickness.shape
    given = np.full(grid.shape, 9.9)
    given[expected.picture] = picture
    thickness, shown = cut(given, outline, grid, width, 4.0)
    np.testing.assert_array_equal(thickness, expected.thickness)
    inner = np.zeros(grid.shape, bool)
    inner[expected.picture] = True
    np.testing.assert_array_equal(shown, inner)


RIMS = [  # outline, width of its rim, area of the rim from plane geometry
    (ellipse(100, 100), 3.0, np.pi * (50**2 - 47**2)),
    (rectangle(100, 60), 3.0, 100 * 60 - 94 * 54),
    (rectangle(100, 60, corner=8), 3.0, 100 * 60 - 94 * 54 - (4 - np.pi) * (8**2 - 5**2)),
    (arch(60, 100), 5.0, 60 * 70 - 50 * 65 + np.pi * (30**2 - 25**2) / 2),
]


@pytest.mark.parametrize(("outline", "width", "area"), RIMS)
def test_rim_areas(outline, width, area):
    thickness, picture = flat(outline, width, 4.0)
    assert (thickness == 4.0).sum() * PIXEL**2 == pytest.approx(area, rel=2e-3)
    assert (picture | (thickness == 4.0)).sum() == mask(outline, grid_over(outline, PIXEL)).sum()


def test_rims_go_round_holes_and_nothing_is_outside():
    holed = shapely.difference(rectangle(60, 60), shapely.Point(30, 30).buffer(8, quad_segs=64))
    thickness, _ = flat(holed, 4.0, 3.0)
    expected = 60**2 - 52**2 + np.pi * (12**2 - 8**2)
    assert (thickness == 3.0).sum() * PIXEL**2 == pytest.approx(expected, rel=2e-3)
    np.testing.assert_array_equal(thickness > 0, mask(holed, grid_over(holed, PIXEL)))


@pytest.mark.parametrize("bevel", [10, 30, 45, 60, 80])
def test_a_bevel_falls_at_its_angle(bevel):
    thickness, picture = flat(rectangle(60, 60), 3.0, 4.0, bevel=bevel)
    middle = thickness[300, :300]
    sloped = (middle > 1.0) & (middle < 4.0)
    fall = -np.diff(middle[sloped]) / PIXEL
    # Trigonometry: the angle is between the slope and the normal.
    assert np.degrees(np.arctan2(1, fall)) == pytest.approx(bevel, abs=1e-6)
    assert sloped.sum() == pytest.approx(3.0 * np.tan(np.radians(bevel)) / PIXEL, abs=1)
    beyond = (np.arange(300) + 0.5) * PIXEL - 3.0
    expected = np.clip(4.0 - beyond / np.tan(np.radians(bevel)), 1.0, 4.0)
    assert middle == pytest.approx(expected, abs=1e-9)
    np.testing.assert_array_equal(picture[300, :300], middle == 1.0)


def test_a_bevel_of_a_disc_is_a_cone():
    thickness, _ = flat(ellipse(60, 60), 3.0, 4.0, bevel=45)
    centres = (np.arange(600) + 0.5) * PIXEL - 30
    deep = 30 - np.hypot(*np.meshgrid(centres, centres))
    cone = np.where(deep < 3, 4.0, np.maximum(1.0, 4.0 - (deep - 3)))
    away = (deep > 0.01) & (np.abs(deep - 3) > 0.01)  # the straight pieces lie inside by up to 0.002 mm
    assert np.abs(thickness - cone)[away].max() < 0.003


def test_a_bevel_lets_a_thicker_picture_through():
    outline = rectangle(20, 20)
    grid = grid_over(outline, PIXEL)
    picture = np.random.default_rng(1).uniform(0.8, 4.5, grid.shape)
    stepped, _ = cut(picture, outline, grid, 2.0, 3.0)
    beveled, shown = cut(picture, outline, grid, 2.0, 3.0, bevel=60)
    assert (beveled >= stepped).all() and (beveled > stepped).any()
    np.testing.assert_array_equal(beveled[shown], picture[shown])


def test_a_border_line_inside_the_rim():
    thickness, picture = flat(rectangle(40, 30), 3.0, 4.0, line=0.8, line_thickness=2.5)
    row = thickness[150]
    assert (row[:30] == 4).all() and (row[30:38] == 2.5).all() and (row[38:-38] == 1).all()
    assert not picture[150, :38].any() and picture[150, 38:-38].all()
    # A bevel falls onto it, and no further than it reaches.
    sloped = flat(rectangle(40, 30), 3.0, 4.0, 45, 0.8, 2.5)[0][150]
    assert sloped[30:38] == pytest.approx(4 - np.arange(0.05, 0.8, 0.1))
    # Without a rim the line runs along the edge.
    assert (flat(rectangle(40, 30), 0.0, 4.0, 45, 0.8, 2.5)[0][150, :8] == 2.5).all()


def test_gaps_in_the_picture_are_closed_by_the_rim_only():
    outline = rectangle(40, 30)
    grid = grid_over(outline, PIXEL)
    given = np.ones(grid.shape)
    given[140:160] = 0
    thickness, picture = cut(given, outline, grid, 3.0, 4.0, 70, 1.0, 2.0)
    assert (thickness[150, :30] == 4).all() and (thickness[150, 30:-30] == 0).all()
    assert picture[150, 40:-40].all()


@pytest.mark.parametrize(
    "values", [(3.0, 4.0), (3.0, 4.0, 45, 0.8, 2.5), (0.0, 4.0, 0, 1.0, 2.0), (0.0, 4.0)]
)
def test_a_rings_rim_is_the_middle_of_a_long_strips(values):
    strip = rectangle(200, 20)
    long, shown = flat(strip, *values)
    ring, picture = cut(
        np.ones((200, 500)), rectangle(50, 20), grid_over(rectangle(50, 20), PIXEL), *values, ring=True
    )
    np.testing.assert_allclose(ring, long[:, 800:1300], atol=1e-9)
    np.testing.assert_array_equal(picture, shown[:, 800:1300])
    assert (ring == ring[:, :1]).all()


def test_a_pixel_at_a_limit_belongs_inside_it_on_every_side():
    outline = shapely.box(0, 0, 4, 4)
    centred = Grid(41, 41, PIXEL, -PIXEL / 2, -PIXEL / 2)  # centres on edge and limit
    thickness, _ = cut(np.ones(centred.shape), outline, centred, 0.3, 4.0, 0, 0.5, 2.0)
    side = [0, 4, 4, 2, 2, 2, 2, 2]
    assert thickness[20].tolist() == [*side, *[1] * 25, *side[::-1]]
    np.testing.assert_array_equal(thickness, thickness[::-1])
    np.testing.assert_array_equal(thickness, thickness.T)


def test_what_is_handed_in_is_not_changed_and_symmetry_is_kept():
    outline = with_foot(ellipse(50, 50))
    grid = grid_over(outline, PIXEL)
    given = np.ones(grid.shape)
    thickness, picture = cut(given, outline, grid, 3.0, 4.0, 40, 0.5, 2.0)
    assert (given == 1).all()
    np.testing.assert_array_equal(picture, picture[:, ::-1])
    np.testing.assert_allclose(thickness, thickness[:, ::-1], atol=1e-9, rtol=0)


REFUSED = [
    ((-1, 4), "width of the rim is -1 mm .rim_width.; allowed: 0 mm or more"),
    ((np.nan, 4), "width of the rim is nan mm"),
    ((np.inf, 4), "width of the rim is inf mm"),
    ((3, 0), "thickness of the rim is 0 mm .rim_thickness.; allowed: more than 0 mm"),
    ((3, np.nan), "thickness of the rim is nan mm"),
    ((3, 4, -1), "bevel is -1 degrees .rim_bevel.; allowed: 0 .a step. to 89 degrees"),
    ((3, 4, 90), "bevel is 90 degrees"),
    ((3, 4, np.nan), "bevel is nan degrees"),
    ((3, 4, 0, -1), "width of the border line is -1 mm"),
    ((3, 4, 0, 1), "thickness of the border line is 0 mm"),
    ((16, 4), "rim of 16 mm leaves no picture .rim_width.; allowed: less than 14.95 mm for the total width"),
    ((10, 4, 45, 6, 2), "a rim of 10 mm and a border line of 6 mm leave no picture .line_width."),
    (
        (5, 4, 88),
        "a bevel of 88 degrees from a rim of 4 mm leaves no picture .rim_bevel.; make the bevel steeper",
    ),
]


@pytest.mark.parametrize(("values", "words"), REFUSED)
def test_refusals(values, words):
    with pytest.raises(PathgenError, match=words):
        flat(rectangle(40, 30), *values)


def test_maps_that_do_not_fit():
    outline = rectangle(40, 30)
    with pytest.raises(PathgenError, match="the thickness map has 30 × 40 pixels; allowed: 300 × 400 pixels"):
        cut(np.ones((30, 40)), outline, grid_over(outline, PIXEL), 3.0, 4.0)
    needle = Polygon([(0, 0), (10, 9), (10, 9.001)])
    with pytest.raises(PathgenError, match="no pixel of the thickness map lies inside"):
        flat(needle, 0.0, 4.0, pixel=1.0)
