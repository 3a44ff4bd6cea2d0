"""What the page says in words and figures: facts, layers, times by kind, how it stands, settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from pathgen.job import Result
from pathgen.motion import Kind
from pathgen.proof.replayed import Replayed
from pathgen.report.page_data import Judged, Paces
from pathgen.report.page_layers import BRIM, DRY, FIRST, PROP, Segments
from pathgen.settings import Job
from pathgen.settings.job import Band
from pathgen.summary import clock

KINDS = {
    Kind.WALL: "wall of the panel",
    Kind.TURN: "turns at the wall's ends",
    Kind.BRIM: "brim",
    Kind.WEDGE: "wedges",
    Kind.CRADLE: "cradle",
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


def answers(result: Result, judged: Judged) -> list[tuple[str, str, str]]:
    """Give the figures asked for first: name, value, and what goes with it."""
    s, found = result.summary, judged.found
    price = f"{s['price']:.2f}" if s["price"] else "not known"
    width, height = found.standing.size
    filament = float(found.tally.filament.sum()) / 1000
    return [
        ("Size", f"{width:g} × {height:g} mm", f"up to {s['thickest_mm']:g} mm thick"),
        ("Time", clock(found.seconds), f"{s['layers']} layers"),
        ("Material", f"{s['mass_g']:.0f} g", f"{filament:.1f} m of {s['material']}"),
        ("Price", price, "of the material, as its profile says" if s["price"] else "its profile says none"),
    ]


def facts(result: Result, judged: Judged) -> list[str]:
    """Say in sentences what is known of the picture and of the way the panel stands."""
    s, error = result.summary, judged.thickness_error
    edge = result.planned.panel.view
    on = f"on its {edge.edge} edge, " if edge.turn else ""
    lines = [
        f"Stands {on}{s['rotation_reason']}.",
        f"Black to white is 1 : {s['tone_contrast']:g}, some {s['tone_steps']} steps of light to the eye.",
        f"The wall laid down differs from the one planned by {error['rms']:.3f} mm RMS; 99 % of it "
        f"is within {error['p99']:.3f} mm.",
    ]
    if len(result.parts) > 1:
        lines.insert(
            0, f"One of {len(result.parts)} panels in this program; pictures and layers are its own."
        )
    return lines


def layer_words(layer: Segments, found: Replayed, result: Result, pace: Paces) -> str:
    """Describe a layer in one sentence, for the eye and for a screen reader alike."""
    wall, total = layer.codes >= FIRST, len(found.standing.frame.tops)
    head = f"Layer {layer.number + 1} of {total}, top at {layer.z:.2f} mm"
    parts = []
    counts = result.counts[layer.number] if layer.number < len(result.counts) else np.zeros(0, np.int8)
    counts = counts[counts > 0]
    if len(counts):
        low, high = int(counts.min()), int(counts.max())
        parts.append(f"{low} to {high} beads side by side" if low < high else f"{low} beads side by side")
    if wall.any():
        pitch = layer.pitch[wall]
        parts.append(f"pitch {pitch.min():.2f} to {pitch.max():.2f} mm")
        parts.append(f"{layer.length[wall].sum():.0f} mm of wall")
    for code, what in ((BRIM, "brim"), (PROP, "props")):
        if (layer.codes == code).any():
            parts.append(f"{layer.length[layer.codes == code].sum():.0f} mm of {what}")
    dry = layer.length[layer.codes == DRY].sum()
    parts.append(f"{dry:.0f} mm without deposit" if dry else "no travel")
    parts.append(f"{pace.layer_seconds[layer.number]:.0f} s")
    return f"{head}: {', '.join(parts)}."


def kinds(found: Replayed, bar: Callable[[float], Markup]) -> list[Row]:
    """Tell time, path and material by kind of move; kinds that do not occur are left out."""
    tally, total = found.tally, float(found.tally.time.sum()) or 1.0
    density = found.material.density if found.material else 0.0
    grams = tally.filament.clip(0) * found.machine.hot_end.section * density * 1e-6
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


def standing_words(result: Result) -> Stands:
    """Say what keeps the panel standing, and what of it leans."""
    planned, s = result.planned, result.summary
    lines = []
    if planned.steady is not None:
        said = planned.steady.advice_line()
        lines.append(said[:1].upper() + said[1:] + ".")
    else:
        lines.append("A bent panel stands by its shape; its sway is not worked out.")
    if planned.props is not None and planned.props.share:
        props = planned.props
        tabs = f", with {props.contacts} tabs to break" if props.contacts else ""
        lines.append(f"Props are {100 * props.share:.1f} % of the panel's material{tabs}.")
    leaning = s.get("leaning")
    if isinstance(leaning, list) and leaning:
        share = 100 * float(str(s["leaning_share"]))
        lines.append(f"{share:.2f} % of the wall leans out further than the layer below carries it, most at:")
    return Stands(lines, leaning if isinstance(leaning, list) else [])


@dataclass(frozen=True, slots=True)
class Settings:
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


def settings(result: Result) -> Settings:
    """List what the print was made with."""
    setup, plain, rows = result.planned.setup, Job(), []
    for name in setup.job.__struct_fields__:
        value, usual = getattr(setup.job, name), getattr(plain, name)
        rows.append((name.replace("_", " "), _spelled(value), value != usual and usual is not None))
    machine, material = (f"{each.name}: {each.about}" for each in (setup.machine, setup.material))
    return Settings(machine, material, rows, sum(changed for *_, changed in rows))


@dataclass(frozen=True, slots=True)
class Neighbour:
    """One of several panels: its picture's name, its size and where it stands."""

    name: str
    size: str
    place: str


def neighbours(result: Result) -> list[Neighbour]:
    """List the panels of a program; empty for a single one."""
    if len(result.parts) < 2:
        return []
    out = []
    for part in result.parts:
        panel, at = part.planned.panel, part.planned.placement
        width, height = panel.view.size(panel.width, float(part.planned.layers.top[-1]))
        turned = f", turned {at.rotation:g}°" if at.rotation else ""
        size, place = f"{width:g} × {height:g} mm", f"x {at.x0:g}, y {at.y0:g} mm{turned}"
        out.append(Neighbour(part.planned.source, size, place))
    return out


def span(seconds: float) -> str:
    """Spell a duration, short ones in seconds.

    Examples
    --------
    >>> span(3.96), span(7200)
    ('4.0 s', '2 h 00 min')
    """
    if seconds >= 90:
        return clock(seconds)
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
