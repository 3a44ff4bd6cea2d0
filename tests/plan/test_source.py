"""From a job and what it is given to the panel as it stands."""

import msgspec
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from pathgen import Job, PathgenError, plan_panel
from pathgen.panel import Panel, View
from pathgen.panel.outline_disc import ellipse
from pathgen.panel.outline_rectangle import rectangle
from pathgen.plan.source import cut_foot, measure_again, read_source, to_panel
from pathgen.settings import settle

# Asymmetric thickness, 20 × 14 mm at the default pixel.
LETTER = np.full((140, 200), 1.0)
LETTER[10:130, 20:50], LETTER[10:40, 50:160], LETTER[70:90, 50:120] = 2.6, 2.2, 1.8

TURNS = (0, 90, 180, 270)
PLAIN = {"rim_width": 2.0}


def made(source=LETTER, **job):
    setup = settle(Job(**job))
    given = read_source(source, setup, setup.light.pixel)
    return to_panel(given, setup)[0], given


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    """A photograph of 60 × 40 pixels: dark left, light right, a black corner."""
    grey = np.tile(np.linspace(60, 240, 60), (40, 1)).astype(np.uint8)
    grey[:10, :10] = 0
    path = tmp_path_factory.mktemp("photos") / "ramp.png"
    Image.fromarray(grey).save(path)
    return path


# -- standing -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
def test_a_turned_panels_picture_is_the_pictures_quarter_turn(turn):
    panel, given = made(turn=turn, overhang=45.0, **PLAIN)
    assert panel.view == View(turn) and panel.rim == 20
    np.testing.assert_array_equal(panel.thickness[panel.picture], np.rot90(LETTER, turn // 90))
    assert (panel.width, panel.height) == pytest.approx((given.width, given.height))
    assert (given.width, given.height) == ((18, 24) if turn % 180 else (24, 18))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("relief", ["toward", "away"])
def test_what_the_viewer_sees_is_the_picture(relief, turn):
    panel, _ = made(relief=relief, turn=turn, **PLAIN)
    assert panel.view.mirrored == (relief == "away")
    upright = panel.view.upright(panel.thickness)
    np.testing.assert_array_equal(upright[20:-20, 20:-20], LETTER)
    # It is the rim on top as it stands that is chamfered, wherever the viewer has it.
    assert panel.thickness[0].min() < 3.1 and (panel.thickness[-1] == 4.0).all()


def test_auto_stands_as_0_until_somebody_chose():
    np.testing.assert_array_equal(made(turn="auto")[0].thickness, made(turn=0)[0].thickness)


def test_the_slope_is_limited_as_the_panel_stands():
    for turn in TURNS:
        panel, _ = made(turn=turn, slope="minimum", rim_width=0.0)
        rise = np.diff(panel.thickness[::-1], axis=0)
        assert rise.max() <= 0.1 + 1e-9, turn


def test_sides_are_upright_in_the_job_and_standing_in_what_is_given():
    _, lying = made(width=30.0, height=20.0, turn=90)
    assert (lying.width, lying.height) == (20.0, 30.0)
    _, disc = made(outline="disc", width=40.0, turn=90)
    assert disc.width == pytest.approx(40.0) and disc.height < 39.0  # the flat is below, as it stands


def test_turned_is_what_reading_again_gives():
    setup = settle(Job(outline="disc", width=30.0))
    given = read_source(LETTER, setup, 0.1)
    for turn in TURNS:
        other = msgspec.structs.replace(setup.job, turn=turn)
        again, read = measure_again(given, settle(other), 0.1), read_source(LETTER, settle(other), 0.1)
        assert (again.width, again.height) == (read.width, read.height)
        assert again.outline.equals(read.outline)


@pytest.mark.parametrize("relief", ["toward", "away"])
@pytest.mark.parametrize(("turn", "side"), [(0, "low"), (90, "left"), (180, "high"), (270, "right")])
def test_the_foot_is_on_the_edge_it_stands_on(turn, side, relief):
    panel, given = made(outline="disc", width=20.0, rim_width=1.0, turn=turn, relief=relief)
    left, low, right, high = given.outline.bounds
    edges = {
        "left": shapely.LineString([(left, low), (left, high)]),
        "right": shapely.LineString([(right, low), (right, high)]),
        "low": shapely.LineString([(left, low), (right, low)]),
        "high": shapely.LineString([(left, high), (right, high)]),
    }
    along = {
        name: given.outline.boundary.intersection(edge.buffer(1e-9)).length for name, edge in edges.items()
    }
    assert along.pop(side) == pytest.approx(0.4 * 20.0, abs=0.05)
    assert max(along.values()) < 2.0
    wall = panel.thickness > 0
    assert wall[-1].sum() == pytest.approx(80, abs=3) and wall[0].sum() < 25


def test_what_stands_already_keeps_its_outline():
    plate = rectangle(30, 20, 2)
    for turn in TURNS:
        assert shapely.symmetric_difference(cut_foot(plate, View(turn), None), plate).area < 1e-9
    assert cut_foot(ellipse(30, 30), View(90, True), 12.0).bounds[2] < 30


# -- where the picture lies ---------------------------------------------------------------------------------


def test_defaults_leave_the_picture_alone(photo):
    here, _ = made(photo, width=20.0)
    said, _ = made(photo, width=20.0, centre_across=0.5, centre_up=0.5, zoom=1.0, tilt=0.0, turn=0)
    np.testing.assert_array_equal(here.thickness, said.thickness)
    np.testing.assert_array_equal(made(**PLAIN)[0].thickness[20:-20, 20:-20], LETTER)
    nearly, _ = made(photo, width=20.0, zoom=1.0 + 1e-12)  # the other way round: sampled, not fitted
    inside = nearly.picture
    assert np.abs(nearly.thickness - here.thickness)[inside].mean() < 0.01


def test_a_tilt_of_a_quarter_turns_the_panels_proportions_too(photo):
    panel, given = made(photo, width=20.0, rim_width=0.0, tilt=90.0)
    assert (given.width, given.height) == (20.0, 30.0)
    # The dark left of the photograph is below.
    assert panel.thickness[-1].mean() > panel.thickness[0].mean() + 0.3
    turned_map, _ = made(tilt=90.0, rim_width=0.0)
    np.testing.assert_allclose(turned_map.thickness, np.rot90(LETTER), atol=1e-9)


def test_a_centre_and_a_zoom_show_that_part(photo):
    panel, _ = made(photo, width=30.0, height=20.0, rim_width=0.0, zoom=4.0, centre_across=0.0, centre_up=1.0)
    # The black corner fills 10 × 10 of the 15 × 10 pixels that are left; a pixel is 20 of the map's.
    assert (panel.thickness[:180, :180] > 2.9).all() and panel.thickness[:180, 230:].max() < 2.9
    assert made(photo, width=30.0, zoom=4.0, centre_across=1.0)[0].thickness[60:-60, 60:-60].max() < 2.0


def test_what_a_small_zoom_leaves_bare_is_the_pictures_white(photo):
    for source in (photo, LETTER):
        panel, _ = made(source, width=30.0, height=20.0, rim_width=0.0, zoom=0.5, thinnest=0.9)
        assert (panel.thickness[:40] == pytest.approx(0.9)) and panel.thickness[60:140, 60:120].max() > 1.5


def test_a_map_with_gaps_is_placed_without_thin_walls():
    holed = np.where(np.indices((140, 200))[1] > 120, 0.0, LETTER)
    panel, _ = made(holed, width=24.0, rim_width=2.0, tilt=33.0, zoom=1.3, overhang=80.0)
    inside = panel.thickness[panel.picture]
    assert (inside == 0).any() and inside[inside > 0].min() >= 1.0 - 1e-9


def test_a_zoom_onto_a_speck_is_refused(photo):
    with pytest.raises(PathgenError, match="zoom 30 shows only 2 × 1.33 pixels of the picture .zoom."):
        made(photo, width=30.0, height=20.0, rim_width=0.0, zoom=30.0)


# -- rim, line, eyelets -------------------------------------------------------------------------------------


@pytest.mark.parametrize("outline", ["rectangle", "arch"])
def test_bevel_and_line_on_every_outline(outline):
    wall = np.full((300, 200), 1.0)
    panel, _ = made(wall, outline=outline, rim_bevel=45.0, line_width=1.0, line_thickness=2.0)
    row = panel.thickness[200, :80]
    assert (row[:30] == 4.0).all()
    # Trigonometry: at 45 degrees 0.1 mm each pixel, 0.05 at the first one's middle; the line is at 2 mm.
    assert row[30:40] == pytest.approx(np.maximum(2.0, 3.95 - 0.1 * np.arange(10)), abs=0.01)
    assert (row[61:] == 1.0).all()  # on from the line, the bevel goes on to the picture
    assert panel.edge[200, :59].all() and not panel.edge[200, 61:-61].any()


def test_a_line_without_a_rim_is_as_thick_as_black_by_default():
    panel, _ = made(np.full((100, 100), 1.0), rim_width=0.0, line_width=0.5)
    assert (panel.thickness[-5:] == 3.0).all() and (panel.thickness[10:-5, 5:-5] == 1.0).all()
    assert panel.thickness.shape == (100, 100)


def test_a_rectangles_rim_is_known_whichever_way_it_was_made():
    ways = ({}, {"rim_bevel": 30.0}, {"line_width": 0.5}, {"corner": 2.0}, {"eyelets": 1}, {"turn": 90})
    assert [made(**PLAIN, **way)[0].rim for way in ways] == [20] * len(ways)
    assert made(rim_width=0.0, line_width=0.5)[0].rim == 0 == made(outline="arch")[0].rim
    wall = np.full((300, 200), 1.0)
    for way in ways[1:3]:
        assert plan_panel(wall, Job(wedges=2, brim=2.0, wedge_height=20.0, **way)).supports.contacts > 0


@pytest.mark.parametrize("turn", [0, 90, 270])
def test_eyelets_hang_where_they_are_told_on_the_viewers_top(turn):
    wall = np.full((200, 500), 1.0)
    panel, given = made(
        wall, eyelet_at=(0.2, 0.7), eyelet_wall=2.0, eyelet_opening=3.0, turn=turn, overhang=80.0
    )
    upright = panel.view.upright(panel.thickness)
    lugs = upright[: upright.shape[0] - 260] > 0
    found = np.flatnonzero(lugs.any(axis=0)) * 0.1
    # 56 mm wide, lugs of 3 + 2·2 mm; on its side an opening is longer by its point, r·(1/sin 45° − 1).
    half = 3.5 if turn == 0 else 2.0 + 0.75 * (1 + np.sqrt(2))
    assert found.min() == pytest.approx(0.2 * 56 - half, abs=0.11)
    assert found.max() == pytest.approx(0.7 * 56 + half - 0.1, abs=0.11)
    lying = turn % 180 == 90
    assert (panel.width if lying else panel.height) > 26.0
    assert (given.width, given.height) == ((26, 56) if lying else (56, 26)), "without the eyelets"


def test_a_count_of_eyelets_and_their_places_agree():
    even, said = made(eyelets=2)[0], made(eyelets=2, eyelet_at=(0.25, 0.75))[0]
    np.testing.assert_array_equal(even.thickness, said.thickness)
    assert made(eyelet_at=())[0].thickness.shape == made()[0].thickness.shape


# -- rings --------------------------------------------------------------------------------------------------

WAVE = np.tile(1.5 + np.cos(np.arange(300) / 300 * 2 * np.pi - 2.0), (120, 1))  # thickest at column 95
RING = {"seam": "dark", "bend": 360.0, "width": 30.0}


@pytest.mark.parametrize("turn", [0, 180])
@pytest.mark.parametrize("relief", ["toward", "away"])
def test_a_dark_seam_lies_in_the_darkest_column(relief, turn):
    panel, given = made(WAVE, relief=relief, turn=turn, **RING)
    assert (given.width, given.height) == (30.0, 18.0) and panel.rim == 0
    inner = panel.thickness[60]
    assert inner[0] == inner.max() == WAVE.max() and not (inner == 4.0).any()
    assert (panel.thickness[-30:] == 4.0).all() and not panel.edge[30:-30].any()
    np.testing.assert_array_equal(panel.view.upright(panel.thickness)[60], WAVE[0])
    assert 0 <= panel.view.roll < 300


def test_a_dark_ring_with_eyelet_bevel_and_line():
    panel, _ = made(WAVE, eyelet_at=(0.8,), rim_bevel=45.0, line_width=0.5, **RING)
    upright = panel.view.upright(panel.thickness)
    lug = np.flatnonzero(upright[0] > 0)
    assert lug.mean() == pytest.approx(0.8 * 300, abs=2)
    assert (upright[-31] > 3.9).all() and upright[-31, 0] == upright[-31, -1]
    bare, _ = made(WAVE, rim_width=0.0, **RING)
    assert bare.thickness.shape == (120, 300) and not bare.edge.any()


def test_by_default_a_rings_seam_is_in_its_rims():
    panel, _ = made(WAVE, bend=360.0, width=30.0)
    assert panel.view == View() and (panel.thickness[60, [0, 29, -30, -1]] == 4.0).all()


# -- all of it ----------------------------------------------------------------------------------------------

JOBS = st.fixed_dictionaries(
    {
        "outline": st.sampled_from(["rectangle", "rectangle", "disc", "arch"]),
        "turn": st.sampled_from(TURNS),
        "relief": st.sampled_from(["toward", "away"]),
        "rim_width": st.sampled_from([0.0, 1.0, 2.5]),
        "rim_bevel": st.sampled_from([0.0, 40.0]),
        "line_width": st.sampled_from([0.0, 0.8]),
        "tilt": st.sampled_from([0.0, 90.0, -30.0]),
        "zoom": st.floats(0.5, 3.0),
        "centre_across": st.one_of(st.just(0.0), st.floats(1e-6, 1)),
        "corner": st.sampled_from([0.0, 3.0]),
        "slope": st.sampled_from(["free", "minimum"]),
    }
)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(job=JOBS, loops=st.integers(0, 1))
def test_every_job_gives_a_panel_that_stands(job, loops):
    loops = 0 if job["turn"] == 180 else loops
    panel, given = made(width=24.0, height=20.0, pixel=0.25, eyelets=loops, **job)
    assert isinstance(panel, Panel) and panel.edge.shape == panel.thickness.shape
    assert panel.thickness[-1].any() and np.isfinite(panel.thickness).all() and panel.thickness.min() >= 0
    more = panel.view.size(0.0, 12.0) if loops else (0.0, 0.0)
    for side, asked, lug in zip((panel.width, panel.height), (given.width, given.height), more, strict=True):
        assert asked - 0.26 <= side <= asked + lug + 0.26
    # Made the ordinary way up without chamfer or slope, it is the same solid for the viewer.
    # A loop of a panel on its side is another one.
    same = not loops or job["turn"] == 0
    if same and job["slope"] == "free" and job["outline"] == "rectangle" and not job["corner"]:
        plain, _ = made(
            width=24.0, height=20.0, pixel=0.25, eyelets=loops, **job | {"turn": 0, "relief": "toward"}
        )
        seen = panel.view.upright(panel.thickness)
        both = ~plain.edge & ~panel.view.upright(panel.edge)
        np.testing.assert_array_equal(seen[both], plain.thickness[both])
        assert seen.shape == plain.thickness.shape and both.any()


REFUSED = [
    ({"outline": "nowhere.wkt"}, "no such file"),
    ({"outline": "disk"}, "unknown outline 'disk' .outline."),
    (
        {"outline": "disc", "foot": 90.0},
        "foot of 90 mm does not fit an outline that is 24 mm",
    ),
    ({"corner": 40.0}, "corner is 40 mm .corner."),
    (
        {"eyelet_at": (0.01,)},
        "the lug around the eyelet extends beyond the side of the panel .eyelet_at 0.01.",
    ),
    ({"eyelet_at": (0.4, 0.5)}, "overlap .eyelet_at."),
    ({"rim_bevel": 89.0}, "a bevel of 89 degrees from a rim of 4 mm leaves no picture .rim_bevel."),
    ({"line_width": 9.0}, "leave no picture .line_width."),
    ({"rim_width": 9.0, "height": 18.1}, "pixels for the picture .rim_width."),
]


@pytest.mark.parametrize(("asked", "words"), REFUSED)
def test_refusals(asked, words):
    with pytest.raises(PathgenError, match=words) as caught:
        made(**{"width": 24.0} | asked)
    assert str(caught.value).isprintable()


FILES = {
    "bow": ("POLYGON ((0 0, 40 30, 40 0, 0 30, 0 0))", "not valid: self-intersection .*bow.wkt"),
    "none": ("POLYGON EMPTY", "the file contains no polygon .*none.wkt"),
    "line": ("POLYGON ((0 0, 5 5, 9 9, 0 0))", "no area .*line.wkt"),
    "fork": (
        "POLYGON ((15 0, 25 0, 40 30, 25 30, 20 10, 15 30, 0 30, 15 0))",
        "a foot of 25 mm cuts off .* and leaves 2 pieces .outline.; "
        "allowed: a foot that leaves one piece; use",
    ),
}


@pytest.mark.parametrize("name", FILES)
def test_files_that_are_no_outline(name, tmp_path):
    text, words = FILES[name]
    path = tmp_path / f"{name}.wkt"
    path.write_text(text)
    with pytest.raises(PathgenError, match=words):
        made(outline=str(path), foot=25.0 if name == "fork" else None)
