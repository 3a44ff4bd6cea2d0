"""Charts of the page, as SVG: areas, lines and levels over two axes, and bars that stand in table cells.

What is drawn has a class and gets its look from the page's style, so that screen and paper can differ. Every
chart carries a title and a sentence that says what it shows, for whoever does not see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDE, HIGH = 420, 230  # user units, about a CSS pixel each where there is room
LEFT, RIGHT, TOP, FOOT = 46, 14, 14, 40
BAR_WIDE, BAR_HIGH = 120, 10


@dataclass(frozen=True, slots=True)
class ChartAxis:
    """One axis: from `low` to `high` in the unit that `label` names."""

    low: float
    high: float
    label: str

    def share(self, values: Floats) -> Floats:
        """Give how far along the axis values lie, 0 at its low end, 1 at its high end; kept inside."""
        return np.clip((np.asarray(values, np.float64) - self.low) / (self.high - self.low or 1.0), 0, 1)


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Choose round values between two ends.

    Parameters
    ----------
    low, high : float
    most : int
        How many there may be.

    Returns
    -------
    list of float
        Multiples of 1, 2 or 5 times a power of ten; only `low` where the ends are the same.

    Examples
    --------
    >>> ticks(0, 8.2), ticks(0, 0.017)
    ([0.0, 2.0, 4.0, 6.0, 8.0], [0.0, 0.005, 0.01, 0.015])
    """
    if not high > low:
        return [low]
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(s * power for s in (1, 2, 5, 10, 20) if (high - low) / (s * power) < most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{i * step:.10g}") for i in range(first, last + 1)]


class Chart:
    """A chart being drawn; what is added later lies on top.

    Parameters
    ----------
    title, told : str
        What it is, and what it shows, in words.
    x, y : Axis
    name : str
        Makes its ids its own on the page.
    """

    def __init__(self, title: str, told: str, x: ChartAxis, y: ChartAxis, name: str) -> None:
        self._title, self._told, self._x, self._y, self._name = title, told, x, y, name
        self._parts: list[Markup] = []

    def area(self, x: Floats, low: Floats, high: Floats, look: str) -> None:
        """Fill what lies between two curves."""
        there = _points(self._place(x, high))
        back = _points(self._place(x[::-1], low[::-1]))
        self._parts.append(Markup('<path class="{}" d="M{}L{}Z"/>').format(look, there, back))

    def line(self, x: Floats, y: Floats, look: str) -> None:
        """Draw a curve."""
        self._parts.append(Markup('<path class="{}" d="M{}"/>').format(look, _points(self._place(x, y))))

    def level(self, y: float, words: str) -> None:
        """Draw a level from side to side, with its words over it; nothing where it lies off the axis."""
        if not self._y.low <= y <= self._y.high:
            return
        at = float(self._place(np.zeros(1), np.array([y]))[0, 1])
        under = at < TOP + 16
        self._parts.append(
            Markup(
                '<path class="level" d="M{} {:.1f}H{}"/><text x="{}" y="{:.1f}" class="end">{}</text>'
            ).format(LEFT, at, WIDE - RIGHT, WIDE - RIGHT - 3, at + 14 if under else at - 5, words)
        )

    @property
    def told(self) -> str:
        """What it shows, in words."""
        return self._told

    @property
    def svg(self) -> Markup:
        """The chart itself."""
        ids = f"{self._name}-title {self._name}-told"
        head = Markup(
            '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="{}">'
            '<title id="{}-title">{}</title><desc id="{}-told">{}</desc>'
        ).format(WIDE, HIGH, ids, self._name, self._title, self._name, self._told)
        return head + self._grid() + Markup("").join(self._parts) + self._frame() + Markup("</svg>")

    def _place(self, x: Floats, y: Floats) -> Floats:
        across = LEFT + self._x.share(x) * (WIDE - LEFT - RIGHT)
        up = HIGH - FOOT - self._y.share(y) * (HIGH - FOOT - TOP)
        return np.stack([across, up], axis=-1)

    def _grid(self) -> Markup:
        lines = [float(self._place(np.zeros(1), np.array([y]))[0, 1]) for y in self._ticks(self._y)]
        drawn = "".join(f"M{LEFT} {at:.1f}H{WIDE - RIGHT}" for at in lines)
        return Markup('<path class="grid" d="{}"/>').format(drawn)

    def _frame(self) -> Markup:
        out = [Markup('<path class="frame" d="M{} {}H{}"/>').format(LEFT, HIGH - FOOT, WIDE - RIGHT)]
        for value in self._ticks(self._x):
            at = float(self._place(np.array([value]), np.zeros(1))[0, 0])
            out.append(_text(at, HIGH - FOOT + 15, f"{value:g}", "middle"))
        for value in self._ticks(self._y):
            at = float(self._place(np.zeros(1), np.array([value]))[0, 1])
            out.append(_text(LEFT - 6, at + 4, f"{value:g}", "end"))
        out.append(_text((LEFT + WIDE - RIGHT) / 2, HIGH - 6, self._x.label, "middle"))
        turned = f"rotate(-90 12 {(TOP + HIGH - FOOT) / 2})"
        out.append(
            Markup('<text x="12" y="{}" class="middle" transform="{}">{}</text>').format(
                (TOP + HIGH - FOOT) / 2, turned, self._y.label
            )
        )
        return Markup("").join(out)

    def _ticks(self, axis: ChartAxis) -> list[float]:
        return ticks(axis.low, axis.high, 7 if axis is self._x else 6)


def bar(share: float, look: str = "bar") -> Markup:
    """Draw a bar for a table's cell, whose figure stands beside it; `share` is of its full length."""
    wide = max(0.0, min(1.0, share)) * BAR_WIDE
    return Markup(
        '<svg class="cell" viewBox="0 0 {} {}" preserveAspectRatio="none" aria-hidden="true">'
        '<rect class="{}" width="{:.1f}" height="{}"/></svg>'
    ).format(BAR_WIDE, BAR_HIGH, look, wide, BAR_HIGH)


def scale(colours: Sequence[str], low: str, high: str, words: str, name: str) -> Markup:
    """Draw a colour scale with its two ends and what it counts.

    Parameters
    ----------
    colours : sequence of str
        From the low end to the high end.
    low, high : str
        What stands at the ends.
    words : str
        What is counted, and its unit.
    name : str
        Makes its ids its own on the page.
    """
    step = 200 / len(colours)
    places = zip(count(), colours, strict=False)
    boxes = Markup("").join(
        Markup('<rect x="{:.2f}" width="{:.2f}" height="10" fill="{}"/>').format(i * step, step + 0.3, colour)
        for i, colour in places
    )
    head = Markup(
        '<svg class="scale" viewBox="-1 0 202 24" role="img" aria-labelledby="{0}"><title id="{0}">'
    ).format(name)
    said = escape(f"Colour scale, {words}: from {low} to {high}")
    ends = _text(0, 21, low, "start") + _text(100, 21, words, "middle") + _text(200, 21, high, "end")
    return head + said + Markup("</title>") + boxes + ends + Markup("</svg>")


def _text(x: float, y: float, words: str, look: str) -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" class="{}">{}</text>').format(x, y, look, words)


def _points(places: Floats) -> str:
    return "L".join(f"{x:.1f} {y:.1f}" for x, y in places.tolist())
