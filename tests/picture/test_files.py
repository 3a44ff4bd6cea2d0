import io
import os
import warnings

import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps, TiffImagePlugin
from skimage import color, data

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import decode_srgb
from pathgen.picture.files import Picture, check_thickness, is_thickness, load_picture, load_thickness

# TIFF 6.0, tag 274 (EXIF has it too): sides of the shown picture on which the stored row 0 and column 0 lie.
ORIENTATIONS = {
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


def stored(shown, first_row, first_column):
    """What a camera stores of a picture, by the sides its first row and column are on."""
    if first_row in ("left", "right"):
        shown, first_row, first_column = (
            shown.T,
            *(
                {"left": "top", "right": "bottom", "top": "left", "bottom": "right"}[s]
                for s in (first_row, first_column)
            ),
        )
    shown = shown[::-1] if first_row == "bottom" else shown
    return np.ascontiguousarray(shown[:, ::-1] if first_column == "right" else shown)


def letter():
    """Grey patches of 8 pixels that no turn or mirror leaves alike."""
    return np.kron(np.array([[0, 60, 120], [255, 180, 30]], dtype=np.uint8), np.ones((8, 8), dtype=np.uint8))


@pytest.mark.parametrize("suffix", ["png", "jpg", "webp", "tif"])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_orientation_is_honoured(tmp_path, orientation, suffix):
    image = Image.fromarray(stored(letter(), *ORIENTATIONS[orientation]))
    exif = Image.Exif()
    exif[274] = orientation
    options = {"webp": {"lossless": True}, "jpg": {"quality": 100}}.get(suffix, {})
    image.save(tmp_path / f"o.{suffix}", exif=exif, **options)
    shown = load_picture(tmp_path / f"o.{suffix}").luminance
    np.testing.assert_allclose(shown, decode_srgb(letter() / 255), atol=0.02)
    # Pillow's own reading of the tag is a second opinion (by stream: by name it may scramble such a TIFF).
    with (tmp_path / f"o.{suffix}").open("rb") as stream, Image.open(stream) as opened:
        opinion = np.asarray(ImageOps.exif_transpose(opened).convert("L"))
    np.testing.assert_allclose(shown, decode_srgb(opinion / 255), atol=0.02)


def test_an_orientation_out_of_range_is_left_alone(tmp_path):
    exif = Image.Exif()
    exif[274] = 77
    Image.fromarray(letter()).save(tmp_path / "o.png", exif=exif)
    np.testing.assert_allclose(
        load_picture(tmp_path / "o.png").luminance, decode_srgb(letter() / 255), atol=1e-6
    )


def test_a_real_photograph_in_grey(tmp_path):
    Image.fromarray(data.camera()).save(tmp_path / "camera.png")
    picture = load_picture(tmp_path / "camera.png")
    assert isinstance(picture, Picture) and picture.source == "camera.png" and picture.notes == ()
    np.testing.assert_allclose(picture.luminance, decode_srgb(data.camera() / 255), atol=1e-6)


def test_a_real_photograph_in_colour_against_scikit_image(tmp_path):
    photo = data.astronaut()
    Image.fromarray(photo).save(tmp_path / "a.png")
    # scikit-image's sRGB to XYZ conversion; its Y row is 0.212671, 0.715160, 0.072169.
    np.testing.assert_allclose(
        load_picture(tmp_path / "a.png").luminance, color.rgb2xyz(photo)[..., 1], atol=1e-4
    )


@pytest.mark.parametrize("suffix", ["tif", "webp", "png"])
def test_of_several_frames_the_first_is_used(tmp_path, suffix):
    frames = [Image.new("RGB", (8, 8), (grey,) * 3) for grey in (255, 0, 128)]
    options = {"lossless": True} if suffix == "webp" else {}
    frames[0].save(tmp_path / f"m.{suffix}", save_all=True, append_images=frames[1:], **options)
    picture = load_picture(tmp_path / f"m.{suffix}")
    assert picture.notes == ("only the first of 3 frames is used",)
    np.testing.assert_allclose(picture.luminance, 1.0, atol=1e-6)


def chained(frames):
    """Small grey frames of a TIFF, shades 0, 1, 2 ..."""
    stream = io.BytesIO()
    first, *others = (Image.new("L", (2, 2), shade) for shade in range(frames))
    first.save(stream, "TIFF", save_all=True, append_images=others)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("frames", "said"), [(2, "2"), (99, "99"), (100, "100 or more"), (250, "100 or more")]
)
def test_a_long_chain_of_frames_is_not_followed_to_its_end(tmp_path, monkeypatch, frames, said):
    (tmp_path / "a.tif").write_bytes(chained(frames))
    looked, seek = [], TiffImagePlugin.TiffImageFile.seek
    monkeypatch.setattr(
        TiffImagePlugin.TiffImageFile, "seek", lambda image, n: (looked.append(n), seek(image, n))
    )
    picture = load_picture(tmp_path / "a.tif")
    assert picture.notes == (f"only the first of {said} frames is used",)
    assert picture.luminance.max() == 0
    assert max(looked) < 100


def test_a_later_frame_changes_nothing_of_the_first(tmp_path):
    """Not even one with a profile of its own, or one that cannot be read."""
    plain = Image.fromarray(np.full((4, 6, 3), (200, 40, 90), np.uint8))
    other = Image.new("RGB", (3, 9))
    other.info["icc_profile"] = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    plain.save(tmp_path / "one.tif")
    plain.save(tmp_path / "two.tif", save_all=True, append_images=[other])
    one, two = load_picture(tmp_path / "one.tif"), load_picture(tmp_path / "two.tif")
    np.testing.assert_array_equal(two.luminance, one.luminance)
    assert two.notes[1:] == one.notes

    data = bytearray(chained(2))
    first = int.from_bytes(data[4:8], "little")
    after = first + 2 + 12 * int.from_bytes(data[first : first + 2], "little")
    data[after : after + 4] = (len(data) - 3).to_bytes(4, "little")  # TIFF 6.0, section 2: the next directory
    (tmp_path / "cut.tif").write_bytes(data)
    assert load_picture(tmp_path / "cut.tif").luminance.shape == (2, 2)


def refusal(path, function=load_picture):
    with pytest.raises(PathgenError) as caught:
        function(path)
    text = str(caught.value)
    assert "\n" not in text and str(path) in text
    return text


@pytest.mark.parametrize("function", [load_picture, load_thickness])
def test_refusals_before_opening(tmp_path, function):
    (tmp_path / "empty.png").touch()
    assert "no such file" in refusal(tmp_path / "no.png", function)
    assert "the input is a folder, not a file" in refusal(tmp_path, function)
    assert "the file is empty" in refusal(tmp_path / "empty.png", function)
    with pytest.raises(PathgenError, match="cannot be read"):
        function("a\0b.png")
    assert "the input is a device, not a file" in refusal(os.devnull, function)


@pytest.mark.parametrize(
    "content", [b"x", b"<svg></svg>", b"\x89PNG\r\n\x1a\n", bytes(5000), b"\xff\xd8\xff\xe0"]
)
def test_what_is_no_picture_is_refused(tmp_path, content):
    (tmp_path / "n.png").write_bytes(content)
    text = refusal(tmp_path / "n.png")
    assert "allowed: a PNG, JPEG, WebP or TIFF picture" in text


@pytest.mark.parametrize("suffix", ["gif", "bmp", "ppm"])
def test_other_formats_are_refused(tmp_path, suffix):
    Image.new("RGB", (4, 4)).save(tmp_path / f"o.{suffix}")
    text = refusal(tmp_path / f"o.{suffix}")
    assert "the file is not a picture" in text and "allowed: a PNG, JPEG, WebP or TIFF picture" in text


@pytest.mark.parametrize("size", [(1, 1), (1, 40), (40, 1)])
def test_pictures_under_two_by_two_are_refused(tmp_path, size):
    Image.new("L", size).save(tmp_path / "s.png")
    text = refusal(tmp_path / "s.png")
    assert f"picture has {size[0]} × {size[1]} pixels" in text and "at least 2 × 2 pixels" in text


@pytest.mark.parametrize("side", [10_001, 12_000, 20_000, 100_000])
def test_huge_pictures_are_refused_before_decoding(tmp_path, write_png, side):
    rows = [np.zeros(4, dtype=np.uint8)]  # decoding would find the data far too short, and say so
    text = refusal(write_png(tmp_path / "h.png", rows, 8, 0, width=side, height=side))
    assert "at most 100 megapixels" in text and "damaged" not in text


def test_a_picture_without_pixels_is_refused(tmp_path, write_png):
    path = write_png(tmp_path / "z.png", [np.zeros(4, dtype=np.uint8)], 8, 0, width=4)
    path.write_bytes(path.read_bytes().replace(b"IHDR\0\0\0\x04", b"IHDR\0\0\0\0"))
    refusal(path)


def encoded(suffix):
    photo = Image.fromarray(data.astronaut()[:64, :48])
    exif = Image.Exif()
    exif[274] = 6
    buffer = io.BytesIO()
    kind = {"jpg": "JPEG", "tif": "TIFF"}.get(suffix, suffix.upper())
    photo.save(buffer, kind, exif=exif, **({"compression": "tiff_lzw"} if suffix == "tif" else {}))
    return buffer.getvalue()


@pytest.mark.parametrize("suffix", ["png", "jpg", "webp", "tif"])
def test_truncated_files_are_refused(tmp_path, suffix):
    whole = encoded(suffix)
    for share in (0.9, 0.5, 0.1):
        (tmp_path / f"t.{suffix}").write_bytes(whole[: int(len(whole) * share)])
        refusal(tmp_path / f"t.{suffix}")


@pytest.mark.parametrize("suffix", ["png", "jpg", "webp", "tif"])
def test_damaged_files_give_a_picture_or_one_clear_line(tmp_path, suffix, capfd):
    whole, rng = encoded(suffix), np.random.default_rng(20)
    path, refused = tmp_path / f"d.{suffix}", 0
    for _ in range(80):
        content = np.frombuffer(whole, dtype=np.uint8).copy()
        where = rng.integers(0, min(len(content), 400 if rng.random() < 0.7 else len(content)), 3)
        content[where] = rng.integers(0, 256, 3)
        path.write_bytes(content.tobytes())
        try:
            picture = load_picture(path)
            assert np.isfinite(picture.luminance).all() and picture.luminance.min() >= 0
        except PathgenError as error:
            refused += 1
            assert "\n" not in str(error)
    assert refused > 0
    assert capfd.readouterr() == ("", "")  # decoders keep quiet


def test_pillows_warnings_do_not_leak(tmp_path, monkeypatch):
    Image.new("L", (20, 10), 255).save(tmp_path / "w.png")
    monkeypatch.setattr(
        Image, "MAX_IMAGE_PIXELS", 150
    )  # Pillow warns from here, and raises from twice as many
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        assert load_picture(tmp_path / "w.png").luminance.shape == (10, 20)
    assert caught == []


def test_thickness_files_are_known_by_name():
    assert is_thickness("a/b.npy") and is_thickness("B.NPY")
    assert not is_thickness("a.npz") and not is_thickness("npy") and not is_thickness("a.npy.png")


@pytest.mark.parametrize("dtype", ["<f4", ">f8", "f2", "u1", "<i4", "i8"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_thickness_of_every_real_type(tmp_path, dtype, order):
    values = np.array([[1, 2, 3], [4, 0, 6]], dtype=dtype, order=order)
    np.save(tmp_path / "t.npy", values)
    read = load_thickness(tmp_path / "t.npy")
    assert read.dtype == np.float64 and read.flags.c_contiguous and read.flags.writeable
    np.testing.assert_array_equal(read, [[1, 2, 3], [4, 0, 6]])


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.ones(5), "array has 1 dimensions"),
        (np.ones((2, 2, 2)), "array has 3 dimensions"),
        (np.float64(3), "array has 0 dimensions"),
        (np.ones((1, 5)), "array has 5 × 1 pixels"),
        (np.ones((0, 5)), "array has 5 × 0 pixels"),
        (np.ones((2, 2), dtype=complex), "array is of type complex128"),
        (np.ones((2, 2), dtype=bool), "array is of type bool"),
        (np.full((2, 2), "1.0"), "array is of type <U3"),
        (np.zeros((2, 2), dtype=[("t", "f8")]), "array is of type [('t', '<f8')]"),
        (np.array([[1, 2], [np.nan, 3]]), "thickness is nan at row 1, column 0; 1 of 4 values"),
        (np.array([[1, np.inf], [np.nan, -1]]), "thickness is inf at row 0, column 1; 3 of 4 values"),
        (np.array([[1, 2], [3, -0.5]]), "thickness is -0.5 at row 1, column 1"),
        (np.array([[1, 2], [3, 1000.5]]), "the maximum thickness is 1000.5 mm"),
        (np.array([[1, {}], [3, 4]], dtype=object), "array is of type object"),
    ],
)
def test_arrays_that_are_no_thickness_are_refused(tmp_path, values, words):
    np.save(tmp_path / "t.npy", values)
    assert words in refusal(tmp_path / "t.npy", load_thickness)


def test_arrays_in_memory_are_checked_alike_and_copied():
    values = np.ones((3, 2), dtype=np.float64)
    checked = check_thickness(values)
    checked[0, 0] = 7
    assert values[0, 0] == 1
    with pytest.raises(PathgenError, match=r"thickness is nan at row 2, column 1; .* \(scan\); allowed"):
        check_thickness(np.array([[1, 1], [1, 1], [1, np.nan]]), "scan")


def test_what_is_0_but_for_rounding_is_0():
    values = np.array([[0.1 + 0.2 - 0.3, 1e-320], [1e-6, 2.0]])
    assert values[0].all() and check_thickness(values).tolist() == [[0.0, 0.0], [1e-6, 2.0]]


def test_a_map_with_gaps_is_refused(tmp_path):
    # A map as a scanner leaves it, with holes where nothing came back.
    np.save(tmp_path / "t.npy", np.where(data.camera() > 250, np.nan, 1.0))
    assert "thickness is nan at row" in refusal(tmp_path / "t.npy", load_thickness)


def test_huge_arrays_are_refused_unread(tmp_path):
    path = tmp_path / "h.npy"
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(
            file, {"descr": "|u1", "fortran_order": False, "shape": (20_000, 20_000)}
        )
        file.truncate(file.tell() + 400_000_000)  # a sparse file: takes no room
    assert "array has 20000 × 20000 pixels" in refusal(path, load_thickness)


@pytest.mark.parametrize(
    "content", [b"\x93NUMPY", b"not an array", b"\x93NUMPY\x01\0\x10\0{'descr': oh no }"]
)
def test_files_that_hold_no_array_are_refused(tmp_path, content):
    (tmp_path / "n.npy").write_bytes(content)
    assert "the thickness array cannot be read" in refusal(tmp_path / "n.npy", load_thickness)


def test_a_long_reason_is_quoted_in_part(tmp_path):
    header = b"{'" + b"k" * 400 + b"': 1}\n"
    (tmp_path / "n.npy").write_bytes(b"\x93NUMPY\x01\0" + len(header).to_bytes(2, "little") + header)
    with pytest.raises(PathgenError) as caught:
        load_thickness(tmp_path / "n.npy")
    assert len(caught.value.what.removeprefix("the thickness array cannot be read: ")) == 120


def test_truncated_and_zipped_arrays_are_refused(tmp_path):
    np.save(tmp_path / "t.npy", np.ones((50, 50)))
    (tmp_path / "t.npy").write_bytes((tmp_path / "t.npy").read_bytes()[:-100])
    refusal(tmp_path / "t.npy", load_thickness)
    np.savez(tmp_path / "z.npz", a=np.ones((5, 5)))
    (tmp_path / "z.npz").rename(tmp_path / "z.npy")
    refusal(tmp_path / "z.npy", load_thickness)
