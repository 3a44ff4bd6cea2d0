"""Where a picture lies on the panel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage import data, transform

from pathgen.errors import PathgenError
from pathgen.panel.crop import picture_pixel, place_picture, show_picture
from pathgen.panel.pixels import Grid
from pathgen.picture import fit_to_panel, resample

PHOTO = data.camera() / 255
# A letter-like picture: none of its turns or mirror images is itself.
FLAG = np.zeros((40, 60))
FLAG[:, :10], FLAG[:10, 10:50], FLAG[18:24, 10:30] = 1.0, 0.7, 0.4


def square(side, pixel=1.0):
    return Grid(side, side, pixel, 0.0, 0.0)


def sample(picture, place):
    return ndimage.map_coordinates(picture, place, order=1, mode="nearest")


def test_a_picture_of_the_windows_own_pixels_is_left_alone():
    grid = Grid(40, 60, 0.5, 3.0, -2.0)  # wherever the map lies
    np.testing.assert_allclose(sample(FLAG, place_picture(FLAG.shape, grid)), FLAG, atol=1e-12)


def test_by_default_the_crop_is_centred():
    wide = np.tile(np.arange(300.0), (100, 1))
    grid = square(100)
    np.testing.assert_allclose(sample(wide, place_picture(wide.shape, grid))[50], np.arange(100, 200))
    place = place_picture((300, 100), grid)
    np.testing.assert_allclose(place[0][:, 0], np.arange(100, 200))


@pytest.mark.parametrize("quarter", [0, 1, 2, 3, -1, 4])
def test_quarter_turns_are_counter_clockwise(quarter):
    grid = square(40)
    turned = sample(FLAG[:, :40], place_picture((40, 40), grid, rotation=90 * quarter))
    expected = np.rot90(FLAG[:, :40], quarter)  # numpy: counter-clockwise
    np.testing.assert_allclose(turned, expected, atol=1e-12)


def test_other_turns_are_those_of_another_library():
    grid = square(512)
    turned = sample(PHOTO, place_picture(PHOTO.shape, grid, zoom=0.75, rotation=20))
    scale = np.cos(np.radians(20)) + np.sin(np.radians(20))  # a turned square covers the window
    expected = transform.rotate(PHOTO, 20, order=1)  # scikit-image: counter-clockwise
    place = (np.arange(512) - 255.5) / (scale * 0.75) + 255.5
    shrunk = ndimage.map_coordinates(expected, np.meshgrid(place, place, indexing="ij"), order=1)
    inside = np.hypot(*np.meshgrid(np.arange(512) - 255.5, np.arange(512) - 255.5)) < 150
    assert np.abs(turned - shrunk)[inside].mean() < 0.02


@settings(deadline=None)
@given(
    rows=st.integers(1, 400), cols=st.integers(1, 400), wide=st.integers(5, 60), high=st.integers(5, 60),
    rotation=st.floats(-360, 360), zoom=st.floats(1, 20), centre=st.tuples(st.floats(0, 1), st.floats(0, 1)),
)  # fmt: skip
def test_from_zoom_1_on_the_picture_covers_the_window(rows, cols, wide, high, rotation, zoom, centre):
    grid = Grid(high, wide, 1.0, 0.0, 0.0)
    row, col = place_picture((rows, cols), grid, centre, zoom, rotation)
    assert row.min() >= -0.5 - 1e-6 * rows and row.max() <= rows - 0.5 + 1e-6 * rows
    assert col.min() >= -0.5 - 1e-6 * cols and col.max() <= cols - 0.5 + 1e-6 * cols


@settings(deadline=None)
@given(rotation=st.floats(-360, 360), zoom=st.floats(0.1, 20))
def test_pixels_are_as_large_as_said(rotation, zoom):
    grid = square(50, 0.3)
    row, col = place_picture((70, 90), grid, zoom=zoom, rotation=rotation)
    step = np.hypot(np.diff(row, axis=1), np.diff(col, axis=1))
    np.testing.assert_allclose(0.3 / step, picture_pixel((70, 90), grid, zoom, rotation), rtol=1e-9)


def test_the_centre_is_where_it_is_put_while_it_covers():
    grid = square(101)
    row, col = place_picture((400, 400), grid, (0.4, 0.7), zoom=3)
    assert (col[50, 50] + 0.5) / 400 == pytest.approx(0.4)
    assert (row[50, 50] + 0.5) / 400 == pytest.approx(1 - 0.7)  # up is up
    row, col = place_picture((400, 400), grid, (0.0, 1.0), zoom=3)
    assert col[0, 0] == pytest.approx(row[0, 0]) and -0.5 <= col[0, 0] < 1


def test_a_picture_smaller_than_the_window_stays_inside_it():
    grid = square(100)
    row, col = place_picture((50, 50), grid, (0.0, 0.5), zoom=0.5)
    # Half as wide as the window, its left edge in the middle; half as high, above and below the same.
    assert col[0, 99] == pytest.approx(49) and row[0, 0] == pytest.approx(-25)
    row, col = place_picture((50, 50), grid, (0.0, 0.5), zoom=0.8)
    # 80 mm wide, it goes no further right than the window: its left edge is at 20 mm.
    assert col[0, 20] == pytest.approx(0.5 / 1.6 - 0.5) and col[0, 99] == pytest.approx(50 - 0.5 / 1.6 - 0.5)


def test_a_smaller_copy_is_placed_alike():
    grid = square(64)
    options = {"centre": (0.3, 0.6), "zoom": 1.7, "rotation": 33.0}
    large = place_picture((512, 512), grid, **options)
    small = place_picture((128, 128), grid, **options)
    np.testing.assert_allclose((large + 0.5) / 4, small + 0.5, atol=1e-9)


def test_the_size_of_a_picture_pixel():
    assert picture_pixel((512, 512), Grid(60, 100, 0.5, 0, 0), zoom=2) == pytest.approx(2 * 50 / 512)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
@pytest.mark.parametrize("walls", [False, True])
def test_quarter_turns_of_the_maps_own_pixels_are_exact(quarter, walls):
    grid = square(40)
    shown = show_picture(FLAG[:, :40], grid, rotation=90 * quarter, bare=9.0, walls=walls)
    np.testing.assert_allclose(shown, np.rot90(FLAG[:, :40], quarter), atol=1e-9)


@pytest.mark.parametrize("side", [60, 511, 900])
def test_placed_by_the_defaults_is_fitted(side):
    # Reduced or enlarged, what is shown is what the fit by the general-purpose image library gives.
    grid = square(side)
    shown = show_picture(PHOTO, grid, bare=1.0)
    fitted = fit_to_panel(PHOTO, side, side, 1.0)
    off = np.abs(shown - fitted)[2:-2, 2:-2]  # splines and the library's cubics differ at borders
    assert off.mean() < 0.004 and np.percentile(off, 99) < 0.06
    assert shown.min() >= PHOTO.min() and shown.max() <= PHOTO.max()


def test_a_fine_picture_is_reduced_before_it_is_turned():
    # A chequerboard much finer than the map is grey, whichever way it is turned; sampled as it is, it would
    # be black and white.
    board = (np.indices((400, 400)).sum(axis=0) % 2).astype(float)
    grid = square(40)
    for rotation in (0.0, 30.0, 45.0):
        shown = show_picture(board, grid, rotation=rotation, bare=1.0)
        np.testing.assert_allclose(shown, 0.5, atol=0.1)


def test_what_is_not_covered_is_bare():
    grid = square(40)
    shown = show_picture(np.full((8, 8), 0.25), grid, zoom=0.5, bare=1.0)
    expected = np.ones((40, 40))
    expected[10:30, 10:30] = 0.25
    np.testing.assert_array_equal(shown, expected)


@settings(deadline=None, max_examples=30)
@given(
    seed=st.integers(0, 99), side=st.integers(3, 90), rotation=st.floats(-360, 360), zoom=st.floats(0.3, 1.4),
    gaps=st.floats(0, 0.9),
)  # fmt: skip
def test_a_gap_thins_no_wall(seed, side, rotation, zoom, gaps):
    random = np.random.default_rng(seed)
    wall = np.where(random.random((side, side)) < gaps, 0.0, random.uniform(0.8, 3.0, (side, side)))
    wall[0, 0] = 2.0
    grid = square(20)
    shown = show_picture(wall, grid, zoom=zoom, rotation=rotation, bare=0.0, walls=True)
    solid = shown[shown > 0]
    assert (solid >= wall[wall > 0].min() - 1e-12).all() and (solid <= wall.max()).all()


def test_a_gaps_edge_stays_where_it_is():
    wall = np.full((400, 400), 1.7)
    wall[:, :150] = 0.0
    grid = square(40)
    shown = show_picture(wall, grid, rotation=90, bare=9.0, walls=True)
    # Fifteen pixels wide, and below after the quarter turn.
    np.testing.assert_array_equal(shown[25:], 0.0)
    np.testing.assert_allclose(shown[:25], 1.7, atol=1e-6)
    # Blended with nothing it would not be: the plain way thins the wall beside the gap.
    plain = resample(np.roll(wall, 3, axis=1), 40, 40)
    assert ((plain > 0) & (plain < 1.6)).any()


def test_a_zoom_that_leaves_a_speck_is_refused():
    grid = square(40)
    words = "zoom 25 shows only 1.6 × 1.6 pixels of the picture .zoom.; allowed: at most 20, at which 2 × 2"
    with pytest.raises(PathgenError, match=words):
        show_picture(FLAG, grid, zoom=25, bare=1.0)
    assert show_picture(FLAG, grid, zoom=20, bare=1.0).shape == (40, 40)


GRID = square(10)
REFUSED = [
    (lambda: place_picture((0, 5), GRID), "the picture has 0 × 5 pixels"),
    (lambda: place_picture((5, 5), GRID, zoom=0), "zoom is 0 .zoom.; allowed: 0.05 to 50"),
    (lambda: place_picture((5, 5), GRID, zoom=np.nan), "zoom is nan"),
    (lambda: place_picture((5, 5), GRID, rotation=np.inf), "rotation is inf degrees"),
    (lambda: place_picture((5, 5), GRID, rotation=361), "allowed: -360 to 360 degrees"),
    (lambda: place_picture((5, 5), GRID, (0.5, 1.1)), "centre is 0.5, 1.1; allowed: two fractions"),
    (lambda: place_picture((5, 5), GRID, (np.nan, 0.5)), "centre is nan, 0.5"),
]


@pytest.mark.parametrize(("make", "words"), REFUSED)
def test_refusals(make, words):
    with pytest.raises(PathgenError, match=words):
        make()
