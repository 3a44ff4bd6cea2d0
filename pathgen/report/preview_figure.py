"""The preview: a sheet that shows a planned panel before the print.

At the top are maps as the viewer sees the panel: thickness, wanted picture, and number of beads side by side.
In the middle is the stability of the panel during the print. At the bottom are sampled layers as viewed from
above, with the viewer's side at the bottom: the whole layer with the thickness direction n enlarged, and a
part to scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, Colormap, ListedColormap, Normalize
from numpy.typing import NDArray

from pathgen.picture import encode_srgb
from pathgen.report.canvas import EDGE, SCALE_LOWEST, SHEET, THICKNESS_COLOURS, Box, Sheet, colour_scale
from pathgen.report.layer_samples import STRIP_HIGH, STRIP_ROW, STRIP_WIDE, SampleLayer, draw_layers
from pathgen.report.lettering import shorten, wrap_text
from pathgen.report.map_marks import BARE, Marks, draw_marks, number_places
from pathgen.report.resampling import Dots, Floats, area_mean, resample_nearest
from pathgen.report.stability_band import Stability, band_high, draw_band

MAP_WIDEST, MAP_TALLEST = 460, 640
MAP_LEFTS = (EDGE, EDGE + 612, EDGE + 1140)  # the first map has a scale beside it, the second has none
# Many beads are dark. The ends of the colour map are cut off, so that no count looks like the paper.
COUNT_COLOURS, COUNT_SHARE = colormaps["magma_r"], (0.06, 0.9)


@dataclass(frozen=True, slots=True)
class PreviewFacts:
    """Content of the preview.

    Attributes
    ----------
    thickness : (rows, cols) float
        mm, row 0 at the top; 0 for no wall.
    luminance : (rows, cols) float
        Target luminance of the backlit panel, linear, 1 for the picture's white; values outside 0 to 1 are
        clipped.
    counts : (rows, cols) int8
        Number of beads side by side, row 0 at the top; 0 for no wall.
    layers : tuple of SampleLayer
        Sampled layers, bottom layer first.
    width, height : float
        Size of the panel, mm.
    title : str
    marks : Marks
        Overhangs and supports to mark on the thickness map.
    stability : Stability
    lines : tuple of str
        Lines under the title.
    """

    thickness: Floats
    luminance: Floats
    counts: NDArray[np.int8]
    layers: tuple[SampleLayer, ...]
    width: float
    height: float
    title: str
    marks: Marks
    stability: Stability
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """Positions of all parts on the sheet, in dots.

    Attributes
    ----------
    lines : tuple of str
        Lines under the title, wrapped.
    maps, strips : tuple of Box
    band : int
        Baseline of the heading of the stability band.
    high : int
        Height of the sheet.
    """

    lines: tuple[str, ...]
    maps: tuple[Box, ...]
    strips: tuple[Box, ...]
    band: int
    high: int


def compose_preview(facts: PreviewFacts) -> Sheet:
    """Draw the preview of a panel on a sheet.

    Thickness and luminance are resampled by area means, counts by nearest neighbours. A layer without beads
    gives an empty strip.

    Examples
    --------
    >>> flat, none = np.full((60, 100), 2.0), np.zeros((60, 100), bool)
    >>> bead = SampleLayer(0.2, 0, np.array([[[0.0, 1.0], [9.0, 1.0]]]), np.array([0.4]), np.array([0.42]))
    >>> marks = Marks(none, none, none.astype(np.int8), none.astype(np.int8))
    >>> counts, stability = np.full((60, 100), 5, np.int8), Stability(None, None, None)
    >>> facts = PreviewFacts(flat, flat / 2, counts, (bead,), 10.0, 6.0, "panel", marks, stability)
    >>> compose_preview(facts).png()[1:4]
    b'PNG'
    """
    layout = arrange_preview(facts)
    sheet = Sheet(layout.high)
    sheet.draw_text(EDGE, 46, shorten(facts.title, 15, SHEET - 2 * EDGE, bold=True), 15, bold=True)
    for i, line in enumerate(layout.lines):
        sheet.draw_text(EDGE, 76 + 24 * i, line, 10.5)
    for box, draw in zip(layout.maps, (_draw_thickness, _draw_picture, _draw_counts), strict=True):
        draw(sheet, box, facts)
    draw_band(sheet, MAP_LEFTS, layout.band, facts.stability)
    if facts.layers:
        draw_layers(sheet, layout.strips, facts.layers, facts.width)
    return sheet


def arrange_preview(facts: PreviewFacts) -> SheetLayout:
    """Arrange all parts on the sheet."""
    scale = min(MAP_WIDEST / facts.width, MAP_TALLEST / facts.height)
    wide, high = max(1, round(facts.width * scale)), max(1, round(facts.height * scale))
    lines = tuple(part for line in facts.lines for part in wrap_text(line, 10.5, SHEET - 2 * EDGE))
    top = 110 + 24 * len(lines)
    maps = tuple(Box(left, top, wide, high) for left in MAP_LEFTS)
    band = top + max(high, SCALE_LOWEST) + 96
    first = band + band_high(facts.stability) + 124
    strips = tuple(Box(EDGE, first + STRIP_ROW * i, STRIP_WIDE, STRIP_HIGH) for i in range(len(facts.layers)))
    foot = first + STRIP_ROW * len(strips) - 24 if strips else first - 84
    return SheetLayout(lines, maps, strips, band, foot)


def _draw_map(sheet: Sheet, box: Box, facts: PreviewFacts, dots: Dots, heading: str) -> Axes:
    """Draw a coloured map of the size of the box, with axes in mm."""
    axes = sheet.add_box(box, heading, "across, mm", "up, mm", 11)
    axes.imshow(dots, extent=(0, facts.width, 0, facts.height), aspect="auto", interpolation="nearest")
    return axes


def _coloured(values: Floats | NDArray[np.int8], norm: Normalize, colours: Colormap) -> Dots:
    """Colour a map, (rows, cols) to (rows, cols, 3), with a separate colour for cells without wall."""
    drawn = colours(norm(values), bytes=True)[..., :3]
    return np.where(values[..., None] > 0, drawn, BARE)


def _draw_thickness(sheet: Sheet, box: Box, facts: PreviewFacts) -> None:
    wall = facts.thickness[facts.thickness > 0]
    limits = (float(wall.min()), float(wall.max())) if wall.size else (0.0, 1.0)
    norm = colour_scale(*limits, 0.05)
    values = area_mean(facts.thickness, box.high, box.wide)
    dots = draw_marks(_coloured(values, norm, THICKNESS_COLOURS), values > 0, facts.marks)
    axes = _draw_map(sheet, box, facts, dots, "Thickness, as viewed from the front")
    number_places(axes, box, facts.marks)
    sheet.draw_scale(box, norm, THICKNESS_COLOURS, "mm")


def _draw_picture(sheet: Sheet, box: Box, facts: PreviewFacts) -> None:
    light = area_mean(np.clip(facts.luminance, 0, 1), box.high, box.wide)
    grey = np.rint(255 * encode_srgb(light)).astype(np.uint8)
    wall = area_mean(facts.thickness, box.high, box.wide) > 0
    dots = np.where(wall[..., None], grey[..., None], BARE)
    _draw_map(sheet, box, facts, dots, "Target picture, lit from behind")


def _draw_counts(sheet: Sheet, box: Box, facts: PreviewFacts) -> None:
    highest = max(1, int(facts.counts.max()))
    steps = np.arange(int(facts.counts.min(where=facts.counts > 0, initial=highest)), highest + 1)
    colours = ListedColormap(COUNT_COLOURS(np.linspace(*COUNT_SHARE, len(steps))))
    norm = BoundaryNorm(np.append(steps, highest + 1) - 0.5, len(steps))
    dots = _coloured(resample_nearest(facts.counts, box.high, box.wide), norm, colours)
    _draw_map(sheet, box, facts, dots, "Beads side by side")
    scale = sheet.draw_scale(box, norm, colours, "beads")
    # Only as many labels as fit; the highest count is always labelled.
    apart = -(-len(steps) * 16 // max(box.high, SCALE_LOWEST))
    scale.set_yticks(steps[::-apart], [str(n) for n in steps[::-apart]])
