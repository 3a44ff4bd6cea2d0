"""Wedges and combs: what they carry, what they stay clear of, what they weigh.

Sections, beads and distances are shapely's, made from the strokes alone: a stroke's line buffered by half its
spacing. That every layer is carried is checked by growing what lies below it by (layers between) ·
tan(angle).
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString

from pathgen.errors import PathgenError
from pathgen.layers.brim import brim_loops
from pathgen.layers.combs import CombPlan, build_comb
from pathgen.layers.sections import cut_layers, section_outline
from pathgen.layers.strokes import make_strokes
from pathgen.layers.supports import plan_supports, stroke_volume
from pathgen.layers.wedges import WedgePlan, build_wedges
from pathgen.panel import Panel, add_rim

PIXEL = 0.1
SPACING = 0.42


def beads(strokes, spacing, cap="round"):
    """Everything the strokes of a layer cover."""
    points = np.column_stack([strokes.u, strokes.n])
    lines = [LineString(points[a:b]) for a, b in zip(strokes.start, strokes.start[1:], strict=False)]
    return shapely.union_all([line.buffer(spacing / 2, cap_style=cap, join_style="mitre") for line in lines])


def section(layers, k):
    return section_outline(layers.profiles(k, k + 1).thickness[0], layers.panel.pixel, 1e-9)


def apart(one, other):
    """Distance, mm; far where either is empty."""
    return np.inf if one.is_empty or other.is_empty else one.distance(other)


def framed(side=60.0, rim=3.0, rim_thickness=4.0):
    rng = np.random.default_rng(3)
    inner = round((side - 2 * rim) / PIXEL)
    return cut_layers(add_rim(rng.uniform(0.8, 3.0, (inner, inner)), PIXEL, rim, rim_thickness), PIXEL, 0.2)


def disc(radius, picture=3.0, rim=3.0):
    side = round(2 * radius / PIXEL)
    at = (np.arange(side) + 0.5) * PIXEL - radius
    away = np.hypot(at[:, None], at)
    return np.where(away <= radius, np.where(away > radius - 3.0, rim, picture), 0.0)


FRAMED = framed()
WEDGE = WedgePlan(height=40.0, base=9.0, spacing=SPACING, brim=5.0)
MADE = build_wedges(FRAMED, WEDGE)
DISC = cut_layers(Panel(disc(50.0), PIXEL), PIXEL, 0.2)
COMB = CombPlan(spacing=SPACING, brim=10.0)


# ---- wedges


@pytest.mark.parametrize("gap", [0.0, 0.2, 0.5])
@pytest.mark.parametrize("brim", [0.0, 5.0])
def test_strips_keep_the_gap_in_every_layer(gap, brim):
    made = build_wedges(FRAMED, replace(WEDGE, gap=gap, brim=brim))
    spacing = WEDGE.thickness / 3
    for k in range(0, 400, 7):
        assert apart(beads(made.strips.select(k, k + 1), spacing), section(FRAMED, k)) >= gap - 1e-6


def test_tabs_touch_the_rim_and_not_the_picture():
    rim = FRAMED.panel.rim * PIXEL
    for k in np.unique(MADE.tabs.layer).tolist():
        here = beads(MADE.tabs.select(k, k + 1), 0.4, cap="flat")
        wall = section(FRAMED, k)
        assert here.distance(wall) == pytest.approx(0.0, abs=1e-9)
        assert here.intersection(wall).area < 1e-9
        picture = wall.intersection(shapely.box(rim, -9, 60 - rim, 9))
        assert here.distance(picture) >= WEDGE.gap
        # One bead wide where it meets the rim: four tabs of 0.4 mm, the spacing.
        assert here.buffer(1e-6).intersection(wall.boundary).length == pytest.approx(4 * 0.4, abs=1e-4)


def test_there_is_a_tab_every_few_millimetres_from_the_top():
    tops = FRAMED.top[np.unique(MADE.tabs.layer)]
    assert tops == pytest.approx(np.sort(np.concatenate([40.0 - 5 * np.arange(8), 39.9 - 5 * np.arange(8)])))
    assert MADE.contacts == 8 * 4
    # A ninth would fall on the first layer, which stands on the platform.
    ninth = build_wedges(FRAMED, replace(WEDGE, tab_spacing=39.9 / 8))
    assert ninth.contacts == 8 * 4 and ninth.tabs.layer.min() > 1


def test_a_wedge_is_a_right_triangle():
    front = MADE.strips.n > 2.0
    reach = np.array([MADE.strips.n[front & here].max() for here in _by_layer(MADE.strips, 1, 397)])
    down = np.diff(reach)
    assert (down <= 1e-9).all()  # it only gets shorter
    steady = down[np.abs(down) > 1e-9]
    assert np.median(steady) == pytest.approx(-(9.0 - 1.2) * PIXEL / 40.0)
    assert reach[0] + 0.2 == pytest.approx(4.0 + 0.2 + 1.2 + 7.8 * (1 - 0.25 / 40), abs=0.01)
    assert MADE.strips.n.min() == pytest.approx(4.0 - MADE.strips.n.max())  # as far behind as in front


def _by_layer(strokes, first, last):
    layer = np.repeat(strokes.layer, np.diff(strokes.start))
    return [layer == k for k in np.unique(strokes.layer) if first <= k < last]


def test_volume_is_the_triangles():
    made = build_wedges(FRAMED, replace(WEDGE, brim=20.0))  # no first layer of their own
    prism = 4 * 1.2 * 40.0 * (9.0 + 1.2) / 2
    assert stroke_volume(made.strips, FRAMED) + stroke_volume(made.tabs, FRAMED) == pytest.approx(
        prism, rel=0.06
    )


def test_wedges_stand_on_the_brim_and_beyond_it_on_the_platform():
    brim = beads(brim_loops(FRAMED.profiles(0, 1), 5.0, SPACING), SPACING, "flat")
    pads = beads(MADE.strips.select(0, 1), 0.4, cap="flat")
    assert pads.distance(brim) < 0.06  # the brim's own outline is smoothed by 0.05
    assert 0 < pads.intersection(brim).area < 0.05 * pads.area  # welded by less than half a bead
    above = beads(MADE.strips.select(1, 2), 0.4)
    assert above.difference(pads.union(brim).buffer(0.25)).is_empty


def test_wedges_without_a_brim_stand_on_feet_wider_than_themselves():
    made = build_wedges(FRAMED, replace(WEDGE, brim=0.0))
    foot, strip = beads(made.strips.select(0, 1), 0.4), beads(made.strips.select(1, 2), 0.4)
    assert strip.difference(foot.buffer(0.01)).is_empty
    assert foot.area > 3 * strip.area


def test_more_sites_share_the_rim_and_told_ones_stand_where_told():
    wide = framed(rim=6.0)
    made = build_wedges(wide, replace(WEDGE, sites=4, faces="back"))
    assert len(made.strips.select(1, 2)) == 4 and (made.strips.n < 0).all()
    told = build_wedges(FRAMED, replace(WEDGE, at=(58.5,), faces="front"))
    strip = told.strips.select(1, 2)
    assert len(strip) == 1 and (strip.u.min() + strip.u.max()) / 2 == pytest.approx(58.5)


def test_feet_of_neighbours_do_not_run_into_each_other():
    bare = cut_layers(Panel(np.full((300, 300), 2.0), PIXEL), PIXEL, 0.2)
    made = build_wedges(bare, replace(WEDGE, height=20.0, brim=0.0, at=(10.0, 12.0), faces="front"))
    foot = made.strips.select(0, 1)
    assert beads(foot, 0.4, "flat").area == pytest.approx(foot.area.sum(), rel=0.01)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"thickness": 2.8}, "the rim of 3 mm has no room for"),
        ({"thickness": 0.5}, "two beads"),
        ({"base": 0.0}, "base is 0 mm"),
        ({"gap": -0.1}, "gap is -0.1 mm"),
        ({"gap": np.nan}, "gap is nan mm"),
        ({"height": 61.0}, "more than 0 and at most 60 mm, the panel's height"),
        ({"height": 0.0}, "height is 0 mm"),
        ({"tab_height": 0.0}, "tab_height is 0 mm"),
        ({"tab_spacing": 0.3}, "more than twice the tab height"),
        ({"sites": 3}, "an even number"),
        ({"faces": "left"}, "both, front, back"),
        ({"at": (30.0,)}, "needs a uniform border, but the wall there is 0.8.* mm thick"),
        ({"at": (0.3,)}, "outside the panel"),
        ({"at": (1.0, 1.8)}, "too close to each other"),
    ],
)
def test_wedges_refused(change, says):
    with pytest.raises(PathgenError, match=says):
        build_wedges(FRAMED, replace(WEDGE, **change))


def test_without_a_rim_wedges_have_to_be_told_where():
    bare = cut_layers(Panel(np.full((300, 300), 2.0), PIXEL), PIXEL, 0.2)
    plan = replace(WEDGE, height=20.0)
    with pytest.raises(PathgenError, match="wedges need a rim, but the panel has none"):
        build_wedges(bare, plan)
    assert build_wedges(bare, replace(plan, at=(2.0, 28.0))).contacts == 4 * 4


def test_a_disc_has_no_rim_column_down_to_the_platform():
    with pytest.raises(PathgenError, match="the wall there is 0 to"):
        build_wedges(cut_layers(Panel(disc(20.0), PIXEL, rim=30), PIXEL, 0.2), replace(WEDGE, height=20.0))


# ---- comb


def carried(layers, plan, made, last, brim):
    """Layers with wall that neither panel, comb, brim nor platform carries within the angle.

    A fin carries through no more air than a bead is wide: across its own width a slope of 45° rises as much.
    """
    deepest = round(plan.spacing / PIXEL) + 1
    reach = np.tan(np.radians(plan.angle)) * PIXEL + 1e-6
    wall = [section(layers, k) for k in range(last)]
    supports = [beads(made.strokes.select(k, k + 1), plan.spacing, "flat") for k in range(last)]
    supports[0] = supports[0].union(wall[0].buffer(brim))
    bad = []
    for k in range(1 + plan.clear, last):  # below, the platform is as near as a fin would be
        open_ = wall[k].difference(wall[k - 1].buffer(reach))
        for j in range(k - 1, max(k - 1 - deepest, -1), -1):
            if open_.is_empty:
                break
            open_ = open_.difference(supports[j].buffer((k - j) * reach))
        if open_.area > 1e-4:
            bad.append((k, open_.area))
    return bad


def test_every_layer_of_a_disc_is_carried():
    made = build_comb(DISC, COMB)
    assert carried(DISC, COMB, made, 170, 10.0) == []
    without = replace(made, strokes=make_strokes([], [], SPACING))
    assert len(carried(DISC, COMB, without, 170, 10.0)) > 40  # the check does see what is not carried


@pytest.mark.parametrize("gap", [0.1, 0.3, 0.4])
def test_every_layer_is_carried_with_other_gaps(gap):
    layers = cut_layers(Panel(disc(20.0), PIXEL), PIXEL, 0.2)
    plan = replace(COMB, gap=gap, brim=3.0)
    assert carried(layers, plan, build_comb(layers, plan), 75, 3.0) == []


def shape(name):
    y, x = np.mgrid[:300, :600] * PIXEL + PIXEL / 2
    z = 30.0 - y
    return {
        "ellipse": np.hypot((x - 30) / 30, (z - 15) / 15) <= 1,
        "arms": (z > 12) | (np.abs(x - 28) < 4),
        "bridge": (z > 12) | (x < 8) | (x > 50),
        "overhangs": x < 5 + z * np.tan(np.radians(55)),
        "waves": z > 2.4 + 2.5 * np.cos(x * np.pi / 10),
    }[name] * 2.0


@pytest.mark.parametrize("name", ["ellipse", "arms", "bridge", "overhangs", "waves"])
@pytest.mark.parametrize("brim", [0.0, 4.2])
def test_shapes_are_carried_and_kept_clear_of(name, brim):
    layers = cut_layers(Panel(shape(name), PIXEL), PIXEL, 0.2)
    plan = replace(COMB, brim=brim)
    made = build_comb(layers, plan)
    last = min(len(layers), round(made.height / PIXEL) + 8)
    assert made.fins > 5
    assert carried(layers, plan, made, last, max(brim, 0.2)) == []
    for k in range(0, last, 3):
        assert apart(beads(made.strokes.select(k, k + 1), SPACING), section(layers, k)) >= plan.gap - 1e-6


def test_the_comb_is_a_layer_short_of_the_outline():
    arm = np.full((100, 300), 3.0)
    arm[40:, 100:] = 0.0  # from 6 mm up
    layers = cut_layers(Panel(arm, PIXEL), PIXEL, 0.2)
    for clear in (0, 1, 3):
        made = build_comb(layers, replace(COMB, clear=clear))
        assert made.height == pytest.approx(6.0 - clear * PIXEL)
        assert made.strokes.layer.max() == round((made.height - 0.2) / PIXEL)


def test_the_comb_keeps_the_gap_and_stands_on_itself():
    made = build_comb(DISC, COMB)
    brim = beads(brim_loops(DISC.profiles(0, 1), 10.0, SPACING), SPACING, "flat").union(section(DISC, 0))
    foot = beads(made.strokes.select(0, 1), SPACING, "flat")
    assert foot.distance(brim) < 0.06  # the brim's own outline is smoothed by 0.05
    below = foot.union(brim).buffer(0.06)
    for k in range(1, round(made.height / PIXEL)):
        here = beads(made.strokes.select(k, k + 1), SPACING)
        assert apart(here, section(DISC, k)) >= COMB.gap - 1e-6
        assert here.difference(below.buffer(0.03)).area < 1e-3  # corners of the mitre
        below = here


@pytest.mark.parametrize("foot", [0.0, 2.0, 3.5])
def test_the_foot_of_the_comb_stands_out_as_far_as_asked(foot):
    """Beads of foot and fins are alike, so their middle lines are as far apart as their edges."""
    arm = np.full((100, 300), 3.0)
    arm[40:, 100:] = 0.0  # from 6 mm up
    layers = cut_layers(Panel(arm, PIXEL), PIXEL, 0.2)
    strokes = build_comb(layers, replace(COMB, brim=0.0, foot=foot)).strokes
    low, fins = strokes.select(0, 1), strokes.select(1, 2)
    assert low.u.max() - fins.u.max() == pytest.approx(foot, abs=1e-6)
    assert [fins.n.min() - low.n.min(), low.n.max() - fins.n.max()] == pytest.approx([foot, foot], abs=1e-6)


def test_a_layer_of_the_comb_is_one_zigzag_a_flank():
    strokes = build_comb(DISC, COMB).strokes
    _, count = np.unique(strokes.layer[strokes.layer > 0], return_counts=True)
    assert (count == 2).all()
    one = strokes.select(20, 21)
    steps = np.delete(np.diff(np.column_stack([one.u, one.n]), axis=0), one.start[1:-1] - 1, axis=0)
    assert (np.abs(steps).min(axis=1) < 1e-9).all()  # along n or along u, nothing aslant


def test_a_high_comb_is_deeper_than_the_wall():
    tall = np.full((400, 200), 0.8)
    tall[50:, 50:] = 0.0  # from 35 mm up
    made = build_comb(cut_layers(Panel(tall, PIXEL), PIXEL, 0.2), COMB)
    n = made.strokes.select(200, 201).n
    assert np.ptp(n) + SPACING == pytest.approx(35.0 / 5) and n.min() + n.max() == pytest.approx(0.8)


def test_ribs_keep_clear_of_what_hangs_between_two_fins():
    wall = np.full((150, 300), 2.0)
    wall[30:, 50:250] = 0.0  # a bridge from 12 mm up,
    wall[30:100, 146:154] = 2.0  # and in its middle a tooth down to 5 mm
    layers = cut_layers(Panel(wall, PIXEL), PIXEL, 0.2)
    made = build_comb(layers, replace(COMB, fin_spacing=7.0))
    assert made.fins == 4 and made.strokes.layer.max() > 100
    for k in range(0, 118, 3):
        assert apart(beads(made.strokes.select(k, k + 1), SPACING), section(layers, k)) >= COMB.gap - 1e-6
    _, pieces = np.unique(made.strokes.layer, return_counts=True)
    assert pieces[45] == 1 and pieces[60] == 2


@pytest.mark.parametrize("low", range(1, 6))
def test_an_arm_too_low_for_a_fin_has_none(low):
    arm = np.full((60, 200), 3.0)
    arm[-low:, 40:] = 0
    made = build_comb(cut_layers(Panel(arm, PIXEL), 0.1, 0.2), COMB)
    assert (made.fins > 0) == (low > 3), "a clear layer under the arm, and the foot"
    assert len(made.strokes) == len(made.strokes.layer) and (np.diff(made.strokes.layer) >= 0).all()


def test_the_foot_does_not_lie_under_what_begins_a_layer_above_it():
    low = np.full((60, 300), 2.0)
    low[-2:, 100:200] = low[-30:, 200:] = 0.0  # a step up from 0.2 mm, and one from 3 mm
    layers = cut_layers(Panel(low, PIXEL), PIXEL, 0.2)
    foot = beads(build_comb(layers, replace(COMB, brim=0.0)).strokes.select(0, 1), SPACING, "flat")
    assert not foot.is_empty and foot.intersection(section(layers, 1)).area < 1e-9


def test_the_comb_stands_only_where_the_outline_leans():
    made = build_comb(DISC, COMB).strokes
    fins = made.layer > 0
    u = made.u[np.repeat(fins, np.diff(made.start))]
    limit = 50 * (1 - np.sqrt(0.5))  # where the circle's edge is at 45° (geometry)
    assert limit - 2.0 < u.min() < limit + 0.5
    assert u.min() + u.max() == pytest.approx(100.0)
    for name in ("flat", "steep", "hole"):
        wall = np.full((200, 200), 2.0)
        if name == "steep":
            wall *= np.arange(200)[::-1, None] * 0.8 + 50 > np.arange(200)
        if name == "hole":
            wall[60:140, 60:140] = 0.0
        none = build_comb(cut_layers(Panel(wall, PIXEL), PIXEL, 0.2), COMB)
        assert (len(none.strokes), none.fins, none.height) == (0, 0, 0.0)


def test_a_wider_spacing_makes_fewer_fins_and_says_how_far_they_are_apart():
    near, far = build_comb(DISC, COMB), build_comb(DISC, replace(COMB, fin_spacing=3.0))
    assert far.fins < near.fins / 3
    assert near.bridge <= 4 * PIXEL + 1e-9  # two layers' reach from either side, at 45°
    assert 2.0 < far.bridge <= 3.0 - SPACING + 1e-9


def test_a_mirrored_panel_has_a_mirrored_comb():
    wall = shape("overhangs")
    wall[:, ::-1] *= shape("waves") > 0
    layers = [cut_layers(Panel(m, PIXEL), PIXEL, 0.2) for m in (wall, wall[:, ::-1])]
    one, other = (build_comb(cut_, COMB) for cut_ in layers)
    assert one.fins == other.fins > 5
    for k in range(1, 100, 11):  # the fins; which side their ribs are on depends on where one begins
        left, right = (made.strokes.select(k, k + 1).u for made in (one, other))
        assert np.sort(left) == pytest.approx(np.sort(60 - right))
    carries, mirrored = (plan_supports(cut_, comb=COMB).carries for cut_ in layers)
    assert np.count_nonzero(carries != mirrored[:, ::-1]) < 0.005 * carries.size  # pixels at the comb's edges
    assert 0.0 < carries[: len(carries) // 2].mean() < 0.9


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"spacing": 0.0}, "spacing is 0"),
        ({"angle": 90.0}, "comb_angle"),
        ({"fin_spacing": 0.3}, "more than the spacing of 0.42 mm"),
        ({"gap": -1.0}, "gap is -1"),
        ({"clear": -1}, "0 layers or more"),
        ({"depth": 0.1}, "0.84 mm .two beads. or more"),
        ({"foot": -1.0}, "foot is -1"),
        ({"brim": np.nan}, "brim is nan"),
    ],
)
def test_combs_refused(change, says):
    with pytest.raises(PathgenError, match=says):
        build_comb(DISC, replace(COMB, **change))


# ---- both


def test_supports_weigh_little():
    rimmed = cut_layers(Panel(disc(50.0, picture=1.9, rim=4.0), PIXEL), PIXEL, 0.2)
    under = plan_supports(rimmed, comb=COMB)
    square = framed(side=100.0)
    beside = plan_supports(
        square, WedgePlan(height=2 / 3 * 100.0, base=12.0, spacing=SPACING, brim=10.0), COMB
    )
    assert 0.02 < under.share < 0.08 and 0.05 < beside.share < 0.12
    assert under.share + beside.share < 0.15
    assert (under.contacts, beside.fins) == (0, 0)
    assert under.fins > 50 and beside.contacts == 4 * 14


def test_supports_say_where_they_reach_and_how_they_come_off():
    supports = plan_supports(FRAMED, WEDGE)
    (u_low, u_high), (n_low, n_high) = supports.reach
    assert u_low <= 0.9 and u_high >= 59.1 and n_high == pytest.approx(13.2, abs=0.05)
    assert n_low == pytest.approx(-9.2, abs=0.05)
    assert supports.removal.startswith("Wedges:") and "Comb" not in supports.removal
    nothing = plan_supports(FRAMED)
    assert (nothing.reach, nothing.share, nothing.removal, nothing.volume) == (None, 0.0, "", 0.0)


@settings(max_examples=20)
@given(st.integers(0, 400), st.integers(0, 400))
def test_blocks_of_layers_hold_what_their_layers_hold(first, more):
    block = MADE.strips.select(first, first + more)
    wanted = [k for k in MADE.strips.layer.tolist() if first <= k < first + more]
    assert block.layer.tolist() == wanted
    assert block.start[0] == 0 and block.start[-1] == len(block.u)
    if more:
        one = block.select(first, first + 1)
        assert np.array_equal(one.u, MADE.strips.select(first, first + 1).u)
