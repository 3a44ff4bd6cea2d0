"""What a panel is made from: a photograph or a thickness map, read, measured, and turned into a panel."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pathgen import optics, picture
from pathgen.errors import PathgenError
from pathgen.panel import Panel, chamfer_top, frame
from pathgen.panel.overhang import limit_slope
from pathgen.settings import Setup

Source = str | Path | NDArray[np.floating]

DEFAULT_WIDTH = 100.0  # mm


@dataclass(frozen=True, slots=True)
class Given:
    """A photograph or a thickness map, and the size of the panel it asks for.

    Attributes
    ----------
    values : (rows, cols) float
        Linear luminance, 0 to 1, or thickness in mm.
    is_thickness : bool
    name : str
        What to call it.
    width, height : float
        Outer sides of the panel, mm.
    notes : tuple of str
        What the person should know.
    """

    values: NDArray[np.floating]
    is_thickness: bool
    name: str
    width: float
    height: float
    notes: tuple[str, ...] = ()


def read_source(source: Source, setup: Setup, pixel: float) -> Given:
    """Read a photograph or a thickness map and work out the panel's size.

    Parameters
    ----------
    source : path or (rows, cols) array
        An array, or a ``.npy`` file, is thickness in mm.
    setup : Setup
    pixel : float
        Pitch of a thickness map as it is given, mm; it keeps its size unless the job has one.

    Returns
    -------
    Given

    Raises
    ------
    PathgenError
        For what cannot be read, and for a map with no wall in it.
    """
    job, rim = setup.job, 2 * setup.job.rim_width
    inner = [None if side is None else side - rim for side in (job.width, job.height)]
    if isinstance(source, np.ndarray) or picture.is_thickness(source):
        if isinstance(source, np.ndarray):
            mapped, name = picture.check_thickness(source), "array"
        else:
            mapped, name = picture.load_thickness(source), Path(source).name
        if not mapped.any():
            raise PathgenError("the thickness is 0 everywhere: there is no wall to make", where=name)
        height, width = (side * pixel for side in mapped.shape)
        if inner != [None, None]:
            width, height = picture.proportions(mapped, *inner)
        return Given(mapped, True, name, width + rim, height + rim)
    photo = picture.load_picture(source)
    if inner == [None, None]:
        inner[0] = DEFAULT_WIDTH - rim
    width, height = picture.proportions(photo.luminance, *inner)
    return Given(photo.luminance, False, photo.source, width + rim, height + rim, photo.notes)


def to_panel(given: Given, setup: Setup) -> tuple[Panel, list[str]]:
    """Turn what was read into a panel: fitted, toned into thickness, framed.

    Returns
    -------
    panel : Panel
    notes : list of str
        What the person should know.
    """
    job, rim = setup.job, 2 * setup.job.rim_width
    width, height = given.width - rim, given.height - rim
    if given.is_thickness:
        thickness = picture.resample(given.values, round(height / job.pixel), round(width / job.pixel))
        notes = [*given.notes]
    else:
        fitted = picture.fit(given.values, width, height, job.pixel)
        law = optics.law(setup.material.light)
        thickness = optics.thickness(fitted, law, job.thinnest, job.thickest)
        notes = [*given.notes, *picture.tone_notes(fitted)]
    assert job.rim_thickness is not None, "settle fills it in"
    if job.slope != "free":
        limited = limit_slope(thickness, job.pixel, job.overhang, keep=job.slope)
        thickness = limited.thickness
        notes.append(
            f"slope limited to {job.overhang:g} degrees: {100 * limited.share:.0f} % of the picture changed, "
            f"by {limited.rms:.3f} mm RMS and {limited.largest:.2f} mm at most"
        )
    panel = frame(thickness, job.pixel, job.rim_width, job.rim_thickness)
    return chamfer_top(panel, job.overhang), notes
