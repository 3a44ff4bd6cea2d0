"""The picture of what a coupon says: readings, what was fitted to them, and how sure the figures are."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from pathgen.coupons.fit_result import Outcome
from pathgen.report.canvas import wrap
from pathgen.report.preview_figure import DPI, FAINT, FONT, INK, PAPER, TEXT
from pathgen.report.residuals import POINT

WIDE, HIGH = 860, 560  # dots
LINE = 17  # dots a line of text


def outcome_png(outcome: Outcome, name: str) -> bytes:
    """Draw what a filled sheet says.

    Parameters
    ----------
    outcome : Outcome
    name : str
        What was measured, to stand over it.

    Returns
    -------
    bytes
        A PNG: the readings, the fitted line through them, and, as a shaded strip, the interval of each figure
        that lies along the x axis; over it the figures in words. The same outcome gives the same bytes.
    """
    said = [*map(str, outcome.estimates), *outcome.before_after]
    lines = [part for text in said for part in wrap(text, 9.5, 0.86 * WIDE)]
    high = HIGH + LINE * len(lines)
    sheet = Figure(figsize=(WIDE / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    for number, text in enumerate([name, *lines]):
        style: dict[str, Any] = {"fontsize": 9.5 if number else 13, "parse_math": False, **TEXT}
        sheet.text(0.1, 1 - (34 + LINE * number + 4 * (number > 0)) / high, text, **style)
    curve = outcome.curve
    axes = sheet.add_axes((0.1, 62 / high, 0.86, (HIGH - 130) / high), facecolor=PAPER)
    for mark in curve.marks:
        axes.axvspan(mark.low, mark.high, color=FAINT, alpha=0.2, linewidth=0)
        axes.axvline(mark.value, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
    if curve.line is not None:
        axes.plot(*curve.line, color=INK, linewidth=1.5)
    axes.plot(curve.x, curve.y, "o", color=POINT, markersize=5, markeredgewidth=0, alpha=0.8)
    axes.set_xlabel(curve.x_label, fontsize=9, **TEXT)
    axes.set_ylabel(curve.y_label, fontsize=9, **TEXT)
    axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
    for spine in axes.spines.values():
        spine.set(linewidth=0.6, color=FAINT)
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()
