"""Figure of an evaluated coupon: measurements, fitted curve, and estimates with uncertainty."""

from __future__ import annotations

from pathgen.coupons.fit_result import Outcome
from pathgen.report.canvas import (
    FAINT,
    INK,
    Box,
    add_axes_box,
    draw_text,
    label_axes,
    new_sheet,
    sheet_png,
    wrap_text,
)
from pathgen.report.residuals import POINT

WIDE, HIGH = 860, 560  # dots
LINE = 17  # dots per line of text


def fit_png(outcome: Outcome, name: str) -> bytes:
    """Draw the result of a filled measurement sheet as PNG.

    Parameters
    ----------
    outcome : Outcome
    name : str
        Heading.

    Returns
    -------
    bytes
        PNG: estimates as text; below, the measurements, the line fitted to them, and the interval of each
        estimate on the x axis as a shaded strip. The same outcome gives the same bytes.
    """
    texts = [*map(str, outcome.estimates), *outcome.before_after]
    lines = [part for text in texts for part in wrap_text(text, 9.5, 0.86 * WIDE)]
    sheet = new_sheet(HIGH + LINE * len(lines), WIDE)
    draw_text(sheet, 0.1 * WIDE, 34, name, 13)
    for number, text in enumerate(lines, start=1):
        draw_text(sheet, 0.1 * WIDE, 38 + LINE * number, text, 9.5)
    curve = outcome.curve
    axes = add_axes_box(sheet, Box(86, 68 + LINE * len(lines), 740, HIGH - 130))
    for mark in curve.marks:
        axes.axvspan(mark.low, mark.high, color=FAINT, alpha=0.2, linewidth=0)
        axes.axvline(mark.value, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
    if curve.line is not None:
        axes.plot(*curve.line, color=INK, linewidth=1.5)
    axes.plot(curve.x, curve.y, "o", color=POINT, markersize=5, markeredgewidth=0, alpha=0.8)
    label_axes(axes, "", curve.x_label, curve.y_label)
    return sheet_png(sheet)
