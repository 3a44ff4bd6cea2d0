"""Text that means the same has no finding, and text that may mean something else has one."""

import os
import re
import subprocess
import sys
import threading

import pytest
from msgspec.structs import replace

from pathgen import PathgenError, load_machine, load_material
from pathgen.gcode.read import read_program
from pathgen.proof.checklist import check_program
from pathgen.settings.program_words import PROGRAM_WORDS
from tests.proof.checklist.programs import numbers, program
from tests.proof.checklist.seeds import ALL, middle

MATERIAL = load_material("pla-white")


@pytest.fixture(scope="module")
def good():
    return {machine: program(machine) for machine in ALL}


def numbered(text):
    out = []
    for n, line in enumerate(text.split(b"\n")):
        out.append(b"N%d %s" % (n, line) if line[:1] in b"GM" and line else line)
    return b"\n".join(out)


def put_in(text, line):
    lines = text.split(b"\n")
    at = middle([part.decode() for part in lines])
    return b"\n".join([*lines[:at], line, *lines[at:]])


HARMLESS = {
    "CR LF": lambda t: t.replace(b"\n", b"\r\n"),
    "small letters": lambda t: re.sub(rb"(?m)^[GM][^;(\n]*", lambda m: m[0].lower(), t),
    "no blanks": lambda t: re.sub(rb"(?m)^[GM][^;(\n]*", lambda m: m[0].replace(b" ", b""), t),
    "many blanks": lambda t: re.sub(rb"(?m)^[GM][^;(\n]*", lambda m: m[0].replace(b" ", b" \t "), t),
    "leading zeros": lambda t: re.sub(rb"(?m)^([GM])(\d\b)", rb"\g<1>0\2", t),
    "line numbers": numbered,
    "percent signs": lambda t: b"%\n" + t + b"%\n",
    "comments behind the end": lambda t: t + b"; made in the harbour museum\n\n(end)\n",
    "repeated modes": lambda t: put_in(t, b"G90\nG21\nG17\nG94\nG54\nG40\nG49"),
    "its own tool": lambda t: put_in(t, b"T0"),
    "a short pause": lambda t: put_in(t, b"G4 P0.5"),
    "a skipped comment": lambda t: put_in(t, b"/(a remark)"),
    "a skipped mode": lambda t: put_in(t, b"/G90"),
    "a return before a remark": lambda t: put_in(t, b"; a remark\r; and another"),
    "a return at the end": lambda t: t.replace(b"\n", b"\r\r\n", 1) if t[:1] == b";" else t,
}


@pytest.mark.parametrize("machine", ALL)
@pytest.mark.parametrize("name", HARMLESS)
def test_other_spellings_have_no_error(name, machine, good):
    text = HARMLESS[name](good[machine])
    assert text != good[machine] or name == "a return at the end"
    found = check_program(text, load_machine(machine), MATERIAL)
    assert found.findings == (), [str(finding) for finding in found.findings]


def test_a_return_in_the_header_does_not_hide_the_rest_of_it(good):
    text = good["moving-table"].replace(b"Before the run:", b"Before the run:\rM104 S300 ;", 1)
    found = check_program(text)  # the machine is named behind it
    assert [(finding.number, finding.line) for finding in found.findings] == [(115, 3)]


@pytest.mark.parametrize("machine", ["moving-table", "long-tube", "ngc-lab"])
def test_check_finds_an_error_wherever_replay_rejects(machine, good):
    """Every command of the table, and some others: no reading is laxer than `replay`."""
    profile = load_machine(machine)
    rejected = 0
    for code in (*PROGRAM_WORDS, "G5", "G29", "M117", "M220", "M221", "M290", "M302", "M999"):
        text = put_in(good[machine], f"{code} X1 S5".encode())
        try:
            read_program(text, profile.dialect, profile.hot_end.filament_diameter)
        except PathgenError:
            rejected += 1
            assert not check_program(text, profile, MATERIAL).passed, code
    assert rejected > 40


def test_a_profile_states_the_effects_of_its_own_words(good):
    machine = load_machine("moving-table")
    text = put_in(good["moving-table"], b"M73 P50\nM310 S150")
    assert numbers(check_program(text, machine, MATERIAL)) == {103}

    def with_effects(*effects):
        words = (*machine.dialect.own_words, "M73", "M310")
        return replace(machine, dialect=replace(machine.dialect, own_words=words, own_effects=effects))

    assert numbers(check_program(text, with_effects(), MATERIAL)) == {112}
    modelled = with_effects(("M73", "nothing"), ("M310", "nozzle"))
    assert numbers(check_program(text, modelled, MATERIAL)) == {206}


def piped(command, text, tmp_path):
    """Run a command on a real named pipe; return its output without the name of the input."""
    pipe = tmp_path / "panel.gcode"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(text))
    writer.start()
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pathgen", *command, str(pipe)], capture_output=True, timeout=120
        )
    finally:
        writer.join(timeout=120)
        pipe.unlink()
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("command", ["check", "replay"])
def test_a_pipe_gives_the_same_bytes_as_the_file(command, good, tmp_path):
    """A named pipe can be read only once, for header and moves alike; it is larger than a pipe's buffer."""
    text = good["moving-table"]
    assert len(text) > 1 << 16
    through = piped([command], text, tmp_path)
    (tmp_path / "panel.gcode").write_bytes(text)
    run = [sys.executable, "-m", "pathgen", command]
    plain = subprocess.run([*run, str(tmp_path / "panel.gcode")], capture_output=True)
    assert through == (plain.returncode, plain.stdout, plain.stderr) and plain.returncode == 0
    name = str(tmp_path / "panel.gcode").encode()
    read = subprocess.run([*run, "-"], input=text, capture_output=True)
    assert read.stdout.removeprefix(b"standard input") == plain.stdout.removeprefix(name)
