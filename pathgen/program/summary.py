"""What is known of a print, as facts: for the program's header, for `--summary`, for the closing lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.layers import Strokes
from pathgen.motion import DEPOSITS, Kind, Moves, Tally, TimeByCause, mass
from pathgen.optics.viewing import find_visible_range
from pathgen.panel import Bend, Panel
from pathgen.panel.view import TURNS
from pathgen.plan.model import Planned, Platform, Summary
from pathgen.settings import Machine, digest
from pathgen.settings.job import Band

EVEN = 1.1  # contrast up to which there is no picture to speak of


@dataclass(slots=True)
class Extents:
    """The box that moves stay in, grown block by block.

    Attributes
    ----------
    every, deposit : list of (low, high)
        x, y and z of all moves, and of those that deposit, mm.
    """

    every: list[tuple[float, float]] = field(default_factory=lambda: [(np.inf, -np.inf)] * 3)
    deposit: list[tuple[float, float]] = field(default_factory=lambda: [(np.inf, -np.inf)] * 3)

    def take(self, moves: Moves) -> None:
        """Grow to hold a block of moves."""
        made = np.isin(moves.kind, DEPOSITS)
        for i, values in enumerate((moves.x, moves.y, moves.z)):
            self.every[i] = _grown(self.every[i], values)
            self.deposit[i] = _grown(self.deposit[i], values[made])


@dataclass(slots=True)
class Walls:
    """What the walls' strokes are like, summed up block by block.

    Attributes
    ----------
    panel : Panel
    bend : Bend or None
        How it is bent; strokes are then in plan coordinates.
    layers, strokes, changes, loose_ends : int
        Layers; strokes; changes of the bead count along them; starts and ends of strokes inside the picture.
    shortest : float
        Shortest stroke, mm.
    """

    panel: Panel
    bend: Bend | None = None
    layers: int = 0
    strokes: int = 0
    changes: int = 0
    loose_ends: int = 0
    shortest: float = np.inf

    def take(self, strokes: Strokes) -> None:
        """Add a block of strokes."""
        self.layers += len(strokes.counts)
        self.changes += int(np.count_nonzero(strokes.counts[:, 1:] != strokes.counts[:, :-1]))
        if not len(strokes):
            return
        self.strokes += len(strokes)
        length = np.add.reduceat(strokes.length(), strokes.start[:-1])
        self.shortest = min(self.shortest, float(length.min()))
        ends = np.concatenate([strokes.start[:-1], strokes.start[1:] - 1])
        rim, u = self.panel.rim * self.panel.pixel, strokes.u[ends]
        if self.bend is not None:
            u, _ = self.bend.to_flat(u, strokes.n[ends])
        inside = (u > rim) & (u < self.panel.width - rim)
        self.loose_ends += int(np.count_nonzero(inside))


def _grown(box: tuple[float, float], values: NDArray[np.float64]) -> tuple[float, float]:
    if not values.size:
        return box
    return min(box[0], float(values.min())), max(box[1], float(values.max()))


def summarise(
    platform: Platform, sums: Tally, time: TimeByCause, extents: Extents, walls: Sequence[Walls], lines: int
) -> Summary:
    """Gather what is known of a print that has been planned to its end.

    Parameters
    ----------
    platform : Platform
    sums : Tally
    time : Clock
    extents : Extents
    walls : sequence of Walls
        One for each panel.
    lines : int
        Motion lines of the program.

    Returns
    -------
    dict
        Flat; a key's last part is its unit. `time_s` is the sum of the five times after it. Of several panels
        sizes are those of the largest, counts are of all; what differs stands once more under `panel_1_…`,
        `panel_2_…`.
    """
    setup, machine, material = platform.setup, platform.setup.machine, platform.setup.material
    panels, tallest = platform.panels, platform.tallest
    filament = float(sums.filament.sum())
    weight = mass(filament, machine.hot_end.section, material.density)
    layers = sum(each.layers for each in walls)
    strokes = sum(each.strokes for each in walls)
    facts: Summary = {
        "picture": panels[0].source,
        "machine": machine.name,
        "material": material.name,
        "fill": setup.job.fill,
        "digest": digest(setup),
        "panels": len(panels),
        "width_mm": round(max(_seen(p)[0] for p in panels), 3),
        "height_mm": round(max(_seen(p)[1] for p in panels), 3),
        "standing_height_mm": round(float(tallest.layers.top[-1]), 3),
        "thickest_mm": round(max(float(p.panel.thickness.max()) for p in panels), 3),
        "layers": len(tallest.layers),
        "layer_mm": setup.layer,
        **_layer_facts(tallest),
        "moves": lines,
        **time.facts(),
        "dry_time_s": round(time.dry, 1),
        "filament_m": round(filament / 1000, 4),
        "mass_g": round(weight, 2),
        "price": round(weight / 1000 * material.price, 2),
        "turn_deg": panels[0].panel.view.turn,
        "rotation_deg": platform.placement.rotation,
        "rotation_reason": platform.placement.reason,
        "wall_mm": round(float(sums.length[[Kind.WALL, Kind.HAIRPIN]].sum()), 1),
        "travel_mm": round(float(sums.length[[Kind.TRAVEL, Kind.LINK]].sum()), 1),
        "retractions": int(sums.count[Kind.RETRACT]),
        "strokes": strokes,
        "shortest_stroke_mm": round(min(w.shortest for w in walls), 2) if strokes else 0.0,
        "bead_changes_per_layer": round(sum(w.changes for w in walls) / layers, 2),
        "loose_ends_per_layer": round(sum(w.loose_ends for w in walls) / layers, 2),
        "slowed_moves": sums.slowed,
    }
    facts |= tone_facts(panels[0])
    facts |= standing_facts(max(panels, key=_sway))
    if len(panels) > 1:
        for number, planned in enumerate(panels, start=1):
            facts |= {f"panel_{number}_{key}": value for key, value in _own_facts(planned).items()}
    for kind in Kind:
        facts[f"time_{kind.name.lower()}_s"] = round(float(sums.time[kind]), 1)
    for which, box in (("deposit", extents.deposit), ("reach", extents.every)):
        for axis, (low, high) in zip("xyz", box, strict=True):
            facts[f"{which}_{axis}_min_mm"], facts[f"{which}_{axis}_max_mm"] = round(low, 3), round(high, 3)
    told = dict.fromkeys(note for planned in panels for note in planned.notes)
    facts["notes"] = [*told, *_own_notes(sums, time, machine, lines)]
    return facts


def _layer_facts(planned: Planned) -> Summary:
    """Give the least and greatest height of the layers over the first."""
    heights = planned.layers.height[1:] if len(planned.layers) > 1 else planned.layers.height
    return {
        "layer_least_mm": round(float(heights.min()), 4),
        "layer_most_mm": round(float(heights.max()), 4),
    }


def _seen(planned: Planned) -> tuple[float, float]:
    """Width and height of a panel as its viewer sees it, mm."""
    return planned.panel.view.size(planned.panel.width, float(planned.layers.top[-1]))


def _sway(planned: Planned) -> float:
    return float(planned.steady.sway[-1]) if planned.steady is not None else -1.0


def tone_facts(planned: Planned) -> Summary:
    """Say what the plastic can show: the range of its tones, and how many of them an eye tells apart."""
    job, material = planned.setup.job, planned.setup.material
    reached = find_visible_range(optics.law(material.light), job.thinnest, job.thickest, material.viewing)
    return {"tone_contrast": round(reached.contrast, 2), "tone_steps": round(reached.steps)}


def standing_facts(planned: Planned) -> Summary:
    """Say how a panel stands while it grows: sway, supports, what leans, the figures behind its axis."""
    facts: Summary = {}
    if planned.steady is not None:
        facts["sway_mm"] = round(float(planned.steady.sway[-1]), 4)
        if np.isfinite(planned.steady.frequency[-1]):
            facts["frequency_hz"] = round(float(planned.steady.frequency[-1]), 1)
        facts["steadiness"] = planned.steady.advice_line()
    if planned.supports is not None:
        facts["supports_share"] = round(planned.supports.share, 4)
        facts["support_contacts"] = planned.supports.contacts
    if planned.overhang is not None:
        wall = max(int(np.count_nonzero(planned.panel.thickness)), 1)
        facts["overhang_share"] = round(int(np.count_nonzero(planned.overhang.unsupported)) / wall, 5)
        facts["overhangs"] = [str(place) for place in planned.overhang.worst]
    for row in planned.axes.rows if planned.axes else ():
        name = f"axis_{row.along.lower()}"
        facts |= {
            f"{name}_cost": round(row.total, 3) if row.clear else "no place",
            f"{name}_sway_mm": round(row.sway, 4),
            f"{name}_step_mm": round(row.positioning, 5),
            f"{name}_acceleration_mm_s2": row.acceleration,
            f"{name}_carried": int(row.carried),
        }
        if row.time is not None:
            facts[f"{name}_time_s"] = round(row.time)
    return facts


def _own_facts(planned: Planned) -> Summary:
    facts: Summary = {
        "picture": planned.source,
        "width_mm": round(_seen(planned)[0], 3),
        "height_mm": round(_seen(planned)[1], 3),
        "turn_deg": planned.panel.view.turn,
        "thickest_mm": round(float(planned.panel.thickness.max()), 3),
        "layers": len(planned.layers),
        "x_mm": planned.placement.x0,
        "y_mm": planned.placement.y0,
    }
    if planned.steady is not None:
        facts["sway_mm"] = round(float(planned.steady.sway[-1]), 4)
    return facts


def _own_notes(sums: Tally, time: TimeByCause, machine: Machine, lines: int) -> list[str]:
    notes = []
    if sums.slowed > 0.01 * max(lines, 1):
        share = 100 * sums.slowed / lines
        notes.append(
            f"{share:.0f} % of the moves are slower than asked: the axes or the hot end cannot do more"
        )
    if time.starving > 0.01 * time.moving:
        rate = f"{machine.name} takes {machine.blocks_per_second:g} lines a second"
        notes.append(f"{format_duration(time.starving)} of waiting for program lines: {rate}")
    return notes


def first_facts(platform: Platform) -> list[tuple[str, str]]:
    """Facts for the program's header that are known before the first move.

    The job's keys stand under their own names and the frame under `panel …`, so that a program can be read
    back and compared without any other file. Of several panels the second's keys are `panel 2 …` and, where
    its job differs from the first's, `job 2 …`.
    """
    setup, several = platform.setup, len(platform.panels) > 1
    first = platform.panels[0]
    facts: list[tuple[str, object]] = [
        ("settings", digest(first.setup)),
        ("picture", first.source),
        ("machine", setup.machine.name),
        ("material", setup.material.name),
        *_frame_facts(first, "panel", several),
        ("filament diameter", f"{setup.machine.hot_end.filament_diameter:g} mm"),
        *((f"job {name}", value) for name, value in _job_facts(first).items()),
    ]
    if several:
        facts.append(("panels", len(platform.panels)))
    for number, planned in enumerate(platform.panels[1:], start=2):
        facts += [(f"settings {number}", digest(planned.setup)), (f"picture {number}", planned.source)]
        facts += _frame_facts(planned, f"panel {number}", several)
        own, same = _job_facts(planned), _job_facts(first)
        facts += [(f"job {number} {name}", value) for name, value in own.items() if same.get(name) != value]
    return [(key, str(value)) for key, value in facts]


def _frame_facts(planned: Planned, name: str, several: bool) -> list[tuple[str, object]]:
    place, layers = planned.placement, planned.layers
    facts: list[tuple[str, object]] = [
        (f"{name} width", f"{planned.panel.width:.3f} mm"),
        (f"{name} height", f"{layers.top[-1]:.3f} mm"),
        (f"{name} layers", len(layers)),
        (f"{name} rotation", f"{place.rotation:g}"),
        (f"{name} origin x", f"{place.x0:.3f} mm"),
        (f"{name} origin y", f"{place.y0:.3f} mm"),
    ]
    if planned.panel.view.roll:
        facts.append((f"{name} roll", planned.panel.view.roll))
    if several:  # what is fed outside belongs to a neighbour
        for axis, (low, high) in zip("un", planned.plan_box, strict=True):
            facts += [(f"{name} low {axis}", f"{low:.3f} mm"), (f"{name} high {axis}", f"{high:.3f} mm")]
    return facts


def _job_facts(planned: Planned) -> dict[str, object]:
    """Give the job's keys as they are written into a header."""
    job = planned.setup.job
    values = {
        name: getattr(job, name) for name in job.__struct_fields__ if name not in ("machine", "material")
    }
    return {name: _spelled(value) for name, value in values.items() if value not in (None, ())}


def _spelled(value: object) -> object:
    if isinstance(value, tuple) and value and isinstance(value[0], Band):
        return " ".join(",".join(f"{k}={v:g}" for k, v in _said(band)) for band in value)
    if isinstance(value, tuple):
        return ",".join(f"{item:g}" for item in value)  # brackets would end some comments
    return f"{value:g}" if isinstance(value, float) else value


def _said(band: Band) -> list[tuple[str, float]]:
    values = ((name, getattr(band, name)) for name in band.__struct_fields__)
    return [(name, value) for name, value in values if value is not None]


def last_facts(summary: Summary) -> dict[str, str]:
    """Facts for the program's header that are known only at the end."""
    facts = {
        "moves": f"{summary['moves']}",
        "time": f"{summary['time_s']} s ({format_duration(float(str(summary['time_s'])))})",
        "filament": f"{summary['filament_m']} m",
        "mass": f"{summary['mass_g']} g",
    }
    for which in ("deposit", "reach"):
        for axis in "xyz":
            low, high = summary[f"{which}_{axis}_min_mm"], summary[f"{which}_{axis}_max_mm"]
            facts[f"{which} {axis}"] = f"{low:.3f} to {high:.3f} mm"
    return facts


def format_duration(seconds: float) -> str:
    """Spell a duration for people.

    Examples
    --------
    >>> format_duration(48_600), format_duration(90)
    ('13 h 30 min', '2 min')
    """
    minutes = max(1, round(seconds / 60))
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def grams(mass: float) -> str:
    """Spell a mass for people, a small one with a decimal.

    Examples
    --------
    >>> grams(24.31), grams(0.4)
    ('24 g', '0.4 g')
    """
    return f"{mass:.0f} g" if mass >= 9.95 else f"{mass:.1f} g"


def closing_lines(summary: Summary, out: str) -> list[str]:
    """Word the summary for the person who waits, one fact a line."""
    s = summary
    what = "panel" if s["panels"] == 1 else f"the largest of {s['panels']} panels"
    edge = "" if s["panels"] != 1 or not s["turn_deg"] else f" on its {TURNS[int(str(s['turn_deg']))]} edge"
    dry = f"  {format_duration(float(str(s['dry_time_s'])))} of it is travel without deposit"
    tones = f"black to white is 1 : {s['tone_contrast']:g}, some {s['tone_steps']} steps of light to the eye"
    layers = f"{s['layers']} layer{'' if s['layers'] == 1 else 's'}"
    lines = [
        f"{out}: {s['width_mm']:g} × {s['height_mm']:g} mm {what}, up to {s['thickest_mm']:g} mm thick",
        f"  {layers}, {s['moves']:,} moves, stands{edge} {s['rotation_reason']}",
        f"  about {format_duration(float(str(s['time_s'])))}, {s['filament_m']:.1f} m of filament, "
        + grams(float(str(s["mass_g"])))
        + (f", costing {s['price']:.2f}" if s["price"] else ""),
    ]
    lines.append(dry)
    if float(str(s["tone_contrast"])) > EVEN:
        lines.append(f"  {tones}")
    if "steadiness" in s and s["layers"] != 1:  # a single layer cannot sway
        lines.append(f"  {s['steadiness']}")
    leaning = s.get("overhangs")
    if leaning:
        assert isinstance(leaning, list)
        share = 100 * float(str(s["overhang_share"]))
        lines.append(f"  {share:.2f} % of the wall leans out too far, worst at {leaning[0]}")
    notes = s["notes"]
    assert isinstance(notes, list)
    return lines + [f"  note: {note}" for note in notes]
