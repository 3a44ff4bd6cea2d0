"""`pathgen coupon`, and `pathgen fit` with its sheets, from the command line."""

import json
import tomllib

import numpy as np
import pytest

from pathgen import load_machine, load_material
from pathgen.cli import run
from pathgen.coupons import NAMES, find_coupon
from tests.coupons.printed import filled_text


def test_the_list_names_all_with_size_and_time(capsys):
    assert run(["coupon", "--machine", "long-tube", "--layer", "0.24", "--pixel", "0.2"]) == 0
    shown = capsys.readouterr().out
    for name in NAMES:
        (line,) = (line for line in shown.splitlines() if line.strip().startswith(name))
        assert " mm" in line and "min" in line and find_coupon(name).measures in line
    assert "cannot be made" not in shown


def test_one_command_makes_program_sheet_and_drawing(tmp_path, capsys):
    out = tmp_path / "beads.gcode"
    assert run(["coupon", "bead-ladder", "--out", str(out)]) == 0
    assert out.read_text().splitlines()[-1].startswith("M2")
    assert (tmp_path / "beads.png").read_bytes()[1:4] == b"PNG"
    assert "wall_mm,holds" in (tmp_path / "beads.csv").read_text()
    shown = capsys.readouterr().out
    assert f"then: pathgen fit {tmp_path / 'beads.csv'} --machine" in shown
    assert run(["coupon", "bead-ladder", "--out", str(out), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["layers"] == 89 and facts["sheet"] == str(tmp_path / "beads.csv")


def test_readings_are_never_written_over(tmp_path, capsys):
    out = tmp_path / "beads.gcode"
    args = ["coupon", "bead-ladder", "--layer", "0.24", "--out", str(out)]
    assert run(args) == 0 and run(args) == 0  # a sheet that is still blank may be written again
    sheet = tmp_path / "beads.csv"
    sheet.write_text(sheet.read_text().replace(",,", ",0.4,1", 1))
    before = out.read_bytes(), sheet.read_text()
    assert run(args) == 1
    assert "a different measurement sheet with this name already exists" in capsys.readouterr().err
    assert (out.read_bytes(), sheet.read_text()) == before


def test_options_reach_the_print(tmp_path):
    out = tmp_path / "wedge.gcode"
    args = ["coupon", "step-wedge", "--out", str(out), "--layer", "0.2", "--machine", "moving-gantry"]
    assert run([*args, "--nozzle-temperature", "215"]) == 0
    text = out.read_text()
    assert "; job layer = 0.2\n" in text and "M109 S215" in text


@pytest.mark.parametrize(
    "args, code, shown",
    [
        (["coupon", "step-wegde", "--out", "x.gcode"], 1, "did you mean 'step-wedge'"),
        (["coupon", "step-wedge"], 2, "Missing option '--out'"),
        (["coupon", "--out", "x.gcode"], 2, "Missing argument 'NAME'"),
        (
            ["coupon", "step-wedge", "--out", "x.gcode", "--layer", "0.5"],
            1,
            "80 % of the nozzle diameter of 0.4 mm",
        ),
        (["coupon", "step-wedge", "--out", "x.csv"], 1, "x.csv"),
        (["coupon", "--bend", "90"], 2, "--bend"),
    ],
)
def test_errors_write_nothing(args, code, shown, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(args) == code
    err = capsys.readouterr().err
    assert shown in err and err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


# -- the way back -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def beads(tmp_path_factory):
    """A sheet of a bead ladder, filled in for a machine that deposits 5 % too little."""
    folder = tmp_path_factory.mktemp("beads")
    assert run(["coupon", "bead-ladder", "--out", str(folder / "beads.gcode")]) == 0
    path = folder / "beads.csv"
    rows = [line.split(",") for line in path.read_text().splitlines() if line[0].isdigit()]
    asked = np.array([float(row[6]) * float(row[7]) * float(row[8]) for row in rows])
    wall = 0.95 * asked + 0.021 + np.random.default_rng(2).normal(0, 0.008, len(rows))
    path.write_text(filled_text(path.read_text(), wall_mm=wall.round(3)))
    return path


def test_a_sheet_becomes_a_machine(beads, tmp_path, capsys):
    capsys.readouterr()
    out, plot = tmp_path / "mine.toml", tmp_path / "plot.png"
    assert run(["fit", str(beads), "--machine", "moving-table", "--out", str(out), "--plot", str(plot)]) == 0
    shown = capsys.readouterr().out
    assert "measurements of a bead-ladder" in shown and "this machine: filament factor 1 → 0.9" in shown
    machine = load_machine(out)
    assert machine.hot_end.filament_factor == pytest.approx(0.95, abs=0.02) and machine.name == "mine"
    assert plot.read_bytes()[1:4] == b"PNG"
    # Nothing but that key and the name has changed; the comments are there still.
    before, after = load_machine("moving-table"), tomllib.loads(out.read_text())
    assert after["axes"]["x"]["feed"] == before.axes.x.feed
    assert "volume deposited over volume fed; by bead-ladder" in out.read_text()
    # The next panel feeds more.
    assert run(["coupon", "lag-strip", "--out", str(tmp_path / "next.gcode"), "--machine", str(out)]) == 0


def test_the_outcome_as_one_flat_object(beads, tmp_path, capsys):
    capsys.readouterr()
    args = ["fit", str(beads), "--machine", "moving-table", "--out", str(tmp_path / "m.toml"), "--json"]
    assert run(args) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["filament_factor_low"] < facts["set hot_end.filament_factor"] < facts["filament_factor_high"]
    assert facts["coupon"] == "bead-ladder" and all(not isinstance(v, dict) for v in facts.values())


def test_a_sheet_needs_the_profile_it_changes(beads, tmp_path, capsys):
    args = ["fit", str(beads), "--material", "pla-white", "--out", str(tmp_path / "m.toml")]
    assert run(args) == 2
    assert "the sheet of a bead-ladder updates a machine profile" in capsys.readouterr().err
    blank = tmp_path / "blank.csv"
    assert run(["coupon", "heat-ladder", "--out", str(tmp_path / "heat.gcode"), "--sheet", str(blank)]) == 0
    capsys.readouterr()
    args = ["fit", str(blank), "--material", "pla-white", "--out", str(tmp_path / "m.toml")]
    assert run(args) == 1 and "the measurement sheet contains no measurements" in capsys.readouterr().err
    assert not (tmp_path / "m.toml").exists()


def test_a_heat_ladder_changes_the_material(tmp_path, capsys):
    assert run(["coupon", "heat-ladder", "--out", str(tmp_path / "heat.gcode")]) == 0
    path = tmp_path / "heat.csv"
    lines = path.read_text().splitlines()
    head = next(line for line in lines if line.startswith("step,")).split(",")
    rows = [line.split(",") for line in lines if line[0].isdigit()]
    hot = np.array([float(row[head.index("nozzle_temperature_degc")]) for row in rows])
    rng = np.random.default_rng(4)
    lux = 900 * np.exp(-(((hot - 214) / 40) ** 2) + rng.normal(0, 0.01, len(hot)))
    path.write_text(filled_text(path.read_text(), reading_lux=lux.round(1), bonded=(hot > 190).astype(int)))
    assert run(["fit", str(path), "--material", "pla-white", "--out", str(tmp_path / "m.toml")]) == 0
    assert load_material(tmp_path / "m.toml").temperature.nozzle == pytest.approx(214, abs=5)
