"""The toolpath as a file of columns."""

import zipfile

import numpy as np
import pytest

from pathgen import Job, PathgenError
from pathgen.cli import run
from pathgen.gcode.read import read_program
from pathgen.motion import Kind, plan_speeds, read_moves
from pathgen.motion.record import COLUMNS
from pathgen.settings import settle


@pytest.fixture
def made(tmp_path):
    wall = np.tile(np.linspace(0.8, 2.8, 150), (30, 1))
    np.save(tmp_path / "wall.npy", wall)
    files = ["--out", str(tmp_path / "a.gcode"), "--moves", str(tmp_path / "a.npz")]
    assert run(["panel", str(tmp_path / "wall.npy"), *files, "--brim", "2"]) == 0
    return tmp_path


def test_columns_are_what_the_program_says(made):
    machine = settle(Job()).machine
    recorded = read_moves(made / "a.npz")
    moves = recorded.moves()
    program = read_program(made / "a.gcode", machine.dialect, machine.hot_end.filament_diameter)
    assert set(recorded.columns) == set(COLUMNS)
    assert moves.filament.sum() == pytest.approx(program.moves.filament.sum(), abs=1e-4)
    for kind in (Kind.WALL, Kind.HAIRPIN, Kind.BRIM):
        ours, theirs = (
            m.filament[np.isin(m.kind, (kind,) if kind == Kind.BRIM else (Kind.WALL, Kind.HAIRPIN))].sum()
            for m in (moves, program.moves)
        )
        assert ours == pytest.approx(theirs, abs=1e-3)
    assert moves.end[:2] == pytest.approx(
        (program.moves.x[program.moves.filament > 0][-1], program.moves.y[program.moves.filament > 0][-1]),
        abs=1e-3,
    )


def test_columns_hang_together(made):
    machine = settle(Job()).machine
    recorded = read_moves(made / "a.npz")
    c = recorded.columns
    plan = plan_speeds(recorded.moves(), machine, c["feed"].astype(float))
    assert plan.time == pytest.approx(c["time"], rel=1e-3, abs=1e-6)
    area = np.pi * machine.hot_end.filament_diameter**2 / 4
    wall = c["kind"] == Kind.WALL
    u = np.diff(c["u"], prepend=0)
    n = np.diff(c["n"], prepend=0)
    volume = (c["spacing"] * c["height"] * np.hypot(u, n))[wall]
    assert volume == pytest.approx((c["filament"] * area)[wall], rel=1e-4, abs=1e-9)
    assert c["height"][wall][-1] == pytest.approx(0.1) and len(recorded.top) == c["layer"].max() + 1
    assert recorded.about["kinds"]["wall"] == Kind.WALL


def test_the_same_input_gives_the_same_bytes(made):
    first = (made / "a.npz").read_bytes()
    files = ["--out", str(made / "a.gcode"), "--moves", str(made / "a.npz")]
    assert run(["panel", str(made / "wall.npy"), *files, "--brim", "2"]) == 0
    assert (made / "a.npz").read_bytes() == first


def test_what_is_no_toolpath_is_refused(made, tmp_path):
    with pytest.raises(PathgenError, match="no such file"):
        read_moves(tmp_path / "none.npz")
    (tmp_path / "text.npz").write_text("no zip")
    with pytest.raises(PathgenError, match="not a toolpath"):
        read_moves(tmp_path / "text.npz")
    np.savez(tmp_path / "other.npz", a=np.ones(3))
    with pytest.raises(PathgenError, match="not a toolpath"):
        read_moves(tmp_path / "other.npz")
    with zipfile.ZipFile(tmp_path / "cut.npz", "w") as archive:
        archive.writestr("about.npy", b"\x93NUMPY")
    with pytest.raises(PathgenError, match="not a toolpath"):
        read_moves(tmp_path / "cut.npz")
