"""The curves of sway and frequency, by where things lie on the sheet."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.text import Text

from pathgen.panel.steadiness import FRACTION, Conditions, compute_steadiness, measure_sections
from pathgen.report.canvas import SMALL, TINT, Box, Sheet
from pathgen.report.lettering import text_width
from pathgen.report.sway_curves import draw_frequency, draw_sway, round_ticks

SWAY, RING = Box(672, 60, 262, 230), Box(958, 60, 174, 230)


def wall_of(thick=1.0, high=120.0, acceleration=0.0, support=0.0):
    wall = measure_sections(np.full((int(high), 30), thick), 1.0)
    conditions = Conditions(3.5, 1240.0, acceleration, support=support)
    return compute_steadiness(wall, conditions, np.linspace(0, high, 101)[1:])


WALLS = {
    "steady": wall_of(4.0),
    "at the limit": wall_of(2.3, acceleration=1000.0),
    "beyond it": wall_of(1.5, acceleration=1000.0),
    "far beyond": wall_of(0.8, acceleration=1000.0),
    "paper": wall_of(0.3, acceleration=1000.0),
    "wedges": wall_of(0.8, acceleration=1000.0, support=60.0),
    "low wedges": wall_of(0.8, acceleration=1000.0, support=6.0),
    "high wedges": wall_of(0.8, acceleration=1000.0, support=110.0),
    "held": wall_of(0.8, acceleration=1000.0, support=120.0),
}


def both(steady):
    sheet = Sheet(360)
    draw_sway(sheet, SWAY, steady)
    draw_frequency(sheet, RING, steady)
    sheet.canvas.draw()
    return sheet


def test_the_walls_are_of_all_kinds():
    passed = {name: wall.limit_height() for name, wall in WALLS.items()}
    assert passed["steady"] is None and passed["held"] is None
    assert 0 < passed["paper"] < passed["far beyond"] < passed["beyond it"] < 120
    assert passed["low wedges"] > passed["far beyond"]


@pytest.mark.parametrize("name", WALLS)
def test_words_keep_off_the_curve_and_in_the_frame(name):
    sheet = both(WALLS[name])
    renderer = sheet.canvas.get_renderer()
    axes = sheet.axes[0]
    sway = np.append(0.0, WALLS[name].sway), np.append(0.0, WALLS[name].z)
    curve = axes.transData.transform(np.column_stack(sway))
    fine = np.linspace(0, len(curve) - 1, 4000)
    points = np.column_stack([np.interp(fine, np.arange(len(curve)), curve[:, i]) for i in (0, 1)])
    assert axes.texts
    for words in axes.texts:
        box = Text.get_window_extent(words, renderer)
        inside = (points > box.min).all(axis=1) & (points < box.max).all(axis=1)
        assert not inside.any(), words.get_text()
        frame = axes.get_window_extent(renderer).padded(1)
        assert frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0 and box.y1 <= frame.y1


@pytest.mark.parametrize("name", WALLS)
def test_words_keep_off_each_other(name, written):
    boxes = [box.padded(-0.5) for _, box in written(both(WALLS[name]))]
    assert len(boxes) > 8
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))


def test_both_curves_share_their_height_and_have_scales_of_their_own():
    sway, ring = both(WALLS["beyond it"]).axes
    assert sway.get_ylim() == ring.get_ylim() == (0, 120)
    assert ring.get_xscale() == "log" and sway.get_xscale() == "linear"
    low, high = ring.get_xlim()
    assert low < WALLS["beyond it"].frequency[-1] < high


def test_the_dot_is_where_the_curve_meets_the_limit():
    steady = WALLS["beyond it"]
    axes = both(steady).axes[0]
    (dot,) = [line for line in axes.lines if line.get_marker() == "o"]
    (x,), (y,) = dot.get_data()
    assert x == pytest.approx(FRACTION * 0.42)
    assert np.interp(y, np.append(0, steady.z), np.append(0, steady.sway)) == pytest.approx(x, rel=1e-6)


@pytest.mark.parametrize(("name", "high"), [("wedges", 60.0), ("steady", None)])
def test_the_height_that_wedges_hold_is_tinted_beside_both_curves(name, high):
    for axes in both(WALLS[name]).axes:
        tints = [patch for patch in axes.patches if to_hex(patch.get_facecolor()) == TINT]
        tops = [patch.get_extents().transformed(axes.transData.inverted()).y1 for patch in tints]
        edges = [line.get_ydata()[0] for line in axes.lines if len(set(line.get_ydata())) == 1]
        assert tops == pytest.approx([high] if high else [])
        assert (high in edges) == bool(high)


def test_a_wall_held_all_the_way_has_no_frequency_to_show():
    _, ring = both(WALLS["held"]).axes
    assert [t.get_text() for t in ring.texts] == ["supported throughout"]


@pytest.mark.parametrize(("low", "high"), [(15, 900), (0.2, 12), (9000, 5.4e5), (99, 101)])
def test_ticks_are_round_and_have_room(low, high):
    ticks = round_ticks(low, high, 174)
    assert all(low <= tick <= high for tick in ticks) and ticks == sorted(ticks)
    assert all(f"{tick:.1e}"[0] in "125" for tick in ticks)
    middles = [174 * np.log(tick / low) / np.log(high / low) for tick in ticks]
    widths = [text_width(f"{tick:g}", SMALL) for tick in ticks]
    for i in range(len(ticks) - 1):
        assert middles[i + 1] - middles[i] > (widths[i] + widths[i + 1]) / 2
    assert ticks
