"""Drawing of a coupon: dimensioned panels, their positions on the platform, and the steps to measure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.patches import Polygon, Rectangle

from pathgen.coupons.make import LaidOut
from pathgen.plan.model import Planned
from pathgen.program.summary import format_duration
from pathgen.report.canvas import FAINT, FONT, INK, PAPER, TEXT, THICKNESS_COLOURS, Sheet
from pathgen.report.lettering import text_width, wrap_text
from pathgen.report.resampling import Floats, area_mean

WIDE = 1180  # dots
LEFT, RIGHT = 60, 40
HEAD, FOOT = 84, 30
VIEW_WIDE = 760  # dots, maximum width of the front views
VIEW_HIGH = 420  # dots, maximum height of the front views
BETWEEN = 66  # dots between views, for dimensions
FLAT = 1.0  # mm; lower panels are drawn as viewed from above
TILE_TONE = 0.6  # of the darkest tone
PLAN = 280  # dots, drawing of the platform
ROW = 17  # dots per table row
CELL = 7.5  # points, text of the table
GAP = 18  # dots between table columns
HEAD_WIDE = 62  # dots, maximum width of column names before they are wrapped
UNITS = {"mm_s": "mm/s", "deg": "°", "degc": "°C"}  # units of column names, as printed
MAX_ROWS = 24  # per table column
STEP_INK = "#b0480a"
MIN_DOTS = 11  # minimum width of a step with a number

Dots = tuple[float, float, float, float]  # left, top, width and height


def coupon_png(laid: LaidOut, minutes: float) -> bytes:
    """Draw a coupon as PNG.

    Parameters
    ----------
    laid : LaidOut
    minutes : float
        Duration of the print, min.

    Returns
    -------
    bytes
        PNG; the same coupon gives the same bytes.
    """
    return coupon_figure(laid, minutes).png()


def coupon_figure(laid: LaidOut, minutes: float) -> Sheet:
    """Draw a coupon on a sheet; see `coupon_png` for the parameters."""
    views = _different(laid)
    boxes, front = _flow([_sides(view) for view in views])
    table = _table(laid)
    columns = max(1, math.ceil(len(table) / MAX_ROWS))
    rows = math.ceil((len(table) - 1) / columns)
    head = max(len(title) for title in table[0])
    high = math.ceil(HEAD + max(front + ROW * (rows + head + 2), PLAN + 60) + FOOT)
    sheet = Sheet(high, WIDE)
    _draw_heading(sheet, laid, minutes)
    for view, (left, down, wide, tall) in zip(views, boxes, strict=True):
        _draw_front(sheet, (left, HEAD + down, wide, tall), laid, view)
    _draw_plan(sheet, laid)
    _draw_table(sheet, HEAD + front, table, columns, rows)
    return sheet


def _different(laid: LaidOut) -> list[Planned]:
    """Return the panels without duplicates."""
    shown: list[Planned] = []
    for planned in laid.platform.panels:
        if not any(_alike(planned, other) for other in shown):
            shown.append(planned)
    return shown


def _alike(planned: Planned, other: Planned) -> bool:
    return np.array_equal(planned.panel.thickness, other.panel.thickness)


def _sides(planned: Planned) -> tuple[float, float]:
    """Return the size of a panel in its drawing, mm: front view, or top view of a flat panel."""
    panel = planned.panel
    return panel.width, float(panel.thickness.max()) if panel.height < FLAT else panel.height


def _flow(sides: Sequence[tuple[float, float]]) -> tuple[list[Dots], float]:
    """Arrange views in rows, as large as possible; return the box of each view and the total height."""
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


def _draw_heading(sheet: Sheet, laid: LaidOut, minutes: float) -> None:
    setup, time = laid.setup, format_duration(60 * minutes)
    line = f"{laid.coupon.measures}; {time} on {setup.machine.name} in {setup.material.name}"
    sheet.draw_text(LEFT, 34, f"Coupon {laid.coupon.name}", 14)
    sheet.draw_text(LEFT, 56, line, 9.5)


def _draw_front(sheet: Sheet, box: Dots, laid: LaidOut, planned: Planned) -> None:
    """Draw a panel as the viewer sees it, with numbered steps and outer dimensions."""
    panel, (wide, high) = planned.panel, _sides(planned)
    axes = sheet.add_axes(sheet.bounds(*box), frameon=False, xlim=(0, wide), ylim=(0, high))
    axes.set_axis_off()
    flat = panel.height < FLAT
    drawn = _from_above(planned) if flat else panel.view.upright(panel.thickness)
    dots = area_mean(np.asarray(drawn, np.float64), max(1, round(box[3])), max(1, round(box[2])))
    thickest = max(float(drawn.max()), *(float(p.panel.thickness.max()) for p in laid.platform.panels))
    wall = np.ma.masked_less_equal(dots, 1e-6)
    axes.imshow(wall, extent=(0, wide, 0, high), cmap=THICKNESS_COLOURS, vmin=0, vmax=thickest * 1.3,
                interpolation="nearest", aspect="auto")  # fmt: skip
    number = next(i for i, other in enumerate(laid.platform.panels) if other is planned)
    scale = box[2] / wide
    for count, step in enumerate(laid.specimen.steps, start=1):
        if step.panel != number:
            continue
        left, bottom, right, top = (0.0, 0.0, wide, high) if flat else step.box
        if not flat:
            sides = (right - left, top - bottom)
            axes.add_patch(Rectangle((left, bottom), *sides, fill=False, edgecolor=STEP_INK, linewidth=0.7))
        if (right - left) * scale >= MIN_DOTS or count % 5 == 1:
            middle = ((left + right) / 2, (bottom + top) / 2)
            axes.text(*middle, step.label or str(count), ha="center", va="center", fontsize=7.5,
                      color=STEP_INK, family=FONT,
                      bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.8})  # fmt: skip
    same = sum(_alike(planned, other) for other in laid.platform.panels)
    size = f"{wide:.4g} mm" + (f"   {same} copies" if same > 1 else "")
    style: dict[str, Any] = {"fontsize": 8.5, "clip_on": False, "transform": axes.transAxes, **TEXT}
    arrow = {"arrowstyle": "<->", "color": INK, "linewidth": 0.7, "shrinkA": 0, "shrinkB": 0}
    below, beside = -16 / box[3], -14 / box[2]
    for start, end in (((0, below), (1, below)), ((beside, 0), (beside, 1))):
        axes.annotate("", start, end, xycoords="axes fraction", arrowprops=arrow, annotation_clip=False)
    axes.text(0.5, below - 4 / box[3], size, ha="center", va="top", **style)
    text = f"{high:.4g} mm"
    axes.text(beside - 5 / box[2], 0.5, text, ha="right", va="center", rotation=90, **style)


def _from_above(planned: Planned) -> Floats:
    """Draw a panel of one or two layers as viewed from above, with its front at the bottom."""
    profile = planned.panel.thickness[-1]
    deep = round(float(profile.max()) / planned.panel.pixel)
    inside = (np.arange(deep)[:, None] + 0.5) * planned.panel.pixel < profile
    return np.where(inside, TILE_TONE * deep * planned.panel.pixel, 0.0)


def _draw_plan(sheet: Sheet, laid: LaidOut) -> None:
    """Draw the platform as viewed from above, with all panels."""
    (low_x, high_x), (low_y, high_y) = laid.setup.machine.volume.x, laid.setup.machine.volume.y
    wide, deep = high_x - low_x, high_y - low_y
    span = max(wide, deep)
    axes = sheet.add_axes(sheet.bounds(WIDE - RIGHT - PLAN, HEAD, PLAN, PLAN))
    axes.set(xlim=(low_x, low_x + span), ylim=(low_y, low_y + span))
    axes.set_axis_off()
    axes.add_patch(Rectangle((low_x, low_y), wide, deep, fill=False, edgecolor=FAINT, clip_on=False))
    for planned in laid.platform.panels:
        axes.add_patch(Polygon(_outline(planned), closed=True, facecolor=INK, edgecolor=INK, linewidth=0.8))
    (first, last), n = laid.platform.line
    x, y = laid.platform.placement.to_machine(np.array([first, last]), np.array([n, n]))
    axes.plot(x, y, color=FAINT, linewidth=1.2)
    text = f"platform from above, {wide:g} × {deep:g} mm"
    axes.text(0.0, -0.03, text, transform=axes.transAxes, ha="left", va="top", fontsize=8.5, **TEXT)


def _outline(planned: Planned) -> Floats:
    """Return the outline of a panel's wall on the platform, mm."""
    width, thickest = planned.panel.width, float(planned.panel.thickness.max())
    along = np.linspace(0.0, width, 2 if planned.bend is None else 181)
    u, n = np.concatenate([along, along[::-1]]), np.repeat([0.0, thickest], len(along))
    if planned.bend is not None:
        u, n = planned.bend.to_plan(u, n)
    return np.column_stack(planned.placement.to_machine(u, n))


def _table(laid: LaidOut) -> list[list[list[str]]]:
    """Return the table of the steps' numbers and nominal values; each cell is a list of lines."""
    several = len(laid.specimen.panels) > 1
    heads = [["step"], *([["panel"]] if several else [])]
    for column in laid.coupon.nominal:
        unit = UNITS.get(column.unit, column.unit)
        heads.append([*wrap_text(column.name.replace("_", " "), CELL, HEAD_WIDE), *([unit] if unit else [])])
    rows = [heads]
    for number, step in enumerate(laid.specimen.steps, start=1):
        own = [str(step.panel + 1)] if several else []
        rows.append([[text] for text in (str(number), *own, *(f"{value:.5g}" for value in step.nominal))])
    return rows


def _draw_table(sheet: Sheet, top: float, table: list[list[list[str]]], columns: int, rows: int) -> None:
    """Draw the table of steps in the given number of columns."""
    head, body = table[0], table[1:]
    widths = [
        GAP + max(text_width(line, CELL, bold=True) for row in table for line in row[place])
        for place in range(len(head))
    ]
    lefts = np.cumsum([0.0, *widths[:-1]]).tolist()
    deep = max(len(title) for title in head)
    for number in range(columns):
        left = LEFT + number * (sum(widths) + GAP)
        part = [(deep - len(title), place, title) for place, title in enumerate(head)]
        for row, cells in enumerate(body[number * rows : (number + 1) * rows]):
            part += [(deep + row, place, cell) for place, cell in enumerate(cells)]
        for line, place, cell in part:
            for below, text in enumerate(cell):
                base = top + (line + below) * ROW
                sheet.draw_text(left + lefts[place], base, text, CELL, bold=line < deep)
