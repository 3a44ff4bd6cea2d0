import numpy as np
import pytest

from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.predict import backlit, contrast, density
from pathgen.optics.thickness import thickness

TWO_FLUX = TwoFluxLaw(0.1, 2.0, 0.9)


def test_white_is_one_and_black_is_what_contrast_says():
    t = np.array([[0.8, 3.0], [1.5, 0.6]])
    y = backlit(t, TWO_FLUX, 0.8)
    assert y[0, 0] == 1 and y[1, 1] > 1 > y[1, 0] > y[0, 1]
    assert 1 / y[0, 1] == pytest.approx(contrast(TWO_FLUX, 0.8, 3.0), rel=1e-12)


def test_by_default_the_thinnest_there_is_counts_as_white():
    t = np.array([[1.2, 3.0], [1.5, 0.6]])
    np.testing.assert_array_equal(backlit(t, TWO_FLUX), backlit(t, TWO_FLUX, 0.6))


def test_the_panel_shows_the_picture_it_was_made_from():
    picture = np.random.default_rng(2).random((40, 30))
    shown = backlit(thickness(picture, TWO_FLUX, 0.8, 3.0), TWO_FLUX, 0.8)
    black = 1 / contrast(TWO_FLUX, 0.8, 3.0)
    np.testing.assert_allclose(shown, black + picture * (1 - black), atol=1e-12)


@pytest.mark.parametrize("shape", [(0,), (4, 0)])
def test_empty_input(shape):
    assert backlit(np.empty(shape), TWO_FLUX).shape == shape
    assert density(np.empty(shape)).shape == shape


def test_nothing_coming_through_is_infinite_contrast_and_density():
    assert contrast(ExponentialLaw(0.001), 0.1, 3.0) == np.inf
    assert contrast(TWO_FLUX, 1.0, 1.0) == 1
    assert density(0.0) == np.inf
    assert not np.signbit(density(1.0))
