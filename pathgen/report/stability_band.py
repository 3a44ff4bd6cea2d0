"""What keeps a panel standing, as a band across the sheet.

On the left what leans out too far, with the key to what is marked on the map above; in the middle how the
wall sways while it grows; on the right which way it stands. The band is as high as what there is to say.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from pathgen.panel.overhang import Overhang, OverhangPlace
from pathgen.panel.steadiness import Steadiness
from pathgen.program.summary import format_duration
from pathgen.report.canvas import (
    DPI,
    FAINT,
    INK,
    RISE,
    SHEET,
    SMALL,
    TINT,
    Box,
    axes_in,
    draw_line,
    draw_text,
    wrap,
)
from pathgen.report.map_marks import swatch
from pathgen.report.sway_curves import draw_ring, draw_sway
from pathgen.route.axis import WEIGHTS, AxisChoice, AxisScore

HEAD = 46  # dots from the band's heading to its columns
ROW, KEY_ROW = 20, 24
COLUMN = 470  # dots that a column's text may take
CURVES_HIGH, SWAY_WIDE, RING_LEFT, RING_WIDE = 230, 262, 286, 174
BENT = "A bent panel stands by its shape: no sway is worked out for it."


@dataclass(frozen=True, slots=True)
class Stability:
    """What keeps a panel standing.

    Attributes
    ----------
    steady : Steadiness or None
        None for a bent panel.
    overhang : Overhang or None
        Its maps are not drawn here, only counted. None where nothing was judged.
    axes : AxisChoice or None
        None where there was no choice.
    reason : str
        Why it stands as it does; it goes on from "the panel stands". It is written where there was no choice.
    supports : tuple of str
        What stands beside it, a line each.
    wall : int
        Pixels of wall.
    """

    steady: Steadiness | None
    overhang: Overhang | None
    axes: AxisChoice | None
    reason: str = ""
    supports: tuple[str, ...] = ()
    wall: int = 1


def band_high(standing: Stability) -> int:
    """Height of the band under its heading, dots."""
    return HEAD + max(_leaning_high(standing), _steady_high(standing), _axes_high(standing))


def draw_band(sheet: Figure, lefts: tuple[int, int, int], top: int, standing: Stability) -> None:
    """Draw the band.

    Parameters
    ----------
    sheet : Figure
    lefts : (int, int, int)
        Left edges of the three columns, dots.
    top : int
        Dot on which the band's heading stands.
    standing : Standing
    """
    draw_line(sheet, top - RISE)
    draw_text(sheet, lefts[0], top, "What keeps it standing", 11)
    _draw_overhang(sheet, lefts[0], top + HEAD, standing)
    _draw_steady(sheet, lefts[1], top + HEAD, standing)
    _draw_axes(sheet, lefts[2], top + HEAD, standing)


# What leans out too far.

LEAN_COLUMNS = (0, 26, 96, 218, 316)  # dots from the left: number, z, u, what, by how much
LEAN_HEADS = ("", "z, mm", "u, mm", "what leans", "too far by, mm")


def _key(standing: Stability) -> list[tuple[str, str]]:
    """Entries of the key: a swatch and what it means."""
    found, key = standing.overhang, []
    if found and (found.unsupported & ~found.outline).any():
        key.append(("face", "the face leans out too far"))
    if found and (found.unsupported & found.outline).any():
        key.append(("outline", "the outline leans out too far"))
    return key + ([("supports", "supports, from the front")] if standing.supports else [])


def _overhang_words(standing: Stability) -> str:
    found = standing.overhang
    if found is None:
        return "Overhangs were not judged."
    if not found.worst:
        return "Nothing leans out further than it is carried."
    share = 100 * int(np.count_nonzero(found.excess)) / max(standing.wall, 1)
    said = f"{share:.2f}" if share >= 0.005 else "Less than 0.01"
    return f"{said} % of the wall leans out further than it is carried, most of all here:"


def _places(standing: Stability) -> tuple[OverhangPlace, ...]:
    return standing.overhang.worst if standing.overhang else ()


def _leaning_high(standing: Stability) -> int:
    rows = len(wrap(_overhang_words(standing), SMALL, COLUMN))
    worst = len(_places(standing))
    key = len(_key(standing))
    supports = sum(len(wrap(line, SMALL, COLUMN)) for line in standing.supports)
    return ROW * (rows + (worst + 1 if worst else 0) + supports) + 4 + (KEY_ROW * key + 10 if key else 0)


def _draw_overhang(sheet: Figure, left: int, top: int, standing: Stability) -> None:
    """List the worst places, and give the key to what is marked on the map of thickness."""
    draw_text(sheet, left, top - 8, "What leans out too far", 10)
    base = top + 14
    for line in wrap(_overhang_words(standing), SMALL, COLUMN):
        draw_text(sheet, left, base, line, SMALL)
        base += ROW
    worst = _places(standing)
    base += 4
    for cells, colour in [(LEAN_HEADS, FAINT)] * bool(worst) + [
        (_cells(i, p), INK) for i, p in _numbered(worst)
    ]:
        for at, cell in zip(LEAN_COLUMNS, cells, strict=True):
            draw_text(sheet, left + at, base, cell, SMALL, bold=colour == INK and at == 0, colour=colour)
        base += ROW
    base += 10
    for kind, words in _key(standing):
        axes = axes_in(sheet, Box(left, base - 12, 30, 15))
        axes.imshow(swatch(kind, 15, 30), aspect="auto", interpolation="nearest")
        axes.set_axis_off()
        draw_text(sheet, left + 42, base, words, SMALL)
        base += KEY_ROW
    for line in (part for said in standing.supports for part in wrap(said, SMALL, COLUMN)):
        draw_text(sheet, left + 42, base - 2, line, SMALL)
        base += ROW


def _numbered(places: tuple[OverhangPlace, ...]) -> list[tuple[int, OverhangPlace]]:
    return list(enumerate(places, start=1))


def _cells(number: int, place: OverhangPlace) -> tuple[str, ...]:
    span = f"{place.u[0]:.1f} to {place.u[1]:.1f}"
    what = "the outline" if place.outline else "the face"
    return str(number), f"{place.z:.1f}", span, what, f"{place.excess:.2f}"


# How the wall sways while it grows.


def _steady_lines(standing: Stability) -> list[str]:
    said = standing.steady.advice_line() if standing.steady else BENT
    return wrap(said[:1].upper() + said[1:], SMALL, COLUMN)


def _steady_high(standing: Stability) -> int:
    return (CURVES_HIGH + 58 if standing.steady else 0) + ROW * len(_steady_lines(standing))


def _draw_steady(sheet: Figure, left: int, top: int, standing: Stability) -> None:
    """Draw sway and first frequency over height, and write under them what they come to."""
    base = top + 14
    if standing.steady is None:
        draw_text(sheet, left, top - 8, "Sway", 10)
    else:
        draw_sway(sheet, Box(left, top, SWAY_WIDE, CURVES_HIGH), standing.steady)
        draw_ring(sheet, Box(left + RING_LEFT, top, RING_WIDE, CURVES_HIGH), standing.steady)
        base += CURVES_HIGH + 54
    for line in _steady_lines(standing):
        draw_text(sheet, left, base, line, SMALL)
        base += ROW


# Which way it stands.

AXES_COLUMNS, AXES_WIDE = (176, 300), 108


def _rows(choice: AxisChoice) -> list[tuple[str, Callable[[AxisScore], str]]]:
    rows: list[tuple[str, Callable[[AxisScore], str]]] = [
        ("platform carries it", lambda row: "yes" if row.carried else "no"),
        ("sway of the top", lambda row: f"{row.sway:.3f} mm" if row.sway >= 0.0005 else "under 0.001 mm"),
        ("positions to", lambda row: f"{row.positioning:.4f} mm"),
        ("acceleration across", lambda row: f"{row.acceleration:g} mm/s²"),
        ("time", lambda row: format_duration(row.time) if row.time is not None else "–"),
        ("fits", lambda row: "yes" if row.clear else ("no free place" if row.fits else "no")),
        ("cost", lambda row: f"{row.total:.2f}" if math.isfinite(row.total) else "–"),
    ]
    timed = any(row.time is not None for row in choice.rows)
    return [row for row in rows if timed or row[0] != "time"]


def _weights() -> list[str]:
    weighed = ", ".join(f"{name} {weight:g}" for name, weight in WEIGHTS.items())
    return wrap(f"The lower cost is chosen. Weights: {weighed}.", 8.5, COLUMN)


def _axes_high(standing: Stability) -> int:
    if standing.axes is None:
        return ROW * len(_reason(standing))
    return ROW * (len(_rows(standing.axes)) + 2 + len(_weights())) + 12


def _reason(standing: Stability) -> list[str]:
    return wrap(f"The panel stands {standing.reason}.", SMALL, COLUMN) if standing.reason else []


def _draw_axes(sheet: Figure, left: int, top: int, standing: Stability) -> None:
    """Compare the axes in a table; the chosen one's column is framed."""
    choice, base = standing.axes, top + 14
    if choice is not None or standing.reason:
        draw_text(sheet, left, top - 8, "Which way it stands", 10)
    if choice is None:
        for line in _reason(standing):
            draw_text(sheet, left, base, line, SMALL)
            base += ROW
        return
    rows = _rows(choice)
    high = ROW * (len(rows) + 1) + 12
    for at, score in zip(AXES_COLUMNS, choice.rows, strict=False):
        chosen = score.rotation == choice.rotation
        if chosen:
            _frame(sheet, Box(left + at - 12, top - 2, AXES_WIDE + 12, high))
        base = top + 14
        draw_text(sheet, left + at, base, f"along {score.along}", SMALL, bold=chosen)
        for _, cell in rows:
            base += ROW
            draw_text(sheet, left + at, base + 4, cell(score), SMALL)
    base = top + 14
    for name, _ in rows:
        base += ROW
        draw_text(sheet, left, base + 4, name, SMALL, colour=FAINT)
    for line in _weights():
        base += ROW
        draw_text(sheet, left, base + 14, line, 8.5, colour=FAINT)


def _frame(sheet: Figure, box: Box) -> None:
    """Frame a piece of the sheet."""
    high = sheet.get_figheight() * DPI
    place = (box.left / SHEET, 1 - box.foot / high)
    sides = box.wide / SHEET, box.high / high
    sheet.add_artist(Rectangle(place, *sides, facecolor=TINT, edgecolor=INK, linewidth=0.8))
