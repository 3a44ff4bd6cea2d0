"""Spoilt pictures and maps: made into a panel or refused, never worse."""

import io
import zlib

import numpy as np
import pytest
from PIL import Image, ImageCms

from tests.fuzz.survival import COUNTS, spoil_bytes, survives, tally

SIZE = 24, 18


def picture(kind, mode="RGB", **options):
    """A small picture as a file of some kind."""
    u, z = np.meshgrid(np.linspace(0, 1, SIZE[0]), np.linspace(0, 1, SIZE[1]))
    rgb = Image.fromarray(np.uint8(255 * np.dstack([u, z, (u + z) / 2])))
    image = Image.fromarray(np.uint16(65535 * u)) if mode == "I;16" else rgb.convert(mode)
    if mode in ("LA", "RGBA"):
        image.putalpha(Image.fromarray(np.uint8(255 * z)))
    stream = io.BytesIO()
    if options.pop("two", False):
        options |= {"save_all": True, "append_images": [image]}
    if options.pop("turned", False):
        exif = Image.Exif()
        exif[274] = 6
        options["exif"] = exif
    image.save(stream, kind, **options)
    return stream.getvalue()


def stored(values, version=None):
    stream = io.BytesIO()
    np.lib.format.write_array(stream, values, version, allow_pickle=values.dtype.hasobject)
    return stream.getvalue()


@pytest.fixture(scope="module")
def whole():
    """Files by their ending."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    wall = 1 + np.random.default_rng(1).random((9, 12))
    return {
        "png": [
            picture("PNG"), picture("PNG", "L"), picture("PNG", "RGBA"), picture("PNG", "LA"),
            picture("PNG", "P"), picture("PNG", "1"), picture("PNG", "I;16"),
            picture("PNG", icc_profile=profile, turned=True),
        ],
        "jpg": [
            picture("JPEG"), picture("JPEG", "L", turned=True), picture("JPEG", progressive=True),
            picture("JPEG", "CMYK"), picture("JPEG", icc_profile=profile),
        ],
        "tif": [
            picture("TIFF"), picture("TIFF", "L", compression="tiff_lzw", turned=True),
            picture("TIFF", "I;16"), picture("TIFF", "RGBA", compression="tiff_deflate"),
            picture("TIFF", two=True), picture("TIFF", "CMYK"), picture("TIFF", "LAB"), picture("TIFF", "P"),
            picture("TIFF", "1", compression="group4"), picture("TIFF", compression="packbits"),
            picture("TIFF", "YCbCr", compression="jpeg"),
        ],
        "webp": [
            picture("WEBP"), picture("WEBP", lossless=True), picture("WEBP", "RGBA"),
            picture("WEBP", two=True),
        ],
        "npy": [
            stored(wall), stored(wall.astype(">f4")), stored(np.asfortranarray(wall)), stored(wall, (2, 0)),
            stored(wall, (3, 0)), stored(np.int16(wall)), stored(wall > 1), stored(wall.astype(object)),
        ],
    }  # fmt: skip


def with_sums(data):
    """A PNG whose check sums fit its chunks again, so that what was spoilt in them is looked at."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        long = int.from_bytes(data[at : at + 4], "big")
        if at + 12 + long > len(data):
            break
        body = data[at + 4 : at + 8 + long]
        out += data[at : at + 4] + body + zlib.crc32(body).to_bytes(4, "big")
        at += 12 + long
    return bytes(out + data[at:])


def spoilt(whole, dice):
    end = dice.choice(list(whole))
    data = spoil_bytes(dice.choice(whole[end]), dice, whole[end])
    if end == "png" and dice.random() < 0.7:
        data = with_sums(data)
    return dice.choice(list(whole)) if dice.random() < 0.05 else end, data


@COUNTS
def test_panel(whole, tmp_path, out, count):
    def case(dice):
        end, data = spoilt(whole, dice)
        source = tmp_path / f"photo.{end}"
        source.write_bytes(data)
        args = ["panel", source, "--out", out / "a.gcode", "--layer", "0.3", "--first-layer", "0.3"]
        args += ["--brim", "1"]
        args += ["--rim-width", "0", "--pixel", "0.5", "--axis", "x"]
        args += [] if end == "npy" else ["--width", "12"]
        args += dice.choice(([], [], [], ["--isolate", "alpha"], ["--isolate", "auto"], ["--gamma", "1.2"]))
        return survives(args, out)

    ends = tally(case, count, "pictures")
    assert min(ends[0], ends[1]) > count / 20


@COUNTS
def test_picture(whole, tmp_path, out, count):
    def case(dice):
        end, data = spoilt({key: files for key, files in whole.items() if key != "npy"}, dice)
        (tmp_path / f"photo.{end}").write_bytes(data)
        return survives(["picture", tmp_path / f"photo.{end}", "--out", out / "p.png"], out)

    tally(case, count // 3, "prepared")
