"""The drawing of a coupon: panels from the front, with dimensions; the platform from above; its steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from io import BytesIO
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from pathgen.coupons.make import LaidOut
from pathgen.plan.model import Planned
from pathgen.report.canvas import Floats, text_width, wrap
from pathgen.report.preview_figure import DPI, FAINT, FONT, INK, PAPER, TEXT, THICKNESS_COLOURS, area_mean

WIDE = 1180  # dots
LEFT, RIGHT = 60, 40
HEAD, FOOT = 84, 30
VIEW_WIDE = 760  # dots for the front views, at most
VIEW_HIGH = 420  # dots for one of them, at most
BETWEEN = 66  # dots between views: their dimensions stand there
FLAT = 1.0  # mm; what is lower is drawn from above
TILE_TONE = 0.6  # of the darkest
PLAN = 280  # dots, the platform from above
ROW = 17  # dots a line of the table
CELL = 7.5  # points, its text
GAP = 18  # dots between its columns
HEAD_WIDE = 62  # dots that a column's name takes before it goes on below
UNITS = {"mm_s": "mm/s", "deg": "°", "degc": "°C"}  # as a person writes what a column's name spells
MOST_ROWS = 24  # of the table in one column
STEP_INK = "#b0480a"
FEWEST_DOTS = 11  # wide, for a number inside a step


def specimen_png(laid: LaidOut, minutes: float) -> bytes:
    """Draw a coupon.

    Parameters
    ----------
    laid : LaidOut
    minutes : float
        How long it takes.

    Returns
    -------
    bytes
        A PNG; the same coupon gives the same bytes.
    """
    buffer = BytesIO()
    drawn = specimen_sheet(laid, minutes)
    drawn.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()


def specimen_sheet(laid: LaidOut, minutes: float) -> Figure:
    """Lay out a coupon's drawing; parameters are those of `specimen_png`."""
    views = _different(laid)
    boxes, front = _flow([_sides(view) for view in views])
    table = _table(laid)
    columns = max(1, math.ceil(len(table) / MOST_ROWS))
    rows = math.ceil((len(table) - 1) / columns)
    head = max(len(title) for title in table[0])
    high = math.ceil(HEAD + max(front + ROW * (rows + head + 2), PLAN + 60) + FOOT)
    sheet = Figure(figsize=(WIDE / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    _heading(sheet, laid, minutes, high)
    for view, (left, down, wide, tall) in zip(views, boxes, strict=True):
        _front(sheet, (left, high - HEAD - down - tall, wide, tall), (WIDE, high), laid, view)
    _plan(sheet, (WIDE - RIGHT - PLAN, high - HEAD - PLAN, PLAN, PLAN), (WIDE, high), laid)
    _steps(sheet, high - HEAD - front, high, table, columns, rows)
    return sheet


def _different(laid: LaidOut) -> list[Planned]:
    """Leave out panels that look like one before them."""
    shown: list[Planned] = []
    for planned in laid.platform.panels:
        same = (np.array_equal(planned.panel.thickness, other.panel.thickness) for other in shown)
        if not any(same):
            shown.append(planned)
    return shown


def _sides(planned: Planned) -> tuple[float, float]:
    """Sides of what is drawn of a panel, mm: its face; where it is next to nothing high, its plan."""
    panel = planned.panel
    return panel.width, float(panel.thickness.max()) if panel.height < FLAT else panel.height


def _flow(sides: Sequence[tuple[float, float]]) -> tuple[list[tuple[float, float, float, float]], float]:
    """Set views side by side in rows, as large as there is room for; give boxes and height."""
    scale = min(VIEW_WIDE / max(w for w, _ in sides), VIEW_HIGH / max(h for _, h in sides))
    while True:
        boxes, left, down, tall = [], float(LEFT), 0.0, 0.0
        for wide, high in ((w * scale, h * scale) for w, h in sides):
            if left > LEFT and left + wide > LEFT + VIEW_WIDE:
                left, down, tall = float(LEFT), down + tall + BETWEEN, 0.0
            boxes.append((left, down, wide, high))
            left, tall = left + wide + BETWEEN, max(tall, high)
        if down + tall <= VIEW_HIGH or len(sides) == 1:
            return boxes, down + tall + BETWEEN
        scale *= 0.95


def _heading(sheet: Figure, laid: LaidOut, minutes: float, high: int) -> None:
    setup = laid.setup
    hours, left = divmod(round(minutes), 60)
    time = f"{hours} h {left:02d} min" if hours else f"{left} min"
    says = f"{laid.coupon.measures}; {time} on {setup.machine.name}, {setup.material.name}"
    for text, at, size in ((f"Coupon {laid.coupon.name}", 34, 14), (says, 56, 9.5)):
        sheet.text(LEFT / WIDE, 1 - at / high, text, fontsize=size, parse_math=False, **TEXT)


def _axes(sheet: Figure, box: Sequence[float], whole: tuple[float, float]) -> Axes:
    left, bottom, wide, high = box
    axes = sheet.add_axes(
        (left / whole[0], bottom / whole[1], wide / whole[0], high / whole[1]), facecolor=PAPER
    )
    axes.set_axis_off()
    return axes


def _front(
    sheet: Figure, box: Sequence[float], whole: tuple[float, float], laid: LaidOut, planned: Planned
) -> None:
    """Draw a panel as its viewer sees it, steps outlined and numbered, with its outer dimensions."""
    axes = _axes(sheet, box, whole)
    panel = planned.panel
    wide, high = _sides(planned)
    flat = panel.height < FLAT
    drawn = _from_above(planned) if flat else panel.view.upright(panel.thickness)
    dots = area_mean(np.asarray(drawn, np.float64), max(1, round(box[3])), max(1, round(box[2])))
    most = max(float(drawn.max()), *(float(p.panel.thickness.max()) for p in laid.platform.panels))
    wall = np.ma.masked_less_equal(dots, 1e-6)
    axes.imshow(wall, extent=(0, wide, 0, high), cmap=THICKNESS_COLOURS, vmin=0, vmax=most * 1.3,
                interpolation="nearest", aspect="auto")  # fmt: skip
    axes.set_xlim(0, wide)
    axes.set_ylim(0, high)
    number = next(i for i, other in enumerate(laid.platform.panels) if other is planned)
    scale = box[2] / wide
    for count, step in enumerate(laid.specimen.steps, start=1):
        if step.panel != number:
            continue
        left, bottom, right, top = (0.0, 0.0, wide, high) if flat else step.box
        if not flat:
            sides = (right - left, top - bottom)
            axes.add_patch(Rectangle((left, bottom), *sides, fill=False, edgecolor=STEP_INK, linewidth=0.7))
        if (right - left) * scale >= FEWEST_DOTS or count % 5 == 1:
            middle = ((left + right) / 2, (bottom + top) / 2)
            axes.text(*middle, step.label or str(count), ha="center", va="center", fontsize=7.5,
                      color=STEP_INK, family=FONT,
                      bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.8})  # fmt: skip
    same = sum(np.array_equal(p.panel.thickness, panel.thickness) for p in laid.platform.panels)
    size = f"{wide:.4g} mm" + (f"   {same} of these" if same > 1 else "")
    style: dict[str, Any] = {"fontsize": 8.5, "clip_on": False, **TEXT}
    arrow = {"arrowstyle": "<->", "color": INK, "linewidth": 0.7, "shrinkA": 0, "shrinkB": 0}
    below, beside = -16 / box[3], -14 / box[2]
    axes.annotate(
        "", (0, below), (1, below), xycoords="axes fraction", arrowprops=arrow, annotation_clip=False
    )
    axes.text(0.5, below - 4 / box[3], size, transform=axes.transAxes, ha="center", va="top", **style)
    axes.annotate(
        "", (beside, 0), (beside, 1), xycoords="axes fraction", arrowprops=arrow, annotation_clip=False
    )
    axes.text(beside - 5 / box[2], 0.5, f"{high:.4g} mm", transform=axes.transAxes, ha="right",
              va="center", rotation=90, **style)  # fmt: skip


def _from_above(planned: Planned) -> Floats:
    """Draw a panel of a layer or two as it lies on the platform, its front downward."""
    profile = planned.panel.thickness[-1]
    deep = round(float(profile.max()) / planned.panel.pixel)
    inside = (np.arange(deep)[:, None] + 0.5) * planned.panel.pixel < profile
    return np.where(inside, TILE_TONE * deep * planned.panel.pixel, 0.0)


def _plan(sheet: Figure, box: Sequence[float], whole: tuple[float, float], laid: LaidOut) -> None:
    """Draw the platform from above: where the panels stand."""
    axes, volume = _axes(sheet, box, whole), laid.setup.machine.volume
    (low_x, high_x), (low_y, high_y) = volume.x, volume.y
    span = max(high_x - low_x, high_y - low_y)
    axes.set_xlim(low_x, low_x + span)
    axes.set_ylim(low_y, low_y + span)
    axes.add_patch(
        Rectangle((low_x, low_y), high_x - low_x, high_y - low_y, fill=False, edgecolor=FAINT, clip_on=False)
    )
    for planned in laid.platform.panels:
        axes.add_patch(Polygon(_outline(planned), closed=True, facecolor=INK, edgecolor=INK, linewidth=0.8))
    (first, last), n = laid.platform.line
    x, y = laid.platform.placement.to_machine(np.array([first, last]), np.array([n, n]))
    axes.plot(x, y, color=FAINT, linewidth=1.2)
    text = f"the platform from above, {high_x - low_x:g} × {high_y - low_y:g} mm"
    axes.text(0.0, -0.03, text, transform=axes.transAxes, ha="left", va="top", fontsize=8.5, **TEXT)


def _outline(planned: Planned) -> Floats:
    """Outline of a panel's wall on the platform, mm."""
    width, thickest = planned.panel.width, float(planned.panel.thickness.max())
    along = np.linspace(0.0, width, 2 if planned.bend is None else 181)
    u, n = np.concatenate([along, along[::-1]]), np.repeat([0.0, thickest], len(along))
    if planned.bend is not None:
        u, n = planned.bend.to_plan(u, n)
    return np.column_stack(planned.placement.to_machine(u, n))


def _table(laid: LaidOut) -> list[list[list[str]]]:
    """List each step's number and what it was made with; cells as lines, a head's last one its unit."""
    several = len(laid.specimen.panels) > 1
    heads = [["step"], *([["panel"]] if several else [])]
    for column in laid.coupon.nominal:
        unit = UNITS.get(column.unit, column.unit)
        heads.append([*wrap(column.name.replace("_", " "), CELL, HEAD_WIDE), *([unit] if unit else [])])
    rows = [heads]
    for number, step in enumerate(laid.specimen.steps, start=1):
        own = [str(step.panel + 1)] if several else []
        rows.append([[text] for text in (str(number), *own, *(f"{value:.5g}" for value in step.nominal))])
    return rows


def _steps(
    sheet: Figure, top: float, high: int, table: list[list[list[str]]], columns: int, rows: int
) -> None:
    """Write the table under the drawing, in as many columns as it takes; each is as wide as it needs."""
    head, body = table[0], table[1:]
    widths = [
        GAP + max(text_width(line, CELL, bold=True) for row in table for line in row[place])
        for place in range(len(head))
    ]
    lefts = np.cumsum([0.0, *widths[:-1]])
    deep = max(len(title) for title in head)
    for number in range(columns):
        left = LEFT + number * (sum(widths) + GAP)
        part = [(deep - len(title), place, title) for place, title in enumerate(head)]
        for row, cells in enumerate(body[number * rows : (number + 1) * rows]):
            part += [(deep + row, place, cell) for place, cell in enumerate(cells)]
        for line, place, cell in part:
            for below, text in enumerate(cell):
                at = (left + float(lefts[place])) / WIDE, (top - (line + below) * ROW) / high
                sheet.text(*at, text, fontsize=CELL, weight="bold" if line < deep else "normal", **TEXT)
