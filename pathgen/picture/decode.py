"""Conversion of an open image to linear luminance, with colour profile and transparency.

The image is processed in blocks of rows, so that memory does not grow with the picture, apart from the image
itself and the result. Codes are converted by lookup tables.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import WEIGHTS, decode_srgb, encode_srgb, luminance

Luminance = NDArray[np.float32]
ToRgb = Callable[[Image.Image], Image.Image]

BLOCK = 1 << 20  # pixels per block of rows

# Mode to which a profile is applied, without transparency. For 16-bit grey it is applied to an 8-bit ramp.
PLAIN = {
    "1": "L", "L": "L", "LA": "L", "La": "L", "I;16": "L", "I;16L": "L", "I;16B": "L", "I;16N": "L",
    "P": "RGB", "PA": "RGB", "RGB": "RGB", "RGBX": "RGB", "RGBA": "RGB", "RGBa": "RGB", "YCbCr": "RGB",
    "CMYK": "CMYK", "LAB": "LAB",
}  # fmt: skip
SPACES = {"GRAY": "L", "RGB": "RGB", "CMYK": "CMYK", "Lab": "LAB"}  # colour space of a profile → mode
LOW_DEPTH = {"L;2": 85, "L;4": 17}  # Pillow scales these codes to 0 to 255, but not the transparent code


@dataclass(frozen=True, slots=True)
class Coding:
    """Pixel coding of a file, which Pillow discards when decoding.

    Attributes
    ----------
    raw : str
        Pillow's name of the layout in the file, such as ``"RGB;16B"``.
    highest : int
        Highest code of a grey picture: 255, 4095 or 65535.
    inverted : bool
        True if code 0 is white and Pillow does not invert it.
    """

    raw: str
    highest: int
    inverted: bool

    @classmethod
    def of(cls, image: Image.Image) -> Coding:
        """Return the pixel coding of an image that is open but not yet decoded."""
        tiles = getattr(image, "tile", None) or []
        args = tiles[0][3] if tiles else ""
        raw = str(args[0] if isinstance(args, tuple) else args)
        deep = image.mode.startswith("I")
        highest = 4095 if raw == "I;12" else 65535 if deep else 255
        photometric = getattr(image, "tag_v2", {}).get(262)  # TIFF 6.0 tag 262, 0: WhiteIsZero
        return cls(raw, highest, deep and photometric == 0)


def to_luminance(image: Image.Image, coding: Coding) -> tuple[Luminance, list[str]]:
    """Return the linear luminance of an image on a white background.

    Parameters
    ----------
    image : PIL.Image.Image
        In a mode listed in `PLAIN`, or 16-bit grey in mode ``"I"`` (PNG in older versions of Pillow).
    coding : Coding
        Coding of its file.

    Returns
    -------
    luminance : (rows, cols) float32
        0 to 1, row 0 at the top of the stored image (EXIF orientation is not applied).
    notes : list of str
        Conversions and assumptions.

    Raises
    ------
    PathgenError
        For another mode, such as floating point.

    Notes
    -----
    Colour and white are mixed in linear light, Y = 1 − α(1 − Y), as the PNG specification requires (from
    memory). A mixture of sRGB codes would be too dark.

    Examples
    --------
    >>> grey = Image.new("LA", (2, 2), (0, 128))
    >>> y, notes = to_luminance(grey, Coding.of(grey))
    >>> round(float(y[0, 0]), 4), notes
    (0.498, ['transparent parts were placed on white'])
    """
    deep_png = image.mode == "I" and image.format == "PNG"
    plain = "L" if deep_png else PLAIN.get(image.mode)
    if plain is None:
        allowed = "grey or colour pixels of 8 or 16 bits"
        hint = "save it as an 8-bit PNG, or a thickness map as .npy"
        raise PathgenError(f"pixel mode is {image.mode}", allowed=allowed, hint=hint)
    to_rgb, notes = find_profile(image, plain)
    if "16" in coding.raw and coding.highest == 255:
        notes.append("16-bit colour was read with 8 bits per channel")
    key = image.info.pop("transparency", None) if plain != "RGB" or image.mode == "RGB" else None
    if plain == "L" and image.mode not in ("LA", "La"):
        y, clear = _grey(image, coding, to_rgb, key)
    else:
        y, clear = _colour(image, coding.raw, to_rgb, plain, key)
    return y, notes + (["transparent parts were placed on white"] if clear else [])


def find_profile(image: Image.Image, plain: str) -> tuple[ToRgb, list[str]]:
    """Return the colour conversion of an opaque image to sRGB, and notes on the colour profile."""
    data = image.info.get("icc_profile")
    if plain == "LAB":
        return _transform(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")), "LAB"), []
    cmyk = "CMYK without a colour profile was converted approximately: tones may differ"
    notes = [cmyk] if plain == "CMYK" else []
    if not data:
        return _to_rgb, notes
    try:
        profile = ImageCms.ImageCmsProfile(BytesIO(data))
        name = " ".join((profile.profile.profile_description or "unnamed").split())
        mode = SPACES.get(profile.profile.xcolor_space.strip(), "")
        if mode != plain and (plain, mode) != ("L", "RGB"):
            return _to_rgb, [*notes, f"colour profile '{name}' does not match the picture and was ignored"]
        to_rgb = _transform(profile, mode)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return _to_rgb, [*notes, "the colour profile is damaged and was ignored; sRGB was assumed"]
    return to_rgb, [] if name.startswith("sRGB") else [f"converted from colour profile '{name}' to sRGB"]


def _to_rgb(image: Image.Image) -> Image.Image:
    return image.convert("RGB")


def _transform(profile: ImageCms.ImageCmsProfile, mode: str) -> ToRgb:
    """Return the colour conversion from a profile to sRGB for images of one pixel mode."""
    # Keeps neutral tones and maps black to black: common practice for photographs.
    intent, flags = ImageCms.Intent.RELATIVE_COLORIMETRIC, ImageCms.Flags.BLACKPOINTCOMPENSATION
    srgb = ImageCms.createProfile("sRGB")
    transform = ImageCms.buildTransform(profile, srgb, mode, "RGB", intent, flags)
    return lambda image: transform.apply(image if image.mode == mode else image.convert(mode))


def _grey_table(highest: int, inverted: bool, to_rgb: ToRgb) -> Luminance:
    """Return the luminance of every pixel code of a grey picture.

    A profile is applied to 256 codes, and the sRGB code is interpolated between them. Without a profile the
    interpolation is exact.
    """
    ramp = Image.fromarray(np.arange(256, dtype=np.uint8)[None, :])
    steps = encode_srgb(luminance(decode_srgb(np.asarray(to_rgb(ramp))[0] / 255.0)))
    codes = np.linspace(0.0, 255.0, highest + 1)
    table = decode_srgb(np.interp(codes, np.arange(256.0), steps)).astype(np.float32)
    return table[::-1].copy() if inverted else table


def _grey(image: Image.Image, coding: Coding, to_rgb: ToRgb, key: object) -> tuple[Luminance, bool]:
    """Return the luminance of a grey picture; pixels with the code `key` are transparent."""
    table = _grey_table(coding.highest, coding.inverted, to_rgb)
    y = np.empty((image.height, image.width), dtype=np.float32)
    clear = False
    for top, block in _blocks(image):
        codes = np.asarray(block.convert("L") if block.mode == "1" else block)
        rows = np.take(table, codes, mode="clip")
        if isinstance(key, int):
            holes = codes == key * LOW_DEPTH.get(coding.raw, 1)
            rows[holes] = 1.0
            clear |= bool(holes.any())
        y[top : top + len(rows)] = rows
    return y, clear


def _colour(image: Image.Image, raw: str, to_rgb: ToRgb, plain: str, key: object) -> tuple[Luminance, bool]:
    """Return the luminance of a picture with colours or an alpha channel."""
    linear = decode_srgb(np.arange(256) / 255.0)
    red, green, blue = ((share * linear).astype(np.float32) for share in WEIGHTS)
    y = np.empty((image.height, image.width), dtype=np.float32)
    clear = False
    for top, block in _blocks(image):
        opaque, alpha = split_alpha(block, plain)
        rgb = np.asarray(to_rgb(opaque))
        rows = red[rgb[..., 0]] + green[rgb[..., 1]] + blue[rgb[..., 2]]
        if isinstance(key, tuple):
            codes = [code >> 8 if "16" in raw else code for code in key]
            alpha = np.where(np.all(np.asarray(opaque) == codes, axis=-1), 0, 255).astype(np.uint8)
        if alpha is not None and alpha.min() < 255:
            clear = True
            rows = 1 - alpha.astype(np.float32) / np.float32(255) * (1 - rows)
        y[top : top + len(rows)] = rows
    return np.clip(y, 0.0, 1.0, out=y), clear


def split_alpha(block: Image.Image, plain: str) -> tuple[Image.Image, NDArray[np.uint8] | None]:
    """Split an image into opaque pixels of mode `plain` and an alpha channel (None if absent)."""
    if block.mode in ("P", "PA") and block.has_transparency_data:
        block = block.convert("RGBA")
    elif block.mode in ("La", "RGBa"):
        block = block.convert(block.mode.upper())
    alpha = np.asarray(block.getchannel("A")) if block.mode in ("LA", "RGBA") else None
    return (block if block.mode == plain else block.convert(plain)), alpha


def _blocks(image: Image.Image) -> Iterator[tuple[int, Image.Image]]:
    """Yield blocks of whole rows from the top, with the number of the first row of each block."""
    step = max(1, BLOCK // image.width)
    for top in range(0, image.height, step):
        yield top, image.crop((0, top, image.width, min(top + step, image.height)))
