"""Summary of a print as records, for JSON, study tables and the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.files.quantities import Nested, Quantity, Row, flatten
from pathgen.layers import Strokes
from pathgen.motion import DEPOSITS, Kind, Moves, Tally, TimeByCause, mass
from pathgen.motion.clock import Times
from pathgen.optics.viewing import find_visible_range
from pathgen.panel.view import TURNS
from pathgen.plan.model import Planned, Platform
from pathgen.route.axis import AxisScore
from pathgen.settings import Machine, digest

Floats = NDArray[np.float64]

EVEN = 1.1  # contrast up to which a panel shows no picture


@dataclass(frozen=True, slots=True)
class ToneFigures:
    """Range of tones that the material can show."""

    contrast: Annotated[float, Quantity("1", "luminance of white divided by that of black")]
    steps: Annotated[int, Quantity("count", "just-noticeable steps of lightness")]


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisFigures:
    """Measures for a panel that stands along an axis, used to choose the axis."""

    cost: Annotated[float | str, Quantity("1", "cost (or 'no place')")]
    sway_mm: Annotated[float, Quantity("mm", "sway")]
    step_mm: Annotated[float, Quantity("mm", "positioning error across the face")]
    acceleration_mm_s2: Annotated[float, Quantity("mm/s²", "acceleration across the face")]
    carried: Annotated[int, Quantity("0 or 1", "whether the platform moves the panel across its face")]
    time_s: Annotated[int | None, Quantity("s", "estimated time of the walls")]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingFigures:
    """Sway, supports and overhangs of a panel during the print."""

    sway_mm: Annotated[
        float | None, Quantity("mm", "sway of the finished panel's top under the machine's acceleration")
    ]
    frequency_hz: Annotated[float | None, Quantity("Hz", "first natural frequency")]
    steadiness: Annotated[str | None, Quantity("text", "advice on steadiness")]
    supports_share: Annotated[float | None, Quantity("share", "share of the filament that supports take")]
    support_contacts: Annotated[int | None, Quantity("count", "places where supports touch the panel")]
    overhang_share: Annotated[float | None, Quantity("share", "share of the wall with too much overhang")]
    overhangs: Annotated[list[str] | None, Quantity("text", "places with the largest overhangs")]
    axis_x: Annotated[AxisFigures | None, Nested("axis_x_", "if it stands along X")]
    axis_y: Annotated[AxisFigures | None, Nested("axis_y_", "if it stands along Y")]


@dataclass(frozen=True, slots=True, kw_only=True)
class KindTimes:
    """Time spent in each kind of move, s."""

    travel: Annotated[float, Quantity("", "time of travel moves")]
    lift: Annotated[float, Quantity("", "time of lift moves")]
    retract: Annotated[float, Quantity("", "time of retraction moves")]
    reload: Annotated[float, Quantity("", "time of reload moves")]
    link: Annotated[float, Quantity("", "time of link moves")]
    wall: Annotated[float, Quantity("", "time of wall moves")]
    hairpin: Annotated[float, Quantity("", "time of hairpin moves")]
    brim: Annotated[float, Quantity("", "time of brim moves")]
    start: Annotated[float, Quantity("", "time of start line moves")]
    wedge: Annotated[float, Quantity("", "time of wedge moves")]
    comb: Annotated[float, Quantity("", "time of comb moves")]


@dataclass(frozen=True, slots=True)
class Extent:
    """Box in machine coordinates, mm."""

    x_min: Annotated[float, Quantity("", "minimum X of")]
    x_max: Annotated[float, Quantity("", "maximum X of")]
    y_min: Annotated[float, Quantity("", "minimum Y of")]
    y_max: Annotated[float, Quantity("", "maximum Y of")]
    z_min: Annotated[float, Quantity("", "minimum Z of")]
    z_max: Annotated[float, Quantity("", "maximum Z of")]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelFigures:
    """Summary of one panel in a program with several panels."""

    picture: Annotated[str, Quantity("text", "name of the picture")]
    width_mm: Annotated[float, Quantity("mm", "outer width as viewed")]
    height_mm: Annotated[float, Quantity("mm", "outer height as viewed")]
    turn_deg: Annotated[int, Quantity("deg", "edge the panel stands on")]
    thickest_mm: Annotated[float, Quantity("mm", "maximum wall thickness, rim included")]
    layers: Annotated[int, Quantity("count", "layers")]
    x_mm: Annotated[float, Quantity("mm", "X of the panel's origin")]
    y_mm: Annotated[float, Quantity("mm", "Y of the panel's origin")]
    sway_mm: Annotated[float | None, Quantity("mm", "sway of the finished panel's top")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Summary of a print whose program is complete.

    The last part of a key is its unit. Sizes of several panels are those of the largest, counts are sums over
    all of them; `own` has the figures of each.
    """

    picture: Annotated[str, Quantity("text", "name of the picture")]
    machine: Annotated[str, Quantity("text", "name of the machine profile")]
    material: Annotated[str, Quantity("text", "name of the material profile")]
    fill: Annotated[str, Quantity("text", "name of the fill")]
    digest: Annotated[str, Quantity("text", "digest of the settings")]
    panels: Annotated[int, Quantity("count", "panels in the program")]
    width_mm: Annotated[float, Quantity("mm", "outer width as viewed")]
    height_mm: Annotated[float, Quantity("mm", "outer height as viewed")]
    standing_height_mm: Annotated[float, Quantity("mm", "height of the tallest panel on the platform")]
    thickest_mm: Annotated[float, Quantity("mm", "maximum wall thickness, rim included")]
    layers: Annotated[int, Quantity("count", "layers")]
    layer_mm: Annotated[float, Quantity("mm", "layer height")]
    layer_min_mm: Annotated[float, Quantity("mm", "minimum layer height above the first layer")]
    layer_max_mm: Annotated[float, Quantity("mm", "maximum layer height above the first layer")]
    moves: Annotated[int, Quantity("count", "moves in the program")]
    times: Annotated[Times, Nested()]
    dry_time_s: Annotated[float, Quantity("s", "time of travel, retraction and reloading")]
    filament_m: Annotated[float, Quantity("m", "length of filament")]
    mass_g: Annotated[float, Quantity("g", "mass")]
    price: Annotated[float, Quantity("money", "price, in the currency of the material profile")]
    turn_deg: Annotated[int, Quantity("deg", "edge the panel stands on")]
    rotation_deg: Annotated[float, Quantity("deg", "rotation on the platform: 0 along X, 90 along Y")]
    rotation_reason: Annotated[str, Quantity("text", "reason for the rotation")]
    wall_mm: Annotated[float, Quantity("mm", "path length of walls and hairpins")]
    travel_mm: Annotated[float, Quantity("mm", "path length of travel")]
    retractions: Annotated[int, Quantity("count", "retractions")]
    strokes: Annotated[int, Quantity("count", "continuous deposits")]
    shortest_stroke_mm: Annotated[float, Quantity("mm", "length of the shortest stroke")]
    bead_changes_per_layer: Annotated[float, Quantity("1", "beads added or dropped per layer")]
    loose_ends_per_layer: Annotated[float, Quantity("1", "ends of strokes inside the picture, per layer")]
    slowed_moves: Annotated[int, Quantity("count", "moves slower than asked for")]
    tones: Annotated[ToneFigures, Nested("tone_")]
    standing: Annotated[StandingFigures, Nested()]
    kinds: Annotated[KindTimes, Nested("time_", unit="s", suffix="_s")]
    deposit: Annotated[Extent, Nested("deposit_", "the deposits", "mm", "_mm")]
    reach: Annotated[Extent, Nested("reach_", "all moves", "mm", "_mm")]
    notes: Annotated[list[str], Quantity("text", "notes on the print")]
    own: tuple[PanelFigures, ...] = ()

    def as_dict(self) -> Row:
        """Return the applicable values as one flat JSON object.

        Of several panels, the figures of each stand under ``panel_1_…``, ``panel_2_…``.
        """
        found = flatten(self)
        for number, panel in enumerate(self.own, start=1):
            found |= {f"panel_{number}_{key}": value for key, value in flatten(panel).items()}
        return {key: value for key, value in found.items() if value is not None}


@dataclass(slots=True)
class Extents:
    """Bounding boxes of the moves, updated block by block.

    Attributes
    ----------
    every, deposit : (3, 2) float
        Minimum and maximum of x, y and z of all moves, and of those that deposit, mm.
    """

    every: Floats = field(default_factory=lambda: np.array([[np.inf, -np.inf]] * 3))
    deposit: Floats = field(default_factory=lambda: np.array([[np.inf, -np.inf]] * 3))

    def take(self, moves: Moves) -> None:
        """Enlarge the boxes to include a block of moves."""
        points = np.array([moves.x, moves.y, moves.z])
        for box, inside in ((self.every, points), (self.deposit, points[:, np.isin(moves.kind, DEPOSITS)])):
            box[:, 0] = np.minimum(box[:, 0], inside.min(axis=1, initial=np.inf))
            box[:, 1] = np.maximum(box[:, 1], inside.max(axis=1, initial=-np.inf))


@dataclass(slots=True)
class Walls:
    """Statistics of the wall strokes of one panel, accumulated block by block.

    Attributes
    ----------
    planned : Planned
        The panel; the strokes are in its plan coordinates.
    layers, strokes, changes, loose_ends : int
        Layers; strokes; changes of the bead count along them; starts and ends of strokes inside the picture.
    shortest : float
        Length of the shortest stroke, mm.
    """

    planned: Planned
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
        panel, bend, u = self.planned.panel, self.planned.bend, strokes.u[ends]
        if bend is not None:
            u, _ = bend.to_flat(u, strokes.n[ends])
        rim = panel.rim * panel.pixel
        inside = (u > rim) & (u < panel.width - rim)
        self.loose_ends += int(np.count_nonzero(inside))


def summarise(
    platform: Platform,
    sums: Tally,
    time: TimeByCause,
    extents: Extents,
    walls: Sequence[Walls],
    lines: int,
    notes: Sequence[str] = (),
) -> Summary:
    """Summarise a print after all moves have been planned.

    Parameters
    ----------
    platform : Platform
    sums : Tally
    time : TimeByCause
    extents : Extents
    walls : sequence of Walls
        One for each panel.
    lines : int
        Moves in the program.
    notes : sequence of str
        Notes that come before those of the panels.
    """
    setup, panels, tallest = platform.setup, platform.panels, platform.tallest
    heights = tallest.layers.height[1:] if len(tallest.layers) > 1 else tallest.layers.height
    filament = float(sums.filament.sum())
    weight = mass(filament, setup.machine.hot_end.section, setup.material.density)
    layers, strokes = (sum(getattr(each, name) for each in walls) for name in ("layers", "strokes"))
    own = [_panel_figures(planned) for planned in panels]
    own_notes = dict.fromkeys(note for planned in panels for note in planned.notes)
    return Summary(
        picture=panels[0].source,
        machine=setup.machine.name,
        material=setup.material.name,
        fill=setup.beads.fill,
        digest=digest(setup),
        panels=len(panels),
        width_mm=max(each.width_mm for each in own),
        height_mm=max(each.height_mm for each in own),
        standing_height_mm=round(float(tallest.layers.top[-1]), 3),
        thickest_mm=max(each.thickest_mm for each in own),
        layers=len(tallest.layers),
        layer_mm=setup.layers.nominal,
        layer_min_mm=round(float(heights.min()), 4),
        layer_max_mm=round(float(heights.max()), 4),
        moves=lines,
        times=time.rounded(),
        dry_time_s=round(time.dry, 1),
        filament_m=round(filament / 1000, 4),
        mass_g=round(weight, 2),
        price=round(weight / 1000 * setup.material.price, 2),
        turn_deg=panels[0].panel.view.turn,
        rotation_deg=platform.placement.rotation,
        rotation_reason=platform.placement.reason,
        wall_mm=round(float(sums.length[[Kind.WALL, Kind.HAIRPIN]].sum()), 1),
        travel_mm=round(float(sums.length[[Kind.TRAVEL, Kind.LINK]].sum()), 1),
        retractions=int(sums.count[Kind.RETRACT]),
        strokes=strokes,
        shortest_stroke_mm=round(min(w.shortest for w in walls), 2) if strokes else 0.0,
        bead_changes_per_layer=round(sum(w.changes for w in walls) / layers, 2),
        loose_ends_per_layer=round(sum(w.loose_ends for w in walls) / layers, 2),
        slowed_moves=sums.slowed,
        tones=compute_tones(panels[0]),
        standing=collect_standing(max(panels, key=_sway)),
        kinds=KindTimes(**{kind.name.lower(): round(float(sums.time[kind]), 1) for kind in Kind}),
        deposit=Extent(*(round(side, 3) for side in extents.deposit.ravel().tolist())),
        reach=Extent(*(round(side, 3) for side in extents.every.ravel().tolist())),
        notes=[*notes, *own_notes, *_speed_notes(sums, time, setup.machine, lines)],
        own=tuple(own) if len(own) > 1 else (),
    )


def compute_tones(planned: Planned) -> ToneFigures:
    """Compute the contrast and the number of just-noticeable steps that a panel can show."""
    light, material = planned.setup.light, planned.setup.material
    reached = find_visible_range(optics.law(material.light), light.thinnest, light.thickest, material.viewing)
    return ToneFigures(round(reached.contrast, 2), round(reached.steps))


def collect_standing(planned: Planned) -> StandingFigures:
    """Collect sway, supports and overhangs of a panel, and the comparison of the axes."""
    steady, supports, overhang = planned.steady, planned.supports, planned.overhang
    axes = {score.along: _axis_figures(score) for score in planned.axes.rows} if planned.axes else {}
    frequency = float(steady.frequency[-1]) if steady else np.inf
    wall = max(int(np.count_nonzero(planned.panel.thickness)), 1)
    return StandingFigures(
        sway_mm=round(float(steady.sway[-1]), 4) if steady else None,
        frequency_hz=round(frequency, 1) if np.isfinite(frequency) else None,
        steadiness=steady.advice_line() if steady else None,
        supports_share=round(supports.share, 4) if supports else None,
        support_contacts=supports.contacts if supports else None,
        overhang_share=round(int(np.count_nonzero(overhang.unsupported)) / wall, 5) if overhang else None,
        overhangs=[str(place) for place in overhang.worst] if overhang else None,
        axis_x=axes.get("X"),
        axis_y=axes.get("Y"),
    )


def _axis_figures(score: AxisScore) -> AxisFigures:
    return AxisFigures(
        cost=round(score.total, 3) if score.clear else "no place",
        sway_mm=round(score.sway, 4),
        step_mm=round(score.positioning, 5),
        acceleration_mm_s2=score.acceleration,
        carried=int(score.carried),
        time_s=None if score.time is None else round(score.time),
    )


def _panel_figures(planned: Planned) -> PanelFigures:
    panel, top = planned.panel, float(planned.layers.top[-1])
    width, height = panel.view.size(panel.width, top)
    return PanelFigures(
        picture=planned.source,
        width_mm=round(width, 3),
        height_mm=round(height, 3),
        turn_deg=panel.view.turn,
        thickest_mm=round(float(panel.thickness.max()), 3),
        layers=len(planned.layers),
        x_mm=planned.placement.x0,
        y_mm=planned.placement.y0,
        sway_mm=None if planned.steady is None else round(_sway(planned), 4),
    )


def _sway(planned: Planned) -> float:
    return float(planned.steady.sway[-1]) if planned.steady is not None else -1.0


def _speed_notes(sums: Tally, time: TimeByCause, machine: Machine, lines: int) -> list[str]:
    notes = []
    if sums.slowed > 0.01 * max(lines, 1):
        share = f"{100 * sums.slowed / lines:.0f} % of the moves"
        notes.append(f"{share} are slower than requested, limited by the axes or the hot end")
    if time.starving > 0.01 * time.moving:
        rate = f"{machine.name} accepts at most {machine.blocks_per_second:g} lines per second"
        wait = format_duration(time.starving)
        notes.append(f"{wait} of the print is spent waiting for program lines: {rate}")
    return notes


def format_duration(seconds: float) -> str:
    """Format a duration in hours and minutes.

    Examples
    --------
    >>> format_duration(48_600), format_duration(90)
    ('13 h 30 min', '2 min')
    """
    minutes = max(1, round(seconds / 60))
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def grams(mass: float) -> str:
    """Format a mass, with one decimal below 10 g.

    Examples
    --------
    >>> grams(24.31), grams(0.4)
    ('24 g', '0.4 g')
    """
    return f"{mass:.0f} g" if mass >= 9.95 else f"{mass:.1f} g"


def closing_lines(s: Summary, out: str) -> list[str]:
    """Summarise a print in a few lines for the terminal."""
    what = "panel" if s.panels == 1 else f"(the largest of {s.panels} panels)"
    edge = f" on its {TURNS[s.turn_deg]} edge" if s.panels == 1 and s.turn_deg else ""
    cost = f", cost {s.price:.2f}" if s.price else ""
    plural, time = "" if s.layers == 1 else "s", format_duration(s.times.time_s)
    lines = [
        f"{out}: {s.width_mm:g} × {s.height_mm:g} mm {what}, up to {s.thickest_mm:g} mm thick",
        f"  {s.layers} layer{plural}, {s.moves:,} moves, stands{edge} {s.rotation_reason}",
        f"  about {time}, {s.filament_m:.1f} m of filament, {grams(s.mass_g)}{cost}",
        f"  {format_duration(s.dry_time_s)} of this time is travel without deposit",
    ]
    if s.tones.contrast > EVEN:
        steps = f"about {s.tones.steps} just-noticeable steps"
        lines.append(f"  contrast of white to black {s.tones.contrast:g} : 1, {steps}")
    if s.standing.steadiness and s.layers != 1:  # a single layer cannot sway
        lines.append(f"  {s.standing.steadiness}")
    if s.standing.overhangs:
        share, worst = 100 * (s.standing.overhang_share or 0.0), s.standing.overhangs[0]
        lines.append(f"  {share:.2f} % of the wall has too much overhang, mainly at {worst}")
    return lines + [f"  note: {note}" for note in s.notes]
