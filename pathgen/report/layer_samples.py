"""Sampled layers from above: each whole layer, and an enlarged part of the layer.

Glossary. *Strip*: a whole layer with the thickness direction n enlarged. *Window*: a part of the layer to
scale. The back is at the top and the viewer's side at the bottom. Supports are grey; they are cut off at
`APRON`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import ListedColormap, Normalize
from numpy.typing import NDArray

from pathgen.report.canvas import DPI, EDGE, FAINT, INK, RISE, Box, Sheet, colour_scale
from pathgen.report.resampling import Floats

STRIP_WIDE, STRIP_HIGH, STRIP_ROW = 1104, 150, 232
WINDOW_LEFT, WINDOW_WIDE = 1236, 440
SPACING_COLOURS = ListedColormap(colormaps["viridis"](np.linspace(0.2, 1.0, 256)))
SUPPORT = "#c6c3ba"
APRON = 0.3  # of the wall's extent in n, shown in front of the wall and behind it for supports


@dataclass(frozen=True, slots=True)
class SampleLayer:
    """Beads of one layer, for drawing.

    Attributes
    ----------
    z : float
        Top of the layer, mm.
    index : int
        Layer number.
    points : (M, 2, 2) float
        End points (u, n) of the deposits, mm.
    spacing : (M,) float
        Bead spacing, mm.
    width : (M,) float
        Visible width, mm.
    supports : (K, 2, 2) float
        End points (u, n) of the supports' deposits, mm.
    supports_width : (K,) float
        Visible width of these, mm.
    """

    z: float
    index: int
    points: Floats
    spacing: Floats
    width: Floats
    supports: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))
    supports_width: Floats = field(default_factory=lambda: np.empty(0))


def draw_layers(sheet: Sheet, strips: Sequence[Box], layers: Sequence[SampleLayer], width: float) -> None:
    """Draw layers as strips, the highest at the top, each with an enlarged window beside it.

    Parameters
    ----------
    sheet : Sheet
    strips : sequence of Box
        One per layer, from top to bottom.
    layers : sequence of SampleLayer
        At least one, bottom layer first.
    width : float
        Width of the panel, mm.
    """
    norm = _spacing_scale(layers)
    back, front = displayed_range(layers)
    dots = STRIP_HIGH / (front - back)  # per mm
    span = min(width, WINDOW_WIDE / dots)
    line = strips[0].top - 52
    sheet.draw_line(line - RISE)
    supported = any(len(layer.supports) for layer in layers)
    grey = "; supports grey, cut off" if supported else ""
    text = f"Layers as viewed from above: the back at the top, the viewer's side at the bottom{grey}"
    sheet.draw_text(EDGE, line, text, 11)
    larger = f"n enlarged {dots * width / STRIP_WIDE:.2g} times"
    sheet.draw_text(EDGE + STRIP_WIDE, line, larger, 9, "right")
    sheet.draw_text(WINDOW_LEFT, line, "The framed part, to scale", 9)
    for box, layer in zip(strips, reversed(layers), strict=True):
        start = find_busiest(layer, span, width)
        below = "u, mm" if box is strips[-1] else ""
        whole = sheet.add_box(box, f"layer {layer.index + 1}, z {layer.z:.2f} mm", below, "n, mm")
        whole.set(xlim=(0, width), ylim=(front, back))
        _draw_beads(whole, layer, norm)
        whole.axvspan(start, start + span, fill=False, edgecolor=INK, linewidth=1.2, zorder=5)
        window = Box(WINDOW_LEFT, box.top, max(1, round(span * dots)), box.high)
        piece = sheet.add_box(window, f"u {start:.1f} to {start + span:.1f} mm", below)
        piece.set(xlim=(start, start + span), ylim=(front, back))
        _draw_beads(piece, layer, norm, dots)
    beside = Box(WINDOW_LEFT, strips[0].top, WINDOW_WIDE, strips[-1].foot - strips[0].top)
    sheet.draw_scale(beside, norm, SPACING_COLOURS, "spacing, mm", "both")


def displayed_range(layers: Sequence[SampleLayer]) -> tuple[float, float]:
    """Return the lowest and highest n coordinate to draw, from behind the wall to in front of it, mm.

    Examples
    --------
    >>> bead = SampleLayer(0.2, 0, np.array([[[0.0, 1.0], [9.0, 1.0]]]), np.array([0.4]), np.array([0.4]))
    >>> displayed_range([bead])
    (0.0, 1.272)
    """
    wall = max((_front(layer.points, layer.width) for layer in layers if len(layer.spacing)), default=1.0)
    beside = [layer for layer in layers if len(layer.supports)]
    front = max((_front(layer.supports, layer.supports_width) for layer in beside), default=0.0)
    back = max((_front(-layer.supports, layer.supports_width) for layer in beside), default=0.0)
    shown = min(front - wall, APRON * wall) if front > wall else 0.06 * wall
    return 0.0 - min(max(back, 0.0), APRON * wall), wall + shown


def _front(points: Floats, width: Floats) -> float:
    """Return the maximum n of the beads, mm."""
    return float((points[..., 1].max(axis=1) + width / 2).max())


def find_busiest(layer: SampleLayer, span: float, width: float) -> float:
    """Return the start, mm, of the part of a layer, `span` mm long, in which beads vary most in n."""
    bins = 1000
    u, n = layer.points[..., 0].mean(axis=1), np.abs(np.diff(layer.points[..., 1], axis=1)[:, 0])
    # The hairpins at both ends of the wall vary most, and are the same in every panel.
    inside = (u > 0.05 * width) & (u < 0.95 * width)
    gone = np.histogram(u[inside], bins, (0, width), weights=n[inside])[0].cumsum()
    wide = min(round(span / width * bins), bins - 1)
    return float(np.argmax(gone[wide:] - gone[: bins - wide])) / bins * width


def _spacing_scale(layers: Sequence[SampleLayer]) -> Normalize:
    """Return a colour scale for the middle 96 % of the bead length, without outliers at hairpins."""
    spacing = np.concatenate([layer.spacing for layer in layers])
    if not spacing.size:
        return colour_scale(0.0, 1.0, 0.0)
    length = np.concatenate([np.hypot(*(layer.points[:, 1] - layer.points[:, 0]).T) for layer in layers])
    order = np.argsort(spacing, kind="stable")
    reached = np.cumsum(length[order])
    low, high = spacing[order][np.searchsorted(reached, reached[-1] * np.array([0.02, 0.98]))]
    return colour_scale(float(low), float(high), 0.04)


def _corners(ends: Floats, width: Floats) -> list[Floats]:
    """Return the corners of beads as rectangles, mm."""
    along = ends[:, 1] - ends[:, 0]
    half = width / 2 / np.maximum(np.hypot(*along.T), 1e-9)
    across = (np.column_stack([-along[:, 1], along[:, 0]]) * half[:, None])[:, None]
    return list(np.concatenate([ends - across, (ends + across)[:, ::-1]], axis=1))


def _draw_beads(axes: Axes, layer: SampleLayer, norm: Normalize, dots: float = 0.0) -> None:
    """Draw beads as rectangles or, if `dots` is given, as wide lines with round ends, to scale."""
    supports = layer.supports, layer.supports_width, None, FAINT
    for ends, width, spacing, colour in (supports, (layer.points, layer.width, layer.spacing, INK)):
        shown = _visible(axes, ends)
        ends, width = ends[shown], width[shown]
        bodies: LineCollection | PolyCollection
        if dots:
            bodies = LineCollection(list(ends), linewidths=72 / DPI * dots * width, capstyle="round")
        else:
            bodies = PolyCollection(_corners(ends, width), linewidths=0.3, edgecolors="face")
        if spacing is None:
            bodies.set_color(SUPPORT)
        else:
            bodies.set(array=spacing[shown], cmap=SPACING_COLOURS, norm=norm)
        axes.add_collection(bodies, autolim=False)
        axes.add_collection(LineCollection(list(ends), colors=colour, linewidths=0.45), autolim=False)


def _visible(axes: Axes, ends: Floats) -> NDArray[np.bool_]:
    """Return a mask of the segments inside the axes."""
    u, (low, high) = ends[..., 0], axes.get_xlim()
    return np.asarray((u.max(axis=1) >= low - 1) & (u.min(axis=1) <= high + 1))
