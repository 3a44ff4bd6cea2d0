"""`pathgen check` from the command line."""

import json

import pytest

from pathgen.cli import check as module
from pathgen.cli import run
from tests.proof.checklist.programs import program


@pytest.fixture(scope="module")
def good():
    return program("moving-table")


@pytest.fixture
def written(tmp_path, good):
    def write(text=good):
        path = tmp_path / "panel.gcode"
        path.write_bytes(text)
        return str(path)

    return write


def test_a_good_program(written, capsys):
    assert run(["check", written()]) == 0
    out, err = capsys.readouterr()
    assert "no errors found by " in out and err == ""
    assert "Thermal safety" in out and "[ ] smoke alarm" in out and "licensed electrician" in out


def test_an_error_is_printed_and_exits_with_3(written, good, capsys):
    assert run(["check", written(good.replace(b"M109 S205", b"M109 S300"))]) == 3
    out, err = capsys.readouterr()
    assert err == "" and "do not run it" in out
    assert "error 201, line" in out and "300 °C" in out and "limit: 240 °C (moving-table)" in out
    assert "do: lower the nozzle temperature" in out and "[failed] nozzle temperature within" in out


def test_a_warning_alone_exits_with_0(written, good, capsys):
    assert run(["check", written(good.replace(b"M84 ", b"; "))]) == 0
    assert "1 warning" in capsys.readouterr().out


def test_json(written, good, capsys):
    assert run(["check", written(good.replace(b"M140 S0 ", b"; ")), "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert found["passed"] is False and found["errors"] == 1
    assert found["findings"][0]["number"] == 209
    assert "heater cut-off" in found["thermal_safety"]["to_tick"][0]


def test_the_number_of_listed_places(written, good, capsys):
    name = written(good.replace(b"M84 ", b"M205 X1\n" * 30 + b"M84 "))
    assert run(["check", name]) == 3
    assert "30 errors" in (out := capsys.readouterr().out) and "10 more places; 20 of 30 are listed" in out
    for places in ("30", "all"):
        assert run(["check", name, "--places", places]) == 3
        assert "30 errors" in (out := capsys.readouterr().out) and "more places" not in out
        assert out.count("error 103, line") == 30
    assert run(["check", name, "--places", "0"]) == 2


@pytest.mark.parametrize(
    "args,text,code,why",
    [
        ([], b"", 1, "empty"),
        ([], b"\x00\x00", 1, "not a text file"),
        ([], b"G21\nM2\n", 1, "pass the name of the machine with --machine"),
        (["--machine", "moving-table"], b"G21\nM2\n", 1, "pass the name of the material with --material"),
        (["--machine", "moving-tabl"], b"G21\nM2\n", 1, "moving-table"),
        (["--nonsense"], b"G21\nM2\n", 2, "No such option"),
    ],
)
def test_programs_that_cannot_be_checked(args, text, code, why, written, capsys):
    assert run(["check", written(text), *args]) == code
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("error: ") and err.count("\n") == 1 and why in err


def test_a_missing_file_and_no_file(tmp_path, capsys):
    assert run(["check", str(tmp_path / "none.gcode")]) == 1
    assert run(["check"]) == 2
    assert capsys.readouterr().err.count("error: ") == 2


def test_profiles_win_over_the_header(written, capsys):
    assert run(["check", written(), "--machine", "long-tube"]) == 3
    assert "long-tube" in capsys.readouterr().out


def test_a_bar_is_drawn_only_after_two_seconds(monkeypatch):
    drawn = []

    class Bar:
        def __init__(self, what):
            drawn.append(what)

        def __enter__(self):
            return lambda done, total: drawn.append((done, total))

        def __exit__(self, *_):
            drawn.append("gone")

    now = iter([0.0, 1.0, 2.5, 3.0])
    monkeypatch.setattr(module, "progress_bar", Bar)
    monkeypatch.setattr(module.time, "monotonic", lambda: next(now))
    with module._late_bar("checking") as show:
        show(1, 4)
        assert drawn == []
        show(2, 4)
        show(3, 4)
    assert drawn == ["checking", (2, 4), (3, 4), "gone"]
