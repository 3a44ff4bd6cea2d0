"""The registry of outlines: every module is an outline, and a new one needs no other change."""

import pytest

from pathgen.errors import PathgenError
from pathgen.panel import outlines
from pathgen.panel.outlines import Sides, make_outline, outline_names


@pytest.mark.parametrize("name", outline_names())
def test_every_outline_has_the_sides_that_both_are_asked_for(name):
    outline = make_outline(name, Sides(60.0, 40.0, 60.0, 40.0))
    assert outline.is_valid and outline.bounds == pytest.approx((0, 0, 60, 40), abs=1e-9)


@pytest.mark.parametrize(
    ("asked", "size"), [((None, None), (60, 60)), ((60.0, None), (60, 60)), ((None, 40.0), (40, 40))]
)
def test_a_disc_stays_round_unless_both_sides_are_asked_for(asked, size):
    assert make_outline("disc", Sides(60.0, 40.0, *asked)).bounds[2:] == pytest.approx(size)


def test_a_rectangle_has_the_corner_that_is_asked_for():
    # Rounding removes (4 − π)·r² (plane geometry).
    assert make_outline("rectangle", Sides(60.0, 40.0, corner=5.0)).area == pytest.approx(
        2400 - 0.8584 * 25, abs=0.1
    )


def test_a_new_module_is_a_new_outline(tmp_path, monkeypatch):
    source = "from shapely import box\n\ndef ledge_outline(sides):\n    return box(0, 0, sides.width, 1)\n"
    (tmp_path / "outline_ledge.py").write_text(source)
    monkeypatch.setattr(outlines, "__file__", str(tmp_path / "outlines.py"))
    monkeypatch.setattr("pathgen.panel.__path__", [str(tmp_path)])
    assert outline_names() == ["ledge"]
    assert make_outline("ledge", Sides(60.0, 40.0)).bounds == (0, 0, 60, 1)


def test_unknown_names_are_answered_with_the_nearest():
    with pytest.raises(PathgenError, match="'disk'.*arch, disc, rectangle, or a polygon file"):
        make_outline("disk", Sides(60.0, 40.0))
    with pytest.raises(PathgenError, match="did you mean 'disc'"):
        make_outline("disk", Sides(60.0, 40.0))
