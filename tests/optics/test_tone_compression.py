"""Tones pressed into a panel's range: what is clipped, what is kept."""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from pathgen.errors import PathgenError
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.predict import backlit
from pathgen.optics.thickness import thickness
from pathgen.optics.tone_compression import METHODS, compress, darkest, guided_filter
from pathgen.picture.colorimetry import decode_srgb, lightness

BLACK = 0.24


def in_shade():
    """A picture of scikit-image's, lit from the left as by a window: a hundredth of the light is left."""
    light = decode_srgb(data.camera()[::2, ::2] / 255)
    return light * np.geomspace(1, 0.01, light.shape[1])


def shown(result, black=BLACK):
    """Lightness of what the panel shows."""
    return lightness(black + result.luminance * (1 - black))


def slopes(light):
    return np.hypot(*np.gradient(light))


def test_local_contrast_survives_where_clipping_takes_it():
    picture = in_shade()
    dark = picture < BLACK
    there = slopes(lightness(picture))[dark].mean()
    clip, alike, local = (slopes(shown(compress(picture, BLACK, m)))[dark].mean() / there for m in METHODS)
    assert dark.mean() > 0.9
    assert clip < 0.05 and alike < 0.25
    assert local > 0.6 and local > 3 * alike


def test_clip_is_true_where_the_panel_can_be():
    picture = in_shade()
    result = compress(picture, BLACK, "clip")
    light = picture >= BLACK
    np.testing.assert_allclose(shown(result)[light], lightness(picture)[light], atol=1e-3)
    assert np.all(result.luminance[~light] == 0)
    assert result.clipped == pytest.approx((~light).mean())


def test_global_is_the_plain_map():
    picture = in_shade()
    result = compress(picture, BLACK, "global")
    np.testing.assert_allclose(result.luminance, picture, rtol=1e-6)
    assert result.clipped == 0 and result.scale == 1


def test_the_panel_shows_what_was_settled():
    """Through thickness and prediction; `darkest` is what the law says of the two ends."""
    law, picture = TwoFluxLaw(0.1, 2.0), in_shade()
    black = darkest(law, 0.8, 3.0)
    assert black == pytest.approx(float(law.transmittance(3.0) / law.transmittance(0.8)), rel=1e-12)
    result = compress(picture, black, "clip")
    seen = backlit(thickness(result.luminance, law, 0.8, 3.0), law, 0.8)
    np.testing.assert_allclose(seen, np.clip(picture, black, 1), atol=1e-6)


def test_room_light_narrows_the_range():
    law = ExponentialLaw(1.2)
    assert darkest(law, 0.8, 3.0) < darkest(law, 0.8, 3.0, veil=0.05) < 1
    assert darkest(law, 0.8, 0.8) == 1


def test_hardly_anything_is_cut_off_and_white_is_used():
    result = compress(in_shade(), BLACK)
    assert result.clipped < 0.02 and 0.2 < result.scale < 1
    assert result.luminance.min() < 1e-6 and np.percentile(result.luminance, 99.6) == pytest.approx(
        1, abs=0.02
    )


def test_a_picture_that_fits_keeps_all_its_contrast():
    picture = 0.3 + 0.6 * np.random.default_rng(0).random((40, 50))
    result = compress(picture, BLACK)
    assert result.scale == 1 and result.clipped == 0
    np.testing.assert_allclose(shown(result), lightness(picture), atol=1e-3)
    dark = 0.02 + 0.1 * np.random.default_rng(0).random((40, 50))
    lifted = shown(compress(dark, BLACK))
    inner = (lifted > lifted.min()) & (lifted < lifted.max())
    moved = (lifted - lightness(dark))[inner]
    assert compress(dark, BLACK).scale == 1 and np.ptp(moved) < 1e-3 and moved.min() > 0


def test_the_order_of_wide_tones_stays():
    steps = np.repeat(np.geomspace(0.001, 1, 6), 60)[None, :] * np.ones((90, 1))
    light = shown(compress(steps, BLACK, radius=8))
    middles = light[45, 30::60]
    assert np.all(np.diff(middles) > 0.5)


def test_the_guided_filter_is_its_definition():
    """He, Sun and Tang's formulas with scipy's running mean in double precision, guide and input alike."""
    values = 100 * in_shade()
    r, edge = 5, 8.0

    def mean(a):
        return ndimage.uniform_filter(a, 2 * r + 1, mode="reflect")

    a = (mean(values**2) - mean(values) ** 2) / (mean(values**2) - mean(values) ** 2 + edge**2)
    b = (1 - a) * mean(values)
    np.testing.assert_allclose(guided_filter(values, r, edge), mean(a) * values + mean(b), atol=2e-3)


def test_the_base_keeps_edges_and_drops_what_is_fine():
    draw = np.random.default_rng(1)
    edge = np.where(np.arange(100) < 50, 20.0, 80.0) * np.ones((60, 1))
    base = guided_filter(edge + draw.normal(0, 1.5, edge.shape), 6, 8.0)
    away = np.r_[0:40, 60:100]
    assert base[:, away].std(axis=0).max() < 0.5
    assert np.mean(base[:, 52] - base[:, 47]) > 55


def test_odd_inputs():
    assert compress(np.empty((0, 4)), BLACK).luminance.shape == (0, 4)
    assert compress(np.full((3, 3), 0.5), 0.0).luminance == pytest.approx(0.5, abs=1e-5)
    assert np.all(np.isfinite(compress(np.zeros((5, 5)), BLACK).luminance))
    before = in_shade()
    given = before.copy()
    compress(given, BLACK)
    assert np.array_equal(given, before)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"method": "lokal"}, "lokal"),
        ({"black": 1.0}, "darkest"),
        ({"black": float("nan")}, "darkest"),
        ({"radius": 0}, "radius"),
        ({"luminance": np.ones(4)}, "picture"),
        ({"luminance": np.full((2, 2), np.nan)}, "picture"),
    ],
)
def test_what_cannot_be_is_refused(change, words):
    with pytest.raises(PathgenError, match=words):
        compress(**{"luminance": np.ones((4, 4)), "black": BLACK} | change)
