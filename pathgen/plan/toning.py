"""Conversion of tones to thickness, within the range of tones that the material can show.

With `aim = "tone"`, every pixel gets the thickness that shows its own tone. With `aim = "picture"`, the wall
is solved as a whole, so that its picture after blur by nozzle, layers and light is nearest to the tones.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pathgen import optics, picture
from pathgen.panel import View
from pathgen.settings import Setup

Floats = NDArray[np.floating]
Progress = Callable[[int, int], None]


def thickness_of(
    tones: Floats, setup: Setup, view: View, progress: Progress | None = None
) -> tuple[Floats, list[str]]:
    """Compute the wall thickness that reproduces a picture.

    Parameters
    ----------
    tones : (rows, cols) float
        Linear luminance on the panel's pixels, 1 for white, upright.
    setup : Setup
    view : View
        Orientation of the panel as it stands: the nozzle blurs the picture along u.
    progress : callable, optional
        Called with (iterations done, maximum iterations).

    Returns
    -------
    thickness : (rows, cols) float
        mm, upright.
    notes : list of str
        Notes for the person.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> thickness, _ = thickness_of(np.array([[1.0, 0.0]]), settle(Job()), View())
    >>> thickness.round(3).tolist()
    [[0.8, 3.0]]
    """
    light, material = setup.light, setup.material
    law = optics.law(material.light)
    notes = picture.tone_notes(tones)
    if light.tones != "global":
        from pathgen.optics.tone_compression import compress, darkest
        from pathgen.optics.viewing import veil

        viewing = material.viewing
        black = darkest(law, light.thinnest, light.thickest, veil(viewing) / viewing.luminance)
        fitted = compress(tones, black, light.tones)
        tones = fitted.luminance
        notes.append(
            f"tones = {light.tones}: gradual lightness changes are scaled to {100 * fitted.scale:.0f} %, "
            f"{100 * fitted.clipped:.1f} % of the picture is clipped"
        )
    plain = optics.thickness(tones, law, light.thinnest, light.thickest)
    if light.aim == "tone":
        return plain, notes
    from pathgen.optics.inverse import compensate  # loads scipy

    layer = setup.layers.nominal
    solved = compensate(
        view.standing(plain),
        law,
        light.pixel,
        light.thinnest,
        light.thickest,
        # A map with one row per layer is sampled at the middle of each layer, which adds no blur.
        layer=layer if layer > light.pixel else 0.0,
        nozzle=setup.machine.hot_end.nozzle_diameter,
        spread=(material.light.spread, material.light.spread_growth),
        room=(0.0, light.aim_room),
        overhang=None if setup.standing.slope == "free" else setup.standing.overhang,
        progress=progress,
    )
    return view.upright(solved.thickness), [*notes, str(solved)]


def backlit_lightness(thickness: Floats, setup: Setup) -> NDArray[np.float64]:
    """Compute the lightness L* of a backlit wall, at most that of the thinnest wall; any shape, mm."""
    light = optics.backlit(thickness, optics.law(setup.material.light), setup.light.thinnest)
    return picture.lightness(light.clip(max=1.0))


def dithered(standing: Floats, setup: Setup) -> tuple[Floats, str]:
    """Round a thickness map to whole motor steps of the filament drive, if a step would be visible.

    The remainder of each pixel is passed on to its neighbours.

    Parameters
    ----------
    standing : (rows, cols) float
        Thickness as the panel stands, mm, row 0 at the top.
    setup : Setup

    Returns
    -------
    thickness : (rows, cols) float
        The unchanged map if a step is not visible.
    note : str
        Size of a step, and the decision.
    """
    from pathgen.optics.motor_steps import diffuse_error, measure_step, smallest_step

    light, hot_end, material = setup.light, setup.machine.hot_end, setup.material
    # Pressure behind the nozzle averages the filament that is fed within its lag.
    length = max(setup.feeds.feed * hot_end.lag, light.pixel)
    step = smallest_step(setup.machine, setup.layers.nominal, length, setup.beads.packing)
    found = measure_step(step, optics.law(material.light), light.thinnest, light.thickest, material.viewing)
    size = f"one motor step is {step:.3f} mm of thickness over {length:.2g} mm, {found.lightness:.2f} L*"
    if not found.visible:
        return standing, f"{size}: not visible"
    return diffuse_error(standing, step), f"{size}: dithered over neighbouring pixels"
