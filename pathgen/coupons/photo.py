"""Readings from a photograph: a coupon's corners in it say where each step lies, bare light what 1 is.

The picture's codes become light (sRGB, IEC 61966-2-1). Four corners give the homography between the coupon's
plane and the picture (by scikit-image). A lens darkens toward the picture's corners, so light is taken over
that of a second photograph without the coupon, or, where there is none, over a smooth surface fitted to the
bare light around the coupon. Places that are burnt out tell nothing and are left blank.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pathgen import picture
from pathgen.coupons import resolution_chart
from pathgen.coupons.definition import Coupon, Floats, PanelArea
from pathgen.coupons.measurement_sheet import PLACE
from pathgen.errors import PathgenError
from pathgen.files.csv_rows import CsvRows

BURNT = 0.985  # light, of the brightest a code can say, from which on it may have been more
BURNT_SHARE = 0.002  # of a step's places that may be burnt out
FINEST, COARSEST = 0.05, 0.5  # mm, pixel_size that a step is sampled with
AROUND = (1.5, 6.0)  # mm beyond the coupon's edges where bare light is looked for
SPACING_AROUND = 0.5  # mm
LEAST_AROUND = 60  # places
OVER = 1.1  # bare light over the brightest step; less is no bare light
FAR = 4.0  # scatters about the surface beyond which a place is no bare light

Corners = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A photograph of a coupon.

    Attributes
    ----------
    light : (rows, cols) float64
        Linear, 0 to 1.
    blank : (rows, cols) float64, optional
        The same without the coupon.
    to_pixel : callable
        From (N, 2) places on the coupon, mm from its lower left corner, to (N, 2) pixels (x, y).
    size : (float, float)
        Of the coupon, mm.
    pixel_size : float
        mm that a step is sampled with: about a pixel of the picture.
    name : str
    """

    light: Floats
    blank: Floats | None
    to_pixel: object
    size: tuple[float, float]
    pixel_size: float
    name: str


def corners_from(text: str) -> list[tuple[float, float]]:
    """Read four corners as an option spells them.

    Raises
    ------
    PathgenError
        For what is not four pairs of numbers.

    Examples
    --------
    >>> corners_from("10,20 110,22 108,70 9,68")[1]
    (110.0, 22.0)
    """
    try:
        points = [tuple(float(part) for part in pair.split(",")) for pair in text.replace(";", " ").split()]
    except ValueError:
        points = []
    if len(points) != 4 or any(len(p) != 2 or not all(map(math.isfinite, p)) for p in points):
        hint = "x,y in pixels: upper left, upper right, lower right, lower left of the coupon"
        allowed = "four pairs such as '120,80 1830,95 1820,260 118,250'"
        raise PathgenError(f"corners are {text!r}", where="--corners", allowed=allowed, hint=hint)
    return [(x, y) for x, y in points]


def open_photo(
    path: str | Path, corners: Corners, size: tuple[float, float], blank: str | Path | None = None
) -> Photo:
    """Open a photograph of a coupon.

    Parameters
    ----------
    path : path
    corners : four (x, y)
        Pixels, x to the right and y down from the picture's upper left corner: the coupon's upper left, upper
        right, lower right and lower left corner.
    size : (float, float)
        Width and height of the coupon, mm.
    blank : path, optional
        The same view of the light without the coupon.

    Raises
    ------
    PathgenError
        For a picture that cannot be read, corners outside it or no quadrilateral, and a blank of another
        size.
    """
    from skimage.transform import ProjectiveTransform

    shown = picture.load_picture(path)
    light = np.asarray(shown.luminance, np.float64)
    rows, cols = light.shape
    at = np.asarray(corners, np.float64)
    if (at < 0).any() or (at > (cols, rows)).any():
        raise PathgenError(
            f"corners reach beyond the picture's {cols} × {rows} pixels",
            where=shown.source,
            allowed="inside it",
        )
    turns = [_cross(at[i], at[(i + 1) % 4], at[(i + 2) % 4]) for i in range(4)]
    if min(turns) <= 0:
        allowed = "upper left, upper right, lower right, lower left, as the coupon's viewer sees it"
        raise PathgenError("the corners go round the wrong way, or cross", where="--corners", allowed=allowed)
    wide, high = size
    own = np.array([(0, high), (wide, high), (wide, 0), (0, 0)], np.float64)
    transform = ProjectiveTransform.from_estimate(own, at)  # type: ignore[no-untyped-call]
    if not transform:
        raise PathgenError("the corners do not give a view of a flat coupon", where="--corners")
    bare = None
    if blank is not None:
        bare = np.asarray(picture.load_picture(blank).luminance, np.float64)
        if bare.shape != light.shape:
            what = f"{bare.shape[1]} × {bare.shape[0]} pixels beside {cols} × {rows}"
            raise PathgenError(what, where=str(blank), allowed="the same camera, from the same place")
    across = float(np.hypot(*(at[1] - at[0])))
    pixel_size = min(max(wide / max(across, 1.0), FINEST), COARSEST)
    return Photo(light, bare, transform, size, pixel_size, shown.source)


def filled_from(photo: Photo, coupon: Coupon, rows: CsvRows) -> tuple[CsvRows, list[str]]:
    """Fill a sheet from a photograph: light, and with bare light in it a reference beside each.

    Parameters
    ----------
    photo : Photo
    coupon : Coupon
        The step wedge or the resolution chart.
    rows : Rows
        Its sheet.

    Returns
    -------
    rows : Rows
        As the sheet was, its readings those of the photograph; burnt-out steps blank.
    notes : list of str

    Raises
    ------
    PathgenError
        For a coupon that no photograph tells of, and where nothing in the picture can be read.
    """
    if coupon.name not in ("step-wedge", "resolution-chart"):
        what = f"a photograph does not say what a {coupon.name} is to tell"
        raise PathgenError(what, where="--photo", allowed="the step wedge and the resolution chart")
    names = [name.strip().lower() for name in rows.names]
    boxes = [PanelArea(*place) for place in _numbers(rows, names, [column.header for column in PLACE])]
    images = [sample_area(photo, photo.light, box) for box in boxes]
    burnt = np.array([float(np.mean(image > BURNT)) > BURNT_SHARE for image in images])
    notes = []
    if burnt.all():
        hint = "expose the photograph less, until no step is burnt out"
        raise PathgenError(
            "every step is burnt out", where=photo.name, allowed="light under the most", hint=hint
        )
    if burnt.any():
        which = ", ".join(str(i + 1) for i in np.flatnonzero(burnt))
        notes.append(f"burnt out, and left out: step {which}; expose the photograph less")
    if coupon.name == "step-wedge":
        read = [[float(np.median(image))] for image in images]
        columns = ["reading_linear"]
        reference, said = _reference(
            photo, boxes, max(v[0] for v, b in zip(read, burnt, strict=True) if not b)
        )
        notes += said
        if reference is not None:
            columns.append("reference_linear")
            read = [[*values, float(bare)] for values, bare in zip(read, reference, strict=True)]
    else:
        columns = ["bright_linear", "dim_linear"]
        nominal = _numbers(rows, names, [column.header for column in coupon.nominal])
        patches = [resolution_chart.Patch(int(k), int(a), *sizes) for k, a, *sizes in nominal]
        read = [
            list(resolution_chart.read_patch(patch, image, photo.pixel_size))
            for patch, image in zip(patches, images, strict=True)
        ]
    kept = [
        i
        for i, name in enumerate(names)
        if name.split("_")[0] not in ("reading", "reference", "dark", "bright", "dim")
    ]
    cells = [
        [*(row[i] for i in kept), *("" if out else f"{value:.6g}" for value in values)]
        for row, values, out in zip(rows.cells, read, burnt, strict=True)
    ]
    return CsvRows(rows.where, [*(rows.names[i] for i in kept), *columns], cells, rows.line), notes


def sample_area(photo: Photo, light: Floats, box: PanelArea) -> Floats:
    """Sample a picture bilinearly inside an area of the coupon, row 0 at the top."""
    across = np.arange(box.left + photo.pixel_size / 2, box.right, photo.pixel_size)
    up = np.arange(box.bottom + photo.pixel_size / 2, box.top, photo.pixel_size)[::-1]
    u, z = np.meshgrid(across, up)
    return _at(photo, light, np.column_stack([u.ravel(), z.ravel()])).reshape(u.shape)


def _at(photo: Photo, light: Floats, places: Floats) -> Floats:
    """Light at places on the coupon's plane; NaN outside the picture."""
    from scipy.ndimage import map_coordinates

    x, y = photo.to_pixel(places).T  # type: ignore[operator]
    # A pixel's middle is half a pixel from its corner, where coordinates count from.
    return np.asarray(map_coordinates(light, [y - 0.5, x - 0.5], order=1, cval=np.nan))


def _reference(photo: Photo, boxes: Sequence[PanelArea], brightest: float) -> tuple[Floats | None, list[str]]:
    """Give the bare light behind each step; None where the picture shows none."""
    if photo.blank is not None:
        images = [sample_area(photo, photo.blank, box) for box in boxes]
        if any(float(np.mean(image > BURNT)) > BURNT_SHARE for image in images):
            hint = "expose both photographs alike, and less"
            raise PathgenError("the bare light is burnt out in the blank", where=photo.name, hint=hint)
        return np.array([float(np.median(image)) for image in images]), []
    places = _around(photo.size)
    seen = _at(photo, photo.light, places)
    inside = np.isfinite(seen)
    places, seen = places[inside], seen[inside]
    bright = seen > OVER * brightest
    none = "no bare light around the coupon, or in a --blank: only the fall of light with thickness is known"
    if np.count_nonzero(bright) < max(LEAST_AROUND, 0.3 * len(seen)):
        return None, [none]
    places, seen = places[bright], seen[bright]
    if np.mean(seen > BURNT) > 0.01:
        return None, [f"the bare light around the coupon is burnt out. {none[0].upper()}{none[1:]}"]
    pixels = photo.to_pixel(places)  # type: ignore[operator]
    middles = np.array([((b.left + b.right) / 2, (b.bottom + b.top) / 2) for b in boxes])
    wanted = photo.to_pixel(middles)  # type: ignore[operator]
    scale = max(photo.light.shape)
    return np.exp(_surface(pixels / scale, np.log(seen), wanted / scale)), []


def _around(size: tuple[float, float]) -> Floats:
    """List places around a coupon, mm."""
    wide, high = size
    out = np.arange(AROUND[0], AROUND[1], SPACING_AROUND)
    u = np.arange(-AROUND[1], wide + AROUND[1], SPACING_AROUND)
    z = np.arange(0.0, high, SPACING_AROUND)
    rows = [np.column_stack(np.broadcast_arrays(u, at)) for d in out for at in (-d, high + d)]
    columns = [np.column_stack(np.broadcast_arrays(at, z)) for d in out for at in (-d, wide + d)]
    return np.concatenate([*rows, *columns]).astype(np.float64)


def _surface(at: Floats, values: Floats, wanted: Floats) -> Floats:
    """Fit a surface of second degree, leave out what is far from it, and give it elsewhere."""

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
    """Take columns that a sheet was written with."""
    if not set(wanted) <= set(names):
        hint = "pathgen coupon writes a sheet with the places of its steps"
        raise PathgenError("the sheet does not say where the steps are", where=rows.where, hint=hint)
    places = [names.index(name) for name in wanted]
    figures = []
    for row, line in zip(rows.cells, rows.line[1:], strict=True):
        try:
            figures.append([float(row[place]) for place in places])
        except ValueError:
            where = f"{rows.where}, line {line}"
            raise PathgenError("no place of a step", where=where, allowed=", ".join(wanted)) from None
    return figures


def _cross(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]) -> float:
    one, two = b - a, c - b
    return float(one[0] * two[1] - one[1] * two[0])
