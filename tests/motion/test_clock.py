"""The clock's parts, in what is said of a job before it is written and of a program that is read."""

import numpy as np
import pytest
from msgspec.structs import replace

from pathgen import Job, make
from pathgen.motion import Kind, Tally, TimeByCause
from pathgen.proof.panel_replay import replay
from pathgen.settings import load_machine

PARTS = ("moving_time_s", "heating_time_s", "homing_time_s", "dwell_time_s", "starved_time_s")
WALL = np.full((12, 60), 1.5) + np.linspace(0, 1, 60)
JOB = Job(brim=0.0, rim_width=0.0)


def with_dwells(name, start="", finish="", **keys):
    machine = load_machine(name)
    dialect = machine.dialect
    blocks = {"start": dialect.start + start, "finish": finish + dialect.finish}
    return replace(machine, dialect=replace(dialect, **blocks), **keys)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    out = tmp_path_factory.mktemp("clock") / "plain.gcode"
    return out, make(WALL, out, JOB).summary


def test_parts_add_up():
    kinds = np.arange(len(Kind), dtype=float)
    found = TimeByCause.of(
        Tally(time=kinds), load_machine("moving-gantry"), starving=3.0, dwelling=2.0, homings=2
    )
    assert (found.heating, found.homing) == (360.0, 40.0)  # the profile's
    assert found.total == kinds.sum() + 360 + 40 + 3 + 2
    assert found.dry == sum(kinds[[Kind.TRAVEL, Kind.LINK, Kind.RETRACT, Kind.RELOAD]])
    facts = found.facts()
    assert facts["time_s"] == sum(facts[part] for part in PARTS)


def test_homing_before_the_program_counts_once():
    machine = load_machine("moving-table")
    assert TimeByCause.of(Tally(), machine, homings=0).homing == machine.heaters.homing


# RS-274 has P in seconds (NISTIR 6556, 3.5.4). Beyond it: P in milliseconds, S in seconds (common practice).
DWELLS = {
    "ngc-lab": ("G4 P1.5\n", "G4 P4\n", "G4 P0.25"),
    "moving-table": ("G4 S1.5\n", "G4 P4000\n", "G4 P250"),
}


@pytest.mark.parametrize("name", DWELLS)
def test_dwells_of_every_block_count_in_plan_and_program_alike(name, tmp_path):
    start, finish, cooling = DWELLS[name]
    machine = with_dwells(name, start=start, finish=finish)
    fan_on = f"{machine.dialect.fan_on}\n{cooling}"
    machine = replace(machine, dialect=replace(machine.dialect, fan_on=fan_on))
    said = make(WALL, tmp_path / "a.gcode", replace(JOB, machine=name), machine).summary
    found = replay(tmp_path / "a.gcode", machine).as_dict()
    assert said["dwell_time_s"] == found["dwell_time_s"] == pytest.approx(5.75, abs=0.051)
    assert said["time_s"] == pytest.approx(sum(said[part] for part in PARTS), abs=1)
    assert found["time_s"] == pytest.approx(sum(found[part] for part in PARTS), abs=1)


def test_a_program_that_homes_again_is_timed_so(plain):
    """The way home is part of homing, not a move besides it."""
    out, _ = plain
    first = replay(out)
    again = out.with_name("again.gcode")
    again.write_text(out.read_text().replace("M104 S0 ; nozzle off", "G28\nM104 S0"))
    second = replay(again)
    assert second.clock.homing == 2 * first.clock.homing == 50.0
    # The finish block now lifts and parks from home; at the wall's 20 mm/s the way there would take over 7 s.
    assert second.clock.moving == pytest.approx(first.clock.moving, abs=1.5)
    assert second.clock.kinds[Kind.WALL] == pytest.approx(first.clock.kinds[Kind.WALL], rel=1e-3)


def test_a_slow_line_starves_plan_and_program_alike(plain, tmp_path):
    out, said = plain
    assert said["starved_time_s"] == 0.0
    machine = replace(load_machine("moving-table"), blocks_per_second=40.0)
    found = replay(out, machine)
    slow = make(WALL, tmp_path / "b.gcode", replace(JOB, pixel=0.2, feed=60.0), machine).summary
    assert found.clock.starving > 0.1 * found.clock.moving
    assert found.clock.moving == pytest.approx(replay(out).clock.moving)
    again = replay(tmp_path / "b.gcode", machine).as_dict()
    assert slow["starved_time_s"] == pytest.approx(again["starved_time_s"], rel=0.02, abs=0.2)


def test_much_waiting_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr("pathgen.plan.settle._respect_block_rate", lambda setup: (setup, []))
    machine = replace(load_machine("moving-table"), blocks_per_second=50.0)
    said = make(WALL, tmp_path / "c.gcode", JOB, machine).summary
    assert any("waiting for program lines" in note and "50 lines a second" in note for note in said["notes"])
