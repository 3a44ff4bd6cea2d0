"""A photograph in colour, made as small as a panel needs it: what its preparation starts from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from pathgen.errors import printable
from pathgen.picture.colorimetry import decode_srgb
from pathgen.picture.decode import BLOCK, PLAIN, Coding, profile_of, set_aside, to_luminance
from pathgen.picture.files import FORMATS, apply_orientation, check_size, hushed, picture_error, readable

Single = NDArray[np.float32]

LONGEST = 2400  # pixels of the longer side that are aimed at: 300 mm at an eighth of a millimetre
LEAST_KEPT = 0.6  # of those; under it the next smaller factor is taken, so that detail is not thrown away


@dataclass(frozen=True, slots=True)
class ColourPhoto:
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
    factor : int
        Pixels of the file along a side of one of these.
    """

    rgb: Single
    alpha: Single | None
    size: tuple[int, int]
    source: str
    notes: tuple[str, ...] = ()
    factor: int = 1


def load_colour(
    path: str | os.PathLike[str], longest: int = LONGEST, *, factor: int | None = None
) -> ColourPhoto:
    """Read a photograph's colours, reduced by a whole factor to about `longest` pixels.

    Reducing takes the mean of linear light over whole squares of pixels, block by block, so that a large
    photograph is never held at its full size in colour. Where a file has transparency, colours are
    weighed by it: what lies unseen under clear pixels does not bleed into their neighbours.

    Parameters
    ----------
    path : path-like
        As `pathgen.picture.load_picture` takes it.
    longest : int
        Pixels of the longer side: six tenths of them to a fifth more are kept, all of a smaller
        photograph.
    factor : int, optional
        The factor itself, for a mask that is to lie on its photograph.

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
            return _read(image, file, factor or reduction(max(image.size), longest))
    except MemoryError:
        raise
    except Exception as error:  # a decoder raises whatever its parsing stumbles over
        raise picture_error(error, file) from error


def reduction(side: int, longest: int) -> int:
    """Find the whole factor that brings a side near `longest`, and never under six tenths of it.

    Examples
    --------
    >>> [reduction(side, 2400) for side in (1000, 2500, 3600, 6000)]
    [1, 1, 2, 3]
    """
    factor = max(1, -(-side // longest))
    return factor - 1 if factor > 1 and side / factor < LEAST_KEPT * longest else factor


def _read(image: Image.Image, file: Path, factor: int) -> ColourPhoto:
    coding = Coding.of(image)
    image.load()
    factor = min(factor, max(min(image.size) // 2, 1))
    plain = "L" if image.mode == "I" else PLAIN.get(image.mode, "L")
    alpha = None
    if plain == "L" and image.mode not in ("LA", "La"):
        grey, notes = to_luminance(image, coding)
        rgb = np.repeat(_reduced(grey[..., None], factor), 3, axis=2)
    else:
        rgb, alpha, notes = _in_colour(image, plain, factor)
    turn = image.getexif().get(ExifTags.Base.Orientation, 1)
    rgb = np.ascontiguousarray(apply_orientation(rgb, turn))
    if alpha is not None:
        alpha = np.ascontiguousarray(apply_orientation(alpha, turn))
    size = image.size[::-1] if turn in (5, 6, 7, 8) else image.size
    return ColourPhoto(rgb, alpha, size, printable(file.name), tuple(notes), factor)


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
        colours = linear[np.asarray(to_rgb(opaque))]
        if clear is None or clear.min() == 255:
            rgb[top:last] = _reduced(colours, factor)
            continue
        share = clear[..., None].astype(np.float32) / 255
        part = _reduced(share, factor)
        # Where nothing shows the file's own colours stay: nothing shows of them either.
        mean = np.divide(
            _reduced(colours * share, factor), part, where=part > 0, out=_reduced(colours, factor)
        )
        rgb[top:last], alpha[top:last] = mean, part[..., 0]
    return rgb, (alpha if float(alpha.min()) < 1.0 else None), notes


def _reduced(values: NDArray[np.floating], factor: int) -> Single:
    """Mean over squares of `factor` pixels; what is left over at the right and the bottom is left out."""
    if factor == 1:
        return np.asarray(values, np.float32)
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    whole = values[: rows * factor, : cols * factor]
    # Rows first, which lie in one piece; a mean over both axes at once takes three times as long.
    bands = whole.reshape(rows, factor, cols * factor, -1).sum(axis=1, dtype=np.float32)
    total: Single = bands[:, 0::factor].copy()
    for number in range(1, factor):
        total += bands[:, number::factor]
    total /= np.float32(factor * factor)
    return total
