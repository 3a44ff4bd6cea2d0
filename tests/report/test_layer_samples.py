"""Sample layers: which piece is shown, and how far."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pathgen.report.canvas import Box, Sheet
from pathgen.report.layer_samples import (
    APRON,
    STRIP_HIGH,
    SUPPORT,
    SampleLayer,
    displayed_range,
    draw_layers,
    find_busiest,
)


def straight(n=(0.21, 0.63, 1.05), width=100.0):
    ends = np.array([[[0.0, at], [width, at]] for at in n]).reshape(-1, 2, 2)
    return SampleLayer(0.2, 0, ends, np.full(len(ends), 0.42), np.full(len(ends), 0.44))


def supported(front=16.0, back=-12.0):
    """A wall 1.27 mm thick with supports in front of it and behind it."""
    supports = np.array([[[2.0, 1.29], [2.0, front]], [[2.0, -0.22], [2.0, back]]])
    return replace(straight(), supports=supports, supports_width=np.full(2, 0.4))


def test_the_window_shows_where_beads_move():
    u = np.linspace(0, 100, 201)
    n = 0.5 + np.where((u > 70) & (u < 78), np.sin(4 * u), 0.0) * 0.3
    path = np.column_stack([u, n])
    points = np.stack([path[:-1], path[1:]], axis=1)
    start = find_busiest(SampleLayer(0.2, 0, points, np.full(200, 0.4), np.full(200, 0.42)), 12.0, 100.0)
    assert 65 < start < 71
    assert 0 <= find_busiest(straight(), 12.0, 100.0) <= 88
    assert find_busiest(straight(n=()), 12.0, 100.0) == 0
    assert find_busiest(straight(), 100.0, 100.0) == 0  # all of it


def test_supports_get_an_apron_and_not_the_whole_strip():
    wall = 1.05 + 0.22
    back, front = displayed_range([straight(), supported()])
    assert back == pytest.approx(-APRON * wall) and front == pytest.approx((1 + APRON) * wall)
    near = supported(front=wall + 0.1, back=-0.22)
    _, front = displayed_range([near])
    assert front == pytest.approx(wall + 0.3)  # half a bead more than the line
    assert displayed_range([straight()]) == pytest.approx((0.0, 1.06 * wall))


def test_reaches_without_beads():
    assert displayed_range([straight(n=())]) == (0.0, 1.06)


@pytest.mark.parametrize("layer", [supported(), supported(front=1.5)])
def test_supports_are_drawn_grey_on_both_sides_of_the_wall(layer):
    sheet, strip = Sheet(400), Box(76, 160, 1104, STRIP_HIGH)
    draw_layers(sheet, [strip], [layer], 100.0)
    sheet.canvas.draw()
    dots = np.asarray(sheet.canvas.buffer_rgba())[..., :3].astype(int)
    grey = np.array(list(bytes.fromhex(SUPPORT[1:])))
    rows, cols = np.nonzero(np.abs(dots[:, : strip.left + strip.wide] - grey).max(axis=2) < 6)
    assert cols.mean() == pytest.approx(strip.left + 0.02 * strip.wide, abs=2)  # u 2 of 100 mm
    back, front = displayed_range([layer])
    wall = strip.top + (np.array([0.0, 1.27]) - back) / (front - back) * strip.high
    assert rows.min() < wall[0] < wall[1] < rows.max()
    assert rows.min() >= strip.top - 1 and rows.max() <= strip.foot + 1  # the frame cuts them off
    window = sheet.axes[1]  # to scale: as many dots per mm across as through the wall
    box = window.get_window_extent()
    assert box.width / np.ptp(window.get_xlim()) == pytest.approx(STRIP_HIGH / (front - back), rel=0.01)
    (rule,) = sheet.artists
    heading = next(text for text in sheet.texts if text.get_text().startswith("Layers as viewed"))
    assert (rule.get_ydata()[0] - heading.get_position()[1]) * 400 == pytest.approx(34)
