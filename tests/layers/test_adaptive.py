"""Layers of several heights: the quickest for an error, in whole motor steps, true on the written text."""

from itertools import product

import numpy as np
import pytest
from skimage import data

from pathgen import Job, PathgenError, load_machine, make, make_several, replay
from pathgen.cli import run
from pathgen.layers.adaptive import PanelRows, Terms, _best_path, adapt_layers
from pathgen.optics import backlit, law
from pathgen.panel import Panel
from pathgen.picture import lightness
from pathgen.proof.deposit_map import thickness_error
from pathgen.settings import settle

TERMS = Terms(0.1, 0.2, 0.3, 0.0025, 0.42, 20.0, 10.0)
FINE = 0.02  # mm, rows that errors on the text are measured with


def picture(name="camera", rows=300, cols=200):
    """A photograph's thickness, with detail in some heights and none in others."""
    image = getattr(data, name)()
    image = image[: 3 * (image.shape[0] // 3) : image.shape[0] // rows or 1][:rows, :cols] / 255
    light = 0.25 + 0.75 * np.asarray(image, float)
    return np.asarray(law(settle(Job()).material.light).inverse(0.25 * light))


def tone(thickness):
    light = backlit(thickness, law(settle(Job()).material.light), 0.8)
    return lightness(np.where(thickness > 0, np.minimum(light, 1.0), 0.0))


def test_no_sequence_of_heights_is_quicker():
    """Against every sequence there is of a short wall: the best of those with an error no larger."""
    rng = np.random.default_rng(4)
    heights, stations = np.array([1, 2, 3]), 9
    error = rng.uniform(0, 1, (3, stations)) * heights[:, None] ** 3
    time = rng.uniform(0.9, 1.1, (3, stations)) + 0.2 * heights[:, None]
    for row, height in enumerate(heights):
        error[row, stations - height + 1 :] = np.inf
    every = []
    for count in range(3, 10):
        for rows in product(range(3), repeat=count):
            ends = np.cumsum(heights[list(rows)])
            if ends[-1] == stations:
                begins = ends - heights[list(rows)]
                every.append((error[rows, begins].sum(), time[rows, begins].sum()))
    every = np.array(every)
    for most in np.quantile(every[:, 0], (0.05, 0.3, 0.6, 0.9)):
        begins, rows = _best_path(error, time, heights, float(most))
        cost = error[rows, begins].sum(), time[rows, begins].sum()
        assert cost[0] <= most and any(np.allclose(cost, each) for each in every)
        # On the lower hull of all sequences: no mixture of two others is better in both.
        better = every[(every[:, 0] <= cost[0] + 1e-12) & (every[:, 1] < cost[1] - 1e-12)]
        assert not len(better)


def test_errors_are_those_of_a_fine_grid():
    wall = picture()
    chosen = adapt_layers(Panel(wall, 0.1), tone(wall), TERMS)
    rows, layers = PanelRows.of(Panel(wall, 0.1), tone(wall)), chosen.layers
    z = (np.arange(round((layers.top[-1] - 0.2) / 0.001)) + 0.5) * 0.001 + 0.2
    layer = np.searchsorted(layers.top, z)
    middle = layers.top - layers.height / 2
    off = rows.at(z, rows.wanted) - rows.at(middle[layer], rows.shown)
    assert chosen.error == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.02)
    assert chosen.error <= chosen.even_error and chosen.time < 0.9 * chosen.even_time


def test_where_even_layers_are_best_they_are_kept():
    noise = 1.5 + 0.4 * np.random.default_rng(0).random((120, 40))
    coarse = Terms(0.3, 0.2, 0.3, 0.0025, 0.42, 20.0, 10.0)  # nothing is higher, and nothing as quick
    chosen = adapt_layers(Panel(noise, 0.1), 90 - 20 * noise, coarse)
    assert chosen.time == chosen.even_time and len(np.unique(chosen.layers.height.round(6))) <= 2
    low = adapt_layers(Panel(noise[:5], 0.1), 90 - 20 * noise[:5], TERMS)
    assert len(low.layers) == 4  # too low for a choice


def test_a_plain_wall_is_made_of_the_highest_layers():
    plain = np.full((200, 50), 1.6)
    chosen = adapt_layers(Panel(plain, 0.1), np.full((200, 50), 60.0), TERMS)
    assert np.median(chosen.layers.height) == pytest.approx(0.3) and chosen.error == 0
    assert chosen.layers.top[-1] == pytest.approx(20.0, abs=0.02)


def test_the_rim_may_be_coarse_but_not_reach_into_the_picture():
    wall = np.vstack([np.full((40, 30), 4.0), picture(rows=100, cols=30), np.full((40, 30), 4.0)])
    edge = np.zeros(wall.shape, bool)
    edge[:40] = edge[-40:] = True
    chosen = adapt_layers(Panel(wall, 0.1, 0, edge), tone(wall), TERMS)
    inside = (chosen.layers.top > 0.3) & (chosen.layers.top < 3.5)
    assert np.median(chosen.layers.height[inside]) >= 0.28
    begins = chosen.layers.top - chosen.layers.height
    assert np.abs(begins - 4.0).min() < 0.11  # a layer begins about where the picture does


@pytest.mark.parametrize("machine", ["moving-table", "long-tube", "ngc-lab"])
def test_the_written_text_has_the_error_of_even_layers_in_less_time(machine, tmp_path):
    wall = picture(cols=120)
    errors, times = [], []
    for layer in (0.1, "auto"):
        out = tmp_path / f"{layer}.gcode"
        result = make(wall, out, Job(machine=machine, layer=layer, brim=2.0, rim_width=0.0))
        found, panel = replay(out), result.planned.panel
        assert found.notes == ()
        assert len(found.panel.frame.tops) == result.summary.layers
        steps = result.planned.layers.height * load_machine(machine).axes.z.steps_per_mm
        assert np.allclose(steps, np.rint(steps), atol=1e-6)
        z = (np.arange(round(panel.height / FINE)) + 0.5) * FINE
        rows = PanelRows.of(panel, tone(panel.thickness))
        laid = np.searchsorted(found.deposited.frame.tops, z).clip(max=len(found.deposited.volume) - 1)
        off = (tone(found.deposited.thickness[::-1])[laid] - rows.at(z, rows.wanted))[20:, 15:-15]
        errors.append(np.sqrt(np.mean(off**2)))
        times.append(result.summary.times.moving_time_s)
    assert errors[1] < 1.03 * errors[0] and times[1] < 0.9 * times[0]


def test_supports_and_forms_take_layers_of_several_heights(tmp_path):
    wall = picture(rows=80, cols=80)
    for number, keys in enumerate(
        ({"outline": "disc"}, {"wedges": 2, "rim_width": 3.0}, {"bend": 180.0}, {"copies": 2})
    ):
        out = tmp_path / f"{number}.gcode"
        result = make(wall, out, Job(layer="auto", brim=2.0, **{"rim_width": 2.0, **keys}))
        found = replay(out)
        wanted = result.planned.panel.thickness
        middles = np.minimum(
            ((result.planned.layers.top - result.planned.layers.height / 2) / 0.1).astype(int),
            len(wanted) - 1,
        )
        profile = wanted[::-1][middles][::-1]
        assert thickness_error(found.deposited.thickness, profile, ends=2.0, pixel=0.1)["rms"] < 0.1
        assert result.summary.layer_max_mm > result.summary.layer_min_mm


def test_different_pictures_cannot_share_layers_of_their_own(tmp_path):
    panels = [(picture(rows=80), Job(layer="auto")), (picture("coins", rows=80), Job(layer="auto"))]
    with pytest.raises(PathgenError, match="layer is auto, but the pictures differ"):
        make_several(panels, tmp_path / "two.gcode")


def test_from_the_command_line(tmp_path, capsys):
    np.save(tmp_path / "wall.npy", picture(rows=100, cols=80))
    args = ["panel", str(tmp_path / "wall.npy"), "--out", str(tmp_path / "a.gcode"), "--brim", "2"]
    assert run([*args, "--layer", "auto", "--layer-like", "0.15"]) == 0
    assert "less time than uniform layers" in capsys.readouterr().out
    assert run([*args, "--layer", "thin"]) == 1
    assert "'auto'" in capsys.readouterr().err
