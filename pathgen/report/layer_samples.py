"""Sample layers, seen from above: each once over its whole length, once a piece of it in true proportions.

Glossary. *Strip*: a layer over its whole length, the thickness direction n exaggerated. *Window*: the piece
of it in true proportions. The back is on top and the viewer's side below, as for someone who stands before
the panel. Supports stand grey beside the wall; the frame cuts off what they reach further than `APRON`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import ListedColormap, Normalize
from matplotlib.figure import Figure

from pathgen.report.canvas import (
    DPI,
    EDGE,
    FAINT,
    INK,
    RISE,
    Box,
    Floats,
    axes_in,
    colour_scale,
    draw_line,
    draw_scale,
    draw_text,
    label,
)

STRIP_WIDE, STRIP_HIGH, STRIP_ROW = 1104, 150, 232
WINDOW_LEFT, WINDOW_WIDE = 1236, 440
SPACING_COLOURS = ListedColormap(colormaps["viridis"](np.linspace(0.2, 1.0, 256)))
SUPPORT = "#c6c3ba"
APRON = 0.3  # of the wall's reach, that supports are shown in front of it and behind it


@dataclass(frozen=True, slots=True)
class SampleLayer:
    """One layer's beads, to be drawn from above.

    Attributes
    ----------
    z : float
        Height of the layer's upper face, mm.
    index : int
        Layer number.
    points : (M, 2, 2) float
        Ends (u, n) of the segments that deposit, mm.
    spacing : (M,) float
        Spacing of each segment, mm.
    width : (M,) float
        Visible width of each segment, mm.
    supports : (K, 2, 2) float
        Ends (u, n) of what is laid of supports, mm.
    supports_width : (K,) float
        Visible width of it, mm.
    """

    z: float
    index: int
    points: Floats
    spacing: Floats
    width: Floats
    supports: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))
    supports_width: Floats = field(default_factory=lambda: np.empty(0))


def draw_layers(sheet: Figure, strips: Sequence[Box], layers: Sequence[SampleLayer], width: float) -> None:
    """Draw sample layers into their strips, the highest first, and their windows beside them.

    Parameters
    ----------
    sheet : Figure
    strips : sequence of Box
        One for each layer, from above downward.
    layers : sequence of SampleLayer
        At least one, bottom first.
    width : float
        Of the panel, mm.
    """
    norm = _spacing_scale(layers)
    back, front = reaches(layers)
    dots = STRIP_HIGH / (front - back)  # a mm
    span = min(width, WINDOW_WIDE / dots)
    line = strips[0].top - 52
    draw_line(sheet, line - RISE)
    supported = any(len(layer.supports) for layer in layers)
    grey = "; supports grey, cut off where they go on" if supported else ""
    draw_text(sheet, EDGE, line, f"Layers from above: the back on top, the viewer's side below{grey}", 11)
    larger = f"n drawn {dots * width / STRIP_WIDE:.2g} times as large as u"
    draw_text(sheet, EDGE + STRIP_WIDE, line, larger, 9, "right")
    draw_text(sheet, WINDOW_LEFT, line, "The framed piece in true proportions", 9)
    for box, layer in zip(strips, reversed(layers), strict=True):
        start = busiest(layer, span, width)
        below = "u, mm" if box is strips[-1] else ""
        whole = axes_in(sheet, box)
        whole.set(xlim=(0, width), ylim=(front, back))
        _draw_bodies(whole, layer, norm)
        whole.axvspan(start, start + span, fill=False, edgecolor=INK, linewidth=1.2, zorder=5)
        label(whole, f"layer {layer.index}, z {layer.z:.2f} mm", below, "n, mm")
        piece = axes_in(sheet, Box(WINDOW_LEFT, box.top, max(1, round(span * dots)), box.high))
        piece.set(xlim=(start, start + span), ylim=(front, back))
        _draw_lines(piece, layer, norm, dots)
        label(piece, f"u {start:.1f} to {start + span:.1f} mm", below)
    beside = Box(WINDOW_LEFT, strips[0].top, WINDOW_WIDE, strips[-1].foot - strips[0].top)
    draw_scale(sheet, beside, norm, SPACING_COLOURS, "spacing, mm", beyond=True)


def reaches(layers: Sequence[SampleLayer]) -> tuple[float, float]:
    """Range of n to show of layers, from behind the wall to in front of it, mm.

    Examples
    --------
    >>> bead = SampleLayer(0.2, 0, np.array([[[0.0, 1.0], [9.0, 1.0]]]), np.array([0.4]), np.array([0.4]))
    >>> reaches([bead])
    (0.0, 1.272)
    """
    wall = max((_front(layer.points, layer.width) for layer in layers if len(layer.spacing)), default=1.0)
    beside = [layer for layer in layers if len(layer.supports)]
    front = max((_front(layer.supports, layer.supports_width) for layer in beside), default=0.0)
    back = max((_front(-layer.supports, layer.supports_width) for layer in beside), default=0.0)
    shown = min(front - wall, APRON * wall) if front > wall else 0.06 * wall
    return 0.0 - min(max(back, 0.0), APRON * wall), wall + shown


def _front(points: Floats, width: Floats) -> float:
    """How far beads reach toward positive n, mm."""
    return float((points[..., 1].max(axis=1) + width / 2).max())


def busiest(layer: SampleLayer, span: float, width: float) -> float:
    """Find the piece of a layer, `span` long, in which beads go furthest in and out; return its start, mm."""
    bins = 1000
    u, n = layer.points[..., 0].mean(axis=1), np.abs(np.diff(layer.points[..., 1], axis=1)[:, 0])
    # Turns at the wall's two ends go furthest of all, and are the same in every panel.
    inside = (u > 0.05 * width) & (u < 0.95 * width)
    gone = np.histogram(u[inside], bins, (0, width), weights=n[inside])[0].cumsum()
    wide = min(round(span / width * bins), bins - 1)
    start = float(np.argmax(gone[wide:] - gone[: bins - wide])) / bins * width
    return min(start, width - span)


def _spacing_scale(layers: Sequence[SampleLayer]) -> Normalize:
    """Scale over the middle 96 % of all bead length: a few odd turns would leave one colour for the rest."""
    spacing = np.concatenate([layer.spacing for layer in layers])
    if not spacing.size:
        return colour_scale(0.0, 1.0, 0.0)
    length = np.concatenate([np.hypot(*(layer.points[:, 1] - layer.points[:, 0]).T) for layer in layers])
    order = np.argsort(spacing, kind="stable")
    reached = np.cumsum(length[order])
    low, high = spacing[order][np.searchsorted(reached, reached[-1] * np.array([0.02, 0.98]))]
    return colour_scale(float(low), float(high), 0.04)


def _corners(ends: Floats, width: Floats) -> list[Floats]:
    """Spell beads as rectangles in mm."""
    along = ends[:, 1] - ends[:, 0]
    half = width / 2 / np.maximum(np.hypot(*along.T), 1e-9)
    across = (np.column_stack([-along[:, 1], along[:, 0]]) * half[:, None])[:, None]
    return list(np.concatenate([ends - across, (ends + across)[:, ::-1]], axis=1))


def _draw_bodies(axes: Axes, layer: SampleLayer, norm: Normalize) -> None:
    """Draw beads as rectangles in mm, whatever the axes' proportions, and their centrelines."""
    supports = PolyCollection(
        _corners(layer.supports, layer.supports_width), facecolors=SUPPORT, edgecolors="none"
    )
    axes.add_collection(supports, autolim=False)
    axes.add_collection(LineCollection(list(layer.supports), colors=FAINT, linewidths=0.45), autolim=False)
    corners = _corners(layer.points, layer.width)
    bodies = PolyCollection(corners, cmap=SPACING_COLOURS, norm=norm, linewidths=0.3, edgecolors="face")
    bodies.set_array(layer.spacing)
    axes.add_collection(bodies, autolim=False)
    axes.add_collection(LineCollection(list(layer.points), colors=INK, linewidths=0.45), autolim=False)


def _draw_lines(axes: Axes, layer: SampleLayer, norm: Normalize, dots: float) -> None:
    """Draw beads in true proportions, `dots` a mm: lines as wide as the bead, with round ends."""
    points = 72 / DPI * dots
    ends, width, _ = _seen(axes, layer.supports, layer.supports_width, layer.supports_width)
    supports = LineCollection(list(ends), colors=SUPPORT, linewidths=width * points, capstyle="round")
    axes.add_collection(supports, autolim=False)
    axes.add_collection(LineCollection(list(ends), colors=FAINT, linewidths=0.45), autolim=False)
    ends, width, spacing = _seen(axes, layer.points, layer.width, layer.spacing)
    bodies = LineCollection(
        list(ends), cmap=SPACING_COLOURS, norm=norm, linewidths=width * points, capstyle="round"
    )
    bodies.set_array(spacing)
    axes.add_collection(bodies, autolim=False)
    axes.add_collection(LineCollection(list(ends), colors=INK, linewidths=0.45), autolim=False)


def _seen(axes: Axes, ends: Floats, width: Floats, spacing: Floats) -> tuple[Floats, Floats, Floats]:
    """Keep the segments that the axes show."""
    u, (low, high) = ends[..., 0], axes.get_xlim()
    seen = (u.max(axis=1) >= low - 1) & (u.min(axis=1) <= high + 1)
    return ends[seen], width[seen], spacing[seen]
