"""The preview, read back as the picture a person sees."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from itertools import combinations

import numpy as np
import pytest
from PIL import Image

from pathgen.panel.overhang import overhangs
from pathgen.panel.steadiness import Conditions, compute_steadiness, measure_sections
from pathgen.report.canvas import SHEET
from pathgen.report.layer_samples import SPACING_COLOURS, SampleLayer
from pathgen.report.map_marks import BARE, MARK, Marks
from pathgen.report.preview_figure import (
    PreviewFacts,
    arrange_preview,
    compose_preview,
)
from pathgen.report.stability_band import Stability
from pathgen.route import Footprint
from pathgen.route.axis import score_axes
from pathgen.settings import load_machine

NO_MARKS = Marks(*np.zeros((2, 60, 100), bool), *np.zeros((2, 60, 100), np.int8))


def layer_of(z=0.2, index=0, spacing=0.42, n=(0.21, 0.63, 1.05), width=100.0, steps=50):
    """Straight beads side by side over the whole width."""
    u, n = np.meshgrid(np.linspace(0, width, steps + 1), n)
    points = np.stack([u, n], axis=-1)
    points = np.stack([points[:, :-1], points[:, 1:]], axis=2).reshape(-1, 2, 2)
    return SampleLayer(z, index, points, np.full(len(points), spacing), np.full(len(points), spacing + 0.02))


def gather_facts(**changes):
    steps = np.repeat(np.linspace(0.0, 1.0, 5), 200)[None] * np.ones((600, 1))
    values = {
        "thickness": 3.0 - 2.2 * steps,
        "luminance": steps,
        "counts": np.repeat(np.array([5, 4, 3, 2, 1], np.int8), 200)[None] * np.ones((600, 1), np.int8),
        "layers": (layer_of(), layer_of(30.0, 299), layer_of(60.0, 599)),
        "width": 100.0,
        "height": 60.0,
        "title": "harbour.png: panel 100 × 60 mm",
        "marks": NO_MARKS,
        "stability": Stability(None, None, None),
        "lines": ("600 layers, 7 h 40 min, 9.1 m of filament",),
    }
    return PreviewFacts(**(values | changes))


def standing_facts(width=100.0, height=60.0, pixels=(60, 100), acceleration=0.0, support=0.0, bent=False):
    """Everything there is to say, for a wall with a ledge of random blocks and supports of all kinds."""
    rows, cols = pixels
    rng = np.random.default_rng(5)
    thickness = np.full(pixels, 1.2)
    thickness[: rows // 2] += 2.0 * (rng.random((rows // 2, cols)) > 0.9)
    thickness[rows // 4, cols // 3] = 0.0  # a hole, so that the outline leans over it
    pixel = height / rows
    found = overhangs(thickness, pixel)
    numbers, supports = np.zeros(pixels, np.int8), np.zeros(pixels, np.int8)
    for number, place in enumerate(found.worst, start=1):
        numbers[rows - 1 - round(place.z / pixel), int(sum(place.u) / 2 / pixel)] = number
    supports[rows // 3 :, : max(cols // 20, 1)] = 2
    wall = measure_sections(thickness, pixel)
    conditions = Conditions(3.5, 1240.0, acceleration, support=support)
    heights = np.linspace(0, wall.height, 101)[1:]
    area = Footprint((-5.0, 90.0), (-5.0, 9.0), 50.0)
    choice = score_axes(load_machine("moving-table"), area, {0: 0.022, 90: 0.0001}, 0.42, {0: 3e4, 90: 5e4})
    lines = ("wedges: 124 tabs to break", "comb: 38 fins, " * 6, "10.7 % of the panel's material")
    standing = Stability(
        None if bent else compute_steadiness(wall, conditions, heights),
        found,
        None if bent else choice,
        "along Y: the platform moves that way",
        lines,
        int(np.count_nonzero(thickness)),
    )
    return gather_facts(
        thickness=thickness,
        luminance=np.clip(thickness / 4, 0, 1),
        counts=np.ceil(thickness / 0.2).astype(np.int8),
        layers=(layer_of(width=width), layer_of(width=width)),
        width=width,
        height=height,
        title="harbour-archive-plate-0417-quay-with-the-old-crane-" * 5,
        lines=("a line of facts " * 20,),
        marks=Marks(found.unsupported & ~found.outline, found.unsupported & found.outline, numbers, supports),
        stability=standing,
    )


def draw_layer_svg(facts):
    sheet = compose_preview(facts)
    sheet.canvas.draw()
    return np.asarray(sheet.canvas.buffer_rgba())[..., :3]


def part(picture, box):
    """What lies within a box, its frame left out."""
    return picture[box.top + 1 : box.top + box.high - 1, box.left + 1 : box.left + box.wide - 1]


@pytest.fixture
def well_placed(written):
    """Nothing written leaves the sheet, and nothing written lies on anything else that is."""

    def check(sheet):
        words = written(sheet)
        wide, high = sheet.get_size_inches() * sheet.dpi
        assert not [t for t, b in words if b.x0 < 0 or b.y0 < 0 or b.x1 > wide or b.y1 > high]
        pairs = combinations([(t, b.padded(-0.5)) for t, b in words], 2)
        assert not [(s, t) for (s, a), (t, b) in pairs if a.overlaps(b)]

    return check


def test_size_of_the_sheet():
    facts = gather_facts()
    high = arrange_preview(facts).high
    assert draw_layer_svg(facts).shape == (high, SHEET, 3)
    assert high > arrange_preview(replace(facts, layers=())).high


@pytest.fixture(scope="module")
def drawn():
    """Facts whose maps hold something different everywhere, their sheet's layout, and its dots."""
    luminance = np.zeros((600, 1000))
    luminance[:300] = np.repeat([1.0, 0.50288646, 0.2158605, 0.0], 250)
    luminance[300:] = np.indices((300, 1000)).sum(axis=0) % 2
    facts = gather_facts(luminance=luminance, layers=())
    facts.thickness[:, -50:] = 0.0
    face = np.zeros((600, 1000), bool)
    face[300:330, 500:550] = True
    none = np.zeros(face.shape, np.int8)
    facts = replace(facts, marks=Marks(face, np.zeros_like(face), none, none))
    return arrange_preview(facts).maps, draw_layer_svg(facts)


def test_greys_are_the_srgb_codes_of_the_luminance_where_it_is(drawn):
    # IEC 61966-2-1: 0.21586 is code 128, 0.50289 is 188.
    maps, picture = drawn
    grey = part(picture, maps[1])
    middles = ((np.arange(4) + 0.5) * grey.shape[1] / 4).astype(int)
    assert grey[grey.shape[0] // 4, middles].tolist() == [[c, c, c] for c in (255, 188, 128, 0)]
    rows, cols = np.nonzero(grey[..., 0] == 255)
    assert rows.min() == cols.min() == 0
    assert rows.max() == pytest.approx(grey.shape[0] / 2, abs=2)
    assert cols.max() == pytest.approx(grey.shape[1] / 4, abs=2)


def test_light_is_averaged_as_light(drawn):
    maps, picture = drawn
    grey = part(picture, maps[1])[..., 0].astype(float)
    # Half the light is sRGB code 188 (IEC 61966-2-1); half the codes would be 128.
    assert grey[grey.shape[0] // 2 + 2 :, :-30].mean() == pytest.approx(188, abs=2)


def test_thicker_is_darker_and_no_wall_is_off_the_scale(drawn):
    maps, picture = drawn
    line = part(picture, maps[0])[100]
    shades = line[[45, 135, 228, 320]].sum(axis=1)
    assert (np.diff(shades.astype(int)) > 30).all()
    assert line[-10].tolist() == list(BARE)
    assert part(picture, maps[1])[100, -10].tolist() == list(BARE)


def test_every_count_has_one_colour(drawn):
    maps, picture = drawn
    assert len(np.unique(part(picture, maps[2]).reshape(-1, 3), axis=0)) == 5


def test_marks_are_on_the_map_of_thickness_only(drawn):
    maps, picture = drawn
    marked = [(part(picture, box) == MARK).all(axis=2) for box in maps]
    rows, cols = np.nonzero(marked[0])
    assert rows.min() / marked[0].shape[0] == pytest.approx(300 / 600, abs=0.01)
    assert cols.max() / marked[0].shape[1] == pytest.approx(550 / 1000, abs=0.01)
    assert not marked[1].any() and not marked[2].any()


def test_a_bead_is_drawn_in_its_place_and_width():
    bead = SampleLayer(0.2, 0, np.array([[[20.0, 2.0], [60.0, 2.0]]]), np.array([0.4]), np.array([1.0]))
    facts = gather_facts(layers=(bead,))
    strip = arrange_preview(facts).strips[0]
    dots = part(draw_layer_svg(facts), strip).astype(int)
    body = np.abs(dots - np.array(SPACING_COLOURS(0.5, bytes=True)[:3])).sum(axis=2) < 12
    rows, cols = np.nonzero(body)
    reach = 2.5 * 1.06  # mm shown: to the bead's front face and a little more
    assert [rows.min(), rows.max()] == pytest.approx([n / reach * strip.high for n in (1.5, 2.5)], abs=3)
    assert [cols.min(), cols.max()] == pytest.approx([u / 100 * strip.wide for u in (20, 60)], abs=3)


def test_same_facts_same_bytes(well_placed):
    sheet = compose_preview(standing_facts())
    well_placed(sheet)
    first, second = sheet.png(), compose_preview(standing_facts()).png()
    assert first == second
    assert not {"Software", "date:create", "Creation Time"} & set(Image.open(BytesIO(first)).info)


@pytest.mark.parametrize(
    "changes",
    [
        {
            "layers": (layer_of(n=()),),
            "thickness": np.zeros((3, 4)),
            "counts": np.zeros((3, 4), np.int8),
        },
        {"thickness": np.ones((1, 1)), "luminance": np.ones((1, 1)), "counts": np.ones((1, 1), np.int8)},
        {"width": 20.0, "height": 300.0},
        {"width": 300.0, "height": 12.0},
        {"layers": (), "title": "$100 panel_1: 5 $", "lines": ()},
    ],
    ids=["no wall", "one cell", "tall", "wide", "odd title, no layers"],
)
def test_extremes_give_a_picture(changes, well_placed):
    sheet = compose_preview(gather_facts(**changes))
    well_placed(sheet)
    assert np.asarray(sheet.canvas.buffer_rgba())[..., :3].std() > 5


@pytest.mark.parametrize(
    "given",
    [
        {"width": 20.0, "height": 200.0, "pixels": (400, 40), "acceleration": 1000.0},
        {"width": 20.0, "height": 200.0, "pixels": (400, 40), "acceleration": 1000.0, "support": 133.0},
        {"width": 200.0, "height": 20.0, "pixels": (40, 400)},
        {"width": 200.0, "height": 20.0, "pixels": (40, 400), "support": 20.0},
        {"pixels": (2, 2), "width": 1.0, "height": 1.0},
        {"acceleration": 9000.0, "height": 120.0, "pixels": (120, 100)},
        {"bent": True},
    ],
    ids=["tall", "tall with wedges", "wide", "held all the way", "2 x 2", "swaying", "bent"],
)
def test_what_is_written_stays_apart_and_on_the_sheet(given, well_placed):
    well_placed(compose_preview(standing_facts(**given)))


def test_less_to_say_takes_less_of_the_sheet():
    full = standing_facts()
    nothing = Stability(None, None, None)
    highs = [arrange_preview(replace(full, stability=s)).high for s in (nothing, full.stability)]
    assert highs[0] < highs[1]
