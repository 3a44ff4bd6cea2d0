"""Outlines by name: found by their files, made for the sides that the picture and the job ask for."""

from __future__ import annotations

from pathlib import Path

import pytest

import pathgen.panel
from pathgen.errors import PathgenError
from pathgen.panel.outlines import Sides, make_outline, outline_names

FILES = sorted(Path(pathgen.panel.__file__).parent.glob("outline_*.py"))


def test_every_file_of_an_outline_is_an_outline():
    assert outline_names() == [file.stem.removeprefix("outline_") for file in FILES]


@pytest.mark.parametrize("name", outline_names())
def test_an_outline_fills_the_sides_asked_for(name):
    outline = make_outline(name, Sides(60.0, 40.0, 60.0, 40.0))
    assert outline.bounds == pytest.approx((0.0, 0.0, 60.0, 40.0), abs=1e-9)
    assert outline.is_valid and outline.area > 0.7 * 60 * 40


def test_a_disc_is_round_unless_both_sides_are_asked_for():
    assert make_outline("disc", Sides(60.0, 40.0)).bounds[2:] == pytest.approx((60.0, 60.0))
    assert make_outline("disc", Sides(60.0, 40.0, None, 40.0)).bounds[2:] == pytest.approx((40.0, 40.0))


def test_an_unknown_name_lists_all():
    with pytest.raises(
        PathgenError, match="unknown outline 'dics' .*arch, disc, rectangle, or a polygon file"
    ):
        make_outline("dics", Sides(60.0, 40.0))


def test_a_path_is_read_as_a_polygon(tmp_path):
    path = tmp_path / "sail.wkt"
    path.write_text("POLYGON ((0 0, 30 0, 0 60, 0 0))")
    assert make_outline(str(path), Sides(1.0, 1.0, None, 30.0)).bounds == pytest.approx((0, 0, 15, 30))
