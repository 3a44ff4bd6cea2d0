"""The sheet: what every figure is drawn on, and what is written and measured there.

Places on a sheet are whole dots from its top left corner, so that a map is put there dot for dot and never
resampled by the drawing library. Text is measured before it is placed: lines are broken, and long names cut,
by the width they take in the one font that comes with matplotlib.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar

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
SHEET = 1800  # dots across
EDGE = 76  # left of everything
RISE = 34  # dots from a rule to the heading under it
SCALE_GAP, SCALE_WIDE, SCALE_LOWEST = 16, 16, 110
TICK_ACROSS, TICK_UP = 56, 30  # dots from tick to tick at least, so that their figures stay apart
INK, FAINT, PAPER = "#23282d", "#7c838a", "#fbfaf7"
TINT = "#ebe8e0"  # behind what is held, and what is chosen
BARE = (228, 225, 217)  # where there is no wall
# Thick towards black, in even steps of lightness.
THICKNESS_COLOURS = colormaps["bone_r"]
SMALL = 9.0  # points of all text but headings
FONT = "DejaVu Sans"  # matplotlib brings it along
TEXT: dict[str, Any] = {"color": INK, "fontfamily": FONT}


@dataclass(frozen=True, slots=True)
class Box:
    """A place on the sheet: left, top, width and height in dots, from the top left corner."""

    left: int
    top: int
    wide: int
    high: int

    @property
    def foot(self) -> int:
        """Its lower edge."""
        return self.top + self.high


def blank(high: int) -> Figure:
    """Take an empty sheet, `high` dots high."""
    sheet = Figure(figsize=(SHEET / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    return sheet


def axes_in(sheet: Figure, box: Box) -> Axes:
    """Make axes that fill a box, sober: thin frame, small figures, ticks outside and never crowded."""
    high = sheet.get_figheight() * DPI
    place = (box.left / SHEET, 1 - box.foot / high, box.wide / SHEET, box.high / high)
    axes = sheet.add_axes(place, facecolor=PAPER)
    axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
    for axis, dots in ((axes.xaxis, box.wide / TICK_ACROSS), (axes.yaxis, box.high / TICK_UP)):
        axis.set_major_locator(MaxNLocator(max(1, min(8, int(dots))), steps=[1, 2, 5, 10], min_n_ticks=1))
    for spine in axes.spines.values():
        spine.set(linewidth=0.6, color=FAINT)
    return axes


def label(axes: Axes, heading: str, across: str = "", up: str = "", size: float = 10) -> None:
    """Write a heading above axes and what is counted along them."""
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
    """Write on the sheet itself; `base` is the dot on which the line stands."""
    place = (left / SHEET, 1 - base / (sheet.get_figheight() * DPI))
    weight = "bold" if bold else "normal"
    style = TEXT | {"color": colour}
    sheet.text(*place, text, fontsize=size, fontweight=weight, ha=side, parse_math=False, **style)


def draw_line(sheet: Figure, at: float) -> None:
    """Draw a fine line across the sheet, `at` dots from its top."""
    y = 1 - at / (sheet.get_figheight() * DPI)
    x = [EDGE / SHEET, 1 - EDGE / SHEET]
    sheet.add_artist(Line2D(x, [y, y], color=FAINT, linewidth=0.5))


def draw_scale(
    sheet: Figure, box: Box, norm: Normalize, colours: Colormap, heading: str, beyond: bool = False
) -> Axes:
    """Put a colour scale at the right of a box, as high as it is; with points, where values go beyond it."""
    high = max(box.high, SCALE_LOWEST)
    axes = axes_in(sheet, Box(box.left + box.wide + SCALE_GAP, box.top, SCALE_WIDE, high))
    bar = sheet.colorbar(ScalarMappable(norm, colours), cax=axes, extend="both" if beyond else "neither")
    bar.outline.set(linewidth=0.6, color=FAINT)
    bar.minorticks_off()
    bar.set_label(heading, fontsize=9, **TEXT)
    return axes


def colour_scale(low: float, high: float, least: float) -> Normalize:
    """Scale from low to high, widened to `least` where they are nearer than that."""
    more = max(0.0, least - (high - low)) / 2
    return Normalize(low - more, high + more)


@lru_cache(maxsize=1)
def _ruler() -> Any:  # the drawing library has no types for its renderer
    canvas: Any = FigureCanvasAgg(Figure(dpi=DPI))
    return canvas.get_renderer()


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Measure a line of text as it is drawn, in dots.

    Parameters
    ----------
    text : str
    size : float
        In points.
    bold : bool

    Examples
    --------
    >>> 60 < text_width("a line of text", 9) < 100
    True
    """
    font = FontProperties(family=FONT, size=size, weight="bold" if bold else "normal")
    return float(_ruler().get_text_width_height_descent(text, font, ismath=False)[0])


def wrap(text: str, size: float, wide: float) -> list[str]:
    """Break a text into lines no wider than `wide` dots, between words; a longer word is cut.

    Examples
    --------
    >>> wrap("steady up to the top", 9, 90)
    ['steady up to', 'the top']
    >>> wrap("", 9, 90)
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
    """Shorten a text in its middle until it is no wider than `wide` dots.

    Examples
    --------
    >>> shorten("harbour-archive-plate-0417.png", 9, 120)
    'harbour…417.png'
    """
    if text_width(text, size, bold) <= wide:
        return text

    def short(kept: int) -> str:
        return text[: kept // 2] + "…" + text[len(text) - (kept - kept // 2) :]

    most = bisect_right(range(1, len(text)), wide, key=lambda kept: text_width(short(kept), size, bold))
    return short(most)


def area_mean(values: NDArray[Any], rows: int, cols: int) -> NDArray[np.float32]:
    """Bring an array to another size; every new cell is the mean of what it covers of the old ones.

    Parameters
    ----------
    values : (R, C) array
        At least one cell.
    rows, cols : int
        Size wanted, larger or smaller.

    Returns
    -------
    (rows, cols) array of float32
        Its mean is that of `values`.

    Examples
    --------
    >>> area_mean(np.array([[0.0, 1.0, 5.0]]), 1, 2).round(3).tolist()
    [[0.3330000042915344, 3.6670000553131104]]
    """
    down, across = _shares(values.shape[0], rows), _shares(values.shape[1], cols)
    return np.asarray(down @ values.astype(np.float32, copy=False) @ across.T)


def _shares(cells: int, dots: int) -> NDArray[np.float32]:
    """How much of each dot each cell fills, (dots, cells); rows add up to 1."""
    edge = np.linspace(0, cells, dots + 1)
    cell = np.arange(cells)
    overlap = np.minimum(edge[1:, None], cell + 1) - np.maximum(edge[:-1, None], cell)
    share: NDArray[np.float32] = (np.maximum(overlap, 0) * (dots / cells)).astype(np.float32)
    return share


def pick(values: NDArray[Cell], rows: int, cols: int) -> NDArray[Cell]:
    """Bring an array to another size by taking the cell under each dot's middle.

    Examples
    --------
    >>> pick(np.array([[1, 2, 3]]), 2, 1).tolist()
    [[2], [2]]
    """
    down, across = (
        ((np.arange(dots) + 0.5) * cells / dots).astype(np.intp)
        for dots, cells in zip((rows, cols), values.shape, strict=True)
    )
    picked: NDArray[Cell] = values[down[:, None], across]
    return picked


def grown(mask: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Widen a mask by some dots on all sides, corners included.

    Examples
    --------
    >>> grown(np.array([[False, False, True]]), 1).tolist()
    [[False, True, True]]
    """
    for axis in (0, 1):
        edge = [(by, by) if a == axis else (0, 0) for a in (0, 1)]
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(mask, edge), 2 * by + 1, axis=axis)
        mask = np.asarray(windows.any(axis=-1))
    return mask
