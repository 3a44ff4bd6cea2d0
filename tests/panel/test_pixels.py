"""Outlines on pixels, held against general-purpose geometry."""

import matplotlib.path
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon

from pathgen.errors import PathgenError
from pathgen.panel.outline_arch import arch
from pathgen.panel.outline_disc import ellipse
from pathgen.panel.outline_rectangle import rectangle
from pathgen.panel.pixels import Grid, box_distance, edge_distance, grid_over, mask

PIXEL = 0.1
NOTCHED = Polygon(
    [(0, 0), (100, 0), (100, 60), (80, 90), (60, 61.7), (40, 100), (17.3, 77), (0, 80)],
    [[(20, 20), (47.3, 21.1), (33.3, 49.9)], [(60, 20), (60, 40), (80, 40), (80, 20)]],
)
LARGE = [rectangle(100, 70, 8), ellipse(100, 100), ellipse(100, 61), arch(80, 100), arch(100, 31), NOTCHED]


@pytest.mark.parametrize("outline", LARGE)
def test_areas_to_a_thousandth(outline):
    inside = mask(outline, grid_over(outline, PIXEL))
    assert inside.sum() * PIXEL**2 == pytest.approx(outline.area, rel=1e-3)


@pytest.mark.parametrize("outline", LARGE)
def test_pixels_are_those_another_library_finds(outline):
    grid = grid_over(outline, 0.37)
    across, up = grid.centres()
    points = np.column_stack([np.tile(across, grid.rows), np.repeat(up, grid.cols)])
    inside = mask(outline, grid)
    expected = np.zeros(inside.size, bool)
    for ring in shapely.get_rings(outline):  # even-odd: a hole takes away again
        expected ^= matplotlib.path.Path(shapely.get_coordinates(ring)).contains_points(points)
    np.testing.assert_array_equal(inside, expected.reshape(grid.shape))


@settings(deadline=None)
@given(width=st.floats(2, 60), height=st.floats(2, 60), pixel=st.floats(0.2, 1.3), share=st.floats(0, 1))
def test_symmetric_outlines_have_symmetric_masks(width, height, pixel, share):
    corner = share * min(width, height) / 2
    shapes = (ellipse(width, height), rectangle(width, height, corner), arch(width, height))
    for outline, upright in zip(shapes, (True, True, False), strict=True):
        inside = mask(outline, grid_over(outline, pixel))
        np.testing.assert_array_equal(inside, inside[:, ::-1])
        if upright:
            np.testing.assert_array_equal(inside, inside[::-1])


@settings(deadline=None)
@given(steps=st.integers(1, 30), side=st.integers(1, 30))
def test_edges_right_through_pixel_centres_are_outside_on_every_side(steps, side):
    # An octagon whose slanted sides, at 45 degrees, and then upright ones too, run through centres.
    cut, edge = steps * 0.1, (2 * steps + side) * 0.1
    octagon = Polygon(
        [(cut, 0), (edge - cut, 0), (edge, cut), (edge, edge - cut),
         (edge - cut, edge), (cut, edge), (0, edge - cut), (0, cut)]
    )  # fmt: skip
    for grid in (grid_over(octagon, 0.1), Grid(99, 99, 0.1, edge / 2 - 4.95, edge / 2 - 4.95)):
        inside = mask(octagon, grid)
        for mirrored in (inside[::-1], inside[:, ::-1], inside.T):
            np.testing.assert_array_equal(inside, mirrored)


@settings(deadline=None)
@given(width=st.floats(0.5, 40), height=st.floats(0.5, 40), pixel=st.floats(0.1, 0.5))
def test_a_rectangle_fills_its_map(width, height, pixel):
    grid = grid_over(rectangle(width, height), pixel)
    assert grid.cols - 1 < width / pixel + 1e-6 and grid.cols > width / pixel - 1e-6
    assert mask(rectangle(width, height), grid).all()


def test_row_0_is_the_top_and_column_0_the_left():
    flag = Polygon([(0, 0), (1, 0), (1, 4), (3, 4), (3, 6), (0, 6)])
    expected = [[1, 1, 1], [1, 1, 1], [1, 0, 0], [1, 0, 0], [1, 0, 0], [1, 0, 0]]
    assert mask(flag, grid_over(flag, 1)).astype(int).tolist() == expected


def test_an_outline_on_a_larger_map_and_several_parts():
    grid = grid_over(rectangle(10, 6), 1)
    parts = MultiPolygon([shapely.box(1, 1, 3, 2), shapely.box(8, 3, 30, 5)])
    assert mask(parts, grid).sum() == 2 + 4
    assert not mask(Polygon(), grid).any()
    assert not mask(shapely.box(20, 20, 30, 30), grid).any()


REFUSED = [
    (0, "pixel is 0 mm; allowed: a finite length of more than 0 mm"),
    (np.nan, "pixel is nan mm"),
    (1e-4, "outline of 60 × 40 mm with pixels of 0.0001 mm is too large; allowed: at most 100 megapixels"),
    (1e-300, "at most 100 megapixels"),
]


@pytest.mark.parametrize(("pixel", "words"), REFUSED)
def test_maps_that_cannot_be(pixel, words):
    with pytest.raises(PathgenError, match=words):
        grid_over(rectangle(60, 40), pixel)


def test_no_map_of_nothing():
    with pytest.raises(PathgenError, match="the outline is empty"):
        grid_over(Polygon(), 0.1)


@pytest.mark.parametrize("outline", LARGE)
def test_distances_are_those_of_general_geometry(outline):
    grid = grid_over(outline, 0.5)
    across, up = grid.centres()
    points = shapely.points(np.tile(across, grid.rows), np.repeat(up, grid.cols)).reshape(grid.shape)
    inside = mask(outline, grid)
    expected = np.where(inside, shapely.distance(points, outline.boundary), 0)
    off = np.abs(edge_distance(outline, grid) - expected)
    # Off at most where one stretch of edge takes over from another as the nearest.
    assert off.max() < 0.5 * grid.pixel
    assert np.mean(off[inside] < 1e-6) > 0.999
    near = edge_distance(outline, grid, 4.0)
    np.testing.assert_array_equal(near[near < 4], edge_distance(outline, grid)[near < 4])
    assert np.isinf(near[near >= 4]).all()


@settings(max_examples=30, deadline=None)
@given(st.integers(3, 4000), st.floats(0.1, 2))
def test_distances_do_not_depend_on_how_finely_the_edge_is_drawn(corners, pixel):
    # A disc in that many pieces: inscribed, its edge lies inside by at most r(1 − cos(π/n)) (geometry).
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    disc = Polygon(20 * np.column_stack([np.cos(angle), np.sin(angle)]))
    grid = grid_over(disc, pixel)
    deep = 20 - np.hypot(grid.centres()[0][None], grid.centres()[1][:, None])
    distance = edge_distance(disc, grid)
    inside = distance > 0
    sagitta = 20 * (1 - np.cos(np.pi / corners))
    assert (distance[inside] <= deep[inside] + 1e-6).all()
    off = deep[inside] - distance[inside] - sagitta
    assert off.max() < 1e-6


@settings(deadline=None)
@given(
    width=st.floats(0.2, 9), height=st.floats(0.2, 9), pixel=st.floats(0.05, 1), shift=st.floats(-1, 1),
)  # fmt: skip
def test_a_boxs_distances_are_those_of_general_geometry(width, height, pixel, shift):
    outline = shapely.box(shift, -shift, width + shift, height - shift)
    lain = grid_over(outline, pixel)
    grid = Grid(lain.rows + 3, lain.cols + 2, pixel, lain.u - pixel, lain.z - pixel)  # and around it
    across, up = grid.centres()
    points = shapely.points(*np.meshgrid(across, up))
    expected = np.where(shapely.contains(outline, points), shapely.distance(outline.boundary, points), 0.0)
    np.testing.assert_allclose(box_distance(outline, grid), expected, atol=1e-6)
    endless = box_distance(outline, grid, sides=False)
    assert (endless == endless[:, :1]).all()
    np.testing.assert_allclose(
        endless[:, 0], np.maximum(np.minimum(up + shift, height - shift - up), 0), atol=1e-6
    )


def test_nothing_inside_is_no_distance():
    needle = Polygon([(0, 0), (10, 9), (10, 9.001)])
    grid = grid_over(needle, 1.0)
    assert not edge_distance(needle, grid).any()
