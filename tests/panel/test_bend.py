"""Bent panels: geometry, volumes against the analytic ones, and the replay of the written program."""

import numpy as np
import pytest

from pathgen import Job, PathgenError, make
from pathgen.gcode.read import read_program
from pathgen.motion import Kind, filament_area
from pathgen.panel.bend import Bend, column_area, column_thickness
from pathgen.proof.deposit_map import deposit, thickness_error
from pathgen.proof.frame import Frame

ANGLES = [30.0, 120.0, 300.0, 360.0, -30.0, -120.0, -300.0]


@pytest.mark.parametrize("degrees", ANGLES)
def test_there_and_back(degrees):
    rng = np.random.default_rng(0)
    u, n = rng.uniform(0, 100, 500), rng.uniform(0, 4, 500)
    bend = Bend(100.0, degrees)
    assert np.allclose(bend.to_flat(*bend.to_plan(u, n)), (u, n), atol=1e-9)


def test_the_middle_stays_and_the_ends_go_where_they_should():
    for degrees, sign in ((90.0, -1), (-90.0, 1)):
        bend = Bend(100.0, degrees)
        p, q = bend.to_plan(np.array([0.0, 50.0, 100.0]), np.zeros(3))
        assert (p[1], q[1]) == pytest.approx((50.0, 0.0))
        assert np.sign(q[0]) == np.sign(q[2]) == sign  # away from the viewer where it bulges
        assert p[0] < p[1] < p[2]


@pytest.mark.parametrize("degrees", ANGLES)
def test_moves_are_short_enough_for_the_arc(degrees):
    bend = Bend(100.0, degrees)
    step = bend.longest_move(4.0)
    for n in (0.0, 4.0):
        ends = np.array(bend.to_plan(np.array([40.0, 40.0 + step]), np.full(2, n)))
        middle = np.array(bend.to_plan(np.array([40.0 + step / 2]), np.array([n])))[:, 0]
        assert np.linalg.norm(ends.mean(axis=1) - middle) < 0.01


def test_column_area_and_its_inverse():
    t = np.linspace(0.1, 4, 40)
    for radius in (20.0, -20.0):
        ring = np.pi * ((abs(radius) + np.sign(radius) * t) ** 2 - radius**2) / (2 * np.pi * abs(radius))
        assert column_area(t, radius) == pytest.approx(np.abs(ring))  # a ring's area over its inner circle
        assert column_thickness(column_area(t, radius), radius) == pytest.approx(t)


def walls(kind, rows=20, cols=600):
    u = np.arange(cols) / 10
    wave = 1.6 + 0.8 * np.sin(2 * np.pi * u / 60) if kind == "sine" else np.full(cols, 1.6)
    return np.tile(wave, (rows, 1))


BENT = [
    (degrees, kind, ("moving-table", "moving-gantry")[(i + j) % 2])
    for i, degrees in enumerate(ANGLES)
    for j, kind in enumerate(("constant", "sine"))
]


@pytest.mark.parametrize(("degrees", "kind", "machine"), BENT)
def test_volume_and_replay(kind, degrees, machine, tmp_path):
    wall = walls(kind)
    out = tmp_path / "bent.gcode"
    result = make(wall, out, Job(machine=machine, bend=degrees, rim_width=0, brim=2.0))
    planned = result.planned
    program = read_program(
        out, planned.setup.machine.dialect, planned.setup.machine.hot_end.filament_diameter
    )
    made = np.isin(program.moves.kind, (Kind.WALL, Kind.HAIRPIN))
    area = filament_area(planned.setup.machine.hot_end.filament_diameter)
    fed = program.moves.filament[made].sum() * area / planned.setup.job.packing

    # Closed form: ∫(t + t²/2R) du over the width, times the height; for t = a + b·sin over whole waves
    # ∫t du = a·W and ∫t² du = (a² + b²/2)·W.
    a, b, width, height = 1.6, (0.8 if kind == "sine" else 0.0), 60.0, planned.layers.top[-1]
    radius = width / np.radians(degrees)
    analytic = height * width * (a + (a**2 + b**2 / 2) / (2 * radius))
    assert fed == pytest.approx(analytic, rel=1e-3)

    laid = deposit(
        program,
        Frame.of(program),
        packing=planned.setup.job.packing,
        filament_diameter=planned.setup.machine.hot_end.filament_diameter,
    )
    wanted = planned.layers.profiles(0, len(planned.layers)).thickness[::-1]
    error = thickness_error(laid, wanted, ends=0.0 if degrees == 360.0 else 1.0)
    assert laid.outside < 1e-3 * laid.volume.sum()
    assert error["rms"] < 0.012


def test_a_ring_has_no_ends(tmp_path):
    result = make(walls("constant"), tmp_path / "ring.gcode", Job(bend=360.0, rim_width=0, brim=0))
    assert (result.counts == 4).all()
    assert result.tally.count[Kind.HAIRPIN] == 0
    # Four loops a layer; each ends where it began.
    for strokes in result.samples.values():
        first, last = strokes.start[:-1], strokes.start[1:] - 1
        assert len(strokes) == 4
        assert np.allclose(strokes.u[first], strokes.u[last]) and np.allclose(
            strokes.n[first], strokes.n[last]
        )


def test_a_bend_too_tight_for_the_wall_is_refused(tmp_path):
    with pytest.raises(PathgenError, match="inner radius of"):
        make(walls("constant", 20, 60), tmp_path / "a.gcode", Job(bend=-300.0, rim_width=0))
    assert not list(tmp_path.iterdir())
