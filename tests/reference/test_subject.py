"""The subject and what is measured of a picture, against libraries, formulas and a second way of drawing.

The portraits here are mixed in sRGB codes, before dark and light backdrops, under a cast light and a fall-off
towards the corners, with soft edges and grain: nothing of them is what the finder assumes of a picture.
"""

import numpy as np
import pytest
from scipy import ndimage
from skimage.color import rgb2lab
from skimage.draw import polygon2mask

from pathgen.picture import decode_srgb, encode_srgb
from pathgen.picture.advice import detail_lost
from pathgen.picture.subject import _lab, clean_mask, find_subject

ROWS, COLS = 480, 360
BACKDROPS = (0.92, 0.8, 0.66, 0.5, 0.3, 0.12, 0.88, 0.74, 0.6, 0.45, 0.2, 0.95)  # sRGB codes


def silhouette(rng, knot):
    """Head, neck and shoulders that run off the lower edge."""
    y, x = np.mgrid[0:ROWS, 0:COLS].astype(float)
    across, down = COLS * rng.uniform(0.42, 0.58), ROWS * rng.uniform(0.3, 0.38)
    wide = COLS * rng.uniform(0.13, 0.18)
    high = wide * rng.uniform(1.25, 1.45)
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    wave = 1 + 0.06 * np.sin(5 * turn + rng.uniform(0, 6)) + 0.03 * np.sin(13 * turn + rng.uniform(0, 6))
    outline = np.c_[down + high * wave * np.sin(turn), across + wide * wave * np.cos(turn)]
    shape = polygon2mask((ROWS, COLS), outline)
    top, reach = ROWS * rng.uniform(0.62, 0.68), COLS * rng.uniform(0.3, 0.44)
    away = np.abs(x - across)
    shape |= (y > top + (away / reach) ** 3 * ROWS * 0.2) & (away < reach + (y - top) / 4)
    shape |= (away < wide / 2) & (y > down) & (y < top + ROWS / 10)
    if knot:
        shape |= ((x - across - wide) / (wide / 2)) ** 2 + ((y - down) / (0.9 * high)) ** 2 < 1
    return shape, y, x, down - 0.35 * high, top


def portrait(seed):
    rng = np.random.default_rng(100 + seed)
    shape, y, x, brow, collar = silhouette(rng, seed % 4 == 1)
    share = ndimage.gaussian_filter(shape.astype(float), (0.6, 1.0, 1.6, 2.2)[seed % 4])[..., None]
    u, v = x / COLS - 0.5, y / ROWS - 0.5
    light = 1 + rng.uniform(-0.34, 0.34) * u + rng.uniform(-0.34, 0.34) * v
    light *= 1 - (0, 0.3, 0.5)[seed % 3] * (u * u + v * v)
    tone = BACKDROPS[seed]
    backdrop = np.clip(tone * light, 0, 1)[..., None] * rng.uniform(0.9, 1.1, 3)
    dark = tone > 0.42  # a dark sitter before a light backdrop, and the other way round
    skin, hair = ((0.5, 0.38, 0.3), (0.12, 0.08, 0.06)) if dark else ((0.85, 0.68, 0.58), (0.75, 0.65, 0.4))
    cloth = rng.uniform(0.05, 0.25, 3) if dark else rng.uniform(0.6, 0.9, 3)
    figure = np.where((y > collar)[..., None], cloth, np.where((y < brow)[..., None], hair, skin))
    figure = figure * (1 + 0.15 * np.sin(x / 11) * np.sin(y / 7))[..., None]
    codes = (
        share * figure + (1 - share) * backdrop + rng.normal(0, (0.005, 0.015, 0.03)[seed % 3], share.shape)
    )
    return decode_srgb(codes).astype(np.float32), shape


@pytest.mark.parametrize("seed", range(12))
def test_the_subject_is_found(seed):
    """Intersection over union with the silhouette as it was drawn: at least 0.97."""
    rgb, true = portrait(seed)
    found = clean_mask(find_subject(rgb))
    assert (found & true).sum() / (found | true).sum() >= 0.97


def test_stray_bits_on_the_backdrop_are_all_gone_and_the_subject_stays():
    rgb, true = portrait(0)
    rng = np.random.default_rng(8)
    bits = np.zeros(true.shape, bool)
    far = ndimage.binary_dilation(true, iterations=15)
    for _ in range(40):
        row, col = rng.integers(5, ROWS - 20), rng.integers(5, COLS - 20)
        bits[row : row + rng.integers(2, 9), col : col + rng.integers(2, 9)] = True
    bits &= ~far
    assert bits.sum() > 300
    found = find_subject(np.where(bits[..., None], np.float32(0.02), rgb))
    assert (found & bits).sum() > 0.5 * bits.sum()  # corners of the smallest are lost in the grain
    kept = clean_mask(found, 200 / found.size)
    assert not (kept & bits).any() and (kept & true).sum() > 0.98 * true.sum()


def test_colours_are_compared_in_the_library_s_lab():
    """CIE L*a*b* under D65 of scikit-image, which starts from sRGB codes (IEC 61966-2-1)."""
    patch = np.linspace(0, 1, 6)
    rgb = np.stack(np.meshgrid(patch, patch, patch, indexing="ij"), axis=-1).reshape(-1, 3)
    flat = np.broadcast_to(rgb[:, None, None], (len(rgb), 1, 1, 3))
    ours = np.array([_lab(np.tile(one, (3, 3, 1)))[1, 1] for one in flat])
    np.testing.assert_allclose(ours, rgb2lab(encode_srgb(rgb)), atol=0.05)


@pytest.mark.parametrize("amplitudes", [(1.0, 1.0), (1.0, 0.5), (0.2, 1.0)])
def test_detail_beyond_the_bore_is_its_share_of_the_energy(amplitudes):
    """A sum of two waves: energy is half the square of each amplitude (Parseval's theorem)."""
    coarse, fine = amplitudes
    u, z = np.meshgrid(np.arange(600) * 0.1, np.arange(500) * 0.1)
    waves = coarse * np.sin(2 * np.pi * u / 1.6) + fine * np.sin(2 * np.pi * (0.6 * u + 0.8 * z) / 0.5)
    expected = fine**2 / (coarse**2 + fine**2)
    assert detail_lost(0.5 + 0.1 * waves, 0.1, 0.4) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("shape", [(2, 2), (2, 3), (3, 2), (1, 5)])
def test_the_smallest_pictures_have_a_share_too(shape):
    codes = np.arange(shape[0] * shape[1]).reshape(shape) % 2.0
    assert 0 <= detail_lost(codes, 0.1, 0.4) <= 1
    assert detail_lost(np.full(shape, 0.4), 0.1, 0.4) == 0
