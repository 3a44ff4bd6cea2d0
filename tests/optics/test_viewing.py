"""What the eye makes of a panel; the standard's own figures are in tests/reference/test_fit.py."""

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.viewing import face_luminance, find_visible_range, step_index, veil
from pathgen.settings.material import Viewing
from tests.reference.dicom import step_luminance

LAW = TwoFluxLaw(0.1, 2.0)


def test_in_a_dark_room_only_transmittance_counts():
    dark = Viewing(luminance=500.0, evenness=1.0, room=0.0)
    t = np.linspace(0.4, 4.0, 10)
    np.testing.assert_allclose(face_luminance(t, LAW, dark), 500.0 * LAW.transmittance(t), rtol=1e-15)
    ends = LAW.transmittance([0.8, 3.0])
    assert find_visible_range(LAW, 0.8, 3.0, dark).contrast == pytest.approx(ends[0] / ends[1], rel=1e-12)


def test_an_opaque_wall_is_as_dark_as_the_room_lets_it_be():
    view = Viewing(room=100.0, reflectance=0.6)
    assert float(face_luminance(1e6, LAW, view)) == pytest.approx(100 * 0.6 / np.pi, rel=1e-12)
    assert veil(view) == pytest.approx(19.0986, abs=1e-4)
    # However thick, contrast has a ceiling: the white's luminance over the veil.
    ceiling = (0.8 * 1000 * float(LAW.transmittance(0.8)) + veil(view)) / veil(view)
    assert find_visible_range(LAW, 0.8, 1e6, view).contrast == pytest.approx(ceiling, rel=1e-9)


def test_more_room_light_and_a_less_even_source_leave_less():
    facts = [find_visible_range(LAW, 0.8, 3.0, Viewing(room=lux)) for lux in (0.0, 50.0, 500.0, 5000.0)]
    for values in ([f.contrast for f in facts], [f.steps for f in facts]):
        assert all(np.diff(values) < 0)
    uneven, even = (find_visible_range(LAW, 0.8, 3.0, Viewing(evenness=share)) for share in (0.5, 1.0))
    assert uneven.contrast < even.contrast and uneven.steps < even.steps


def test_a_panel_without_range_has_no_steps():
    flat = find_visible_range(LAW, 1.0, 1.0)
    assert flat.contrast == 1.0 and flat.steps == 0.0


def test_an_opaque_wall_in_the_dark_has_no_ratio_but_a_number_of_steps():
    facts = find_visible_range(
        ExponentialLaw(1e-3), 0.0, 20.0, Viewing(room=0.0, luminance=100.0, evenness=1.0)
    )
    assert facts.contrast == np.inf and facts.steps == pytest.approx(475.4, abs=0.2)


@pytest.mark.parametrize(("thin", "thick"), [(2.0, 1.0), (-1.0, 1.0), (0.0, np.inf), (np.nan, 1.0)])
def test_what_is_no_range(thin, thick):
    with pytest.raises(PathgenError, match="0 ≤ thinnest ≤ thickest"):
        find_visible_range(LAW, thin, thick)


def test_shapes_and_ends():
    assert step_luminance(np.ones((2, 0))).shape == (2, 0) and step_index(7.0).shape == ()
    assert face_luminance(np.ones((2, 3)), LAW).shape == (2, 3)
    low, high = step_luminance([-5.0, 9999.0])
    np.testing.assert_allclose([low, high], step_luminance([1.0, 1023.0]), rtol=1e-12)
    assert step_index([0.0, 1e9]).tolist() == step_index([0.05, 3993.404]).tolist()
    assert np.all(np.diff(step_luminance(np.arange(1, 1024))) > 0)
