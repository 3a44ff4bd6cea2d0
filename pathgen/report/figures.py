"""The preview: one picture of a panel for the person at the machine, before anything is made.

Above, the panel as the viewer will face it: its thickness, the backlit picture wanted of it, and how many
beads stand side by side in it. Below, a few layers seen from above, the front downward, as for someone who
stands before the panel: each once over its whole length with the thickness direction n exaggerated, and once,
a short piece of it, in true proportions.

Glossary. *Sheet*: the whole figure. Places on it are whole dots from its top left corner, so that a map is
put there dot for dot and never resampled by the drawing library. *Strip*: a layer over its whole length.
*Window*: the piece of it in true proportions.
"""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from typing import Any, BinaryIO

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import BoundaryNorm, Colormap, ListedColormap, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pathgen.picture import encode_srgb

Floats = NDArray[np.floating]

DPI = 100
SHEET = 1800  # dots across
EDGE = 76  # left of everything
MAP_WIDEST, MAP_TALLEST = 460, 640
MAP_LEFTS = (EDGE, EDGE + 596, EDGE + 1140)  # the first has a scale at its side, the second has none
STRIP_WIDE, STRIP_HIGH, STRIP_ROW = 1104, 150, 232
WINDOW_LEFT, WINDOW_WIDE = 1236, 440
SCALE_GAP, SCALE_WIDE, SCALE_LOWEST = 16, 16, 110
INK, FAINT, PAPER = "#23282d", "#7c838a", "#fbfaf7"
BARE = (228, 225, 217)  # where there is no wall
# Perceptual maps, thick and many towards black. Ends are cut off, so that no count is as light as the paper
# and no pitch as dark as the centrelines drawn over it.
THICKNESS_COLOURS = colormaps["bone_r"]
COUNT_COLOURS, COUNT_SHARE = colormaps["magma_r"], (0.06, 0.9)
PITCH_COLOURS = ListedColormap(colormaps["viridis"](np.linspace(0.2, 1.0, 256)))
FONT = "DejaVu Sans"  # matplotlib brings it along
TEXT: dict[str, Any] = {"color": INK, "fontfamily": FONT}


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
    pitch : (M,) float
        Pitch of each segment, mm.
    width : (M,) float
        Visible width of each segment, mm.
    """

    z: float
    index: int
    points: Floats
    pitch: Floats
    width: Floats


@dataclass(frozen=True, slots=True)
class PreviewFacts:
    """What the preview shows.

    Attributes
    ----------
    thickness : (rows, cols) float
        mm, row 0 at the top; 0 where there is no wall.
    luminance : (rows, cols) float
        Wanted backlit luminance, linear, 1 for the picture's white; what lies outside 0 to 1 is clipped.
    counts : (rows, cols) int8
        Beads side by side, row 0 at the top; 0 where there is no wall.
    layers : tuple of SampleLayer
        Layers to show, bottom first.
    width, height : float
        The panel's sides, mm.
    title : str
    lines : tuple of str
        Facts to stand under the title.
    """

    thickness: Floats
    luminance: Floats
    counts: NDArray[np.int8]
    layers: tuple[SampleLayer, ...]
    width: float
    height: float
    title: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Box:
    """A place on the sheet: left, top, width and height in dots, from the top left corner."""

    left: int
    top: int
    wide: int
    high: int


def draw_preview(out: BinaryIO | str | PathLike[str], facts: PreviewFacts) -> None:
    """Draw a panel's preview as one PNG.

    Parameters
    ----------
    out : binary file or path
    facts : PreviewFacts
        Maps have at least one cell: thickness and luminance are brought to the sheet's size by area means (of
        light, not of grey codes), counts by picking. A layer without beads gives an empty strip.

    Notes
    -----
    The same facts give the same bytes: no date, no program's name, a font that comes with matplotlib.

    Examples
    --------
    >>> from io import BytesIO
    >>> flat = np.full((60, 100), 2.0)
    >>> bead = SampleLayer(0.2, 0, np.array([[[0.0, 1.0], [9.0, 1.0]]]), np.array([0.4]), np.array([0.42]))
    >>> facts = PreviewFacts(flat, flat / 2, np.full((60, 100), 5, np.int8), (bead,), 10.0, 6.0, "plate")
    >>> draw_preview(picture := BytesIO(), facts)
    >>> picture.getvalue()[1:4]
    b'PNG'
    """
    maps, strips, high = arrange(facts)
    sheet = Figure(figsize=(SHEET / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    _write(sheet, EDGE, 46, facts.title, 15)
    for i, line in enumerate(facts.lines):
        _write(sheet, EDGE, 76 + 24 * i, line, 10.5)
    for box, draw in zip(maps, (_draw_thickness, _draw_picture, _draw_counts), strict=True):
        draw(sheet, box, facts)
    if facts.layers:
        _draw_layers(sheet, strips, facts)
    sheet.savefig(out, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})


def arrange(facts: PreviewFacts) -> tuple[list[Box], list[Box], int]:
    """Place the three maps and the strips on the sheet; return them and the sheet's height in dots."""
    scale = min(MAP_WIDEST / facts.width, MAP_TALLEST / facts.height)
    wide, high = max(1, round(facts.width * scale)), max(1, round(facts.height * scale))
    top = 110 + 24 * len(facts.lines)
    maps = [Box(left, top, wide, high) for left in MAP_LEFTS]
    first = top + max(high, SCALE_LOWEST) + 148
    strips = [Box(EDGE, first + STRIP_ROW * i, STRIP_WIDE, STRIP_HIGH) for i in range(len(facts.layers))]
    return maps, strips, (first + STRIP_ROW * len(strips) - 24 if strips else first - 84)


def area_mean(values: Floats, rows: int, cols: int) -> Floats:
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


def _pick(values: NDArray[np.int8], rows: int, cols: int) -> NDArray[np.int8]:
    """Bring an array to another size by taking the cell under each dot's middle."""
    down, across = (
        ((np.arange(dots) + 0.5) * cells / dots).astype(np.intp)
        for dots, cells in zip((rows, cols), values.shape, strict=True)
    )
    picked: NDArray[np.int8] = values[down[:, None], across]
    return picked


def _axes(sheet: Figure, box: Box) -> Axes:
    """Make axes that fill a box, sober: thin frame, small figures, ticks outside."""
    high = sheet.get_figheight() * DPI
    place = (box.left / SHEET, 1 - (box.top + box.high) / high, box.wide / SHEET, box.high / high)
    axes = sheet.add_axes(place, facecolor=PAPER)
    axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
    for spine in axes.spines.values():
        spine.set(linewidth=0.6, color=FAINT)
    return axes


def _label(axes: Axes, heading: str, across: str = "", up: str = "", size: float = 10) -> None:
    """Write a heading above axes and what is counted along them."""
    axes.set_title(heading, loc="left", fontsize=size, pad=6, parse_math=False, **TEXT)
    axes.set_xlabel(across, fontsize=9, **TEXT)
    axes.set_ylabel(up, fontsize=9, **TEXT)


def _write(sheet: Figure, left: int, base: int, text: str, size: float, side: str = "left") -> None:
    """Write on the sheet itself; `base` is the dot on which the line stands."""
    bold = "bold" if size > 12 else "normal"
    place = (left / SHEET, 1 - base / (sheet.get_figheight() * DPI))
    sheet.text(*place, text, fontsize=size, fontweight=bold, ha=side, parse_math=False, **TEXT)


def _draw_scale(
    sheet: Figure, box: Box, norm: Normalize, colours: Colormap, heading: str, beyond: bool = False
) -> Axes:
    """Put a colour scale at the right of a box, as high as it is; with points, where values go beyond it."""
    high = max(box.high, SCALE_LOWEST)
    axes = _axes(sheet, Box(box.left + box.wide + SCALE_GAP, box.top, SCALE_WIDE, high))
    bar = sheet.colorbar(ScalarMappable(norm, colours), cax=axes, extend="both" if beyond else "neither")
    bar.outline.set(linewidth=0.6, color=FAINT)
    bar.minorticks_off()
    bar.set_label(heading, fontsize=9, **TEXT)
    return axes


def _draw_map(sheet: Figure, box: Box, facts: PreviewFacts, dots: NDArray[np.uint8], heading: str) -> None:
    """Put a map, coloured and of the box's own size, into axes that read in mm."""
    axes = _axes(sheet, box)
    axes.imshow(dots, extent=(0, facts.width, 0, facts.height), aspect="auto", interpolation="nearest")
    _label(axes, heading, "u, mm", "z, mm", 11)


def _coloured(values: Floats | NDArray[np.int8], norm: Normalize, colours: Colormap) -> NDArray[np.uint8]:
    """Colour a map, (rows, cols) to (rows, cols, 3); cells without wall get a colour outside the scale."""
    drawn = colours(norm(values), bytes=True)[..., :3]
    return np.where(values[..., None] > 0, drawn, np.array(BARE, np.uint8))


def _draw_thickness(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    wall = facts.thickness[facts.thickness > 0]
    norm = _spread(float(wall.min()), float(wall.max()), 0.05) if wall.size else _spread(0.0, 1.0, 0.0)
    dots = _coloured(area_mean(facts.thickness, box.high, box.wide), norm, THICKNESS_COLOURS)
    _draw_map(sheet, box, facts, dots, "Thickness, from the front")
    _draw_scale(sheet, box, norm, THICKNESS_COLOURS, "mm")


def _draw_picture(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    light = area_mean(np.clip(facts.luminance, 0, 1), box.high, box.wide)
    grey = np.rint(255 * encode_srgb(light)).astype(np.uint8)
    _draw_map(sheet, box, facts, np.repeat(grey[..., None], 3, axis=2), "Wanted picture, lit from behind")


def _draw_counts(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    most = max(1, int(facts.counts.max()))
    steps = np.arange(int(facts.counts.min(where=facts.counts > 0, initial=most)), most + 1)
    colours = ListedColormap(COUNT_COLOURS(np.linspace(*COUNT_SHARE, len(steps))))
    norm = BoundaryNorm(np.append(steps, most + 1) - 0.5, len(steps))
    dots = _coloured(_pick(facts.counts, box.high, box.wide), norm, colours)
    _draw_map(sheet, box, facts, dots, "Beads side by side")
    _draw_scale(sheet, box, norm, colours, "beads").set_yticks(steps, [str(n) for n in steps])


def _spread(low: float, high: float, least: float) -> Normalize:
    """Scale from low to high, widened to `least` where they are nearer than that."""
    more = max(0.0, least - (high - low)) / 2
    return Normalize(low - more, high + more)


def _pitch_scale(layers: tuple[SampleLayer, ...]) -> Normalize:
    """Scale over the middle 96 % of all bead length: a few odd turns would leave one colour for the rest."""
    pitch = np.concatenate([layer.pitch for layer in layers])
    if not pitch.size:
        return _spread(0.0, 1.0, 0.0)
    length = np.concatenate([np.hypot(*(layer.points[:, 1] - layer.points[:, 0]).T) for layer in layers])
    order = np.argsort(pitch, kind="stable")
    reached = np.cumsum(length[order])
    low, high = pitch[order][np.searchsorted(reached, reached[-1] * np.array([0.02, 0.98]))]
    return _spread(float(low), float(high), 0.04)


def _draw_layers(sheet: Figure, strips: list[Box], facts: PreviewFacts) -> None:
    """Draw strips and windows, the topmost layer first as it is in the panel."""
    layers = facts.layers[::-1]
    norm = _pitch_scale(layers)
    reach = 1.06 * max(_reach(layer) for layer in layers)
    dots = STRIP_HIGH / reach  # a mm
    span = min(facts.width, WINDOW_WIDE / dots)
    line = strips[0].top - 52
    _write(sheet, EDGE, line, "Layers from above: the back on top, the viewer's side below", 11)
    larger = f"n drawn {dots * facts.width / STRIP_WIDE:.2g} times as large as u"
    _write(sheet, EDGE + STRIP_WIDE, line, larger, 9, "right")
    _write(sheet, WINDOW_LEFT, line, "The framed piece in true proportions", 9)
    for box, layer in zip(strips, layers, strict=True):
        start = busiest(layer, span, facts.width)
        below = "u, mm" if box is strips[-1] else ""
        whole = _axes(sheet, box)
        whole.set(xlim=(0, facts.width), ylim=(reach, 0))
        _draw_bodies(whole, layer, norm)
        whole.axvspan(start, start + span, fill=False, edgecolor=INK, linewidth=1.2, zorder=5)
        _label(whole, f"layer {layer.index}, z {layer.z:.2f} mm", below, "n, mm")
        piece = _axes(sheet, Box(WINDOW_LEFT, box.top, round(span * dots), box.high))
        piece.set(xlim=(start, start + span), ylim=(reach, 0))
        _draw_lines(piece, layer, norm, dots)
        _label(piece, f"u {start:.1f} to {start + span:.1f} mm", below)
    top, bottom = strips[0].top, strips[-1].top + STRIP_HIGH
    beside = Box(WINDOW_LEFT, top, WINDOW_WIDE, bottom - top)
    _draw_scale(sheet, beside, norm, PITCH_COLOURS, "pitch, mm", beyond=True)


def _reach(layer: SampleLayer) -> float:
    """How far a layer's beads come out of the back, mm; 1 where there are none."""
    return float((layer.points[..., 1].max(axis=1) + layer.width / 2).max()) if len(layer.pitch) else 1.0


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


def _draw_bodies(axes: Axes, layer: SampleLayer, norm: Normalize) -> None:
    """Draw beads as rectangles in mm, whatever the axes' proportions, and their centrelines."""
    ends = layer.points
    along = ends[:, 1] - ends[:, 0]
    half = layer.width / 2 / np.maximum(np.hypot(*along.T), 1e-9)
    across = (np.column_stack([-along[:, 1], along[:, 0]]) * half[:, None])[:, None]
    corners = np.concatenate([ends - across, (ends + across)[:, ::-1]], axis=1)
    bodies = PolyCollection(list(corners), cmap=PITCH_COLOURS, norm=norm, linewidths=0.3, edgecolors="face")
    bodies.set_array(layer.pitch)
    axes.add_collection(bodies, autolim=False)
    axes.add_collection(LineCollection(list(ends), colors=INK, linewidths=0.45), autolim=False)


def _draw_lines(axes: Axes, layer: SampleLayer, norm: Normalize, dots: float) -> None:
    """Draw beads in true proportions, `dots` a mm: lines as wide as the bead, with round ends."""
    u, (low, high) = layer.points[..., 0], axes.get_xlim()
    seen = (u.max(axis=1) >= low - 1) & (u.min(axis=1) <= high + 1)
    ends, points = layer.points[seen], 72 / DPI * dots
    wide = layer.width[seen] * points
    bodies = LineCollection(list(ends), cmap=PITCH_COLOURS, norm=norm, linewidths=wide, capstyle="round")
    bodies.set_array(layer.pitch[seen])
    axes.add_collection(bodies, autolim=False)
    axes.add_collection(LineCollection(list(ends), colors=INK, linewidths=0.45), autolim=False)
