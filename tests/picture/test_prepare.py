"""Preparation: every step by itself against a library or a formula, and the order they come in."""

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage
from skimage.exposure import equalize_adapthist, rescale_intensity

from pathgen.errors import PathgenError
from pathgen.picture import decode_srgb, encode_srgb, load_picture
from pathgen.picture.advice import advice, detail_lost
from pathgen.picture.colour import ColourPhoto, load_colour
from pathgen.picture.prepare import prepare, prepare_file
from pathgen.picture.tone_steps import STEPS
from pathgen.settings.preparation import Preparation, is_plain
from tests.picture.portraits import portrait


def colours(rgb, alpha=None):
    return ColourPhoto(np.asarray(rgb, np.float32), alpha, rgb.shape[1::-1], "photo.png")


def scene(seed=3, rows=80, cols=120):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:rows, 0:cols]
    base = 0.4 + 0.3 * np.sin(x / 7 + seed) * np.cos(y / 11)
    return np.clip(base[..., None] * rng.uniform(0.6, 1.0, 3), 0, 1).astype(np.float32)


def codes_of(made):
    return encode_srgb(made.luminance)


def test_at_its_defaults_a_photograph_is_left_alone(tmp_path):
    """The same luminance as `load_picture` reads, reduced or not."""
    path = tmp_path / "photo.png"
    Image.fromarray(np.rint(255 * encode_srgb(scene())).astype(np.uint8)).save(path)
    assert is_plain(Preparation())
    plain = load_picture(path).luminance
    np.testing.assert_allclose(prepare_file(path, Preparation()).luminance, plain, atol=2e-6)
    half = prepare(load_colour(path, 60), Preparation()).luminance
    np.testing.assert_allclose(half, plain.reshape(40, 2, 60, 2).mean(axis=(1, 3)), atol=2e-6)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_colours_come_upright(tmp_path, orientation):
    from PIL import ExifTags

    path = tmp_path / "turned.jpg"
    image = Image.fromarray(np.rint(255 * encode_srgb(scene())).astype(np.uint8))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    image.save(path, quality=98, exif=exif)
    read = load_colour(path)
    expected = load_picture(path).luminance
    assert read.size == expected.shape[::-1]
    np.testing.assert_allclose(read.rgb @ np.float32([0.2126, 0.7152, 0.0722]), expected, atol=1e-5)


def test_levels_are_those_of_a_library_and_clahe_is_its():
    photo = colours(scene())
    codes = codes_of(prepare(photo, Preparation()))
    low, high = np.percentile(codes, [5, 95])
    made = prepare(photo, Preparation(levels_low=5.0, levels_high=95.0))
    np.testing.assert_allclose(codes_of(made), rescale_intensity(codes, (low, high), (0, 1)), atol=1e-4)
    made = prepare(photo, Preparation(local_contrast=1.0))
    expected = equalize_adapthist(np.clip(codes, 0, 1), clip_limit=0.01)
    np.testing.assert_allclose(codes_of(made), expected, atol=2e-3)


def test_grading_is_its_formula():
    photo = colours(scene())
    codes = codes_of(prepare(photo, Preparation()))
    made = prepare(photo, Preparation(gamma=1.6, contrast=1.3, brightness=-0.05))
    expected = np.clip((codes ** (1 / 1.6) - 0.5) * 1.3 + 0.45, 0, 1)
    np.testing.assert_allclose(codes_of(made), expected, atol=1e-4)
    np.testing.assert_allclose(codes_of(prepare(photo, Preparation(invert="yes"))), 1 - codes, atol=1e-4)


def test_channels_are_blended_in_light():
    photo = scene()
    made = prepare(colours(photo), Preparation(red=1.0, green=0.5))
    np.testing.assert_allclose(made.luminance, (photo[..., 0] + 0.5 * photo[..., 1]) / 1.5, atol=1e-5)


def test_smoothing_keeps_edges_and_sharpening_raises_them():
    rng = np.random.default_rng(5)
    step = np.repeat(np.where(np.arange(100) < 50, 0.2, 0.6)[None], 60, axis=0)
    grainy = np.clip(step + rng.normal(0, 0.02, step.shape), 0, 1)
    photo = colours(np.repeat(decode_srgb(grainy)[..., None], 3, axis=2))
    smooth = codes_of(prepare(photo, Preparation(smooth=0.1)))
    assert smooth[:, 10:40].std() < 0.4 * grainy[:, 10:40].std()
    assert smooth[:, 52].mean() - smooth[:, 47].mean() > 0.35
    sharp = codes_of(prepare(photo, Preparation(sharpen=1.0)))
    assert sharp[:, 50].mean() - sharp[:, 49].mean() > 0.45


def test_mirrored_and_straightened():
    photo = colours(scene())
    plain = prepare(photo, Preparation()).luminance
    np.testing.assert_array_equal(prepare(photo, Preparation(mirror="yes")).luminance, plain[:, ::-1])
    # A level line in a photograph that was held 5 degrees askew is level again.
    y, x = np.mgrid[0:200, 0:300]
    askew = (y - 100 > np.tan(np.radians(5)) * (x - 150)).astype(np.float32)
    level = prepare(colours(np.repeat(askew[..., None], 3, axis=2)), Preparation(straighten=5.0)).luminance
    edge = (level > 0.5).argmax(axis=0)
    assert np.ptp(edge) <= 1
    assert level.shape[0] < 200 and level.shape[1] / level.shape[0] == pytest.approx(1.5, abs=0.02)


def test_an_isolated_subject_stands_on_its_backdrop(tmp_path):
    rgb, true = portrait(1)
    for tone in (1.0, 0.3):
        made = prepare(colours(rgb), Preparation(isolate="auto", backdrop_tone=tone, contrast=1.4))
        far = ~np.asarray(made.subject > 0.001)
        np.testing.assert_allclose(codes_of(made)[far], tone, atol=3e-3)
        assert ((made.subject > 0.5) != true).mean() < 0.02
    mask = tmp_path / "mask.png"
    Image.fromarray((255 * true).astype(np.uint8)).save(mask)
    given = prepare(colours(rgb), Preparation(isolate=str(mask)))
    assert np.array_equal(given.subject > 0.5, true)
    trimmed = prepare(colours(rgb), Preparation(isolate=str(mask), feather=0.0, trim=0.0))
    rows, cols = np.flatnonzero(true.any(axis=1)), np.flatnonzero(true.any(axis=0))
    assert trimmed.luminance.shape == (np.ptp(rows) + 1, np.ptp(cols) + 1)


def test_transparency_is_a_subject(tmp_path):
    path = tmp_path / "cut.png"
    pixels = np.zeros((20, 30, 4), np.uint8)
    pixels[5:15, 8:20] = (90, 90, 90, 255)
    Image.fromarray(pixels).save(path)
    made = prepare_file(path, Preparation(isolate="alpha"))
    assert made.subject.sum() == 120 and made.luminance[0, 0] == pytest.approx(1.0)
    with pytest.raises(PathgenError, match="no transparency"):
        prepare(colours(scene()), Preparation(isolate="alpha"))


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"levels_low": 60.0, "levels_high": 40.0}, "levels_low is 60"),
        ({"red": 0.0, "green": 0.0}, "red, green and blue are 0, 0, 0"),
        ({"trim": 5.0}, "`trim` needs a subject"),
        ({"isolate": "nowhere.png"}, "no such file"),
    ],
)
def test_contradictions_are_refused_in_one_line(asked, why):
    with pytest.raises(PathgenError, match=why) as refused:
        prepare(colours(scene()), Preparation(**asked))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", STEPS)
def test_strong_settings_keep_tones_between_black_and_white(name):
    strong = Preparation(
        smooth=0.05, levels_low=30.0, levels_high=70.0, local_contrast=1.0, contrast=4.0, sharpen=5.0,
        invert="yes",
    )  # fmt: skip
    codes = np.clip(0.1 + 0.8 * encode_srgb(scene()[..., 0]), 0.02, 0.98).astype(np.float32)
    codes[20:40, 20:40], codes[40:60, 40:60] = 0.01, 0.99
    made = STEPS[name](codes, strong, None)
    assert made.dtype == np.float32 and 0 <= made.min() < 0.1 and 0.9 < made.max() <= 1
    assert not np.array_equal(made, codes)
    if name in ("levels", "graded", "sharpened"):
        assert made.min() == 0 and made.max() == 1


def test_advice_speaks_of_what_is_there():
    photo = scene(rows=200, cols=300)
    said = advice(prepare(colours(photo), Preparation(contrast=6.0)), 100.0, 0.4)
    assert "change the levels" in said[0]
    said = advice(prepare(colours(0.4 + 0.05 * photo), Preparation()), 100.0, 0.4)
    assert "stretch it with `levels_low` and `levels_high`" in said[1]
    assert "no further detail above a width of 60 mm" in said[3]
    checks = np.indices((200, 300)).sum(axis=0) % 2
    assert detail_lost(checks.astype(float), 0.1, 0.4) > 0.9
    rgb, _ = portrait(2)
    dark = advice(prepare(colours(rgb), Preparation(isolate="auto", backdrop_tone=0.25)), 100.0, 0.4)
    white = advice(prepare(colours(rgb), Preparation(isolate="auto")), 100.0, 0.4)
    share = [int(line[-1].split("backdrop: ")[1].split(" %")[0]) for line in (dark, white)]
    assert share[0] > share[1]


@pytest.mark.parametrize("size", [(2401, 60), (3001, 90), (5000, 70), (6001, 64)])
def test_a_mask_lies_on_its_photograph_at_every_size(tmp_path, size):
    """Reduced by the same factor, whatever is left over at the edges."""
    cols, rows = size
    subject = np.zeros((rows, cols), np.uint8)
    subject[rows // 4 : rows // 2, cols // 4 : cols // 2] = 255
    Image.fromarray(subject).save(tmp_path / "mask.png")
    Image.fromarray(200 - subject // 2).save(tmp_path / "photo.png")
    asked = Preparation(isolate=str(tmp_path / "mask.png"), feather=0.0)
    made = prepare_file(tmp_path / "photo.png", asked)
    factor = made.factor
    whole = subject[: rows // factor * factor, : cols // factor * factor].astype(float) / 255
    mean = whole.reshape(rows // factor, factor, cols // factor, factor).mean(axis=(1, 3))
    np.testing.assert_allclose(made.subject[np.isin(mean, (0, 1))], mean[np.isin(mean, (0, 1))], atol=1e-6)
    assert made.subject.shape == mean.shape and 1440 <= max(mean.shape) <= 2880


def test_what_lies_unseen_under_clear_pixels_does_not_bleed(tmp_path):
    """A light disc, black where it is clear: reduced, it is the mean of what `load_picture` shows."""
    y, x = np.mgrid[0:120, 0:120]
    pixels = np.zeros((120, 120, 4), np.uint8)
    pixels[(y - 60) ** 2 + (x - 60) ** 2 < 2000] = (200, 200, 200, 255)
    path = tmp_path / "disc.png"
    Image.fromarray(pixels).save(path)
    shown = load_picture(path).luminance.reshape(40, 3, 40, 3).mean(axis=(1, 3))
    for isolate in ("off", "alpha"):
        made = prepare(load_colour(path, 40), Preparation(isolate=isolate))
        np.testing.assert_allclose(made.luminance, shown, atol=1e-6)
    turned = prepare(load_colour(path, 120), Preparation(isolate="alpha", straighten=5.0)).luminance
    assert turned.min() > 0.95 * decode_srgb(200 / 255)


@pytest.mark.parametrize(("own", "old", "tone"), [(0.5, 0.02, 1.0), (0.05, 0.8, 0.0), (0.3, 0.02, 0.9)])
@pytest.mark.parametrize("feather", [0.0, 2.0])
def test_no_line_of_the_old_backdrop_is_left_around_a_subject(own, old, tone, feather):
    """A soft disc put before another backdrop has tones between the two new ones, and none beyond."""
    y, x = np.mgrid[0:80, 0:80]
    share = ndimage.gaussian_filter(((y - 40) ** 2 + (x - 40) ** 2 < 576).astype(float), 1.0)
    light = share * own + (1 - share) * old
    asked = Preparation(isolate="auto", backdrop_tone=tone, feather=feather)
    codes = codes_of(prepare(colours(np.repeat(light[..., None], 3, axis=2)), asked))
    ends = sorted((float(encode_srgb(own)), tone))
    assert codes.min() > ends[0] - 0.03 and codes.max() < ends[1] + 0.03


def test_the_size_a_photograph_is_used_up_at_is_that_of_the_part_kept():
    rgb, _ = portrait(2)
    made = prepare(colours(rgb), Preparation(isolate="auto", trim=0.0))
    assert made.luminance.shape[1] < rgb.shape[1]
    assert f"above a width of {made.luminance.shape[1] * 0.2:.0f} mm" in advice(made, 100.0, 0.4)[3]
