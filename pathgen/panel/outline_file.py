"""Outlines from files, as well-known text (OGC 06-103r4) or GeoJSON (RFC 7946).

Both standards were made for maps; here they only carry a polygon, in mm, y up. A file is read whole or
refused in one line that says why.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.outline import resize_outline

LIMIT = 4 << 20  # bytes: some 100 000 corners
FORMS = "a text file with one polygon, as WKT or GeoJSON, in mm"
_TAGGED = re.compile(r"\s*(MULTI)?POLYGON\b", re.IGNORECASE)
_PLACED = re.compile(r"(.*)\[(\S+) (\S+)\]\s*$")
_ENVELOPE = 1e-6, 1e9  # sides a file's own units may have before they are scaled

Floats = NDArray[np.float64]


def polygon_file(path: str | Path, width: float | None = None, height: float | None = None) -> Polygon:
    """Read an outline from a file.

    Parameters
    ----------
    path : path-like
        UTF-8 text of at most 4 MiB with exactly one polygon, which may have holes: WKT (POLYGON, or a
        MULTIPOLYGON of one), or GeoJSON (Polygon, MultiPolygon of one, Feature, FeatureCollection of one).
        Coordinates are mm, the second one up; a third one is ignored, and so are a GeoJSON's properties.
    width, height : float, optional
        Wanted size, mm, as with `resized`; by default the polygon's own.

    Returns
    -------
    Polygon
        Its lower left corner at the origin.

    Raises
    ------
    PathgenError
        For what cannot be read, is no polygon or more than one, crosses itself (with where), or has no area.

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
    where = str(path) if str(path).isprintable() else repr(str(path))
    try:
        text = _text(Path(path))
        polygon = _single(_from_json(text) if text.lstrip()[:1] in ("{", "[") else _from_wkt(text))
        _check(polygon)
        outline = resize_outline(polygon, width, height)
        _check(outline)  # scaling may close what is very fine
    except PathgenError as error:
        raise PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint) from None
    return outline


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LIMIT + 1)
    except FileNotFoundError:
        raise PathgenError("no such file", allowed=FORMS) from None
    except IsADirectoryError:
        raise PathgenError("a folder, not a file", allowed=FORMS) from None
    except (OSError, ValueError) as error:  # ValueError: a path with a zero byte
        raise PathgenError(f"cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > LIMIT:
        raise PathgenError("file of more than 4 MiB", allowed=FORMS, hint="simplify the polygon")
    try:
        text = data.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as error:
        what = f"byte 0x{data[error.start]:02x} at {error.start} is not UTF-8"
        raise PathgenError(what, allowed=FORMS, hint="save it as UTF-8 text") from None
    if not text.strip():
        raise PathgenError("the file is empty", allowed=FORMS)
    return text


def _from_wkt(text: str) -> list[Polygon]:
    # Other geometries may nest without end, and the parser then overruns its stack: they never get there.
    if not _TAGGED.match(text):
        _refuse_start(text)
    try:
        with np.errstate(all="ignore"):  # the parser's own; numbers are judged afterwards
            geometry = shapely.force_2d(shapely.from_wkt(text))
    except shapely.errors.GEOSException as error:
        reason = " ".join(str(error).removeprefix("ParseException: ").split())[:120]
        raise PathgenError(f"not WKT: {reason}", allowed=FORMS) from None
    return list(shapely.get_parts(geometry))


def _refuse_start(text: str) -> NoReturn:
    word = text.split()[0][:40]
    raise PathgenError(f"the text begins with {word!r}", allowed="POLYGON, MULTIPOLYGON, or GeoJSON's {")


def _from_json(text: str) -> list[Polygon]:
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
    except RecursionError:
        raise PathgenError("not GeoJSON: nested too deep", allowed=FORMS) from None
    except ValueError as error:
        raise PathgenError(f"not GeoJSON: {error}", allowed=FORMS) from None
    return [_polygon_of(rings) for geometry in _geometries(data) for rings in _polygons(geometry)]


def _refuse_constant(name: str) -> NoReturn:
    raise PathgenError(f"coordinate {name}", allowed="finite numbers, mm")


def _geometries(data: Any) -> list[Any]:
    """Unwrap features down to their geometries; a feature without one has none."""
    features = _array(data, "features") if _kind(data) == "FeatureCollection" else [data]
    bare = [feature.get("geometry") if _kind(feature) == "Feature" else feature for feature in features]
    return [geometry for geometry in bare if geometry is not None]


def _kind(data: Any) -> Any:
    return data.get("type") if isinstance(data, dict) else None


def _polygons(geometry: Any) -> Sequence[Any]:
    """Give the arrays of rings in a geometry, one for each of its polygons."""
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
        raise PathgenError(f"GeoJSON {key} is not an array", allowed=FORMS)
    return values


def _polygon_of(rings: Any) -> Polygon:
    if not isinstance(rings, list):
        raise PathgenError("GeoJSON polygon is not an array of rings", allowed=FORMS)
    if not rings:
        return Polygon()
    shell, *holes = [_ring(number, ring) for number, ring in enumerate(rings)]
    return Polygon(shell, holes)


def _ring(number: int, values: Any) -> Floats:
    """Points of a GeoJSON ring; one that does not end where it began is closed."""
    try:
        points = np.array(values)
    except ValueError:  # positions of different lengths
        points = np.zeros(0)
    shaped = points.ndim == 2 and len(points) >= 3 and points.shape[1] >= 2
    if not shaped or points.dtype.kind not in "iuf":
        what = f"GeoJSON ring {number} is not an array of positions"
        raise PathgenError(what, allowed="at least three times [x, y], numbers in mm")
    ring: Floats = points[:, :2].astype(np.float64)
    return ring


def _single(polygons: list[Polygon]) -> Polygon:
    """Take the one polygon of a file; empty ones do not count."""
    filled = [polygon for polygon in polygons if not polygon.is_empty]
    if len(filled) != 1:
        count = f"{len(filled)} polygons" if filled else "no polygon"
        raise PathgenError(f"the file holds {count}", allowed="one polygon, with holes or without")
    only = filled[0]
    return Polygon(only.exterior, [hole for hole in only.interiors if not hole.is_empty])


def _check(polygon: Polygon) -> None:
    """Refuse what bounds no area, and say where an outline crosses itself."""
    if not np.isfinite(shapely.get_coordinates(polygon)).all():
        raise PathgenError("the polygon has coordinates that are not finite", allowed="finite numbers, mm")
    left, low, right, high = polygon.bounds
    smallest, largest = _ENVELOPE
    if not largest >= max(right - left, high - low):
        what = f"the polygon is {right - left:g} × {high - low:g} mm"
        raise PathgenError(what, allowed=f"at most {largest:g} mm a side before scaling")
    # Of its hull: an outline that crosses itself may have as much area on its left as on its right.
    if min(right - left, high - low) < smallest or shapely.convex_hull(polygon).area <= 0:
        raise PathgenError("the polygon has no area", allowed="at least three corners not on one line")
    if not shapely.is_valid(polygon):
        reason = shapely.is_valid_reason(polygon)
        place = _PLACED.match(reason)
        if place:
            reason = f"{place[1].lower()} at ({float(place[2]):g}, {float(place[3]):g})"
        hint = "draw it so that no edge meets another but at its ends"
        raise PathgenError(f"the polygon is not simple: {reason}", allowed=FORMS, hint=hint)
