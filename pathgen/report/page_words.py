"""Texts of the report: key figures, layers, times by kind of move, stability and settings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from pathgen.motion import Kind, Tally
from pathgen.plan.model import Planned
from pathgen.program.result import Result
from pathgen.program.summary import compute_tones, format_duration, grams
from pathgen.proof.panel_replay import PanelReplay
from pathgen.proof.trace import SPACING_EDGES, weighted_quantiles
from pathgen.report.page_charts import draw_bar
from pathgen.report.page_data import PanelComparison
from pathgen.report.page_layers import BRIM, DRY, FIRST, SUPPORT, LayerSegments
from pathgen.report.stability_band import BENT, describe_overhang
from pathgen.settings import Job, Setup
from pathgen.settings.job import Band

KINDS = {
    Kind.WALL: "wall of the panel",
    Kind.HAIRPIN: "hairpins at the wall's ends",
    Kind.BRIM: "brim",
    Kind.WEDGE: "wedges",
    Kind.COMB: "comb",
    Kind.START: "start line",
    Kind.TRAVEL: "travel",
    Kind.LINK: "short links",
    Kind.LIFT: "lift to the next layer",
    Kind.RETRACT: "retraction",
    Kind.RELOAD: "reload after retraction",
}


@dataclass(frozen=True, slots=True)
class KindRow:
    """A row of the table of moves: kind, time in s, fraction of the time, path in mm, mass in g, and bar."""

    name: str
    seconds: float
    share: float
    length: float
    mass: float
    bar: Markup


def page_title(result: Result) -> str:
    """Return the page title, with the names of all pictures."""
    names = list(dict.fromkeys(part.planned.source for part in result.parts))
    if len(names) > 2:
        return f"{names[0]}, {names[1]} and {len(names) - 2} more"
    return " and ".join(names)


def key_figures(result: Result, seconds: float, filament: float) -> list[tuple[str, str, str]]:
    """List the key figures of the print, each with name, value and remark.

    Parameters
    ----------
    result : Result
    seconds : float
        Duration of the program, s.
    filament : float
        Filament of the program, mm.
    """
    s, several = result.summary, len(result.parts) > 1
    price = f"{s.price:.2f}" if s.price else "unknown"
    size, thick = f"{s.width_mm:g} × {s.height_mm:g} mm", f"up to {s.thickest_mm:g} mm thick"
    first = ("Panels", str(len(result.parts)), f"up to {size}") if several else ("Size", size, thick)
    return [
        first,
        ("Time", format_duration(seconds), f"{'up to ' * several}{s.layers} layers"),
        ("Material", grams(s.mass_g), f"{filament / 1000:.1f} m of {s.material}"),
        ("Price", price, "of the material, from its profile" if s.price else "no price in the profile"),
    ]


def describe_picture(planned: Planned, judged: PanelComparison) -> list[str]:
    """Describe the position, the contrast and the thickness error of a panel."""
    error, edge, tones = judged.thickness_error, planned.panel.view, compute_tones(planned)
    contrast, steps = tones.contrast, tones.steps
    on = f"on its {edge.edge} edge, " if edge.turn else ""
    return [
        f"The panel stands {on}{planned.placement.reason}.",
        f"The contrast of white to black is {contrast:g} : 1, about {steps} just-noticeable steps.",
        f"The deposited thickness differs from the planned thickness by {error['rms']:.3f} mm RMS; 99 % of "
        f"it is within {error['p99']:.3f} mm.",
    ]


def describe_layer(layer: LayerSegments, found: PanelReplay, every: NDArray[np.int8], seconds: str) -> str:
    """Describe a layer in one sentence, also for screen readers.

    Parameters
    ----------
    layer : LayerSegments
    found : PanelReplay
    every : (layers, columns) int8
        Planned bead counts.
    seconds : str
        Duration of the layer, as text.
    """
    wall, total = layer.codes >= FIRST, len(found.panel.frame.tops)
    head = f"Layer {layer.number + 1} of {total}, top at {layer.z:.2f} mm"
    parts = []
    counts = every[layer.number] if layer.number < len(every) else np.zeros(0, np.int8)
    counts = counts[counts > 0]
    if len(counts):
        low, high = int(counts.min()), int(counts.max())
        parts.append(f"{low} to {high} beads side by side" if low < high else f"{low} beads side by side")
    if wall.any():
        length = layer.length[wall]
        spacing = weighted_quantiles(layer.spacing[wall], length, SPACING_EDGES)
        parts.append(f"90 % of the spacing from {spacing.p05:.2f} to {spacing.p95:.2f} mm")
        parts.append(f"{length.sum():.0f} mm of wall")
    for code, what in ((BRIM, "brim"), (SUPPORT, "supports")):
        if (layer.codes == code).any():
            parts.append(f"{layer.length[layer.codes == code].sum():.0f} mm of {what}")
    dry = layer.length[layer.codes == DRY].sum()
    parts.append(f"{dry:.0f} mm without deposit" if dry else "no travel")
    return f"{head}: {', '.join([*parts, seconds])}."


def time_by_kind(tally: Tally, setup: Setup) -> list[KindRow]:
    """List time, path and material for each kind of move in the program."""
    total = float(tally.time.sum()) or 1.0
    grams = tally.filament.clip(0) * setup.machine.hot_end.section * setup.material.density * 1e-6
    longest = float(tally.time.max()) or 1.0
    grams[Kind.RELOAD] = 0.0
    rows = []
    for kind, name in KINDS.items():
        if tally.count[kind]:
            time, length, mass = float(tally.time[kind]), float(tally.length[kind]), float(grams[kind])
            rows.append(KindRow(name, time, time / total, length, mass, draw_bar(time / longest)))
    return rows


@dataclass(frozen=True, slots=True)
class StabilityText:
    """Description of a panel's stability, and a list of its worst overhangs."""

    lines: list[str]
    places: list[str]


def describe_stability(planned: Planned) -> StabilityText:
    """Describe the sway, the supports and the unsupported overhangs of a panel."""
    lines = [BENT]
    if planned.steady is not None:
        advice = planned.steady.advice_line()
        lines = [advice[:1].upper() + advice[1:] + "."]
    if planned.supports is not None and planned.supports.share:
        supports = planned.supports
        tabs = f", with {supports.contacts} tabs to break off" if supports.contacts else ""
        lines.append(f"Supports take {100 * supports.share:.1f} % of the panel's material{tabs}.")
    places = planned.overhang.worst if planned.overhang else ()
    if planned.overhang and places:
        lines.append(describe_overhang(planned.overhang, int(np.count_nonzero(planned.panel.thickness))))
    return StabilityText(lines, [str(place) for place in places])


@dataclass(frozen=True, slots=True)
class SettingsTable:
    """Settings of the print, as shown in the report.

    Attributes
    ----------
    machine, material : str
        Name and description of the profiles.
    rows : list of (name, value, changed)
        Keys of the job. Values that were filled in from the profiles are not marked as changed.
    changed : int
        Number of changed values.
    """

    machine: str
    material: str
    rows: list[tuple[str, str, bool]]
    changed: int


def list_settings(result: Result) -> SettingsTable:
    """List the settings of a print, or those of the first of several panels."""
    setup, plain, rows = result.planned.setup, Job(), []
    for name, value in setup.keys().items():
        usual = getattr(plain, name)
        rows.append((name.replace("_", " "), _format(value), value != usual and usual is not None))
    machine, material = (f"{each.name}: {each.about}" for each in (setup.machine, setup.material))
    return SettingsTable(machine, material, rows, sum(changed for *_, changed in rows))


@dataclass(frozen=True, slots=True)
class PanelEntry:
    """A row of the table of panels: picture, size, position, and settings unlike the first panel's."""

    name: str
    size: str
    place: str
    other: str


def list_panels(result: Result) -> list[PanelEntry]:
    """List the panels of a program; empty for a single panel."""
    if len(result.parts) < 2:
        return []
    out, first = [], result.planned.setup.keys()
    for part in result.parts:
        panel, at, own = part.planned.panel, part.planned.placement, part.planned.setup.keys()
        width, height = panel.view.size(panel.width, float(part.planned.layers.top[-1]))
        turned = f", turned {at.rotation:g}°" if at.rotation else ""
        size, place = f"{width:g} × {height:g} mm", f"x {at.x0:g}, y {at.y0:g} mm{turned}"
        differs = [
            f"{name.replace('_', ' ')} {_format(value)}"
            for name, value in own.items()
            if name != "copies" and value != first[name]
        ]
        out.append(PanelEntry(part.planned.source, size, place, ", ".join(differs)))
    return out


def format_seconds(seconds: float) -> str:
    """Format a duration, in seconds below 90 s.

    Examples
    --------
    >>> format_seconds(3.96), format_seconds(7200)
    ('4.0 s', '2 h 00 min')
    """
    if seconds >= 90:
        return format_duration(seconds)
    return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.1f} s"


def _format(value: object) -> str:
    if isinstance(value, Band):
        keys = ((name, getattr(value, name)) for name in value.__struct_fields__)
        return " ".join(f"{name} {_format(each)}" for name, each in keys if each is not None)
    if isinstance(value, tuple):
        return ", ".join(_format(item) for item in value) or "none"
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, float) else str(value)
