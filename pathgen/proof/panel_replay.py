"""Replay of a written program: deposited panel, duration, and predicted picture.

program text ─► moves ─► deposit map ─► thickness on square pixels ─► predicted picture
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.deposit.blur import smear, spread_light
from pathgen.errors import PathgenError
from pathgen.files.inputs import Input, open_input
from pathgen.files.quantities import Nested, Quantity, Row, flatten
from pathgen.files.stages import log_stage
from pathgen.gcode.pauses import sum_pauses
from pathgen.gcode.read import Program, read_program
from pathgen.motion import (
    Moves,
    Tally,
    TimeByCause,
    filament_area,
    mass,
    plan_speeds,
)
from pathgen.motion.clock import Times
from pathgen.motion.lag import lagged_moves
from pathgen.optics.predict import viewed
from pathgen.proof.deposit_map import DepositMap, deposit, inside_ends
from pathgen.proof.header import digest_note, machine_for, material_for, panel_facts, read_facts
from pathgen.proof.program_panel import ProgramPanel, Stated, locate_panel
from pathgen.proof.program_timer import ProgramTimer
from pathgen.settings import Machine, Material

Floats = NDArray[np.float64]

TRACE = 0.001  # mm; smaller thicknesses are rounding errors
OUTSIDE_SHARE = 0.001  # share of the filament outside the panel above which a note is added


@dataclass(frozen=True, slots=True)
class Effects:
    """Effects included in a replay; all are off by default.

    Attributes
    ----------
    smear : bool
        Spread the deposit over the nozzle diameter, along u.
    spread : float
        Standard deviation of the spread of light inside the wall, mm.
    lag : bool
        Deposit the volume that leaves the nozzle with pressure lag, instead of the volume fed.
    by_material : bool
        Spread light as the material profile states, which may depend on the thickness of the wall.
    """

    smear: bool = False
    spread: float = 0.0
    lag: bool = False
    by_material: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class PanelReplay:
    """Replay of one panel of a program.

    Attributes
    ----------
    program : Program
    machine : Machine
    material : Material or None
        None if neither the header nor the caller names a known material; then there is no picture.
    panel : ProgramPanel
        Size and place of the panel.
    deposited : DepositMap
        Includes smear and lag if requested.
    thickness : (rows, cols) float64
        `deposited` on square pixels, mm, as the viewer sees the panel; row 0 at the top.
    tally : Tally
        Durations and amounts of the moves as the machine drives them.
    clock : TimeByCause
        Duration of the program, including all waits.
    effects : Effects
    white : float
        Thickness of the picture's white, mm: from the header, or the 1st percentile of the wall.
    notes : tuple of str
        Remarks for the user.
    """

    program: Program
    machine: Machine
    material: Material | None
    panel: ProgramPanel
    deposited: DepositMap
    thickness: Floats
    tally: Tally
    clock: TimeByCause
    effects: Effects
    white: float
    notes: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """Duration in s, including heating, homing, dwells and waits for the next line."""
        return self.clock.total

    @property
    def picture(self) -> Floats:
        """Predicted backlit luminance, (rows, cols), linear, 1 for the picture's white."""
        return self.backlight(self.thickness)

    def backlight(self, thickness: Floats) -> Floats:
        """Return the backlit luminance of a wall, for the material and the effects of this replay.

        Parameters
        ----------
        thickness : (rows, cols) float64
            mm.

        Returns
        -------
        (rows, cols) float64
            Linear, 1 for the picture's white.

        Raises
        ------
        PathgenError
            If the material is unknown.
        """
        if self.material is None:
            raise PathgenError(
                "the material of the program is unknown",
                where="replay",
                hint="pass the name of the material with --material",
            )
        light, pixel = self.material.light, self.panel.frame.pixel
        if self.effects.by_material:
            widths = (light.spread, light.spread_growth)
            luminance = viewed(thickness, optics.law(light), pixel, spread=widths, thinnest=self.white)
        else:
            luminance = optics.backlit(thickness, optics.law(light), self.white)
        return np.asarray(spread_light(luminance, self.effects.spread, pixel), np.float64)

    def as_dict(self, ends: float = 0.0) -> Row:
        """Return the results of the replay as a flat dictionary; each key ends in its unit.

        Parameters
        ----------
        ends : float
            mm at both ends of every piece of wall that are excluded from the thickness figures.
        """
        return flatten(self.figures(ends))

    def figures(self, ends: float = 0.0) -> ReplayFigures:
        """Return the results of the replay; see `as_dict` for `ends`."""
        frame, view = self.panel.frame, self.panel.view
        standing = view.standing(self.thickness)
        solid = np.where(standing > TRACE, standing, 0.0)
        wall = solid[(solid > 0) & inside_ends(solid, ends, frame.pixel)]
        filament = float(self.tally.filament.sum())
        area = filament_area(self.panel.filament_diameter)
        return ReplayFigures(
            machine=self.machine.name,
            material=self.material.name if self.material else None,
            complete=self.program.ended,
            width_mm=round(self.panel.size[0], 3),
            height_mm=round(self.panel.size[1], 3),
            turn_deg=view.turn,
            rotation_deg=frame.rotation,
            layers=len(frame.tops),
            layers_deposited=int(np.count_nonzero(self.deposited.volume.any(axis=1))),
            moves=len(self.program.moves),
            filament_m=round(filament / 1000, 4),
            mass_g=round(mass(filament, area, self.material.density), 2) if self.material else None,
            times=self.clock.rounded(),
            thinnest_mm=round(float(wall.min()), 3) if wall.size else 0.0,
            thickest_mm=round(float(wall.max()), 3) if wall.size else 0.0,
            outside_mm3=round(self.deposited.outside, 3),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayFigures:
    """Results of a replay, computed from the program alone."""

    machine: Annotated[str, Quantity("text", "name of the machine profile")]
    material: Annotated[str | None, Quantity("text", "name of the material profile")]
    complete: Annotated[bool, Quantity("yes/no", "whether the program is complete")]
    width_mm: Annotated[float, Quantity("mm", "outer width as viewed")]
    height_mm: Annotated[float, Quantity("mm", "outer height as viewed")]
    turn_deg: Annotated[int, Quantity("deg", "edge the panel stands on")]
    rotation_deg: Annotated[float, Quantity("deg", "rotation on the platform: 0 along X, 90 along Y")]
    layers: Annotated[int, Quantity("count", "layers planned")]
    layers_deposited: Annotated[int, Quantity("count", "layers with deposits")]
    moves: Annotated[int, Quantity("count", "moves")]
    filament_m: Annotated[float, Quantity("m", "length of filament")]
    mass_g: Annotated[float | None, Quantity("g", "mass")]
    times: Annotated[Times, Nested()]
    thinnest_mm: Annotated[float, Quantity("mm", "minimum deposited wall thickness, ends left out")]
    thickest_mm: Annotated[float, Quantity("mm", "maximum deposited wall thickness, ends left out")]
    outside_mm3: Annotated[float, Quantity("mm³", "volume deposited outside the panel")]


def replay(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    stated: Stated | None = None,
    effects: Effects | None = None,
) -> PanelReplay:
    """Read a program, and replay one of its panels.

    Parameters
    ----------
    source : bytes, path or binary stream
        The program's text, its file, or an open seekable file.
    machine, material : optional
        By default, the shipped profiles that the header of the program names.
    stated : Stated, optional
        Facts about the program that replace those of the header.
    effects : Effects, optional

    Returns
    -------
    PanelReplay

    Raises
    ------
    PathgenError
        If the text is not a program in the machine's dialect (the error names the line), or if neither the
        header nor the deposits locate the panel.
    """
    stated = stated or Stated()
    return replay_panel(read_and_time(source, machine, material, effects=effects, panel=stated.panel), stated)


@dataclass(frozen=True, slots=True, eq=False)
class TimedProgram:
    """A program with its timing, ready for the replay of its panels.

    Attributes
    ----------
    program : Program
        z is measured from the platform.
    machine : Machine
    material : Material or None
    effects : Effects
    moves : Moves
        Moves to deposit; with pressure lag if requested.
    tally : Tally
    clock : TimeByCause
    looked_up : bool
        Whether machine and material are those named in the header.
    notes : tuple of str
    """

    program: Program
    machine: Machine
    material: Material | None
    effects: Effects
    moves: Moves
    tally: Tally
    clock: TimeByCause
    looked_up: bool
    notes: tuple[str, ...]


@log_stage(lambda timed: f"read and timed {len(timed.program.moves):,} moves")
def read_and_time(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    effects: Effects | None = None,
    panel: int | None = None,
) -> TimedProgram:
    """Read and time a program once, for all its panels; see `replay` for parameters and errors.

    A nonexistent `panel`, counted from 1, is an error before the whole program is read.
    """
    effects, notes = effects or Effects(), []
    looked_up = machine is None and material is None
    with open_input(source, "a G-code program") as stream:
        facts = read_facts(stream)
        panel_facts(facts, panel)
        machine = machine_for(facts, machine)
        try:
            material = material_for(facts, material)
        except PathgenError as error:
            notes.append(f"picture and mass are unknown, as the material is not known: {error}")
        program = read_program(stream, machine.dialect, machine.hot_end.filament_diameter)
    if not program.ended:
        notes.append("the program has no end; it is incomplete, or part of a longer program")
    # Heights count from the platform; moves before the first F word have the machine's travel feed.
    read = program.moves
    z = read.z + machine.z_zero if machine.z_zero else read.z
    feed = read.feed if (read.feed > 0).all() else np.where(read.feed > 0, read.feed, machine.travel_feed)
    timed = replace(read, z=z, feed=feed)
    moves = lagged_moves(timed, plan_speeds(timed, machine), machine) if effects.lag else timed
    timer = ProgramTimer(machine)
    pauses = sum_pauses((event.words for event in program.events), machine.dialect)
    timer.take(program)
    clock = timer.total(pauses.dwelling, len(pauses.homed))
    program = replace(program, moves=replace(read, z=z))
    return TimedProgram(
        program, machine, material, effects, moves, timer.tally, clock, looked_up, tuple(notes)
    )


def replay_panel(read: TimedProgram, stated: Stated | None = None) -> PanelReplay:
    """Replay one panel of a program; see `replay` for errors."""
    machine, material = read.machine, read.material
    notes = list(read.notes)
    if read.looked_up and material is not None:
        facts = panel_facts(read.program.header, stated.panel if stated else None)
        notes += digest_note(facts, machine, material)
    panel = locate_panel(read.program, machine, stated)
    deposited = deposit(
        read.moves, panel.frame, packing=panel.packing, filament_diameter=panel.filament_diameter
    )
    if read.effects.smear:
        volume = smear(deposited.volume, machine.hot_end.nozzle_diameter, panel.frame.pixel)
        deposited = replace(deposited, volume=np.asarray(volume, np.float64))
    outside = deposited.outside / max(float(deposited.volume.sum()) + deposited.outside, 1e-9)
    if outside > OUTSIDE_SHARE:
        notes.append(f"{100 * outside:.1f} % of the wall's filament is fed outside the panel or its layers")
    thickness = panel.view.upright(deposited.upright())
    wall = thickness[thickness > 0]
    # A percentile, so that a hole does not become the picture's white.
    white = panel.white or (float(np.percentile(wall, 1)) if wall.size else 1.0)
    return PanelReplay(
        program=read.program,
        machine=machine,
        material=material,
        panel=panel,
        deposited=deposited,
        thickness=thickness,
        tally=read.tally,
        clock=read.clock,
        effects=read.effects,
        white=white,
        notes=(*panel.notes, *notes),
    )
