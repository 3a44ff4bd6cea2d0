"""Footprints and in-plane metrics on strips worked by hand; areas by shapely and by counting points."""

import numpy as np
import pytest
import shapely

from pathgen.motion import Kind, Moves
from pathgen.proof.footprint import (
    extract_beads,
    fitted_outlines,
    run_shapes,
    section_shape,
    stadium_shapes,
    visible_width,
)
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import measure_coverage

HEIGHT, LENGTH, FILAMENT = 0.2, 40.0, np.pi * 1.75**2 / 4
AMOUNTS = {"packing": 1.0, "filament_diameter": 1.75}


def frame_of(length=LENGTH, pixel=0.1):
    return Frame(0, 0.0, 0.0, length, pixel, np.array([HEIGHT]))


def strokes_of(*paths):
    """Moves along paths in (u, n), a travel before each: (points, width of each move)."""
    rows = []
    for points, widths in paths:
        points = np.asarray(points, float)
        lengths = np.hypot(*np.diff(points, axis=0).T)
        rows.append((*points[0], 0.0, Kind.TRAVEL))
        fed = np.broadcast_to(widths, lengths.shape) * HEIGHT * lengths / FILAMENT
        rows += [(*point, amount, Kind.WALL) for point, amount in zip(points[1:], fed, strict=True)]
    u, n, filament = (np.array([row[i] for row in rows]) for i in range(3))
    kind = np.array([row[3] for row in rows], np.uint8)
    z, feed, layer = np.full(len(u), HEIGHT), np.full(len(u), 20.0), np.zeros(len(u), np.int32)
    return Moves((-9.0, 5.0, HEIGHT), u, -n, z, filament, feed, kind, layer)


def strip(centres, width):
    return strokes_of(*([[(0.0, n), (LENGTH, n)], width] for n in centres))


@pytest.mark.parametrize(
    ("pairs", "void", "overlap"),
    [(1, 0.20, 0.0), (2, 0.0, 0.60)],
)
@pytest.mark.parametrize("joints", ["round", "fitted"])
def test_the_uniform_bead_strip(pairs, void, overlap, joints):
    """Uniform offsets, t 1.0, w 0.4: (t − 2kw)/t unfilled, or (2kw − t)/t overlap (derived by hand)."""
    width, thickness = 0.4, 1.0
    centres = [width * (i + 0.5) for i in range(pairs)]
    centres += [thickness - n for n in centres]
    moves, section = strip(centres, width), np.full(round(LENGTH / 0.1), thickness)
    (found,) = measure_coverage(
        moves, frame_of(), [section], [0], between=(2.0, LENGTH - 2), joints=joints, **AMOUNTS
    )
    assert found.void == pytest.approx(void, abs=0.01)
    assert found.overlap == pytest.approx(overlap, abs=0.01)
    assert found.filled == pytest.approx(2 * pairs * width / thickness, rel=1e-3)


def test_stadium_area_is_the_exact_geometry():
    """A stadium of length L and width w: L·w + π·w²/4."""
    start, end = np.array([[0.0, 0.0], [1.0, 1.0]]), np.array([[3.0, 4.0], [1.0, 2.0]])
    width = np.array([0.4, 0.6])
    found = [shape.area for shape in stadium_shapes(start, end, width)]
    # Round ends are chords, hence 1 %.
    assert found == pytest.approx(np.array([5.0, 1.0]) * width + np.pi * width**2 / 4, rel=1e-2)


@pytest.mark.parametrize(("width", "height", "area"), [(0.4, 0.2, 0.0714159), (0.6, 0.3, 0.1606858)])
def test_visible_width_of_the_stadium_section(width, height, area):
    """Stadium sections, exact geometry: 0.4 × 0.2 mm has 0.0714159 mm², 0.6 × 0.3 mm 0.1606858 mm²."""
    assert visible_width(np.array([area / height]), height) == pytest.approx(width, rel=1e-6)


def wavy(seed, moves=40):
    """A stroke to the right whose width and height keep changing."""
    rng = np.random.default_rng(seed)
    u = 1.0 + np.concatenate([[0.0], np.cumsum(rng.uniform(0.1, 0.4, moves))])
    n = 1.0 + 0.4 * np.sin(u + rng.uniform(0, 6))
    return np.column_stack([u, n]), 0.42 * (1 + 0.3 * np.sin(3 * u[1:]))


def beads_along(*paths):
    return extract_beads(strokes_of(*paths), frame_of(), **AMOUNTS)


def test_equal_widths_on_a_line_make_one_stadium_whatever_the_joint():
    """shapely's own buffer of the whole line is the reference."""
    beads = beads_along([np.column_stack([np.linspace(1, 9, 17), np.ones(17)]), 0.4])
    whole = shapely.buffer(shapely.LineString([(1, 1), (9, 1)]), 0.2, quad_segs=4)
    for joints in ("round", "fitted"):
        (shape,) = run_shapes(beads, beads.spacing, joints)
        assert shape.symmetric_difference(whole).area < 1e-9


@pytest.mark.parametrize("seed", range(4))
def test_fitted_joints_cover_what_is_deposited(seed):
    """Area deposited, and a round end's π·w²/8 at either end of the stroke (exact geometry)."""
    beads = beads_along(wavy(seed))
    laid = beads.area.sum() + np.pi / 8 * (beads.spacing[0] ** 2 + beads.spacing[-1] ** 2)
    (bulging,), (fit,) = (run_shapes(beads, beads.spacing, joints) for joints in ("round", "fitted"))
    assert fit.area == pytest.approx(laid, rel=0.01)
    assert bulging.area > laid * 1.005
    assert all(shape.is_valid for shape in fitted_outlines(beads, beads.spacing))


def counted(paths, thickness, step=0.01):
    """Void, overlap and outside by counting points, without polygons: each stroke is a set of stadiums."""
    u, n = np.meshgrid(np.arange(step / 2, 14, step), np.arange(-1 + step / 2, 4, step))
    times = np.zeros(u.shape, int)
    for points, widths in paths:
        points, covered = np.asarray(points, float), np.zeros(u.shape, bool)
        for (u0, n0), (u1, n1), width in zip(points[:-1], points[1:], widths, strict=True):
            along, out = u1 - u0, n1 - n0
            share = np.clip(((u - u0) * along + (n - n0) * out) / (along**2 + out**2), 0, 1)
            covered |= np.hypot(u - u0 - share * along, n - n0 - share * out) <= width / 2
        times += covered
    inside = (n > 0) & (n < thickness)
    cells = inside.sum()
    return (
        (times[inside] == 0).sum() / cells,
        np.maximum(times[inside] - 1, 0).sum() / cells,
        (times[~inside] > 0).sum() / cells,
    )


@pytest.mark.parametrize("seed", range(3))
def test_shares_are_those_of_counted_points(seed):
    """An own count of grid points, 0.01 mm apart, against the polygons."""
    paths = [wavy(seed), wavy(seed + 10), wavy(seed + 20)]
    paths = [(points + np.array([0.0, 0.3 * i]), width) for i, (points, width) in enumerate(paths)]
    frame = frame_of(14.0)
    (found,) = measure_coverage(strokes_of(*paths), frame, [np.full(140, 1.8)], [0], **AMOUNTS)
    void, overlap, outside = counted(paths, 1.8)
    assert overlap > 0.05 and void > 0.05
    assert (found.void, found.overlap, found.outside) == pytest.approx((void, overlap, outside), abs=2e-3)


def test_a_section_has_the_area_of_its_columns():
    """Sums of columns by hand, a gap and a last column that is narrower among them."""
    frame = Frame(0, 0.0, 0.0, 0.95, 0.1, np.array([HEIGHT]))
    thickness = np.array([1.0, 2.0, 2.0, 0.0, np.nan, 3.0, 1.0, 0.5, 0.5, 4.0])
    shape = section_shape(thickness, frame)
    assert shape.is_valid and len(shapely.get_parts(shape)) == 2
    assert shape.area == pytest.approx(0.1 * (1 + 2 + 2 + 3 + 1 + 0.5 + 0.5) + 0.05 * 4)
    assert section_shape(np.zeros(10), frame).is_empty
