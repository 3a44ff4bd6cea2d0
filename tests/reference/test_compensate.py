"""Compensated maps against general libraries: scipy's optimisers and integrals, scikit-image's similarity."""

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.optimize import LinearConstraint, check_grad, minimize
from scipy.stats import norm
from skimage import data
from skimage.color import xyz2lab
from skimage.metrics import structural_similarity

from pathgen import optics, picture
from pathgen.optics.inverse import MapBounds, Misfit, compensate
from pathgen.optics.laws import TwoFluxLaw
from pathgen.optics.predict import PictureModel, backlit, viewed
from pathgen.picture.colorimetry import decode_srgb, lightness_and_slope, luminance

LAW = TwoFluxLaw(0.1, 2.0)
BLUR = {"layer": 0.1, "nozzle": 0.4, "spread": (0.2, 0.0)}


def plain_of(name, width):
    encoded = getattr(data, name)() / 255
    light = luminance(decode_srgb(encoded)) if encoded.ndim == 3 else decode_srgb(encoded)
    fitted = picture.fit_to_panel(light.astype(np.float32), *picture.proportions(light, width), 0.1)
    return optics.thickness(fitted, LAW, 0.8, 3.0)


# CIE e-ILV 17-23-076; the arithmetic is ours.
@pytest.mark.parametrize(
    ("y", "expected"),
    [(0.18, 49.49611), (0.2158605, 53.58501), (0.5, 76.06926), (0.001, 0.9033), ((6 / 29) ** 3, 8.0)],
)
def test_cie_lightness(y, expected):
    assert float(lightness_and_slope(np.array([y]))[0][0]) == pytest.approx(expected, abs=1e-5)


def test_lightness_is_that_of_a_general_library():
    # scikit-image's L* of a grey: X and Z are those of its white, D65.
    y = np.linspace(0, 1, 101)
    grey = y[:, None] * np.array([0.95047, 1.0, 1.08883])
    np.testing.assert_allclose(lightness_and_slope(y)[0], xyz2lab(grey)[:, 0], atol=2e-3)


def test_the_derivative_of_lightness():
    y, h = np.array([0.0005, 0.005, 0.02, 0.3, 0.95]), 1e-6
    slope = (lightness_and_slope(y + h)[0] - lightness_and_slope(y - h)[0]) / (2 * h)
    np.testing.assert_allclose(lightness_and_slope(y)[1], slope, rtol=1e-7)


@pytest.mark.parametrize("spread", [(0.2, 0.0), (0.05, 0.1)])
def test_the_gradient_is_what_scipy_finds_by_differences(spread):
    # scipy.optimize.check_grad: norm of the difference to forward differences, here against the gradient's.
    shape = (9, 11)
    plain = np.random.default_rng(0).uniform(1.0, 2.8, shape)
    misfit = Misfit(plain, PictureModel(LAW, 0.1, 0.1, 0.4, spread, 0.8, (0.8, 3.0)))
    start = np.random.default_rng(1).uniform(1.1, 2.7, shape).ravel()

    def half(t):
        return misfit.error(t.reshape(shape)) ** 2 * t.size / 2

    def gradient(t):
        return misfit(t.reshape(shape))[1].ravel()

    off = check_grad(half, gradient, start, epsilon=1e-6)
    assert off < 1e-4 * np.linalg.norm(gradient(start))


def test_a_points_light_is_what_scipys_integral_of_the_gaussian_holds():
    # All light of a point, from scipy's double integral of the normal density, against the sum over pixels;
    # and the share of it that stays within 0.3 mm along u, against scipy's distribution function.
    sigma, pixel = 0.2, 0.1
    whole = dblquad(
        lambda v, u: norm.pdf(u, scale=sigma) * norm.pdf(v, scale=sigma), -1.2, 1.2, -1.2, 1.2, epsabs=1e-7
    )[0]
    wall = np.full((61, 61), 60.0)  # lets about exp(−38) through
    wall[30, 30] = 0.8
    light = viewed(wall, LAW, pixel, spread=(sigma, 0.0), thinnest=0.8)
    assert light.sum() == pytest.approx(whole, abs=1e-6)
    edges = np.arange(-3.5, 4.0) * pixel
    inside = (norm.cdf(edges[-1] - 0.0, scale=sigma) - norm.cdf(edges[0], scale=sigma)).item()
    # The point is a pixel wide, so the share is averaged over it; to second order that is p²/24 times f″.
    bend = pixel**2 / 24 * 2 * (-edges[-1] / sigma**2) * norm.pdf(edges[-1], scale=sigma)
    assert light.sum(axis=0)[27:34].sum() == pytest.approx(inside + bend, abs=2e-4)


def test_another_solver_finds_no_better_map():
    # scipy's L-BFGS-B, bounds and the same error, left to run until it stops.
    plain = plain_of("coins", 20.0)[20:48, 30:70]
    made = compensate(plain, LAW, 0.1, 0.8, 3.0, **BLUR, tolerance=0.0, iterations=300)
    misfit = Misfit(plain, PictureModel(LAW, 0.1, 0.1, 0.4, (0.2, 0.0), 0.8, (0.8, 3.0)))

    def half(t):
        error, gradient = misfit(t.reshape(plain.shape))
        return error**2 * t.size / 2, gradient.ravel()

    found = minimize(
        half, plain.ravel(), jac=True, bounds=[(0.8, 3.0)] * plain.size, options={"maxiter": 400}
    )
    other = misfit.error(found.x.reshape(plain.shape))
    quick = compensate(plain, LAW, 0.1, 0.8, 3.0, **BLUR)
    assert made.after <= other * 1.005
    assert quick.after <= other * 1.08


def test_the_nearest_map_that_does_not_lean_is_what_a_general_solver_finds():
    # scipy's trust-constr on a column of ten: least weighted squares under t[r − 1] − t[r] ≤ reach.
    draw = np.random.default_rng(4)
    column, worth, reach = draw.uniform(1, 3, 10), draw.uniform(0.5, 2, 10), 0.1
    ours = MapBounds((0.0, 9.0), reach).project(column[:, None], worth[:, None])[:, 0]
    rises = np.eye(10)[:-1] - np.eye(10)[1:]
    found = minimize(
        lambda t: np.sum((worth * (t - column)) ** 2),
        np.full(10, 2.0),
        jac=lambda t: 2 * worth**2 * (t - column),
        hess=lambda t: 2 * np.diag(worth**2),
        method="trust-constr",
        constraints=LinearConstraint(rises, -np.inf, reach),
        options={"gtol": 1e-10, "xtol": 1e-12, "maxiter": 3000},
    )
    np.testing.assert_allclose(ours, found.x, atol=1e-4)


@pytest.mark.parametrize("name", ["camera", "coins", "astronaut", "rocket"])
def test_pictures_come_nearer_and_look_more_alike(name):
    # Of scikit-image's pictures, 100 mm wide, the middle; its structural similarity (Wang et al., 2004, from
    # memory).
    plain = plain_of(name, 100.0)[200:600, 300:700]
    made = compensate(plain, LAW, 0.1, 0.8, 3.0, **BLUR, room=(0.2, 1.0))
    wanted = lightness_and_slope(backlit(plain, LAW, 0.8))[0]
    shown = [
        lightness_and_slope(viewed(wall, LAW, 0.1, thinnest=0.8, **BLUR))[0]
        for wall in (plain, made.thickness)
    ]
    before, after = (np.sqrt(np.mean((light - wanted) ** 2)) for light in shown)
    assert 1 - after / before > 0.25
    blurred, compensated = (structural_similarity(wanted, light, data_range=100.0) for light in shown)
    assert compensated > blurred
