"""What a panel is made from: a photograph or a thickness map, read, measured, and turned into a panel.

*Upright* is as the viewer sees it, *standing* as it is made; see `pathgen.panel.view`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen import picture
from pathgen.errors import PathgenError, printable
from pathgen.files.stages import log_stage
from pathgen.panel import Panel, View, add_rim, chamfer, cut_out, stand_on_edge
from pathgen.panel.crop import show_picture
from pathgen.panel.eyelet import Eyelet
from pathgen.panel.outline import with_foot
from pathgen.panel.outlines import Sides, make_outline
from pathgen.panel.overhang import limit_slope
from pathgen.panel.pixels import Grid, grid_over
from pathgen.plan.toning import dithered, thickness_of
from pathgen.settings import Job, Setup
from pathgen.settings.preparation import is_plain

Source = str | Path | NDArray[np.floating]
Floats = NDArray[np.floating]

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
        Outer sides of the panel as it stands, eyelets left out, mm.
    notes : tuple of str
        What the person should know.
    outline : shapely polygon, optional
        Silhouette, upright, with the foot cut off that it stands on; None for a plain rectangle.
    """

    values: Floats
    is_thickness: bool
    name: str
    width: float
    height: float
    notes: tuple[str, ...] = ()
    outline: Polygon | None = None


@log_stage(lambda given: f"read {given.name}, {given.values.shape[1]} × {given.values.shape[0]} values")
def read_source(source: Source, setup: Setup, pixel: float) -> Given:
    """Read a photograph or a thickness map and work out the panel's size.

    Parameters
    ----------
    source : path or (rows, cols) array
        An array, or a ``.npy`` file, is thickness in mm.
    setup : Setup
        A turn of "auto" counts as 0; `turned` gives the same for another one without reading again.
    pixel : float
        Spacing of a thickness map as it is given, mm; it keeps its size unless the job has one.

    Returns
    -------
    Given

    Raises
    ------
    PathgenError
        For what cannot be read, for a map with no wall in it, and for an outline that cannot be.
    """
    notes: tuple[str, ...] = ()
    is_map = isinstance(source, np.ndarray) or picture.is_thickness(source)
    values: Floats
    if isinstance(source, np.ndarray):
        values, name = picture.check_thickness(source), "array"
    elif is_map:
        values, name = picture.load_thickness(source), printable(Path(source).name)
    else:
        values, name, notes = _photo(source, setup.job)
    if is_map and not values.any():
        raise PathgenError("the thickness is 0 everywhere: there is no wall to make", where=name)
    return _measured(values, is_map, name, notes, setup, pixel)


def turned(given: Given, setup: Setup, pixel: float) -> Given:
    """Work out size and outline of what was read once more, for a setup with another turn.

    Parameters, result and errors are those of `read_source`, but for the source, which is not read again.
    """
    return _measured(given.values, given.is_thickness, given.name, given.notes, setup, pixel)


def _photo(source: str | Path, job: Job) -> tuple[Floats, str, tuple[str, ...]]:
    """Read a photograph, prepared as the job asks; left alone, it is read at its full depth and size."""
    if is_plain(job):
        plain = picture.load_picture(source)
        return plain.luminance, plain.source, plain.notes
    from pathgen.picture.prepare import prepare_file  # loads scipy

    made = prepare_file(source, job)
    return made.luminance, made.source, made.notes


def _measured(
    values: Floats, is_map: bool, name: str, notes: tuple[str, ...], setup: Setup, pixel: float
) -> Given:
    job, view = setup.job, view_of(setup.job)
    sides = _sides(values, is_map, job, pixel)
    outline = outline_of(job, *sides)
    if outline is not None:
        outline = footed(outline, view, job.foot)
        sides = outline.bounds[2:]
    return Given(values, is_map, name, *view.size(*sides), notes, outline)


def _sides(values: Floats, is_map: bool, job: Job, pixel: float) -> tuple[float, float]:
    """Work out the outer sides, upright, mm: the picture's, and the rims."""
    rims = _rims(job)
    inner = [
        None if side is None else side - rim for side, rim in zip((job.width, job.height), rims, strict=True)
    ]
    # A picture turned onto its side has the sides of one.
    shown = values.T if job.tilt % 180 == 90 else values
    if inner != [None, None]:
        width, height = picture.proportions(shown, *inner)
    elif is_map:
        height, width = (side * pixel for side in shown.shape)
    else:
        width, height = picture.proportions(shown, DEFAULT_WIDTH - rims[0])
    return width + rims[0], height + rims[1]


def _rims(job: Job) -> tuple[float, float]:
    """Give what rims take of the width and of the height, mm; a dark seam has none beside it."""
    return (0.0 if job.seam == "dark" else 2 * job.rim_width), 2 * job.rim_width


def view_of(job: Job) -> View:
    """Give the view that a job asks for, but for a ring's roll, which comes from the picture.

    A turn of "auto" counts as 0.

    Examples
    --------
    >>> view_of(Job(turn=90, relief="away"))
    View(turn=90, mirrored=True, roll=0)
    """
    return View(0 if job.turn == "auto" else job.turn, job.relief == "away")


def footed(outline: Polygon, view: View, foot: float | None) -> Polygon:
    """Cut an upright outline so that it has a foot on the edge it stands on; it stays upright.

    Parameters
    ----------
    outline : Polygon
        Its lower left corner at the origin, mm.
    view : View
    foot : float or None
        As with `pathgen.panel.outline.with_foot`.

    Examples
    --------
    >>> from pathgen.panel.outline_disc import ellipse
    >>> [round(side, 2) for side in footed(ellipse(100, 100), View(turn=270), None).bounds]
    [0.0, 0.0, 95.83, 100.0]
    """
    _, _, width, height = outline.bounds
    standing = with_foot(view.outline(outline, width, height), foot)
    _, _, across, up = standing.bounds
    return view.upright_outline(standing, across, up)


def outline_of(job: Job, width: float, height: float) -> Polygon | None:
    """Make a job's outline, upright and whole; None for a plain rectangle.

    Parameters
    ----------
    job : Job
    width, height : float
        Outer sides that the picture asks for, mm. A disc is round unless the job gives both sides; a polygon
        of a file keeps its proportions, or its size where the job gives none.

    Raises
    ------
    PathgenError
        For an unknown name, and a file that holds no polygon.
    """
    if job.outline == "rectangle":
        plain = not (job.corner or loops_of(job) or job.rim_bevel or job.line_width or job.seam == "dark")
        if plain:
            return None
    return make_outline(job.outline, Sides(width, height, job.width, job.height, job.corner))


def loops_of(job: Job) -> list[Eyelet]:
    """Give a job's eyelets: where it says, or spread evenly along the top.

    Examples
    --------
    >>> [loop.at for loop in loops_of(Job(eyelets=2))], [loop.at for loop in loops_of(Job(eyelet_at=(0.4,)))]
    ([0.25, 0.75], [0.4])
    """
    even = tuple((i + 0.5) / job.eyelets for i in range(job.eyelets))
    places = even if job.eyelet_at is None else job.eyelet_at
    # The opening closes upward as the panel stands: made on its left edge, that is to the viewer's right.
    point = {90: "right", 270: "left"}.get(0 if job.turn == "auto" else job.turn, "up")
    return [Eyelet(at, job.eyelet_opening, job.eyelet_wall, point=point) for at in places]


def to_panel(
    given: Given, setup: Setup, progress: Callable[[int, int], None] | None = None
) -> tuple[Panel, list[str]]:
    """Turn what was read into a panel: placed, toned into thickness, framed, and put on its edge.

    Parameters
    ----------
    given : Given
        Measured for this setup.
    setup : Setup
    progress : callable, optional
        Called with (steps done, steps in all) where the picture is solved for.

    Returns
    -------
    panel : Panel
        It stands; its view says how it differs from what the viewer sees.
    notes : list of str
        What the person should know.
    """
    job, view = setup.job, view_of(setup.job)
    rows, cols = _inner(given, job)
    if min(rows, cols) < 2:
        what = f"a picture of {max(cols, 0)} × {max(rows, 0)} pixels inside the rim"
        raise PathgenError(what, where="rim_width", allowed="2 × 2 pixels or more")
    thickness, notes = _thickness(given, setup, rows, cols, progress)
    if job.slope != "free":
        limited = limit_slope(view.standing(thickness), job.pixel, setup.overhang, keep=job.slope)
        thickness = view.upright(limited.thickness)
        notes.append(
            f"slope limited to {setup.overhang:g} degrees: {100 * limited.share:.0f} % of the picture "
            f"changed, by {limited.rms:.3f} mm RMS and {limited.largest:.2f} mm at most"
        )
    if job.dither == "diffused":
        settled, note = dithered(view.standing(thickness), setup)
        thickness = view.upright(settled)
        notes.append(note)
    if job.seam == "dark":
        view = replace(view, roll=_roll(thickness, view))
    return chamfer(stand_on_edge(_upright(thickness, given, job), view), setup.overhang), notes


def _inner(given: Given, job: Job) -> tuple[int, int]:
    """Rows and columns of the picture, upright, inside the rim."""
    if given.outline is None:
        width, height = view_of(job).size(given.width, given.height)
        return round((height - 2 * job.rim_width) / job.pixel), round((width - 2 * job.rim_width) / job.pixel)
    rows, cols = grid_over(given.outline, job.pixel).shape
    across, up = (2 * round(rim / 2 / job.pixel) for rim in _rims(job))
    return rows - up, cols - across


def _thickness(
    given: Given, setup: Setup, rows: int, cols: int, progress: Callable[[int, int], None] | None
) -> tuple[Floats, list[str]]:
    """Thickness of the picture alone, upright, and remarks on its tones."""
    job = setup.job
    if given.is_thickness:
        if job.aim == "picture" or job.tones != "global" or not is_plain(job):
            what = "tones, aim or preparation are asked for a map of thickness"
            hint = "a map is made as it is; its tones are settled"
            raise PathgenError(what, where=given.name, allowed="a photograph for them", hint=hint)
        shown = picture.resample(given.values, rows, cols) if _whole(job) else _placed(given, job, rows, cols)
        return shown, [*given.notes]
    if _whole(job):
        shown = picture.fit_to_panel(given.values, cols * job.pixel, rows * job.pixel, job.pixel)
    else:
        shown = _placed(given, job, rows, cols)
    thickness, notes = thickness_of(shown, setup, view_of(job), progress)
    return thickness, [*given.notes, *notes]


def _whole(job: Job) -> bool:
    """Tell whether the job wants all of the picture that the panel has room for, as it is."""
    return (job.centre_across, job.centre_up, job.zoom, job.tilt) == (0.5, 0.5, 1.0, 0.0)


def _placed(given: Given, job: Job, rows: int, cols: int) -> Floats:
    """Sample a picture where the job places it; what it leaves bare is the picture's white."""
    grid = Grid(rows, cols, job.pixel, 0.0, 0.0)
    window = 0.0, 0.0, cols * job.pixel, rows * job.pixel
    return show_picture(
        given.values,
        grid,
        window,
        (job.centre_across, job.centre_up),
        job.zoom,
        job.tilt,
        bare=job.thinnest if given.is_thickness else 1.0,
        walls=given.is_thickness,
    )


def _roll(thickness: Floats, view: View) -> int:
    """Find how far a ring's columns move for the thickest one to come to stand first."""
    columns = view.standing(thickness).mean(axis=0)
    dark = int(np.argmax(columns))
    return (dark if view.turn == 180 else -dark) % len(columns)


def _upright(thickness: Floats, given: Given, job: Job) -> Panel:
    """Frame a picture, upright: a plain rim, or whatever outline, bevel, line and eyelets ask for."""
    assert job.rim_thickness is not None, "settle fills it in"
    if given.outline is None:
        return add_rim(thickness, job.pixel, job.rim_width, job.rim_thickness)
    ring, wide = job.seam == "dark", round(job.rim_width / job.pixel)
    panel = cut_out(
        np.pad(thickness, ((wide, wide), (0, 0) if ring else (wide, wide)), mode="edge"),
        given.outline,
        job.pixel,
        job.rim_width,
        job.rim_thickness,
        loops_of(job),
        bevel=job.rim_bevel,
        line=job.line_width,
        line_thickness=job.thickest if job.line_thickness is None else job.line_thickness,
        ring=ring,
    )
    return replace(panel, rim=wide) if job.outline == "rectangle" and not ring else panel
