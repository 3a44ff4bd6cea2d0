"""Every figure holds what it held before, in its place: texts, axes, lines, patches, collections and images.

`sheets.json` was written by this test with ``--update-golden``; a change of a figure shows in its difference.
Positions are those the figures give, in dots of the sheet or in units of the axes, not of rendered letters.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_hex

from pathgen import Job
from pathgen.coupons.make import lay_out_coupon
from pathgen.report.canvas import Sheet
from pathgen.report.coupon_drawing import coupon_png
from pathgen.report.fit_figure import residuals_png
from pathgen.report.layer_samples import SampleLayer
from pathgen.report.page_charts import Chart, ChartAxis, draw_bar, draw_colour_scale
from pathgen.report.page_layers import LayerSegments, LayerSet, draw_layer_svg, encode_layers
from pathgen.report.preparation_figure import preparation_png
from pathgen.report.preview_figure import compose_preview
from pathgen.report.replay_figures import error_png, thickness_png
from pathgen.report.study_figure import study_png
from pathgen.study.results_table import ResultsTable
from tests.report.test_preview_figure import layer_of, standing_facts
from tests.report.test_residuals import fitted

GOLDEN = Path(__file__).with_name("sheets.json")


def short(values):
    """Numbers of any shape, to four digits."""
    # Rounded to 12 decimals as well: the deviation of equal values differs from 0 on some processors.
    return [float(f"{value:.4g}") + 0.0 for value in np.round(np.ravel(np.asarray(values, float)), 12)]


def summed(values):
    """What tells one series of numbers from another: its length, ends, mean and spread."""
    values = np.asarray(values, float)
    return (
        [values.size, *short([values.flat[0], values.flat[-1], values.mean(), values.std()])]
        if values.size
        else []
    )


def text_of(text, size):
    place = np.array(text.get_position()) * size if size is not None else text.get_position()
    style = [text.get_fontsize(), text.get_fontweight(), text.get_color(), text.get_ha(), text.get_rotation()]
    return [text.get_text(), short(place), *style]


def axes_of(axes, size):
    lines = [
        [to_hex(line.get_color()), line.get_linewidth(), str(line.get_linestyle()), str(line.get_marker()),
         line.get_markersize(), *summed(line.get_xdata()), *summed(line.get_ydata())]
        for line in axes.lines
    ]  # fmt: skip
    patches = [
        [to_hex(patch.get_facecolor()), to_hex(patch.get_edgecolor()), patch.get_linewidth(),
         short(patch.get_path().transformed(patch.get_patch_transform()).get_extents().extents)]
        for patch in axes.patches
    ]  # fmt: skip
    collections = [
        [type(each).__name__, summed(each.get_edgecolor()), summed(each.get_linewidth()),
         summed(np.concatenate([p.vertices for p in each.get_paths()] or [[]])),
         summed([] if each.get_array() is None else each.get_array())]
        for each in axes.collections
    ]  # fmt: skip
    images = [
        [short(image.get_extent()), *image.get_array().shape, *summed(image.get_array())]
        for image in axes.images
    ]
    titles = [
        axes.get_title("left"),
        axes.get_xlabel(),
        axes.get_ylabel(),
        axes.get_xscale(),
        axes.get_yscale(),
    ]
    return {
        "box": short(np.array(axes.get_position().bounds) * np.tile(size, 2)),
        "titles": titles, "scales": [axes.get_xscale(), axes.get_yscale()],
        "limits": short([*axes.get_xlim(), *axes.get_ylim()]),
        "ticks": [short(axes.get_xticks()), short(axes.get_yticks())],
        "texts": [text_of(text, None) for text in axes.texts],
        "lines": lines, "patches": patches, "collections": collections, "images": images,
    }  # fmt: skip


def facts_of(sheet):
    size = sheet.get_size_inches() * sheet.dpi
    artists = [getattr(a, "get_ydata", a.get_window_extent)() for a in sheet.artists]
    return {
        "size": short(size),
        "texts": [text_of(text, size) for text in sheet.texts],
        "axes": [axes_of(axes, size) for axes in sheet.axes],
        "artists": [short(getattr(found, "extents", found)) for found in artists],
    }


def beads():
    """A layer of a panel with supports on both sides."""
    supports = np.array([[[2.0, 1.29], [2.0, 2.0]], [[2.0, -0.22], [2.0, -1.0]], [[30.0, 1.4], [33.0, 1.4]]])
    bent = layer_of(spacing=0.44, n=(0.2, 0.7))
    points = bent.points + np.array([0.0, 0.1]) * np.sin(bent.points[..., :1] / 3)
    return SampleLayer(0.4, 1, points, bent.spacing, bent.width, supports, np.full(3, 0.4))


def study_table():
    names = ("case", "fill", "picture", "change_cost", "time_s", "psnr_db", "refused")
    rng = np.random.default_rng(1)
    rows = tuple(
        (
            str(i),
            "ab"[i % 2],
            "pq"[i // 20],
            f"{rng.uniform():.4g}",
            f"{90 * 1.1**i:.0f}",
            f"{rng.uniform():.3g}",
            "",
        )
        for i in range(40)
    )
    return study_png(
        ResultsTable(names, rows), names[1:4], "time_s", "psnr_db", "Title", ranges=["change_cost"]
    )


U, Z = np.meshgrid(np.linspace(0, 1, 80), np.linspace(0, 1, 50))
FACTS = standing_facts(acceleration=1000.0, support=20.0)
SHEETS = {
    "preview": lambda: compose_preview(replace(FACTS, layers=(layer_of(), beads()))).png(),
    "coupon": lambda: coupon_png(lay_out_coupon("step-wedge", Job()), 84.0),
    "tiles": lambda: coupon_png(lay_out_coupon("first-layer-tile", Job()), 7.0),
    "residuals": lambda: residuals_png(fitted([5, 17, 38]), "wedge"),
    "preparation": lambda: preparation_png(
        [(f"s{i}", U.astype(np.float32)) for i in range(5)], "photo", ["a", "b"]
    ),
    "thickness": lambda: thickness_png(1.0 + U, (8.0, 5.0), 0.5, "pier"),
    "error": lambda: error_png(0.02 * (U - 0.4) * Z, (8.0, 5.0), 0.5),
    "study": study_table,
}


@pytest.fixture(scope="module")
def golden(request):
    """What was written before; what this run finds is written in its place where that is asked for."""
    found = {}
    yield found, json.loads(GOLDEN.read_text(encoding="utf-8")) if GOLDEN.exists() else {}
    if request.config.getoption("--update-golden"):
        text = json.dumps(found, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
        GOLDEN.write_text(text.replace("],[", "],\n[").replace("},{", "},\n{") + "\n", encoding="utf-8")


def same(golden, request, name, facts):
    found, before = golden
    found[name] = json.loads(json.dumps(facts))
    assert request.config.getoption("--update-golden") or found[name] == before[name]


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_holds_what_it_held(golden, request, monkeypatch, name):
    sheets = []
    monkeypatch.setattr(Sheet, "png", lambda sheet: sheets.append(sheet) or b"")
    SHEETS[name]()
    same(golden, request, name, facts_of(*sheets))


def test_charts_hold_what_they_held(golden, request):
    chart = Chart("Title", "Told.", ChartAxis(0.0, 8.0, "height, mm"), ChartAxis(0.0, 3.0, "time, s"), "name")
    x = np.linspace(0, 8, 5)
    chart.area(x, x / 8, x / 4, "fill")
    chart.line(x, x / 3, "curve")
    chart.level(2.0, "limit")
    chart.level(2.95, "high limit")
    scale = draw_colour_scale(["#123456", "#654321", "#000000"], "0", "1", "mm", "scale")
    same(golden, request, "charts", [chart.svg, draw_bar(0.3), draw_bar(2.0), scale])


def test_drawn_layers_hold_what_they_held(golden, request):
    u = np.arange(13.0)
    points = np.column_stack([u, 0.3 * (u % 3)])
    codes = np.array([0, 1, 2, 2, 3, 3, 10, 10, 20, 1, 44, 83], np.uint8)
    spacing = np.array([0, 0, 0.5, 0.45, 0.4, 0.6, 0.1, 0.11, 0.25, 0, 0.6, 1.2])
    layers = (
        LayerSegments(0, 0.2, 0.2, points, codes, spacing),
        LayerSegments(4, 1.0, 0.2, points, codes, spacing),
    )
    boxes = ((-1.0, -1.0, 13.0, 1.6), (0.0, -0.5, 12.0, 1.0))
    layer_set = LayerSet(layers, (0.3, 0.6), boxes, np.array([[0.0, 0.3], [12.0, 0.3]]), (6.0, 2.0))
    same(
        golden, request, "layers", [draw_layer_svg(layer_set, 1, "one", "A layer"), encode_layers(layer_set)]
    )
