"""The figure of a study: cost against quality of each case, and what each factor does to both.

Above, one point a case. A line joins those that no other case beats in both figures at once (the Pareto
front); they carry their case's number in the table. Below, one small figure for each factor and each of the
two: grey points are cases, the line goes through the mean of each level, or of each sixth of a range.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import PurePath
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.report.canvas import (
    DPI,
    EDGE,
    FAINT,
    FONT,
    INK,
    PAPER,
    SHEET,
    SMALL,
    TEXT,
    Box,
    axes_in,
    blank,
    draw_text,
    label,
    shorten,
    text_width,
)
from pathgen.study.columns import COLUMNS, RISING
from pathgen.study.results_table import ResultsTable

Floats = NDArray[np.float64]

HEAD, MAIN, SMALL_HIGH = 96, 620, 250  # dots
BETWEEN, FOOT = 92, 74
LEFT = EDGE + 34
MOST_ACROSS = 5  # small figures beside each other
MOST_KINDS = 8  # levels that markers tell apart
MOST_LEVELS = 12  # more numbers than that are a continuous range
PARTS = 6  # of a continuous range
NUMBERED = "numbers are those of cases in the table"
WIDE_SPAN = 10.0  # highest over lowest from which a scale is logarithmic
MARKERS = "os^Dv<>P"
# Dark to light in even steps of lightness, so that nothing hangs on hue.
KINDS = ("#1f3c52", "#a63d12", "#3b7ea1", "#d98a2b", "#6c8f3d", "#8a5a83", "#86b3c9", "#c9b458")


@dataclass(frozen=True, slots=True)
class _Figures:
    """What is drawn: case numbers, both figures of each, and the factors' cells; refused cases left out."""

    case: list[str]
    across: Floats
    up: Floats
    factors: dict[str, list[str]]
    ranges: set[str]  # factors along whose numbers cases are drawn


def front(across: Floats, up: Floats) -> NDArray[np.intp]:
    """Find the points that no other one beats: as low in one figure and lower in the other.

    Parameters
    ----------
    across, up : (N,) float64

    Returns
    -------
    (F,) intp
        Their numbers, by `across` ascending; of equal points all.

    Examples
    --------
    >>> front(np.array([3.0, 1.0, 2.0, 2.0]), np.array([1.0, 3.0, 2.0, 4.0])).tolist()
    [1, 2, 0]
    """
    order = np.lexsort((up, across))
    x, y = across[order], up[order]
    lowest = np.minimum.accumulate(y)
    # As low as all before it; and nothing as low stands further left.
    first = np.searchsorted(-lowest, -y, side="left")
    kept = (y == lowest) & (x == x[np.minimum(first, len(x) - 1)]) if len(x) else np.zeros(0, np.bool_)
    return np.asarray(order[kept], np.intp)


def study_png(
    table: ResultsTable,
    factors: Sequence[str],
    across: str,
    up: str,
    title: str = "",
    *,
    ranges: Sequence[str] = (),
) -> bytes:
    """Draw a study's table.

    Parameters
    ----------
    table : Table
    factors : sequence of str
        Its columns that are factors.
    across, up : str
        Columns set against each other, such as "time_s" and "thickness_rms_mm".
    title : str
    ranges : sequence of str
        Factors of continuous ranges: drawn along their numbers, not level by level.

    Returns
    -------
    bytes
        A PNG; the same table gives the same bytes.

    Raises
    ------
    PathgenError
        Where fewer than two cases have both figures.

    Examples
    --------
    >>> names = ("case", "brim", "time_s", "thickness_rms_mm")
    >>> rows = (("1", "0", "900", "0.01"), ("2", "5", "960", "0.008"))
    >>> study_png(ResultsTable(names, rows), ["brim"], "time_s", "thickness_rms_mm")[1:4]
    b'PNG'
    """
    buffer = BytesIO()
    study_sheet(table, factors, across, up, title, ranges).savefig(
        buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None}
    )
    return buffer.getvalue()


def study_sheet(
    table: ResultsTable,
    factors: Sequence[str],
    across: str,
    up: str,
    title: str = "",
    ranges: Sequence[str] = (),
) -> Figure:
    """Draw a study's table on a sheet; parameters and errors are those of `study_png`."""
    found = _taken(table, factors, across, up, ranges)
    columns = min(MOST_ACROSS, max(len(factors), 1))
    bands = -(-len(factors) // columns)
    high = HEAD + MAIN + 2 * bands * (SMALL_HIGH + BETWEEN) + FOOT
    sheet = blank(high)
    left_out = len(table.rows) - len(found.case)
    draw_text(sheet, EDGE, 42, shorten(title or "Study", 15, SHEET - 2 * EDGE, True), 15, bold=True)
    some = f", {left_out} without both figures left out" if left_out else ""
    draw_text(
        sheet,
        EDGE,
        66,
        f"{len(found.case)} cases{some}; lower left is better{_rising(across, up)}; {NUMBERED}",
        10,
    )
    _draw_main(sheet, found, across, up)
    wide = (SHEET - LEFT - EDGE - (columns - 1) * BETWEEN) // columns
    for line, (name, values) in enumerate(((up, found.up), (across, found.across))):
        for number, factor in enumerate(factors):
            band, place = divmod(number, columns)
            top = HEAD + MAIN + BETWEEN + (2 * band + line) * (SMALL_HIGH + BETWEEN) - 20
            box = Box(LEFT + place * (wide + BETWEEN), top, wide, SMALL_HIGH)
            axes = axes_in(sheet, box)
            label(axes, shorten(factor, 10, wide), "", _worded(name) if place == 0 else "")
            _draw_effect(axes, box, found.factors[factor], values, factor in found.ranges)
            _scaled(axes, values, "y")
    return sheet


def _taken(
    table: ResultsTable, factors: Sequence[str], across: str, up: str, ranges: Sequence[str]
) -> _Figures:
    both = list(zip(table.column(across), table.column(up), strict=True))
    kept = [i for i, cells in enumerate(both) if all(cells)]
    if len(kept) < 2:
        what = f"{len(kept)} cases with both {across} and {up}"
        raise PathgenError(
            what, where="figure", allowed="at least two", hint="the table is written; see its column refused"
        )
    x, y = np.array([[float(cell) for cell in both[i]] for i in kept]).T
    cells = {name: [table.column(name)[i] for i in kept] for name in factors}
    numbers = {n for n, own in cells.items() if all(_number_of(cell) is not None for cell in own)}
    several = {n for n in numbers if len(set(cells[n])) > MOST_LEVELS}
    return _Figures([table.column("case")[i] for i in kept], x, y, cells, several | numbers & set(ranges))


def _rising(*names: str) -> str:
    high = [name for name in names if name in RISING]
    return f", but of {' and '.join(high)} higher is" if high else ""


def _worded(name: str) -> str:
    column = COLUMNS[name]
    return name if column.unit in ("1", "count", "share") else f"{name} ({column.unit})"


def _draw_main(sheet: Figure, found: _Figures, across: str, up: str) -> None:
    """Draw all cases, the front through the best of them, and the key.

    Cases of different pictures do not compete: each picture has a front of its own.
    """
    axes = axes_in(sheet, Box(LEFT, HEAD + 20, SHEET - LEFT - EDGE - 330, MAIN - 40))
    label(axes, "", _worded(across), _worded(up))
    levels = {name: cells for name, cells in found.factors.items() if name not in found.ranges}
    told = [name for name, cells in levels.items() if 1 < len(set(cells)) <= MOST_KINDS]
    pictures = [name for name in told if name.removeprefix("factor:") == "picture"]
    by_colour, by_marker, *_ = [*pictures, *(name for name in told if name not in pictures), "", ""]
    same = [""] * len(found.case)
    colours, markers = found.factors.get(by_colour, same), found.factors.get(by_marker, same)
    for number, colour in enumerate(dict.fromkeys(colours)):
        for kind, marker in enumerate(dict.fromkeys(markers)):
            here = [(c, m) == (colour, marker) for c, m in zip(colours, markers, strict=True)]
            axes.plot(found.across[here], found.up[here], alpha=0.85, **_point(KINDS[number], kind))
    _scaled(axes, found.across, "x")
    _scaled(axes, found.up, "y")
    signs = [-1.0 if name in RISING else 1.0 for name in (across, up)]
    blocks = found.factors[pictures[0]] if pictures else same
    for block in dict.fromkeys(blocks):
        own = np.flatnonzero([each == block for each in blocks])
        best = own[front(signs[0] * found.across[own], signs[1] * found.up[own])]
        # What cannot be beaten between two of them lies on the stairs, not on the line.
        axes.plot(
            found.across[best], found.up[best], color=INK, linewidth=1.0, zorder=1.5,
            drawstyle="steps-post" if signs[0] > 0 else "steps-pre",
        )  # fmt: skip
        _number(axes, found, best, signs)
    among = " by another of its picture" if pictures else ""
    _draw_key(axes, (by_colour, colours), (by_marker, markers), f"not beaten{among}")


def _point(colour: str, kind: int) -> dict[str, Any]:
    """Style of a case's point."""
    edge = {"markeredgecolor": PAPER, "markeredgewidth": 0.6}
    return {"color": colour, "marker": MARKERS[kind], "linestyle": "none", "markersize": 6.5, **edge}


def _draw_key(axes: Axes, colours: tuple[str, list[str]], markers: tuple[str, list[str]], line: str) -> None:
    """Say beside the cases what colours, markers and the line mean."""
    entries: list[tuple[Line2D, str]] = []
    for (name, cells), coloured in ((colours, True), (markers, False)):
        levels = list(dict.fromkeys(cells)) if name else []
        for number, level in enumerate(named(levels)):
            style = _point(KINDS[number], 0) if coloured else _point(FAINT, number)
            entries.append((Line2D([], [], **style), shorten(f"{name}: {level or 'not given'}", 10, 270)))
    entries.append((Line2D([], [], color=INK, linewidth=1.0), line))
    legend = axes.legend(
        *zip(*entries, strict=True), loc="upper left", bbox_to_anchor=(1.015, 1.0), frameon=False,
        borderaxespad=0, prop={"family": FONT, "size": 10}, labelcolor=INK,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)


def _number(axes: Axes, found: _Figures, best: NDArray[np.intp], signs: Sequence[float]) -> None:
    """Write case numbers at the front's points, on the side where no case is, as far as they keep apart."""
    sides = ("right" if signs[0] > 0 else "left", "top" if signs[1] > 0 else "bottom")
    axes.autoscale_view()  # only a drawing would do so, and then dots would be counted on other scales
    places = axes.transData.transform(np.column_stack([found.across[best], found.up[best]]))
    taken: list[Floats] = []
    for i, spot in zip(best.tolist(), places, strict=True):
        if all(np.abs(spot - other).max() > 22 for other in taken):
            taken.append(spot)
            axes.annotate(
                found.case[i], (found.across[i], found.up[i]), (-4 * signs[0], -3 * signs[1]),
                textcoords="offset points", ha=sides[0], va=sides[1], fontsize=SMALL, **TEXT,
            )  # fmt: skip


def _draw_effect(axes: Axes, box: Box, cells: list[str], values: Floats, continuous: bool) -> None:
    """Draw what a factor does to a figure: cases in grey, the means in ink."""
    levels = sorted(dict.fromkeys(cells), key=_order)
    if continuous:
        at = np.array([float(cell) for cell in cells])
        axes.plot(at, values, "o", color=FAINT, alpha=0.5, markersize=3, markeredgewidth=0)
        parts = np.array_split(np.argsort(at, kind="stable"), min(PARTS, -(-len(at) // 3)))
        middles, means = ([float(a[part].mean()) for part in parts] for a in (at, values))
        axes.plot(middles, means, "-o", color=INK, linewidth=1.4, markersize=4.5)
        _scaled(axes, at, "x")
        return
    place = {level: float(number) for number, level in enumerate(levels)}
    at = np.array([place[cell] for cell in cells])
    axes.plot(at, values, "o", color=FAINT, alpha=0.5, markersize=3, markeredgewidth=0)
    means = [float(values[at == number].mean()) for number in range(len(levels))]
    axes.plot(range(len(levels)), means, "-o", color=INK, linewidth=1.4, markersize=4.5)
    axes.set_xlim(-0.5, len(levels) - 0.5)
    room = box.wide / len(levels) - 6
    words = named(levels)
    widest = max(text_width(level, 9) for level in words)
    tilt = 0 if widest <= room else 25
    shown = [shorten(level, 9, 130.0 if tilt else room) for level in words]
    axes.set_xticks(
        range(len(levels)), shown, rotation=tilt, ha="right" if tilt else "center", fontsize=9,
        parse_math=False,
    )  # fmt: skip


def named(levels: Sequence[str]) -> list[str]:
    """Shorten the names of levels for a figure: files without what all share, numbers to three digits.

    Examples
    --------
    >>> named(["maps/camera.npy", "maps/coins.npy"]), named(["0.01", "0.0464159"])
    (['camera', 'coins'], ['0.01', '0.0464'])
    >>> named(["a/x.png", "b/x.png"]), named(["tailored", "1.00001", "1.00002"])
    (['a/x.png', 'b/x.png'], ['tailored', '1.00001', '1.00002'])
    """
    short = [f"{number:.3g}" if (number := _number_of(level)) is not None else level for level in levels]
    paths = [PurePath(level) for level in levels]
    if all(path.suffix for path in paths) and all(_number_of(level) is None for level in levels):
        short = [path.stem for path in paths]
    return short if len(set(short)) == len(set(levels)) else list(levels)


def _order(level: str) -> tuple[int, float]:
    """Sort numbers by size, and leave words as they come."""
    number = _number_of(level)
    return (0, number) if number is not None else (1, 0.0)


def _number_of(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _scaled(axes: Axes, values: Floats, side: str) -> None:
    """Give an axis a logarithmic scale where its values span much, and round figures on it."""
    if values.min() > 0 and values.max() / values.min() > WIDE_SPAN:
        axes.set(**{f"{side}scale": "log"})
