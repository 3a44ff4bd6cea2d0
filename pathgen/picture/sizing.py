"""Fit a picture to a panel: proportions, crop, resampling, and remarks on its tones."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import lightness
from pathgen.picture.files import MEGAPIXELS

Luminance = NDArray[np.float32]
Box = tuple[float, float, float, float]

DEFAULT_WIDTH = 100.0  # mm, where neither side is given
SAMPLES = 1 << 20  # pixels a tone remark looks at
FLAT = 10.0  # span of lightness L* under which a picture hardly shows
SHADE = 2.0  # this near to L* 0 or 100 is black or white to the eye


def proportions(
    luminance: NDArray[np.floating], width: float | None = None, height: float | None = None
) -> tuple[float, float]:
    """Fill in the side of the panel that is not given, so that the picture is not cropped.

    Parameters
    ----------
    luminance : (rows, cols) array
        The picture.
    width, height : float, optional
        Sides of the panel, mm. Both given: they are handed back. None given: the width is 100.

    Returns
    -------
    width, height : float
        mm, not rounded to whole pixels.

    Raises
    ------
    PathgenError
        When the picture is empty or a side is not a finite length above 0.

    Examples
    --------
    >>> proportions(np.zeros((200, 300)), width=90)
    (90.0, 60.0)
    """
    rows, cols = _shape(luminance)
    for name, side in (("width", width), ("height", height)):
        if side is not None:
            _check_length(name, side)
    if width is None:
        width = DEFAULT_WIDTH if height is None else height * cols / rows
    return float(width), float(width * rows / cols if height is None else height)


def fit_to_panel(luminance: NDArray[np.floating], width: float, height: float, pixel: float) -> Luminance:
    """Crop a picture to the panel's proportions about its centre, and resample it to the panel's pixels.

    Resampling works on linear luminance, so every part of the panel lets as much light through as that part
    of the picture holds. Shrinking weighs each pixel's surroundings with a filter that has no negative lobes
    (Hamming window, antialiasing): sharper filters leave dark seams beside bright edges, which light from
    behind shows up. Enlarging is bicubic, and what overshoots is clipped.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 0 to 1.
    width, height : float
        Sides of the panel, mm.
    pixel : float
        Spacing of the panel's pixels, mm.

    Returns
    -------
    (round(height/pixel), round(width/pixel)) float32
        Linear luminance, 0 to 1.

    Raises
    ------
    PathgenError
        When the picture is empty, a length is not finite and above 0, or the panel would have under
        2 × 2 pixels or over 100 million.

    Examples
    --------
    >>> fit_to_panel(np.ones((300, 400), dtype=np.float32), width=20, height=10, pixel=0.5).shape
    (20, 40)
    """
    rows_in, cols_in = _shape(luminance)
    rows, cols = _grid(width, height, pixel)
    scale = min(rows_in / rows, cols_in / cols)  # pixels of the picture to one of the panel
    left = max(0.0, (cols_in - cols * scale) / 2)
    top = max(0.0, (rows_in - rows * scale) / 2)
    box = (left, top, cols_in - left, rows_in - top)
    return np.clip(_resize(luminance, rows, cols, box, Image.Resampling.BICUBIC), 0.0, 1.0)


def resample(thickness: NDArray[np.floating], rows: int, cols: int) -> NDArray[np.float64]:
    """Resample a thickness map to another number of pixels.

    Never leaves the range of what it is given: shrinking averages, enlarging is bilinear. A map that already
    has the size is copied exactly; else values are rounded to single precision (0.2 nm in 3 mm).

    Parameters
    ----------
    thickness : (any, any) array
        Thickness, mm.
    rows, cols : int
        Pixels wanted.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm.

    Raises
    ------
    PathgenError
        When the map is empty, or `rows` or `cols` is under 1.

    Examples
    --------
    >>> resample(np.array([[1.0, 1.0], [3.0, 3.0]]), 1, 1).tolist()
    [[2.0]]
    """
    rows_in, cols_in = _shape(thickness)
    if rows < 1 or cols < 1:
        raise PathgenError(f"map of {cols} × {rows} pixels is asked for", allowed="1 × 1 and more")
    if (rows, cols) == (rows_in, cols_in):
        return np.array(thickness, dtype=np.float64)
    box = (0.0, 0.0, float(cols_in), float(rows_in))
    resized = _resize(thickness, rows, cols, box, Image.Resampling.BILINEAR)
    return np.clip(resized.astype(np.float64), thickness.min(), thickness.max())


def tone_notes(luminance: NDArray[np.floating]) -> list[str]:
    """Remark on pictures whose tones leave a panel little to show; every one of them can still be made.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 0 to 1.

    Returns
    -------
    list of str
        Remarks, empty where there is nothing to say (or no pixel).

    Notes
    -----
    The span of tones is that between the 1st and 99th percentile of lightness L*, so that a few specks do not
    count. The thresholds are common practice. Large pictures are judged on an even sample of their pixels.

    Examples
    --------
    >>> tone_notes(np.zeros((4, 4)))
    ['the picture is all black: the panel will be dark all over']
    """
    if not luminance.size:
        return []
    step = max(1, math.isqrt(luminance.size // SAMPLES))
    low, high = np.percentile(lightness(luminance[::step, ::step]), (1, 99))
    if high <= SHADE:
        return ["the picture is all black: the panel will be dark all over"]
    if low >= 100 - SHADE:
        return ["the picture is all white: the panel will be bright all over"]
    if high - low < FLAT:
        return [
            f"the picture is nearly flat: its tones span {high - low:.1f} of 100 steps of lightness, "
            "so the panel will hardly show it; more contrast helps"
        ]
    return []


def _resize(
    values: NDArray[np.floating], rows: int, cols: int, box: Box, enlarging: Image.Resampling
) -> Luminance:
    """Resample the part of an array inside `box` (left, top, right, bottom in its pixels)."""
    shrinks = box[2] - box[0] >= cols and box[3] - box[1] >= rows
    image = Image.fromarray(np.ascontiguousarray(values, dtype=np.float32))
    resized = image.resize((cols, rows), Image.Resampling.HAMMING if shrinks else enlarging, box=box)
    return np.array(resized, dtype=np.float32)


def _grid(width: float, height: float, pixel: float) -> tuple[int, int]:
    """Rows and columns of the panel's map."""
    for name, length in (("width", width), ("height", height), ("pixel", pixel)):
        _check_length(name, length)
    if max(width, height) / pixel < 1e9:
        rows, cols = round(height / pixel), round(width / pixel)
        if min(rows, cols) >= 2 and rows * cols <= MEGAPIXELS * 1_000_000:
            return rows, cols
    raise PathgenError(
        f"a panel of {width:g} × {height:g} mm has {width / pixel:.0f} × {height / pixel:.0f} pixels",
        where=f"pixel {pixel:g} mm",
        allowed=f"at least 2 × 2 pixels, at most {MEGAPIXELS} megapixels",
        hint="change the size of the panel or of the pixel",
    )


def _check_length(name: str, length: float) -> None:
    if not (math.isfinite(length) and length > 0):
        raise PathgenError(f"{name} is {length:g} mm", where=name, allowed="a length above 0")


def _shape(values: NDArray[np.floating]) -> tuple[int, int]:
    """Rows and columns of an array that must be a picture or map with something in it."""
    if values.ndim != 2 or not values.size:
        raise PathgenError(
            f"array of shape {values.shape} is no picture", allowed="rows and columns, at least one of each"
        )
    return values.shape[0], values.shape[1]
