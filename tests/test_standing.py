"""What keeps a panel standing: wedges, the chamfered top rim, the axis by its score, the sway."""

import numpy as np
import pytest
from shapely.geometry import LineString, box

from pathgen import Job, PathgenError, make, plan
from pathgen.gcode.read import read_program
from pathgen.motion import Kind
from pathgen.proof.frame import Frame
from pathgen.proof.replay import deposit, thickness_error

WALL = np.full((300, 600), 1.6)


def written(tmp_path, **job):
    out = tmp_path / "panel.gcode"
    result = make(WALL, out, Job(**({"brim": 5.0} | job)))
    machine = result.planned.setup.machine
    return result, read_program(out, machine.dialect, machine.hot_end.filament_diameter)


@pytest.mark.parametrize("machine", ["benchtop-220", "ngc-lab"])
def test_wedges_stand_clear_of_the_face_and_leave_the_deposit_alone(machine, tmp_path):
    result, program = written(tmp_path, wedges=2, wedge_base=8.0, machine=machine)
    moves, place = program.moves, result.planned.placement
    wedge = np.flatnonzero(moves.kind == Kind.WEDGE)
    assert len(wedge) > 500
    u, n = place.to_panel(moves.x, moves.y)
    width, rim = result.planned.panel.width, 3.0
    inside = (u[wedge] > rim) & (u[wedge] < width - rim)
    above_foot = moves.layer[wedge] > 0
    assert not (inside & above_foot).any(), "a wedge stands within the picture's columns"
    # Every strip above the foot, grown by half a pitch, stays clear of the picture's own box.
    face = box(rim, 0, width - rim, 4.0)
    for i in wedge[above_foot][::37]:
        strip = LineString([(u[i - 1], n[i - 1]), (u[i], n[i])]).buffer(0.21)
        assert strip.distance(face) > 0 or moves.kind[i - 1] != Kind.WEDGE
    diameter = result.planned.setup.machine.hot_end.filament_diameter
    laid = deposit(program, Frame.of(program), solidity=0.99, filament_diameter=diameter)
    wanted = result.planned.layers.profiles(0, len(result.planned.layers)).thickness[::-1]
    assert thickness_error(laid, wanted, ends=1.0)["rms"] < 0.01
    assert result.summary["props_share"] < 0.15
    assert result.summary["prop_contacts"] > 0
    volume = result.planned.setup.machine.volume
    for values, (low, high) in ((moves.x, volume.x), (moves.y, volume.y), (moves.z, volume.z)):
        assert values.min() >= low and values.max() <= high


def test_wedges_hold_the_panel_up_to_their_top(tmp_path):
    free, held = (plan(WALL, Job(wedges=w, brim=5.0)) for w in (0, 2))
    assert held.steady.sway[-1] < free.steady.sway[-1] / 3


def test_the_axis_follows_the_score_and_says_its_figures():
    bench, gantry = (plan(WALL, Job(machine=m, brim=5.0)) for m in ("benchtop-220", "gantry-300"))
    assert bench.placement.rotation == 90 and "sway" in bench.placement.reason
    assert gantry.placement.rotation == 0
    forced = plan(WALL, Job(axis="x", brim=5.0))
    assert forced.placement.rotation == 0
    assert forced.steady.sway[-1] > bench.steady.sway[-1]


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
def test_the_top_rim_leans_out_no_faster_than_asked(angle):
    panel = plan(WALL, Job(overhang=angle, brim=0.0)).panel
    column = panel.thickness[::-1, 100]  # upward
    assert np.diff(column).max() <= 0.1 * np.tan(np.radians(angle)) + 1e-9 or column[0] == 4.0
    top = panel.thickness[: panel.rim, 100]
    assert top[0] == pytest.approx(min(4.0, 1.6 + 3.0 * np.tan(np.radians(angle))))


def test_slope_limits_the_face_and_says_what_it_costs():
    steep = np.full((200, 300), 0.8)
    steep[:100] = 3.0
    planned = plan(steep, Job(slope="least", brim=0.0))
    rise = np.diff(planned.panel.thickness[planned.panel.picture][::-1], axis=0)
    assert rise.max() <= 0.1 + 1e-9
    assert any(note.startswith("slope limited") for note in planned.notes)


def test_refusals():
    with pytest.raises(PathgenError, match="wedges = 2 with bend"):
        plan(WALL, Job(wedges=2, bend=90.0))
    with pytest.raises(PathgenError, match="rim"):
        plan(WALL, Job(wedges=2, rim_width=0.0))
