"""The picture of a fit: readings and laws over thickness, and below them what the chosen law leaves over."""

from __future__ import annotations

from io import BytesIO
from itertools import cycle
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from pathgen.optics.law_fit import LawFit
from pathgen.optics.laws import Floats, law
from pathgen.report.preview_figure import DPI, FAINT, FONT, INK, PAPER, TEXT

WIDE, HIGH = 860, 760  # dots
POINT = "#2a6f97"
WRONG = "#b3261e"
DASHES = ((0, (6, 3)), "solid", (0, (1, 2)))  # in turn, so that laws differ without colour
POINTS = 400
NAMED = 12  # most outliers whose lines are named


def residuals_png(fit: LawFit, name: str = "") -> bytes:
    """Draw a fit.

    Parameters
    ----------
    fit : Fit
    name : str
        What was measured, to stand over it.

    Returns
    -------
    bytes
        A PNG: above, readings and every law over thickness, light on a logarithmic scale, the chosen law
        drawn strongly; below, each reading over the chosen law, in per cent. Outliers are ringed and carry
        their line's number. The same fit gives the same bytes.

    Examples
    --------
    >>> from pathgen.optics.law_fit import fit_law
    >>> from pathgen.optics.wedge import WedgeMeasurements
    >>> t = np.arange(0.5, 3.1, 0.25)
    >>> light = 0.9 * np.exp(-t / 1.2) * (1 + 0.01 * np.cos(7 * t))
    >>> residuals_png(fit_law(WedgeMeasurements(t, light, light, np.arange(2, 13))))[1:4]
    b'PNG'
    """
    sheet = Figure(figsize=(WIDE / DPI, HIGH / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    above = sheet.add_axes((0.1, 0.42, 0.86, 0.44), facecolor=PAPER)
    below = sheet.add_axes((0.1, 0.09, 0.86, 0.26), facecolor=PAPER)
    _laws(above, fit)
    _residuals(below, fit)
    for axes in (above, below):
        axes.tick_params(length=3, width=0.6, color=FAINT, labelsize=9, labelcolor=INK, labelfontfamily=FONT)
        for spine in axes.spines.values():
            spine.set(linewidth=0.6, color=FAINT)
        axes.set_xlim(0, 1.04 * float(fit.wedge.thickness.max()))
    heading, far = f"{name}: " if name else "", len(fit.outliers)
    lines = (
        (f"{heading}{len(fit.wedge)} readings, {fit.chosen.name} law", 0.95, 13),
        (f"{100 * fit.rms:.1f} % RMS" + (f" without {far} far off" if far else ""), 0.905, 10),
    )
    for text, height, points in lines:
        style: dict[str, Any] = {"fontsize": points, "parse_math": False, **TEXT}
        sheet.text(0.1, height, text, **style)
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()


def _laws(axes: Axes, fit: LawFit) -> None:
    """Draw every law through the readings, brought to the chosen law's scale."""
    readings = fit.wedge
    t = np.linspace(0.0, 1.04 * readings.thickness.max(), POINTS)
    for each, dashes in zip(fit.laws, cycle(DASHES), strict=False):
        strong = each is fit.chosen
        axes.plot(
            t,
            law(each.light).transmittance(t) * each.scale / fit.chosen.scale,
            color=INK if strong else FAINT,
            linewidth=1.6 if strong else 0.9,
            linestyle=dashes,
            label=each.name + (", chosen" if strong else ""),
        )
    light = readings.light / fit.chosen.scale
    axes.plot(readings.thickness, light, "o", color=POINT, markersize=4, markeredgewidth=0, alpha=0.8)
    _ring(axes, fit, readings.thickness, light, [""] * len(fit.outliers))
    axes.set_yscale("log")
    axes.set_ylim(float(light.min()) / 1.3, max(1.05, float(light.max()) * 1.1))
    for side in (axes.yaxis.set_major_formatter, axes.yaxis.set_minor_formatter):
        side(FuncFormatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "125" else ""))
    axes.tick_params(which="minor", labelsize=9, labelcolor=INK, labelfontfamily=FONT, length=2, color=FAINT)
    axes.set_ylabel("transmittance", fontsize=9, **TEXT)
    axes.legend(frameon=False, prop={"family": FONT, "size": 9}, labelcolor=INK, loc="upper right")


def _residuals(axes: Axes, fit: LawFit) -> None:
    """Draw what is left over, outliers at the edge where they lie beyond it."""
    over = 100 * np.expm1(fit.chosen.residuals)
    inside = np.delete(over, fit.outliers)
    reach = 1.3 * max(1.0, float(np.abs(inside).max(initial=0.0)), 3 * 100 * fit.rms)
    shown = np.clip(over, -reach * 0.94, reach * 0.94)
    axes.axhspan(-100 * fit.rms, 100 * fit.rms, color=FAINT, alpha=0.15, linewidth=0)
    axes.axhline(0.0, color=INK, linewidth=1.0)
    t = fit.wedge.thickness
    axes.plot(t, shown, "o", color=POINT, markersize=4, markeredgewidth=0, alpha=0.8)
    _ring(axes, fit, t, shown, [f", {value:+.0f} %" for value in over[fit.outliers]])
    axes.set_ylim(-reach, reach)
    axes.set_ylabel("reading over law, %", fontsize=9, **TEXT)
    axes.set_xlabel("thickness, mm", fontsize=9, **TEXT)


def _ring(axes: Axes, fit: LawFit, across: Floats, up: Floats, more: list[str]) -> None:
    """Ring the outliers, and name the lines of the first of them."""
    x, y = across[fit.outliers], up[fit.outliers]
    axes.plot(x, y, "o", color=WRONG, markersize=9, markerfacecolor="none", markeredgewidth=1.2)
    lines = fit.wedge.line[fit.outliers][:NAMED]
    for line, at, high, value in zip(lines, x, y, more, strict=False):
        left = at > 0.8 * float(across.max())
        axes.annotate(
            f"line {line}{value}",
            (at, high),
            (-7 if left else 7, -3),
            textcoords="offset points",
            ha="right" if left else "left",
            fontsize=8,
            color=WRONG,
            family=FONT,
        )
