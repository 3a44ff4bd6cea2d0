"""What a panel is made from: a photograph or a thickness map, read, measured, and turned into a panel."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen import optics, picture
from pathgen.errors import PathgenError, nearest
from pathgen.panel import Panel, chamfer, cut_out, frame
from pathgen.panel.eyelet import Eyelet
from pathgen.panel.outline import arch, ellipse, rectangle, with_foot
from pathgen.panel.outline_file import polygon_file
from pathgen.panel.overhang import limit_slope
from pathgen.panel.raster import grid_over
from pathgen.settings import Job, Setup

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
    outline : shapely polygon, optional
        Silhouette; None for a plain rectangle.
    """

    values: NDArray[np.floating]
    is_thickness: bool
    name: str
    width: float
    height: float
    notes: tuple[str, ...] = ()
    outline: Polygon | None = None


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
    notes: tuple[str, ...] = ()
    is_map = isinstance(source, np.ndarray) or picture.is_thickness(source)
    values: NDArray[np.floating]
    if isinstance(source, np.ndarray):
        values, name = picture.check_thickness(source), "array"
    elif is_map:
        values, name = picture.load_thickness(source), Path(source).name
    else:
        photo = picture.load_picture(source)
        values, name, notes = photo.luminance, photo.source, photo.notes
    if is_map and not values.any():
        raise PathgenError("the thickness is 0 everywhere: there is no wall to make", where=name)
    if inner != [None, None]:
        width, height = picture.proportions(values, *inner)
    elif is_map:
        height, width = (side * pixel for side in values.shape)
    else:
        width, height = picture.proportions(values, DEFAULT_WIDTH - rim)
    silhouette = outline_of(job, width + rim, height + rim)
    if silhouette is None:
        return Given(values, is_map, name, width + rim, height + rim, notes)
    _, _, right, top = silhouette.bounds
    return Given(values, is_map, name, right, top, notes, silhouette)


def outline_of(job: Job, width: float, height: float) -> Polygon | None:
    """Make a job's outline, standing on its foot; None for a plain rectangle.

    Parameters
    ----------
    job : Job
    width, height : float
        Outer sides that the picture asks for, mm. A disc is round unless the job gives both sides; a polygon
        of a file keeps its proportions, or its size where the job gives none.

    Raises
    ------
    PathgenError
        For an unknown name, a file that holds no polygon, an outline that leaves no foot.
    """
    if job.outline == "rectangle":
        return rectangle(width, height, job.corner) if job.corner or job.eyelets else None
    if job.outline == "disc":
        both = job.width is not None and job.height is not None
        side = height if job.width is None and job.height is not None else width
        return with_foot(ellipse(width, height) if both else ellipse(side, side), job.foot)
    if job.outline == "arch":
        return arch(width, height)
    if not any(mark in job.outline for mark in "./\\"):
        known = ("rectangle", "disc", "arch")
        raise PathgenError(
            f"unknown outline {job.outline!r}",
            where="outline",
            allowed=", ".join(known) + ", or a file",
            hint=nearest(job.outline, known),
        )
    return with_foot(polygon_file(job.outline, job.width, job.height), job.foot)


def to_panel(given: Given, setup: Setup) -> tuple[Panel, list[str]]:
    """Turn what was read into a panel: fitted, toned into thickness, framed.

    Returns
    -------
    panel : Panel
    notes : list of str
        What the person should know.
    """
    job, rim = setup.job, 2 * round(setup.job.rim_width / setup.job.pixel)
    if given.outline is None:
        rows, cols = (round((side - 2 * job.rim_width) / job.pixel) for side in (given.height, given.width))
    else:
        rows, cols = (side - rim for side in grid_over(given.outline, job.pixel).shape)
    if min(rows, cols) < 2:
        what = f"a picture of {max(cols, 0)} × {max(rows, 0)} pixels inside the rim"
        raise PathgenError(what, where="rim_width", allowed="2 × 2 pixels or more")
    notes = [*given.notes]
    if given.is_thickness:
        thickness = picture.resample(given.values, rows, cols)
    else:
        fitted = picture.fit(given.values, cols * job.pixel, rows * job.pixel, job.pixel)
        law = optics.law(setup.material.light)
        thickness = optics.thickness(fitted, law, job.thinnest, job.thickest)
        notes += picture.tone_notes(fitted)
    assert job.rim_thickness is not None, "settle fills it in"
    if job.slope != "free":
        limited = limit_slope(thickness, job.pixel, job.overhang, keep=job.slope)
        thickness = limited.thickness
        notes.append(
            f"slope limited to {job.overhang:g} degrees: {100 * limited.share:.0f} % of the picture changed, "
            f"by {limited.rms:.3f} mm RMS and {limited.largest:.2f} mm at most"
        )
    if given.outline is None:
        panel = frame(thickness, job.pixel, job.rim_width, job.rim_thickness)
    else:
        around = np.pad(thickness, rim // 2, mode="edge")
        loops = [Eyelet((i + 0.5) / job.eyelets, job.eyelet_opening) for i in range(job.eyelets)]
        panel = cut_out(around, given.outline, job.pixel, job.rim_width, job.rim_thickness, loops)
    return chamfer(panel, job.overhang), notes
