"""Pictures of a replay, read back dot by dot with a general image library."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from pathgen.report.canvas import PAPER
from pathgen.report.replay_figures import LEFT, TOP, backlit_png, error_png, round_up, thickness_png


def opened(content: bytes) -> Image.Image:
    picture = Image.open(BytesIO(content))
    picture.load()
    return picture


def dots(content: bytes) -> np.ndarray:
    return np.asarray(opened(content).convert("RGB"), float)


def test_codes_are_those_of_the_standard():
    """Linear values of 8-bit codes by IEC 61966-2-1, and what lies outside is clipped."""
    linear = np.array([[0.0, 0.00303527, 0.05126946], [0.2158605, 0.50288646, 1.0]])
    picture = opened(backlit_png(linear))
    assert picture.mode == "L" and picture.size == (3, 2)
    assert np.asarray(picture).tolist() == [[0, 10, 64], [128, 188, 255]]
    assert np.asarray(opened(backlit_png(np.array([[-1.0, 7.5]])))).tolist() == [[0, 255]]


def test_the_picture_says_its_size_and_its_coding():
    """0.1 mm a pixel is 254 pixels an inch; PNG's sRGB chunk (ISO/IEC 15948) marks the coding."""
    picture = opened(backlit_png(np.ones((4, 6)), 0.1))
    assert picture.info["dpi"] == pytest.approx((254.0, 254.0), rel=1e-3)
    assert picture.info["srgb"] == 0


def test_row_0_is_at_the_top():
    linear = np.zeros((3, 2))
    linear[0, 1] = 1.0
    assert np.asarray(opened(backlit_png(linear))).tolist() == [[0, 255], [0, 0], [0, 0]]


@pytest.mark.parametrize("draw", [thickness_png, error_png])
def test_maps_stand_upright_and_unmirrored(draw):
    """A mark in the upper right corner of the map is in the upper right corner of the sheet's map."""
    values = np.full((100, 100), 1.0)
    values[:20, 80:] = 3.0
    sheet = dots(draw(values, (10.0, 10.0)))
    inside = sheet[TOP : TOP + 1000, LEFT : LEFT + 1000]
    corners = {(v, u): inside[100 + 800 * v, 100 + 800 * u] for v in (0, 1) for u in (0, 1)}
    assert not np.allclose(corners[0, 1], corners[0, 0])
    assert np.allclose(corners[0, 0], corners[1, 0]) and np.allclose(corners[1, 0], corners[1, 1])


def test_errors_of_either_sign_part_from_white_alike():
    """Lightness falls alike to both sides; scikit-image's rgb2lab measures it."""
    from skimage.color import rgb2lab

    error = np.repeat(np.linspace(-0.01, 0.01, 101)[None], 20, axis=0)
    sheet = dots(error_png(error, (101.0, 20.0)))
    row = sheet[TOP + 50, LEFT : LEFT + 9 * 101].reshape(101, 9, 3)[:, 4]
    light = rgb2lab(row[None] / 255)[0, :, 0]
    assert light[50] > 95
    assert np.abs(light - light[::-1]).max() < 15
    assert light[0] < 50 and light[-1] < 50
    thin, thick = row[20], row[80]
    assert thin[0] > thin[2] and thick[2] > thick[0]  # warm where light comes through, cold where it does not


def test_ends_do_not_set_the_scale():
    """One wild column at each end: left out, the map between looks as if they were not there."""
    calm = 0.004 * np.sin(np.arange(100) / 5) * np.ones((50, 1))
    wild = calm.copy()
    wild[:, [0, -1]] = 4.0
    inner = np.s_[TOP : TOP + 400, LEFT + 40 : LEFT + 900]
    with_ends, without = (dots(error_png(e, (10.0, 5.0), 0.1))[inner] for e in (wild, calm))
    assert np.array_equal(with_ends, without)
    assert not np.array_equal(dots(error_png(wild, (10.0, 5.0)))[inner], without)


@pytest.mark.parametrize("draw", [thickness_png, error_png])
@pytest.mark.parametrize(
    "values",
    [
        np.zeros((1, 1)),
        np.zeros((30, 40)),
        np.full((3, 3), 1.2),
        np.ones((2, 300)),
        np.ones((1200, 12)),
        np.linspace(0, 3, 480_000).reshape(600, 800),
    ],
    ids=lambda values: "x".join(map(str, values.shape)),
)
def test_any_map_is_drawn(draw, values):
    rows, cols = values.shape
    sheet = dots(draw(values, (cols / 10, rows / 10), 1.0, "pier.gcode"))
    paper = np.array([int(PAPER[i : i + 2], 16) for i in (1, 3, 5)])
    edges = [sheet[:4], sheet[-4:], sheet[:, :4], sheet[:, -4:]]
    assert all((edge == paper).all() for edge in edges), "something is cut at the sheet's edge"


def test_scales_end_at_round_numbers():
    for value in np.geomspace(1e-4, 50, 40):
        up = round_up(value)
        assert value * (1 - 1e-9) <= up <= 2 * value
        assert round_up(up) == up


@pytest.mark.parametrize("draw", [thickness_png, error_png])
def test_a_map_is_drawn_twice_alike(draw):
    values = np.linspace(0, 3, 1200).reshape(30, 40)
    first, second = (draw(values, (4.0, 3.0), 1.0, "pier.gcode") for _ in range(2))
    assert first == second
