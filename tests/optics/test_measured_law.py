"""The law of measured steps: through every step, falling everywhere, undone by its inverse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.measured_law import TableLaw

T = (0.4, 0.8, 1.5, 2.0, 3.0)
STEPS = (0.5, 0.34, 0.2, 0.13, 0.06)


@st.composite
def wedges(draw):
    gaps = draw(st.lists(st.floats(0.05, 2.0), min_size=4, max_size=12))
    falls = draw(st.lists(st.floats(0.01, 2.0), min_size=len(gaps), max_size=len(gaps)))
    first = draw(st.sampled_from([0.0, 1.0]))
    t = np.cumsum(gaps) - gaps[0] * (1 - first)
    return TableLaw(tuple(t.tolist()), tuple(np.exp(-np.cumsum(falls)).tolist()))


def test_steps_are_met_and_between_them_is_scipys_curve():
    wedge = TableLaw(T, STEPS)
    np.testing.assert_allclose(wedge.transmittance(T), STEPS, rtol=1e-14)
    between = np.linspace(T[0], T[-1], 201)
    curve = PchipInterpolator(T, np.log(STEPS))
    np.testing.assert_allclose(wedge.transmittance(between), np.exp(curve(between)), rtol=1e-13)
    inner = between[1:-1]  # at the ends the slope is that of the straight part
    np.testing.assert_allclose(wedge.slope(inner), np.exp(curve(inner)) * curve(inner, 1), rtol=1e-12)


def test_the_inverse_is_that_of_a_general_root_finder():
    wedge = TableLaw(T, STEPS)
    for wanted in (0.49, 0.3, 0.1999, 0.2001, 0.07):
        root = brentq(lambda t, w=wanted: float(wedge.transmittance(t)) - w, T[0], T[-1], xtol=1e-14)
        assert float(wedge.inverse(wanted)) == pytest.approx(root, abs=1e-12)


@given(wedge=wedges())
def test_it_falls_everywhere_and_its_inverse_undoes_it(wedge):
    t = np.linspace(0, 1.5 * wedge.thickness[-1], 301)
    through = wedge.transmittance(t)
    assert np.all(through > 0) and np.all(through <= 1) and np.all(np.diff(through) < 0)
    assert np.all(wedge.slope(t) <= 0)
    back = wedge.inverse(through)
    np.testing.assert_allclose(wedge.transmittance(back), through, rtol=1e-12)
    # Where the curve is level one rounding of T is a longer stretch of t.
    slack = 1e-10 + 1e-15 / np.maximum(-wedge.slope(t) / through, 1e-12)
    level = -wedge.slope(t) < 1e-4 * through
    assert np.all((np.abs(back - t) < slack) | level)


def test_beyond_the_steps_it_is_a_straight_line_in_the_logarithm():
    wedge = TableLaw(T, STEPS)
    rate = np.log(STEPS[-2] / STEPS[-1]) / (T[-1] - T[-2])
    beyond = np.array([3.5, 5.0, 40.0])
    np.testing.assert_allclose(wedge.transmittance(beyond), STEPS[-1] * np.exp(-rate * (beyond - T[-1])))
    np.testing.assert_allclose(wedge.inverse(wedge.transmittance(beyond)), beyond, rtol=1e-12)
    first = np.log(STEPS[0] / STEPS[1]) / (T[1] - T[0])
    assert wedge.t0 == pytest.approx(STEPS[0] * np.exp(first * T[0]), rel=1e-12)


def test_no_wall_makes_light():
    steep = TableLaw((1.0, 1.2, 2.0, 3.0), (0.5, 0.2, 0.1, 0.05))  # its first line would lead to 49
    assert steep.t0 == pytest.approx(1.0, rel=1e-12)
    assert float(steep.transmittance(0.5)) == pytest.approx(np.sqrt(0.5), rel=1e-12)
    assert steep.inverse([1.0, 2.0]).tolist() == [0.0, 0.0]


def test_steps_of_another_law_give_that_law_back():
    """Between steps 0.2 mm apart a table of two-flux values is within 0.1 % of it."""
    t = tuple(np.arange(0.4, 4.01, 0.2).tolist())
    between = np.linspace(0.4, 4.0, 500)
    for law, most in ((TwoFluxLaw(0.1, 2.0), 1e-3), (ExponentialLaw(1.2), 1e-12)):
        table = TableLaw(t, tuple(law.transmittance(t).tolist()))
        error = np.abs(table.transmittance(between) / law.transmittance(between) - 1)
        assert error.max() < most


def test_a_step_at_thickness_0():
    wedge = TableLaw((0.0, 1.0, 2.0, 3.0), (1.0, 0.5, 0.2, 0.1))
    assert wedge.t0 == 1.0 and wedge.inverse([1.0, 0.5]).tolist() == [0.0, 1.0]
    assert wedge.valid == (0.0, 3.0)
