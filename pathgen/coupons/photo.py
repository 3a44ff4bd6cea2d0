"""Measurement of a coupon in a photograph, with the bare light source as reference.

Pixel values are converted to light (sRGB, IEC 61966-2-1). Four corners give the homography between the plane
of the coupon and the picture (by scikit-image). A lens darkens toward the corners of the picture, so light is
divided by that of a second photograph without the coupon, or, without one, by a smooth surface fitted to the
bare light around the coupon. Overexposed steps are left blank.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pathgen import picture
from pathgen.coupons import resolution_chart
from pathgen.coupons.definition import Coupon, PanelArea
from pathgen.coupons.fit_result import Floats
from pathgen.coupons.measurement_sheet import PLACE
from pathgen.errors import PathgenError
from pathgen.files.csv_rows import CsvRows

BURNT = 0.985  # light from which a pixel counts as overexposed; 1 is the maximum pixel value
BURNT_SHARE = 0.002  # maximum fraction of overexposed samples in a step
FINEST, COARSEST = 0.05, 0.5  # mm, range of the sampling distance
AROUND = (1.5, 6.0)  # mm beyond the edges of the coupon, search range for bare light
SPACING_AROUND = 0.5  # mm between samples of bare light
MIN_AROUND = 60  # minimum number of samples of bare light
OVER = 1.1  # minimum bare light relative to the brightest step
FILLED = ("reading", "reference", "dark", "bright", "dim")  # columns that a photograph replaces
FAR = 4.0  # maximum deviation of bare light from its surface, in standard deviations

Corners = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A photograph of a coupon, with the corners of the coupon.

    Attributes
    ----------
    light : (rows, cols) float64
        Linear, 0 to 1.
    blank : (rows, cols) float64, optional
        The same view without the coupon.
    to_pixel : callable
        Maps (N, 2) places on the coupon, mm from its lower left corner, to (N, 2) pixels (x, y).
    size : (float, float)
        Width and height of the coupon, mm.
    pixel_size : float
        Sampling distance on the coupon, mm: about a pixel of the picture.
    name : str
    """

    light: Floats
    blank: Floats | None
    to_pixel: Callable[[Floats], Floats]
    size: tuple[float, float]
    pixel_size: float
    name: str


def parse_corners(text: str) -> list[tuple[float, float]]:
    """Parse the four corners in the value of an option.

    Raises
    ------
    PathgenError
        If the text is not four pairs of numbers.

    Examples
    --------
    >>> parse_corners("10,20 110,22 108,70 9,68")[1]
    (110.0, 22.0)
    """
    try:
        points = [tuple(float(part) for part in pair.split(",")) for pair in text.replace(";", " ").split()]
    except ValueError:
        points = []
    if len(points) != 4 or any(len(p) != 2 or not all(map(math.isfinite, p)) for p in points):
        hint = "pass x,y in pixels of the upper left, upper right, lower right and lower left corner"
        allowed = "four pairs such as '120,80 1830,95 1820,260 118,250'"
        raise PathgenError(f"invalid corners {text!r}", where="--corners", allowed=allowed, hint=hint)
    return [(x, y) for x, y in points]


def open_photo(
    path: str | Path, corners: Corners, size: tuple[float, float], blank: str | Path | None = None
) -> Photo:
    """Open a photograph of a coupon, and check its corners.

    Parameters
    ----------
    path : path
    corners : four (x, y)
        Pixels, x to the right and y down from the upper left corner of the picture: the upper left, upper
        right, lower right and lower left corner of the coupon.
    size : (float, float)
        Width and height of the coupon, mm.
    blank : path, optional
        The same view without the coupon.

    Raises
    ------
    PathgenError
        For a picture that cannot be read, for corners outside it or not of a quadrilateral, and for a blank
        of another size.
    """
    from skimage.transform import ProjectiveTransform

    photograph = picture.load_picture(path)
    light = np.asarray(photograph.luminance, np.float64)
    rows, cols = light.shape
    at = np.asarray(corners, np.float64)
    if (at < 0).any() or (at > (cols, rows)).any():
        what = f"corners are outside the picture of {cols} × {rows} pixels"
        raise PathgenError(what, where=photograph.source, allowed="corners inside the picture")
    sides = np.roll(at, -1, axis=0) - at
    (x, y), (next_x, next_y) = sides.T, np.roll(sides, -1, axis=0).T
    if (x * next_y - y * next_x).min() <= 0:
        allowed = "the order upper left, upper right, lower right, lower left, as viewed from the front"
        raise PathgenError(
            "the corners of the coupon are in the wrong order", where="--corners", allowed=allowed
        )
    wide, high = size
    own = np.array([(0, high), (wide, high), (wide, 0), (0, 0)], np.float64)
    transform = ProjectiveTransform.from_estimate(own, at)  # type: ignore[no-untyped-call]
    if not transform:
        what = "the corners are not those of a flat rectangle"
        raise PathgenError(what, where="--corners", hint="measure them again")
    bare = None
    if blank is not None:
        bare = np.asarray(picture.load_picture(blank).luminance, np.float64)
        if bare.shape != light.shape:
            what = f"the blank has {bare.shape[1]} × {bare.shape[0]} pixels, the photograph {cols} × {rows}"
            allowed = "two photographs by the same camera from the same position"
            raise PathgenError(what, where=str(blank), allowed=allowed)
    across = float(np.hypot(*(at[1] - at[0])))
    pixel_size = float(np.clip(wide / max(across, 1.0), FINEST, COARSEST))
    return Photo(light, bare, transform, size, pixel_size, photograph.source)


def fill_from_photo(photo: Photo, coupon: Coupon, rows: CsvRows) -> tuple[CsvRows, list[str]]:
    """Fill a sheet with the light of each step in a photograph, and with the bare light if visible.

    Parameters
    ----------
    photo : Photo
    coupon : Coupon
        The step wedge or the resolution chart.
    rows : CsvRows
        Its sheet.

    Returns
    -------
    rows : CsvRows
        The sheet with the measurements from the photograph; overexposed steps are blank.
    notes : list of str

    Raises
    ------
    PathgenError
        For other coupons, and if nothing in the picture can be measured.
    """
    if coupon.name not in ("step-wedge", "resolution-chart"):
        what = f"{coupon.name} cannot be measured in a photograph"
        raise PathgenError(
            what, where="--photo", allowed="one of the coupons step-wedge and resolution-chart"
        )
    names = [name.strip().lower() for name in rows.names]
    boxes = [PanelArea(*place) for place in _numbers(rows, names, [column.header for column in PLACE])]
    images = [sample_area(photo, photo.light, box) for box in boxes]
    burnt = np.array([float(np.mean(image > BURNT)) > BURNT_SHARE for image in images])
    notes = []
    if burnt.all():
        hint = "reduce the exposure until no step is overexposed"
        raise PathgenError("every step is overexposed", where=photo.name, hint=hint)
    if burnt.any():
        which = ", ".join(str(i + 1) for i in np.flatnonzero(burnt))
        notes.append(f"overexposed and omitted: step {which}; reduce the exposure")
    if coupon.name == "step-wedge":
        read = np.array([[np.median(image)] for image in images])
        columns = ["reading_linear"]
        reference, messages = _reference(photo, boxes, float(read[~burnt].max()))
        notes += messages
        if reference is not None:
            columns.append("reference_linear")
            read = np.column_stack([read, reference])
    else:
        columns = ["bright_linear", "dim_linear"]
        nominal = _numbers(rows, names, [column.header for column in coupon.nominal])
        patches = [resolution_chart.Patch(int(k), int(a), *sizes) for k, a, *sizes in nominal]
        pairs = zip(patches, images, strict=True)
        read = np.array([resolution_chart.measure_patch(*pair, photo.pixel_size) for pair in pairs])
    kept = [i for i, name in enumerate(names) if name.split("_")[0] not in FILLED]
    cells = [
        [*(row[i] for i in kept), *("" if out else f"{value:.6g}" for value in values)]
        for row, values, out in zip(rows.cells, read, burnt, strict=True)
    ]
    return CsvRows(rows.where, [*(rows.names[i] for i in kept), *columns], cells, rows.line), notes


def sample_area(photo: Photo, light: Floats, box: PanelArea) -> Floats:
    """Sample a picture inside a rectangle of the coupon by bilinear interpolation, row 0 at the top."""
    across = np.arange(box.left + photo.pixel_size / 2, box.right, photo.pixel_size)
    up = np.arange(box.bottom + photo.pixel_size / 2, box.top, photo.pixel_size)[::-1]
    u, z = np.meshgrid(across, up)
    return _light_at(photo, light, np.column_stack([u.ravel(), z.ravel()])).reshape(u.shape)


def _light_at(photo: Photo, light: Floats, places: Floats) -> Floats:
    """Return the light at points of the coupon's plane; NaN outside the picture."""
    from scipy.ndimage import map_coordinates

    x, y = photo.to_pixel(places).T
    # Coordinates refer to the corner of a pixel, half a pixel from its centre.
    return np.asarray(map_coordinates(light, [y - 0.5, x - 0.5], order=1, cval=np.nan))


def _reference(photo: Photo, boxes: Sequence[PanelArea], brightest: float) -> tuple[Floats | None, list[str]]:
    """Return the bare light at each step, or None if the picture does not show the bare source."""
    if photo.blank is not None:
        images = [sample_area(photo, photo.blank, box) for box in boxes]
        if any(float(np.mean(image > BURNT)) > BURNT_SHARE for image in images):
            hint = "reduce the exposure of both photographs equally"
            raise PathgenError("the blank is overexposed", where=photo.name, hint=hint)
        return np.array([float(np.median(image)) for image in images]), []
    places = _around(photo.size)
    light = _light_at(photo, photo.light, places)
    inside = np.isfinite(light)
    places, light = places[inside], light[inside]
    bright = light > OVER * brightest
    none = "no bare light around the coupon and no --blank: only the decrease with thickness is known"
    if np.count_nonzero(bright) < max(MIN_AROUND, 0.3 * len(light)):
        return None, [none]
    places, light = places[bright], light[bright]
    if np.mean(light > BURNT) > 0.01:
        return None, [f"the bare light around the coupon is overexposed. {none[0].upper()}{none[1:]}"]
    pixels = photo.to_pixel(places)
    middles = np.array([((b.left + b.right) / 2, (b.bottom + b.top) / 2) for b in boxes])
    wanted = photo.to_pixel(middles)
    scale = max(photo.light.shape)
    return np.exp(_surface(pixels / scale, np.log(light), wanted / scale)), []


def _around(size: tuple[float, float]) -> Floats:
    """Return the points around a coupon at which the bare light is sampled, mm."""
    wide, high = size
    out = np.arange(AROUND[0], AROUND[1], SPACING_AROUND)
    u = np.arange(-AROUND[1], wide + AROUND[1], SPACING_AROUND)
    z = np.arange(0.0, high, SPACING_AROUND)
    rows = [np.column_stack(np.broadcast_arrays(u, at)) for d in out for at in (-d, high + d)]
    columns = [np.column_stack(np.broadcast_arrays(at, z)) for d in out for at in (-d, wide + d)]
    return np.concatenate([*rows, *columns]).astype(np.float64)


def _surface(at: Floats, values: Floats, wanted: Floats) -> Floats:
    """Fit a quadratic surface to samples of the light, ignoring outliers, and evaluate it at points."""

    def terms(places: Floats) -> Floats:
        x, y = places.T
        return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])

    kept = np.ones(len(at), bool)
    for _ in range(3):
        figures = np.linalg.lstsq(terms(at[kept]), values[kept], rcond=None)[0]
        off = np.abs(values - terms(at) @ figures)
        kept = off <= FAR * max(1.4826 * float(np.median(off[kept])), 1e-4)
    return np.asarray(terms(wanted) @ figures)


def _numbers(rows: CsvRows, names: list[str], wanted: Sequence[str]) -> list[list[float]]:
    """Return columns of the unfilled sheet as numbers."""
    if not set(wanted) <= set(names):
        hint = "use the sheet that `pathgen coupon` wrote, which contains the positions"
        raise PathgenError(
            "the measurement sheet does not contain the positions of the steps", where=rows.where, hint=hint
        )
    places = [names.index(name) for name in wanted]
    figures = []
    for row, line in zip(rows.cells, rows.line[1:], strict=True):
        try:
            figures.append([float(row[place]) for place in places])
        except ValueError:
            where, allowed = f"{rows.where}, line {line}", f"numbers in {', '.join(wanted)}"
            raise PathgenError(
                "the position of a step is not a number", where=where, allowed=allowed
            ) from None
    return figures
