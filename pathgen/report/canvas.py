"""Drawing helpers shared by all figures: sheets, axes, text, colour scales and images.

Positions on a sheet are whole dots from its top left corner, so that a map is drawn dot for dot and never
resampled by the drawing library. Text is measured before it is placed, to break lines and to shorten long
names; the only font is the one shipped with matplotlib.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from typing import Any, Literal, TypeVar

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

Floats = NDArray[np.floating]
Dots = NDArray[np.uint8]
Cell = TypeVar("Cell", bound=np.generic)

DPI = 100
SHEET = 1800  # width of the large figures, dots
EDGE = 76  # left margin
RISE = 34  # dots from a rule to the heading below it
SCALE_GAP, SCALE_WIDE, SCALE_LOWEST = 16, 16, 110
TICK_ACROSS, TICK_UP = 56, 30  # minimum distance of ticks, so that their labels do not touch
INK, FAINT, PAPER = "#23282d", "#7c838a", "#fbfaf7"
TINT = "#ebe8e0"  # background of supported heights and of the chosen axis
BARE = (228, 225, 217)  # no wall
# Thick is dark; perceptually uniform.
THICKNESS_COLOURS = colormaps["bone_r"]
SMALL = 9.0  # points, text other than headings
FONT = "DejaVu Sans"  # shipped with matplotlib
TEXT: dict[str, Any] = {"color": INK, "fontfamily": FONT}


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on a sheet, in dots from the top left corner."""

    left: int
    top: int
    wide: int
    high: int

    @property
    def foot(self) -> int:
        """Lower edge of the box, dots."""
        return self.top + self.high


def new_sheet(high: int, wide: int = SHEET) -> Figure:
    """Return an empty sheet of the given size in dots."""
    sheet = Figure(figsize=(wide / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    return sheet


def sheet_png(sheet: Figure) -> bytes:
    """Encode a sheet as PNG without date and software, so that equal sheets give equal bytes."""
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()


def add_axes_box(sheet: Figure, box: Box) -> Axes:
    """Add axes that fill a box, with a thin frame and few ticks on the outside."""
    wide, high = sheet.get_figwidth() * DPI, sheet.get_figheight() * DPI
    place = (box.left / wide, 1 - box.foot / high, box.wide / wide, box.high / high)
    axes = sheet.add_axes(place, facecolor=PAPER)
    for axis, dots in ((axes.xaxis, box.wide / TICK_ACROSS), (axes.yaxis, box.high / TICK_UP)):
        axis.set_major_locator(MaxNLocator(max(1, min(8, int(dots))), steps=[1, 2, 5, 10], min_n_ticks=1))
    style_axes(axes)
    return axes


def style_axes(axes: Axes) -> None:
    """Apply the common style of ticks and frames to axes."""
    axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
    for spine in axes.spines.values():
        spine.set(linewidth=0.6, color=FAINT)


def label_axes(axes: Axes, heading: str, across: str = "", up: str = "", size: float = 10) -> None:
    """Set the heading of axes, and the labels of both axes."""
    axes.set_title(heading, loc="left", fontsize=size, pad=6, parse_math=False, **TEXT)
    axes.set_xlabel(across, fontsize=9, **TEXT)
    axes.set_ylabel(up, fontsize=9, **TEXT)


def draw_text(
    sheet: Figure,
    left: float,
    base: float,
    text: str,
    size: float,
    side: str = "left",
    bold: bool = False,
    colour: str = INK,
) -> None:
    """Draw a line of text with its left end and baseline at `left` and `base`, in dots."""
    place = (left / (sheet.get_figwidth() * DPI), 1 - base / (sheet.get_figheight() * DPI))
    weight = "bold" if bold else "normal"
    style = TEXT | {"color": colour}
    sheet.text(*place, text, fontsize=size, fontweight=weight, ha=side, parse_math=False, **style)


def draw_line(sheet: Figure, at: float) -> None:
    """Draw a thin horizontal line across a sheet, `at` dots from the top."""
    y = 1 - at / (sheet.get_figheight() * DPI)
    x = [EDGE / SHEET, 1 - EDGE / SHEET]
    sheet.add_artist(Line2D(x, [y, y], color=FAINT, linewidth=0.5))


def draw_scale(
    sheet: Figure,
    box: Box,
    norm: Normalize,
    colours: Colormap,
    heading: str,
    extend: Literal["neither", "both", "min", "max"] = "neither",
) -> Axes:
    """Draw a colour scale to the right of a box, with a point at each end that values exceed."""
    high = max(box.high, SCALE_LOWEST)
    axes = add_axes_box(sheet, Box(box.left + box.wide + SCALE_GAP, box.top, SCALE_WIDE, high))
    bar = sheet.colorbar(ScalarMappable(norm, colours), cax=axes, extend=extend)
    bar.outline.set(linewidth=0.6, color=FAINT)
    bar.minorticks_off()
    bar.set_label(heading, fontsize=9, **TEXT)
    return axes


def colour_scale(low: float, high: float, minimum: float) -> Normalize:
    """Return a colour scale from low to high, with a span of at least `minimum`."""
    more = max(0.0, minimum - (high - low)) / 2
    return Normalize(low - more, high + more)


@lru_cache(maxsize=1)
def _ruler() -> Any:  # matplotlib has no type for its renderer
    canvas: Any = FigureCanvasAgg(Figure(dpi=DPI))
    return canvas.get_renderer()


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Measure the width of a line of text, in dots.

    Parameters
    ----------
    text : str
    size : float
        Points.
    bold : bool

    Examples
    --------
    >>> 60 < text_width("a line of text", 9) < 100
    True
    """
    font = FontProperties(family=FONT, size=size, weight="bold" if bold else "normal")
    return float(_ruler().get_text_width_height_descent(text, font, ismath=False)[0])


def wrap_text(text: str, size: float, wide: float) -> list[str]:
    """Break a text into lines of at most `wide` dots, and shorten words that are longer.

    Examples
    --------
    >>> wrap_text("steady up to the top", 9, 90)
    ['steady up to', 'the top']
    >>> wrap_text("", 9, 90)
    []
    """
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size) <= wide:
            lines[-1] = longer
        else:
            lines.append(shorten(word, size, wide))
    return lines


def shorten(text: str, size: float, wide: float, bold: bool = False) -> str:
    """Shorten a text to at most `wide` dots by cutting its middle.

    Examples
    --------
    >>> shorten("harbour-archive-plate-0417.png", 9, 120)
    'harbour…417.png'
    """
    if text_width(text, size, bold) <= wide:
        return text

    def short(kept: int) -> str:
        return text[: kept // 2] + "…" + text[len(text) - (kept - kept // 2) :]

    length = bisect_right(range(1, len(text)), wide, key=lambda kept: text_width(short(kept), size, bold))
    return short(length)


def area_mean(values: NDArray[Any], rows: int, cols: int) -> NDArray[np.float32]:
    """Resample an array to a larger or smaller size by area-weighted means.

    Parameters
    ----------
    values : (R, C) array
        At least one cell.
    rows, cols : int
        Size of the result.

    Returns
    -------
    (rows, cols) array of float32
        Its mean is the mean of `values`.

    Examples
    --------
    >>> area_mean(np.array([[0.0, 1.0, 5.0]]), 1, 2).round(3).tolist()
    [[0.3330000042915344, 3.6670000553131104]]
    """
    down, across = _shares(values.shape[0], rows), _shares(values.shape[1], cols)
    return np.asarray(down @ values.astype(np.float32, copy=False) @ across.T)


def _shares(cells: int, dots: int) -> NDArray[np.float32]:
    """Return the fraction of each dot that each cell covers, (dots, cells); each row sums to 1."""
    edge = np.linspace(0, cells, dots + 1)
    cell = np.arange(cells)
    overlap = np.minimum(edge[1:, None], cell + 1) - np.maximum(edge[:-1, None], cell)
    share: NDArray[np.float32] = (np.maximum(overlap, 0) * (dots / cells)).astype(np.float32)
    return share


def resample_nearest(values: NDArray[Cell], rows: int, cols: int) -> NDArray[Cell]:
    """Resample an array by nearest neighbours.

    Examples
    --------
    >>> resample_nearest(np.array([[1, 2, 3]]), 2, 1).tolist()
    [[2], [2]]
    """
    down, across = (
        ((np.arange(dots) + 0.5) * cells / dots).astype(np.intp)
        for dots, cells in zip((rows, cols), values.shape, strict=True)
    )
    picked: NDArray[Cell] = values[down[:, None], across]
    return picked


def dilate(mask: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Dilate a mask by a square of `by` dots on all sides.

    Examples
    --------
    >>> dilate(np.array([[False, False, True]]), 1).tolist()
    [[False, True, True]]
    """
    for axis in (0, 1):
        edge = [(by, by) if a == axis else (0, 0) for a in (0, 1)]
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(mask, edge), 2 * by + 1, axis=axis)
        mask = np.asarray(windows.any(axis=-1))
    return mask
