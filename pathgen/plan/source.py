"""Panel sources: photographs and thickness maps, and their conversion to panels.

*Upright* arrays are oriented as viewed, *standing* arrays as made; see `pathgen.panel.view`.
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
from pathgen.panel.rim import RimShape
from pathgen.plan.toning import dithered, thickness_of
from pathgen.settings import Setup
from pathgen.settings.preparation import Preparation, is_plain
from pathgen.settings.settled import FormSettings, RimSettings, StandingSettings

Source = str | Path | NDArray[np.floating]
Floats = NDArray[np.floating]

DEFAULT_WIDTH = 100.0  # mm


@dataclass(frozen=True, slots=True)
class LoadedSource:
    """Photograph or thickness map, with the size of the resulting panel.

    Attributes
    ----------
    values : (rows, cols) float
        Linear luminance, 0 to 1, or thickness in mm.
    is_thickness : bool
    name : str
        Name for people.
    width, height : float
        Outer sides of the standing panel without its eyelets, mm.
    notes : tuple of str
        Notes for the person.
    outline : shapely polygon, optional
        Outline, upright, cut off at the foot that the panel stands on; None for a plain rectangle.
    """

    values: Floats
    is_thickness: bool
    name: str
    width: float
    height: float
    notes: tuple[str, ...] = ()
    outline: Polygon | None = None


@log_stage(lambda loaded: f"read {loaded.name}, {loaded.values.shape[1]} × {loaded.values.shape[0]} values")
def read_source(source: Source, setup: Setup, pixel: float) -> LoadedSource:
    """Read a photograph or a thickness map, and compute the panel size.

    Parameters
    ----------
    source : path or (rows, cols) array
        An array, or a ``.npy`` file, is thickness in mm.
    setup : Setup
        An automatic turn counts as 0; `measure_again` computes the size for another turn without reading
        again.
    pixel : float
        Pixel size of a thickness map, mm. The map keeps its size unless the job asks for one.

    Returns
    -------
    LoadedSource

    Raises
    ------
    PathgenError
        For a source that cannot be read, a map without a wall, and an impossible outline.
    """
    notes: tuple[str, ...] = ()
    is_map = isinstance(source, np.ndarray) or picture.is_thickness(source)
    values: Floats
    if isinstance(source, np.ndarray):
        values, name = picture.check_thickness(source), "array"
    elif is_map:
        values, name = picture.load_thickness(source), printable(Path(source).name)
    else:
        values, name, notes = _photo(source, setup.preparation)
    if is_map and not values.any():
        raise PathgenError("the thickness is 0 everywhere, so there is no wall to print", where=name)
    return _measured(values, is_map, name, notes, setup, pixel)


def measure_again(loaded: LoadedSource, setup: Setup, pixel: float) -> LoadedSource:
    """Recompute a source's panel size and outline for a different rotation of the panel.

    Parameters, result and errors are those of `read_source`; the source is not read again.
    """
    return _measured(loaded.values, loaded.is_thickness, loaded.name, loaded.notes, setup, pixel)


def _photo(source: str | Path, preparation: Preparation) -> tuple[Floats, str, tuple[str, ...]]:
    """Read and prepare a photograph; without preparation, bit depth and size are kept."""
    if is_plain(preparation):
        plain = picture.load_picture(source)
        return plain.luminance, plain.source, plain.notes
    from pathgen.picture.prepare import prepare_file  # loads scipy

    prepared = prepare_file(source, preparation)
    return prepared.luminance, prepared.source, prepared.notes


def _measured(
    values: Floats, is_map: bool, name: str, notes: tuple[str, ...], setup: Setup, pixel: float
) -> LoadedSource:
    sides = _sides(values, is_map, setup, pixel)
    outline = outline_of(setup, *sides)
    view = view_of(setup)
    if outline is not None:
        outline = cut_foot(outline, view, setup.form.foot)
        sides = outline.bounds[2:]
    return LoadedSource(values, is_map, name, *view.size(*sides), notes, outline)


def _sides(values: Floats, is_map: bool, setup: Setup, pixel: float) -> tuple[float, float]:
    """Compute the outer size of the upright panel, mm: picture plus rims."""
    asked, rims = setup.picture, _rims(setup.form, setup.rim)
    inner = [
        None if side is None else side - rim
        for side, rim in zip((asked.width, asked.height), rims, strict=True)
    ]
    # A picture that is rotated onto its side exchanges its proportions.
    shown = values.T if asked.tilt % 180 == 90 else values
    if inner != [None, None]:
        width, height = picture.proportions(shown, *inner)
    elif is_map:
        height, width = (side * pixel for side in shown.shape)
    else:
        width, height = picture.proportions(shown, DEFAULT_WIDTH - rims[0])
    return width + rims[0], height + rims[1]


def _rims(form: FormSettings, rim: RimSettings) -> tuple[float, float]:
    """Return the total rim width and height, mm; a ring with a dark seam has no side rims."""
    return (0.0 if form.seam == "dark" else 2 * rim.rim_width), 2 * rim.rim_width


def view_of(setup: Setup) -> View:
    """Return the orientation of a panel; a ring is not yet rolled to its darkest column.

    An automatic turn counts as 0.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> view_of(settle(Job(turn=90, relief="away")))
    View(turn=90, mirrored=True, roll=0)
    """
    return View(setup.standing.edge, setup.form.relief == "away")


def cut_foot(outline: Polygon, view: View, foot: float | None) -> Polygon:
    """Cut a flat foot into an upright outline, on the edge that the panel stands on.

    Parameters
    ----------
    outline : Polygon
        Its lower left corner at the origin, mm.
    view : View
    foot : float or None
        As in `pathgen.panel.outline.with_foot`.

    Examples
    --------
    >>> from pathgen.panel.outline_disc import ellipse
    >>> [round(side, 2) for side in cut_foot(ellipse(100, 100), View(turn=270), None).bounds]
    [0.0, 0.0, 95.83, 100.0]
    """
    _, _, width, height = outline.bounds
    standing = with_foot(view.outline(outline, width, height), foot)
    _, _, across, up = standing.bounds
    return view.upright_outline(standing, across, up)


def outline_of(setup: Setup, width: float, height: float) -> Polygon | None:
    """Make the upright outline of a panel, without the foot; return None for a plain rectangle.

    Parameters
    ----------
    setup : Setup
    width, height : float
        Outer sides that suit the picture, mm.

    Raises
    ------
    PathgenError
        For an unknown outline, and for a file without a polygon.
    """
    form, rim = setup.form, setup.rim
    plain = not (form.corner or rim.eyelet_places or rim.rim_bevel or rim.line_width or form.seam == "dark")
    if form.outline == "rectangle" and plain:
        return None
    asked = setup.picture
    return make_outline(form.outline, Sides(width, height, asked.width, asked.height, form.corner))


def place_eyelets(rim: RimSettings, standing: StandingSettings) -> list[Eyelet]:
    """Return the eyelets of a panel with their positions.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> setup = settle(Job(eyelets=2))
    >>> [eyelet.at for eyelet in place_eyelets(setup.rim, setup.standing)]
    [0.25, 0.75]
    """
    # The opening closes upward as the panel stands: on its left edge, that is to the viewer's right.
    point = {90: "right", 270: "left"}.get(standing.edge, "up")
    return [Eyelet(at, rim.eyelet_opening, rim.eyelet_wall, point=point) for at in rim.eyelet_places]


def to_panel(
    loaded: LoadedSource, setup: Setup, progress: Callable[[int, int], None] | None = None
) -> tuple[Panel, list[str]]:
    """Turn a source into a standing panel: position the picture, compute the thickness, add rim and outline.

    Parameters
    ----------
    loaded : LoadedSource
        Measured for this setup.
    setup : Setup
    progress : callable, optional
        Called with (iterations done, maximum iterations) if thickness is solved for the whole picture.

    Returns
    -------
    panel : Panel
        The standing panel; its view relates it to the panel as viewed.
    notes : list of str
        Notes for the person.

    Raises
    ------
    PathgenError
        When the rim leaves fewer than 2 × 2 pixels for the picture.
    """
    light, overhang, view = setup.light, setup.standing.overhang, view_of(setup)
    rows, cols = _inner(loaded, setup)
    if min(rows, cols) < 2:
        what = f"the rim leaves {max(cols, 0)} × {max(rows, 0)} pixels for the picture"
        raise PathgenError(what, where="rim_width", allowed="a rim that leaves at least 2 × 2 pixels")
    thickness, notes = _thickness(loaded, setup, rows, cols, progress)
    if setup.standing.slope != "free":
        limited = limit_slope(view.standing(thickness), light.pixel, overhang, keep=setup.standing.slope)
        thickness = view.upright(limited.thickness)
        notes.append(
            f"slope limited to {overhang:g} degrees: {100 * limited.share:.0f} % of the picture "
            f"changed, by {limited.rms:.3f} mm RMS and at most {limited.largest:.2f} mm"
        )
    if light.dither == "diffused":
        stepped, note = dithered(view.standing(thickness), setup)
        thickness = view.upright(stepped)
        notes.append(note)
    if setup.form.seam == "dark":
        view = replace(view, roll=_roll(thickness, view))
    return chamfer(stand_on_edge(_upright(thickness, loaded, setup), view), overhang), notes


def _inner(loaded: LoadedSource, setup: Setup) -> tuple[int, int]:
    """Count the rows and columns of the upright picture inside the rim."""
    pixel, rim = setup.light.pixel, setup.rim.rim_width
    if loaded.outline is None:
        width, height = view_of(setup).size(loaded.width, loaded.height)
        return round((height - 2 * rim) / pixel), round((width - 2 * rim) / pixel)
    rows, cols = grid_over(loaded.outline, pixel).shape
    across, up = (2 * round(both / 2 / pixel) for both in _rims(setup.form, setup.rim))
    return rows - up, cols - across


def _thickness(
    loaded: LoadedSource, setup: Setup, rows: int, cols: int, progress: Callable[[int, int], None] | None
) -> tuple[Floats, list[str]]:
    """Compute the thickness of the upright picture without the rim, and notes on the tones."""
    light, whole = setup.light, setup.picture.whole
    if loaded.is_thickness:
        if light.aim == "picture" or light.tones != "global" or not is_plain(setup.preparation):
            what = "tones, aim or a preparation key is set, but the source is a thickness map"
            hint = "a thickness map is printed unchanged; remove these keys"
            raise PathgenError(
                what, where=loaded.name, allowed="these keys only with a photograph", hint=hint
            )
        shown = picture.resample(loaded.values, rows, cols) if whole else _placed(loaded, setup, rows, cols)
        return shown, [*loaded.notes]
    if whole:
        shown = picture.fit_to_panel(loaded.values, cols * light.pixel, rows * light.pixel, light.pixel)
    else:
        shown = _placed(loaded, setup, rows, cols)
    thickness, notes = thickness_of(shown, setup, view_of(setup), progress)
    return thickness, [*loaded.notes, *notes]


def _placed(loaded: LoadedSource, setup: Setup, rows: int, cols: int) -> Floats:
    """Sample the positioned picture; uncovered pixels become white."""
    place, pixel = setup.picture, setup.light.pixel
    return show_picture(
        loaded.values,
        Grid(rows, cols, pixel, 0.0, 0.0),
        (place.centre_across, place.centre_up),
        place.zoom,
        place.tilt,
        bare=setup.light.thinnest if loaded.is_thickness else 1.0,
        walls=loaded.is_thickness,
    )


def _roll(thickness: Floats, view: View) -> int:
    """Return the shift, in columns, that puts the darkest column of a ring first."""
    columns = view.standing(thickness).mean(axis=0)
    dark = int(np.argmax(columns))
    return (dark if view.turn == 180 else -dark) % len(columns)


def _upright(thickness: Floats, loaded: LoadedSource, setup: Setup) -> Panel:
    """Frame an upright picture with rim, outline, bevel, line and eyelets as requested."""
    rim, pixel = setup.rim, setup.light.pixel
    if loaded.outline is None:
        return add_rim(thickness, pixel, rim.rim_width, rim.rim_thickness)
    ring, wide = setup.form.seam == "dark", round(rim.rim_width / pixel)
    line_thickness = setup.light.thickest if rim.line_thickness is None else rim.line_thickness
    around = np.pad(thickness, ((wide, wide), (0, 0) if ring else (wide, wide)), mode="edge")
    shape = RimShape(rim.rim_width, rim.rim_thickness, rim.rim_bevel, rim.line_width, line_thickness, ring)
    panel = cut_out(around, loaded.outline, pixel, shape, place_eyelets(rim, setup.standing))
    return replace(panel, rim=wide) if setup.form.outline == "rectangle" and not ring else panel
