"""What the page says in words and figures: facts, layers, times by kind, how it stands, settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from pathgen.motion import Kind, Tally
from pathgen.plan.model import Planned, Result
from pathgen.program.summary import format_duration, grams, standing_facts, tone_facts
from pathgen.proof.panel_replay import Replayed
from pathgen.report.page_data import Judged
from pathgen.report.page_layers import BRIM, DRY, FIRST, SUPPORT, Segments
from pathgen.settings import Job, Setup
from pathgen.settings.job import Band

KINDS = {
    Kind.WALL: "wall of the panel",
    Kind.HAIRPIN: "turns at the wall's ends",
    Kind.BRIM: "brim",
    Kind.WEDGE: "wedges",
    Kind.COMB: "comb",
    Kind.START: "start line",
    Kind.TRAVEL: "travel",
    Kind.LINK: "short crossings",
    Kind.LIFT: "up to the next layer",
    Kind.RETRACT: "filament drawn back",
    Kind.RELOAD: "filament fed again",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of move: what it is, s, its share of the time, mm of path, g, and a bar."""

    name: str
    seconds: float
    share: float
    length: float
    mass: float
    bar: Markup


def title(result: Result) -> str:
    """Name what is made: a picture, or the pictures of several panels."""
    names = list(dict.fromkeys(part.planned.source for part in result.parts))
    if len(names) > 2:
        return f"{names[0]}, {names[1]} and {len(names) - 2} more"
    return " and ".join(names)


def answers(result: Result, seconds: float, filament: float) -> list[tuple[str, str, str]]:
    """Give the figures asked for first: name, value, and what goes with it.

    Parameters
    ----------
    result : Result
    seconds : float
        Of the whole program.
    filament : float
        mm, of all of it.
    """
    s, several = result.summary, len(result.parts) > 1
    price = f"{s['price']:.2f}" if s["price"] else "not known"
    size, thick = f"{s['width_mm']:g} × {s['height_mm']:g} mm", f"up to {s['thickest_mm']:g} mm thick"
    first = ("Panels", str(len(result.parts)), f"up to {size}") if several else ("Size", size, thick)
    return [
        first,
        (
            "Time",
            format_duration(seconds),
            f"up to {s['layers']} layers" if several else f"{s['layers']} layers",
        ),
        ("Material", grams(float(str(s["mass_g"]))), f"{filament / 1000:.1f} m of {s['material']}"),
        ("Price", price, "of the material, as its profile says" if s["price"] else "its profile says none"),
    ]


def facts(planned: Planned, judged: Judged) -> list[str]:
    """Say in sentences what is known of a panel's picture and of the way it stands."""
    error, edge, tones = judged.thickness_error, planned.panel.view, tone_facts(planned)
    contrast, steps = tones["tone_contrast"], tones["tone_steps"]
    on = f"on its {edge.edge} edge, " if edge.turn else ""
    return [
        f"Stands {on}{planned.placement.reason}.",
        f"Black to white is 1 : {contrast:g}, some {steps} steps of light to the eye.",
        f"The wall laid down differs from the one planned by {error['rms']:.3f} mm RMS; 99 % of it "
        f"is within {error['p99']:.3f} mm.",
    ]


def layer_words(layer: Segments, found: Replayed, every: NDArray[np.int8], seconds: str) -> str:
    """Describe a layer in one sentence, for the eye and for a screen reader alike.

    Parameters
    ----------
    layer : Segments
    found : Replayed
    every : (layers, columns) int8
        Beads side by side, as planned.
    seconds : str
        How long it takes, in words.
    """
    wall, total = layer.codes >= FIRST, len(found.standing.frame.tops)
    head = f"Layer {layer.number + 1} of {total}, top at {layer.z:.2f} mm"
    parts = []
    counts = every[layer.number] if layer.number < len(every) else np.zeros(0, np.int8)
    counts = counts[counts > 0]
    if len(counts):
        low, high = int(counts.min()), int(counts.max())
        parts.append(f"{low} to {high} beads side by side" if low < high else f"{low} beads side by side")
    if wall.any():
        length = layer.length[wall]
        narrow, wide = _most_of(layer.spacing[wall], length)
        parts.append(f"spacing mostly {narrow:.2f} to {wide:.2f} mm")
        parts.append(f"{length.sum():.0f} mm of wall")
    for code, what in ((BRIM, "brim"), (SUPPORT, "supports")):
        if (layer.codes == code).any():
            parts.append(f"{layer.length[layer.codes == code].sum():.0f} mm of {what}")
    dry = layer.length[layer.codes == DRY].sum()
    parts.append(f"{dry:.0f} mm without deposit" if dry else "no travel")
    return f"{head}: {', '.join([*parts, seconds])}."


def _most_of(values: NDArray[np.float64], weights: NDArray[np.float64]) -> tuple[float, float]:
    """Give between what nine tenths lie, by weight: turns at a wall's ends are all spacings."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) / (weights.sum() or 1.0)
    low, high = (values[order[min(int(np.searchsorted(reached, at)), len(order) - 1)]] for at in (0.05, 0.95))
    return float(low), float(high)


def kind_rows(tally: Tally, setup: Setup, bar: Callable[[float], Markup]) -> list[Row]:
    """Tell time, path and material by kind of move; kinds that do not occur are left out."""
    total = float(tally.time.sum()) or 1.0
    grams = tally.filament.clip(0) * setup.machine.hot_end.section * setup.material.density * 1e-6
    most = float(tally.time.max()) or 1.0
    return [
        Row(
            name,
            float(tally.time[kind]),
            float(tally.time[kind]) / total,
            float(tally.length[kind]),
            0.0 if kind == Kind.RELOAD else float(grams[kind]),
            bar(float(tally.time[kind]) / most),
        )
        for kind, name in KINDS.items()
        if tally.count[kind]
    ]


@dataclass(frozen=True, slots=True)
class Stands:
    """What keeps a panel standing, as sentences, and the places where it leans, the worst first."""

    lines: list[str]
    places: list[str]


def standing_words(planned: Planned) -> Stands:
    """Say what keeps a panel standing, and what of it leans."""
    lines, facts = [], standing_facts(planned)
    if planned.steady is not None:
        said = planned.steady.advice_line()
        lines.append(said[:1].upper() + said[1:] + ".")
    else:
        lines.append("A bent panel stands by its shape; its sway is not worked out.")
    if planned.supports is not None and planned.supports.share:
        supports = planned.supports
        tabs = f", with {supports.contacts} tabs to break" if supports.contacts else ""
        lines.append(f"Supports are {100 * supports.share:.1f} % of the panel's material{tabs}.")
    leaning = facts.get("overhangs")
    if isinstance(leaning, list) and leaning:
        share = 100 * float(str(facts["overhang_share"]))
        lines.append(f"{share:.2f} % of the wall leans out further than the layer below carries it, most at:")
    return Stands(lines, leaning if isinstance(leaning, list) else [])


@dataclass(frozen=True, slots=True)
class SettingsTable:
    """What the print was made with.

    Attributes
    ----------
    machine, material : str
        Name and what its profile says of it.
    rows : list of (name, value, changed)
        The job's keys. A value that machine or material filled in does not count as changed.
    changed : int
        How many were.
    """

    machine: str
    material: str
    rows: list[tuple[str, str, bool]]
    changed: int


def list_settings(result: Result) -> SettingsTable:
    """List what the print was made with; of several panels, the first."""
    setup, plain, rows = result.planned.setup, Job(), []
    for name in setup.job.__struct_fields__:
        value, usual = getattr(setup.job, name), getattr(plain, name)
        rows.append((name.replace("_", " "), _spelled(value), value != usual and usual is not None))
    machine, material = (f"{each.name}: {each.about}" for each in (setup.machine, setup.material))
    return SettingsTable(machine, material, rows, sum(changed for *_, changed in rows))


@dataclass(frozen=True, slots=True)
class Neighbour:
    """One of several panels: picture, size, where it stands, and how its job differs from the first's."""

    name: str
    size: str
    place: str
    other: str


def neighbours(result: Result) -> list[Neighbour]:
    """List the panels of a program; empty for a single one."""
    if len(result.parts) < 2:
        return []
    out, first = [], result.planned.setup.job
    for part in result.parts:
        panel, at, job = part.planned.panel, part.planned.placement, part.planned.setup.job
        width, height = panel.view.size(panel.width, float(part.planned.layers.top[-1]))
        turned = f", turned {at.rotation:g}°" if at.rotation else ""
        size, place = f"{width:g} × {height:g} mm", f"x {at.x0:g}, y {at.y0:g} mm{turned}"
        differs = [
            f"{name.replace('_', ' ')} {_spelled(getattr(job, name))}"
            for name in job.__struct_fields__
            if name != "copies" and getattr(job, name) != getattr(first, name)
        ]
        out.append(Neighbour(part.planned.source, size, place, ", ".join(differs)))
    return out


def span(seconds: float) -> str:
    """Spell a duration, short ones in seconds.

    Examples
    --------
    >>> span(3.96), span(7200)
    ('4.0 s', '2 h 00 min')
    """
    if seconds >= 90:
        return format_duration(seconds)
    return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.1f} s"


def _spelled(value: object) -> str:
    if isinstance(value, Band):
        said = ((name, getattr(value, name)) for name in value.__struct_fields__)
        return " ".join(f"{name} {_spelled(each)}" for name, each in said if each is not None)
    if isinstance(value, tuple):
        return ", ".join(_spelled(item) for item in value) or "none"
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, float) else str(value)
