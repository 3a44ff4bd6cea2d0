"""What is known of a print, as facts: for the program's header, for `--summary`, for the closing lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pathgen.layers import Strokes
from pathgen.motion import DEPOSITS, Kind, Moves, Tally, filament_area, mass
from pathgen.panel import Panel
from pathgen.settings import digest

if TYPE_CHECKING:
    from pathgen.job import Planned

Summary = dict[str, str | int | float | list[str]]


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
    layers, strokes, changes, loose_ends : int
        Layers; strokes; changes of the bead count along them; starts and ends of strokes inside the picture.
    shortest : float
        Shortest stroke, mm.
    """

    panel: Panel
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
        rim = self.panel.rim * self.panel.pixel
        inside = (strokes.u[ends] > rim) & (strokes.u[ends] < self.panel.width - rim)
        self.loose_ends += int(np.count_nonzero(inside))


def _grown(box: tuple[float, float], values: NDArray[np.float64]) -> tuple[float, float]:
    if not values.size:
        return box
    return min(box[0], float(values.min())), max(box[1], float(values.max()))


def summarise(planned: Planned, sums: Tally, extents: Extents, walls: Walls, lines: int) -> Summary:
    """Gather what is known of a print that has been planned to its end.

    Parameters
    ----------
    planned : Planned
    sums : Tally
    extents : Extents
    walls : Walls
    lines : int
        Motion lines of the program.

    Returns
    -------
    dict
        Flat; a key's last part is its unit. Times include warming up and homing as the profile allows for
        them.
    """
    setup, machine, material = planned.setup, planned.setup.machine, planned.setup.material
    filament = float(sums.filament.sum())
    weight = mass(filament, filament_area(machine.hot_end.filament_diameter), material.density)
    moving = float(sums.time.sum())
    before = machine.heaters.warm_up + machine.heaters.homing
    layers = len(planned.layers)
    facts: Summary = {
        "picture": planned.source,
        "machine": machine.name,
        "material": material.name,
        "fill": setup.job.fill,
        "digest": digest(setup),
        "width_mm": round(planned.panel.width, 3),
        "height_mm": round(float(planned.layers.top[-1]), 3),
        "thickest_mm": round(float(planned.panel.thickness.max()), 3),
        "layers": layers,
        "layer_mm": setup.job.layer,
        "moves": lines,
        "time_s": round(moving + before),
        "moving_time_s": round(moving, 1),
        "filament_m": round(filament / 1000, 4),
        "mass_g": round(weight, 2),
        "price": round(weight / 1000 * material.price, 2),
        "rotation_deg": planned.placement.rotation,
        "rotation_reason": planned.placement.reason,
        "wall_mm": round(float(sums.length[[Kind.WALL, Kind.TURN]].sum()), 1),
        "travel_mm": round(float(sums.length[[Kind.TRAVEL, Kind.LINK]].sum()), 1),
        "retractions": int(sums.count[Kind.RETRACT]),
        "strokes": walls.strokes,
        "shortest_stroke_mm": round(walls.shortest, 2) if walls.strokes else 0.0,
        "bead_changes_per_layer": round(walls.changes / layers, 2),
        "loose_ends_per_layer": round(walls.loose_ends / layers, 2),
        "slowed_moves": sums.slowed,
    }
    if planned.steady is not None:
        facts["sway_mm"] = round(float(planned.steady.sway[-1]), 4)
        if np.isfinite(planned.steady.frequency[-1]):
            facts["frequency_hz"] = round(float(planned.steady.frequency[-1]), 1)
        facts["steadiness"] = planned.steady.advice_line()
    if planned.props is not None:
        facts["props_share"] = round(planned.props.share, 4)
        facts["prop_contacts"] = planned.props.contacts
    for kind in Kind:
        facts[f"time_{kind.name.lower()}_s"] = round(float(sums.time[kind]), 1)
    for which, box in (("deposit", extents.deposit), ("reach", extents.every)):
        for axis, (low, high) in zip("xyz", box, strict=True):
            facts[f"{which}_{axis}_min_mm"], facts[f"{which}_{axis}_max_mm"] = round(low, 3), round(high, 3)
    facts["notes"] = [*planned.notes, *_own_notes(sums, lines)]
    return facts


def _own_notes(sums: Tally, lines: int) -> list[str]:
    if sums.slowed <= 0.01 * max(lines, 1):
        return []
    share = 100 * sums.slowed / lines
    return [f"{share:.0f} % of the moves are slower than asked: the axes or the hot end cannot do more"]


def first_facts(planned: Planned) -> list[tuple[str, str]]:
    """Facts for the program's header that are known before the first move.

    The job's keys stand under their own names and the frame under `panel …`, so that a program can be read
    back and compared without any other file.
    """
    setup, place, layers = planned.setup, planned.placement, planned.layers
    hot_end = setup.machine.hot_end
    facts: list[tuple[str, object]] = [
        ("settings", digest(setup)),
        ("picture", planned.source),
        ("machine", setup.machine.name),
        ("material", setup.material.name),
        ("panel width", f"{planned.panel.width:.3f} mm"),
        ("panel height", f"{layers.top[-1]:.3f} mm"),
        ("panel layers", len(layers)),
        ("panel rotation", place.rotation),
        ("panel origin x", f"{place.x0:.3f} mm"),
        ("panel origin y", f"{place.y0:.3f} mm"),
        ("filament diameter", f"{hot_end.filament_diameter:g} mm"),
    ]
    for name in setup.job.__struct_fields__:
        value = getattr(setup.job, name)
        if name not in ("machine", "material") and value is not None:
            facts.append((f"job {name}", f"{value:g}" if isinstance(value, float) else value))
    return [(key, str(value)) for key, value in facts]


def last_facts(summary: Summary) -> dict[str, str]:
    """Facts for the program's header that are known only at the end."""
    facts = {
        "moves": f"{summary['moves']}",
        "time": f"{summary['time_s']} s ({clock(float(str(summary['time_s'])))})",
        "filament": f"{summary['filament_m']} m",
        "mass": f"{summary['mass_g']} g",
    }
    for which in ("deposit", "reach"):
        for axis in "xyz":
            low, high = summary[f"{which}_{axis}_min_mm"], summary[f"{which}_{axis}_max_mm"]
            facts[f"{which} {axis}"] = f"{low:.3f} to {high:.3f} mm"
    return facts


def clock(seconds: float) -> str:
    """Spell a duration for people.

    Examples
    --------
    >>> clock(48_600), clock(90)
    ('13 h 30 min', '2 min')
    """
    minutes = max(1, round(seconds / 60))
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def closing_lines(summary: Summary, out: str) -> list[str]:
    """Word the summary for the person who waits, one fact a line."""
    s = summary
    lines = [
        f"{out}: {s['width_mm']:g} × {s['height_mm']:g} mm panel, up to {s['thickest_mm']:g} mm thick",
        f"  {s['layers']} layers, {s['moves']:,} moves, stands {s['rotation_reason']}",
        f"  about {clock(float(str(s['time_s'])))}, {s['filament_m']:.1f} m of filament, {s['mass_g']:.0f} g"
        + (f", costing {s['price']:.2f}" if s["price"] else ""),
    ]
    if "steadiness" in s:
        lines.append(f"  {s['steadiness']}")
    notes = s["notes"]
    assert isinstance(notes, list)
    return lines + [f"  note: {note}" for note in notes]
