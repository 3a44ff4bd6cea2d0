"""Records of figures: keys, units and descriptions come from the fields."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pathgen.files.quantities import Nested, Quantity, flatten, list_quantities


@dataclass
class Span:
    low: Annotated[float, Quantity("", "minimum of")]
    share: Annotated[float, Quantity("share", "occupied part of")]


@dataclass
class Box:
    count: Annotated[int, Quantity("count", "boxes")]
    x: Annotated[Span, Nested("x_", "the x axis", "mm", "_mm")]
    z: Annotated[Span | None, Nested("z_", "the height", "mm", "_mm", without=("share",))] = None
    label: str = "not a figure"


def test_a_row_has_the_figures_of_nested_records_under_their_prefix():
    assert flatten(Box(2, Span(1.5, 0.5), Span(3.0, 0.1))) == {
        "count": 2,
        "x_low_mm": 1.5,
        "x_share": 0.5,
        "z_low_mm": 3.0,
    }


def test_a_nested_record_that_is_none_leaves_its_keys_empty():
    assert flatten(Box(0, Span(0.0, 0.0)))["z_low_mm"] is None


def test_units_and_descriptions_come_from_both_records():
    found = list_quantities(Box)
    assert list(found) == list(flatten(Box(2, Span(1.5, 0.5))))
    assert found["x_low_mm"] == Quantity("mm", "minimum of the x axis")
    assert found["x_share"] == Quantity("share", "occupied part of the x axis")
