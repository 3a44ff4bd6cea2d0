"""Read outlines from files in well-known text (OGC 06-103r4) or GeoJSON (RFC 7946).

Both standards describe maps; here a file contains a single polygon in mm with y pointing up. A file is either
read completely or rejected with a one-line reason.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.files.inputs import input_name, read_input_text
from pathgen.panel.outline import resize_outline

LIMIT = 4 << 20  # maximum file size, bytes; about 100,000 vertices
FORMS = "a text file with one polygon, as WKT or GeoJSON, in mm"
_TAGGED = re.compile(r"\s*(MULTI)?POLYGON\b", re.IGNORECASE)
_PLACED = re.compile(r"(.*)\[(\S+) (\S+)\]\s*$")
_ENVELOPE = 1e-6, 1e9  # limits of a polygon's sides before scaling, mm

Floats = NDArray[np.float64]


def polygon_file(path: str | Path, width: float | None = None, height: float | None = None) -> Polygon:
    """Read an outline from a file.

    Parameters
    ----------
    path : path-like
        UTF-8 text of at most 4 MiB with exactly one polygon, which may have holes: WKT (POLYGON, or
        MULTIPOLYGON with one member) or GeoJSON (Polygon, MultiPolygon with one member, Feature,
        FeatureCollection with one member). Coordinates are in mm, the second one up; a third coordinate and
        GeoJSON properties are ignored.
    width, height : float, optional
        Target size, mm, as in `resize_outline`; by default the size of the polygon.

    Returns
    -------
    Polygon
        The lower left corner of its bounding box is at the origin.

    Raises
    ------
    PathgenError
        If the file cannot be read, does not contain exactly one polygon, or the polygon intersects itself or
        has no area. The message gives the position of a self-intersection.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "sail.wkt")
    ...     _ = file.write_text("POLYGON ((10 10, 40 10, 10 70, 10 10))")
    ...     sail = polygon_file(file)
    >>> sail.bounds, sail.area
    ((0.0, 0.0, 30.0, 60.0), 900.0)
    """
    text, where = read_input_text(path, FORMS, LIMIT, hint="simplify the polygon"), input_name(path)
    try:
        if not text.strip():
            raise PathgenError("the file is empty", allowed=FORMS)
        polygon = _single(_from_json(text) if text.lstrip()[:1] in ("{", "[") else _from_wkt(text))
        _check(polygon)
        outline = resize_outline(polygon, width, height)
        _check(outline)  # scaling may collapse very fine details
    except PathgenError as error:
        raise PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint) from None
    return outline


def _from_wkt(text: str) -> list[Polygon]:
    # Deeply nested geometries of other types overflow the parser's stack and are rejected before parsing.
    if not _TAGGED.match(text):
        what = f"the file starts with {text.split()[0][:40]!r}"
        raise PathgenError(what, allowed="text that starts with POLYGON or MULTIPOLYGON, or a GeoJSON object")
    try:
        with np.errstate(all="ignore"):  # the parser may overflow; coordinates are checked afterwards
            geometry = shapely.force_2d(shapely.from_wkt(text))
    except shapely.errors.GEOSException as error:
        reason = " ".join(str(error).removeprefix("ParseException: ").split())[:120]
        raise PathgenError(f"the file is not valid WKT: {reason}", allowed=FORMS) from None
    return list(shapely.get_parts(geometry))


def _from_json(text: str) -> list[Polygon]:
    try:
        data = json.loads(text)
    except (RecursionError, ValueError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else error
        raise PathgenError(f"the file is not valid GeoJSON: {reason}", allowed=FORMS) from None
    with np.errstate(invalid="ignore"):  # NaN is a number to Python's parser; coordinates are checked later
        return [_polygon_of(rings) for geometry in _geometries(data) for rings in _polygons(geometry)]


def _geometries(data: Any) -> list[Any]:
    """Return the geometries of GeoJSON features; skip features without a geometry."""
    features = _array(data, "features") if _kind(data) == "FeatureCollection" else [data]
    bare = [feature.get("geometry") if _kind(feature) == "Feature" else feature for feature in features]
    return [geometry for geometry in bare if geometry is not None]


def _kind(data: Any) -> Any:
    return data.get("type") if isinstance(data, dict) else None


def _polygons(geometry: Any) -> Sequence[Any]:
    """Return one array of rings per polygon of a geometry."""
    kind = _kind(geometry)
    if kind == "Polygon":
        return [_array(geometry, "coordinates")]
    if kind == "MultiPolygon":
        return _array(geometry, "coordinates")
    known = "Polygon, MultiPolygon, Feature, FeatureCollection"
    shown = repr(kind)[:40] if kind is not None else "missing"
    raise PathgenError(f"GeoJSON type is {shown}", allowed=known)


def _array(holder: dict[str, Any], key: str) -> list[Any]:
    values = holder.get(key)
    if not isinstance(values, list):
        raise PathgenError(f"GeoJSON member {key!r} is not an array", allowed=FORMS)
    return values


def _polygon_of(rings: Any) -> Polygon:
    if not isinstance(rings, list):
        raise PathgenError("a GeoJSON polygon is not an array of rings", allowed=FORMS)
    if not rings:
        return Polygon()
    shell, *holes = [_ring(number, ring) for number, ring in enumerate(rings)]
    return Polygon(shell, holes)


def _ring(number: int, values: Any) -> Floats:
    """Return the points of a GeoJSON ring; the closing point may be missing."""
    try:
        points = np.array(values)
    except ValueError:  # positions of different lengths
        points = np.zeros(0)
    shaped = points.ndim == 2 and len(points) >= 3 and points.shape[1] >= 2
    if not shaped or points.dtype.kind not in "iuf":
        what = f"GeoJSON ring {number} is not an array of positions"
        raise PathgenError(what, allowed="at least three [x, y] pairs of numbers, mm")
    return np.asarray(points[:, :2], np.float64)


def _single(polygons: list[Polygon]) -> Polygon:
    """Return the only non-empty polygon of a file."""
    filled = [polygon for polygon in polygons if not polygon.is_empty]
    if len(filled) != 1:
        count = f"{len(filled)} polygons" if filled else "no polygon"
        raise PathgenError(f"the file contains {count}", allowed="one polygon, with or without holes")
    only = filled[0]
    return Polygon(only.exterior, [hole for hole in only.interiors if not hole.is_empty])


def _check(polygon: Polygon) -> None:
    """Reject a polygon without area, and report the position of a self-intersection."""
    if not np.isfinite(shapely.get_coordinates(polygon)).all():
        raise PathgenError("the polygon has NaN or infinite coordinates", allowed="finite numbers, mm")
    left, low, right, high = polygon.bounds
    smallest, largest = _ENVELOPE
    if not largest >= max(right - left, high - low):
        what = f"the polygon is too large: {right - left:g} × {high - low:g} mm"
        raise PathgenError(what, allowed=f"sides of at most {largest:g} mm before scaling")
    # The hull's area, because the signed areas of a self-intersecting polygon may cancel.
    if min(right - left, high - low) < smallest or shapely.convex_hull(polygon).area <= 0:
        raise PathgenError(
            "the polygon has no area", allowed="at least three vertices that are not all on one line"
        )
    if not shapely.is_valid(polygon):
        reason = shapely.is_valid_reason(polygon)
        place = _PLACED.match(reason)
        if place:
            reason = f"{place[1].lower()} at ({float(place[2]):g}, {float(place[3]):g})"
        hint = "redraw it so that edges meet only at their ends"
        raise PathgenError(f"the polygon is not valid: {reason}", allowed=FORMS, hint=hint)
