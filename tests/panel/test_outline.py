"""Outlines and the flat they stand on."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from pathgen.errors import PathgenError
from pathgen.panel.outline import chords, resize_outline, with_foot
from pathgen.panel.outline_arch import arch
from pathgen.panel.outline_disc import ellipse
from pathgen.panel.outline_rectangle import rectangle

SIDES = st.floats(1, 500)
TEE = Polygon([(45, 0), (55, 0), (55, 80), (100, 80), (100, 90), (0, 90), (0, 80), (45, 80)])
VEE = Polygon([(50, 0), (100, 80), (80, 80), (50, 5), (20, 80), (0, 80)])
FUNNEL = Polygon([(0, 0), (9, 9), (6, 9), (6, 20), (3, 20), (3, 9), (-3, 9)])
TRESTLE = Polygon([(10, 0), (20, 40), (80, 40), (90, 0), (95, 60), (5, 60)])


def star(points, seed):
    """A star-shaped polygon: any radii about a middle, so it never crosses itself."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, 2 * np.pi, points))
    radius = random.uniform(10, 50, points)
    return Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


STARS = st.builds(star, st.integers(5, 60), st.integers(0, 10**6)).filter(
    lambda p: p.is_valid and p.contains(shapely.Point(0, 0))
)


def chord(outline, z):
    """Length of the outline's section at a height, by general geometry."""
    left, _, right, _ = outline.bounds
    return shapely.intersection(outline, shapely.linestrings([(left - 1, z), (right + 1, z)])).length


# Areas from plane geometry; the curves' straight pieces lie inside by at most 0.002 mm.
AREAS = [
    (rectangle(60, 40), 2400),
    (rectangle(60, 40, corner=5), 2400 - (4 - np.pi) * 25),
    (rectangle(40, 40, corner=20), np.pi * 400),
    (ellipse(100, 100), np.pi * 2500),
    (ellipse(100, 40), np.pi * 50 * 20),
    (arch(60, 80), 60 * 50 + np.pi * 450),
    (arch(60, 30), np.pi * 450),
    # Segment of a circle through (±30, 0) and (0, 10): radius 50, half angle asin(0.6).
    (arch(60, 10), 2500 * (np.arcsin(0.6) - 0.6 * 0.8)),
]


@pytest.mark.parametrize(("outline", "area"), AREAS)
def test_areas(outline, area):
    assert 0 <= area - outline.area <= 0.002 * outline.length + 1e-9
    assert outline.bounds[:2] == (0, 0)
    assert outline.is_valid


@settings(deadline=None)
@given(width=SIDES, height=SIDES, share=st.floats(0, 1))
def test_outlines_fill_the_size_asked_for_and_mirror_themselves(width, height, share):
    outlines = [ellipse(width, height), arch(width, height)]
    outlines.append(rectangle(width, height, corner=share * min(width, height) / 2))
    for outline in outlines:
        assert outline.is_valid
        assert outline.bounds == pytest.approx((0, 0, width, height), abs=1e-9)
        mirrored = shapely.transform(outline, lambda points, w=width: points * (-1, 1) + (w, 0))
        assert shapely.hausdorff_distance(outline, mirrored) < 1e-9


REFUSED = [
    (lambda: rectangle(0, 10), "width of the outline is 0 mm; allowed: 0.01 to 2000 mm"),
    (lambda: rectangle(10, -1), "height of the outline is -1 mm"),
    (lambda: ellipse(np.nan, 10), "width of the outline is nan mm"),
    (lambda: arch(10, np.inf), "height of the outline is inf mm"),
    (lambda: ellipse(10, 2001), "height of the outline is 2001 mm"),
    (lambda: rectangle(10, 6, corner=3.1), "corner is 3.1 mm .corner.; allowed: 0 to 3 mm"),
    (lambda: rectangle(10, 6, corner=-1), "corner is -1 mm"),
    (lambda: rectangle(10, 6, corner=np.nan), "corner is nan mm"),
    (lambda: resize_outline(rectangle(10, 6), width=0), "width of the outline is 0 mm"),
    (lambda: resize_outline(rectangle(1, 100), width=30), "height of the outline is 3000 mm"),
    (lambda: with_foot(ellipse(50, 80), 51), "foot of 51 mm does not fit an outline that is 50 mm at"),
    (lambda: with_foot(ellipse(50, 80), 0), "allowed: more than 0 and at most 50 mm"),
    (lambda: with_foot(ellipse(50, 80), np.nan), "foot of nan mm"),
    # Cut where its arms are wide apart, a V has no bottom to hold them together.
    (lambda: with_foot(VEE, 20), "a foot of 20 mm cuts off 35.56 mm and leaves 2 pieces"),
    # Widest at one level only, and narrower at once above it.
    (lambda: with_foot(FUNNEL, 12), "fits the outline only at a single height.*: less than 12 mm"),
]  # fmt: skip


@pytest.mark.parametrize(("make", "words"), REFUSED)
def test_refusals(make, words):
    with pytest.raises(PathgenError, match=words):
        make()


def test_resizing():
    outline = shapely.transform(ellipse(100, 50), lambda points: points + (7, -9))
    assert resize_outline(outline).bounds == pytest.approx((0, 0, 100, 50))
    assert resize_outline(outline, height=30).bounds == pytest.approx((0, 0, 60, 30))
    assert resize_outline(outline, 30, 70).bounds == pytest.approx((0, 0, 30, 70))


@settings(deadline=None)
@given(STARS, st.integers(0, 10**6))
def test_chords_are_those_of_general_geometry(outline, seed):
    levels, above, below = chords(outline)
    k = np.random.default_rng(seed).integers(0, len(levels) - 1)
    for share in (0.25, 0.5, 0.75):
        z = levels[k] + share * (levels[k + 1] - levels[k])
        expected = chord(outline, z)
        if levels[k + 1] - levels[k] > 1e-3:  # levels are rounded to a millionth
            assert above[k] * (1 - share) + below[k] * share == pytest.approx(expected, abs=0.01)


@settings(deadline=None)
@given(STARS, st.floats(0.02, 0.98))
def test_a_foot_is_as_wide_as_asked_and_as_low_as_can_be(outline, share):
    foot = share * (outline.bounds[2] - outline.bounds[0])
    try:
        standing = with_foot(outline, foot)
    except PathgenError:
        return
    assert standing.is_valid and standing.bounds[:2] == pytest.approx((0, 0), abs=1e-12)
    assert chord(standing, 1e-5) >= foot - 0.05
    low, high = outline.bounds[1], outline.bounds[3]
    cut = (high - low) - standing.bounds[3]
    for z in np.linspace(low, low + cut, 20)[1:-1]:
        assert chord(outline, z) <= foot + 1e-3


@settings(deadline=None)
@given(STARS)
def test_the_default_foot_takes_a_tenth_at_most(outline):
    try:
        standing = with_foot(outline)
    except PathgenError as error:  # two tips that the lowest tenth does not join
        assert "pieces" in str(error)
        return
    low, high = outline.bounds[1], outline.bounds[3]
    assert standing.bounds[3] >= 0.9 * (high - low) - 1e-6


def test_default_feet():
    # Disc of radius 50: a chord of 40 mm is 50 − √(50² − 20²) up (Pythagoras).
    assert with_foot(ellipse(100, 100)).bounds[3] == pytest.approx(50 + np.sqrt(2100), abs=0.005)
    # What stands on all the width its lowest tenth has is left alone.
    for outline in (rectangle(60, 40), rectangle(60, 40, 10), arch(60, 80), TEE):
        assert with_foot(outline).equals(outline)


def test_a_panel_may_stand_on_several_feet():
    standing = with_foot(TRESTLE, 10)
    line = shapely.intersection(standing, shapely.linestrings([(-1, 1e-6), (200, 1e-6)]))
    assert len(shapely.get_parts(line)) == 2 and line.length == pytest.approx(10, abs=1e-3)


def test_a_narrow_foot_asked_for_high_up_is_cut_there():
    assert with_foot(TEE, 50).bounds == pytest.approx((0, 0, 100, 10))
