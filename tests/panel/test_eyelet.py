"""Eyelets: they print without a support, keep their walls, and are refused where they cannot."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.eyelet import Eyelet, eyelets, raise_lugs, teardrop
from pathgen.panel.outline import with_foot
from pathgen.panel.outline_arch import arch
from pathgen.panel.outline_disc import ellipse
from pathgen.panel.outline_rectangle import rectangle
from pathgen.panel.pixels import grid_over, mask
from pathgen.panel.rim import RimShape, rim

PIXEL = 0.1
OUTLINES = [rectangle(100, 60), rectangle(100, 60, 10), with_foot(ellipse(100, 100)), arch(60, 100)]
SPECS = st.builds(
    Eyelet, at=st.floats(0.3, 0.7), opening=st.floats(2, 8), wall=st.floats(1.2, 3),
    overhang=st.floats(25, 65),
)  # fmt: skip


def holes(hung, outline):
    return [Polygon(ring) for ring in hung.interiors[len(outline.interiors) :]]


@pytest.mark.parametrize("overhang", [20, 30, 45, 60, 75])
def test_the_opening_never_closes_faster_than_its_overhang(overhang):
    hung, _ = eyelets(rectangle(40, 20), [Eyelet(0.5, opening=10, overhang=overhang)], 3.0)
    grid = grid_over(hung, 0.05)
    solid = mask(hung, grid)
    (opening,) = holes(hung, rectangle(40, 20))
    width = (mask(opening, grid) & ~solid).sum(axis=1)[::-1] * grid.pixel  # row by row, upward
    rows = np.flatnonzero(width)
    half = width[rows[0] : rows[-1] + 1] / 2
    widest = int(half.argmax())
    upper = half[widest:]
    up = np.arange(len(upper)) * grid.pixel
    # Over any two rows: closing by at most their distance times tan(overhang), to a pixel on each side.
    closed, apart = upper[:, None] - upper, up - up[:, None]
    steepest = apart * np.tan(np.radians(overhang))
    assert (closed <= steepest + 2 * grid.pixel)[apart > 0].all()
    assert len(upper) * grid.pixel == pytest.approx(5 / np.sin(np.radians(overhang)), abs=0.5)
    assert half.max() == pytest.approx(5, abs=grid.pixel)


@settings(deadline=None)
@given(radius=st.floats(0.5, 20), overhang=st.floats(15, 75))
def test_the_openings_roof_leans_as_stated(radius, overhang):
    points = shapely.get_coordinates(teardrop(3, 7, radius, overhang))
    step = np.diff(points, axis=0)
    # A counter-clockwise ring has its inside on the left: pieces that run to the left are its roof.
    roof = step[(step[:, 0] < 0) & (points[:-1, 1] > 7 + 1e-9)]
    lean = np.degrees(np.arctan2(np.abs(roof[:, 0]), np.abs(roof[:, 1])))
    assert lean.max() == pytest.approx(overhang, abs=1e-6)
    shape = teardrop(0, 0, radius, overhang)
    lean = np.radians(overhang)
    # Circle less the segment over the tangents, plus the triangle between them (plane geometry).
    wedge = np.pi / 2 - lean
    area = np.pi * radius**2 - wedge * radius**2 + radius**2 / np.tan(lean)
    assert shape.area == pytest.approx(area, rel=5e-3)
    assert shape.bounds == pytest.approx((-radius, -radius, radius, radius / np.sin(lean)), abs=1e-9)


@pytest.mark.parametrize("point", ["up", "left", "right"])
def test_an_opening_is_centred_on_its_place(point):
    hung, _ = eyelets(rectangle(100, 60), [Eyelet(0.4, point=point)], 3.0)
    left, _, right, _ = holes(hung, rectangle(100, 60))[0].bounds
    assert (left + right) / 2 == pytest.approx(40, abs=1e-6)


@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("point", ["up", "left"])
def test_wherever_an_outline_lies_it_gets_the_same_eyelets(outline, point):
    specs = [Eyelet(0.3, point=point), Eyelet(0.7, opening=3.0)]
    right = outline.bounds[2]
    for u, z in ((5.0, right), (-right, -20.0)):
        moved = shapely.affinity.translate(outline, u, z)
        for one, other in zip(eyelets(outline, specs, 3.0), eyelets(moved, specs, 3.0), strict=True):
            back = shapely.affinity.translate(other, -u, -z)
            assert shapely.symmetric_difference(one, back).area < 1e-6


@pytest.mark.parametrize("outline", OUTLINES)
@settings(max_examples=25, deadline=None)
@given(spec=SPECS, width=st.floats(0, 8))
def test_what_an_eyelet_keeps(outline, spec, width):
    hung, lugs = eyelets(outline, [spec], width)
    (opening,) = holes(hung, outline)
    assert hung.is_valid and lugs.is_valid
    # All of the outline is still there but for the opening, and the panel is no wider.
    assert shapely.difference(outline, shapely.union(hung, opening)).area < 1e-6
    assert hung.bounds[:3] == outline.bounds[:3] and hung.bounds[3] > outline.bounds[3] - 50
    # The wall goes all round, to the picture as to the outside; 0.01 mm is what arcs in pieces cost.
    assert shapely.distance(opening, Polygon(hung.exterior).boundary) >= spec.wall - 0.01
    picture = outline.buffer(-max(width, 1e-6), quad_segs=64)
    assert shapely.distance(opening, picture) >= spec.wall - 0.01
    assert shapely.intersection(lugs, picture).area < 1e-6
    # What was added is the lugs.
    added = shapely.difference(hung, outline)
    assert shapely.difference(added, lugs).area < 1e-6


@pytest.mark.parametrize("outline", OUTLINES)
@settings(max_examples=10, deadline=None)
@given(spec=SPECS, width=st.floats(0, 8))
def test_no_lug_hangs_over(outline, spec, width):
    hung, _ = eyelets(outline, [spec], width)
    grid = grid_over(hung, 0.4)
    added = mask(Polygon(hung.exterior), grid) & ~mask(outline, grid)
    filled = added | mask(outline, grid)
    # Right under every pixel of a lug is lug or panel.
    assert filled[1:][added[:-1]].all()


def test_lugs_get_the_rims_thickness_and_openings_none():
    outline = rectangle(100, 60)
    specs = [Eyelet(0.85), Eyelet(0.15, opening=6)]
    hung, lugs = eyelets(outline, specs, 3.0)
    grid = grid_over(hung, PIXEL)
    framed, picture = rim(np.ones(grid.shape), outline, grid, RimShape(3.0, 4.0))
    panel = raise_lugs(framed, hung, lugs, grid, 4.0)
    np.testing.assert_array_equal(panel > 0, mask(hung, grid))
    np.testing.assert_array_equal(panel[picture], 1.0)
    assert set(np.unique(panel)) == {0.0, 1.0, 4.0}
    area = hung.area - 94 * 54
    assert (panel == 4).sum() * PIXEL**2 == pytest.approx(area, rel=2e-3)
    left, right = (panel[:, cols] for cols in (slice(0, 500), slice(500, None)))
    assert (left[:-600] > 0).any(axis=0).sum() == pytest.approx(90, abs=1)  # 6 mm and twice 1.5
    assert (right[:-600] > 0).any(axis=0).sum() == pytest.approx(70, abs=1)


def test_order_does_not_matter_and_none_changes_nothing():
    outline = arch(60, 100)
    one, two = Eyelet(0.3), Eyelet(0.7)
    assert eyelets(outline, [one, two], 3.0)[0].equals(eyelets(outline, [two, one], 3.0)[0])
    hung, lugs = eyelets(outline, [], 3.0)
    assert hung.equals(outline) and lugs.is_empty
    grid = grid_over(hung, 1.0)
    assert (raise_lugs(np.ones(grid.shape), hung, lugs, grid, 4.0) == 1).all()


def test_a_hole_below_a_lug_is_not_filled():
    outline = shapely.difference(rectangle(60, 40), shapely.box(25, 20, 35, 30))
    hung, _ = eyelets(outline, [Eyelet()], 3.0)
    assert sorted(round(Polygon(ring).area) for ring in hung.interiors)[-1] == 100


def test_symmetry():
    hung, lugs = eyelets(with_foot(ellipse(80, 80)), [Eyelet(0.25), Eyelet(0.75)], 3.0)
    grid = grid_over(hung, PIXEL)
    for shape in (hung, lugs):
        np.testing.assert_array_equal(mask(shape, grid), mask(shape, grid)[:, ::-1])


PLATE = rectangle(60, 40)
BATTLEMENT = Polygon([(0, 0), (60, 0), (60, 40), (32, 40), (32, 20), (0, 20)])
REFUSED = [
    (PLATE, [Eyelet(at=0.05)], 3, "the side of the panel (eyelet_at 0.05); allowed: 0.058333 to 0.941667"),
    (PLATE, [Eyelet(at=-1)], 3, "the lug around the eyelet extends beyond the side of the panel"),
    (PLATE, [Eyelet(at=np.nan)], 3, "the lug around the eyelet extends beyond the side of the panel"),
    (rectangle(6, 40), [Eyelet()], 2, "a lug of 7 mm is wider than the panel of 6 mm"),
    (PLATE, [Eyelet(opening=0)], 3, "opening is 0 mm (eyelet_opening); allowed: 0.5 to 50 mm"),
    (PLATE, [Eyelet(opening=np.inf)], 3, "opening is inf mm"),
    (PLATE, [Eyelet(wall=0.1)], 3, "wall is 0.1 mm (eyelet_wall); allowed: 0.4 to 20 mm"),
    (PLATE, [Eyelet(overhang=5)], 3, "overhang is 5 degrees (eyelet_overhang); allowed: 15 to 75 degrees"),
    (PLATE, [Eyelet(overhang=np.nan)], 3, "overhang is nan degrees"),
    (PLATE, [Eyelet(rise=np.nan)], 3, "rise is nan mm (eyelet_at 0.5); allowed: -50 to 50 mm"),
    (PLATE, [Eyelet(rise=-25)], 3, "a rise of -25 mm places the opening outside the outline (eyelet_at 0.5)"),
    (PLATE, [Eyelet(rise=0)], 3, "and the picture is 1 mm (eyelet_at 0.5); allowed: 1.5 mm"),
    (PLATE, [Eyelet(rise=-4)], 3, "the wall between the opening and the picture is 0 mm"),
    (PLATE, [Eyelet(0.45), Eyelet(0.55)], 3, "at 0.45 and 0.55 overlap (eyelet_at); place them further"),
    (PLATE, [Eyelet(), Eyelet(0.2), Eyelet()], 3, "eyelets at 0.5 and 0.5 overlap"),
    (PLATE, [Eyelet()], -1, "the rim width is -1 mm"),
    (PLATE, [Eyelet()], np.nan, "the rim width is nan mm"),
    (ellipse(100, 100), [Eyelet(0.05)], 3, "over the 7 mm width of the lug (eyelet_at 0.05); allowed: at"),
    (BATTLEMENT, [Eyelet(0.56)], 3, "the outline falls by 20 mm over the 7 mm width of the lug"),
]  # fmt: skip


@pytest.mark.parametrize(("outline", "specs", "width", "words"), REFUSED)
def test_refusals(outline, specs, width, words):
    with pytest.raises(PathgenError) as caught:
        eyelets(outline, specs, width)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_an_opening_needs_its_wall_to_the_outside_too():
    # A bar 2 mm high over a gap: no rim to lie in, whatever the rim's width says.
    bar = shapely.difference(rectangle(60, 40), shapely.box(10, 0, 50, 38))
    with pytest.raises(PathgenError, match="the wall between the opening and the outside is 0.5 mm"):
        eyelets(bar, [Eyelet(at=0.5)], 3.0)


def test_maps_that_do_not_fit():
    hung, lugs = eyelets(PLATE, [Eyelet()], 3.0)
    with pytest.raises(PathgenError, match="the thickness map has 4 × 4 pixels"):
        raise_lugs(np.ones((4, 4)), hung, lugs, grid_over(hung, 0.1), 4.0)
