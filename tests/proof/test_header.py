"""How a program's panel stands: told by its header, stated by a person, or guessed from its deposits."""

from __future__ import annotations

import numpy as np
import pytest

from pathgen import Job, make
from pathgen.cli import run
from pathgen.errors import PathgenError
from pathgen.gcode.read import read_program
from pathgen.proof.frame import Frame
from pathgen.proof.header import (
    Header,
    digest_note,
    list_statable,
    machine_for,
    material_for,
    number_key,
    panel_facts,
    read_facts,
)
from pathgen.proof.program_panel import Stated, locate_panel
from pathgen.settings import load_machine, load_material

STATABLE = list_statable()
MACHINE = load_machine("moving-table")
HEADER = {
    "machine": "moving-table",
    "material": "pla-white",
    "panel width": "12.000 mm",
    "panel layers": "3",
    "panel rotation": "90",
    "panel origin x": "105.500 mm",
    "panel origin y": "87.000 mm",
    "filament diameter": "1.75 mm",
    "job thinnest": "0.8",
    "job pixel": "0.1",
    "job layer": "0.1",
    "job first_layer": "0.2",
    "job packing": "0.99",
}
# One bead of 20 mm along X and back on each of two layers, 1 mm apart, over a wider first layer.
BEADS = """G1 X10 Y50 Z0.2 F600
G1 X60 E1
G1 X20 Y50 Z0.3
G1 X40 E1
G1 Y51
G1 X20 E1
M2
"""


def text(header: dict[str, str], body: str = "G1 X1 F60\nM2\n") -> bytes:
    return ("".join(f"; {key} = {value}\n" for key, value in header.items()) + body).encode()


def stands(header: dict[str, str], body: str = "G1 X1 F60\nM2\n", stated: Stated | None = None):
    return locate_panel(read_program(text(header, body), MACHINE.dialect, 1.75), MACHINE, stated)


def test_a_header_says_how_the_panel_stands():
    """Figures of the header itself; layers are those planned, also where none of them is in the text."""
    found = stands(HEADER)
    frame = found.frame
    assert (frame.rotation, frame.x0, frame.y0, frame.width) == (90, 105.5, 87.0, 12.0)
    assert frame.pixel == pytest.approx(0.1) and len(frame.borders) == 121
    np.testing.assert_allclose(frame.tops, [0.2, 0.3, 0.4])
    assert (found.packing, found.filament_diameter, found.white) == (0.99, 1.75, 0.8)
    assert frame.bend is None and found.notes == ()


def test_a_bent_panel_is_told_by_its_header():
    bend = stands(HEADER | {"job bend": "120"}).frame.bend
    assert bend is not None and bend.radius == pytest.approx(12 / np.radians(120))  # arc over angle


@pytest.mark.parametrize("bend", [0.0, 120.0, 360.0])
@pytest.mark.parametrize("axis", ["x", "y"])
def test_a_written_program_stands_as_it_was_planned(axis, bend, tmp_path):
    out = tmp_path / "panel.gcode"
    wall = np.full((30, 400), 1.2) + np.linspace(0, 1, 400)
    planned = make(wall, out, Job(axis=axis, bend=bend, brim=0, rim_width=0, width=60.0)).planned
    program = read_program(out, MACHINE.dialect, 1.75)
    found, of = locate_panel(program, MACHINE), Frame.of(program)
    frame = found.frame
    assert frame.rotation == of.rotation == planned.placement.rotation
    assert (frame.x0, frame.y0, frame.width) == (of.x0, of.y0, of.width)
    assert (frame.bend is None) == (bend == 0) and frame.bend == of.bend
    np.testing.assert_allclose(frame.tops, planned.layers.top, atol=1e-9)
    assert len(frame.borders) - 1 == planned.panel.thickness.shape[1]
    assert digest_note(program.header, MACHINE, load_material("pla-white")) == []
    assert found.notes == ()


def test_what_a_person_states_wins():
    stated = Stated(pixel=0.5, packing=0.9, width=6.0, rotation=0, origin=(1.0, 2.0))
    for header in (HEADER, {k: v for k, v in HEADER.items() if k not in STATABLE}):
        found = stands(header, stated=stated)
        frame = found.frame
        assert (frame.rotation, frame.x0, frame.y0, frame.width, frame.pixel) == (0, 1.0, 2.0, 6.0, 0.5)
        assert found.packing == 0.9


@pytest.mark.parametrize("key", STATABLE)
@pytest.mark.parametrize("value", [None, "", "wide", "nan mm", "inf"])
def test_a_key_that_does_not_say_is_named_with_its_option(key, value):
    header = {k: v for k, v in HEADER.items() if k != key} | ({} if value is None else {key: value})
    with pytest.raises(PathgenError) as refused:
        stands(header)
    line = str(refused.value)
    assert key in line and STATABLE[key] in line and "\n" not in line


@pytest.mark.parametrize(
    "change",
    [
        {"panel rotation": "-45"},
        {"panel width": "-3 mm"},
        {"job pixel": "0"},
        {"job packing": "-1"},
        {"panel layers": "2.5"},
        {"panel layers": "0"},
        {"panel layers": "-4"},
        {"job layer": "0"},
        {"job first_layer": "-0.2"},
        {"filament diameter": "0 mm"},
        {"filament diameter": "-1.75 mm"},
        {"job thinnest": "0"},
        {"job bend": "sideways"},
        {"job bend": "999"},
        {"panel layers": "900000000"},
        {"job pixel": "1e-12"},
        {"job layer": "9223372036854775808"},
        {"job layer": "1e-300", "panel layers": "90000000"},
        {"job first_layer": "1e9"},
        {"job first_layer": "1e300", "job layer": "1e300"},
        {"panel width": "1e300 mm", "job pixel": "1e-300"},
        {"panel width": "1e-300 mm"},
        {"panel width": "20000 mm", "job pixel": "5"},
        {"panel width": "1e-6 mm", "job pixel": "1e-6"},  # 400 000 rows of one column
        {"panel origin x": "1e300"},
        {"panel origin y": "-1e5"},
        {"job packing": "1e-300"},
        {"job bend": "3.6e-223"},
        {"job layer": "auto", "panel width": "1e300", "job pixel": "1e-300"},
    ],
    ids=lambda change: " ".join(f"{key}={value}" for key, value in change.items()),
)
def test_values_that_cannot_be_are_refused_in_one_line(change):
    with pytest.raises(PathgenError) as refused:
        stands(HEADER | change)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(("command", "code"), [("replay", 1), ("check", 3)])
def test_a_layer_of_absurd_height_ends_in_words(command, code, tmp_path, capsys):
    """No map of that many rows is made; the checklist rejects the changed header."""
    out = tmp_path / "panel.gcode"
    make(np.full((8, 8), 1.2), out, Job(brim=0, rim_width=0, width=6.0))
    said = out.read_text()
    assert "; job layer = 0.1\n" in said
    out.write_text(said.replace("; job layer = 0.1\n", "; job layer = 9223372036854775808\n"))
    assert run([command, str(out)]) == code
    told = capsys.readouterr()
    assert "at most 10000 mm in either direction" in " ".join((told.out + told.err).split())


def test_without_a_header_the_deposits_tell_and_a_note_says_so():
    """The frame is the box of what lies above the first layer; u runs along its longer side."""
    found = stands({}, BEADS)
    frame = found.frame
    assert (frame.rotation, frame.x0, frame.y0, frame.width) == (0, 20.0, 51.0, 20.0)
    np.testing.assert_allclose(frame.tops, [0.2, 0.3])
    assert found.packing == 1.0 and found.white is None
    (note,) = found.notes
    assert "no header" in note and "--rotation" in note and "20.00 mm" in note


def test_a_guess_takes_the_other_side_where_the_panel_is_longer_along_y():
    turned = BEADS.replace("X", "*").replace("Y", "X").replace("*", "Y")
    frame = stands({}, turned).frame
    assert (frame.rotation, frame.x0, frame.y0, frame.width) == (90, 50.0, 20.0, 20.0)


@pytest.mark.parametrize("body", ["M2\n", "G1 X10 F600\nG1 X0\nM2\n", ""])
def test_nothing_deposited_and_no_header(body):
    with pytest.raises(PathgenError, match="deposits nothing"):
        stands({}, body)


def test_layers_a_header_leaves_out_are_where_deposits_are():
    header = {k: v for k, v in HEADER.items() if k != "panel layers"}
    found = stands(header, BEADS)
    np.testing.assert_allclose(found.frame.tops, [0.2, 0.3])
    assert any("panel layers" in note for note in found.notes)


def test_another_filament_is_said():
    found = stands(HEADER | {"filament diameter": "2.85 mm"})
    assert found.filament_diameter == 2.85
    assert any("2.85" in note and "1.75" in note for note in found.notes)


def test_facts_are_read_from_the_head_alone(tmp_path):
    path = tmp_path / "panel.gcode"
    path.write_bytes(text(HEADER, "G1 this is no program\n"))
    assert read_facts(path) == read_facts(str(path)) == read_facts(path.read_bytes()) == HEADER
    assert read_facts(b"G21\n; panel rotation = 90\n") == {}
    assert read_facts(b"; panel rotation = 9") == {}  # a line cut off does not count


@pytest.mark.parametrize(
    ("content", "why"),
    [(b"", "empty"), (b"\0\1\2", "not a text file"), (b"; a = b\n" + bytes(9), "not a text file")],
)
def test_heads_that_are_none(content, why):
    with pytest.raises(PathgenError, match=why):
        read_facts(content)


@pytest.mark.parametrize("name", ["missing.gcode", "zero\0byte.gcode", ""])
def test_files_that_cannot_be_read(name, tmp_path):
    with pytest.raises(PathgenError, match="no such file|is a folder|cannot be read"):
        read_facts(str(tmp_path / name))


def test_profiles_are_looked_up_by_the_headers_word():
    assert machine_for(HEADER).name == "moving-table"
    assert material_for(HEADER).name == "pla-white"
    other = load_machine("moving-gantry")
    assert machine_for(HEADER, other) is other


@pytest.mark.parametrize(
    "word", [None, "", "benchtop", "../machines/moving-table", "/etc/passwd", "x" * 9000]
)
def test_a_headers_word_is_never_taken_for_a_path(word):
    facts = {} if word is None else {"machine": word, "material": word}
    for what, look_up in (("machine", machine_for), ("material", material_for)):
        with pytest.raises(PathgenError) as refused:
            look_up(facts)
        assert f"--{what}" in str(refused.value) and len(str(refused.value)) < 300


def test_settings_of_a_profile_of_ones_own_are_noticed(tmp_path):
    out = tmp_path / "panel.gcode"
    make(np.full((30, 100), 1.2), out, Job(brim=0, rim_width=0))
    facts, material = read_facts(out), load_material("pla-white")
    assert digest_note(facts, MACHINE, material) == []
    (note,) = digest_note(facts | {"settings": "0123456789abcdef"}, MACHINE, material)
    assert "moving-table" in note and "settings differ" in note


@pytest.mark.parametrize(
    "stated",
    [
        {"pixel": 0.0},
        {"width": float("nan")},
        {"packing": float("inf")},
        {"rotation": -45},
        {"origin": (0.0, float("nan"))},
    ],
    ids=str,
)
def test_what_cannot_be_stated(stated):
    with pytest.raises(PathgenError, match=next(iter(stated))):
        Stated(**stated)


def test_a_header_is_read_back_as_it_was_written():
    header = Header(machine="ngc-lab", width=46.0, layers=3, rotation=90, x0=1.5, y0=2.25, low_u=-5.0)
    assert Header.read(dict(header.lines())) == header


def test_a_header_of_several_panels_is_read_for_each():
    facts = {"panels": "2", "panel width": "46.000 mm", "job brim": "10", "job pixel": "0.1"}
    facts |= {number_key("panel width", 2): "30.000 mm", number_key("job pixel", 2): "0.2"}
    first, second = Header.read(facts), Header.read(facts, 2)
    assert (first.width, first.job.pixel, second.width, second.job.pixel) == (46.0, 0.1, 30.0, 0.2)


def test_layers_of_several_heights_are_a_word():
    assert Header.read({"job layer": "auto"}).job.layer == "auto"
    assert Header.read({"job layer": "0.15"}).job.layer == 0.15
    with pytest.raises(PathgenError, match="job layer = automatic"):
        Header.read({"job layer": "automatic"})


@pytest.mark.parametrize(
    ("text", "panel", "allowed"),
    [("2", 0, "1 to 2"), ("2", 3, "1 to 2"), ("1", 2, "a single"), ("", 2, "a single"), ("x", 2, "a single")],
)
def test_a_panel_that_a_program_does_not_have(text, panel, allowed):
    facts = {"panels": text, "job brim": "10", "job 2 brim": "5"}
    with pytest.raises(PathgenError, match=f"panel is {panel} .*{allowed}"):
        panel_facts(facts, panel)


def test_each_panel_has_the_values_of_its_number_and_those_of_all():
    facts = {"panels": "3", "job layer": "0.1", "job brim": "1"}
    facts |= {number_key("job brim", n): str(n) for n in (2, 3)}
    for panel in (1, 2, 3):
        assert panel_facts(facts, panel) == {"panels": "3", "job layer": "0.1", "job brim": str(panel)}
    assert panel_facts(facts) == panel_facts(facts, 1)
