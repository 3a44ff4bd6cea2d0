import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage import data, transform

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import decode_srgb
from pathgen.picture.sizing import fit_to_panel, proportions, resample, tone_notes


def photo():
    return decode_srgb(data.camera() / 255).astype(np.float32)


def test_proportions_fill_in_the_missing_side():
    picture = np.zeros((200, 300))
    assert proportions(picture) == pytest.approx((100, 200 / 3))
    assert proportions(picture, width=90) == pytest.approx((90, 60))
    assert proportions(picture, height=90) == pytest.approx((135, 90))
    assert proportions(picture, width=50, height=70) == (50, 70)


@pytest.mark.parametrize("side", [0, -3, float("nan"), float("inf")])
def test_sides_that_are_no_length_are_refused(side):
    with pytest.raises(PathgenError, match="height is"):
        proportions(np.zeros((2, 2)), height=side)
    for lengths in ((side, 10, 1), (10, side, 1), (10, 10, side)):
        with pytest.raises(PathgenError, match="allowed: a length above 0"):
            fit_to_panel(np.zeros((2, 2)), *lengths)


@pytest.mark.parametrize("shape", [(0, 5), (5, 0), (5,), (2, 2, 3)])
def test_what_is_no_picture_is_refused(shape):
    for function in (lambda a: fit_to_panel(a, 10, 10, 1), proportions, lambda a: resample(a, 2, 2)):
        with pytest.raises(PathgenError, match="is not a picture"):
            function(np.zeros(shape))


@pytest.mark.parametrize(("width", "pixel"), [(10, 8), (1e5, 0.1), (1e300, 1e-300)])
def test_panels_of_too_few_or_too_many_pixels_are_refused(width, pixel):
    with pytest.raises(PathgenError, match="at least 2 × 2 pixels, at most 100 megapixels"):
        fit_to_panel(np.zeros((5, 5)), width, width, pixel)


@given(
    rows=st.integers(1, 40), cols=st.integers(1, 40), width=st.floats(2, 60), height=st.floats(2, 60),
    pixel=st.floats(0.3, 1),
)  # fmt: skip
def test_any_picture_fits_any_panel(rows, cols, width, height, pixel):
    picture = np.random.default_rng(rows * 41 + cols).random((rows, cols), dtype=np.float32)
    fitted = fit_to_panel(picture, width, height, pixel)
    assert fitted.shape == (round(height / pixel), round(width / pixel)) and fitted.dtype == np.float32
    assert fitted.min() >= 0 and fitted.max() <= 1
    np.testing.assert_array_equal(
        fit_to_panel(np.full_like(picture, 0.25), width, height, pixel), np.float32(0.25)
    )


def test_a_picture_of_the_panels_own_pixels_is_left_alone():
    np.testing.assert_array_equal(fit_to_panel(photo(), 51.2, 51.2, 0.1), photo())


def test_the_crop_is_about_the_centre_and_in_the_right_direction():
    wide = np.tile(np.linspace(0, 1, 300, dtype=np.float32), (100, 1))
    wide[:50] *= 0.5  # top darker
    fitted = fit_to_panel(wide, 10, 10, 0.1)
    np.testing.assert_array_equal(fitted, wide[:, 100:200])
    tall = wide.T.copy()
    np.testing.assert_array_equal(fit_to_panel(tall, 10, 10, 0.1), tall[100:200])


def test_shrinking_keeps_the_light():
    # A filter that averages keeps the mean of linear luminance; so does any outside area averaging.
    fitted = fit_to_panel(photo(), 12.8, 12.8, 0.1)
    assert fitted.mean() == pytest.approx(photo().mean(), rel=2e-3)
    area = transform.downscale_local_mean(photo(), (4, 4))
    assert np.sqrt(np.mean((fitted - area) ** 2)) < 0.02


def test_shrinking_does_not_alias():
    # Stripes finer than the panel's pixels must turn grey, not into coarser stripes.
    stripes = np.tile(np.array([0, 1], dtype=np.float32), (200, 251))[:, :500]
    np.testing.assert_allclose(fit_to_panel(stripes, 11.1, 4.4, 0.1)[:, 2:-2], 0.5, atol=0.02)


def test_a_bright_edge_casts_no_dark_seam():
    edge = np.full((400, 400), 0.1, dtype=np.float32)
    edge[:, 200:] = 1
    fitted = fit_to_panel(edge, 9.7, 9.7, 0.1)
    assert fitted.min() == pytest.approx(0.1, abs=1e-6) and fitted.max() == pytest.approx(1, abs=1e-6)


def test_enlarging_stays_in_range_and_goes_through_the_picture():
    enlarged = fit_to_panel(photo()[:64, :64], 12.8, 12.8, 0.05)
    assert enlarged.shape == (256, 256) and enlarged.min() >= 0 and enlarged.max() <= 1
    back = transform.downscale_local_mean(enlarged, (4, 4))
    assert np.sqrt(np.mean((back - photo()[:64, :64]) ** 2)) < 0.02


def test_the_picture_handed_in_is_not_changed():
    picture = np.random.default_rng(0).random((30, 40), dtype=np.float32)
    before = picture.copy()
    fit_to_panel(picture, 40, 30, 1)[:] = 0
    np.testing.assert_array_equal(picture, before)
    thickness = before.astype(np.float64)
    resample(thickness, 30, 40)[:] = 0
    np.testing.assert_array_equal(thickness, before.astype(np.float64))


@pytest.mark.parametrize(("rows", "cols"), [(1, 1), (7, 5), (60, 80), (31, 80), (200, 20)])
def test_resampled_maps_stay_in_the_range_of_the_map(rows, cols):
    t = 0.8 + 2.2 * np.random.default_rng(3).random((60, 40))
    fine = resample(t, rows, cols)
    assert fine.shape == (rows, cols) and fine.dtype == np.float64
    assert t.min() <= fine.min() and fine.max() <= t.max()
    assert fine.mean() == pytest.approx(t.mean(), abs=0.12)


def test_a_slope_stays_a_slope():
    slope = np.tile(np.linspace(0.5, 3.5, 60), (40, 1))
    centres = (np.arange(120) + 0.5) / 2 - 0.5  # of the finer pixels, in coarser ones
    expected = np.interp(centres, np.arange(60), slope[0])
    np.testing.assert_allclose(resample(slope, 80, 120), np.tile(expected, (80, 1)), atol=1e-5)
    coarse = slope[0].reshape(20, 3).mean(axis=1)
    np.testing.assert_allclose(resample(slope, 20, 20)[:, 1:-1], np.tile(coarse[1:-1], (20, 1)), atol=1e-5)


def test_a_map_of_the_size_asked_for_is_exact():
    t = np.array([[1 / 3, 2 / 3], [1.1, 2.2]])
    np.testing.assert_array_equal(resample(t, 2, 2), t)


def test_no_map_of_no_pixels():
    with pytest.raises(PathgenError, match="map has 0 × 3 pixels"):
        resample(np.ones((2, 2)), 3, 0)


def test_remarks_on_pictures_with_little_to_show():
    assert tone_notes(photo()) == []
    assert tone_notes(np.zeros((0, 0))) == []
    assert "completely black" in tone_notes(np.zeros((9, 9)))[0]
    assert "completely white" in tone_notes(np.ones((9, 9)))[0]
    grey = 0.2 + 0.01 * np.random.default_rng(0).random((50, 50))
    assert "little contrast" in tone_notes(grey)[0]
    grey[0, 0], grey[0, 1] = 0, 1  # two specks do not make a picture
    assert "little contrast" in tone_notes(grey)[0]
    assert tone_notes(np.where(np.arange(100).reshape(10, 10) < 50, 0.0, 1.0)) == []


def test_remarks_on_a_large_picture_are_those_on_its_sample():
    assert "little contrast" in tone_notes(np.full((1500, 3000), 0.3, dtype=np.float32))[0]
