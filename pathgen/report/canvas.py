"""Sheets that figures are drawn on, with axes, text and colour scales.

Positions on a sheet are whole dots from its top left corner, so that a map is drawn dot for dot and never
resampled by the drawing library. The only font is the one shipped with matplotlib.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import Any, Literal

from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

DPI = 100
SHEET = 1800  # width of the large figures, dots
EDGE = 76  # left margin
RISE = 34  # dots from a rule to the heading below it
SCALE_GAP, SCALE_WIDE, SCALE_LOWEST = 16, 16, 110
TICK_ACROSS, TICK_UP = 56, 30  # minimum distance of ticks, so that their labels do not touch
INK, FAINT, PAPER = "#23282d", "#7c838a", "#fbfaf7"
TINT = "#ebe8e0"  # background of supported heights and of the chosen axis
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


class Sheet(Figure):
    """An empty sheet of the given size in dots."""

    def __init__(self, high: int, wide: int = SHEET) -> None:
        super().__init__(figsize=(wide / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
        FigureCanvasAgg(self)
        self._size = wide, high

    def png(self) -> bytes:
        """Encode the sheet as PNG without date and software, so that equal sheets give equal bytes."""
        buffer = BytesIO()
        self.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
        return buffer.getvalue()

    def bounds(self, left: float, top: float, wide: float, high: float) -> tuple[float, float, float, float]:
        """Return left, bottom, width and height of a rectangle in dots as fractions of the sheet."""
        whole, tall = self._size
        return left / whole, 1 - (top + high) / tall, wide / whole, high / tall

    def add_box(self, box: Box, heading: str = "", across: str = "", up: str = "", size: float = 10) -> Axes:
        """Add axes that fill a box, with a thin frame, few ticks on the outside, a heading and labels."""
        axes = self.add_axes(self.bounds(box.left, box.top, box.wide, box.high), facecolor=PAPER)
        for axis, dots in ((axes.xaxis, box.wide / TICK_ACROSS), (axes.yaxis, box.high / TICK_UP)):
            axis.set_major_locator(MaxNLocator(max(1, min(8, int(dots))), steps=[1, 2, 5, 10], min_n_ticks=1))
        axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
        for spine in axes.spines.values():
            spine.set(linewidth=0.6, color=FAINT)
        axes.set_title(heading, loc="left", fontsize=size, pad=6, parse_math=False, **TEXT)
        axes.set_xlabel(across, fontsize=9, **TEXT)
        axes.set_ylabel(up, fontsize=9, **TEXT)
        return axes

    def draw_text(
        self, left: float, base: float, text: str, size: float, side: str = "left", bold: bool = False,
        colour: str = INK,
    ) -> None:  # fmt: skip
        """Draw a line of text with its left end and baseline at `left` and `base`, in dots."""
        place = (left / self._size[0], 1 - base / self._size[1])
        weight, style = "bold" if bold else "normal", TEXT | {"color": colour}
        self.text(*place, text, fontsize=size, fontweight=weight, ha=side, parse_math=False, **style)

    def draw_line(self, at: float) -> None:
        """Draw a thin horizontal line across the sheet, `at` dots from the top."""
        x, y = EDGE / SHEET, 1 - at / self._size[1]
        self.add_artist(Line2D([x, 1 - x], [y, y], color=FAINT, linewidth=0.5))

    def draw_scale(
        self, box: Box, norm: Normalize, colours: Colormap, heading: str,
        extend: Literal["neither", "both", "min", "max"] = "neither",
    ) -> Axes:  # fmt: skip
        """Draw a colour scale to the right of a box; an end that values exceed is pointed."""
        high = max(box.high, SCALE_LOWEST)
        axes = self.add_box(Box(box.left + box.wide + SCALE_GAP, box.top, SCALE_WIDE, high))
        bar = self.colorbar(ScalarMappable(norm, colours), cax=axes, extend=extend)
        bar.outline.set(linewidth=0.6, color=FAINT)
        bar.minorticks_off()
        bar.set_label(heading, fontsize=9, **TEXT)
        return axes


def colour_scale(low: float, high: float, minimum: float) -> Normalize:
    """Return a colour scale from low to high, with a span of at least `minimum`."""
    more = max(0.0, minimum - (high - low)) / 2
    return Normalize(low - more, high + more)
