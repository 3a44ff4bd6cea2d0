"""How a wall sways while it grows, as two curves side by side.

Height goes up, as on the maps. On the left is sway, on the right the first frequency, each with a scale of
its own. What wedges hold is grey, as wedges are everywhere on the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from pathgen.panel.steadiness import FRACTION, Steadiness
from pathgen.report.canvas import INK, SMALL, TEXT, TINT, Box, Floats, axes_in, label, text_width

RING_SPAN = 60.0  # highest over lowest frequency shown
WORDS = 8.5  # points
UPRIGHT = 25  # dots that level words may lie further away than upright ones
GAP, CLEAR = 7, 2  # dots from what is named, and from everything else


def draw_sway(sheet: Figure, box: Box, steady: Steadiness) -> None:
    """Draw sway to the right, height upward, with its limit, where it is passed, and what wedges hold."""
    limit, passed = FRACTION * steady.conditions.spacing, steady.limit_height()
    most, high = max(1.15 * float(steady.sway.max(initial=0.0)), 1.3 * limit), steady.sections.height
    held = min(steady.conditions.support, high)
    sway, z = np.append(0.0, steady.sway), np.append(0.0, steady.z)
    axes = axes_in(sheet, box)
    axes.set(xlim=(0, most), ylim=(0, high))
    label(axes, "Sway of the top as it grows", "sway, mm", "z, mm")
    axes.axvspan(limit, most, facecolor="none", edgecolor=TINT, hatch="///", linewidth=0, zorder=0.5)
    axes.axvline(limit, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
    _draw_held(axes, steady)
    axes.plot(sway, z, color=INK, linewidth=1.8, clip_on=False)
    words = CurveLabels(axes, box, [(sway / most, z / high), ([limit / most] * 2, [0, 1])])
    if passed is not None:
        axes.plot([limit], [passed], "o", color=INK, markersize=5)
        words.put(f"passed at {passed:.0f} mm", limit / most, passed / high)
    if held > 0:
        words.keep_off([0, 1], [held / high] * 2)
        words.put("top of the wedges", 0.0, held / high)
    words.put(f"{100 * FRACTION:g} % of a bead", limit / most, 0.0)


class CurveLabels:
    """Words beside what they name, off all lines and off each other.

    Parameters
    ----------
    axes : Axes
    box : Box
        Where the axes are.
    lines : sequence of (x, y)
        Lines to keep off, as shares of the axes' sides.
    """

    def __init__(self, axes: Axes, box: Box, lines: Sequence[tuple[Any, Any]]) -> None:
        self._axes, self._size = axes, np.array([box.wide, box.high], float)
        self._dots = np.empty((0, 2))
        self._taken: list[Floats] = []
        for x, y in lines:
            self.keep_off(x, y)

    def keep_off(self, x: Any, y: Any) -> None:
        """Keep off one more line, as shares of the axes' sides."""
        at = np.linspace(0, len(x) - 1, 2000)
        line = np.column_stack([np.interp(at, np.arange(len(x)), side) for side in (x, y)])
        self._dots = np.vstack([self._dots, line * self._size])

    def put(self, text: str, x: float, y: float) -> None:
        """Write a text as near to a place as is free; where nothing is, it is left out."""
        size = np.array([text_width(text, WORDS), 1.4 * WORDS]) + 2
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
        """Lower left corners of words around a place and up the line above it, with their size."""
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
        return (
            inside
            and not crossed
            and not any((low < box[1]).all() and (high > box[0]).all() for box in self._taken)
        )

    def _write(self, text: str, middle: Floats, upright: bool) -> None:
        x, y = middle / self._size
        self._axes.text(
            x,
            y,
            text,
            transform=self._axes.transAxes,
            fontsize=WORDS,
            rotation=90 if upright else 0,
            ha="center",
            va="center",
            **TEXT,
        )


def _draw_held(axes: Axes, steady: Steadiness) -> None:
    """Tint what wedges hold, with a line at their top."""
    held = min(steady.conditions.support, steady.sections.height)
    if held > 0:
        axes.axhspan(0, held, facecolor=TINT, zorder=0.4)
        axes.axhline(held, color=INK, linewidth=0.9)


def draw_ring(sheet: Figure, box: Box, steady: Steadiness) -> None:
    """Draw the first frequency to the right, height upward, on a scale of its own."""
    axes = axes_in(sheet, box)
    axes.set_ylim(0, steady.sections.height)
    axes.tick_params(labelleft=False)
    label(axes, "First frequency", "Hz")
    ringing = np.isfinite(steady.frequency)
    lowest = float(steady.frequency[ringing].min()) if ringing.any() else 1.0
    low, high = lowest / 1.4, lowest * RING_SPAN
    _draw_held(axes, steady)
    axes.set(xscale="log", xlim=(low, high))
    axes.xaxis.set_major_locator(FixedLocator(round_ticks(low, high, box.wide)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    if ringing.any():
        axes.plot(steady.frequency[ringing], steady.z[ringing], color=INK, linewidth=1.2)
    else:
        axes.tick_params(bottom=False, labelbottom=False)
        axes.text(0.5, 0.5, "held all the way", transform=axes.transAxes, fontsize=SMALL, ha="center", **TEXT)


def round_ticks(low: float, high: float, wide: float) -> list[float]:
    """Round figures for a logarithmic scale `wide` dots long, as many as have room, powers of ten first.

    Examples
    --------
    >>> round_ticks(15.0, 900.0, 174)
    [20.0, 100.0, 500.0]
    """
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    offered = [m * 10.0**power for m in (1, 2, 5) for power in powers]
    kept: dict[float, tuple[float, float]] = {}
    for value in offered:
        middle = wide * math.log(value / low) / math.log(high / low)
        half = text_width(f"{value:g}", SMALL) / 2 + 5
        near = any(middle - half < e and middle + half > b for b, e in kept.values())
        if low <= value <= high and not near:
            kept[value] = (middle - half, middle + half)
    return sorted(kept)
