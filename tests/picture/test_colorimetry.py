import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.picture.colorimetry import WEIGHTS, decode_srgb, encode_srgb, lightness, luminance


@given(st.lists(st.floats(0, 1), min_size=1, max_size=50))
def test_encoding_undoes_decoding(values):
    # The standard's two branches meet only to about 1e-8 at the joint.
    np.testing.assert_allclose(encode_srgb(decode_srgb(values)), values, atol=1e-6)


@pytest.mark.parametrize("function", [decode_srgb, encode_srgb, lightness])
def test_functions_rise_keep_shapes_and_take_empty_input(function):
    ramp = function(np.linspace(0, 1, 1001).reshape(7, 11, 13))
    assert ramp.shape == (7, 11, 13) and ramp.dtype == np.float64
    assert np.all(np.diff(ramp.ravel()) > 0)
    assert function([]).shape == (0,)


@pytest.mark.parametrize("function", [decode_srgb, encode_srgb])
def test_values_outside_the_range_are_clipped(function):
    assert function([-0.5, 1.5]) == pytest.approx([0, 1], abs=1e-15)


def test_lightness_of_no_light_and_of_more_than_white():
    assert lightness(-0.1) == 0
    assert lightness(1.2) > 100


def test_luminance_weighs_the_last_axis():
    picture = np.zeros((2, 5, 3))
    picture[0, 1], picture[1, 4] = (1, 0, 0), (0, 0, 1)
    y = luminance(picture)
    assert y.shape == (2, 5)
    assert (y[0, 1], y[1, 4], y.sum()) == pytest.approx((WEIGHTS[0], WEIGHTS[2], WEIGHTS[0] + WEIGHTS[2]))
    assert luminance(np.empty((0, 3))).shape == (0,)
