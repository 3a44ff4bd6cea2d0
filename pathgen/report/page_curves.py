"""Curves of the report: time and sway by height, and melt rate over time."""

from __future__ import annotations

import numpy as np

from pathgen.panel.steadiness import FRACTION
from pathgen.plan.model import Planned
from pathgen.report.page_charts import Chart, ChartAxis
from pathgen.report.page_data import PrintRates
from pathgen.settings import Machine


def time_chart(rates: PrintRates) -> Chart:
    """Draw the time per millimetre of height."""
    minutes = rates.band_seconds / 60 / np.diff(rates.z)
    z, sums = np.repeat(rates.z, 2)[1:-1], np.repeat(np.cumsum(minutes, axis=0), 2, axis=1)
    top = float(sums.max(initial=0.0))
    chart = Chart(
        "Time by height",
        f"Median {float(np.median(sums[-1])):.1f} min/mm, maximum {top:.1f} min/mm.",
        ChartAxis(0.0, float(rates.z[-1]), "height, mm"),
        ChartAxis(0.0, 1.08 * top or 1.0, "time per height, min/mm"),
        "time-chart",
    )
    low = np.zeros(len(z))
    for high, look in zip(sums, ("wall", "beside", "dry"), strict=True):
        chart.area(z, low, high, f"fill-{look}")
        low = high
    return chart


def melt_chart(rates: PrintRates, machine: Machine) -> Chart:
    """Draw the melt rate over time, during deposits."""
    limit, peak = machine.hot_end.melt_rate, float(rates.peak.max(initial=0.0))
    chart = Chart(
        "Melt rate over time",
        f"Maximum {peak:.1f} mm³/s; the hot end's limit is {limit:g} mm³/s. Means of "
        f"{rates.mean.min():.1f} to {rates.mean.max():.1f} mm³/s.",
        ChartAxis(0.0, float(rates.hours[-1]), "time since the first move, h"),
        ChartAxis(0.0, 1.12 * max(limit if limit < 4 * peak else peak, peak) or 1.0, "melt rate, mm³/s"),
        "melt-chart",
    )
    chart.area(rates.hours, rates.mean, rates.peak, "fill-peak")
    chart.line(rates.hours, rates.mean, "curve")
    chart.level(limit, f"limit of the hot end: {limit:g}")
    return chart


def sway_chart(planned: Planned, name: str) -> Chart | None:
    """Plot the sway of the panel's top edge against height; None for a panel whose sway is not computed."""
    steady = planned.steady
    if steady is None or not len(steady.z):
        return None
    limit, sway = FRACTION * steady.conditions.spacing, steady.sway
    top = float(sway.max())
    chart = Chart(
        "Sway during the print",
        f"At {steady.z[-1]:.0f} mm of height the top sways by {sway[-1]:.3f} mm; up to {limit:.3f} mm the "
        "sway is not visible.",
        ChartAxis(0.0, float(steady.z[-1]), "height reached, mm"),
        ChartAxis(0.0, 1.15 * max(top, limit), "sway of the top, mm"),
        name,
    )
    chart.line(np.append(0.0, steady.z), np.append(0.0, sway), "curve")
    chart.level(limit, f"visible above {limit:.3f} mm")
    return chart
