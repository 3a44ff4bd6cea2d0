import numpy as np
import pytest
from scipy.fft import dctn

from pathgen.deposit.blur import smear, spread_light
from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.predict import PictureModel, backlit, viewed
from pathgen.optics.thickness import thickness

TWO_FLUX = TwoFluxLaw(0.1, 2.0, 0.9)


def test_white_is_one_and_black_is_the_ratio_of_the_transmittances():
    t = np.array([[0.8, 3.0], [1.5, 0.6]])
    y = backlit(t, TWO_FLUX, 0.8)
    assert y[0, 0] == 1 and y[1, 1] > 1 > y[1, 0] > y[0, 1]
    white, black = TWO_FLUX.transmittance([0.8, 3.0])
    assert y[0, 1] == pytest.approx(black / white, rel=1e-12)


def test_by_default_the_thinnest_there_is_counts_as_white():
    t = np.array([[1.2, 3.0], [1.5, 0.6]])
    np.testing.assert_array_equal(backlit(t, TWO_FLUX), backlit(t, TWO_FLUX, 0.6))


def test_the_panel_shows_the_picture_it_was_made_from():
    picture = np.random.default_rng(2).random((40, 30))
    shown = backlit(thickness(picture, TWO_FLUX, 0.8, 3.0), TWO_FLUX, 0.8)
    black = TWO_FLUX.transmittance(3.0) / TWO_FLUX.transmittance(0.8)
    np.testing.assert_allclose(shown, black + picture * (1 - black), atol=1e-12)


@pytest.mark.parametrize("shape", [(0,), (4, 0)])
def test_empty_input(shape):
    assert backlit(np.empty(shape), TWO_FLUX).shape == shape


def wall_of(shape=(30, 40), seed=3):
    return np.random.default_rng(seed).uniform(0.8, 3.0, shape)


def test_without_blur_seen_is_backlit():
    wall = wall_of()
    np.testing.assert_allclose(viewed(wall, TWO_FLUX, 0.1), backlit(wall, TWO_FLUX), rtol=1e-12)
    np.testing.assert_allclose(
        viewed(wall, TWO_FLUX, 0.1, thinnest=0.5), backlit(wall, TWO_FLUX, 0.5), rtol=1e-12
    )


def test_one_width_is_smear_then_law_then_spread():
    wall = wall_of()
    expected = spread_light(backlit(smear(wall, 0.4, 0.1), TWO_FLUX, 0.8), 0.2, 0.1)
    np.testing.assert_allclose(
        viewed(wall, TWO_FLUX, 0.1, nozzle=0.4, spread=(0.2, 0.0), thinnest=0.8), expected, rtol=1e-12
    )


@pytest.mark.parametrize("widths", [(0.2, 0.0), (0.0, 0.1), (0.05, 0.1), (0.1, 0.3)])
def test_light_is_kept_however_it_spreads(widths):
    wall = wall_of()
    through = backlit(wall, TWO_FLUX, 0.8).sum()
    assert viewed(wall, TWO_FLUX, 0.1, spread=widths, thinnest=0.8).sum() == pytest.approx(through, rel=1e-12)
    single = viewed(wall.astype(np.float32), TWO_FLUX, 0.1, spread=widths, thinnest=0.8)
    assert single.dtype == np.float32 and single.sum(dtype=float) == pytest.approx(through, rel=1e-6)


def test_an_even_wall_is_seen_evenly():
    even = np.full((20, 25), 1.9)
    light = viewed(even, TWO_FLUX, 0.1, layer=0.1, nozzle=0.4, spread=(0.05, 0.1), thinnest=0.8)
    np.testing.assert_allclose(light, backlit(even, TWO_FLUX, 0.8), rtol=1e-9)


@pytest.mark.parametrize(("start", "growth"), [(0.05, 0.1), (0.0, 0.15), (0.1, 0.3)])
def test_spread_that_grows_is_near_a_gaussian_of_each_pixels_own(start, growth):
    """Every pixel's light spread by itself, one at a time, over a wall twice mirrored."""
    wall, pixel = wall_of((15, 18), seed=8), 0.1
    light = backlit(wall, TWO_FLUX, 0.8)
    expected = np.zeros_like(light)
    for at in np.ndindex(wall.shape):
        alone = np.zeros_like(light)
        alone[at] = light[at]
        expected += spread_light(alone, start + growth * wall[at], pixel)
    got = viewed(wall, TWO_FLUX, pixel, spread=(start, growth), thinnest=0.8)
    even = spread_light(light, start + growth * wall.mean(), pixel)
    assert np.abs(got - expected).max() < 0.01 * expected.max()
    assert np.abs(got - expected).max() < 0.25 * np.abs(even - expected).max()


def test_the_variance_of_each_pixels_light_is_exact():
    """Of a point amid black: the variance along u, less two pixels' own (textbook, p²/12 each)."""
    pixel, start, growth, t = 0.1, 0.05, 0.15, 1.7
    model = PictureModel(ExponentialLaw(1.2), pixel, 0.0, 0.0, (start, growth), 0.8, (0.8, 3.0))
    wall = np.full((101, 101), 80.0)  # lets nothing through
    wall[50, 50] = t
    light = model.luminance(wall)
    along = light.sum(axis=0) / light.sum()
    at = (np.arange(101) - 50) * pixel
    assert (along * at**2).sum() - pixel**2 / 6 == pytest.approx((start + growth * t) ** 2, rel=1e-4)
    assert len(model.widths) > 2


def test_all_blurs_together_are_a_product_in_the_cosine_transform():
    """scipy's DCT-II of all three blurs, one after the other."""
    model = PictureModel(TWO_FLUX, 0.1, 0.1, 0.4, (0.1, 0.05), 0.8, (0.8, 3.0))
    wall = wall_of((6, 9))
    blurred = spread_light(model.wall(wall), 0.1 + 0.05 * 2.0, 0.1)
    np.testing.assert_allclose(dctn(blurred), dctn(wall) * model.response((6, 9), 2.0), atol=1e-12)


@pytest.mark.parametrize("growth", [1e-30, 1e-20, 1e-12])
@pytest.mark.parametrize("start", [0.0, 0.2])
def test_a_spread_that_hardly_grows_does_not(start, growth):
    wall = wall_of((9, 12))
    flat = viewed(wall, TWO_FLUX, 0.1, spread=(start, 0.0))
    np.testing.assert_allclose(viewed(wall, TWO_FLUX, 0.1, spread=(start, growth)), flat, rtol=1e-6)


@pytest.mark.parametrize("widths", [(-0.1, 0.1), (0.1, -0.1), (float("nan"), 0.0), (0.0, 1e6)])
def test_spreads_that_cannot_be_are_refused(widths):
    with pytest.raises(PathgenError):
        viewed(wall_of((4, 5)), TWO_FLUX, 0.1, spread=widths)


def test_what_is_no_number_is_refused_and_empty_is_empty():
    with pytest.raises(PathgenError, match="contains NaN"):
        viewed(np.array([[1.0, np.nan]]), TWO_FLUX, 0.1)
    assert viewed(np.empty((0, 4)), TWO_FLUX, 0.1).shape == (0, 4)
    assert viewed(np.empty((0, 4), np.float32), TWO_FLUX, 0.1).dtype == np.float32


@pytest.mark.parametrize("between", [(0.8, 3.0), (0.4, 1.0), (1.0, 8.0)])
@pytest.mark.parametrize("spread", [(0.0, 0.05), (0.0, 0.3), (0.1, 0.02), (0.5, 1.0)])
@pytest.mark.parametrize("pixel", [0.1, 0.4])
def test_copies_are_as_few_as_their_ratio_allows(pixel, spread, between):
    """Eased by a quarter pixel, neighbours differ by one ratio, of 1.25 at most; with one fewer, by more."""
    widths = PictureModel(TWO_FLUX, pixel, 0.1, 0.4, spread, 1.0, between).widths
    assert (widths[0], widths[-1]) == pytest.approx([spread[0] + spread[1] * t for t in between])
    eased = np.array(widths) + pixel / 4
    ratios = eased[1:] / eased[:-1]
    assert np.ptp(ratios) < 1e-9 and 1 < ratios[0] <= 1.25 + 1e-9
    assert len(widths) == 2 or (eased[-1] / eased[0]) ** (1 / (len(widths) - 2)) >= 1.25 - 1e-9
