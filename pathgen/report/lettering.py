"""Text on sheets: measured before it is placed, broken into lines, and shortened."""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from pathgen.report.canvas import DPI, FONT


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
