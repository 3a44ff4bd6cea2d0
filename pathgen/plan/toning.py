"""From tones to thickness: what of a picture the plastic can show, and the wall that shows it best.

With `aim = "tone"` every tone gets the thickness that shows it by itself. With `aim = "picture"` the wall is
solved for whose picture, seen through nozzle, layers and the material's spread of light, is nearest to that.
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
    shown: Floats, setup: Setup, view: View, progress: Progress | None = None
) -> tuple[Floats, list[str]]:
    """Work out the thickness that shows a picture.

    Parameters
    ----------
    shown : (rows, cols) float
        Linear luminance on the panel's pixels, 1 for white, upright.
    setup : Setup
    view : View
        How the panel will stand: the nozzle blurs it along u as it stands.
    progress : callable, optional
        Called with (turns done, turns at most).

    Returns
    -------
    thickness : (rows, cols) float
        mm, upright.
    notes : list of str
        What the person should know.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> thickness, _ = thickness_of(np.array([[1.0, 0.0]]), settle(Job()), View())
    >>> thickness.round(3).tolist()
    [[0.8, 3.0]]
    """
    job, light = setup.job, setup.material.light
    law = optics.law(light)
    notes = picture.tone_notes(shown)
    if job.tones != "global":
        from pathgen.optics.tone_compression import compress, darkest
        from pathgen.optics.viewing import veil

        viewing = setup.material.viewing
        black = darkest(law, job.thinnest, job.thickest, veil(viewing) / viewing.luminance)
        fitted = compress(shown, black, job.tones)
        shown = fitted.luminance
        notes.append(
            f"tones {job.tones}: wide changes of lightness keep {100 * fitted.scale:.0f} %, "
            f"{100 * fitted.clipped:.1f} % of the picture is cut off"
        )
    plain = optics.thickness(shown, law, job.thinnest, job.thickest)
    if job.aim == "tone":
        return plain, notes
    from pathgen.optics.inverse import compensate  # loads scipy

    made = compensate(
        view.standing(plain),
        law,
        job.pixel,
        job.thinnest,
        job.thickest,
        # A map whose rows are the layers is sampled at their middles, which smears nothing.
        layer=setup.layer if setup.layer > job.pixel else 0.0,
        nozzle=setup.machine.hot_end.nozzle_diameter,
        spread=(light.spread, light.spread_growth),
        room=(0.0, job.aim_room),
        overhang=None if job.slope == "free" else setup.overhang,
        progress=progress,
    )
    return view.upright(made.thickness), [*notes, str(made)]


def dithered(standing: Floats, setup: Setup) -> tuple[Floats, str]:
    """Set a map in whole motor steps of the filament drive, if one step shows.

    Parameters
    ----------
    standing : (rows, cols) float
        Thickness as the panel stands, mm, row 0 at the top.
    setup : Setup

    Returns
    -------
    thickness : (rows, cols) float
        The map given, where a step does not show.
    note : str
        The figures.
    """
    from pathgen.optics.motor_steps import diffuse_error, measure_step, smallest_step

    job, hot_end = setup.job, setup.machine.hot_end
    # Behind the nozzle pressure evens out what is fed within the lag.
    length = max(setup.feed * hot_end.lag, job.pixel)
    step = smallest_step(setup.machine, setup.layer, length, setup.packing).thickness
    material = setup.material
    seen = measure_step(step, optics.law(material.light), job.thinnest, job.thickest, material.viewing)
    said = f"one motor step is {step:.3f} mm of thickness over {length:.2g} mm, {seen.lightness:.2f} L*"
    if not seen.visible:
        return standing, f"{said}: it does not show"
    return diffuse_error(standing, step), f"{said}: spread over neighbours"
