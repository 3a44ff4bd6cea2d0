"""Figure of a study: two results of all cases, and the effect of each factor on both.

The main plot has one point per case. Cases that no other case improves in both columns, the Pareto front, are
joined by a line and labelled with their case numbers. Below, a small plot per factor and column shows all
cases in grey, and a line through the mean of each level, or of each sixth of a continuous range.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.report.canvas import EDGE, FAINT, FONT, INK, PAPER, SHEET, SMALL, TEXT, Box, Sheet
from pathgen.report.lettering import shorten, text_width
from pathgen.study.columns import COLUMNS, RISING
from pathgen.study.results_table import ResultsTable

Floats = NDArray[np.float64]

HEAD, MAIN, SMALL_HIGH = 96, 620, 250  # dots
BETWEEN, FOOT = 92, 74
LEFT = EDGE + 34
MAX_ACROSS = 5  # small plots per row
MAX_KINDS = 8  # levels with markers of their own
MAX_LEVELS = 12  # more numbers than this are a continuous range
PARTS = 6  # of a continuous range
WIDE_SPAN = 10.0  # ratio of highest to lowest value that makes a scale logarithmic
MARKERS = "os^Dv<>P"
# Distinct in lightness, so that the levels do not rely on hue alone.
KINDS = ("#1f3c52", "#a63d12", "#3b7ea1", "#d98a2b", "#6c8f3d", "#8a5a83", "#86b3c9", "#c9b458")


@dataclass(frozen=True, slots=True)
class _Figures:
    """The cases that have both results: case numbers, results, and factor levels."""

    case: list[str]
    across: Floats
    up: Floats
    factors: dict[str, list[str]]
    ranges: set[str]  # factors with a continuous range


def pareto_front(across: Floats, up: Floats) -> NDArray[np.intp]:
    """Find the points that no other point dominates, where lower values are better.

    Parameters
    ----------
    across, up : (N,) float64

    Returns
    -------
    (F,) intp
        Indices in ascending order of `across`; equal points are all included.

    Examples
    --------
    >>> pareto_front(np.array([3.0, 1.0, 2.0, 2.0]), np.array([1.0, 3.0, 2.0, 4.0])).tolist()
    [1, 2, 0]
    """
    order = np.lexsort((up, across))
    x, y = across[order], up[order]
    lowest = np.minimum.accumulate(y)
    # Not higher than any earlier point, and no equally low point is further left.
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
    """Draw the results of a study as PNG.

    Parameters
    ----------
    table : ResultsTable
    factors : sequence of str
        Columns that are factors.
    across, up : str
        Columns on the x and y axis, such as "time_s" and "thickness_rms_mm".
    title : str
    ranges : sequence of str
        Factors with a continuous range.

    Returns
    -------
    bytes
        PNG; the same table gives the same bytes.

    Raises
    ------
    PathgenError
        If fewer than two cases have both figures.

    Examples
    --------
    >>> names = ("case", "brim", "time_s", "thickness_rms_mm")
    >>> rows = (("1", "0", "900", "0.01"), ("2", "5", "960", "0.008"))
    >>> study_png(ResultsTable(names, rows), ["brim"], "time_s", "thickness_rms_mm")[1:4]
    b'PNG'
    """
    return study_sheet(table, factors, across, up, title, ranges).png()


def study_sheet(
    table: ResultsTable,
    factors: Sequence[str],
    across: str,
    up: str,
    title: str = "",
    ranges: Sequence[str] = (),
) -> Sheet:
    """Draw the results of a study on a sheet; see `study_png` for parameters and errors."""
    found = _collect(table, factors, across, up, ranges)
    columns = min(MAX_ACROSS, max(len(factors), 1))
    bands = -(-len(factors) // columns)
    high = HEAD + MAIN + 2 * bands * (SMALL_HIGH + BETWEEN) + FOOT
    sheet = Sheet(high)
    excluded = len(table.rows) - len(found.case)
    sheet.draw_text(EDGE, 42, shorten(title or "Study", 15, SHEET - 2 * EDGE, True), 15, bold=True)
    some = f", {excluded} of {len(table.rows)} excluded without both figures" if excluded else ""
    better = _describe_better(across, up)
    sheet.draw_text(EDGE, 66, f"{len(found.case)} cases{some}; {better}; labels are case numbers", 10)
    _draw_main(sheet, found, across, up)
    wide = (SHEET - LEFT - EDGE - (columns - 1) * BETWEEN) // columns
    for line, (name, values) in enumerate(((up, found.up), (across, found.across))):
        for number, factor in enumerate(factors):
            band, place = divmod(number, columns)
            top = HEAD + MAIN + BETWEEN + (2 * band + line) * (SMALL_HIGH + BETWEEN) - 20
            box = Box(LEFT + place * (wide + BETWEEN), top, wide, SMALL_HIGH)
            label = _with_unit(name) if place == 0 else ""
            axes = sheet.add_box(box, shorten(factor, 10, wide), "", label)
            _draw_effect(axes, box, found.factors[factor], values, factor in found.ranges)
            _set_scale(axes, values, "y")
    return sheet


def _collect(
    table: ResultsTable, factors: Sequence[str], across: str, up: str, ranges: Sequence[str]
) -> _Figures:
    both = list(zip(table.column(across), table.column(up), strict=True))
    kept = [i for i, cells in enumerate(both) if all(cells)]
    if len(kept) < 2:
        what = f"only {len(kept)} cases have both {across} and {up}"
        hint = "see the study's table for the reasons of the rejected cases"
        raise PathgenError(what, where="figure", allowed="at least two cases", hint=hint)
    x, y = np.array([[float(cell) for cell in both[i]] for i in kept]).T
    cells = {name: [table.column(name)[i] for i in kept] for name in factors}
    numbers = {n for n, own in cells.items() if all(_number_of(cell) is not None for cell in own)}
    several = {n for n in numbers if len(set(cells[n])) > MAX_LEVELS}
    return _Figures([table.column("case")[i] for i in kept], x, y, cells, several | numbers & set(ranges))


def _describe_better(*names: str) -> str:
    high = [name for name in names if name in RISING]
    return f"low values are better, except for {' and '.join(high)}" if high else "low values are better"


def _with_unit(name: str) -> str:
    column = COLUMNS[name]
    return name if column.unit in ("1", "count", "share") else f"{name} ({column.unit})"


def _draw_main(sheet: Sheet, found: _Figures, across: str, up: str) -> None:
    """Draw all cases, the Pareto front of each picture, and the key."""
    box = Box(LEFT, HEAD + 20, SHEET - LEFT - EDGE - 330, MAIN - 40)
    axes = sheet.add_box(box, "", _with_unit(across), _with_unit(up))
    levels = {name: cells for name, cells in found.factors.items() if name not in found.ranges}
    few = [name for name, cells in levels.items() if 1 < len(set(cells)) <= MAX_KINDS]
    pictures = [name for name in few if name.removeprefix("factor:") == "picture"]
    by_colour, by_marker, *_ = [*pictures, *(name for name in few if name not in pictures), "", ""]
    same = [""] * len(found.case)
    colours, markers = found.factors.get(by_colour, same), found.factors.get(by_marker, same)
    for number, colour in enumerate(dict.fromkeys(colours)):
        for kind, marker in enumerate(dict.fromkeys(markers)):
            here = [(c, m) == (colour, marker) for c, m in zip(colours, markers, strict=True)]
            axes.plot(found.across[here], found.up[here], alpha=0.85, **_point(KINDS[number], kind))
    _set_scale(axes, found.across, "x")
    _set_scale(axes, found.up, "y")
    signs = [-1.0 if name in RISING else 1.0 for name in (across, up)]
    blocks = found.factors[pictures[0]] if pictures else same
    for block in dict.fromkeys(blocks):
        own = np.flatnonzero([each == block for each in blocks])
        best = own[pareto_front(signs[0] * found.across[own], signs[1] * found.up[own])]
        # Between two points of the front, the best known values follow steps instead of a straight line.
        axes.plot(
            found.across[best], found.up[best], color=INK, linewidth=1.0, zorder=1.5,
            drawstyle="steps-post" if signs[0] > 0 else "steps-pre",
        )  # fmt: skip
        _label_cases(axes, found, best, signs)
    among = " of the same picture" if pictures else ""
    _draw_key(axes, (by_colour, colours), (by_marker, markers), f"Pareto front of cases{among}")


def _point(colour: str, kind: int) -> dict[str, Any]:
    """Return the style of the point that represents a case."""
    edge = {"markeredgecolor": PAPER, "markeredgewidth": 0.6}
    return {"color": colour, "marker": MARKERS[kind], "linestyle": "none", "markersize": 6.5, **edge}


def _draw_key(axes: Axes, colours: tuple[str, list[str]], markers: tuple[str, list[str]], line: str) -> None:
    """Draw the key to colours, markers and the line beside the axes."""
    entries: list[tuple[Line2D, str]] = []
    for (name, cells), coloured in ((colours, True), (markers, False)):
        levels = list(dict.fromkeys(cells)) if name else []
        for number, level in enumerate(short_names(levels)):
            style = _point(KINDS[number], 0) if coloured else _point(FAINT, number)
            entries.append((Line2D([], [], **style), shorten(f"{name}: {level or 'not set'}", 10, 270)))
    entries.append((Line2D([], [], color=INK, linewidth=1.0), line))
    legend = axes.legend(
        *zip(*entries, strict=True), loc="upper left", bbox_to_anchor=(1.015, 1.0), frameon=False,
        borderaxespad=0, prop={"family": FONT, "size": 10}, labelcolor=INK,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)


def _label_cases(axes: Axes, found: _Figures, best: NDArray[np.intp], signs: Sequence[float]) -> None:
    """Label points of the front with their case numbers, unless labels would touch."""
    sides = ("right" if signs[0] > 0 else "left", "top" if signs[1] > 0 else "bottom")
    axes.autoscale_view()  # otherwise the limits, and with them the positions, change at the first drawing
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
    """Draw the effect of a factor, with all cases in grey and the mean of each level."""
    levels = sorted(dict.fromkeys(cells), key=_order)
    place = {level: float(number) for number, level in enumerate(levels)}
    at = np.array([float(cell) if continuous else place[cell] for cell in cells])
    axes.plot(at, values, "o", color=FAINT, alpha=0.5, markersize=3, markeredgewidth=0)
    if continuous:
        parts = np.array_split(np.argsort(at, kind="stable"), min(PARTS, -(-len(at) // 3)))
    else:
        parts = [np.flatnonzero(at == number) for number in range(len(levels))]
    middles, means = ([float(a[part].mean()) for part in parts] for a in (at, values))
    axes.plot(middles, means, "-o", color=INK, linewidth=1.4, markersize=4.5)
    if continuous:
        return _set_scale(axes, at, "x")
    axes.set_xlim(-0.5, len(levels) - 0.5)
    room = box.wide / len(levels) - 6
    words = short_names(levels)
    tilt = 0 if max(text_width(level, 9) for level in words) <= room else 25
    labels = [shorten(level, 9, 130.0 if tilt else room) for level in words]
    style: dict[str, Any] = {"rotation": tilt, "ha": "right" if tilt else "center", "fontsize": 9}
    axes.set_xticks(range(len(levels)), labels, parse_math=False, **style)


def short_names(levels: Sequence[str]) -> list[str]:
    """Shorten the names of levels, if the names remain different from each other.

    Examples
    --------
    >>> short_names(["maps/camera.npy", "maps/coins.npy"]), short_names(["0.01", "0.0464159"])
    (['camera', 'coins'], ['0.01', '0.0464'])
    >>> short_names(["a/x.png", "b/x.png"]), short_names(["tailored", "1.00001", "1.00002"])
    (['a/x.png', 'b/x.png'], ['tailored', '1.00001', '1.00002'])
    """
    short = [f"{number:.3g}" if (number := _number_of(level)) is not None else level for level in levels]
    paths = [PurePath(level) for level in levels]
    if all(path.suffix for path in paths) and all(_number_of(level) is None for level in levels):
        short = [path.stem for path in paths]
    return short if len(set(short)) == len(set(levels)) else list(levels)


def _order(level: str) -> tuple[int, float]:
    """Return a sort key that puts numbers before words, and sorts numbers by value."""
    number = _number_of(level)
    return (0, number) if number is not None else (1, 0.0)


def _number_of(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _set_scale(axes: Axes, values: Floats, side: str) -> None:
    """Make an axis logarithmic if the values span a wide range."""
    if values.min() > 0 and values.max() / values.min() > WIDE_SPAN:
        axes.set(**{f"{side}scale": "log"})
