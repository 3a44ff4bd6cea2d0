"""Smear of the bore and spread of the light."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from pathgen.errors import PathgenError
from pathgen.optics.smear import bore_weights, gaussian_weights, smear, spread


@pytest.mark.parametrize("sigma", [0.05, 0.2, 0.7])
def test_light_is_conserved(sigma):
    picture = np.random.default_rng(0).uniform(0, 1, (60, 80))
    assert spread(picture, sigma, 0.1).sum() == pytest.approx(picture.sum(), rel=1e-6)


@pytest.mark.parametrize("bore", [0.25, 0.4, 0.6])
def test_plastic_is_conserved(bore):
    wall = np.random.default_rng(1).uniform(0.8, 3, (5, 90))
    assert smear(wall, bore, 0.1).sum() == pytest.approx(wall.sum(), rel=1e-6)
    assert bore_weights(bore, 0.1).sum() == pytest.approx(1.0, abs=1e-12)


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


def test_zero_changes_nothing():
    values = np.random.default_rng(2).uniform(0, 1, (4, 6))
    assert np.array_equal(smear(values, 0.0, 0.1), values)
    assert np.array_equal(spread(values, 0.0, 0.1), values)


@pytest.mark.parametrize(
    "call", [lambda: smear(np.ones((2, 2)), -1.0, 0.1), lambda: spread(np.ones((2, 2)), 0.1, 0.0)]
)
def test_widths_that_cannot_be_are_refused(call):
    with pytest.raises(PathgenError):
        call()
