"""The preview, read back as the picture a person sees."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from pathgen.report.figures import (
    BARE,
    PITCH_COLOURS,
    SHEET,
    PreviewFacts,
    SampleLayer,
    area_mean,
    arrange,
    busiest,
    draw_preview,
)


def layer_of(z=0.2, index=0, pitch=0.42, n=(0.21, 0.63, 1.05), width=100.0, steps=50):
    """Straight beads side by side over the whole width."""
    u, n = np.meshgrid(np.linspace(0, width, steps + 1), n)
    points = np.stack([u, n], axis=-1)
    points = np.stack([points[:, :-1], points[:, 1:]], axis=2).reshape(-1, 2, 2)
    return SampleLayer(z, index, points, np.full(len(points), pitch), np.full(len(points), pitch + 0.02))


def facts_of(**changes):
    steps = np.repeat(np.linspace(0.0, 1.0, 5), 200)[None] * np.ones((600, 1))
    values = {
        "thickness": 3.0 - 2.2 * steps,
        "luminance": steps,
        "counts": np.repeat(np.array([5, 4, 3, 2, 1], np.int8), 200)[None] * np.ones((600, 1), np.int8),
        "layers": (layer_of(), layer_of(30.0, 299), layer_of(60.0, 599)),
        "width": 100.0,
        "height": 60.0,
        "title": "harbour.png: panel 100 × 60 mm",
        "lines": ("600 layers, 7 h 40 min, 9.1 m of filament",),
    }
    return PreviewFacts(**(values | changes))


def drawn(facts):
    out = BytesIO()
    draw_preview(out, facts)
    return np.asarray(Image.open(out).convert("RGB"))


def part(picture, box):
    """What lies within a box, its frame left out."""
    return picture[box.top + 1 : box.top + box.high - 1, box.left + 1 : box.left + box.wide - 1]


def test_size_of_the_sheet():
    facts = facts_of()
    picture = drawn(facts)
    assert picture.shape == (arrange(facts)[2], SHEET, 3)
    assert picture.shape[0] > drawn(facts_of(layers=())).shape[0]


def test_greys_are_the_srgb_codes_of_the_luminance():
    # IEC 61966-2-1: 0.21586 is code 128, 0.50289 is 188.
    steps = np.repeat([0.0, 0.2158605, 0.50288646, 1.0], 250)[None] * np.ones((600, 1))
    facts = facts_of(luminance=steps)
    grey = part(drawn(facts), arrange(facts)[0][1])
    middles = ((np.arange(4) + 0.5) * grey.shape[1] / 4).astype(int)
    assert grey[grey.shape[0] // 2, middles].tolist() == [[c, c, c] for c in (0, 128, 188, 255)]


def test_light_is_averaged_as_light():
    checks = np.indices((600, 1000)).sum(axis=0) % 2.0
    facts = facts_of(luminance=checks)
    grey = part(drawn(facts), arrange(facts)[0][1])[..., 0].astype(float)
    # Half the light is sRGB code 188 (IEC 61966-2-1); half the codes would be 128.
    assert grey.mean() == pytest.approx(188, abs=2)


def test_maps_stand_as_the_viewer_sees_them():
    corner = np.zeros((600, 1000))
    corner[:150, :250] = 1.0  # top left
    facts = facts_of(luminance=corner)
    grey = part(drawn(facts), arrange(facts)[0][1])[..., 0]
    rows, cols = np.nonzero(grey > 128)
    assert rows.min() == cols.min() == 0
    assert rows.max() == pytest.approx(grey.shape[0] / 4, abs=2)
    assert cols.max() == pytest.approx(grey.shape[1] / 4, abs=2)


def test_thicker_is_darker_and_no_wall_is_off_the_scale():
    facts = facts_of()
    facts.thickness[:, -200:] = 0.0
    line = part(drawn(facts), arrange(facts)[0][0])[100]
    shades = line[[45, 135, 228, 320]].sum(axis=1)
    assert (np.diff(shades.astype(int)) > 30).all()
    assert line[-20].tolist() == list(BARE)


def test_every_count_has_one_colour():
    facts = facts_of()
    colours = np.unique(part(drawn(facts), arrange(facts)[0][2]).reshape(-1, 3), axis=0)
    assert len(colours) == 5


def test_a_bead_is_drawn_in_its_place_and_width():
    bead = SampleLayer(0.2, 0, np.array([[[20.0, 2.0], [60.0, 2.0]]]), np.array([0.4]), np.array([1.0]))
    facts = facts_of(layers=(bead,))
    strip = arrange(facts)[1][0]
    dots = part(drawn(facts), strip).astype(int)
    body = np.abs(dots - np.array(PITCH_COLOURS(0.5, bytes=True)[:3])).sum(axis=2) < 12
    rows, cols = np.nonzero(body)
    reach = 2.5 * 1.06  # mm shown: to the bead's front face and a little more
    assert [rows.min(), rows.max()] == pytest.approx([n / reach * strip.high for n in (1.5, 2.5)], abs=3)
    assert [cols.min(), cols.max()] == pytest.approx([u / 100 * strip.wide for u in (20, 60)], abs=3)


def test_the_window_shows_where_beads_move():
    u = np.linspace(0, 100, 201)
    n = 0.5 + np.where((u > 70) & (u < 78), np.sin(4 * u), 0.0) * 0.3
    path = np.column_stack([u, n])
    points = np.stack([path[:-1], path[1:]], axis=1)
    start = busiest(SampleLayer(0.2, 0, points, np.full(200, 0.4), np.full(200, 0.42)), 12.0, 100.0)
    assert 65 < start < 71
    assert 0 <= busiest(layer_of(), 12.0, 100.0) <= 88
    assert busiest(layer_of(n=()), 12.0, 100.0) == 0


def test_same_facts_same_bytes():
    first, second = BytesIO(), BytesIO()
    draw_preview(first, facts_of())
    draw_preview(second, facts_of())
    assert first.getvalue() == second.getvalue()
    assert not {"Software", "date:create", "Creation Time"} & set(Image.open(first).info)


@pytest.mark.parametrize(
    "changes",
    [
        {"layers": (layer_of(n=()),)},
        {"layers": ()},
        {"thickness": np.zeros((3, 4)), "counts": np.zeros((3, 4), np.int8)},
        {"thickness": np.ones((1, 1)), "luminance": np.ones((1, 1)), "counts": np.ones((1, 1), np.int8)},
        {"width": 20.0, "height": 300.0},
        {"width": 300.0, "height": 12.0},
        {"title": "$100 panel_1: 5 $", "lines": ()},
    ],
    ids=["no beads", "no layers", "no wall", "one cell", "tall", "wide", "odd title"],
)
def test_extremes_give_a_picture(changes):
    assert drawn(facts_of(**changes)).std() > 5


def test_a_path_will_do(tmp_path):
    draw_preview(tmp_path / "preview.png", facts_of(layers=()))
    with Image.open(tmp_path / "preview.png") as picture:
        assert picture.width == SHEET


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
