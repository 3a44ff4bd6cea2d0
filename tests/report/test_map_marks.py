"""What is marked on a map: in place, seen by everyone, and numbered where there is room."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from pathgen.report.canvas import THICKNESS_COLOURS, Box
from pathgen.report.map_marks import (
    BADGE,
    BARE,
    FIN,
    FRINGE,
    MARK,
    RIB,
    Marks,
    draw_marks,
    draw_swatch,
    place_labels,
)

HIGH, WIDE = 90, 120
# Dichromats' confusions in linear sRGB (Viénot, Brettel and Mollon, Color Res. Appl. 24, 1999; from memory).
SEEN_BY = {
    "all": np.eye(3),
    "protanopes": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deuteranopes": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
}


def marks_of(shape=(30, 40), **given):
    values = {name: np.zeros(shape, bool) for name in ("face", "outline")}
    values |= {name: np.zeros(shape, np.int8) for name in ("numbers", "supports")}
    return Marks(**(values | given))


def marked(marks, wall=True):
    dots = np.full((HIGH, WIDE, 3), 90, np.uint8)
    return draw_marks(dots, np.full((HIGH, WIDE), wall), marks)


def at(dots, colour):
    return (dots == np.array(colour)).all(axis=2)


def as_seen(colours, matrix):
    """Colours (N, 3) of 0 to 255 in CIELAB, as someone sees them."""
    codes = np.asarray(colours, float) / 255
    linear = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    seen = np.clip(linear @ matrix.T, 0, 1)
    codes = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return rgb2lab(codes[None])[0]


@pytest.mark.parametrize("who", SEEN_BY)
def test_the_mark_differs_from_every_colour_of_the_map(who):
    scale = THICKNESS_COLOURS(np.linspace(0, 1, 64))[:, :3] * 255
    others = as_seen([*scale, BARE], SEEN_BY[who])
    apart = deltaE_ciede2000(as_seen([MARK], SEEN_BY[who]), others)
    # A just noticeable difference is about 1 (CIE 142:2001); twenty is another colour at a glance.
    assert apart.min() > 20


def test_nothing_to_mark_leaves_the_map_alone():
    assert (marked(marks_of()) == 90).all()


def test_a_mark_is_where_it_leans():
    marks = marks_of()
    marks.face[10:20, 30:] = True
    rows, cols = np.nonzero(at(marked(marks), MARK))
    assert [rows.min(), rows.max() + 1] == pytest.approx([30, 60], abs=1)
    assert [cols.min(), cols.max() + 1] == pytest.approx([90, 120], abs=1)


@pytest.mark.parametrize("cell", [(0, 0), (3, 7), (499, 999), (250, 501)])
def test_no_cell_is_lost_however_small(cell):
    marks = marks_of((500, 1000))
    marks.face[cell] = True
    rows, cols = np.nonzero(at(marked(marks), MARK))
    middle = (cell[0] + 0.5) / 500 * HIGH, (cell[1] + 0.5) / 1000 * WIDE
    assert rows.min() <= middle[0] <= rows.max() + 1 and cols.min() <= middle[1] <= cols.max() + 1
    assert len(rows) >= 4  # widened, so that it is seen
    if cell == (250, 501):  # evenly to all sides
        assert (rows.mean(), cols.mean()) == (int(middle[0]), int(middle[1]))


def test_crowded_marks_are_not_widened():
    marks = marks_of((HIGH, WIDE))
    marks.face[20:70:3, 20:100] = True  # one dot in three
    inner = at(marked(marks), MARK)[25:65, 25:95]
    assert inner.mean() == pytest.approx(1 / 3, abs=0.03)


def test_face_and_outline_differ_without_their_colour():
    face, outline = marks_of(), marks_of()
    face.face[10:20, 10:20] = outline.outline[10:20, 10:20] = True
    block = slice(33, 57), slice(33, 57)
    assert at(marked(face), MARK)[block].all()
    hatched = marked(outline)[block]
    assert at(hatched, MARK).mean() == pytest.approx(0.5, abs=0.05)
    assert at(hatched, FRINGE).mean() == pytest.approx(0.5, abs=0.05)
    assert not (draw_swatch("face", 15, 30) == draw_swatch("outline", 15, 30)).all()


def test_supports_have_a_border_and_leave_the_wall_to_be_seen():
    marks = marks_of()
    marks.supports[10:, 5:15] = RIB
    marks.supports[10:, 9:11] = FIN
    before, beside = marked(marks), marked(marks, wall=False)
    for dots in (before, beside):
        changed = ~at(dots, (90, 90, 90))
        rows, cols = np.nonzero(changed)
        assert [rows.min(), rows.max(), cols.min(), cols.max() + 1] == pytest.approx([30, 89, 15, 45], abs=1)
    assert at(before, (90, 90, 90))[60, 30]
    tones = [tuple(beside[60, col]) for col in (20, 30)]
    assert len({*tones, (90, 90, 90)}) == 3


def test_numbers_are_inside_the_map_and_apart():
    rng = np.random.default_rng(4)
    for wide, high in ((460, 460), (64, 640), (460, 46), (200, 100)):
        box = Box(0, 0, wide, high)
        spots = rng.random((5, 2)) * (wide, high)
        found = place_labels(spots, box)
        assert (found > BADGE / 2).all() and (found < np.array([wide, high]) - BADGE / 2).all()
        assert all(np.abs(a - b).max() > BADGE for a, b in combinations(found, 2))
        if min(wide, high) > 400:  # there is room beside all places
            assert (np.abs(found[:, None] - spots).max(axis=2) > BADGE / 2 + 1).all()


def test_a_number_keeps_off_other_places():
    free = place_labels(np.array([[100.0, 100.0]]), Box(0, 0, 300, 300))[0]
    found = place_labels(np.array([[100.0, 100.0], free]), Box(0, 0, 300, 300))
    assert np.abs(found[0] - free).max() > BADGE / 2 + 1
    near = np.abs(found - [[100.0, 100.0], free]).max(axis=1)
    assert (near < 25).all()  # one of the nearest positions will do


def test_numbers_stay_apart_where_there_is_no_room():
    spots = np.full((5, 2), 4.0)
    found = place_labels(spots, Box(0, 0, 8, 8))
    assert all(np.abs(a - b).max() > BADGE for a, b in combinations(found, 2))
    assert place_labels(np.empty((0, 2)), Box(0, 0, 8, 8)).shape == (0, 2)
