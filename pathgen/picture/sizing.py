"""Fit a picture to a panel: proportions, crop, resampling, and notes on tones."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pathgen.errors import PathgenError
from pathgen.picture.colorimetry import lightness
from pathgen.picture.files import MEGAPIXELS, SIZES_TEXT

Luminance = NDArray[np.float32]
Box = tuple[float, float, float, float]

DEFAULT_WIDTH = 100.0  # mm, if neither side is specified
SAMPLES = 1 << 20  # approximate number of pixels used for the notes on tones
FLAT = 10.0  # range of lightness L* below which a picture is hardly visible
SHADE = 2.0  # L*; tones this close to 0 or 100 look black or white


def proportions(
    luminance: NDArray[np.floating], width: float | None = None, height: float | None = None
) -> tuple[float, float]:
    """Return both sides of a panel; compute a missing side from the picture's proportions.

    Parameters
    ----------
    luminance : (rows, cols) array
    width, height : float, optional
        Sides of the panel, mm. If both are missing, the width is 100 mm.

    Returns
    -------
    width, height : float
        mm, not rounded to whole pixels.

    Raises
    ------
    PathgenError
        If the picture is empty or a side is not a finite length above 0.

    Examples
    --------
    >>> proportions(np.zeros((200, 300)), width=90)
    (90.0, 60.0)
    """
    rows, cols = _shape(luminance)
    _check_lengths(width=width, height=height)
    if width is None:
        width = DEFAULT_WIDTH if height is None else height * cols / rows
    return float(width), float(width * rows / cols if height is None else height)


def fit_to_panel(luminance: NDArray[np.floating], width: float, height: float, pixel: float) -> Luminance:
    """Crop a picture to the proportions of a panel, and resample it to the panel's pixels.

    Linear luminance is resampled, so the mean light of every part of the picture is kept. Reduction uses an
    antialiasing filter without negative lobes (Hamming window), because sharper filters leave dark seams
    beside bright edges, which are visible in a lit panel. Enlargement is bicubic, and overshoot is clipped.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 0 to 1.
    width, height : float
        Sides of the panel, mm.
    pixel : float
        Pixel spacing of the panel, mm.

    Returns
    -------
    (round(height/pixel), round(width/pixel)) float32
        Linear luminance, 0 to 1.

    Raises
    ------
    PathgenError
        If the picture is empty, a length is not finite and above 0, or the panel would have fewer than 2 × 2
        or more than 100 million pixels.

    Examples
    --------
    >>> fit_to_panel(np.ones((300, 400), dtype=np.float32), width=20, height=10, pixel=0.5).shape
    (20, 40)
    """
    rows_in, cols_in = _shape(luminance)
    rows, cols = _grid(width, height, pixel)
    scale = min(rows_in / rows, cols_in / cols)  # pixels of the picture per pixel of the panel
    left = max(0.0, (cols_in - cols * scale) / 2)
    top = max(0.0, (rows_in - rows * scale) / 2)
    box = (left, top, cols_in - left, rows_in - top)
    return np.clip(_resize(luminance, rows, cols, box, Image.Resampling.BICUBIC), 0.0, 1.0)


def resample(thickness: NDArray[np.floating], rows: int, cols: int) -> NDArray[np.float64]:
    """Resample a thickness map to another number of pixels.

    The result stays within the range of the input: reduction averages, enlargement is bilinear. A map of the
    requested size is copied exactly; otherwise values are rounded to single precision (0.2 nm in 3 mm).

    Parameters
    ----------
    thickness : (any, any) array
        Thickness, mm.
    rows, cols : int
        Number of pixels of the result.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm.

    Raises
    ------
    PathgenError
        If the map is empty, or `rows` or `cols` is below 1.

    Examples
    --------
    >>> resample(np.array([[1.0, 1.0], [3.0, 3.0]]), 1, 1).tolist()
    [[2.0]]
    """
    rows_in, cols_in = _shape(thickness)
    if rows < 1 or cols < 1:
        raise PathgenError(
            f"the requested thickness map has {cols} × {rows} pixels", allowed="at least 1 × 1 pixel"
        )
    if (rows, cols) == (rows_in, cols_in):
        return np.array(thickness, dtype=np.float64)
    box = (0.0, 0.0, float(cols_in), float(rows_in))
    resized = _resize(thickness, rows, cols, box, Image.Resampling.BILINEAR)
    return np.clip(resized.astype(np.float64), thickness.min(), thickness.max())


def tone_notes(luminance: NDArray[np.floating]) -> list[str]:
    """Return a note if a picture has too few different tones for a panel.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear luminance, 0 to 1.

    Returns
    -------
    list of str
        Empty for most pictures, and for a picture without pixels.

    Notes
    -----
    The tonal range is taken from the 1st to the 99th percentile of lightness L*, so that a few specks do not
    count. The thresholds are common practice. In large pictures, a regular sample of the pixels is used.

    Examples
    --------
    >>> tone_notes(np.zeros((4, 4)))
    ['the picture is completely black: the whole panel will be dark']
    """
    if not luminance.size:
        return []
    step = max(1, math.isqrt(luminance.size // SAMPLES))
    low, high = np.percentile(lightness(luminance[::step, ::step]), (1, 99))
    if high <= SHADE:
        return ["the picture is completely black: the whole panel will be dark"]
    if low >= 100 - SHADE:
        return ["the picture is completely white: the whole panel will be bright"]
    if high - low < FLAT:
        return [
            f"the picture has little contrast: its lightness spans {high - low:.1f} of 100, so it will be "
            "hardly visible; raise `contrast`"
        ]
    return []


def _resize(
    values: NDArray[np.floating], rows: int, cols: int, box: Box, enlarging: Image.Resampling
) -> Luminance:
    """Resample the part of an array inside `box` (left, top, right, bottom, in pixels)."""
    shrinks = box[2] - box[0] >= cols and box[3] - box[1] >= rows
    image = Image.fromarray(np.ascontiguousarray(values, dtype=np.float32))
    resized = image.resize((cols, rows), Image.Resampling.HAMMING if shrinks else enlarging, box=box)
    return np.array(resized, dtype=np.float32)


def _grid(width: float, height: float, pixel: float) -> tuple[int, int]:
    """Return the number of rows and columns of a panel."""
    _check_lengths(width=width, height=height, pixel=pixel)
    if max(width, height) / pixel < 1e9:
        rows, cols = round(height / pixel), round(width / pixel)
        if min(rows, cols) >= 2 and rows * cols <= MEGAPIXELS * 1_000_000:
            return rows, cols
    what = f"a panel of {width:g} × {height:g} mm has {width / pixel:.0f} × {height / pixel:.0f} pixels"
    hint = "change `width`, `height` or `pixel`"
    raise PathgenError(what, where=f"pixel {pixel:g} mm", allowed=SIZES_TEXT, hint=hint)


def _check_lengths(**lengths: float | None) -> None:
    for name, length in lengths.items():
        if length is not None and not 0 < length < math.inf:
            raise PathgenError(f"{name} is {length:g} mm", where=name, allowed="a length above 0")


def _shape(values: NDArray[np.floating]) -> tuple[int, int]:
    """Return the numbers of rows and columns of a picture or map; reject other arrays."""
    if values.ndim != 2 or not values.size:
        what = f"an array of shape {values.shape} is not a picture"
        raise PathgenError(what, allowed="2 dimensions with at least one row and one column")
    return values.shape[0], values.shape[1]
