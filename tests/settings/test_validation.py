"""One line for every wrong key, type and value, at any level of nesting."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from pathgen.errors import PathgenError
from pathgen.settings import Job, Machine, Material
from pathgen.settings.machine import describe_fields
from pathgen.settings.preparation import Preparation
from pathgen.settings.validation import bad, dotted, format_value, plain, refuse_first, typed

SHIPPED = Path(__file__).parents[2] / "machines"
BOXES = [{"x": [0, 5], "y": [0, 5]}, {"x": [9, 12], "y": [0, 5], "why": "clip"}]


def machine_values():
    return tomllib.loads((SHIPPED / "moving-table.toml").read_text(encoding="utf-8")) | {"keep_out": BOXES}


def material_values():
    return tomllib.loads((SHIPPED / "materials" / "pla-white.toml").read_text(encoding="utf-8"))


def put(values, path, value):
    """Put a value at a path into a copy; None takes the key away."""
    if not path:
        return value
    head, *rest = path
    if isinstance(values, list):
        return [put(v, rest, value) if i == head else v for i, v in enumerate(values)]
    if not rest and value is None:
        assert head in values
        return {k: v for k, v in values.items() if k != head}
    return values | {head: put(values.get(head, {}), rest, value)}


def refusal(values, kind):
    with pytest.raises(PathgenError) as caught:
        typed(values, kind, "my.toml")
    return str(caught.value)


MACHINE_CASES = [
    # path, value, and all that the line must say
    (["nmae"], "a", ["unknown key 'nmae'", "my.toml: nmae", "allowed: name, about", "did you mean 'name'?"]),
    (["axes", "x", "fed"], 1, ["unknown key 'fed'", "axes.x.fed", "feed, acceleration", "'feed'?"]),
    (["axes", "w"], {}, ["unknown key 'w'", "my.toml: axes.w", "allowed: x, y, z, filament"]),
    (["keep_out", 1, "wy"], "a", ["unknown key 'wy'", "keep_out[1].wy", "x, y, why, height", "'why'?"]),
    (["dialect", "ownwords"], [], ["unknown key 'ownwords'", "dialect.ownwords", "'own_words'?"]),
    (["retraction", "travel_feed"], 9, ["retraction.travel_feed", "move the key to the top"]),
    (["nozzle_diameter"], 0.4, ["unknown key 'nozzle_diameter'", "move the key under [hot_end]"]),
    (["zzz"], 1, ["unknown key 'zzz'", "my.toml: zzz", "allowed: name, about, volume"]),
    (["a\x1b[2J\n"], 1, [r"unknown key 'a\x1b[2J\n'", r"my.toml: 'a\x1b[2J\n'"]),
    (["x`y"], 1, ["unknown key 'x`y'", "my.toml: 'x`y'"]),
    (["k" * 500], 1, ["unknown key 'kkkk", "..."]),
    (
        ["hot_end", "nozzle_diameter"],
        None,
        ["key 'nozzle_diameter' is missing", "my.toml: hot_end.nozzle_diameter", "at most 2 mm"],
    ),
    (["dialect"], None, ["key 'dialect' is missing", "my.toml: dialect", "a table with extruder"]),
    (["keep_out", 0, "y"], None, ["key 'y' is missing", "keep_out[0].y", "two numbers, [low, high]"]),
    (["axes", "x", "feed"], -3, ["feed is -3", "axes.x.feed", "at least 0.01 and at most 1000 mm/s"]),
    (["axes", "x", "feed"], 9000.0, ["feed is 9000", "axes.x.feed", "divide mm/min by 60"]),
    (["axes", "x", "feed"], "9", ["feed is '9'", "axes.x.feed", "write numbers without quotes"]),
    (["axes", "x", "feed"], "9,5", ["feed is '9,5'", "write decimals with a point, as in 0.8"]),
    (["axes", "x", "feed"], True, ["feed is True", "axes.x.feed", "a number"]),
    (["axes", "x", "feed"], math.nan, ["feed is nan", "axes.x.feed", "a finite number"]),
    (
        ["retraction", "length"],
        1e-320,
        ["length is 9.99988867e-321", "retraction.length", "0, or a magnitude of at least 1e-30"],
    ),
    (["volume", "z"], [-1e-31, 9], ["z[0] is -1e-31", "volume.z[0]", "0, or a magnitude of at least 1e-30"]),
    (["axes", "x", "feed"], 10**400, ["feed is 1000", "...", "axes.x.feed", "at most 1000 mm/s"]),
    (["axes", "x", "feed"], 10**6000, ["feed is a int too long to show", "axes.x.feed"]),
    (["axes", "x", "feed"], [[1], 2], ["feed is [[1], 2]", "axes.x.feed"]),
    (["axes", "x"], 5, ["x is 5", "my.toml: axes.x", "a table with feed, acceleration"]),
    (["volume", "z"], [0, math.inf], ["z[1] is inf", "volume.z[1]", "a finite number"]),
    (["volume", "z"], [0, "1"], ["z[1] is '1'", "volume.z[1]", "write numbers without quotes"]),
    (["volume", "z"], [0, 1, 2], ["z is [0, 1, 2]", "volume.z)", "two numbers, [low, high]"]),
    (["keep_out", 1, "height"], "8", ["height is '8'", "keep_out[1].height", "write numbers without quotes"]),
    (["keep_out", 1, "height"], -1, ["height is -1", "keep_out[1].height", "at least 0 and at most 5000 mm"]),
    (["volume", "z"], 250, ["z is 250", "volume.z)", "two numbers, [low, high]"]),
    (["keep_out"], {"x": [0, 1]}, ["keep_out is a table", "an array", "table with x, y, why, height"]),
    (["keep_out", 1, "x"], "left", ["x is 'left'", "keep_out[1].x", "two numbers"]),
    (["junction", "rule"], "steps", ["rule is 'steps'", "junction.rule", "'deviation' or 'step'", "'step'?"]),
    (["platform_axis"], "z", ["platform_axis is 'z'", "'none' or 'x' or 'y'"]),
    (["queue"], 2.5, ["queue is 2.5", "a whole number, at least 1"]),
    (["dialect", "position_decimals"], 9, ["is 9", "a whole number, at least 1 and at most 6"]),
    (["dialect", "extruder"], "EE", ["extruder is 'EE'", "one capital letter"]),
    (["dialect", "extruder"], "E\n", [r"extruder is 'E\n'", "one capital letter"]),
    (["dialect", "own_words"], ["E", "m104"], ["own_words[1] is 'm104'", "a letter such as 'E'"]),
    (["dialect", "own_words"], "E", ["own_words is 'E'", "an array; each item: a letter such as 'E'"]),
    (["dialect", "start"], 5, ["start is 5", "dialect.start", "text in quotes"]),
    (["name"], "mine (old)", ["name is 'mine (old)'", "letters, digits, blanks"]),
    (["about"], "x" * 200, ["about is 'xxx", "at most 120 characters"]),
    (["heaters", "nozzle_max"], 900, ["nozzle_max is 900", "heaters.nozzle_max", "at most 500 °C"]),
    ([], [1], ["the file is [1]", "(my.toml)", "a table with name"]),
]

MATERIAL_CASES = [
    (
        ["light", "law"],
        "two-flox",
        ["law is 'two-flox'", "light.law", "'exponential' or 'two-flux'", "'two-flux'?"],
    ),
    (["light", "law"], None, ["key 'law' is missing", "light.law", "'exponential' or 'two-flux'"]),
    (["light", "law"], 2, ["law is 2", "light.law"]),
    (["light", "absorbtion"], 1, ["light.absorbtion", "law, absorption, scattering, t0", "'absorption'?"]),
    (["light", "scattering"], None, ["key 'scattering' is missing", "light.scattering", "1000 1/mm"]),
    (["light", "scattering"], 0, ["scattering is 0", "light.scattering", "more than 0"]),
    (["light"], "white", ["light is 'white'", "my.toml: light"]),
    (["density"], 1.24, ["density is 1.24", "at least 100 and at most 10000 kg/m³", "1.24 g/cm³ is 1240"]),
    (["modulus"], 3500, ["modulus is 3500", "at most 100 GPa", "3500 MPa is 3.5 GPa"]),
    (["fan"], 80, ["fan is 80", "at least 0 and at most 1", "80 % is 0.8"]),
    (["price"], -1, ["price is -1", "a number, at least 0"]),
    (["nozzle"], 200, ["unknown key 'nozzle'", "move the key under [temperature]"]),
]


def test_the_untouched_values_are_taken():
    assert typed(machine_values(), Machine, "my.toml").keep_out[1].why == "clip"
    assert typed(material_values(), Material, "my.toml").fan == 1.0


@pytest.mark.parametrize(("path", "value", "said"), MACHINE_CASES, ids=[c[2][0] for c in MACHINE_CASES])
def test_machine(path, value, said):
    text = refusal(put(machine_values(), path, value), Machine)
    for part in ["my.toml", *said]:
        assert part in text
    assert text.isprintable() and len(text) < 700


@pytest.mark.parametrize(("path", "value", "said"), MATERIAL_CASES)
def test_material(path, value, said):
    text = refusal(put(material_values(), path, value), Material)
    for part in ["my.toml", *said]:
        assert part in text


def test_deep_and_wide_nonsense():
    deep: object = math.nan
    for _ in range(100_000):
        deep = {"a": deep}
    assert "unknown key 'a'" in refusal(deep, Machine)
    while isinstance(deep, dict):  # taken apart by hand: freeing it in one go is deep recursion, too
        deep = deep.pop("a")


def test_text_counts_as_numbers_only_where_asked():
    assert typed({"layer": "0.2", "pixel": "0.2"}, Job, "options", from_text=True).layer == 0.2
    assert "write numbers without quotes" in refusal({"pixel": "0.2"}, Job)


def test_plain_and_back():
    job = Job(width=80.0, axis="x")
    assert typed(plain(job), Job, "job") == job
    with pytest.raises(PathgenError, match="cannot be stored in a file"):
        plain(Job(width=object()))


def test_only_the_first_fault_is_looked_for():
    def faults():
        yield bad("a.b", 1, "2")
        raise AssertionError("looked beyond the first")

    with pytest.raises(PathgenError) as caught:
        refuse_first(faults(), "f.toml")
    assert str(caught.value) == "b is 1 (f.toml: a.b); allowed: 2"
    refuse_first(iter(()), "f.toml")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1 + 0.2, "0.3"),
        (-0.0, "-0"),
        (None, "None"),
        ({}, "a table"),
        ("é", "'é'"),
        ([[[[1]]]], "[[[...]]]"),
    ],
)
def test_shown(value, text):
    assert format_value(value) == text


def test_dotted():
    assert dotted(("a", "b c", 3)) == "a.'b c'[3]" and dotted(()) == ""


@pytest.mark.parametrize("kind", [Preparation, Job])
def test_every_field_has_a_text_and_every_text_a_field(kind):
    texts = describe_fields(kind)
    assert sorted(texts) == sorted(kind.__struct_fields__)
    assert all(text.endswith(".") and "  " not in text for text in texts.values())
