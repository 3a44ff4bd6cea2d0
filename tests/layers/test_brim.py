"""The brim around the foot."""

import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from pathgen.layers.brim import brim_loops
from pathgen.layers.sections import section_outline
from pathgen.layers.strokes import Profiles

FOOT = Profiles(np.full((1, 200), 3.0), 0.1)
FOOT_OUTLINE = section_outline(FOOT.thickness[0], 0.1, 0.01)


def rings(strokes):
    points = np.column_stack([strokes.u, strokes.n])
    return [Polygon(points[a:b]) for a, b in zip(strokes.start[:-1], strokes.start[1:], strict=True)]


def test_loops_cover_the_brim_once():
    spacing, width = 0.5, 10.0
    strokes = brim_loops(FOOT, width, spacing)
    around = FOOT_OUTLINE.buffer(width).difference(FOOT_OUTLINE).area
    assert strokes.area.sum() == pytest.approx(around, rel=5e-3)


def test_outermost_first_and_the_innermost_touches_the_foot():
    strokes = brim_loops(FOOT, 10.0, 0.5)
    loops = rings(strokes)
    assert all(outer.area > inner.area for outer, inner in zip(loops, loops[1:], strict=False))
    gap = LineString(loops[-1].exterior).distance(FOOT_OUTLINE)
    assert gap == pytest.approx(0.25, abs=0.06)


def test_width_zero_and_an_empty_foot_give_none():
    assert len(brim_loops(FOOT, 0.0, 0.5)) == 0
    assert len(brim_loops(Profiles(np.zeros((1, 50)), 0.1), 5.0, 0.5)) == 0


def test_feet_that_stand_apart_share_loops_where_they_meet():
    wall = np.full((1, 200), 3.0)
    wall[:, 95:105] = 0
    strokes = brim_loops(Profiles(wall, 0.1), 5.0, 0.5)
    loops = rings(strokes)
    assert len(loops) > 10
    apart = sum(loop.length < 40 for loop in loops)
    assert apart == 2  # only the innermost loops pass between the feet, 1 mm apart
