import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.thickness import BLOCK, map_blocks, thickness

TWO_FLUX = TwoFluxLaw(0.1, 2.0)


def test_white_is_thinnest_and_black_is_thickest():
    t = thickness(np.array([[0.0, 1.0], [-0.2, 1.7]]), TWO_FLUX, 0.8, 3.0)
    np.testing.assert_allclose(t, [[3.0, 0.8], [3.0, 0.8]], atol=1e-12)
    assert t.min() >= 0.8 and t.max() <= 3.0


@pytest.mark.parametrize("law", [TWO_FLUX, ExponentialLaw(1.2), TwoFluxLaw(0, 3, 0.9)])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_light_through_the_panel_is_in_proportion_to_the_picture(law, dtype):
    y = np.linspace(0, 1, 3 * BLOCK + 17, dtype=dtype)
    t = thickness(y, law, 0.8, 3.0)
    assert t.dtype == np.float64 and np.all(np.diff(t) <= 0)
    white, black = law.transmittance([0.8, 3.0])
    np.testing.assert_allclose((law.transmittance(t) - black) / (white - black), y, atol=1e-12)


@given(
    thinnest=st.floats(0, 5),
    more=st.floats(0, 5),
    absorption=st.floats(0, 10),
    scattering=st.floats(0.01, 10),
)
def test_any_law_stays_in_the_range_asked_for(thinnest, more, absorption, scattering):
    t = thickness(np.linspace(0, 1, 9), TwoFluxLaw(absorption, scattering), thinnest, thinnest + more)
    assert np.all((t >= thinnest) & (t <= thinnest + more))


def test_a_law_that_lets_nothing_through_still_gives_a_panel():
    t = thickness(np.array([0.0, 0.5, 1.0]), ExponentialLaw(0.001), 0.8, 3.0)
    assert np.all((t >= 0.8) & (t <= 3.0))


@pytest.mark.parametrize("shape", [(0,), (0, 3), ()])
def test_empty_and_single_values(shape):
    assert thickness(np.ones(shape), TWO_FLUX, 0.8, 3.0).shape == shape


@pytest.mark.parametrize("order", ["C", "F"])
def test_the_picture_stays_the_way_up_it_is(order):
    y = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]], order=order)
    t = thickness(y, TWO_FLUX, 0.8, 3.0)
    assert np.argsort(t, axis=None).tolist() == [5, 4, 3, 2, 1, 0]
    np.testing.assert_array_equal(thickness(y[::-1, ::-1], TWO_FLUX, 0.8, 3.0), t[::-1, ::-1])


@pytest.mark.parametrize("ends", [(3.0, 0.8), (-1, 3), (float("nan"), 3), (0.8, float("inf"))])
def test_ranges_that_are_none_are_refused(ends):
    with pytest.raises(
        PathgenError, match="thinnest is .* mm and thickest is .* mm .*; allowed: 0 ≤ thinnest ≤ thickest"
    ):
        thickness(np.ones((2, 2)), TWO_FLUX, *ends)


def test_luminance_that_is_no_number_is_refused():
    with pytest.raises(PathgenError, match="luminance contains NaN"):
        thickness(np.array([0.5, np.nan]), TWO_FLUX, 0.8, 3.0)


def test_blocks_cover_every_value_once():
    values = np.arange(2.0 * BLOCK + 3).reshape(-1, 1)
    sizes = []

    def spy(block):
        sizes.append(block.size)
        return block + 1.0

    np.testing.assert_array_equal(map_blocks(spy, values), values + 1)
    assert sizes == [BLOCK, BLOCK, 3]
