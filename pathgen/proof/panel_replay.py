"""A written program, replayed: what it makes, how long it takes, and the picture it shows.

program text ─► moves ─► deposit map ─► thickness on square pixels ─► predicted picture
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.deposit.blur import smear, spread_light
from pathgen.errors import PathgenError
from pathgen.files.inputs import Input, open_input
from pathgen.files.stages import log_stage
from pathgen.gcode.pauses import sum_pauses
from pathgen.gcode.read import Program, read_program
from pathgen.motion import (
    Moves,
    Supply,
    Tally,
    TimeByCause,
    filament_area,
    limit_feed,
    mass,
    plan_speeds,
    sum_moves,
)
from pathgen.motion.lag import lagged_moves
from pathgen.optics.predict import viewed
from pathgen.proof.deposit_map import DepositMap, deposit, inside_ends
from pathgen.proof.header import (
    ProgramPanel,
    Stated,
    digest_note,
    locate_panel,
    machine_for,
    material_for,
    panel_facts,
    read_facts,
)
from pathgen.settings import Machine, Material

Floats = NDArray[np.float64]
Row = dict[str, str | int | float | bool | None]

TIMED = 1 << 17  # moves timed at once, and then to the end of their layer
TRACE = 0.001  # mm; less is no wall but what sums leave behind
ASTRAY = 0.001  # share of the filament beside the panel that is worth a note


@dataclass(frozen=True, slots=True)
class Effects:
    """What happens between filament fed and eye; every step is off by default.

    Attributes
    ----------
    smear : bool
        Spread what is laid down over the nozzle, along u.
    spread : float
        Standard deviation of the light's spread inside the wall, mm.
    lag : bool
        Lay down what leaves the nozzle under its pressure lag, not what is fed.
    by_material : bool
        Spread light as the material says it, which may grow with the wall's thickness.
    """

    smear: bool = False
    spread: float = 0.0
    lag: bool = False
    by_material: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """What a program makes.

    Attributes
    ----------
    program : Program
    machine : Machine
    material : Material or None
        None where neither the header nor the caller names one that is known: then there is no picture.
    standing : Standing
    laid : DepositMap
        Smeared and lagging, where that was asked for.
    thickness : (rows, cols) float64
        `laid` on square pixels, mm, as the viewer sees the panel, row 0 at the top.
    tally : Tally
        Times and amounts of the moves as the machine will drive them.
    clock : Clock
        How long the program takes, moves and all else.
    light : Light
        The steps that were asked for.
    white : float
        Thickness that shows the picture's white, mm: the header's, or what 1 % of the wall is thinner than.
    notes : tuple of str
        What the person should know.
    """

    program: Program
    machine: Machine
    material: Material | None
    standing: ProgramPanel
    laid: DepositMap
    thickness: Floats
    tally: Tally
    clock: TimeByCause
    light: Effects
    white: float
    notes: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """How long it takes, heating, homing, dwells and waiting for lines included."""
        return self.clock.total

    @property
    def picture(self) -> Floats:
        """Predicted backlit luminance, (rows, cols), linear, 1 at the picture's white."""
        return self.lit(self.thickness)

    def lit(self, thickness: Floats) -> Floats:
        """Light a wall of this material as this panel is lit; luminance is 1 at the picture's white.

        Raises
        ------
        PathgenError
            When the material is not known.
        """
        if self.material is None:
            raise PathgenError("no material, so no picture", where="replay", hint="name it with --material")
        pixel = self.standing.frame.pixel
        if self.light.by_material:
            light = self.material.light
            widths = (light.spread, light.spread_growth)
            lit = viewed(thickness, optics.law(light), pixel, spread=widths, thinnest=self.white)
            return np.asarray(spread_light(lit, self.light.spread, pixel), np.float64)
        luminance = optics.backlit(thickness, optics.law(self.material.light), self.white)
        return np.asarray(spread_light(luminance, self.light.spread, pixel), np.float64)

    def as_dict(self, ends: float = 0.0) -> Row:
        """Give what is known of the program as a flat row; units are the last part of a key.

        Parameters
        ----------
        ends : float
            mm at either end of every stretch of wall that do not count for its thickness.
        """
        frame = self.standing.frame
        standing = self.standing.view.standing(self.thickness)
        solid = np.where(standing > TRACE, standing, 0.0)
        wall = solid[(solid > 0) & inside_ends(solid, ends, frame.pixel)]
        filament = float(self.tally.filament.sum())
        area = filament_area(self.standing.filament_diameter)
        return {
            "machine": self.machine.name,
            "material": self.material.name if self.material else None,
            "complete": self.program.ended,
            "width_mm": round(self.standing.size[0], 3),
            "height_mm": round(self.standing.size[1], 3),
            "turn_deg": self.standing.view.turn,
            "rotation_deg": frame.rotation,
            "layers": len(frame.tops),
            "layers_laid": int(np.count_nonzero(self.laid.volume.any(axis=1))),
            "moves": len(self.program.moves),
            "filament_m": round(filament / 1000, 4),
            "mass_g": round(mass(filament, area, self.material.density), 2) if self.material else None,
            **self.clock.facts(),
            "thinnest_mm": round(float(wall.min()), 3) if wall.size else 0.0,
            "thickest_mm": round(float(wall.max()), 3) if wall.size else 0.0,
            "outside_mm3": round(self.laid.outside, 3),
        }


def replay(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    stated: Stated | None = None,
    light: Effects | None = None,
) -> Replayed:
    """Read a program and work out what it makes.

    Parameters
    ----------
    source : bytes, path or binary stream
        The program's text, its file, or an open seekable file.
    machine, material : optional
        By default the shipped ones that the program's header names.
    stated : Stated, optional
        What a person says of the program; wins over the header.
    light : Light, optional

    Returns
    -------
    Replayed

    Raises
    ------
    PathgenError
        For text that is no program of the machine's dialect (with the line), and for a panel that neither
        header nor deposits tell of.
    """
    stated = stated or Stated()
    return lay_down(read_back(source, machine, material, light=light, panel=stated.panel), stated)


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A program as it was read and timed, before a panel of it is laid down.

    Attributes
    ----------
    program : Program
        Heights count from the platform.
    machine : Machine
    material : Material or None
    light : Light
    left : Moves
        What leaves the nozzle: with its lag, where that was asked for.
    tally : Tally
    clock : Clock
    looked_up : bool
        Machine and material are what the header names.
    notes : tuple of str
    """

    program: Program
    machine: Machine
    material: Material | None
    light: Effects
    left: Moves
    tally: Tally
    clock: TimeByCause
    looked_up: bool
    notes: tuple[str, ...]


@log_stage(lambda reading: f"read and timed {len(reading.program.moves):,} moves")
def read_back(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    light: Effects | None = None,
    panel: int | None = None,
) -> Reading:
    """Read a program once, for all its panels; parameters and errors are those of `replay`.

    A `panel` that there is not, from 1, is refused before the whole is read.
    """
    light, notes = light or Effects(), []
    looked_up = machine is None and material is None
    with open_input(source, "a program") as stream:
        facts = read_facts(stream)
        panel_facts(facts, panel)
        machine = machine_for(facts, machine)
        try:
            material = material_for(facts, material)
        except PathgenError as error:
            notes.append(f"no picture and no mass, as the material is not known: {error}")
        program = read_program(stream, machine.dialect, machine.hot_end.filament_diameter)
    if machine.z_zero:
        raised = replace(program.moves, z=program.moves.z + machine.z_zero)
        program = replace(program, moves=raised)
    if not program.ended:
        notes.append("the program does not end: it was cut short, or is part of a longer one")
    moves = _with_feeds(program.moves, machine)
    left = lagged_moves(moves, plan_speeds(moves, machine), machine) if light.lag else moves
    sums, time = _timed(replace(program, moves=moves), machine)
    return Reading(program, machine, material, light, left, sums, time, looked_up, tuple(notes))


def lay_down(read: Reading, stated: Stated | None = None) -> Replayed:
    """Lay one panel of a program down that was read; errors are those of `replay`."""
    machine, material, light = read.machine, read.material, read.light
    notes = list(read.notes)
    if read.looked_up and material is not None:
        facts = panel_facts(read.program.header, stated.panel if stated else None)
        notes += digest_note(facts, machine, material)
    stands = locate_panel(read.program, machine, stated)
    laid = deposit(
        read.left, stands.frame, packing=stands.packing, filament_diameter=stands.filament_diameter
    )
    if light.smear:
        volume = smear(laid.volume, machine.hot_end.nozzle_diameter, stands.frame.pixel)
        laid = replace(laid, volume=np.asarray(volume, np.float64))
    fed = float(laid.volume.sum()) + laid.outside
    if laid.outside > ASTRAY * fed:
        share = 100 * laid.outside / fed
        notes.append(f"{share:.1f} % of the wall's plastic is fed beside the panel or between its layers")
    thickness = stands.view.upright(laid.upright())
    return Replayed(
        program=read.program,
        machine=machine,
        material=material,
        standing=stands,
        laid=laid,
        thickness=thickness,
        tally=read.tally,
        clock=read.clock,
        light=light,
        white=stands.white or _thin(thickness),
        notes=(*stands.notes, *notes),
    )


def _with_feeds(moves: Moves, machine: Machine) -> Moves:
    """Fill in the feed of moves that come before the first F word: the machine's travel feed."""
    if (moves.feed > 0).all():
        return moves
    return replace(moves, feed=np.where(moves.feed > 0, moves.feed, machine.travel_feed))


def _timed(program: Program, machine: Machine) -> tuple[Tally, TimeByCause]:
    """Time moves some layers at once: between layers the head rests, so nothing carries over.

    The way to an axis's origin is part of homing, and an arc has one line for all its chords.
    """
    moves, events = program.moves, program.events
    still = sum_pauses([event.words for event in events], machine.dialect)
    homing = [events[at].line for at in still.homed]
    starts = np.flatnonzero(np.diff(moves.layer)) + 1
    at = np.searchsorted(starts, np.arange(TIMED, len(moves), TIMED))
    cuts = np.unique([0, *starts[at[at < len(starts)]].tolist(), len(moves)])
    sums, supply = Tally(), Supply(machine)
    for first, last in zip(cuts[:-1], cuts[1:], strict=True):
        part, line = moves.rows(slice(first, last)), program.line[first:last]
        feed = limit_feed(part, machine)
        plan = plan_speeds(part, machine, feed)
        plan = replace(plan, time=np.where(np.isin(line, homing), 0.0, plan.time))
        sums += sum_moves(part, plan, feed)
        supply.take(np.add.reduceat(plan.time, np.flatnonzero(np.diff(line, prepend=-1))))
    return sums, TimeByCause.of(
        sums, machine, starving=supply.waited, dwelling=still.dwelling, homings=len(homing)
    )


def _thin(thickness: Floats) -> float:
    """Thickness that 1 % of the wall is thinner than, mm; a hole must not count as the picture's white."""
    wall = thickness[thickness > 0]
    return float(np.percentile(wall, 1)) if wall.size else 1.0
