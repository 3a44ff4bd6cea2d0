"""The preview: one picture of a panel for the person at the machine, before anything is made.

Above, the panel as the viewer will face it: its thickness, the backlit picture wanted of it, and how many
beads stand side by side in it. In the middle, what keeps it standing while it grows. Below, a few layers seen
from above, the front downward, as for someone who stands before the panel: each once over its whole length
with the thickness direction n exaggerated, and once, a short piece of it, in true proportions.
"""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from typing import BinaryIO

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, Colormap, ListedColormap, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pathgen.picture import encode_srgb
from pathgen.report.canvas import (
    BARE,
    DPI,
    EDGE,
    FAINT,
    FONT,
    INK,
    PAPER,
    SCALE_LOWEST,
    SHEET,
    TEXT,
    THICKNESS_COLOURS,
    Box,
    Dots,
    Floats,
    area_mean,
    axes_in,
    blank,
    colour_scale,
    draw_scale,
    draw_text,
    label,
    pick,
    shorten,
    wrap,
)
from pathgen.report.layer_samples import (
    SPACING_COLOURS,
    STRIP_HIGH,
    STRIP_ROW,
    STRIP_WIDE,
    SampleLayer,
    draw_layers,
)
from pathgen.report.map_marks import Marks, mark, number_places
from pathgen.report.stability_band import Stability, band_high, draw_band

__all__ = [
    "BARE",
    "DPI",
    "FAINT",
    "FONT",
    "INK",
    "PAPER",
    "SPACING_COLOURS",
    "SHEET",
    "TEXT",
    "THICKNESS_COLOURS",
    "Box",
    "Plate",
    "PreviewFacts",
    "SampleLayer",
    "area_mean",
    "arrange",
    "compose",
    "draw_preview",
]

MAP_WIDEST, MAP_TALLEST = 460, 640
MAP_LEFTS = (EDGE, EDGE + 612, EDGE + 1140)  # the first has a scale at its side, the second has none
# Many beads towards black. Ends are cut off, so that no count is as light as the paper.
COUNT_COLOURS, COUNT_SHARE = colormaps["magma_r"], (0.06, 0.9)


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
    marks : Marks, optional
        What to mark on the map of thickness, arrays of its shape.
    standing : Standing, optional
        What keeps it standing; without it that band is left out.
    """

    thickness: Floats
    luminance: Floats
    counts: NDArray[np.int8]
    layers: tuple[SampleLayer, ...]
    width: float
    height: float
    title: str
    lines: tuple[str, ...] = ()
    marks: Marks | None = None
    standing: Stability | None = None


@dataclass(frozen=True, slots=True)
class Plate:
    """Where everything is on the sheet, in dots.

    Attributes
    ----------
    lines : tuple of str
        The facts under the title, broken to the sheet's width.
    maps, strips : tuple of Box
    band : int
        Where the heading of what keeps it standing stands.
    high : int
        Height of the sheet.
    """

    lines: tuple[str, ...]
    maps: tuple[Box, ...]
    strips: tuple[Box, ...]
    band: int
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
    compose(facts).savefig(out, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})


def compose(facts: PreviewFacts) -> Figure:
    """Draw a preview on a sheet, without spelling it as a file."""
    plate = arrange(facts)
    sheet = blank(plate.high)
    draw_text(sheet, EDGE, 46, shorten(facts.title, 15, SHEET - 2 * EDGE, bold=True), 15, bold=True)
    for i, line in enumerate(plate.lines):
        draw_text(sheet, EDGE, 76 + 24 * i, line, 10.5)
    for box, draw in zip(plate.maps, (_draw_thickness, _draw_picture, _draw_counts), strict=True):
        draw(sheet, box, facts)
    if facts.standing:
        draw_band(sheet, MAP_LEFTS, plate.band, facts.standing)
    if facts.layers:
        draw_layers(sheet, plate.strips, facts.layers, facts.width)
    return sheet


def arrange(facts: PreviewFacts) -> Plate:
    """Place everything on the sheet."""
    scale = min(MAP_WIDEST / facts.width, MAP_TALLEST / facts.height)
    wide, high = max(1, round(facts.width * scale)), max(1, round(facts.height * scale))
    lines = tuple(part for line in facts.lines for part in wrap(line, 10.5, SHEET - 2 * EDGE))
    top = 110 + 24 * len(lines)
    maps = tuple(Box(left, top, wide, high) for left in MAP_LEFTS)
    foot = top + max(high, SCALE_LOWEST)
    band = foot + 96
    if facts.standing:
        foot = band + band_high(facts.standing) - 24
    first = foot + 148
    strips = tuple(Box(EDGE, first + STRIP_ROW * i, STRIP_WIDE, STRIP_HIGH) for i in range(len(facts.layers)))
    return Plate(lines, maps, strips, band, first + STRIP_ROW * len(strips) - 24 if strips else first - 84)


def _draw_map(sheet: Figure, box: Box, facts: PreviewFacts, dots: Dots, heading: str) -> Axes:
    """Put a map, coloured and of the box's own size, into axes that read in mm."""
    axes = axes_in(sheet, box)
    axes.imshow(dots, extent=(0, facts.width, 0, facts.height), aspect="auto", interpolation="nearest")
    label(axes, heading, "across, mm", "up, mm", 11)
    return axes


def _coloured(values: Floats | NDArray[np.int8], norm: Normalize, colours: Colormap) -> Dots:
    """Colour a map, (rows, cols) to (rows, cols, 3); cells without wall get a colour outside the scale."""
    drawn = colours(norm(values), bytes=True)[..., :3]
    return np.where(values[..., None] > 0, drawn, np.array(BARE, np.uint8))


def _draw_thickness(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    wall = facts.thickness[facts.thickness > 0]
    norm = (
        colour_scale(float(wall.min()), float(wall.max()), 0.05) if wall.size else colour_scale(0.0, 1.0, 0.0)
    )
    values = area_mean(facts.thickness, box.high, box.wide)
    dots = _coloured(values, norm, THICKNESS_COLOURS)
    if facts.marks:
        dots = mark(dots, values > 0, facts.marks)
    axes = _draw_map(sheet, box, facts, dots, "Thickness, from the front")
    if facts.marks:
        number_places(axes, box, facts.marks)
    draw_scale(sheet, box, norm, THICKNESS_COLOURS, "mm")


def _draw_picture(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    light = area_mean(np.clip(facts.luminance, 0, 1), box.high, box.wide)
    grey = np.rint(255 * encode_srgb(light)).astype(np.uint8)
    wall = area_mean(facts.thickness, box.high, box.wide) > 0
    dots = np.where(wall[..., None], grey[..., None], np.array(BARE, np.uint8))
    _draw_map(sheet, box, facts, dots, "Wanted picture, lit from behind")


def _draw_counts(sheet: Figure, box: Box, facts: PreviewFacts) -> None:
    most = max(1, int(facts.counts.max()))
    steps = np.arange(int(facts.counts.min(where=facts.counts > 0, initial=most)), most + 1)
    colours = ListedColormap(COUNT_COLOURS(np.linspace(*COUNT_SHARE, len(steps))))
    norm = BoundaryNorm(np.append(steps, most + 1) - 0.5, len(steps))
    dots = _coloured(pick(facts.counts, box.high, box.wide), norm, colours)
    _draw_map(sheet, box, facts, dots, "Beads side by side")
    scale = draw_scale(sheet, box, norm, colours, "beads")
    # No more figures at the scale than have room; the highest is always told.
    apart = -(-len(steps) * 16 // max(box.high, SCALE_LOWEST))
    scale.set_yticks(steps[::-apart], [str(n) for n in steps[::-apart]])
