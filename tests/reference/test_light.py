"""Transmittance against Kubelka's papers and the laws' known limits."""

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw

# T = b/(a·sinh bSX + b·cosh bSX): P. Kubelka, J. Opt. Soc. Am. 38, 448 (1948); the arithmetic is ours.
KUBELKA_1948 = [
    (0.1, 2, 1, 0.2891367), (0.1, 2, 2, 0.1354230), (0.05, 3, 0.8, 0.2764059), (0.05, 3, 3, 0.0602245),
    (1, 1, 1, 0.1645887),
]  # fmt: skip


@pytest.mark.parametrize(("absorption", "scattering", "thickness", "expected"), KUBELKA_1948)
def test_two_flux_values(absorption, scattering, thickness, expected):
    law = TwoFluxLaw(absorption, scattering)
    assert float(law.transmittance(thickness)) == pytest.approx(expected, abs=5e-8)
    assert float(law.inverse(expected)) == pytest.approx(thickness, abs=2e-6)


def test_densities():
    # D = −log10 T, ISO 5-2; values of the two walls above.
    density = -np.log10(TwoFluxLaw(0.1, 2).transmittance([1, 2]))
    assert density == pytest.approx([0.53890, 0.86831], abs=5e-6)


@pytest.mark.parametrize(("absorption", "scattering"), [(0.1, 2.0), (0.05, 3.0), (1.0, 1.0), (2.0, 0.1)])
def test_adding_layers(absorption, scattering):
    # T12 = T1·T2/(1 − R1·R2), R = 1/(a + b·coth bSX): Kubelka, J. Opt. Soc. Am. 44, 330 (1954).
    law = TwoFluxLaw(absorption, scattering)
    first, second = 1.0, 0.7
    a = 1 + absorption / scattering
    b = np.sqrt(a * a - 1)
    r1, r2 = (1 / (a + b / np.tanh(b * scattering * x)) for x in (first, second))
    t1, t2, both = law.transmittance([first, second, first + second])
    assert both == pytest.approx(t1 * t2 / (1 - r1 * r2), rel=1e-12)


def test_two_equal_layers():
    # Kubelka 1954 again, with the reflectance of the 1 mm layer given as a number.
    t = float(TwoFluxLaw(0.1, 2).transmittance(1))
    assert t * t / (1 - 0.6186068**2) == pytest.approx(0.1354230, abs=1e-7)  # both have seven digits


def test_the_two_streams_of_light_solved_numerically():
    # The equations behind the law (Kubelka 1948): di/dx = −(K+S)i + Sj, dj/dx = (K+S)j − Si, light entering
    # at x = 0 and none at the far side; scipy solves them as a boundary value problem.
    k, s, x = 0.3, 1.7, 2.2
    solved = solve_bvp(
        lambda _, y: np.array([-(k + s) * y[0] + s * y[1], (k + s) * y[1] - s * y[0]]),
        lambda near, far: np.array([near[0] - 1, far[1]]),
        np.linspace(0, x, 50), np.ones((2, 50)), tol=1e-9, max_nodes=100_000,
    )  # fmt: skip
    assert solved.success
    assert float(TwoFluxLaw(k, s).transmittance(x)) == pytest.approx(solved.sol(x)[0], abs=1e-8)


def test_without_scattering_the_law_is_exponential():
    # S → 0 gives exp(−KX) (Kubelka 1948).
    t = np.linspace(0, 5, 11)
    np.testing.assert_allclose(TwoFluxLaw(0.8, 0.0).transmittance(t), np.exp(-0.8 * t), rtol=1e-14)
    np.testing.assert_allclose(TwoFluxLaw(0.8, 1e-12).transmittance(t), np.exp(-0.8 * t), rtol=1e-10)
    np.testing.assert_allclose(
        TwoFluxLaw(0.8, 0.0).transmittance(t), ExponentialLaw(1 / 0.8).transmittance(t), rtol=1e-14
    )


def test_without_absorption_the_law_is_hyperbolic():
    # K → 0 gives 1/(1 + SX) (Kubelka 1948).
    t = np.linspace(0, 5, 11)
    for absorption in (0.0, 1e-300, 1e-15):
        np.testing.assert_allclose(TwoFluxLaw(absorption, 2.0).transmittance(t), 1 / (1 + 2 * t), rtol=1e-12)
        np.testing.assert_allclose(TwoFluxLaw(absorption, 2.0).inverse(1 / (1 + 2 * t)), t, atol=1e-12)
        np.testing.assert_allclose(TwoFluxLaw(absorption, 2.0).slope(t), -2 / (1 + 2 * t) ** 2, rtol=1e-12)


def test_a_thick_wall_decays_at_a_constant_rate():
    # −d ln T/dX → √(K(K + 2S)): 0.640312 /mm for K 0.1, S 2.
    law = TwoFluxLaw(0.1, 2.0)
    assert float(-law.slope(40) / law.transmittance(40)) == pytest.approx(0.640312, abs=5e-7)
    near, far = law.transmittance([40, 41])
    assert np.log(near / far) == pytest.approx(0.640312, abs=5e-7)


def test_one_scattering_length_lets_one_over_e_through():
    # Bouguer and Lambert's law (from memory): D = t/(ℓ·ln 10).
    law = ExponentialLaw(1.2)
    assert float(law.transmittance(1.2)) == pytest.approx(1 / np.e, rel=1e-15)
    assert -np.log10(float(law.transmittance(1.2))) == pytest.approx(0.4342945, abs=5e-8)
