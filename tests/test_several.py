"""Several panels in one program: where they stand, in what order they are made, and that each replays."""

import json

import numpy as np
import pytest
from msgspec.structs import replace
from shapely.geometry import box

from pathgen import Job, PathgenError, compare, make_several, plan_several, replay
from pathgen.cli import run
from pathgen.gcode.read import read_program
from pathgen.motion import DEPOSITS, Kind
from pathgen.plan import settle as planning
from pathgen.proof.header import panel_facts, read_facts
from pathgen.proof.program_panel import Stated
from pathgen.settings import load_machine
from pathgen.settings.machine import HeadPart
from tests.matrix import paired
from tests.test_job import waves

MACHINES = ["moving-table", "moving-gantry", "long-tube", "ngc-lab"]


def mixed(**job):
    """Four panels of three kinds, asymmetric, of different heights, of pixels and layers of 0.2 mm."""
    common = {"brim": 3.0, "pixel": 0.2, "layer": 0.2, "first_layer": 0.2} | job
    maps = [
        waves(seed, rows, cols)[::2, ::2] for seed, rows, cols in ((1, 120, 300), (2, 200, 250), (3, 80, 300))
    ]
    return [
        (maps[0], Job(copies=2, **common)),
        (maps[1], Job(outline="disc", **common)),
        (maps[2], Job(bend=120.0, rim_width=2.0, **common)),
    ]


@pytest.mark.parametrize(("machine", "build"), paired(MACHINES, ["abreast", "in-turn"]))
def test_every_panel_replays_to_its_own_map(tmp_path, machine, build):
    out = tmp_path / "several.gcode"
    result = make_several(mixed(machine=machine, build=build), out)
    assert result.summary.panels == 4 and result.platform.in_turn == (build == "in-turn")
    volume, facts = load_machine(machine).volume, result.summary.as_dict()
    for axis in "xyz":
        low, high = getattr(volume, axis)
        assert low <= facts[f"reach_{axis}_min_mm"] <= facts[f"reach_{axis}_max_mm"] <= high
    for number, planned in enumerate(result.platform.panels, start=1):
        found = replay(out, stated=Stated(panel=number))
        assert found.notes == ()
        layers = planned.layers
        wanted = layers.profiles(0, len(layers)).thickness[::-1]
        gap = compare(found, planned.panel.thickness, ends=1.0)
        assert gap.thickness_rms_mm < 0.012, number
        assert found.deposited.volume.sum() / found.panel.packing == pytest.approx(
            _volume(planned, wanted), rel=3e-4
        )


def _volume(planned, wanted):
    bend = planned.bend
    area = wanted if bend is None else wanted + wanted**2 / (2 * bend.radius)
    return float((area.sum(axis=1) * planned.layers.height[::-1]).sum() * planned.panel.pixel)


def test_panels_stand_apart_by_the_spacing_and_clear_of_the_start_line():
    for panel_gap in (1.0, 8.0):
        platform = plan_several(mixed(panel_gap=panel_gap))
        covered = []
        for planned in platform.panels:
            (u0, u1), (n0, n1) = planned.plan_box
            more = planned.setup.standing.brim - panel_gap / 2
            x, y = planned.placement.to_machine(
                np.array([u0 - more, u1 + more]), np.array([n0 - more, n1 + more])
            )
            covered.append(box(x.min(), y.min(), x.max(), y.max()))
        for i, one in enumerate(covered):
            for other in covered[:i]:
                assert one.distance(other) >= panel_gap - 0.01


def test_in_turn_nothing_is_gone_through(tmp_path):
    """After a panel is finished, whatever moves below its top stays clear of it by the hot end's width."""
    out = tmp_path / "turn.gcode"
    result = make_several([(waves(1, 60, 300), Job(copies=4, build="in-turn", brim=3.0, layer=0.2))], out)
    machine = load_machine("moving-table")
    moves = read_program(out, machine.dialect, 1.75).moves
    panels = result.platform.panels
    ends = np.cumsum([len(p.layers) for p in panels])
    before = [np.r_[start, getattr(moves, a)[:-1]] for a, start in zip("xyz", moves.start, strict=True)]
    for number, planned in enumerate(panels[:-1]):
        (u0, u1), (n0, n1) = planned.plan_box
        x, y = planned.placement.to_machine(np.array([u0, u1]), np.array([n0, n1]))
        later = moves.layer >= ends[number]
        low = np.minimum(moves.z, before[2]) < planned.layers.top[-1] + 1.0
        over = later & low
        inside = (
            (np.maximum(moves.x, before[0]) > x.min() - 12.0)
            & (np.minimum(moves.x, before[0]) < x.max() + 12.0)
            & (np.maximum(moves.y, before[1]) > y.min())
            & (np.minimum(moves.y, before[1]) < y.max())
        )
        # The head leaves upward from where it finished: those moves are above the panel itself.
        inside &= moves.kind != Kind.LIFT
        inside &= moves.kind != Kind.RETRACT
        assert not (over & inside).any()
    fed = np.isin(moves.kind, DEPOSITS)
    assert (np.diff(moves.layer[fed]) >= 0).all()


def test_the_fan_is_off_for_every_first_layer_in_turn(tmp_path):
    out = tmp_path / "turn.gcode"
    make_several([(waves(1, 40, 200), Job(copies=2, build="in-turn", brim=2.0))], out)
    text = out.read_text()
    first = text.index("M106")
    again = text.index("top 0.200 mm", first)
    assert "M107" in text[first : again + 200] and text.count("M106") == 2


def test_tall_panels_are_refused_in_turn_and_say_why():
    rods = HeadPart((-300.0, 300.0), (-10.0, 10.0), 50.0), HeadPart((-10.0, 10.0), (-300.0, 300.0), 50.0)
    machine = replace(load_machine("long-tube"), head=rods)
    with pytest.raises(PathgenError) as refused:
        plan_several([(waves(1, 900, 600), Job(copies=2, build="in-turn"))], machine)
    message = str(refused.value)
    assert "one after another with 300 × 300 mm of clearance for the head" in message
    assert "build = abreast" in message


def test_clearance_is_that_of_the_tallest_panel():
    """A rod 20 mm above the nozzle passes over a low panel, but not over a tall one."""
    rods = HeadPart((-12.0, 12.0), (-12.0, 12.0), 1.0), HeadPart((-300.0, 300.0), (-300.0, 300.0), 20.0)
    machine = replace(load_machine("long-tube"), head=rods)
    job = Job(build="in-turn", brim=2.0, pixel=0.4, layer=0.3, first_layer=0.3)
    low, tall = np.full((20, 40), 1.5), np.full((100, 40), 1.5)
    plan_several([(low, job), (low, job)], machine)
    with pytest.raises(PathgenError, match="with 300 × 300 mm of clearance for the head"):
        plan_several([(low, job), (tall, job)], machine)


def test_in_turn_the_head_has_room_in_front_of_a_finished_panel():
    machine = replace(load_machine("moving-table"), head=(HeadPart((-9.0, 9.0), (-25.0, 25.0), 1.0),))
    job = Job(build="in-turn", brim=2.0, pixel=0.4, layer=0.3, first_layer=0.3, axis="x", copies=2)
    platform = plan_several([(np.full((20, 400), 1.5), job)], machine)
    first, second = sorted(planned.placement.y0 for planned in platform.panels)
    assert second - first >= 25.0 + 1.5


def test_the_axis_of_several_panels_is_judged_by_the_one_that_sways_most():
    job = Job(pixel=0.4, layer=0.3, first_layer=0.3, brim=2.0)
    low, tall = np.full((20, 40), 1.5), np.full((100, 40), 1.5)
    alone = plan_several([(tall, job)]).panels[0].axes.rows
    both = plan_several([(low, job), (tall, job)]).panels[0].axes.rows
    assert [row.sway for row in both] == [row.sway for row in alone]


def test_a_bent_panel_made_after_another_is_approached_at_its_wall(tmp_path):
    """Without a brim, the head comes down within 1 mm of the start of the first deposit."""
    out = tmp_path / "bent.gcode"
    job = Job(bend=60.0, rim_width=2.0, brim=0.0, build="in-turn", copies=2, pixel=0.4, panel_gap=90.0)
    result = make_several([(np.full((20, 60), 1.5), job)], out)
    moves = read_program(out, load_machine("moving-table").dialect, 1.75).moves
    second = result.platform.panels[1]
    first = int(np.searchsorted(moves.layer, len(second.layers)))
    fed = first + int(np.argmax(np.isin(moves.kind[first:], DEPOSITS)))
    high = first + int(np.argmax(moves.z[first:fed]))
    assert high < fed
    at = np.column_stack([moves.x, moves.y])
    descent = high + int(np.argmax(moves.z[high:fed] < second.layers.top[1]))
    assert np.hypot(*(at[descent] - at[fed - 1])) < 1.0


def test_too_many_say_how_many_would_fit():
    with pytest.raises(PathgenError) as refused:
        plan_several([(waves(1, 60, 1000), Job(copies=40))])
    message = str(refused.value)
    assert "40 panels with their brims do not fit on moving-table" in message
    count = int(message.split("the first ")[1].split()[0])
    plan_several([(waves(1, 60, 1000), Job(copies=count))])
    with pytest.raises(PathgenError):
        plan_several([(waves(1, 60, 1000), Job(copies=count + 1))])


def test_hopelessly_many_are_refused_before_they_are_made(monkeypatch):
    made = []
    real = planning._build_unplaced
    monkeypatch.setattr(planning, "_build_unplaced", lambda *given: made.append(given) or real(*given))
    job = Job(width=40.0, pixel=0.5, layer=0.3, first_layer=0.3)
    why = "900 panels with their brims do not fit on .*the first [1-9][0-9]* panels"
    with pytest.raises(PathgenError, match=why):
        plan_several([(waves(1, 9, 20), job)] * 900)
    assert 10 < len(made) < 100
    made.clear()
    with pytest.raises(PathgenError, match="1,001 panels .panel.; allowed: at most 1,000 panels per program"):
        plan_several([(waves(1, 9, 20), job)] * 901 + [(waves(1, 9, 20), replace(job, copies=100))])
    assert not made


def test_panels_of_one_platform_agree():
    for key, other in (("layer", 0.2), ("machine", "moving-gantry"), ("nozzle_temperature", 205.0)):
        with pytest.raises(PathgenError, match=f"{key} is .* for panel 2"):
            plan_several([(waves(1, 40, 200), Job()), (waves(1, 40, 200), Job(**{key: other}))])
    with pytest.raises(PathgenError, match="list of panels is empty"):
        plan_several([])


def test_the_header_tells_panels_apart(tmp_path):
    out = tmp_path / "several.gcode"
    make_several(mixed(), out)
    facts = read_facts(out)
    assert facts["panels"] == "4"
    assert panel_facts(facts, 3)["job outline"] == "disc"
    assert panel_facts(facts, 4)["job bend"] == "120" and panel_facts(facts, 1)["job bend"] == "0"
    assert panel_facts(facts, 3)["job brim"] == "3"
    for number in (0, 5):
        with pytest.raises(PathgenError, match="1 to 4"):
            panel_facts(facts, number)


def test_from_the_command_line(tmp_path, capsys):
    for name, seed in (("a", 1), ("b", 2)):
        np.save(tmp_path / f"{name}.npy", waves(seed, 60, 200))
    job = tmp_path / "job.toml"
    first, second = (
        '[[panel]]\npicture = "a.npy"\ncopies = 2\n',
        '[[panel]]\npicture = "b.npy"\nwidth = 30.0\n',
    )
    job.write_text("brim = 3.0\nlayer = 0.3\nfirst_layer = 0.3\n" + first + second)
    out = tmp_path / "o.gcode"
    assert run(["panel", "--job", str(job), "--out", str(out)]) == 0
    assert "of 3 panels" in capsys.readouterr().out
    assert run(["panel", "--job", str(job), "--out", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["panel_3_width_mm"] == pytest.approx(30.0, abs=0.2)
    assert run(["replay", str(out), "--panel", "3", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["width_mm"] == pytest.approx(30.0, abs=0.2)
    assert run(["panel", str(tmp_path / "a.npy"), "--job", str(job), "--out", str(out)]) == 1
    assert "already names a picture" in capsys.readouterr().err
    assert run(["panel", "--out", str(out)]) == 2
    wall = str(tmp_path / "w.npy")
    assert run(["panel", "--job", str(job), "--out", str(out), "--thickness", wall]) == 1
    assert "different thickness maps" in capsys.readouterr().err
