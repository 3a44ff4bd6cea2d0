"""Profiles whose fields are each fine and together are not."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from pathgen.errors import PathgenError
from pathgen.settings import Job, load_machine, load_material, settle
from pathgen.settings.constraints import machine_faults, material_faults
from pathgen.settings.machine import HeadPart
from pathgen.settings.validation import plain, refuse_first, typed


def refusal(record, key, value, faults):
    values = plain(record)
    table = values
    *path, leaf = key.split(".")
    for name in path:
        table = table[name]
    assert leaf in table, f"{key} is no key: the case tests nothing"
    table[leaf] = value
    with pytest.raises(PathgenError) as caught:
        refuse_first(faults(typed(values, type(record), "my.toml")), "my.toml")
    text = str(caught.value)
    assert text.isprintable()
    return text


MACHINE_CASES = [
    ("volume.x", [260, 0], ["x is [260.0, 0.0]", "my.toml: volume.x", "low < high"]),
    ("volume.y", [5, 5], ["y is [5.0, 5.0]", "volume.y", "low < high"]),
    ("volume.x", [0, 220000], ["volume.x", "at most 5000 mm"]),
    (
        "volume.z",
        [5, 250],
        ["z is [5.0, 250.0]", "volume.z", "includes 0, the height of the platform surface"],
    ),
    ("volume.z", [-250, 0], ["volume.z", "a range that includes 0"]),
    ("margin", 120, ["margin is 120", "less than half of volume.y, 120 mm"]),
    ("head", [{"x": [-3000, 3000], "y": [-5, 5], "z": 2}], ["head[0].x", "from the nozzle"]),
    ("head", [{"x": [9, 3], "y": [-5, 5], "z": 2}], ["head[0].x", "from the nozzle"]),
    ("keep_out", [{"x": [9, 3], "y": [0, 5]}], ["x is [9.0, 3.0]", "keep_out[0].x", "low < high"]),
    (
        "keep_out",
        [{"x": [0, 5], "y": [300, 305]}],
        ["keep_out[0].y", "overlaps [0, 240]", "outside the platform"],
    ),
    ("keep_out", [{"x": [-1, 261], "y": [0, 240]}], ["keep_out[0].x", "leaves part of the platform free"]),
    ("axes.z.step_change", 11, ["step_change is 11", "axes.z.step_change", "at most axes.z.feed, 10 mm/s"]),
    ("axes.filament.step_change", 51, ["axes.filament.step_change", "at most axes.filament.feed, 50 mm/s"]),
    ("travel_feed", 181, ["travel_feed is 181", "axes.x.feed and axes.y.feed, 180 mm/s"]),
    ("retraction.feed", 60, ["feed is 60", "retraction.feed", "at most axes.filament.feed, 50 mm/s"]),
    (
        "hot_end.nozzle_diameter",
        1.8,
        ["nozzle_diameter is 1.8", "hot_end.nozzle_diameter", "less than filament_diameter, 1.75 mm"],
    ),
    ("about", "two\nlines", [r"about is 'two\nlines'", "one line"]),
    ("dialect.extruder", "F", ["extruder is 'F'", "dialect.extruder", "E"]),
]

MATERIAL_CASES = [
    ("temperature.nozzle_min", 231, ["nozzle_min is 231", "temperature.nozzle_min", "nozzle_max, 230 °C"]),
    ("temperature.nozzle", 170, ["nozzle is 170", "temperature.nozzle", "180 to 230 °C"]),
    ("temperature.nozzle", 240, ["nozzle is 240", "180 to 230 °C"]),
    ("temperature.platform", 75, ["platform is 75", "temperature.platform", "at most platform_max, 70 °C"]),
    ("temperature.glass_transition", 331.15, ["glass_transition is 331.15", "less than nozzle_min, 180 °C"]),
    ("about", "a\tb", ["about is", "one line"]),
]


@pytest.mark.parametrize(("key", "value", "said"), MACHINE_CASES)
def test_machine(key, value, said):
    text = refusal(load_machine("moving-table"), key, value, machine_faults)
    for part in said:
        assert part in text


@pytest.mark.parametrize(("key", "value", "said"), MATERIAL_CASES)
def test_material(key, value, said):
    text = refusal(load_material("pla-white"), key, value, material_faults)
    for part in said:
        assert part in text


def test_a_box_at_the_platforms_edge_is_fine():
    values = plain(load_machine("moving-table"))
    values["keep_out"] = [{"x": [-5, 3], "y": [215, 230]}]
    machine = typed(values, type(load_machine("moving-table")), "my.toml")
    assert list(machine_faults(machine)) == []


@pytest.mark.parametrize("layer", [0.05, 0.1, 0.2, 0.3])
def test_a_bead_may_be_as_narrow_as_it_is_high(layer):
    # Exact geometry: a stadium section w wide and h high has the area (w − h)h + πh²/4; with w = h it is a
    # disc, and spacing = area/h = πh/4.
    disc = math.pi / 4 * layer
    first = max(layer, 0.05)
    assert settle(
        Job(layer=layer, first_layer=first, spacing_min=disc * 1.0001, spacing=0.42)
    ).job.spacing_min
    with pytest.raises(PathgenError, match="taller than it is wide"):
        settle(Job(layer=layer, first_layer=first, spacing_min=disc * 0.9999))


def test_nothing_to_lead_without_a_lag():
    values = plain(load_machine("moving-table"))
    values["hot_end"]["lag"] = 0.0
    machine = typed(values, type(load_machine("moving-table")), "my.toml")
    assert settle(Job(), machine).job.lead == "off"
    with pytest.raises(PathgenError, match=r"lead is 'on'.*'off'.*hot_end\.lag"):
        settle(Job(lead="on"), machine)


REFUSED = [  # what the job asks, what the one line says
    (
        {"eyelets": 3, "eyelet_at": (0.2, 0.8)},
        "eyelets is 3 .job: eyelets.; allowed: 2, .* eyelet_at; set only one",
    ),
    ({"eyelets": 1, "eyelet_at": ()}, "eyelets is 1"),
    ({"turn": 180, "eyelets": 1}, "turn is 180 .job: turn.; allowed: 0, 90 or 270 if the panel has eyelets"),
    ({"turn": 180, "eyelet_at": (0.5,)}, "turn is 180"),
    ({"turn": 45}, "turn is 45 .job: turn.; allowed: .*90"),
    ({"eyelet_at": (0.1, 1.2)}, "eyelet_at.1. is 1.2"),
    ({"eyelet_at": (0.1,) * 5}, "allowed: at most 4 fractions from 0 to 1"),
    (
        {"rim_thickness": 1e-29},
        "rim_thickness is 1e-29 .*at least spacing_min, 0.28 mm; a rim is at least one bead",
    ),
    ({"seam": "dark"}, "seam is 'dark' .job: seam.; allowed: 'rim'; 'dark' needs a closed ring"),
    ({"seam": "dark", "bend": 350.0}, "a closed ring"),
    ({"seam": "dark", "bend": 360.0, "outline": "disc"}, "seam is 'dark'.*outline 'rectangle'"),
    ({"seam": "dark", "bend": 360.0, "corner": 3.0}, "seam is 'dark'.*round corners"),
    ({"seam": "dark", "bend": -360.0, "turn": 90}, "turn is 90 .*0 or 180 if seam is 'dark"),
    ({"seam": "dark", "bend": -360.0, "turn": "auto"}, "turn is 'auto' .*0 or 180 if seam is 'dark"),
    ({"seam": "dark", "bend": 360.0, "height": 6.0}, "rim_width is 3 "),
    ({"bend": 3.6e-23}, "bend is 3.6e-23 .job: bend.; allowed: 0, or 0.1 to 360 degrees in either direction"),
    ({"bend": -0.0999}, "bend is -0.0999"),
    ({"zoom": 51.0}, "zoom is 51"),
    ({"centre_up": 1.1}, "centre_up is 1.1"),
    ({"rim_bevel": 90.0}, "rim_bevel is 90"),
]


@pytest.mark.parametrize(("asked", "words"), REFUSED)
def test_jobs(asked, words):
    with pytest.raises(PathgenError, match=words):
        settle(Job(**asked))


def test_jobs_that_are_fine():
    settle(Job(eyelets=2, eyelet_at=(0.2, 0.8), turn=90))
    settle(Job(eyelet_at=(), turn=180))
    settle(Job(bend=-0.1))
    settle(Job(rim_thickness=0.1, rim_width=0.0))
    settle(Job(rim_thickness=0.28))
    settle(Job(seam="dark", bend=-360.0, turn=180, width=5.0))  # no rims beside it to be too wide


def test_sizes_are_measured_from_end_to_end():
    """A platform from −100 to 120 mm is 220 mm wide; a head part from −4000 to −3990 mm is 10 mm wide."""
    machine = load_machine("moving-table")
    middle = replace(machine, volume=replace(machine.volume, x=(-100.0, 120.0)), margin=109.0)
    assert list(machine_faults(middle)) == []
    found = [fault.allowed for fault in machine_faults(replace(middle, margin=110.0))]
    assert "less than half of volume.x, 110 mm" in found
    far = replace(machine, volume=replace(machine.volume, x=(4000.0, 4220.0)), keep_out=())
    assert list(machine_faults(far)) == []
    part = HeadPart((-4000.0, -3990.0), (-5.0, 5.0), 2.0)
    assert list(machine_faults(replace(machine, head=(part,)))) == []
