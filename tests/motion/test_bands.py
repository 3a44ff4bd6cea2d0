"""Bands of a job: what the program says where they begin, and what a replay makes of them."""

import numpy as np
import pytest

from pathgen import Job, PathgenError, make
from pathgen.gcode.read import read_program
from pathgen.motion import Kind, LayerSpans, banded
from pathgen.proof.panel_replay import replay
from pathgen.settings import load_machine, machine_names, settle
from pathgen.settings.job import Band
from pathgen.settings.loading import bands_from

LADDER = (
    Band(above=2.0, feed=30.0, packing=0.95, nozzle_temperature=210.0, fan=0.5),
    Band(above=4.0, feed=40.0, nozzle_temperature=195.0),
)


def made(tmp_path, machine, **keys):
    out = tmp_path / "ladder.gcode"
    result = make(np.full((60, 200), 1.6), out, Job(machine=machine, brim=2.0, band=LADDER, **keys))
    return out, result


def layer_of(text, line):
    """Number of the layer that a line of a program stands in, from 0."""
    before = [row for row in text[: text.index(line)].splitlines() if "layer " in row and " top " in row]
    return int(before[-1].split("layer ")[1].split("/")[0]) - 1


@pytest.mark.parametrize("name", machine_names())
def test_a_program_changes_where_a_band_begins(name, tmp_path):
    out, result = made(tmp_path, name)
    machine, layers = load_machine(name), result.planned.layers
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    bottom = layers.top - layers.height
    walls = program.moves.kind == Kind.WALL
    for low, high, feed in ((0.1, 2.0, 20.0), (2.0, 4.0, 30.0), (4.0, 9.0, 40.0)):
        inside = np.flatnonzero((bottom >= low - 1e-6) & (bottom < high - 1e-6))
        here = walls & np.isin(program.moves.layer, inside)
        assert np.unique(program.moves.feed[here]).tolist() == [feed]
    text = out.read_text()
    if machine.dialect.heaters == "program":
        assert layer_of(text, "M104 S210\n") == int(np.argmax(bottom > 2 - 1e-6))
        assert "M106 S128\n" in text and layer_of(text, "M104 S195\n") == int(np.argmax(bottom > 4 - 1e-6))
    else:
        assert text.count("set the nozzle to 210 C") == text.count("set the nozzle to 195 C") == 1


@pytest.mark.parametrize("name", ["long-tube", "ngc-lab"])
def test_a_machine_that_heats_by_itself_waits_aside(name, tmp_path):
    out, result = made(tmp_path, name)
    machine = load_machine(name)
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    lines = out.read_text().splitlines()
    stops = [number for number, line in enumerate(lines, start=1) if line.startswith("M0")]
    assert len(stops) == 2
    for stop in stops:
        last = np.flatnonzero(program.line < stop)[-1]
        top = result.planned.layers.top[-1]
        assert program.moves.z[last] > top and program.moves.kind[last] == Kind.TRAVEL
        assert np.hypot(program.moves.x[last] - 100, program.moves.y[last] - 100) > 60  # off the panel
        around = program.moves.filament[last - 2 : last + 4]
        assert around.sum() == pytest.approx(0, abs=1e-4)  # drawn back, and fed back


def test_a_replay_knows_the_packing_of_each_band(tmp_path):
    out, _ = made(tmp_path, "moving-table", rim_width=0.0)
    found = replay(out)
    assert np.abs(found.thickness[:, 10:-10] - 1.6).max() < 0.005
    assert np.unique(found.panel.packing).tolist() == [0.95, 0.99]
    assert not [note for note in found.notes if "differ" in note]  # the header gives the digest's settings


def test_a_filament_factor_feeds_more_and_lays_down_the_same(tmp_path):
    from msgspec.structs import replace

    plain = load_machine("moving-table")
    short = replace(plain, hot_end=replace(plain.hot_end, filament_factor=0.9))
    results = []
    for number, machine in enumerate((plain, short)):
        out = tmp_path / f"{number}.gcode"
        make(np.full((40, 100), 1.6), out, Job(brim=2.0, rim_width=0.0), machine)
        results.append(replay(out, machine))
    fed = [float(found.tally.filament[Kind.WALL]) for found in results]
    assert fed[1] == pytest.approx(fed[0] / 0.9, rel=1e-4)
    assert np.allclose(*(found.thickness[:, 10:-10] for found in results), atol=5e-3)
    assert replay(tmp_path / "1.gcode", plain).thickness.mean() == pytest.approx(1.6 / 0.9, rel=0.01)


def test_z_zero_moves_the_whole_program(tmp_path):
    from msgspec.structs import replace

    plain = load_machine("moving-gantry")
    high = replace(plain, z_zero=0.03)
    texts = []
    for number, machine in enumerate((plain, high)):
        out = tmp_path / f"{number}.gcode"
        make(np.full((30, 100), 1.6), out, Job(brim=2.0, rim_width=0.0), machine)
        texts.append(read_program(out, machine.dialect, 1.75))
    assert np.allclose(texts[0].moves.z[5:-2] - texts[1].moves.z[5:-2], 0.03, atol=1e-9)
    assert np.allclose(replay(tmp_path / "1.gcode", high).thickness[:, 10:-10], 1.6, atol=0.005)
    with pytest.raises(PathgenError, match="first_layer is 0.2"):
        settle(Job(), replace(plain, z_zero=0.16))


def test_layers_take_the_band_they_begin_in():
    setup = settle(Job(band=LADDER, feed=15.0))
    layers = LayerSpans(np.array([0.2, 2.0, 2.1, 4.05, 4.15]), np.array([0.2, 0.1, 0.1, 0.1, 0.1]))
    assert banded(setup, layers, "feed").tolist() == [15.0, 15.0, 30.0, 30.0, 40.0]
    assert banded(setup, layers, "packing").tolist() == [0.99, 0.99, 0.95, 0.95, 0.99]
    assert banded(setup, layers, "fan").tolist() == [1.0, 1.0, 0.5, 0.5, 1.0]


@pytest.mark.parametrize(
    "bands, said",
    [
        ([Band(above=5.0)], "changes nothing"),
        ([Band(above=5.0, feed=30.0), Band(above=5.0, feed=40.0)], "the height of the previous band"),
        ([Band(above=5.0, feed=900.0)], "slower of axes"),
        ([Band(above=5.0, nozzle_temperature=290.0)], "for pla-white"),
    ],
)
def test_bands_that_cannot_be(bands, said):
    with pytest.raises(PathgenError, match=said):
        settle(Job(band=tuple(bands)))


def test_bands_spelled_out():
    assert bands_from("above=2,feed=30;above=4,fan=0", "x")[1] == {"above": "4", "fan": "0"}
    with pytest.raises(PathgenError, match="such as above=20,feed=30"):
        bands_from("20:30", "command line")


def test_a_profile_without_a_word_for_it_cannot_change_temperature():
    from msgspec.structs import replace

    plain = load_machine("moving-table")
    mute = replace(plain, dialect=replace(plain.dialect, nozzle_change=""))
    with pytest.raises(PathgenError, match="a dialect.nozzle_change in the profile of moving-table"):
        settle(Job(band=LADDER), mute)
