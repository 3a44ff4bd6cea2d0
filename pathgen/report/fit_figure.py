"""Figures of fits: a law with its residuals, and an evaluated coupon with its estimates."""

from __future__ import annotations

from itertools import cycle
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from pathgen.coupons.fit_result import Outcome
from pathgen.optics.law_fit import LawFit
from pathgen.optics.laws import Floats, law
from pathgen.report.canvas import FAINT, FONT, INK, Box, Sheet
from pathgen.report.lettering import wrap_text

WIDE, LAW_HIGH, COUPON_HIGH = 860, 760, 560  # dots
LEFT, ACROSS = 86, 740  # dots, position of all axes
LINE = 17  # dots per line of text
POINT: dict[str, Any] = {"color": "#2a6f97", "markeredgewidth": 0, "alpha": 0.8}
WRONG = "#b3261e"
DASHES = ((0, (6, 3)), "solid", (0, (1, 2)))  # in turn, so that laws differ without colour
POINTS = 400
MAX_LABELS = 12  # outliers whose lines are labelled


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
    sheet = Sheet(COUPON_HIGH + LINE * len(lines), WIDE)
    sheet.draw_text(LEFT, 34, name, 13)
    for number, text in enumerate(lines, start=1):
        sheet.draw_text(LEFT, 38 + LINE * number, text, 9.5)
    curve, box = outcome.curve, Box(LEFT, 68 + LINE * len(lines), ACROSS, COUPON_HIGH - 130)
    axes = sheet.add_box(box, "", curve.x_label, curve.y_label)
    for mark in curve.marks:
        axes.axvspan(mark.low, mark.high, color=FAINT, alpha=0.2, linewidth=0)
        axes.axvline(mark.value, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
    if curve.line is not None:
        axes.plot(*curve.line, color=INK, linewidth=1.5)
    axes.plot(curve.x, curve.y, "o", markersize=5, **POINT)
    return sheet.png()


def residuals_png(fit: LawFit, name: str = "") -> bytes:
    """Draw a fitted law as PNG.

    Parameters
    ----------
    fit : LawFit
    name : str
        Start of the heading.

    Returns
    -------
    bytes
        PNG: at the top, measurements and laws over thickness on a logarithmic scale, the chosen law as a bold
        line; at the bottom, the deviation of each measurement from the chosen law in per cent. Outliers have
        rings and line numbers. The same fit gives the same bytes.

    Examples
    --------
    >>> from pathgen.optics.law_fit import fit_law
    >>> from pathgen.optics.wedge import WedgeMeasurements
    >>> t = np.arange(0.5, 3.1, 0.25)
    >>> light = 0.9 * np.exp(-t / 1.2) * (1 + 0.01 * np.cos(7 * t))
    >>> residuals_png(fit_law(WedgeMeasurements(t, light, light, np.arange(2, 13))))[1:4]
    b'PNG'
    """
    sheet = Sheet(LAW_HIGH, WIDE)
    above = sheet.add_box(Box(LEFT, 106, ACROSS, 334), up="transmittance")
    below = sheet.add_box(Box(LEFT, 494, ACROSS, 198), "", "thickness, mm", "deviation from law, %")
    for axes, draw in ((above, _draw_laws), (below, _draw_residuals)):
        draw(axes, fit)
        axes.set_xlim(0, 1.04 * float(fit.wedge.thickness.max()))
    heading, outliers = f"{name}: " if name else "", len(fit.outliers)
    line = f"{heading}{len(fit.wedge)} measurements, {fit.chosen.name} law"
    sheet.draw_text(LEFT, 38, line, 13)
    without = f" without {outliers} outlier{'' if outliers == 1 else 's'}" if outliers else ""
    sheet.draw_text(LEFT, 72, f"{100 * fit.rms:.1f} % RMS{without}", 10)
    return sheet.png()


def _draw_laws(axes: Axes, fit: LawFit) -> None:
    """Draw the measurements and all laws, on the scale of the chosen law."""
    readings = fit.wedge
    t = np.linspace(0.0, 1.04 * readings.thickness.max(), POINTS)
    for each, dashes in zip(fit.laws, cycle(DASHES), strict=False):
        strong = each is fit.chosen
        colour, width, chosen = (INK, 1.6, ", chosen") if strong else (FAINT, 0.9, "")
        passed = law(each.light).transmittance(t) * each.scale / fit.chosen.scale
        axes.plot(t, passed, color=colour, linewidth=width, linestyle=dashes, label=each.name + chosen)
    light = readings.light / fit.chosen.scale
    axes.plot(readings.thickness, light, "o", markersize=4, **POINT)
    _ring(axes, fit, readings.thickness, light, [""] * len(fit.outliers))
    axes.set_yscale("log")
    axes.set_ylim(float(light.min()) / 1.3, max(1.05, float(light.max()) * 1.1))
    for side in (axes.yaxis.set_major_formatter, axes.yaxis.set_minor_formatter):
        side(FuncFormatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "125" else ""))
    axes.tick_params(which="minor", labelsize=9, labelcolor=INK, labelfontfamily=FONT, length=2, color=FAINT)
    axes.legend(frameon=False, prop={"family": FONT, "size": 9}, labelcolor=INK, loc="upper right")


def _draw_residuals(axes: Axes, fit: LawFit) -> None:
    """Draw the residuals of the chosen law, with outliers clipped to the edge of the axes."""
    over = 100 * np.expm1(fit.chosen.residuals)
    inside = np.delete(over, fit.outliers)
    reach = 1.3 * max(1.0, float(np.abs(inside).max(initial=0.0)), 3 * 100 * fit.rms)
    shown = np.clip(over, -reach * 0.94, reach * 0.94)
    axes.axhspan(-100 * fit.rms, 100 * fit.rms, color=FAINT, alpha=0.15, linewidth=0)
    axes.axhline(0.0, color=INK, linewidth=1.0)
    t = fit.wedge.thickness
    axes.plot(t, shown, "o", markersize=4, **POINT)
    _ring(axes, fit, t, shown, [f", {value:+.0f} %" for value in over[fit.outliers]])
    axes.set_ylim(-reach, reach)


def _ring(axes: Axes, fit: LawFit, across: Floats, up: Floats, more: list[str]) -> None:
    """Draw rings around outliers, and label the first `MAX_LABELS` with their line in the file."""
    x, y = across[fit.outliers], up[fit.outliers]
    axes.plot(x, y, "o", color=WRONG, markersize=9, markerfacecolor="none", markeredgewidth=1.2)
    lines = fit.wedge.line[fit.outliers][:MAX_LABELS]
    for line, at, high, value in zip(lines, x, y, more, strict=False):
        side, shift = ("right", -7) if at > 0.8 * float(across.max()) else ("left", 7)
        style: dict[str, Any] = {"ha": side, "fontsize": 8, "color": WRONG, "family": FONT}
        axes.annotate(f"line {line}{value}", (at, high), (shift, -3), textcoords="offset points", **style)
