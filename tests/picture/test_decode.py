"""Every kind of pixel a picture may come in, through `load_picture` as a user meets it."""

import struct

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import decode_srgb
from pathgen.picture.files import load_picture

GREYS = np.array([[0, 10, 128], [192, 254, 255]], dtype=np.uint8)
COLOURS = np.array([[[255, 0, 0], [0, 255, 0]], [[0, 0, 255], [200, 100, 50]]], dtype=np.uint8)
STEP = 0.006  # of luminance, an 8-bit step near white
WHITE_NOTE = "transparent parts were placed on white"


def light(colours):
    """Luminance of 8-bit colours: IEC 61966-2-1, ITU-R BT.709."""
    return decode_srgb(np.asarray(colours) / 255) @ [0.2126, 0.7152, 0.0722]


def close(path, expected, notes=(), tolerance=1e-6):
    picture = load_picture(path)
    assert picture.luminance.dtype == np.float32 and picture.luminance.flags.c_contiguous
    assert 0 <= picture.luminance.min() and picture.luminance.max() <= 1
    np.testing.assert_allclose(picture.luminance, expected, atol=tolerance)
    assert list(picture.notes) == list(notes)


def save(image, path, **options):
    image.save(path, **options)
    return path


@pytest.mark.parametrize("suffix", ["png", "tif", "webp"])
def test_grey_and_colour(tmp_path, suffix):
    lossless = {"lossless": True} if suffix == "webp" else {}
    close(save(Image.fromarray(GREYS), tmp_path / f"g.{suffix}", **lossless), decode_srgb(GREYS / 255))
    close(save(Image.fromarray(COLOURS), tmp_path / f"c.{suffix}", **lossless), light(COLOURS))


@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_jpeg(tmp_path, mode):
    flat = Image.new(mode, (16, 16), 128 if mode == "L" else (128, 128, 128))
    close(save(flat, tmp_path / "f.jpg", quality=95), 0.2158605, tolerance=0.002)


def test_one_bit(tmp_path):
    bits = np.array([[True, False], [False, True]])
    close(save(Image.fromarray(bits), tmp_path / "b.png"), bits)


@pytest.mark.parametrize(("depth", "row", "greys"), [(2, 0b00_01_10_11, (0, 1, 2, 3)), (4, 0x0F, (0, 15))])
def test_few_bits_and_a_transparent_code(tmp_path, write_png, depth, row, greys):
    rows = [np.array([row], dtype=np.uint8)] * 2
    expected = decode_srgb(np.array([greys] * 2) / (2**depth - 1))
    close(write_png(tmp_path / "few.png", rows, depth, 0, width=len(greys)), expected)
    expected[:, 1] = 1
    clear = write_png(tmp_path / "clear.png", rows, depth, 0, width=len(greys), transparent=(greys[1],))
    close(clear, expected, [WHITE_NOTE])


def test_sixteen_bit_grey_keeps_its_bits(tmp_path, write_png):
    codes = np.array([[0, 2570, 2571], [32768, 65534, 65535]], dtype=np.uint16)
    expected = decode_srgb(codes / 65535)
    close(write_png(tmp_path / "g.png", codes.astype(">u2"), 16, 0), expected)
    close(write_png(tmp_path / "t.png", codes.astype(">u2"), 16, 0, transparent=(2570,)),
          np.where(codes == 2570, 1, expected), [WHITE_NOTE])  # fmt: skip
    for order in "<>":
        for compression in (None, "deflate"):
            tifffile.imwrite(tmp_path / "g.tif", codes, byteorder=order, compression=compression)
            close(tmp_path / "g.tif", expected)
    assert load_picture(tmp_path / "g.tif").luminance[0, 1] < load_picture(tmp_path / "g.tif").luminance[0, 2]


def test_tiff_where_zero_is_white(tmp_path):
    for codes in (GREYS, GREYS.astype(np.uint16) * 257):
        tifffile.imwrite(tmp_path / "w.tif", codes, photometric="miniswhite")
        close(tmp_path / "w.tif", decode_srgb(1 - GREYS / 255))


def test_twelve_bit_grey_tiff(tmp_path):
    # TIFF 6.0 by hand: two rows of the codes 0x800 and 0xFFF, which no library here writes.
    entries = {256: 2, 257: 2, 258: 12, 259: 1, 262: 1, 273: 8, 277: 1, 278: 2, 279: 6}
    fields = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in entries.items())
    head = b"II*\0" + struct.pack("<I", 14) + b"\x80\x0f\xff" * 2
    (tmp_path / "t.tif").write_bytes(head + struct.pack("<H", len(entries)) + fields + bytes(4))
    close(tmp_path / "t.tif", [[decode_srgb(0x800 / 0xFFF), 1]] * 2)


def test_sixteen_bit_colour_is_noted(tmp_path, write_png):
    codes = COLOURS.astype(np.uint16) * 257
    note = "16-bit colour was read with 8 bits per channel"
    close(write_png(tmp_path / "c.png", codes.astype(">u2"), 16, 2), light(COLOURS), [note])
    first = tuple(int(code) for code in codes[0, 0])
    clear = write_png(tmp_path / "t.png", codes.astype(">u2"), 16, 2, transparent=first)
    expected = light(COLOURS)
    expected[0, 0] = 1
    close(clear, expected, [note, WHITE_NOTE])
    for order in "<>":
        tifffile.imwrite(tmp_path / "c.tif", codes, photometric="rgb", byteorder=order)
        close(tmp_path / "c.tif", light(COLOURS), [note])
    pairs = np.array([[[0, 65535], [0, 32896]]] * 2, dtype=">u2")
    close(write_png(tmp_path / "la.png", pairs, 16, 4), [[0, 127 / 255]] * 2, [note, WHITE_NOTE])


@pytest.mark.parametrize(
    ("mode", "suffix"),
    [("LA", "png"), ("LA", "tif"), ("RGBA", "png"), ("RGBA", "tif"), ("RGBA", "webp")],
)
def test_half_transparent_black_lets_half_of_the_white_through(tmp_path, suffix, mode):
    black = (0,) * (len(mode) - 1)
    image = Image.new(mode, (2, 2), (*black, 255))
    image.putpixel((1, 0), (*black, 128))
    image.putpixel((0, 1), (*black, 0))
    options = {"lossless": True, "exact": True} if suffix == "webp" else {}
    # Coverage: Porter and Duff, "over"; light adds up linearly, so the mix is 127/255 of white.
    expected = [[0, 127 / 255], [1, 0]]
    close(save(image, tmp_path / f"a.{suffix}", **options), expected, [WHITE_NOTE])


def test_alpha_that_hides_nothing_is_not_remarked(tmp_path):
    close(save(Image.fromarray(COLOURS).convert("RGBA"), tmp_path / "o.png"), light(COLOURS))


def test_palette_with_and_without_transparency(tmp_path):
    image = Image.new("P", (2, 2))
    image.putpalette([255, 0, 0, 0, 0, 255, 0, 255, 0])
    image.frombytes(bytes([0, 1, 2, 0]))
    expected = light([[[255, 0, 0], [0, 0, 255]], [[0, 255, 0], [255, 0, 0]]])
    close(save(image, tmp_path / "p.png"), expected)
    close(save(image, tmp_path / "p.tif"), expected)
    expected[0, 1] = 1
    close(save(image, tmp_path / "one.png", transparency=1), expected, [WHITE_NOTE])
    half = light([255, 0, 0]) * 51 / 255 + 204 / 255
    expected[0, 0] = expected[1, 1] = half
    close(save(image, tmp_path / "many.png", transparency=bytes([51, 0, 255])), expected, [WHITE_NOTE])


def test_transparent_colour(tmp_path):
    expected = light(COLOURS)
    expected[1, 1] = 1
    close(
        save(Image.fromarray(COLOURS), tmp_path / "k.png", transparency=(200, 100, 50)),
        expected,
        [WHITE_NOTE],
    )


def test_an_srgb_profile_changes_nothing(tmp_path):
    data = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for suffix in ("png", "tif"):
        close(save(Image.fromarray(COLOURS), tmp_path / f"c.{suffix}", icc_profile=data), light(COLOURS))
    close(save(Image.fromarray(GREYS), tmp_path / "g.png", icc_profile=data), decode_srgb(GREYS / 255))


@pytest.mark.parametrize("suffix", ["png", "jpg", "tif", "webp"])
def test_a_profile_of_another_gamma(tmp_path, profiles, suffix):
    data = profiles["display"](1.8)
    path = save(Image.new("RGB", (16, 16), (128,) * 3), tmp_path / f"d.{suffix}", icc_profile=data)
    note = "converted from colour profile 'trial RGB' to sRGB"
    close(path, (128 / 255) ** 1.8, [note], STEP)  # a curve of one value is that power: ICC.1, curveType


def test_a_profile_of_a_wide_gamut(tmp_path, profiles):
    data = profiles["display"](2.2, profiles["wide"])
    linear = np.array([0.8, 0.4, 0.8])
    codes = np.rint(255 * linear ** (1 / 2.2)).astype(np.uint8)
    path = save(Image.fromarray(np.tile(codes, (4, 4, 1))), tmp_path / "w.png", icc_profile=data)
    # Luminance shares of the wide primaries at D65: SMPTE EG 432-1 (from memory).
    expected = linear @ [0.22898, 0.69174, 0.07929]
    close(path, expected, ["converted from colour profile 'trial RGB' to sRGB"], 0.004)
    assert abs(expected - light(codes)) > 0.01  # without the profile it would be another


def test_grey_profiles(tmp_path, profiles, write_png):
    note = "converted from colour profile 'trial GRAY' to sRGB"
    expected = (GREYS / 255.0) ** 1.8
    data = profiles["grey"](1.8)
    close(save(Image.fromarray(GREYS), tmp_path / "g.png", icc_profile=data), expected, [note], STEP)
    deep = Image.fromarray(GREYS.astype(np.uint16) * 257)
    close(save(deep, tmp_path / "d.png", icc_profile=data), expected, [note], STEP)
    pairs = Image.merge("LA", [Image.fromarray(GREYS), Image.new("L", (3, 2), 255)])
    close(save(pairs, tmp_path / "a.png", icc_profile=data), expected, [note], STEP)


@pytest.mark.parametrize("suffix", ["jpg", "tif"])
def test_cmyk(tmp_path, profiles, suffix):
    image = Image.new("CMYK", (16, 16), (0, 0, 0, 128))
    options = {"quality": 95} if suffix == "jpg" else {}
    plain = save(image, tmp_path / f"plain.{suffix}", **options)
    close(
        plain,
        decode_srgb(127 / 255),
        ["CMYK without a colour profile was converted approximately: tones may differ"],
        STEP,
    )
    path = save(image, tmp_path / f"icc.{suffix}", icc_profile=profiles["press"](), **options)
    # Half the ink is L* 49.8 in that profile; CIE e-ILV 17-23-076 turned round: Y = ((L* + 16)/116)³.
    expected = ((100 * 127 / 255 + 16) / 116) ** 3
    close(path, expected, ["converted from colour profile 'trial CMYK' to sRGB"], STEP)


def test_lab(tmp_path):
    neutral = np.full((4, 4, 3), (137, 0, 0), dtype=np.uint8)  # L* 53.7; a*, b* signed (TIFF 6.0, section 23)
    tifffile.imwrite(tmp_path / "l.tif", neutral, photometric="cielab")
    close(tmp_path / "l.tif", ((100 * 137 / 255 + 16) / 116) ** 3, tolerance=STEP)


def test_profiles_that_do_not_fit_are_left_out_and_noted(tmp_path, profiles):
    path = save(Image.fromarray(COLOURS), tmp_path / "m.png", icc_profile=profiles["grey"](1.8))
    close(path, light(COLOURS), ["colour profile 'trial GRAY' does not match the picture and was ignored"])
    path = save(Image.fromarray(COLOURS), tmp_path / "d.png", icc_profile=b"no profile at all")
    close(path, light(COLOURS), ["the colour profile is damaged and was ignored; sRGB was assumed"])


def test_blocks_join_without_a_seam(tmp_path, monkeypatch):
    codes = np.random.default_rng(5).integers(0, 256, (37, 23, 4), dtype=np.uint8)
    path = save(Image.fromarray(codes), tmp_path / "n.png")
    whole = load_picture(path).luminance
    monkeypatch.setattr("pathgen.picture.decode.BLOCK", 23 * 5)
    np.testing.assert_array_equal(load_picture(path).luminance, whole)
    alpha = codes[..., 3] / 255
    np.testing.assert_allclose(whole, 1 - alpha * (1 - light(codes[..., :3])), atol=1e-6)


@pytest.mark.parametrize("dtype", [np.float32, np.int32])
def test_pixels_of_other_kinds_are_refused(tmp_path, dtype):
    save(Image.fromarray(np.ones((4, 4), dtype=dtype)), tmp_path / "f.tif")
    with pytest.raises(
        PathgenError, match=r"pixel mode is [FI] \(.*f\.tif\); allowed: grey or colour pixels of 8 or 16 bits"
    ):
        load_picture(tmp_path / "f.tif")
