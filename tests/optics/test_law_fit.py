"""Which law is taken, what is said of it, and what a slip of the hand does to it."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from pathgen.errors import PathgenError
from pathgen.optics.law_fit import LAWS, fit_law
from pathgen.optics.laws import LAW_MODELS, ExponentialLaw, TwoFluxLaw, law
from pathgen.optics.least_squares import LawRegression
from pathgen.optics.wedge import WedgeMeasurements
from pathgen.settings.material import Exponential, Table, TwoFlux

T = np.repeat(np.arange(0.4, 4.01, 0.3), 3)


def readings(through, seed=0, noise=0.02, t=T, **kwargs):
    random = np.random.default_rng(seed)
    light = through(t) * (1 + noise * random.standard_normal(t.size))
    return WedgeMeasurements(t, light, 800 * light, np.arange(2, 2 + t.size), "lux", **kwargs)


WHITE = TwoFluxLaw(0.1, 2.0).transmittance


def test_without_noise_the_figures_come_back_exactly():
    fit = fit_law(readings(TwoFluxLaw(0.12, 1.6, 0.9).transmittance, noise=0))
    assert fit.chosen.name == "two-flux" and fit.rms < 1e-6 and not len(fit.outliers)
    assert [f.value for f in fit.chosen.parameters] == pytest.approx([0.12, 1.6, 0.9], rel=1e-4)
    fit = fit_law(readings(ExponentialLaw(1.3, 0.8).transmittance, noise=0))
    assert fit.chosen.name == "exponential"
    assert [f.value for f in fit.chosen.parameters] == pytest.approx([1.3, 0.8], rel=1e-5)


@pytest.mark.parametrize(
    "true",
    [TwoFluxLaw(0.0, 3.0), TwoFluxLaw(0.5, 0.5, 0.8), TwoFluxLaw(0.03, 0.7, 0.95), TwoFluxLaw(0.2, 12.0)],
    ids=str,
)
def test_plastics_of_every_kind(true):
    fit = fit_law(readings(true.transmittance, noise=0), "two-flux")
    between = np.linspace(0.4, 4.0, 50)
    np.testing.assert_allclose(fit.law.transmittance(between), true.transmittance(between), rtol=1e-4)


def test_slips_are_named_and_do_not_bend_the_law():
    clean = readings(WHITE, seed=4)
    slips = [7, 20, 31]
    light = clean.light.copy()
    light[slips] *= [3.0, 0.4, 2.0]
    spoilt = WedgeMeasurements(clean.thickness, light, clean.shown, clean.line, clean.unit)
    fit, before = fit_law(spoilt), fit_law(clean)
    assert fit.outliers.tolist() == slips and fit.chosen.name == "two-flux"
    between = np.linspace(0.4, 4.0, 50)
    np.testing.assert_allclose(fit.law.transmittance(between), before.law.transmittance(between), rtol=0.02)
    # Least squares of ln T, by contrast, is bent by more than that.
    plain = np.polyval(np.polyfit(T, np.log(light / clean.light), 3), between)
    assert np.abs(plain).max() > 0.05
    assert fit.rms < 0.03


def test_measurements_far_from_the_law_count_less():
    """The loss is linear beyond twice the scatter, as scipy's own `soft_l1` is with that scale."""
    clean = readings(ExponentialLaw(1.3, 0.8).transmittance, seed=5)
    light = clean.light * np.where(np.arange(T.size) % 4 == 0, 1.3, 1.0)
    spoilt = WedgeMeasurements(clean.thickness, light, clean.shown, clean.line, clean.unit)
    (model,) = (model for model in LAW_MODELS if model.name == "exponential")
    found = LawRegression(model, spoilt).fit(0.02)
    scales = ({"loss": "soft_l1", "f_scale": 0.04}, {"loss": "linear"})
    soft, plain = (
        least_squares(lambda p: np.log(light) - p[0] + T / p[1], [-0.1, 1.0], xtol=1e-12, **scale)
        for scale in scales
    )
    assert found == pytest.approx(soft.x, rel=1e-3)
    assert found != pytest.approx(plain.x, rel=1e-2)


def test_a_plastic_of_no_law_is_a_table():
    """Two colours one after the other: the lower half lets five times less through a millimetre."""

    def two_colours(t):
        return 0.9 * np.exp(-0.3 * np.minimum(t, 2.2) - 1.5 * np.maximum(t - 2.2, 0))

    fit = fit_law(readings(two_colours, seed=1))
    assert fit.chosen.name == "table" and isinstance(fit.chosen.light, Table)
    assert fit.rms < 0.03 and fit.chosen.light.error < 0.03
    steps = np.array(fit.chosen.light.thickness)
    np.testing.assert_allclose(fit.law.transmittance(steps), two_colours(steps), rtol=0.05)


def test_a_law_that_is_asked_for_is_taken():
    wedge = readings(WHITE)
    for name, kind in zip(LAWS, (Exponential, TwoFlux, Table), strict=True):
        fit = fit_law(wedge, name)
        assert fit.chosen.name == name and type(fit.chosen.light) is kind
        assert [each.name for each in fit.laws] == list(LAWS)
        np.testing.assert_allclose(
            fit.chosen.residuals, np.log(wedge.light / law(fit.chosen.light).transmittance(T)), atol=2e-5
        )
    with pytest.raises(PathgenError, match="law is 'linear' .*; allowed: auto, exponential, two-flux, table"):
        fit_law(wedge, "linear")


def test_without_a_reference_only_the_fall_is_fitted():
    wedge = readings(lambda t: 5000 * TwoFluxLaw(0.1, 2.0, 0.8).transmittance(t), noise=0, absolute=False)
    before = TwoFlux(absorption=1.0, scattering=1.0, t0=0.95, spread=0.1)
    fit = fit_law(wedge, before=before)
    assert fit.chosen.name == "two-flux" and fit.chosen.light.t0 == 0.95 and fit.chosen.light.spread == 0.1
    assert [f.name for f in fit.chosen.parameters] == ["absorption", "scattering"]
    ratio = fit.law.transmittance([0.5, 3.5])
    true = TwoFluxLaw(0.1, 2.0).transmittance([0.5, 3.5])
    assert ratio[0] / ratio[1] == pytest.approx(true[0] / true[1], rel=1e-4)
    assert "no reference" in fit.notes[0] and "t0 stays 0.95" in fit.notes[0]
    table = fit_law(wedge, "table", before).chosen
    np.testing.assert_allclose(
        table.light.transmittance, fit.law.transmittance(table.light.thickness), rtol=1e-4
    )


def test_few_readings_are_taken_with_a_note():
    t = np.array([0.5, 1.0, 2.0, 3.0])
    fit = fit_law(readings(WHITE, t=t))
    assert fit.chosen.name == "exponential" and "too few to compare all laws" in fit.notes[0]
    assert fit_law(readings(WHITE, t=t), "two-flux").notes == ()
    assert fit_law(readings(WHITE, t=t), "table").chosen.light.error is None  # nothing was read twice
    with pytest.raises(PathgenError, match="3 usable thicknesses .*at least 4"):
        fit_law(readings(WHITE, t=t[:3]))


def test_a_bad_fit_says_so():
    fit = fit_law(readings(WHITE, noise=0.25, seed=5))
    assert any("deviates from the measurements by" in note for note in fit.notes)


def test_no_table_of_everything():
    t = np.linspace(0.4, 4.0, 61)
    wedge = readings(WHITE, t=t, noise=0.01)
    assert [each.name for each in fit_law(wedge).laws] == ["exponential", "two-flux"]
    with pytest.raises(PathgenError, match="the law `table` cannot be fitted: 61 thicknesses, more than 60"):
        fit_law(wedge, "table")


def test_a_table_of_noisy_steps_still_falls():
    t = np.repeat(np.arange(0.4, 4.01, 0.1), 2)
    for seed in range(6):
        light = fit_law(readings(WHITE, seed=seed, noise=0.06, t=t), "table").chosen.light
        assert np.all(np.diff(light.transmittance) < 0) and np.all(np.diff(light.thickness) > 0)


def test_the_same_readings_give_the_same_fit():
    first, second = (fit_law(readings(WHITE, seed=2)) for _ in range(2))
    assert first.chosen.light == second.chosen.light and first.notes == second.notes
    assert [each.aicc for each in first.laws] == [each.aicc for each in second.laws]


def test_order_of_readings_does_not_count():
    wedge = readings(WHITE, seed=3)
    turned = WedgeMeasurements(
        wedge.thickness[::-1], wedge.light[::-1], wedge.shown[::-1], wedge.line[::-1], "lux"
    )
    one, other = fit_law(wedge).chosen.parameters, fit_law(turned).chosen.parameters
    assert [f.value for f in one] == pytest.approx([f.value for f in other], rel=1e-4)
