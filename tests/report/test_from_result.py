"""From results to what the preview shows of them."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from pathgen.job import plan_panel, plan_several, write
from pathgen.report.canvas import SHEET
from pathgen.report.from_result import gather_facts, preview, silhouette
from pathgen.report.map_marks import FIN, NOTHING, RIB
from pathgen.report.preview_figure import arrange_preview
from pathgen.settings import Job


def made(source, **keys):
    planned = plan_panel(source, Job(**({"layer": 0.2, "pixel": 0.2, "brim": 2.0} | keys)))
    return write(planned, BytesIO())


@pytest.fixture(scope="module")
def wedged():
    """A small flat panel of 20 × 24 mm with a ledge, on wedges 16 mm high."""
    thickness = np.full((120, 100), 1.4)
    thickness[40, 45:55] = 3.0
    return made(thickness, wedges=2, wedge_height=16.0, wedge_base=5.0)


@pytest.fixture(scope="module")
def disc():
    """A small disc, which needs a comb."""
    return made(np.full((150, 150), 1.6), outline="disc", foot=6.0)


def test_the_preview_is_a_png_of_the_whole_sheet(wedged):
    with Image.open(BytesIO(preview(wedged))) as picture:
        assert (picture.format, *picture.size) == ("PNG", SHEET, arrange_preview(gather_facts(wedged)).high)


def test_all_maps_have_one_shape(wedged, disc):
    for result in (wedged, disc):
        facts = gather_facts(result)
        shape = facts.thickness.shape
        marks = facts.marks
        assert facts.luminance.shape == shape
        assert {m.shape for m in (marks.face, marks.outline, marks.numbers, marks.supports)} == {shape}
        assert (facts.width, facts.height) == pytest.approx((shape[1] * 0.2, shape[0] * 0.2))


def test_the_ledge_is_marked_and_numbered(wedged):
    marks = gather_facts(wedged).marks
    rows, cols = np.nonzero(marks.face)
    worst = wedged.planned.overhang.worst
    assert set(np.unique(marks.numbers)) == set(range(len(worst) + 1))
    row, col = (int(i[0]) for i in np.nonzero(marks.numbers == 1))
    assert marks.face[row, col] and row in rows and cols.min() <= col <= cols.max()
    assert (len(marks.face) - 1 - row) * 0.2 == pytest.approx(worst[0].z)
    assert not (marks.face & marks.outline).any()


def test_wedges_hide_what_they_stand_before(wedged):
    here = silhouette(wedged.planned.supports, wedged.planned.layers) > NOTHING
    rows, cols = here.shape
    above = here[: rows - round(2 / 0.2)]  # over the wider first layer
    # As the job asks: 16 mm high, and 1.2 mm thick in the middle of a rim of 3 mm at either side.
    assert rows - np.nonzero(above)[0].min() == pytest.approx(16.0 / 0.2, abs=1)
    wide = np.flatnonzero(above.any(axis=0)) * 0.2
    left, right = wide[wide < 10.0], wide[wide > 10.0]
    assert [left.min(), left.max() + 0.2] == pytest.approx([0.9, 2.1], abs=0.21)
    assert [right.min(), right.max() + 0.2] == pytest.approx([cols * 0.2 - 2.1, cols * 0.2 - 0.9], abs=0.21)


def test_a_comb_stands_under_the_outline_and_not_before_it(disc):
    planned = disc.planned
    marks = gather_facts(disc).marks
    wall = planned.panel.thickness > 0
    here = marks.supports > NOTHING
    assert {NOTHING, RIB, FIN} == set(np.unique(marks.supports))
    rows, cols = wall.shape
    # Everything of it is below the middle, and free platform is under every column of it.
    assert np.nonzero(here)[0].min() > rows // 2
    assert here[-1][here.any(axis=0)].all()
    lowest_wall = np.where(wall.any(axis=0), rows - np.argmax(wall[::-1], axis=0), 0)
    highest_support = np.where(here.any(axis=0), np.argmax(here, axis=0), rows)
    assert (highest_support >= lowest_wall - 2).all()  # a pixel's rounding, up and down
    left, right = here[:, : cols // 2].sum(), here[:, cols // 2 :].sum()
    assert left == pytest.approx(right, rel=0.1)
    # The comb carries the outline all along: what it stands under does not lean.
    assert not marks.outline.any()


def test_sample_layers_have_the_supports_of_their_own_layer(wedged):
    facts = gather_facts(wedged)
    assert [layer.index for layer in facts.layers] == sorted(wedged.samples)
    for layer in facts.layers:
        strips = wedged.planned.supports.strips
        tabs = wedged.planned.supports.tabs
        expected = layer.index in strips.layer or layer.index in tabs.layer
        assert bool(len(layer.supports)) == expected
        assert len(layer.supports) == len(layer.supports_width)
    low, high = facts.layers[0], facts.layers[-1]
    reach = [np.abs(layer.supports[..., 1]).max(initial=0.0) for layer in (low, high)]
    assert reach[0] > reach[1]  # wedges grow narrower upward
    thickest = wedged.planned.panel.thickness.max()
    beside = low.supports[..., 1]
    assert ((beside < 0.01) | (beside > thickest - 0.01)).all()


def test_a_bent_panel_has_no_sway_and_says_how_it_stands():
    facts = gather_facts(made(np.full((40, 150), 1.6), bend=90.0, rim_width=2.0))
    assert facts.stability.steady is None and facts.stability.axes is None
    assert facts.stability.reason and facts.stability.supports == ()
    # Laid flat again, its beads stay between the back and the rim.
    for layer in facts.layers:
        assert -0.1 < layer.points[..., 1].min() and layer.points[..., 1].max() < 4.1


def test_supports_are_put_into_words(wedged, disc):
    assert (
        gather_facts(wedged).stability.supports[0]
        == f"wedges: {wedged.planned.supports.contacts} tabs to break off"
    )
    words = gather_facts(disc).stability.supports
    assert words[0].startswith(f"comb: {disc.planned.supports.fins} fins")
    assert words[-1] == f"{100 * disc.planned.supports.share:.1f} % of the panel's material"


def test_the_title_names_picture_machine_plastic_and_the_number_of_panels(wedged):
    assert gather_facts(wedged).title.endswith(" on moving-table, pla-white")
    job = Job(layer=0.3, first_layer=0.3, pixel=0.3, brim=1.0, copies=2)
    two = write(plan_several([(np.full((20, 30), 1.4), job)]), BytesIO())
    assert gather_facts(two).title.endswith(" on moving-table, pla-white, the first of 2 panels")


def test_layers_of_one_height_and_of_several_are_put_into_words(wedged):
    even = f"{wedged.summary.layers} layers of 0.2 mm,"
    assert any(even in line for line in gather_facts(wedged).lines)
    u, z = np.meshgrid(np.arange(40), np.arange(60))
    several = made(1.5 + 0.4 * np.sin(u / 3) * (z > 30), layer="auto", pixel=0.3)
    facts = several.summary
    low, high = facts.layer_min_mm, facts.layer_max_mm
    assert low < high
    assert any(f"layers of {low:g} to {high:g} mm" in line for line in gather_facts(several).lines)
