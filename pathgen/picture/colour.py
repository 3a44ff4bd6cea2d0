"""A photograph in colour, made as small as a panel needs it: what its preparation starts from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from pathgen.picture.decode import BLOCK, PLAIN, Coding, profile_of, set_aside, to_luminance
from pathgen.picture.load import FORMATS, check_size, hushed, readable, refusal, upright
from pathgen.picture.tone import decode_srgb

Single = NDArray[np.float32]

LONGEST = 2400  # pixels of the longer side that are kept: 300 mm at an eighth of a millimetre


@dataclass(frozen=True, slots=True)
class Colours:
    """A photograph in linear light.

    Attributes
    ----------
    rgb : (rows, cols, 3) float32
        Linear sRGB, 0 to 1, row 0 at the top, upright; without transparency.
    alpha : (rows, cols) float32 or None
        How opaque it is, 0 to 1; None where all of it is.
    size : (cols, rows)
        Of the file, upright.
    source : str
        Name of the file, without its folder.
    notes : tuple of str
        What was converted or assumed.
    """

    rgb: Single
    alpha: Single | None
    size: tuple[int, int]
    source: str
    notes: tuple[str, ...] = ()


def load_colour(path: str | os.PathLike[str], longest: int = LONGEST) -> Colours:
    """Read a photograph's colours, reduced by a whole factor to at most `longest` pixels.

    Reducing takes the mean of linear light over whole squares of pixels, block by block, so that a large
    photograph is never held at its full size in colour.

    Parameters
    ----------
    path : path-like
        As `pathgen.picture.load_picture` takes it.
    longest : int
        Pixels of the longer side.

    Raises
    ------
    PathgenError
        As `load_picture` does.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     Image.new("RGB", (300, 200), (255, 0, 0)).save(f"{folder}/red.png")
    ...     red = load_colour(f"{folder}/red.png", longest=100)
    >>> red.rgb.shape, red.rgb[0, 0].tolist(), red.size
    ((66, 100, 3), [1.0, 0.0, 0.0], (300, 200))
    """
    file = readable(path, "a PNG, JPEG, WebP or TIFF picture of 8 or 16 bits")
    try:
        with hushed(), file.open("rb") as stream, Image.open(stream, formats=FORMATS) as image:
            check_size(image.height, image.width, str(file))
            return _read(image, file, longest)
    except Exception as error:  # a decoder raises whatever its parsing stumbles over
        raise refusal(error, file) from error


def _read(image: Image.Image, file: Path, longest: int) -> Colours:
    coding = Coding.of(image)
    image.load()
    factor = max(1, -(-max(image.size) // longest))
    factor = min(factor, max(min(image.size) // 2, 1))
    plain = "L" if image.mode == "I" else PLAIN.get(image.mode, "L")
    alpha = None
    if plain == "L" and image.mode not in ("LA", "La"):
        grey, notes = to_luminance(image, coding)
        rgb = np.repeat(_reduced(grey[..., None], factor), 3, axis=2)
    else:
        rgb, alpha, notes = _in_colour(image, plain, factor)
    turn = image.getexif().get(ExifTags.Base.Orientation, 1)
    rgb = np.ascontiguousarray(upright(rgb, turn))
    if alpha is not None:
        alpha = np.ascontiguousarray(upright(alpha, turn))
    size = image.size[::-1] if turn in (5, 6, 7, 8) else image.size
    return Colours(rgb, alpha, size, file.name, tuple(notes))


def _in_colour(image: Image.Image, plain: str, factor: int) -> tuple[Single, Single | None, list[str]]:
    to_rgb, notes = profile_of(image, plain)
    linear = decode_srgb(np.arange(256) / 255.0).astype(np.float32)
    rows, cols = image.height // factor, image.width // factor
    rgb, alpha = np.empty((rows, cols, 3), np.float32), np.ones((rows, cols), np.float32)
    step = max(1, BLOCK // image.width // factor)
    for top in range(0, rows, step):
        last = min(top + step, rows)
        block = image.crop((0, top * factor, cols * factor, last * factor))
        opaque, clear = set_aside(block, plain)
        rgb[top:last] = _reduced(linear[np.asarray(to_rgb(opaque))], factor)
        if clear is not None:
            alpha[top:last] = _reduced(clear[..., None].astype(np.float32) / 255, factor)[..., 0]
    return rgb, (alpha if float(alpha.min()) < 1.0 else None), notes


def _reduced(values: NDArray[np.floating], factor: int) -> Single:
    """Mean over squares of `factor` pixels; what is left over at the right and the bottom is left out."""
    if factor == 1:
        return np.asarray(values, np.float32)
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    squares = values[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor, -1)
    return np.asarray(squares.mean(axis=(1, 3), dtype=np.float32), np.float32)
