"""The stability part of the preview: overhangs, sway and orientation of a panel.

The left column lists unsupported overhangs, with the key to the marks on the thickness map; the middle column
shows the sway during the print; the right column compares the possible orientations. The band is as high as
its content.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.patches import Rectangle

from pathgen.panel.overhang import Overhang
from pathgen.panel.steadiness import Steadiness
from pathgen.program.summary import format_duration
from pathgen.report.canvas import FAINT, INK, RISE, SMALL, TINT, Box, Sheet
from pathgen.report.lettering import wrap_text
from pathgen.report.map_marks import draw_swatch
from pathgen.report.sway_curves import draw_frequency, draw_sway
from pathgen.route.axis import WEIGHTS, AxisChoice, AxisScore

HEAD = 46  # dots from the heading of the band to its columns
ROW, KEY_ROW = 20, 24
COLUMN = 470  # dots, width of the text of a column
CURVES_HIGH, SWAY_WIDE, FREQUENCY_LEFT, FREQUENCY_WIDE = 230, 262, 286, 174
BENT = "The shape of a bent panel makes it steady; its sway is not computed."
OVERHANG_COLUMNS = (0, 26, 96, 218, 316)  # dots from the left
OVERHANG_HEADS = ("", "z, mm", "u, mm", "place", "unsupported, mm")
AXES_COLUMNS, AXES_WIDE = (176, 300), 108


@dataclass(frozen=True, slots=True)
class Stability:
    """Results of the stability checks of a panel.

    Attributes
    ----------
    steady : Steadiness or None
        None for a bent panel.
    overhang : Overhang or None
        None if overhangs were not checked.
    axes : AxisChoice or None
        None if the orientation was not chosen automatically; then the band shows `reason`.
    reason : str
        Completes the sentence "The panel stands …".
    supports : tuple of str
        Descriptions of the supports.
    wall : int
        Number of pixels with wall.
    """

    steady: Steadiness | None
    overhang: Overhang | None
    axes: AxisChoice | None
    reason: str = ""
    supports: tuple[str, ...] = ()
    wall: int = 1


class _Column:
    """Column of text that is drawn from the top down, or only measured if there is no sheet."""

    def __init__(self, sheet: Sheet | None, left: int, top: int) -> None:
        self.sheet, self.left, self.top, self.base = sheet, left, top, top + 14

    @property
    def high(self) -> int:
        """Height used so far, dots."""
        return self.base - self.top - 14

    def text(self, at: int, text: str, bold: bool = False, colour: str = INK) -> None:
        if self.sheet:
            self.sheet.draw_text(self.left + at, self.base, text, SMALL, bold=bold, colour=colour)

    def heading(self, text: str) -> None:
        if self.sheet:
            self.sheet.draw_text(self.left, self.top - 8, text, 10)

    def cells(self, lefts: Sequence[int], texts: Sequence[str], colour: str = INK, row: int = ROW) -> None:
        """Draw the cells of a table row; the first cell is bold if there are several."""
        for at, text in zip(lefts, texts, strict=True):
            self.text(at, text, len(texts) > 1 and at == 0 and colour == INK, colour)
        self.base += row

    def paragraph(self, text: str, left: int = 0, colour: str = INK) -> None:
        """Draw a text, wrapped to the width of the column."""
        for line in wrap_text(text, SMALL, COLUMN):
            self.cells((left,), (line,), colour)


def band_high(stability: Stability) -> int:
    """Return the height of the stability band without its heading, dots."""
    columns = [_Column(None, 0, 0) for _ in _COLUMNS]
    for draw, column in zip(_COLUMNS, columns, strict=True):
        draw(column, stability)
    return HEAD + max(column.high for column in columns)


def draw_band(sheet: Sheet, lefts: tuple[int, int, int], top: int, stability: Stability) -> None:
    """Draw the stability band of the preview.

    Parameters
    ----------
    sheet : Sheet
    lefts : (int, int, int)
        Left edges of the three columns, dots.
    top : int
        Baseline of the heading, dots.
    stability : Stability
    """
    sheet.draw_line(top - RISE)
    sheet.draw_text(lefts[0], top, "Stability during the print", 11)
    for draw, left in zip(_COLUMNS, lefts, strict=True):
        draw(_Column(sheet, left, top + HEAD), stability)


def describe_overhang(found: Overhang, wall: int) -> str:
    """State the number of overhangs, and their fraction of the wall, above the list of the worst."""
    share = 100 * int(np.count_nonzero(found.excess)) / max(wall, 1)
    text = f"{share:.2f}" if share >= 0.005 else "Less than 0.01"
    listed = len(found.worst)
    more = f"; the worst {listed} are" if found.count > listed else ""
    places = f"{found.count:,} place{'' if found.count == 1 else 's'}{more}"
    return f"{text} % of the wall is unsupported overhang, in {places}:"


def _key(stability: Stability) -> list[tuple[str, str]]:
    """Return the key to the marks on the thickness map."""
    found, key = stability.overhang, []
    if found:
        marks = {"face": found.unsupported & ~found.outline, "outline": found.unsupported & found.outline}
        key = [(part, f"unsupported overhang of the {part}") for part, mark in marks.items() if mark.any()]
    return key + ([("supports", "supports, as viewed from the front")] if stability.supports else [])


def _draw_overhang(column: _Column, stability: Stability) -> None:
    """Draw the list of worst overhangs, the key to the marks, and a line about supports."""
    column.heading("Unsupported overhangs")
    found, places = stability.overhang, stability.overhang.worst if stability.overhang else ()
    none = "No unsupported overhangs." if found else "Overhangs were not checked."
    column.paragraph(describe_overhang(found, stability.wall) if found and places else none)
    column.base += 4
    if places:
        column.cells(OVERHANG_COLUMNS, OVERHANG_HEADS, FAINT)
    for number, place in enumerate(places, start=1):
        span = f"{place.u[0]:.1f} to {place.u[1]:.1f}"
        what = "the outline" if place.outline else "the face"
        column.cells(OVERHANG_COLUMNS, (str(number), f"{place.z:.1f}", span, what, f"{place.excess:.2f}"))
    key = _key(stability)
    column.base += 10 if key else 0
    for kind, words in key:
        if column.sheet:
            axes = column.sheet.add_box(Box(column.left, column.base - 12, 30, 15))
            axes.imshow(draw_swatch(kind, 15, 30), aspect="auto", interpolation="nearest")
            axes.set_axis_off()
        column.cells((42,), (words,), row=KEY_ROW)
    for line in stability.supports:
        column.paragraph(line, 42)


def _draw_steady(column: _Column, stability: Stability) -> None:
    """Draw sway and first natural frequency by height, with advice below."""
    steady = stability.steady
    if steady is None:
        column.heading("Sway")
        return column.paragraph(BENT)
    if column.sheet:
        left, top = column.left, column.top
        draw_sway(column.sheet, Box(left, top, SWAY_WIDE, CURVES_HIGH), steady)
        draw_frequency(column.sheet, Box(left + FREQUENCY_LEFT, top, FREQUENCY_WIDE, CURVES_HIGH), steady)
    column.base += CURVES_HIGH + 54
    advice = steady.advice_line()
    column.paragraph(advice[:1].upper() + advice[1:])


def _rows(choice: AxisChoice) -> list[tuple[str, Callable[[AxisScore], str]]]:
    rows: list[tuple[str, Callable[[AxisScore], str]]] = [
        ("shaken by the platform", lambda row: "yes" if row.carried else "no"),
        ("sway of the top", lambda row: f"{row.sway:.3f} mm" if row.sway >= 0.0005 else "<0.001 mm"),
        ("position resolution", lambda row: f"{row.positioning:.4f} mm"),
        ("acceleration across", lambda row: f"{row.acceleration:g} mm/s²"),
        ("time", lambda row: format_duration(row.time) if row.time is not None else "–"),
        ("fits", lambda row: "yes" if row.clear else ("no free place" if row.fits else "no")),
        ("cost", lambda row: f"{row.total:.2f}" if math.isfinite(row.total) else "–"),
    ]
    timed = any(row.time is not None for row in choice.rows)
    return [row for row in rows if timed or row[0] != "time"]


def _draw_axes(column: _Column, stability: Stability) -> None:
    """Draw a table that compares the orientations, or the reason why there is none."""
    choice = stability.axes
    if choice is not None or stability.reason:
        column.heading("Orientation")
    if choice is None:
        return column.paragraph(f"The panel stands {stability.reason}." if stability.reason else "")
    rows = _rows(choice)
    for at, score in zip(AXES_COLUMNS, choice.rows, strict=False):
        chosen = score.rotation == choice.rotation
        if column.sheet and chosen:
            left, high = column.left + at - 12, ROW * (len(rows) + 1) + 12
            place = column.sheet.bounds(left, column.top - 2, AXES_WIDE + 12, high)
            frame = Rectangle(place[:2], *place[2:], facecolor=TINT, edgecolor=INK, linewidth=0.8)
            column.sheet.add_artist(frame)
        column.text(at, f"along {score.along}", chosen)
    column.base += ROW + 4
    for name, cell in rows:
        for at, score in zip(AXES_COLUMNS, choice.rows, strict=False):
            column.text(at, cell(score))
        column.cells((0,), (name,), FAINT)
    column.base += 10
    weights = ", ".join(f"{name} {weight:g}" for name, weight in WEIGHTS.items())
    column.paragraph(f"The orientation with the lower cost is chosen. Weights: {weights}.", colour=FAINT)


_COLUMNS = (_draw_overhang, _draw_steady, _draw_axes)
