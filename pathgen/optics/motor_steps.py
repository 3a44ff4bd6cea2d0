"""Thickness steps due to the motor steps of the filament drive, and error diffusion to hide them.

A drive feeds filament in motor steps, and a program states filament with a limited number of decimals. The
thickness equivalent of one step depends on the length over which it is deposited: in a move of a tenth of a
millimetre it may exceed the wall. The pressure behind the nozzle averages the outflow over the distance that
the head travels within the lag.

Glossary. *Step*: smallest difference of thickness. *Diffused*: the rounding error of each pixel is added to
its neighbours in the next layer, so that the mean tone over a few pixels is correct and the borders between
steps dissolve. The scheme is the error diffusion of R. Floyd and L. Steinberg (Proc. SID 17, 75, 1976; from
memory), but the whole error goes to the next layer, so that a layer is processed at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.optics.thickness import check_range
from pathgen.optics.viewing import face_luminance, step_index
from pathgen.picture.colorimetry import lightness
from pathgen.settings.machine import Machine
from pathgen.settings.material import Viewing

# Multiples of these two numbers (powers of the plastic number, the root of x³ = x + 1) fill a square evenly,
# like those of the golden section a line (M. Roberts, 2018, from memory).
ALONG, UP = 0.5698402909980532, 0.7548776662466927


@dataclass(frozen=True, slots=True)
class StepVisibility:
    """Visibility of a small thickness step, at the wall thickness that makes the step most visible.

    Attributes
    ----------
    lightness : float
        Difference in L*, relative to white.
    steps : float
        Difference in just-noticeable steps (DICOM PS3.14).
    """

    lightness: float
    steps: float

    @property
    def visible(self) -> bool:
        """Whether the difference exceeds one just-noticeable step."""
        return self.steps > 1


def smallest_step(machine: Machine, layer: float, length: float, packing: float = 1.0) -> float:
    """Return the wall thickness that corresponds to the smallest filament step of a machine.

    Parameters
    ----------
    machine : Machine
    layer : float
        Layer height, mm.
    length : float
        Length over which the amount is deposited, mm: that of a move; or feed times the lag of the hot end if
        that is longer, because the pressure averages the outflow.
    packing : float
        Deposited volume over geometric volume.

    Returns
    -------
    float
        mm. The motor limits it, or the decimals of the program if those are coarser.

    Raises
    ------
    PathgenError
        For a layer, length or packing not above 0.

    Notes
    -----
    From E = packing·t·layer·length/(π·d²/4). Beads side by side have a step each, so the step of their sum is
    not larger. Rounding errors are carried from move to move and do not accumulate.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> round(smallest_step(load_machine("moving-table"), layer=0.1, length=1.6), 3)
    0.075
    """
    if not (layer > 0 and length > 0 and packing > 0):
        what = f"layer is {layer:g} mm, length {length:g} mm, packing {packing:g}"
        raise PathgenError(
            what, where="smallest step", allowed="a layer height, a length and a packing above 0"
        )
    area = machine.hot_end.section
    decimal = 10.0**-machine.dialect.filament_decimals
    decimal = decimal / area if machine.dialect.filament_unit == "mm3" else decimal
    filament = max(1 / machine.axes.filament.steps_per_mm, decimal)
    return filament * area / (packing * layer * length)


def measure_step(
    step: float, law: TransmittanceLaw, thinnest: float, thickest: float, viewing: Viewing | None = None
) -> StepVisibility:
    """Compute the visibility of a thickness step at the thickness where the step is most visible.

    Parameters
    ----------
    step : float
        mm.
    law : TransmittanceLaw
        Law of the plastic.
    thinnest, thickest : float
        mm; `thinnest` is white.
    viewing : Viewing, optional
        Light behind the panel and in the room. Typical conditions by default.

    Returns
    -------
    StepVisibility

    Raises
    ------
    PathgenError
        For an invalid step or range.

    Notes
    -----
    The just-noticeable steps of DICOM PS3.14 apply to a sharp border. Blur by the nozzle and the wall makes
    the step less visible.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> [measure_step(step, ExponentialLaw(1.2), 0.8, 3.0).visible for step in (0.001, 0.1)]
    [False, True]
    """
    _check_step(step)
    check_range(thinnest, thickest)
    at = np.linspace(thinnest, thickest, 257)
    lit = face_luminance(np.stack([at, at + step]), law, viewing)
    white = float(face_luminance(thinnest, law, viewing))
    steps, light = (-np.diff(scale, axis=0)[0] for scale in (step_index(lit), lightness(lit / white)))
    worst = int(np.argmax(steps))
    return StepVisibility(float(light[worst]), float(steps[worst]))


def diffuse_error(thickness: NDArray[np.floating], step: float) -> Floats:
    """Round every pixel to a whole number of steps, and diffuse the error to the next layer.

    Half of the error goes to the pixel above, a quarter each to the two beside that one; at the sides it is
    mirrored. The threshold of the rounding varies from pixel to pixel, evenly over a step, so that a wall of
    constant thickness does not show stripes. The result is deterministic.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top; layers are processed from the last row up. Pixels of 0 are not part of the wall
        and stay 0.
    step : float
        mm.

    Returns
    -------
    (rows, cols) float64
        mm, at least 0, within two steps of `thickness`; empty for empty input. The sum over each column of a
        wall without gaps is kept to within one step.

    Raises
    ------
    PathgenError
        For a step not above 0, and a thickness that is not finite.

    Examples
    --------
    >>> even = diffuse_error(np.full((40, 50), 1.03), 0.1)
    >>> round(float(even.mean()), 3), sorted(set(even.round(3).ravel().tolist()))
    (1.03, [0.9, 1.0, 1.1])
    """
    _check_step(step)
    wanted = np.asarray(thickness, np.float64) / step
    if wanted.ndim != 2 or not np.all(np.isfinite(wanted)):
        what = f"thickness has {wanted.ndim} dimensions" if wanted.ndim != 2 else "thickness is not finite"
        raise PathgenError(what, where="dither", allowed="finite values in 2 dimensions (rows and columns)")
    steps = np.zeros_like(wanted)
    if not wanted.size:
        return steps
    wall = wanted > 0
    carried = np.zeros(wanted.shape[1])
    along = ALONG * np.arange(wanted.shape[1])
    for row in range(len(wanted) - 1, -1, -1):
        target = wanted[row] + carried
        steps[row] = np.maximum(np.floor(target + (along + UP * row) % 1), 0) * wall[row]
        off = np.where(wall[row], target - steps[row], 0.0)
        beside = np.pad(off, 1, mode="edge")
        carried = off / 2 + (beside[:-2] + beside[2:]) / 4
    return steps * step


def _check_step(step: float) -> None:
    if not 0 < step < math.inf:
        raise PathgenError(f"step is {step:g} mm", where="dither", allowed="a step above 0 mm")
