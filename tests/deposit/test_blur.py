"""Smear of the nozzle and spread of the light."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.fft import dct
from scipy.integrate import quad
from scipy.stats import norm

from pathgen.deposit.blur import (
    convolve,
    frequency_response,
    gaussian_weights,
    layer_weights,
    nozzle_weights,
    smear,
    smear_layers,
    spread_light,
)
from pathgen.errors import PathgenError


@pytest.mark.parametrize("sigma", [0.05, 0.2, 0.7])
def test_light_is_conserved(sigma):
    picture = np.random.default_rng(0).uniform(0, 1, (60, 80))
    assert spread_light(picture, sigma, 0.1).sum() == pytest.approx(picture.sum(), rel=1e-6)


@pytest.mark.parametrize("nozzle", [0.25, 0.4, 0.6])
def test_plastic_is_conserved(nozzle):
    wall = np.random.default_rng(1).uniform(0.8, 3, (5, 90))
    assert smear(wall, nozzle, 0.1).sum() == pytest.approx(wall.sum(), rel=1e-6)
    assert nozzle_weights(nozzle, 0.1).sum() == pytest.approx(1.0, abs=1e-12)


def test_a_point_spreads_as_the_integral_of_the_gaussian():
    """A pixel evenly lit, seen by a pixel k further: scipy's integral of the normal density over both."""
    sigma, pixel = 0.2, 0.1
    weights = gaussian_weights(sigma, pixel)
    middle = len(weights) // 2
    for k in range(4):

        def seen(x, k=k):
            return norm.cdf((k + 0.5) * pixel - x, scale=sigma) - norm.cdf((k - 0.5) * pixel - x, scale=sigma)

        expected = quad(seen, -pixel / 2, pixel / 2)[0] / pixel
        assert weights[middle + k] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("nozzle", "pixel"), [(0.4, 0.1), (0.25, 0.1), (0.05, 0.1), (1.0, 0.07)])
def test_a_column_spreads_as_the_chord_of_a_round_opening(nozzle, pixel):
    """Chords of a circle, whose area is π·r² (geometry), integrated by scipy over two columns."""
    r = nozzle / 2
    weights = nozzle_weights(nozzle, pixel)
    middle = len(weights) // 2
    assert (middle - 1) * pixel < r <= middle * pixel  # as far as the nozzle reaches, and no further
    for k in range(middle + 1):

        def fed(x, k=k):
            """Of what is fed at 0, what falls x away, times the share of columns that are k apart there."""
            return 2 * np.sqrt(max(r * r - x * x, 0.0)) / (np.pi * r * r) * max(0.0, 1 - abs(x / pixel - k))

        low, high = max(-r, (k - 1) * pixel), min(r, (k + 1) * pixel)
        expected = quad(fed, low, high, points=[k * pixel] if low < k * pixel < high else None)[0]
        assert weights[middle + k] == pytest.approx(expected, rel=1e-6, abs=1e-9)
        assert weights[middle - k] == weights[middle + k]


def test_the_widths_are_those_that_were_asked_for():
    """Variances add: a pixel's is p²/12, the half-ellipse's (nozzle/4)², the Gaussian's σ² (textbook)."""
    pixel = 0.02  # fine against the kernels, so that a sum over pixels stands for an integral
    for weights, variance in (
        (nozzle_weights(0.4, pixel), 0.1**2),
        (gaussian_weights(0.3, pixel), 0.3**2),
    ):
        at = (np.arange(len(weights)) - len(weights) // 2) * pixel
        # From pixel to pixel: the box of the one that gives and the box of the one that takes.
        assert (weights * at**2).sum() == pytest.approx(variance + pixel**2 / 6, rel=1e-3)


def test_an_even_wall_stays_even_to_its_edges():
    wall = np.full((4, 30), 1.7)
    np.testing.assert_allclose(smear(wall, 0.6, 0.1), 1.7, rtol=1e-12)
    np.testing.assert_allclose(spread_light(wall, 2.5, 0.1), 1.7, rtol=1e-12)


def test_smear_is_along_u_alone_and_spread_alike_in_both_directions():
    point = np.zeros((41, 41))
    point[20, 20] = 1.0
    assert np.flatnonzero(smear(point, 0.4, 0.1).any(axis=1)).tolist() == [20]
    seen = spread_light(point, 0.3, 0.1)
    np.testing.assert_allclose(seen, seen.T, rtol=1e-12)
    tall = spread_light(point, 0.3, (0.2, 0.1))
    assert (tall.max(axis=1) > 1e-4).sum() < (tall.max(axis=0) > 1e-4).sum()


def test_single_precision_stays_single_and_input_stays_as_it_was():
    values = np.random.default_rng(4).uniform(0, 1, (30, 40)).astype(np.float32)
    before = values.copy()
    for result in (smear(values, 0.4, 0.1), spread_light(values, 0.2, 0.1), smear(values, 0.0, 0.1)):
        assert result.dtype == np.float32 and result.sum() == pytest.approx(values.sum(), rel=1e-6)
    assert np.array_equal(values, before)
    assert smear(np.arange(6), 0.4, 0.1).dtype == np.float64


def test_empty_gives_empty():
    assert smear(np.zeros((0, 5)), 0.4, 0.1).shape == (0, 5)
    assert spread_light(np.zeros((3, 0)), 0.4, 0.1).shape == (3, 0)


def test_zero_changes_nothing():
    values = np.random.default_rng(2).uniform(0, 1, (4, 6))
    assert np.array_equal(smear(values, 0.0, 0.1), values)
    assert np.array_equal(spread_light(values, 0.0, 0.1), values)


@pytest.mark.parametrize("blur", [smear, spread_light])
@pytest.mark.parametrize(
    ("width", "pixel"), [(-1.0, 0.1), (np.nan, 0.1), (np.inf, 0.1), (0.1, 0.0), (0.1, np.nan), (100.0, 0.1)]
)
def test_widths_that_cannot_be_are_refused(blur, width, pixel):
    with pytest.raises(PathgenError, match="pixel"):
        blur(np.ones((2, 2)), width, pixel)


def test_a_point_of_light_is_the_gaussian_of_a_general_library():
    """scipy.ndimage's sampled Gaussian, widened by two pixels' own variance, p²/12 each; and it sums to 1."""
    point = np.zeros((81, 101))
    point[40, 50] = 1.0
    seen = spread_light(point, 0.6, 0.1)
    assert seen.sum() == pytest.approx(1.0, abs=1e-6)
    expected = ndimage.gaussian_filter(point, np.sqrt(6.0**2 + 1 / 6), truncate=5.0)
    np.testing.assert_allclose(seen, expected, atol=1e-7)


@pytest.mark.parametrize(("layer", "pixel"), [(0.1, 0.1), (0.2, 0.1), (0.05, 0.1), (0.3, 0.07)])
def test_a_layer_is_a_box_along_z(layer, pixel):
    """A box integrated by scipy over two rows, and its variance, layer²/12 (textbook)."""
    weights = layer_weights(layer, pixel)
    middle = len(weights) // 2
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    for k in range(middle + 1):
        edges = sorted({e for e in ((k - 1) * pixel, k * pixel, (k + 1) * pixel) if abs(e) < layer / 2})
        shared = quad(
            lambda x, k=k: max(0.0, 1 - abs(x / pixel - k)) / layer,
            -layer / 2,
            layer / 2,
            points=edges or None,
        )[0]
        assert weights[middle + k] == pytest.approx(shared, rel=1e-6, abs=1e-9)
    fine = layer_weights(layer, 0.002)
    at = (np.arange(len(fine)) - len(fine) // 2) * 0.002
    assert (fine * at**2).sum() == pytest.approx(layer**2 / 12 + 0.002**2 / 6, rel=1e-6)


def test_layers_blur_along_z_alone():
    point = np.zeros((9, 7))
    point[4, 3] = 1.0
    made = smear_layers(point, 0.25, 0.1)
    assert np.flatnonzero(made.any(axis=0)).tolist() == [3]
    assert made.sum() == pytest.approx(1.0, rel=1e-12)
    assert np.array_equal(smear_layers(point, 0.0, 0.1), point)


@pytest.mark.parametrize("count", [3, 8, 31])
def test_a_blur_is_a_product_in_the_cosine_transform(count):
    """scipy's DCT-II; also where the kernel reaches past both edges more than once."""
    values = np.random.default_rng(5).uniform(0, 1, (4, count))
    weights = gaussian_weights(0.3, 0.1)
    direct = dct(convolve(values, weights, axis=-1), axis=-1)
    np.testing.assert_allclose(direct, dct(values, axis=-1) * frequency_response(weights, count), atol=1e-12)


def test_a_blur_is_its_own_adjoint():
    draw = np.random.default_rng(6)
    a, b = draw.normal(size=(2, 12, 17))
    for weights in (nozzle_weights(0.4, 0.1), gaussian_weights(0.5, 0.1), layer_weights(0.3, 0.1)):
        for axis in (-1, -2):
            there = np.vdot(convolve(a, weights, axis), b)
            assert there == pytest.approx(np.vdot(a, convolve(b, weights, axis)), rel=1e-12, abs=1e-12)
