"""Pictures of a replayed program: backlit picture, thickness map and thickness error map.

The backlit picture is a plain grey PNG. The maps have axes in mm and a colour scale. Each pixel of a small
panel is drawn as a whole number of dots; a panel larger than the sheet is drawn by area means.
"""

from __future__ import annotations

import math
from io import BytesIO
from typing import Literal

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import Colormap
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from pathgen.picture import encode_srgb
from pathgen.proof.deposit_map import inside_ends
from pathgen.report.canvas import SCALE_LOWEST, THICKNESS_COLOURS, Box, Sheet, colour_scale
from pathgen.report.resampling import area_mean

MAP_WIDEST, MAP_TALLEST = 1000, 1000  # dots
LEFT, TOP, RIGHT, FOOT = 76, 92, 134, 62  # dots around the map
# Red is too thin and transmits too much light, blue is too thick, white is exact. Lightness decreases equally
# on both sides, and people with any kind of colour vision can distinguish the two hues.
ERROR_COLOURS = colormaps["RdBu"]
MIN_REACH = 0.001  # mm, minimum limit of the error scale


def backlit_png(luminance: NDArray[np.floating], pixel: float | None = None) -> bytes:
    """Encode a predicted picture as grey PNG, one pixel per pixel of the map.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear, 1 for white; values outside 0 to 1 are clipped.
    pixel : float, optional
        Size of a pixel in mm; stored in the file, so that it prints at the size of the panel.

    Returns
    -------
    bytes
        8 bits per pixel, tagged as sRGB.

    Examples
    --------
    >>> backlit_png(np.ones((4, 6)))[1:4]
    b'PNG'
    """
    codes = np.rint(255 * encode_srgb(luminance)).astype(np.uint8)
    marks = PngInfo()
    marks.add(b"sRGB", b"\0")  # perceptual intent, ISO/IEC 15948 11.3.3.5
    buffer = BytesIO()
    dots = {"dpi": (25.4 / pixel, 25.4 / pixel)} if pixel else {}
    Image.fromarray(codes).save(buffer, "PNG", pnginfo=marks, **dots)
    return buffer.getvalue()


def thickness_png(
    thickness: NDArray[np.floating], size: tuple[float, float], ends: float = 0.0, name: str = ""
) -> bytes:
    """Draw a thickness map as PNG, with a colour scale.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top.
    size : (float, float)
        Width and height, mm.
    ends : float
        mm at both ends of every piece of wall that the limits of the scale exclude.
    name : str
        Start of the heading.

    Returns
    -------
    bytes
        PNG; the same map gives the same bytes.
    """
    wall = _without_ends(thickness, thickness, size, ends)
    wall = wall[wall > 0]
    low, high = (float(wall.min()), float(wall.max())) if wall.size else (0.0, 1.0)
    line = f"{size[0]:g} × {size[1]:g} mm, {low:.2f} to {high:.2f} mm thick{_ends_note(ends)}"
    heading = _heading(name, "deposited thickness"), line, "mm"
    values = thickness[thickness > 0]
    return _map(thickness, values, size, (low, high), 0.05, THICKNESS_COLOURS, heading)


def error_png(
    error: NDArray[np.floating],
    size: tuple[float, float],
    ends: float = 0.0,
    name: str = "",
    wanted: NDArray[np.floating] | None = None,
) -> bytes:
    """Draw the thickness error (deposited minus target) as PNG, with a colour scale.

    Parameters
    ----------
    error : (rows, cols) array
        mm, row 0 at the top.
    size, ends, name
        See `thickness_png`.
    wanted : (rows, cols) array, optional
        Target thickness, mm, to find the ends of the wall; by default, the wall fills the map.

    Returns
    -------
    bytes
        PNG; the same map gives the same bytes.
    """
    inner = _without_ends(error, np.ones(error.shape) if wanted is None else wanted, size, ends)
    inner = inner[np.isfinite(inner)]
    p99 = float(np.percentile(np.abs(inner), 99)) if inner.size else 0.0
    reach = round_up(max(p99, MIN_REACH))
    rms = math.sqrt(np.mean(inner**2)) if inner.size else 0.0
    line = f"{rms:.4f} mm RMS, 99 % within {p99:.4f} mm{_ends_note(ends)}"
    heading = _heading(name, "deposited minus target thickness"), line, "mm, positive is too thick"
    return _map(error, error, size, (-reach, reach), 0.0, ERROR_COLOURS, heading)


def round_up(value: float) -> float:
    """Round up to 1, 1.5, 2, 3, 5 or 8 times a power of ten.

    Examples
    --------
    >>> round_up(0.0128), round_up(0.5), round_up(6.0)
    (0.015, 0.5, 8.0)
    """
    power = 10.0 ** math.floor(math.log10(value))
    steps = (1, 1.5, 2, 3, 5, 8, 10)
    return float(f"{next(s for s in steps if s * power >= value * (1 - 1e-9)) * power:.3g}")


def _without_ends(
    values: NDArray[np.floating], wall: NDArray[np.floating], size: tuple[float, float], ends: float
) -> NDArray[np.floating]:
    """Return the values that are not near an end of the wall, or all values if every one is near an end."""
    inner = values[inside_ends(np.asarray(wall, np.float64), ends, size[0] / values.shape[1])]
    return inner if inner.size else values


def _ends_note(ends: float) -> str:
    return f"; {ends:g} mm at both ends excluded" if ends else ""


def _heading(name: str, what: str) -> str:
    return f"{name}: {what}" if name else what.capitalize()


def _map(
    dots: NDArray[np.floating],
    values: NDArray[np.floating],
    size: tuple[float, float],
    limits: tuple[float, float],
    minimum: float,
    colours: Colormap,
    heading: tuple[str, str, str],
) -> bytes:
    """Draw a map with axes in mm, two heading lines, and a colour scale."""
    norm = colour_scale(*limits, minimum)
    dots = _to_dots(dots)
    high, wide = dots.shape
    box = Box(LEFT, TOP, wide, high)
    sheet = Sheet(TOP + max(high, SCALE_LOWEST) + FOOT, max(LEFT + wide + RIGHT, 620))
    axes = sheet.add_box(box, "", "across, mm", "up, mm")
    axes.imshow(dots, colours, norm, extent=(0, size[0], 0, size[1]), aspect="auto", interpolation="nearest")
    under, over = bool((values < limits[0]).any()), bool((values > limits[1]).any())
    extend: Literal["neither", "both", "min", "max"] = (
        "both" if under and over else "min" if under else "max" if over else "neither"
    )
    sheet.draw_scale(box, norm, colours, heading[2], extend)
    for text, base, points in zip(heading[:2], (40, 66), (13, 10), strict=True):
        sheet.draw_text(LEFT, base, text, points)
    return sheet.png()


def _to_dots(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """Resample a map to dots: a whole number of dots per pixel, or area means of a large map."""
    rows, cols = values.shape
    times = min(MAP_WIDEST / cols, MAP_TALLEST / rows)
    if times >= 1:
        return np.repeat(np.repeat(values, int(times), axis=0), int(times), axis=1)
    return area_mean(values, max(1, round(rows * times)), max(1, round(cols * times)))
