"""Factors as a study file says them, and the ways to say them wrong."""

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.study.factors import read_factor


def levels(name, value):
    return [level.label for level in read_factor(name, value, "study.toml").levels]


def test_ranges():
    assert levels("layer", {"from": 0.1, "to": 0.3, "steps": 3}) == [0.1, 0.2, 0.3]
    even = levels("change_cost", {"from": 0.05, "to": 1, "steps": 5, "log": True})
    assert even == pytest.approx(np.geomspace(0.05, 1, 5), rel=1e-5)  # numpy's own
    assert (even[0], even[-1]) == (0.05, 1.0)
    assert levels("layer", {"from": 0.1, "to": 0.9}) == []  # continuous
    assert read_factor("layer", {"from": 0.1, "to": 0.9}, "s").at(0.25).sets == {"layer": 0.3}
    assert levels("eyelets", {"from": 0, "to": 3}) == [0, 1, 2, 3]  # whole numbers have steps of their own
    assert all(isinstance(level, int) for level in levels("copies", {"from": 1, "to": 5, "steps": 3}))


def test_sets_and_lists():
    factor = read_factor(
        "limits", [{"name": "narrow", "spacing_min": 0.32}, {"spacing_max": 0.7, "picture": "b.png"}], "s"
    )
    assert [level.label for level in factor.levels] == ["narrow", "2"]
    assert factor.keys == {"spacing_min", "spacing_max", "picture"}
    assert levels("eyelet_at", [[0.2], [0.2, 0.8]]) == [[0.2], [0.2, 0.8]]
    assert levels("picture", ["a.png", "b.npy"]) == ["a.png", "b.npy"]


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("chnage_cost", [0.1], "did you mean 'change_cost'"),
        ("pictur", ["a.png"], "did you mean 'picture'"),
        ("layer", [], "the list of levels is empty"),
        ("layer", 0.1, "a list of levels"),
        ("layer", ["a"], "layer is 'a'"),
        ("layer", [5.0], "0.02 to 1 mm"),
        ("layer", [0.1, 0.1], "level 0.1 is repeated"),
        ("layer", {"from": 0.1}, "key 'to' is missing"),
        ("layer", {"from": 0.1, "two": 0.3}, "unknown key 'two'"),
        ("layer", {"from": 0.1, "to": "a"}, "to is 'a'"),
        ("layer", {"from": 0.1, "to": 0.3, "steps": 1}, "steps is 1"),
        ("layer", {"from": 0.1, "to": 0.3, "steps": True}, "steps is True"),
        ("layer", {"from": 0.1, "to": 0.3, "log": 1}, "log is 1"),
        ("layer", {"from": 0.1, "to": 0.1}, "two different limits"),
        ("layer", {"from": 0.1, "to": 3.0}, "0.02 to 1 mm"),
        ("brim", {"from": 0.0, "to": 3.0, "log": True}, "numbers above 0"),
        ("copies", {"from": 1, "to": 4, "steps": 3}, "whole number"),
        ("picture", {"from": 1, "to": 4}, "list of file names"),
        ("fill", {"from": 1, "to": 4}, "fill cannot have a range, because it is not a number"),
        ("layer", [0.1, 9.0], "(study.toml: factors.layer)"),
        ("picture", [3], "a file name in quotes"),
        ("fill", {"from": 1, "to": 4, "steps": 2}, "a list of levels"),
        ("case", [{"layer": 0.1}], "invalid factor name"),
        ("limits", [{"spacing_mni": 0.3}], "did you mean 'spacing_min'"),
        ("limits", [{"name": 3}], "name is 3"),
    ],
)
def test_one_line_says_what_is_wrong(name, value, said):
    with pytest.raises(PathgenError) as error:
        read_factor(name, value, "study.toml")
    assert said in str(error.value) and "study.toml" in str(error.value)
    assert "\n" not in str(error.value)
