"""A written program, replayed: times, amounts, notes, and what counts as white."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from pathgen import Job, make
from pathgen.errors import PathgenError
from pathgen.motion import limit_feed, plan_speeds, sum_moves
from pathgen.proof import program_timer
from pathgen.proof.panel_replay import Effects, replay
from pathgen.settings import load_machine, load_material

AREA = np.pi * 1.75**2 / 4  # mm² of 1.75 mm filament


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    out = tmp_path_factory.mktemp("replayed") / "panel.gcode"
    wall = np.full((40, 150), 1.2) + np.linspace(0, 1, 150)
    return out, make(wall, out, Job(brim=3, rim_width=0))


@pytest.mark.parametrize("block", [1, 1000, 1 << 30])
def test_times_do_not_depend_on_the_cuts(panel, block, monkeypatch):
    """All moves at once through the planner give the same sums as layer by layer."""
    monkeypatch.setattr(program_timer, "TIMED", block)
    found = replay(panel[0])
    moves, machine = found.program.moves, found.machine
    feed = limit_feed(moves, machine)
    whole = sum_moves(moves, plan_speeds(moves, machine, feed), feed)
    for name in ("time", "filament", "length", "count"):
        np.testing.assert_allclose(getattr(found.tally, name), getattr(whole, name), rtol=1e-9)


def test_what_is_known_is_what_was_planned(panel):
    out, result = panel
    found = replay(out).as_dict()
    json.dumps(found, allow_nan=False)
    assert found["time_s"] == pytest.approx(
        result.summary.times.time_s, rel=0.02
    )  # the finish block moves too
    assert found["filament_m"] == pytest.approx(result.summary.filament_m, abs=1e-4)
    assert found["mass_g"] == pytest.approx(found["filament_m"] * 1000 * AREA * 1.24e-3, abs=0.01)
    assert found["outside_mm3"] == 0.0 and found["complete"]
    assert found["layers"] == found["layers_deposited"] == len(result.planned.layers)


def test_white_is_the_headers_and_a_hole_is_not_taken_for_it(panel):
    found = replay(panel[0])
    assert found.white == 0.8
    bare = panel[0].with_name("bare.gcode")
    bare.write_text(
        "".join(x for x in panel[0].read_text().splitlines(True) if not x.startswith("; job thinnest"))
    )
    assert replay(bare).white == pytest.approx(1.2, abs=0.02)


def test_light_beside_a_hole(panel):
    """An even wall is even when lit; a hole lets more through than the picture's white."""
    found = replay(panel[0], effects=Effects(spread=0.3))
    wall = np.full((40, 150), 0.8)
    np.testing.assert_allclose(found.backlight(wall), 1.0)
    wall[20, 75] = 0.0
    lit = found.backlight(wall)
    assert lit.max() > 1.0 and lit[20, 75] == lit.max() and lit[0, 0] == pytest.approx(1.0)


def test_plastic_beside_the_panel_is_said(panel):
    moved = panel[0].with_name("moved.gcode")
    text = panel[0].read_text()
    place = next(line for line in text.splitlines() if line.startswith("; panel origin y"))
    y = float(place.split()[-2])
    moved.write_text(text.replace(place, f"; panel origin y = {y + 3:.3f} mm"))
    found = replay(moved)
    (note,) = found.notes
    assert "outside the panel" in note
    assert found.deposited.outside > 0.1 * found.deposited.volume.sum()


def test_a_material_of_ones_own_is_missed_but_not_needed(panel):
    ours = panel[0].with_name("ours.gcode")
    ours.write_text(panel[0].read_text().replace("; material = pla-white", "; material = ours"))
    found = replay(ours)
    assert found.material is None and any("'ours'" in note and "--material" in note for note in found.notes)
    assert found.as_dict()["mass_g"] is None
    with pytest.raises(PathgenError, match="the material of the program is unknown"):
        found.picture  # noqa: B018
    named = replay(ours, material=load_material("petg-white"))
    assert named.notes == () and named.picture.shape == found.thickness.shape


def test_other_settings_than_the_shipped_ones_are_said_only_of_shipped_ones(panel):
    odd = panel[0].with_name("odd.gcode")
    lines = panel[0].read_text().splitlines(keepends=True)
    odd.write_text(
        "".join("; settings = 0123456789abcdef\n" if x.startswith("; settings") else x for x in lines)
    )
    assert any("settings differ" in note for note in replay(odd).notes)
    machine = load_machine("moving-table")
    assert replay(odd, machine).notes == ()
    assert replay(panel[0]).notes == ()


def test_smear_acts_before_and_spread_after_the_wall(panel):
    plain, smeared = replay(panel[0]), replay(panel[0], effects=Effects(smear=True))
    assert smeared.deposited.volume.sum() == pytest.approx(plain.deposited.volume.sum(), rel=1e-9)
    # What turns at the ends pile up in one column is shared with its neighbours.
    assert smeared.thickness[:, :5].max() < plain.thickness[:, :5].max()
    same = replace(plain, effects=Effects(spread=0.0))
    np.testing.assert_array_equal(same.picture, plain.picture)
