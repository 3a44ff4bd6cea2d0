"""SVG charts of the report: line charts, colour scales, and bars in table cells.

Elements have classes, and the style sheet of the report decides how they look, so that screen and paper can
differ. Each chart has a title and a description for screen readers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDE, HIGH = 420, 230  # user units, about one CSS pixel each
LEFT, RIGHT, TOP, FOOT = 46, 14, 14, 40
BAR_WIDE, BAR_HIGH = 120, 10


@dataclass(frozen=True, slots=True)
class ChartAxis:
    """An axis from `low` to `high`, with label and unit."""

    low: float
    high: float
    label: str

    def share(self, values: Floats | float) -> Floats:
        """Return positions along the axis as fractions, clipped to 0 (`low`) to 1 (`high`)."""
        return np.clip((np.asarray(values, np.float64) - self.low) / (self.high - self.low or 1.0), 0, 1)


def choose_ticks(low: float, high: float, maximum: int = 6) -> list[float]:
    """Choose round values between two limits as ticks.

    Parameters
    ----------
    low, high : float
    maximum : int
        Maximum number of values.

    Returns
    -------
    list of float
        Multiples of 1, 2 or 5 times a power of ten; only `low` if the limits are equal.

    Examples
    --------
    >>> choose_ticks(0, 8.2), choose_ticks(0, 0.017)
    ([0.0, 2.0, 4.0, 6.0, 8.0], [0.0, 0.005, 0.01, 0.015])
    """
    if not high > low:
        return [low]
    power = 10.0 ** math.floor(math.log10((high - low) / maximum))
    step = next(s * power for s in (1, 2, 5, 10, 20) if (high - low) / (s * power) < maximum)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{i * step:.10g}") for i in range(first, last + 1)]


class Chart:
    """A line chart; later elements are drawn on top of earlier ones.

    Parameters
    ----------
    title, description : str
        Text for people who cannot see the chart; the description is also part of the caption.
    x, y : ChartAxis
    name : str
        Prefix of the element's ids, unique on the page.
    """

    def __init__(self, title: str, description: str, x: ChartAxis, y: ChartAxis, name: str) -> None:
        self.description = description
        self._title, self._x, self._y, self._name = title, x, y, name
        self._parts: list[Markup] = []

    def area(self, x: Floats, low: Floats, high: Floats, look: str) -> None:
        """Fill the area between two curves; `look` is a class of the style sheet."""
        there, back = self._points(x, high), self._points(x[::-1], low[::-1])
        self._parts.append(Markup('<path class="{}" d="M{}L{}Z"/>').format(look, there, back))

    def line(self, x: Floats, y: Floats, look: str) -> None:
        """Draw a curve; `look` is a class of the style sheet."""
        self._parts.append(Markup('<path class="{}" d="M{}"/>').format(look, self._points(x, y)))

    def level(self, y: float, words: str) -> None:
        """Draw a horizontal line with a label, unless its level is outside the axis."""
        if not self._y.low <= y <= self._y.high:
            return
        at = self._up(y)
        line = Markup('<path class="level" d="M{} {:.1f}H{}"/>').format(LEFT, at, WIDE - RIGHT)
        text = _text(WIDE - RIGHT - 3, at + 14 if at < TOP + 16 else at - 5, words, "end")
        self._parts.append(line + text)

    @property
    def svg(self) -> Markup:
        """Markup of the chart as an SVG element."""
        head = Markup(
            '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="{name}-title {name}-text">'
            '<title id="{name}-title">{}</title><desc id="{name}-text">{}</desc>'
        ).format(WIDE, HIGH, self._title, self.description, name=self._name)
        levels = [(self._up(value), f"{value:g}") for value in choose_ticks(self._y.low, self._y.high)]
        lines = "".join(f"M{LEFT} {at:.1f}H{WIDE - RIGHT}" for at, _ in levels)
        grid = Markup('<path class="grid" d="{}"/>').format(lines)
        frame = Markup('<path class="frame" d="M{} {}H{}"/>').format(LEFT, HIGH - FOOT, WIDE - RIGHT)
        for value in choose_ticks(self._x.low, self._x.high, 7):
            frame += _text(self._across(value), HIGH - FOOT + 15, f"{value:g}", "middle")
        for at, label in levels:
            frame += _text(LEFT - 6, at + 4, label, "end")
        frame += _text((LEFT + WIDE - RIGHT) / 2, HIGH - 6, self._x.label, "middle")
        turned = Markup('<text x="12" y="{0}" class="middle" transform="rotate(-90 12 {0})">{1}</text></svg>')
        parts = Markup("").join(self._parts)
        return head + grid + parts + frame + turned.format((TOP + HIGH - FOOT) / 2, self._y.label)

    def _across(self, x: Floats | float) -> Any:
        return LEFT + self._x.share(x) * (WIDE - LEFT - RIGHT)

    def _up(self, y: Floats | float) -> Any:
        return HIGH - FOOT - self._y.share(y) * (HIGH - FOOT - TOP)

    def _points(self, x: Floats, y: Floats) -> str:
        places = zip(self._across(x), self._up(y), strict=True)
        return "L".join(f"{across:.1f} {up:.1f}" for across, up in places)


def draw_bar(share: float) -> Markup:
    """Draw a bar for a table cell, with a length from 0 to 1."""
    wide = max(0.0, min(1.0, share)) * BAR_WIDE
    return Markup(
        '<svg class="cell" viewBox="0 0 {} {}" preserveAspectRatio="none" aria-hidden="true">'
        '<rect class="bar" width="{:.1f}" height="{}"/></svg>'
    ).format(BAR_WIDE, BAR_HIGH, wide, BAR_HIGH)


def draw_colour_scale(colours: Sequence[str], low: str, high: str, words: str, name: str) -> Markup:
    """Draw a colour scale with labels at its ends.

    Parameters
    ----------
    colours : sequence of str
        From the low end to the high end.
    low, high : str
        Labels of both ends.
    words : str
        Quantity and unit.
    name : str
        Id of the title, unique on the page.
    """
    step = 200 / len(colours)
    boxes = Markup("").join(
        Markup('<rect x="{:.2f}" width="{:.2f}" height="10" fill="{}"/>').format(i * step, step + 0.3, colour)
        for i, colour in enumerate(colours)
    )
    head = Markup(
        '<svg class="scale" viewBox="-1 0 202 24" role="img" aria-labelledby="{0}"><title id="{0}">'
    ).format(name)
    text = escape(f"Colour scale, {words}: from {low} to {high}")
    ends = _text(0, 21, low, "start") + _text(100, 21, words, "middle") + _text(200, 21, high, "end")
    return head + text + Markup("</title>") + boxes + ends + Markup("</svg>")


def _text(x: float, y: float, words: str, look: str) -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" class="{}">{}</text>').format(x, y, look, words)
