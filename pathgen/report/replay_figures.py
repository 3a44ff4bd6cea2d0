"""Pictures of a replayed program: what it shows when lit, its thickness, and how far that is from the wanted.

The predicted picture is a bare grey PNG. The two maps are sheets with axes in mm and a scale, on which the
map itself stands dot for dot: one dot a pixel, a whole number of dots for a small panel, and for one that is
larger than the sheet the mean over each dot.
"""

from __future__ import annotations

import math
from io import BytesIO
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from pathgen.picture import encode_srgb
from pathgen.proof.deposit_map import inside_ends
from pathgen.report.preview_figure import (
    DPI,
    FAINT,
    FONT,
    INK,
    PAPER,
    TEXT,
    THICKNESS_COLOURS,
    Box,
    area_mean,
)

MAP_WIDEST, MAP_TALLEST = 1000, 1000  # dots
LEFT, TOP, RIGHT, FOOT = 76, 92, 134, 62  # dots around the map
SCALE_GAP, SCALE_WIDE, LOWEST = 22, 18, 220
# Red where the wall is too thin and lets light through, blue where it is too thick; white where it is right.
# Lightness falls alike on both sides, and the two hues differ to every kind of colour vision.
ERROR_COLOURS = colormaps["RdBu"]
ERROR_LEAST = 0.001  # mm at the ends of the scale, at least


def backlit_png(luminance: NDArray[np.floating], pixel: float | None = None) -> bytes:
    """Spell a predicted picture as a grey PNG, one pixel a pixel of the map.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear, 1 for white; what lies outside 0 to 1 is clipped.
    pixel : float, optional
        mm; written into the file, so that it is shown and printed in the panel's own size.

    Returns
    -------
    bytes
        8 bits a pixel, sRGB, and marked so.

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
    """Draw a thickness map with its scale.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top.
    size : (float, float)
        Width and height, mm.
    ends : float
        mm at either end of every stretch of wall that do not count for the scale.
    name : str
        What it is of, to stand over it.

    Returns
    -------
    bytes
        A PNG; the same map gives the same bytes.
    """
    wall = _counted(thickness, thickness, size, ends)
    wall = wall[wall > 0]
    low, high = (float(wall.min()), float(wall.max())) if wall.size else (0.0, 1.0)
    more = max(0.0, 0.05 - (high - low)) / 2
    beyond = _beyond(thickness[thickness > 0], low, high)
    line = f"{size[0]:g} × {size[1]:g} mm, {low:.2f} to {high:.2f} mm thick{_left_out(ends)}"
    norm = Normalize(low - more, high + more)
    heading = _heading(name, "thickness deposited"), line, "mm"
    return _map(thickness, size, norm, THICKNESS_COLOURS, heading, beyond)


def error_png(
    error: NDArray[np.floating],
    size: tuple[float, float],
    ends: float = 0.0,
    name: str = "",
    wanted: NDArray[np.floating] | None = None,
) -> bytes:
    """Draw a thickness error, deposited less wanted; the scale holds 99 % of the pixels between the ends.

    Parameters
    ----------
    error : (rows, cols) array
        mm, row 0 at the top.
    size, ends, name
        As those of `thickness_png`.
    wanted : (rows, cols) array, optional
        Thickness that was wanted, mm: it tells where wall ends. By default at the panel's two ends.

    Returns
    -------
    bytes
        A PNG; the same map gives the same bytes.
    """
    inner = _counted(error, np.ones(error.shape) if wanted is None else wanted, size, ends)
    inner = inner[np.isfinite(inner)]
    share = float(np.percentile(np.abs(inner), 99)) if inner.size else 0.0
    reach = round_up(max(share, ERROR_LEAST))
    rms = math.sqrt(np.mean(inner**2)) if inner.size else 0.0
    beyond = _beyond(error, -reach, reach)
    line = f"{rms:.4f} mm RMS, 99 % within {share:.4f} mm{_left_out(ends)}"
    heading = _heading(name, "thickness deposited less wanted"), line, "mm, above 0 too thick"
    return _map(error, size, Normalize(-reach, reach), ERROR_COLOURS, heading, beyond)


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


def _counted(
    values: NDArray[np.floating], wall: NDArray[np.floating], size: tuple[float, float], ends: float
) -> NDArray[np.floating]:
    """Leave out what lies at the ends of wall; everything is kept where nothing would be left."""
    inner = values[inside_ends(np.asarray(wall, np.float64), ends, size[0] / values.shape[1])]
    return inner if inner.size else values


def _left_out(ends: float) -> str:
    return f"; {ends:g} mm at either end not counted" if ends else ""


def _heading(name: str, what: str) -> str:
    return f"{name}: {what}" if name else what.capitalize()


def _beyond(values: NDArray[np.floating], low: float, high: float) -> str:
    """Say at which ends values go beyond the scale, in the words of the drawing library."""
    under, over = bool((values < low).any()), bool((values > high).any())
    return {(True, True): "both", (True, False): "min", (False, True): "max"}.get((under, over), "neither")


def _map(
    values: NDArray[np.floating],
    size: tuple[float, float],
    norm: Normalize,
    colours: Colormap,
    heading: tuple[str, str, str],
    beyond: str,
) -> bytes:
    """Draw a map with axes in mm, two lines over it, and beside it the scale with what it counts."""
    dots = _to_dots(values)
    high, wide = dots.shape
    box = Box(LEFT, TOP, wide, high)
    whole = Box(0, 0, max(LEFT + wide + RIGHT, 620), TOP + max(high, LOWEST) + FOOT)
    sheet = Figure(figsize=(whole.wide / DPI, whole.high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    axes = _axes(sheet, box, whole)
    axes.imshow(dots, colours, norm, extent=(0, size[0], 0, size[1]), aspect="auto", interpolation="nearest")
    axes.set_xlabel("across, mm", fontsize=9, **TEXT)
    axes.set_ylabel("up, mm", fontsize=9, **TEXT)
    scale = Box(LEFT + wide + SCALE_GAP, TOP, SCALE_WIDE, max(high, LOWEST))
    bar = sheet.colorbar(ScalarMappable(norm, colours), cax=_axes(sheet, scale, whole), extend=beyond)
    bar.outline.set(linewidth=0.6, color=FAINT)
    bar.set_label(heading[2], fontsize=9, **TEXT)
    for text, base, points in zip(heading[:2], (40, 66), (13, 10), strict=True):
        style: dict[str, Any] = {"fontsize": points, "parse_math": False, **TEXT}
        sheet.text(LEFT / whole.wide, 1 - base / whole.high, text, **style)
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()


def _to_dots(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """Bring a map to the sheet: whole dots a pixel, or means where it is too large for that."""
    rows, cols = values.shape
    times = min(MAP_WIDEST / cols, MAP_TALLEST / rows)
    if times >= 1:
        return np.repeat(np.repeat(values, int(times), axis=0), int(times), axis=1)
    return area_mean(values, max(1, round(rows * times)), max(1, round(cols * times)))


def _axes(sheet: Figure, box: Box, whole: Box) -> Axes:
    """Make axes that fill a box of the sheet, to the dot."""
    left, foot = box.left / whole.wide, 1 - (box.top + box.high) / whole.high
    axes = sheet.add_axes((left, foot, box.wide / whole.wide, box.high / whole.high), facecolor=PAPER)
    axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
    for spine in axes.spines.values():
        spine.set(linewidth=0.6, color=FAINT)
    return axes
