"""What figures are drawn on: measures of text, maps brought to size."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from matplotlib.text import Text

from pathgen.report.canvas import EDGE, Sheet
from pathgen.report.canvas import Box as Place
from pathgen.report.lettering import shorten, text_width, wrap_text
from pathgen.report.resampling import area_mean, dilate, resample_nearest


@pytest.mark.parametrize("size", [(7, 5), (40, 90), (13, 31), (1, 1)])
def test_area_means_keep_the_mean_and_the_range(size):
    values = np.random.default_rng(1).random((13, 31))
    got = area_mean(values, *size)
    assert got.shape == size
    assert got.mean() == pytest.approx(values.mean(), rel=1e-5)
    assert values.min() - 1e-6 <= got.min() and got.max() <= values.max() + 1e-6


def test_area_means_by_whole_cells_are_block_means():
    values = np.random.default_rng(2).random((12, 20))
    assert area_mean(values, 4, 5) == pytest.approx(values.reshape(4, 3, 5, 4).mean(axis=(1, 3)), rel=1e-5)


def test_picking_takes_the_cell_under_the_middle():
    values = np.arange(12).reshape(3, 4)
    assert resample_nearest(values, 6, 8)[::2, ::2].tolist() == values.tolist()
    assert resample_nearest(values, 1, 2).tolist() == [[5, 7]]


def test_growing_is_the_largest_within_a_square():
    from scipy.ndimage import binary_dilation  # outside check: a general-purpose library

    mask = np.random.default_rng(3).random((20, 31)) > 0.95
    for by in (0, 1, 3):
        assert (dilate(mask, by) == binary_dilation(mask, np.ones((2 * by + 1, 2 * by + 1)))).all()


def test_text_is_measured_as_it_is_drawn():
    sheet = Sheet(300)
    sheet.draw_text(EDGE, 100, "what holds it: wedges", 9)
    sheet.canvas.draw()
    text = sheet.findobj(Text)[-1]
    box = text.get_window_extent(sheet.canvas.get_renderer())
    assert text_width("what holds it: wedges", 9) == pytest.approx(box.width, abs=1.5)
    assert box.x0 == pytest.approx(EDGE, abs=1.5)
    assert 300 - 100 - 4 <= box.y0 <= 300 - 100 + 1  # the line stands on that dot, its tails under it


def test_wrapped_lines_hold_all_words_and_keep_their_width():
    text = "at 150 mm the top sways 0.042 mm, 10 % of a bead; what holds it: a rim 5.2 mm thick"
    for wide in (80, 200, 460):
        lines = wrap_text(text, 9, wide)
        assert " ".join(lines) == text
        assert max(text_width(line, 9) for line in lines) <= wide
    assert len(wrap_text(text, 9, 80)) > len(wrap_text(text, 9, 460))


def test_a_word_that_is_too_long_is_cut_in_its_middle():
    name = "harbour-archive-plate-0417-quay-with-crane.png"
    short = shorten(name, 9, 150)
    assert text_width(short, 9) <= 150
    head, tail = short.split("…")
    assert name.startswith(head) and name.endswith(tail) and head and tail
    assert len(tail) - len(head) in (0, 1)
    assert text_width(name[: len(tail)] + "…" + tail, 9) > 150 or len(head) == len(tail)
    assert shorten(name, 9, 1000) == name
    assert shorten(name, 9, 1) == "…"
    assert wrap_text(name, 9, 150) == [short]


@pytest.mark.parametrize(("wide", "high"), [(460, 46), (64, 640), (18, 18), (460, 460)])
def test_ticks_have_room_for_their_figures(wide, high, written):
    sheet = Sheet(800)
    axes = sheet.add_box(Place(100, 60, wide, high))
    axes.set(xlim=(0, 199.9), ylim=(0, 199.9))
    boxes = [box for _, box in written(sheet)]
    assert len(boxes) >= 2
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))
