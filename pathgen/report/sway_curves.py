"""Curves of the sway and the first natural frequency of a wall during the print.

The height axis points up, as on the maps. Heights that wedges support are grey, like wedges elsewhere on the
sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from pathgen.panel.steadiness import FRACTION, Steadiness
from pathgen.report.canvas import INK, SMALL, TEXT, TINT, Box, Sheet
from pathgen.report.lettering import text_width
from pathgen.report.resampling import Floats

FREQUENCY_SPAN = 60.0  # highest frequency shown divided by the lowest
LABEL = 8.5  # points
UPRIGHT = 25  # dots; a horizontal label is preferred up to this additional distance
GAP, CLEAR = 7, 2  # dots from the labelled place, and from everything else


def draw_sway(sheet: Sheet, box: Box, steady: Steadiness) -> None:
    """Plot the sway of the panel's top edge against height, with its limit and the height of the wedges."""
    limit, passed = FRACTION * steady.conditions.spacing, steady.limit_height()
    widest, high = max(1.15 * float(steady.sway.max(initial=0.0)), 1.3 * limit), steady.sections.height
    supported = min(steady.conditions.support, high)
    sway, z = np.append(0.0, steady.sway), np.append(0.0, steady.z)
    axes = sheet.add_box(box, "Sway of the top", "sway, mm", "z, mm")
    axes.set(xlim=(0, widest), ylim=(0, high))
    axes.axvspan(limit, widest, facecolor="none", edgecolor=TINT, hatch="///", linewidth=0, zorder=0.5)
    axes.axvline(limit, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
    _draw_supported(axes, steady)
    axes.plot(sway, z, color=INK, linewidth=1.8, clip_on=False)
    labels = CurveLabels(axes, box, [(sway / widest, z / high), ([limit / widest] * 2, [0, 1])])
    if passed is not None:
        axes.plot([limit], [passed], "o", color=INK, markersize=5)
        labels.put(f"limit reached at {passed:.0f} mm", limit / widest, passed / high)
    if supported > 0:
        labels.avoid([0, 1], [supported / high] * 2)
        labels.put("top of the wedges", 0.0, supported / high)
    labels.put(f"{100 * FRACTION:g} % of a bead", limit / widest, 0.0)


class CurveLabels:
    """Labels of points in a diagram, which cover neither lines nor each other.

    Parameters
    ----------
    axes : Axes
    box : Box
        Position of the axes on the sheet.
    lines : sequence of (x, y)
        Lines to avoid, as shares of the axes' width and height.
    """

    def __init__(self, axes: Axes, box: Box, lines: Sequence[tuple[Any, Any]]) -> None:
        self._axes, self._size = axes, np.array([box.wide, box.high], float)
        self._dots = np.empty((0, 2))
        self._taken: list[Floats] = []
        for x, y in lines:
            self.avoid(x, y)

    def avoid(self, x: Any, y: Any) -> None:
        """Add a line for labels to avoid, in fractions of the axes' width and height."""
        at = np.linspace(0, len(x) - 1, 2000)
        line = np.column_stack([np.interp(at, np.arange(len(x)), side) for side in (x, y)])
        self._dots = np.vstack([self._dots, line * self._size])

    def put(self, text: str, x: float, y: float) -> None:
        """Draw a label close to a point, or omit the label if no position is free."""
        size = np.array([text_width(text, LABEL), 1.4 * LABEL]) + 2
        level = self._offers(size, x, y)
        upright = self._offers(size[::-1], x, y)
        near = [np.hypot(*(corner + s / 2 - self._size * (x, y))) for corner, s in level + upright]
        near[len(level) :] = [away + UPRIGHT for away in near[len(level) :]]
        for i in np.argsort(near, kind="stable"):
            corner, taken = (level + upright)[i]
            if self._is_free(corner, taken):
                self._taken.append(np.array([corner, corner + taken]))
                self._write(text, corner + taken / 2, upright=i >= len(level))
                return

    def _offers(self, size: Floats, x: float, y: float) -> list[tuple[Floats, Floats]]:
        """Return candidate positions (lower left corner) of a label around a point, and the label's size."""
        spot = self._size * (x, y)
        right, over = spot[0] + GAP, spot[1] + GAP
        left, under = spot[0] - GAP - size[0], spot[1] - GAP - size[1]
        ends = GAP, self._size[0] - GAP - size[0]
        rows = np.arange(over, self._size[1] - size[1], GAP)
        across = [left, right, *ends]
        return [(np.array([u, z]), size) for u in across for z in (under, *rows)]

    def _is_free(self, corner: Floats, size: Floats) -> bool:
        low, high = corner - CLEAR, corner + size + CLEAR
        inside = bool((corner >= 2).all() and (corner + size <= self._size - 2).all())
        crossed = ((self._dots > low) & (self._dots < high)).all(axis=1).any()
        overlaps = any((low < box[1]).all() and (high > box[0]).all() for box in self._taken)
        return inside and not crossed and not overlaps

    def _write(self, text: str, middle: Floats, upright: bool) -> None:
        style: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": LABEL, **TEXT}
        x, y = middle / self._size
        self._axes.text(x, y, text, transform=self._axes.transAxes, rotation=90 * upright, **style)


def _draw_supported(axes: Axes, steady: Steadiness) -> None:
    """Tint the height that wedges support, with a line at the top."""
    supported = min(steady.conditions.support, steady.sections.height)
    if supported > 0:
        axes.axhspan(0, supported, facecolor=TINT, zorder=0.4)
        axes.axhline(supported, color=INK, linewidth=0.9)


def draw_frequency(sheet: Sheet, box: Box, steady: Steadiness) -> None:
    """Draw the first natural frequency by height, on a logarithmic scale."""
    axes = sheet.add_box(box, "First frequency", "Hz")
    axes.set_ylim(0, steady.sections.height)
    axes.tick_params(labelleft=False)
    free = np.isfinite(steady.frequency)
    lowest = float(steady.frequency[free].min()) if free.any() else 1.0
    low, high = lowest / 1.4, lowest * FREQUENCY_SPAN
    _draw_supported(axes, steady)
    axes.set(xscale="log", xlim=(low, high))
    axes.xaxis.set_major_locator(FixedLocator(round_ticks(low, high, box.wide)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    if free.any():
        axes.plot(steady.frequency[free], steady.z[free], color=INK, linewidth=1.2)
    else:
        axes.tick_params(bottom=False, labelbottom=False)
        style: dict[str, Any] = {"transform": axes.transAxes, "fontsize": SMALL, "ha": "center", **TEXT}
        axes.text(0.5, 0.5, "supported throughout", **style)


def round_ticks(low: float, high: float, wide: float) -> list[float]:
    """Choose as many round ticks as fit on a logarithmic axis of `wide` dots.

    Examples
    --------
    >>> round_ticks(15.0, 900.0, 174)
    [20.0, 100.0, 500.0]
    """
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    candidates = [m * 10.0**power for m in (1, 2, 5) for power in powers]
    kept: dict[float, tuple[float, float]] = {}
    for value in candidates:
        middle = wide * math.log(value / low) / math.log(high / low)
        half = text_width(f"{value:g}", SMALL) / 2 + 5
        near = any(middle - half < e and middle + half > b for b, e in kept.values())
        if low <= value <= high and not near:
            kept[value] = (middle - half, middle + half)
    return sorted(kept)
