"""Maps solved for: bounds, gains, and that the gradient is the exact one."""

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.optics.inverse import MapBounds, Misfit, compensate
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.predict import PictureModel, backlit, viewed
from pathgen.optics.thickness import thickness
from pathgen.panel.overhang import limit_slope, overhangs
from pathgen.picture.colorimetry import lightness_and_slope

LAW = TwoFluxLaw(0.1, 2.0)
BLUR = {"layer": 0.1, "nozzle": 0.4, "spread": (0.2, 0.0)}
LIMITS = (0.8, 3.0)


def plain_of(shape=(60, 80)):
    """A disc, a bar and a soft slope of light."""
    z, u = np.mgrid[: shape[0], : shape[1]]
    light = 0.2 + 0.3 * u / shape[1]
    light[(z - shape[0] / 3) ** 2 + (u - shape[1] / 3) ** 2 < 60] = 0.85
    light[:, shape[1] // 2 : shape[1] // 2 + 4] = 0.05
    return thickness(light, LAW, *LIMITS)


def error_of(wall, plain):
    wanted = lightness_and_slope(backlit(plain, LAW, LIMITS[0]))[0]
    shown = lightness_and_slope(viewed(wall, LAW, 0.1, thinnest=LIMITS[0], **BLUR))[0]
    return float(np.sqrt(np.mean((shown - wanted) ** 2)))


@pytest.mark.parametrize("spread", [(0.2, 0.0), (0.05, 0.1), (0.0, 0.0)])
def test_the_adjoint_passes_the_dot_product_test(spread):
    """⟨J·x, y⟩ = ⟨x, Jᵀ·y⟩; J·x from differences of fourth order, which err by some 1e-12 here."""
    draw = np.random.default_rng(1)
    wall, x = draw.uniform(1.0, 2.8, (23, 31)), draw.normal(size=(23, 31))
    y = draw.normal(size=(23, 31))
    model = PictureModel(ExponentialLaw(1.2), 0.1, 0.1, 0.4, spread, 0.8, (0.8, 3.0))
    if spread[1]:  # away from where one copy hands over to the next, and the derivative jumps
        wall = np.full(wall.shape, 1.3) + 0.02 * x.clip(-1, 1)

    def light(t):
        return model.luminance(model.wall(t))

    h = 1e-3
    near, far = (light(wall + k * h * x) - light(wall - k * h * x) for k in (1, 2))
    forth = np.vdot((8 * near - far) / (12 * h), y)
    back = np.vdot(x, model.gradient(model.wall(wall), y))
    assert forth == pytest.approx(back, rel=1e-10, abs=1e-10 * np.linalg.norm(x) * np.linalg.norm(y))


def test_the_linear_parts_are_adjoint_to_the_last_digits():
    draw = np.random.default_rng(2)
    wall, a, b = draw.uniform(0.8, 3.0, (3, 40, 33))
    model = PictureModel(LAW, 0.1, 0.2, 0.4, (0.05, 0.1), 0.8, LIMITS)
    assert np.vdot(model.wall(a), b) == pytest.approx(np.vdot(a, model.wall(b)), rel=1e-12)
    # A weight of 1 everywhere asks for all the light, which is kept: so its slope is the law's, smeared.
    smeared = model.wall(wall)
    np.testing.assert_allclose(
        model.gradient(smeared, np.ones_like(wall)), model.wall(model.slope(smeared)), atol=1e-10
    )


def test_it_gains_and_says_how_much():
    plain = plain_of()
    made = compensate(plain, LAW, 0.1, *LIMITS, **BLUR)
    assert made.before == pytest.approx(error_of(plain, plain), rel=1e-5)
    assert made.after == pytest.approx(error_of(made.thickness, plain), rel=1e-4)
    assert made.gain > 0.2 and made.gain == pytest.approx(1 - made.after / made.before)
    assert made.thickness.dtype == np.float64
    assert LIMITS[0] <= made.thickness.min() and made.thickness.max() <= LIMITS[1]
    assert f"{made.after:.2f} instead of {made.before:.2f} L*" in str(made)


def test_room_is_used_and_helps():
    plain = plain_of()
    strict = compensate(plain, LAW, 0.1, *LIMITS, **BLUR)
    roomy = compensate(plain, LAW, 0.1, *LIMITS, **BLUR, room=(0.2, 1.0))
    assert roomy.after < strict.after
    assert roomy.thickness.min() >= 0.6 and LIMITS[1] < roomy.thickness.max() <= 4.0


def test_a_spread_that_grows_is_compensated_too():
    made = compensate(plain_of(), LAW, 0.1, *LIMITS, layer=0.1, nozzle=0.4, spread=(0.05, 0.1))
    assert made.gain > 0.25


@pytest.mark.parametrize("angle", [30.0, 60.0])
def test_the_face_leans_no_further_than_it_may(angle):
    plain = plain_of()
    made = compensate(plain, LAW, 0.1, *LIMITS, **BLUR, overhang=angle)
    assert not overhangs(made.thickness, 0.1, angle).unsupported.any()
    assert overhangs(plain, 0.1, angle).unsupported.any()
    assert made.after < error_of(limit_slope(plain, 0.1, angle).thickness, plain)


def test_without_blur_the_plain_map_stays():
    plain = plain_of()
    made = compensate(plain, LAW, 0.1, *LIMITS)
    assert made.before < 1e-3 and made.gain >= 0
    np.testing.assert_allclose(made.thickness, plain, atol=1e-5)


def test_no_turns_give_the_plain_map():
    plain = plain_of()
    made = compensate(plain, LAW, 0.1, *LIMITS, **BLUR, iterations=0)
    np.testing.assert_allclose(made.thickness, plain, atol=1e-6)
    assert made.gain == 0 and made.iterations == 0


def test_progress_ends_with_all_done_and_a_loose_tolerance_ends_sooner():
    calls = []
    compensate(plain_of(), LAW, 0.1, *LIMITS, **BLUR, progress=lambda *call: calls.append(call))
    done = [call[0] for call in calls]
    assert done == sorted(done) and calls[-1][0] == calls[-1][1]
    loose = compensate(plain_of(), LAW, 0.1, *LIMITS, **BLUR, tolerance=0.05)
    assert 0 < loose.iterations < len(calls)


def test_the_same_map_gives_the_same_and_stays_as_it_was():
    plain = plain_of()
    before = plain.copy()
    first, second = (compensate(plain, LAW, 0.1, *LIMITS, **BLUR).thickness for _ in range(2))
    assert np.array_equal(first, second) and np.array_equal(plain, before)


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (6, 1)])
def test_maps_smaller_than_the_blur(shape):
    made = compensate(np.full(shape, 1.4), LAW, 0.1, *LIMITS, **BLUR, overhang=45.0)
    np.testing.assert_allclose(made.thickness, 1.4, atol=1e-4)


def test_empty_gives_empty():
    assert compensate(np.empty((0, 5)), LAW, 0.1, *LIMITS, **BLUR).thickness.shape == (0, 5)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"thinnest": 3.5}, "thinnest"),
        ({"room": (0.9, 0.0)}, "room"),
        ({"room": (0.0, -0.1)}, "room"),
        ({"overhang": 90.0}, "overhang"),
        ({"thickest": 1.0}, "plain map"),
        ({"plain": np.full((3, 3), np.nan)}, "plain map"),
        ({"plain": np.full(3, 1.0)}, "rows and columns"),
        ({"spread": (-1.0, 0.0)}, "spread"),
        ({"nozzle": -0.4}, "nozzle"),
    ],
)
def test_what_cannot_be_is_refused(change, words):
    asked = {"plain": plain_of(), "law": LAW, "pixel": 0.1, "thinnest": 0.8, "thickest": 3.0, **BLUR} | change
    with pytest.raises(PathgenError, match=words):
        compensate(**asked)


def test_bounds_keep_what_is_within_them():
    wall = limit_slope(plain_of(), 0.1, 45.0).thickness
    np.testing.assert_allclose(MapBounds(LIMITS, 0.1).project(wall), wall, atol=1e-12)
    assert MapBounds((1.0, 2.0)).project(np.array([[0.5, 1.5, 2.5]])).tolist() == [[1.0, 1.5, 2.0]]


def test_the_first_guess_is_better_than_the_plain_map_where_there_is_room():
    plain = plain_of()
    misfit = Misfit(plain, PictureModel(LAW, 0.1, 0.1, 0.4, (0.2, 0.0), 0.8, (0.5, 4.0)))
    assert misfit.error(misfit.guess().clip(0.5, 4.0)) < misfit.error(plain)
