"""Layers and their profiles."""

import numpy as np
import pytest

from pathgen.layers.sections import cut_layers
from pathgen.panel import Panel, add_rim


def test_a_layer_as_high_as_a_pixel_is_a_row_of_the_map():
    rows = np.arange(1, 101.0)[:, None] * np.ones((1, 4))
    layers = cut_layers(Panel(rows, 0.1), 0.1, 0.2)
    got = layers.profiles(0, len(layers)).thickness[:, 0]
    # The first layer, 0.2 high, has its middle on the border of the two lowest rows.
    assert got[0] == pytest.approx(99.5)
    assert got[1:] == pytest.approx(np.arange(98, 0, -1))


def test_heights_add_up():
    layers = cut_layers(Panel(np.ones((503, 4)), 0.1), 0.12, 0.2)
    assert layers.height.sum() == pytest.approx(layers.top[-1])
    assert abs(layers.top[-1] - 50.3) <= 0.06 + 1e-9


def test_a_panel_lower_than_a_layer_still_has_one():
    assert len(cut_layers(Panel(np.ones((2, 4)), 0.05), 0.1, 0.2)) == 1


def test_section_area_is_the_sum_of_the_columns():
    panel = add_rim(np.full((30, 40), 2.0), 0.1, 0.5, 4.0)
    layers = cut_layers(panel, 0.1, 0.1)
    area = layers.section_area()
    assert area[0] == pytest.approx(50 * 0.1 * 4.0)  # rim
    assert area[20] == pytest.approx(40 * 0.1 * 2.0 + 10 * 0.1 * 4.0)


def test_rim_goes_round_the_picture():
    panel = add_rim(np.arange(6.0).reshape(2, 3), 1.0, 1.0, 9.0)
    assert panel.thickness[panel.picture].tolist() == [[0, 1, 2], [3, 4, 5]]
    assert (panel.thickness[0] == 9).all() and (panel.thickness[:, -1] == 9).all()
    assert (panel.width, panel.height) == (5.0, 4.0)
