"""Thickness in the steps that a machine can place, and how to hide them.

A drive feeds filament in motor steps, and a program writes it with so many decimals. What one such step is
worth in thickness depends on the length it lies along: in a move of a tenth of a millimetre it may be more
than the wall. Behind the nozzle pressure evens that out, over the length the head goes in the lag.

Glossary. *Step*: the least difference of thickness. *Rounded*: every pixel takes the nearest step by itself;
soft tones turn into flat ones with borders. *Diffused*: what a pixel is rounded by goes on to its neighbours
in the next layer, so that over a few pixels the tone is right and the borders dissolve. The scheme is the
error diffusion of R. Floyd and L. Steinberg (Proc. SID 17, 75, 1976; from memory), but with all of the error
going to the next layer, so that a whole layer is settled at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.optics.viewing import seen_luminance, step_index
from pathgen.picture.colorimetry import lightness
from pathgen.settings.machine import Machine
from pathgen.settings.material import Viewing

# A point set that fills a square evenly comes of these two (powers of the plastic number, the root of
# x³ = x + 1; M. Roberts, 2018, from memory), as one on a line comes of the golden section.
ALONG, UP = 0.5698402909980532, 0.7548776662466927


@dataclass(frozen=True, slots=True)
class ThicknessStep:
    """The least difference of thickness that a machine can place.

    Attributes
    ----------
    thickness : float
        mm.
    filament : float
        Filament it takes, mm.
    origin : str
        What sets it: "motor" or "program".
    """

    thickness: float
    filament: float
    origin: str


@dataclass(frozen=True, slots=True)
class StepVisibility:
    """How much of a step is seen, at the thickness where it is seen most.

    Attributes
    ----------
    at : float
        That thickness, mm.
    lightness : float
        Difference in L*, relative to white.
    steps : float
        Just-noticeable steps (DICOM PS3.14) that the difference amounts to.
    """

    at: float
    lightness: float
    steps: float

    @property
    def visible(self) -> bool:
        """Whether a step is more than is just noticed."""
        return self.steps > 1


def least_step(machine: Machine, layer: float, length: float, packing: float = 1.0) -> ThicknessStep:
    """Find what the least amount of filament is worth in thickness.

    Parameters
    ----------
    machine : Machine
    layer : float
        Height of a layer, mm.
    length : float
        mm that the amount lies along: that of a move; or, as what comes out is evened out, feed times the lag
        of the hot end where that is longer.
    packing : float
        Deposited volume over geometric volume.

    Returns
    -------
    Step

    Raises
    ------
    PathgenError
        For a layer, length or packing not above 0.

    Notes
    -----
    From E = packing·t·layer·length/(π·d²/4). Several beads side by side each have their own step, so that of
    their sum is no larger. Rounding is carried on from move to move: steps do not add up.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> step = least_step(load_machine("moving-table"), layer=0.1, length=1.6)
    >>> round(step.thickness, 3), round(step.filament, 4), step.origin
    (0.158, 0.0105, 'motor')
    """
    if not (layer > 0 and length > 0 and packing > 0):
        what = f"layer {layer:g} mm, length {length:g} mm, packing {packing:g}"
        raise PathgenError(what, where="least_step", allowed="above 0, all three")
    area = machine.hot_end.section
    written = 10.0**-machine.dialect.filament_decimals
    written = written / area if machine.dialect.filament_unit == "mm3" else written
    turned = 1 / machine.axes.filament.steps_per_mm
    filament, origin = max((turned, "motor"), (written, "program"))
    return ThicknessStep(filament * area / (packing * layer * length), filament, origin)


def measure_step(
    step: float,
    law: TransmittanceLaw,
    thinnest: float,
    thickest: float,
    viewing: Viewing | None = None,
) -> StepVisibility:
    """Say how much of a step of thickness is seen, where it is seen most.

    Parameters
    ----------
    step : float
        mm.
    law : TransmittanceLaw
        The plastic's law.
    thinnest, thickest : float
        mm; `thinnest` is white.
    viewing : Viewing, optional
        Light behind and in the room. By default the typical one.

    Returns
    -------
    Notice

    Raises
    ------
    PathgenError
        For a step or range that is none.

    Notes
    -----
    A step that large and sharp, all round or along an edge, is what DICOM PS3.14 counts in. Blur of nozzle
    and wall makes it less.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> [measure_step(step, ExponentialLaw(1.2), 0.8, 3.0).visible for step in (0.001, 0.1)]
    [False, True]
    """
    if not (0 < step < math.inf and 0 <= thinnest <= thickest < math.inf):
        what = f"a step of {step:g} mm from {thinnest:g} to {thickest:g} mm"
        raise PathgenError(what, where="notice", allowed="a step above 0, thinnest not above thickest")
    at = np.linspace(thinnest, thickest, 257)
    lit = seen_luminance(np.stack([at, at + step]), law, viewing)
    white = float(seen_luminance(thinnest, law, viewing))
    steps, light = (-np.diff(scale, axis=0)[0] for scale in (step_index(lit), lightness(lit / white)))
    worst = int(np.argmax(steps))
    return StepVisibility(float(at[worst]), float(light[worst]), float(steps[worst]))


def rounded(thickness: NDArray[np.floating], step: float) -> Floats:
    """Give every pixel the nearest whole number of steps.

    Parameters
    ----------
    thickness : array, any shape
        mm, 0 or more.
    step : float
        mm.

    Returns
    -------
    array of float64
        mm, within half a step; empty for empty input.

    Raises
    ------
    PathgenError
        For a step not above 0, and a thickness that is not finite somewhere.

    Examples
    --------
    >>> rounded(np.array([1.04, 1.06]), 0.1).round(3).tolist()
    [1.0, 1.1]
    """
    _check(thickness, step)
    return np.floor(np.asarray(thickness, np.float64) / step + 0.5) * step


def diffused(thickness: NDArray[np.floating], step: float) -> Floats:
    """Give every pixel a whole number of steps, and what that is off by to its neighbours in the next layer.

    Half of it goes to the pixel above, a quarter each to those beside that one; at the sides it is turned
    back. The borders between steps are shifted from pixel to pixel, evenly spread over a step, so that an
    even wall does not come out in stripes. Nothing is left to chance: the same map gives the same steps.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top: layers are settled from the last row up. Where it is 0 there is no wall and
        none is made.
    step : float
        mm.

    Returns
    -------
    (rows, cols) float64
        mm, 0 or more, within two steps of what was asked; empty for empty input. The sum of a full wall is
        kept to a step for each column.

    Raises
    ------
    PathgenError
        For a step not above 0, and a thickness that is not finite somewhere.

    Examples
    --------
    >>> even = diffused(np.full((40, 50), 1.03), 0.1)
    >>> round(float(even.mean()), 3), sorted(set(even.round(3).ravel().tolist()))
    (1.03, [0.9, 1.0, 1.1])
    """
    _check(thickness, step)
    wanted = np.asarray(thickness, np.float64) / step
    if wanted.ndim != 2:
        raise PathgenError(f"a map has rows and columns, not {wanted.ndim} axes", where="diffused")
    made = np.zeros_like(wanted)
    if not wanted.size:
        return made
    wall = wanted > 0
    carried = np.zeros(wanted.shape[1])
    along = ALONG * np.arange(wanted.shape[1])
    for row in range(len(wanted) - 1, -1, -1):
        asked = wanted[row] + carried
        made[row] = np.maximum(np.floor(asked + (along + UP * row) % 1), 0) * wall[row]
        off = np.where(wall[row], asked - made[row], 0.0)
        beside = np.pad(off, 1, mode="edge")
        carried = off / 2 + (beside[:-2] + beside[2:]) / 4
    return made * step


def _check(thickness: NDArray[np.floating], step: float) -> None:
    if not 0 < step < math.inf:
        raise PathgenError(f"step is {step:g} mm", where="quantise", allowed="above 0")
    if not np.all(np.isfinite(thickness)):
        raise PathgenError("thickness is not finite somewhere", where="quantise", allowed="0 mm or more")
