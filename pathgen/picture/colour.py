"""Read photographs in colour, reduced to the resolution that a panel needs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from pathgen.errors import printable
from pathgen.picture.colorimetry import decode_srgb
from pathgen.picture.decode import BLOCK, PLAIN, Coding, find_profile, split_alpha, to_luminance
from pathgen.picture.files import FilePath, apply_orientation, open_picture

Single = NDArray[np.float32]

LONGEST = 2400  # target for the longer side, pixels: 300 mm at an eighth of a millimetre
MIN_KEPT = 0.6  # minimum of the longer side over the target; otherwise the next smaller factor is used


@dataclass(frozen=True, slots=True)
class ColourPhoto:
    """A colour photograph in linear light.

    Attributes
    ----------
    rgb : (rows, cols, 3) float32
        Linear sRGB, 0 to 1, row 0 at the top, upright, without transparency.
    alpha : (rows, cols) float32 or None
        Opacity, 0 to 1; None if the whole photograph is opaque.
    size : (cols, rows)
        Size of the file, upright.
    source : str
        Name of the file, without its folder.
    notes : tuple of str
        Conversions and assumptions.
    factor : int
        Pixels of the file per pixel of `rgb`, along a side.
    """

    rgb: Single
    alpha: Single | None
    size: tuple[int, int]
    source: str
    notes: tuple[str, ...] = ()
    factor: int = 1


def load_colour(path: FilePath, longest: int = LONGEST, *, factor: int | None = None) -> ColourPhoto:
    """Read a photograph in colour, reduced by an integer factor to about `longest` pixels.

    The reduction takes the mean of linear light over squares of pixels, block by block, so that a large
    photograph is never in memory in full colour and size. Colours are weighted by opacity, so that hidden
    colours under transparent pixels do not affect their neighbours.

    Parameters
    ----------
    path : path-like
        As in `pathgen.picture.load_picture`.
    longest : int
        Target for the longer side, pixels. The result has 0.6 to 1.2 times as many; a smaller photograph is
        not reduced.
    factor : int, optional
        Factor of reduction, for a mask that has to match its photograph.

    Raises
    ------
    PathgenError
        As in `load_picture`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     Image.new("RGB", (300, 200), (255, 0, 0)).save(f"{folder}/red.png")
    ...     red = load_colour(f"{folder}/red.png", longest=100)
    >>> red.rgb.shape, red.rgb[0, 0].tolist(), red.size
    ((66, 100, 3), [1.0, 0.0, 0.0], (300, 200))
    """
    with open_picture(path) as image:
        return _read(image, Path(path), factor or reduction_factor(max(image.size), longest))


def reduction_factor(side: int, longest: int) -> int:
    """Return the integer factor that reduces a picture's side to 0.6 to 1.2 times `longest`.

    Examples
    --------
    >>> [reduction_factor(side, 2400) for side in (1000, 2500, 3600, 6000)]
    [1, 1, 2, 3]
    """
    factor = max(1, -(-side // longest))
    return factor - 1 if factor > 1 and side / factor < MIN_KEPT * longest else factor


def _read(image: Image.Image, file: Path, factor: int) -> ColourPhoto:
    coding = Coding.of(image)
    image.load()
    factor = min(factor, max(min(image.size) // 2, 1))
    plain = "L" if image.mode == "I" else PLAIN.get(image.mode, "L")
    alpha = None
    if plain == "L" and image.mode not in ("LA", "La"):
        grey, notes = to_luminance(image, coding)
        rgb = np.repeat(_reduce(grey[..., None], factor), 3, axis=2)
    else:
        rgb, alpha, notes = _in_colour(image, plain, factor)
    turn = image.getexif().get(ExifTags.Base.Orientation, 1)
    rgb = apply_orientation(rgb, turn)
    alpha = None if alpha is None else apply_orientation(alpha, turn)
    size = image.size[::-1] if turn in (5, 6, 7, 8) else image.size
    return ColourPhoto(rgb, alpha, size, printable(file.name), tuple(notes), factor)


def _in_colour(image: Image.Image, plain: str, factor: int) -> tuple[Single, Single | None, list[str]]:
    to_rgb, notes = find_profile(image, plain)
    linear = decode_srgb(np.arange(256) / 255.0).astype(np.float32)
    rows, cols = image.height // factor, image.width // factor
    rgb, alpha = np.empty((rows, cols, 3), np.float32), np.ones((rows, cols), np.float32)
    step = max(1, BLOCK // image.width // factor)
    for top in range(0, rows, step):
        last = min(top + step, rows)
        block = image.crop((0, top * factor, cols * factor, last * factor))
        opaque, clear = split_alpha(block, plain)
        colours = linear[np.asarray(to_rgb(opaque))]
        if clear is None or clear.min() == 255:
            rgb[top:last] = _reduce(colours, factor)
            continue
        share = clear[..., None].astype(np.float32) / 255
        part = _reduce(share, factor)
        # Fully transparent pixels keep the colours of the file, which are not visible.
        mean = np.divide(_reduce(colours * share, factor), part, where=part > 0, out=_reduce(colours, factor))
        rgb[top:last], alpha[top:last] = mean, part[..., 0]
    return rgb, (alpha if float(alpha.min()) < 1.0 else None), notes


def _reduce(values: NDArray[np.floating], factor: int) -> Single:
    """Return the mean over squares of `factor` pixels, without incomplete squares."""
    if factor == 1:
        return np.asarray(values, np.float32)
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    whole = values[: rows * factor, : cols * factor]
    # Rows first, because they are contiguous; a mean over both axes at once takes three times as long.
    bands = whole.reshape(rows, factor, cols * factor, -1).sum(axis=1, dtype=np.float32)
    total = sum((bands[:, number::factor] for number in range(1, factor)), bands[:, ::factor])
    return np.asarray(total / np.float32(factor * factor))
