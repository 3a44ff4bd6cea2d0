"""The page's three curves: time by height, melt rate over time, sway while the panel grows."""

from __future__ import annotations

import numpy as np

from pathgen.panel.steadiness import FRACTION
from pathgen.plan.model import Planned
from pathgen.report.page_charts import Chart, ChartAxis
from pathgen.report.page_data import Paces
from pathgen.settings import Machine


def time_chart(pace: Paces) -> Chart:
    """Draw how long each millimetre of height takes."""
    each = pace.band_seconds / 60 / np.diff(pace.z)
    z, sums = np.repeat(pace.z, 2)[1:-1], np.repeat(np.cumsum(each, axis=0), 2, axis=1)
    top = float(sums.max(initial=0.0))
    typical = float(np.median(sums[-1]))
    told = f"Mostly near {typical:.1f} minutes a millimetre, at most {top:.1f}."
    chart = Chart(
        "Time by height",
        told,
        ChartAxis(0.0, float(pace.z[-1]), "height, mm"),
        ChartAxis(0.0, 1.08 * top or 1.0, "minutes a millimetre"),
        "time-chart",
    )
    low = np.zeros(len(z))
    for high, look in zip(sums, ("wall", "beside", "dry"), strict=True):
        chart.area(z, low, high, f"fill-{look}")
        low = high
    return chart


def melt_chart(pace: Paces, machine: Machine) -> Chart:
    """Draw how much plastic is asked of the hot end while it deposits."""
    limit, peak = machine.hot_end.melt_rate, float(pace.peak.max(initial=0.0))
    told = (
        f"At most {peak:.1f} mm³ a second is asked, of {limit:g} that the hot end melts; the mean lies "
        f"between {pace.mean.min():.1f} and {pace.mean.max():.1f}."
    )
    chart = Chart(
        "Melt rate over time",
        told,
        ChartAxis(0.0, float(pace.hours[-1]), "time since the first move, hours"),
        ChartAxis(0.0, 1.12 * max(limit if limit < 4 * peak else peak, peak) or 1.0, "mm³ a second"),
        "melt-chart",
    )
    chart.area(pace.hours, pace.mean, pace.peak, "fill-peak")
    chart.line(pace.hours, pace.mean, "curve")
    chart.level(limit, f"what the hot end melts: {limit:g}")
    return chart


def steady_chart(planned: Planned, name: str) -> Chart | None:
    """Draw how far the top sways at every height; None for a panel that stands by its shape."""
    steady = planned.steady
    if steady is None or not len(steady.z):
        return None
    limit, sway = FRACTION * steady.conditions.spacing, steady.sway
    top = float(sway.max())
    told = f"At {steady.z[-1]:.0f} mm the top sways {sway[-1]:.3f} mm; up to {limit:.3f} mm does not show."
    chart = Chart(
        "Sway while it grows",
        told,
        ChartAxis(0.0, float(steady.z[-1]), "height reached, mm"),
        ChartAxis(0.0, 1.15 * max(top, limit), "sway of the top, mm"),
        name,
    )
    chart.line(np.append(0.0, steady.z), np.append(0.0, sway), "curve")
    chart.level(limit, f"shows from {limit:.3f} mm on")
    return chart
