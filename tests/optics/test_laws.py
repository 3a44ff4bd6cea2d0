import subprocess
import sys
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw, law
from pathgen.optics.measured_law import TableLaw
from pathgen.settings.material import Exponential, Table, TwoFlux

LAWS = [
    ExponentialLaw(1.2),
    ExponentialLaw(0.05, 0.9),
    TwoFluxLaw(0.1, 2.0),
    TwoFluxLaw(0.05, 3.0, 0.8),
    TwoFluxLaw(0.0, 2.0),
    TwoFluxLaw(5.0, 1e-9),
    TwoFluxLaw(1.0, 0.0),
    TwoFluxLaw(1e-300, 2.0),
    TableLaw((0.4, 0.8, 1.5, 2.0, 3.0), (0.5, 0.34, 0.2, 0.13, 0.06)),
]

rates = st.floats(1e-9, 20) | st.just(0.0)


def test_the_law_follows_from_the_material():
    assert law(Exponential(length=1.2, t0=0.9)) == ExponentialLaw(1.2, 0.9)
    assert law(TwoFlux(absorption=0.1, scattering=2.0, t0=0.9)) == TwoFluxLaw(0.1, 2.0, 0.9)
    steps = Table(thickness=(0.5, 1, 2, 3), transmittance=(0.5, 0.3, 0.14, 0.07))
    assert law(steps) == TableLaw((0.5, 1, 2, 3), (0.5, 0.3, 0.14, 0.07))


def test_range_and_error_come_from_the_material():
    measured = {"valid": (0.4, 3.2), "error": 0.01}
    for light in (Exponential(length=1.2, **measured), TwoFlux(absorption=0.1, scattering=2.0, **measured)):
        assert law(light).valid == (0.4, 3.2) and law(light).error == 0.01
    assert law(Exponential(length=1.2)).valid == (0.0, 100.0) and law(Exponential(length=1.2)).error is None
    table = Table(thickness=(0.5, 1, 2, 3), transmittance=(0.5, 0.3, 0.14, 0.07), **measured)
    assert law(table).valid == (0.5, 3.0)  # where both hold


def test_a_panel_of_a_plain_law_does_not_wait_for_interpolation():
    code = (
        "import sys; import numpy as np; from pathgen import optics;"
        "from pathgen.settings import load_material;"
        "import pathgen.job;"
        "optics.thickness(np.ones((3, 3)), optics.law(load_material('pla-white').light), 0.8, 3.0);"
        "sys.exit(str({'scipy.interpolate', 'scipy.optimize', 'scipy.stats'} & set(sys.modules) or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stderr.strip() in ("", "set()"), done.stderr


def test_a_type_without_a_law_is_refused_and_can_be_registered():
    @dataclass
    class Wedge:
        length: float

    with pytest.raises(
        PathgenError, match="Wedge is not a known transmittance law; allowed: Exponential, Table, TwoFlux"
    ):
        law(Wedge(2.0))
    law.register(Wedge)(lambda light: ExponentialLaw(light.length))
    assert law(Wedge(2.0)) == ExponentialLaw(2.0)


@given(absorption=rates, scattering=st.floats(1e-9, 20), t0=st.floats(0.1, 1), t=st.floats(0, 20))
def test_two_flux_inverse_undoes_transmittance(absorption, scattering, t0, t):
    two_flux = TwoFluxLaw(absorption, scattering, t0)
    transmittance = float(two_flux.transmittance(t))
    if transmittance < 1e-290:
        return
    # Where the wall barely changes the light, one rounding of T (2e-16) is a longer stretch of t.
    slack = 4e-16 * transmittance / -float(two_flux.slope(t))
    assert float(two_flux.inverse(transmittance)) == pytest.approx(t, abs=max(1e-10, slack))


@given(length=st.floats(0.05, 50), t0=st.floats(0.1, 1), t=st.floats(0, 20))
def test_exponential_inverse_undoes_transmittance(length, t0, t):
    exponential = ExponentialLaw(length, t0)
    assert float(exponential.inverse(exponential.transmittance(t))) == pytest.approx(t, abs=1e-10)


@pytest.mark.parametrize("two_way", LAWS)
def test_round_trip_over_a_panels_range(two_way):
    t = np.linspace(0, 10, 2001)
    through = two_way.transmittance(t)
    np.testing.assert_allclose(two_way.inverse(through), t, atol=1e-10)
    assert np.all(np.diff(through) < 0) and through[0] == pytest.approx(two_way.t0, rel=1e-15)


@pytest.mark.parametrize("sloping", LAWS)
def test_slope_is_the_derivative(sloping):
    t = np.linspace(0.1, 2.99, 50)  # a table has a bend where its steps end, at 3
    step = 1e-5
    difference = (sloping.transmittance(t + step) - sloping.transmittance(t - step)) / (2 * step)
    np.testing.assert_allclose(sloping.slope(t), difference, rtol=1e-6, atol=1e-10)


@pytest.mark.parametrize("thick", LAWS)
def test_walls_of_any_thickness_are_quiet(thick):
    t = np.array([0.0, 1e-12, 1.0, 1e3, 1e6, 1e300])
    through, slope = thick.transmittance(t), thick.slope(t)
    assert np.isfinite(through).all() and np.isfinite(slope).all()
    assert np.all(through >= 0) and np.all(slope <= 0)
    assert np.all(np.diff(through) <= 0)


@pytest.mark.parametrize("bound", LAWS)
def test_transmittances_out_of_range(bound):
    t = bound.inverse([-1.0, 0.0, bound.t0, 2.0])
    assert t.tolist() == [np.inf, np.inf, 0.0, 0.0]
    assert not np.signbit(t).any()


@pytest.mark.parametrize("shaped", LAWS)
@pytest.mark.parametrize("shape", [(), (0,), (3, 0), (2, 3, 4)])
def test_shapes_are_kept(shaped, shape):
    for function in (shaped.transmittance, shaped.inverse, shaped.slope):
        for dtype in (np.float32, np.float64):
            result = function(np.full(shape, 0.5, dtype=dtype))
            assert result.shape == shape and result.dtype == np.float64


def test_scattering_plastic_does_not_follow_one_exponential():
    # For an exponential ln T is a straight line over thickness; with scattering it bends.
    t = np.array([1.0, 2.0, 3.0])
    bends = [
        abs(np.diff(np.log(each.transmittance(t)), 2)[0]) for each in (ExponentialLaw(1), TwoFluxLaw(0.1, 2))
    ]
    assert bends[0] < 1e-12 and bends[1] > 0.05
