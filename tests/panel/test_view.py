"""How a standing map differs from what the viewer sees."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.panel import Panel, View, stand_on_edge
from pathgen.panel.outline_arch import arch
from pathgen.panel.pixels import Grid, grid_over, mask

# A letter-like map: none of its turns, mirror images or rolls is itself.
LETTER = np.zeros((7, 5))
LETTER[:, 1], LETTER[0, 1:5], LETTER[3, 1:4], LETTER[6, 4] = 1.0, 2.0, 3.0, 4.0

VIEWS = st.builds(View, st.sampled_from([0, 90, 180, 270]), st.booleans(), st.integers(-9, 9))


@given(view=VIEWS)
def test_upright_undoes_standing(view):
    standing = view.standing(LETTER)
    np.testing.assert_array_equal(view.upright(standing), LETTER)
    np.testing.assert_array_equal(view.standing(view.upright(LETTER)), LETTER)
    assert standing.flags.c_contiguous and standing.shape[::-1] == view.size(*LETTER.shape[::-1])


def test_every_view_but_none_changes_the_letter():
    views = [View(t, m, r) for t in (0, 90, 180, 270) for m in (False, True) for r in range(5)]
    seen = {(view.standing(LETTER).shape, view.standing(LETTER).tobytes()) for view in views}
    assert len(seen) == len(views)
    np.testing.assert_array_equal(View().standing(LETTER), LETTER)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(
    ("turn", "edge", "stood_on"),
    [(0, "lower", np.s_[-1, :]), (90, "left", np.s_[:, 0]), (180, "upper", np.s_[0, :]),
     (270, "right", np.s_[:, -1])],
)  # fmt: skip
def test_the_edge_it_stands_on_is_the_viewers(turn, edge, stood_on, mirrored):
    view = View(turn, mirrored)
    assert view.edge == edge
    assert sorted(view.standing(LETTER)[-1]) == sorted(LETTER[stood_on])


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turns_are_counter_clockwise_for_the_viewer(turn):
    # numpy's rot90 is counter-clockwise.
    np.testing.assert_array_equal(View(turn).standing(LETTER), np.rot90(LETTER, turn // 90))
    # The other face of a mirrored one is what the viewer would see turned so.
    seen = View(turn, mirrored=True).standing(LETTER)[:, ::-1]
    np.testing.assert_array_equal(seen, np.rot90(LETTER, turn // 90))


def test_a_roll_goes_round():
    assert View(roll=2).standing(np.arange(5)[None]).tolist() == [[3, 4, 0, 1, 2]]
    assert View(mirrored=True, roll=-1).standing(np.arange(5)[None]).tolist() == [[3, 2, 1, 0, 4]]
    assert View(turn=90, roll=7).standing(np.zeros((0, 4))).shape == (4, 0)


SIGN = shapely.from_wkt("POLYGON ((0 0, 60 0, 60 12, 25 12, 25 40, 0 30, 0 0), (5 5, 20 5, 5 9, 5 5))")


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_outlines_stand_as_maps_do(turn, mirrored):
    view = View(turn, mirrored)
    standing = view.outline(SIGN, 60, 40)
    assert standing.bounds == (0, 0, *view.size(60, 40)) and standing.is_valid
    grid = grid_over(standing, 0.5)
    np.testing.assert_array_equal(mask(standing, grid), view.standing(mask(SIGN, grid_over(SIGN, 0.5))))
    assert view.upright_outline(standing, *view.size(60, 40)).equals(SIGN)


def test_an_outline_keeps_its_place_in_its_box():
    part = shapely.box(2, 3, 10, 8)
    for view in (View(90), View(180, True), View(270, True)):
        standing = view.outline(part, 60, 40)
        width, height = view.size(60, 40)
        grids = Grid(height, width, 1.0, 0.0, 0.0), Grid(40, 60, 1.0, 0.0, 0.0)
        np.testing.assert_array_equal(mask(standing, grids[0]), view.standing(mask(part, grids[1])))
    assert View().outline(arch(60, 80), 60, 80).equals(arch(60, 80))


def test_a_panel_stands_with_its_edge_and_remembers():
    edge = LETTER == 2
    for view in (View(90), View(180, True), View(0, False, 3)):
        stood = stand_on_edge(Panel(LETTER, 0.1, 1, edge), view)
        assert (stood.rim, stood.pixel, stood.view) == (1, 0.1, view)
        np.testing.assert_array_equal(view.upright(stood.thickness), LETTER)
        np.testing.assert_array_equal(stood.edge, stood.thickness == 2)
    assert not stand_on_edge(Panel(LETTER, 0.1), View(90)).edge.any()


@pytest.mark.parametrize("turn", [45, -90, 360, 1])
def test_other_turns_are_refused(turn):
    with pytest.raises(PathgenError, match=f"turn is {turn} .turn.; allowed: 0, 90, 180, 270 degrees"):
        View(turn)
