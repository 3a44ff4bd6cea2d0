"""Outlines from files: read whole, or refused in one line that says where."""

import json

import pytest

from pathgen.errors import PathgenError
from pathgen.panel.polygon_file import polygon_file

SQUARE = [[10, 10], [30, 10], [30, 50], [10, 50], [10, 10]]
HOLE = [[15, 15], [20, 15], [20, 20], [15, 15]]
BOW = [[0, 0], [10, 10], [10, 0], [0, 10], [0, 0]]


def geojson(*rings, kind="Polygon"):
    return json.dumps({"type": kind, "coordinates": list(rings)})


def feature(geometry):
    return json.dumps({"type": "Feature", "properties": {"name": "pier"}, "geometry": json.loads(geometry)})


def collection(*features):
    return json.dumps({"type": "FeatureCollection", "features": [json.loads(f) for f in features]})


@pytest.fixture
def read(tmp_path):
    def read_text(text, *size):
        file = tmp_path / "outline.txt"
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return polygon_file(file, *size)

    return read_text


ACCEPTED = [
    ("POLYGON ((10 10, 30 10, 30 50, 10 50, 10 10))", 800),
    ("\n polygon((10 10,10 50,30 50,30 10,10 10))\n", 800),
    ("POLYGON Z ((10 10 1, 30 10 1, 30 50 1, 10 50 1, 10 10 1))", 800),
    ("POLYGON ((10 10, 30 10, 30 50, 10 50, 10 10), EMPTY)", 800),
    ("MULTIPOLYGON (((10 10, 30 10, 30 50, 10 50, 10 10), (15 15, 20 15, 20 20, 15 15)))", 787.5),
    ("\ufeffPOLYGON ((10 10, 30 10, 30 50, 10 50, 10 10))", 800),
    (geojson(SQUARE), 800),
    (geojson(SQUARE[:-1]), 800),
    (geojson(SQUARE, HOLE), 787.5),
    (geojson([[*point, 7] for point in SQUARE]), 800),
    (geojson([SQUARE, HOLE], kind="MultiPolygon"), 787.5),
    (feature(geojson(SQUARE)), 800),
    (collection(feature(geojson(SQUARE))), 800),
    (collection(feature(geojson(SQUARE)), feature("null")), 800),
]


@pytest.mark.parametrize(("text", "area"), ACCEPTED)
def test_what_is_read(read, text, area):
    outline = read(text)
    assert outline.area == pytest.approx(area) and outline.bounds == (0, 0, 20, 40)
    assert len(outline.interiors) == (area != 800)
    assert read(text, 10).bounds == pytest.approx((0, 0, 10, 20))
    assert read(text, 10, 10).area == pytest.approx(area / 8)


def test_up_is_up(read):
    # Wide at the bottom: y is z, and u is not mirrored.
    low_left = read("POLYGON ((0 0, 30 0, 0 60, 0 0))")
    assert low_left.centroid.x == pytest.approx(10) and low_left.centroid.y == pytest.approx(20)


REFUSED = [
    ("", "the file is empty"),
    (" \n", "the file is empty"),
    ("harbour", "the file starts with 'harbour'"),
    ("POINT (1 2)", "the file starts with 'POINT'; allowed: text that starts with POLYGON"),
    ("GEOMETRYCOLLECTION (" * 100_000, "the file starts with 'GEOMETRYCOLLECTION'"),
    ("POLYGON", "not valid WKT: Expected word but encountered end of stream"),
    ("POLYGON ((0 0, 1 1", "not valid WKT"),
    ("POLYGON ((0 0, 10 0, 10 10, 0 10))", "do not form a closed linestring"),
    ("POLYGON ((" + "(" * 100_000, "not valid WKT: Expected number"),
    ("POLYGON EMPTY", "the file contains no polygon"),
    ("MULTIPOLYGON (((0 0, 9 0, 9 9, 0 0)), ((20 0, 29 0, 29 9, 20 0)))", "the file contains 2 polygons"),
    ("POLYGON ((0 0, nan 1, 2 2, 0 0))", "NaN or infinite coordinates"),
    ("POLYGON ((0 0, 1e400 1, 2 2, 0 0))", "NaN or infinite coordinates"),
    ("POLYGON ((0 0, 1 1, 2 2, 0 0))", "the polygon has no area"),
    ("POLYGON ((0 0, 0 0, 0 0, 0 0))", "the polygon has no area"),
    # Whose two halves cancel in the signed area.
    ("POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))", r"not valid: self-intersection at \(5, 5\)"),
    ("POLYGON ((0 0, 3000 0, 0 10, 0 0))", "width of the outline is 3000 mm; allowed: 0.01 to 2000 mm"),
    ("POLYGON ((0 0, 1e12 0, 0 10, 0 0))", "at most 1e\\+09 mm before scaling"),
    ("{", "not valid GeoJSON: Expecting property name"),
    ("[" * 100_000, "not valid GeoJSON: nested too deep"),
    ("[1]", "GeoJSON type is missing"),
    ("{}", "GeoJSON type is missing; allowed: Polygon, MultiPolygon, Feature, FeatureCollection"),
    ('{"type": "Point", "coordinates": [1, 2]}', "GeoJSON type is 'Point'"),
    ('{"type": ["Polygon"]}', "GeoJSON type is"),
    ('{"type": "Polygon"}', "GeoJSON member 'coordinates' is not an array"),
    (geojson(), "the file contains no polygon"),
    (geojson([]), "ring 0 is not an array of positions"),
    (geojson(SQUARE, 5), "ring 1 is not an array of positions"),
    (geojson([SQUARE]), "ring 0 is not an array of positions"),
    (geojson([["0", "0"], ["9", "0"], ["9", "9"]]), "ring 0 is not an array of positions"),
    (geojson([[True, False], [True, True], [False, True]]), "pairs of numbers, mm"),
    (geojson([[0, 0], [9, 0, 3], [9, 9]]), "ring 0 is not an array of positions"),
    (geojson([[0, 0], [9, 0], [9, 10**400]]), "ring 0 is not an array of positions"),
    ('{"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, NaN]]]}', "NaN or infinite"),
    ('{"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 1e999]]]}', "NaN or infinite"),
    (geojson([[0, 0], [1e308, 0], [-1e308, 1]]), "at most 1e\\+09 mm"),
    (geojson(BOW), r"not valid: self-intersection at \(5, 5\)"),
    (geojson(SQUARE, [[60, 60], [61, 60], [61, 61]]), r"hole lies outside shell at \(60, 60\)"),
    (collection(), "the file contains no polygon"),
    (collection("1"), "GeoJSON type is missing"),
    (collection(feature(geojson(SQUARE)), feature(geojson(BOW))), "the file contains 2 polygons"),
    (b"POLYGON \xff", "byte 0xff is not UTF-8"),
    (b" " * ((4 << 20) + 1), "larger than 4 MiB"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "words"), REFUSED, ids=[str(i) for i in range(len(REFUSED))])
def test_refusals(read, text, words):
    with pytest.raises(PathgenError) as caught:
        read(text)
    line = str(caught.value)
    # `where` comes between what is wrong and what is allowed.
    assert "outline.txt" in line and "\n" not in line and len(line) < 600
    with pytest.raises(PathgenError, match=words):
        raise PathgenError(caught.value.what, allowed=caught.value.allowed, hint=caught.value.hint)


@pytest.mark.parametrize(
    ("text", "before", "length"),
    [
        ("POLYGON ((" + "x" * 300 + "))", "the file is not valid WKT: ", 120),
        ("y" * 300, "the file starts with ", 42),  # forty letters between quotes
        ('{"type": "' + "z" * 300 + '"}', "GeoJSON type is ", 40),
    ],
)
def test_long_texts_are_quoted_in_part(read, text, before, length):
    with pytest.raises(PathgenError) as caught:
        read(text)
    assert caught.value.what.startswith(before)
    assert len(caught.value.what.removeprefix(before)) == length


def test_files_that_are_none(tmp_path):
    missing = tmp_path / "no.wkt"
    for path, words in ((tmp_path, "a folder"), (missing, "no such file"), ("a\0b", "cannot be read")):
        with pytest.raises(PathgenError, match=words):
            polygon_file(path)


def test_a_size_out_of_range_is_refused_before_scaling_to_it(read):
    with pytest.raises(PathgenError, match="width of the outline is -3 mm"):
        read(geojson(SQUARE), -3)
