"""A written program against what was wanted: thickness, amounts, and the picture that light makes of both.

program text ─► moves ─► deposit map ─► thickness on the picture's pixels ─► predicted picture ─► figures
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.errors import PathgenError
from pathgen.gcode.read import Program, read_program
from pathgen.motion import Plan, plan_speeds
from pathgen.motion.lag import moves_as_left
from pathgen.optics.smear import smear, spread
from pathgen.picture import check_thickness, lightness, resample
from pathgen.proof.header import Standing, Stated, machine_for, material_for, read_facts, standing
from pathgen.proof.replay import DepositMap, deposit, thickness_error
from pathgen.settings import Machine, Material

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """What a program makes.

    Attributes
    ----------
    program : Program
    machine : Machine
    material : Material
    standing : Standing
    laid : DepositMap
    plan : Plan or None
        Speeds and times, where every move has a feed.
    thickness : (rows, cols) float64
        Of the panel, mm, on square pixels, row 0 at the top.
    picture : (rows, cols) float64
        Predicted backlit luminance, linear, 1 at the picture's white.
    notes : tuple of str
    """

    program: Program
    machine: Machine
    material: Material
    standing: Standing
    laid: DepositMap
    plan: Plan | None
    thickness: Floats
    picture: Floats
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Light:
    """What happens between plastic and eye; every step is off by default.

    Attributes
    ----------
    smear : bool
        Spread what is laid over the nozzle's bore, along u.
    spread : float
        Standard deviation of the light's spread inside the wall, mm.
    lag : bool
        Lay down what leaves the nozzle under its pressure lag, not what is fed.
    """

    smear: bool = False
    spread: float = 0.0
    lag: bool = False


def replay(
    path: str | PathLike[str],
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    stated: Stated | None = None,
    light: Light | None = None,
) -> Replayed:
    """Read a program and predict what it makes.

    Parameters
    ----------
    path : path
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
    light = light or Light()
    facts = read_facts(path)
    machine, material = machine_for(facts, machine), material_for(facts, material)
    program = read_program(path, machine.dialect, machine.hot_end.filament_diameter)
    stands = standing(program, machine, stated)
    timed = bool((program.moves.feed > 0).all())
    plan = plan_speeds(program.moves, machine, program.moves.feed) if timed else None
    moves, notes = program.moves, list(stands.notes)
    if light.lag:
        if plan is None:
            raise PathgenError(
                "a move has no feed: no lag can be known", where=str(path), hint="leave --lag out"
            )
        moves = moves_as_left(moves, plan, machine)
    if not program.ended:
        notes.append("the program has no end: it was cut short, or is no whole program")
    laid = deposit(moves, stands.frame, solidity=stands.solidity, filament_diameter=stands.filament_diameter)
    thickness = laid.upright()
    law = optics.law(material.light)
    bore = machine.hot_end.bore if light.smear else 0.0
    pixel = stands.frame.pixel
    seen = smear(thickness, bore, pixel) if bore else thickness
    wall = thickness > 0
    white = stands.white or (float(thickness[wall].min()) if wall.any() else 1.0)
    luminance = np.asarray(optics.backlit(seen, law, white), np.float64)
    if light.spread:
        luminance = np.asarray(spread(luminance, light.spread, pixel), np.float64)
    return Replayed(program, machine, material, stands, laid, plan, thickness, luminance, tuple(notes))


def compare(found: Replayed, wanted: NDArray[np.floating], *, ends: float = 0.0) -> dict[str, float]:
    """Compare what a program makes with the thickness map that was wanted.

    Parameters
    ----------
    found : Replayed
    wanted : (rows, cols) array
        mm, row 0 at the top; brought to the panel's pixels where it has others.
    ends : float
        mm at either end of the panel that are left out.

    Returns
    -------
    dict of str to float
        Thickness error (``thickness_rms_mm``, ``_bias_mm``, ``_p99_mm``, ``_max_mm``); volume error of rows
        of pixels (``row_volume_rms_share``, ``row_volume_max_share``); error of the predicted picture in CIE
        L* (``lightness_rms``, ``lightness_p99``); ``ssim`` and ``psnr_db`` of both predicted pictures as
        lightness (scikit-image). Rows that the first layer, which is higher, covers have its mean.

    Raises
    ------
    PathgenError
        When the map is none, or nothing is left between the ends.
    """
    from skimage.metrics import peak_signal_noise_ratio, structural_similarity

    rows, cols = found.thickness.shape
    target = resample(check_thickness(np.asarray(wanted), where="--against"), rows, cols)
    pixel = found.standing.frame.pixel
    error = thickness_error(found.thickness, target, ends=ends, pixel=pixel)
    skip = math.ceil(ends / pixel - 1e-9)
    inner = np.s_[:, skip : cols - skip]
    due = target.sum(axis=1)
    share = np.divide(found.thickness.sum(axis=1), due, out=np.ones(rows), where=due > 0) - 1
    law = optics.law(found.material.light)
    white = found.standing.white or float(target[target > 0].min())
    ours = lightness(np.clip(optics.backlit(found.thickness, law, white), 0, 1))[inner]
    theirs = lightness(np.clip(optics.backlit(target, law, white), 0, 1))[inner]
    gap = ours - theirs
    window = min(7, *ours.shape)
    window -= 1 - window % 2
    alike = (
        structural_similarity(theirs, ours, data_range=100.0, win_size=window) if window >= 3 else math.nan
    )
    exact = not gap.any()
    return {
        **{f"thickness_{name}_mm": value for name, value in error.items()},
        "row_volume_rms_share": float(np.sqrt(np.mean(share**2))),
        "row_volume_max_share": float(np.abs(share).max()),
        "lightness_rms": float(np.sqrt(np.mean(gap**2))),
        "lightness_p99": float(np.percentile(np.abs(gap), 99)),
        "ssim": float(alike),
        "psnr_db": math.inf if exact else float(peak_signal_noise_ratio(theirs, ours, data_range=100.0)),
    }
