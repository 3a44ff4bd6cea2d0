"""Tone against the standards, and against libraries that others keep."""

import numpy as np
import pytest
from PIL import Image, ImageCms
from skimage import color, data

from pathgen.picture.colorimetry import WEIGHTS, decode_srgb, encode_srgb, lightness, luminance

# IEC 61966-2-1, codes of 255 and their linear values.
IEC_61966_2_1 = {
    1: 0.000303527, 10: 0.00303527, 11: 0.00334654, 64: 0.05126946, 128: 0.2158605, 188: 0.50288646,
    192: 0.52711513,
}  # fmt: skip

# CIE e-ILV 17-23-076: luminance and lightness L*.
CIE_17_23_076 = {0.18: 49.49611, 0.2158605: 53.58501, 0.5: 76.06926, 0.001: 0.9033, (6 / 29) ** 3: 8.0}


@pytest.mark.parametrize(("code", "linear"), IEC_61966_2_1.items())
def test_srgb_codes(code, linear):
    assert float(decode_srgb(code / 255)) == pytest.approx(linear, rel=3e-6)
    assert float(encode_srgb(linear)) * 255 == pytest.approx(code, abs=1e-3)


def test_luminance_weights():
    # ITU-R BT.709 (from memory).
    assert WEIGHTS == (0.2126, 0.7152, 0.0722)
    assert sum(WEIGHTS) == pytest.approx(1, abs=1e-15)
    assert luminance(np.eye(3)).tolist() == list(WEIGHTS)


@pytest.mark.parametrize(("y", "expected"), CIE_17_23_076.items())
def test_lightness_values(y, expected):
    assert float(lightness(y)) == pytest.approx(expected, abs=5e-5)


def test_lightness_of_a_photograph_against_scikit_image():
    # skimage.color.rgb2lab; its luminance weights have six digits (0.212671, 0.715160, 0.072169).
    photo = data.astronaut()
    ours = lightness(luminance(decode_srgb(photo / 255)))
    np.testing.assert_allclose(ours, color.rgb2lab(photo)[..., 0], atol=0.02)


def test_lightness_of_greys_against_littlecms():
    # The colour engine behind Pillow, sRGB to CIELAB, in 8 bits: half a step is 0.2 of L*.
    ramp = Image.fromarray(np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2))
    lab = ImageCms.profileToProfile(
        ramp, ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    theirs = np.asarray(lab.getchannel("L"))[0] * (100 / 255)
    np.testing.assert_allclose(lightness(decode_srgb(np.arange(256) / 255)), theirs, atol=0.3)
