"""Pressure lag: what leaves the nozzle, against a slow integrator, and what a lead puts right."""

import msgspec
import numpy as np
import pytest

from pathgen import Job, make
from pathgen.motion import Kind, Moves, filament_area, limit_feed, plan_speeds
from pathgen.motion.lag import held_volume, lagged_volume, lead_filament, moves_as_left, shorter
from pathgen.settings import load_machine

MACHINE = load_machine("benchtop-220")


def with_lag(lag):
    return msgspec.structs.replace(MACHINE, hot_end=msgspec.structs.replace(MACHINE.hot_end, lag=lag))


def planned(moves, machine=MACHINE):
    return plan_speeds(moves, machine, limit_feed(moves, machine))


def slow_left(moves, plan, machine, steps=4000):
    """Step through every move's trapezoid in small times and integrate τ·dq/dt = Q − q."""
    area, lag, q = filament_area(machine.hot_end.filament_diameter), machine.hot_end.lag, 0.0
    points = np.column_stack([moves.x, moves.y, moves.z])
    length = np.linalg.norm(np.diff(np.vstack([moves.start, points]), axis=0), axis=1)
    left = []
    for i in range(len(moves)):
        total, (u, w, peak) = plan.time[i], (plan.entry[i], plan.exit[i], plan.peak[i])
        square = (peak - u) ** 2 + (peak - w) ** 2
        inverse = 2 * (peak * total - length[i]) / square if square > 1e-12 else 0.0
        up, down = (peak - u) * inverse, (peak - w) * inverse
        per_mm = moves.filament[i] * area / length[i]
        dt, out = total / steps, 0.0
        for t in (np.arange(steps) + 0.5) * dt:
            if t < up:
                v = u + (peak - u) * t / up
            elif t > total - down:
                v = w + (peak - w) * (total - t) / down
            else:
                v = peak
            grown = q + (per_mm * v - q) * (1 - np.exp(-dt / lag))
            out += per_mm * v * dt - lag * (grown - q)
            q = grown
        left.append(out)
    return np.array(left)


def test_agrees_with_small_steps(walk):
    moves = walk(3, n=14, layers=1)
    plan = planned(moves)
    assert lagged_volume(moves, plan, MACHINE) == pytest.approx(
        slow_left(moves, plan, MACHINE), rel=2e-3, abs=1e-6
    )


@pytest.mark.parametrize("lag", [0.0, 0.02, 0.08, 1.0])
def test_nothing_is_lost(walk, lag):
    machine, moves = with_lag(lag), walk(1)
    plan = planned(moves, machine)
    left = lagged_volume(moves, plan, machine)
    fed = moves.filament.sum() * filament_area(1.75)
    assert left.sum() + held_volume(moves, left, machine) == pytest.approx(fed)
    assert held_volume(moves, left, machine) >= -1e-9
    if lag == 0:
        assert left == pytest.approx(moves.filament * filament_area(1.75))


def test_blocks_do_not_show_when_what_is_held_goes_along(walk):
    moves = walk(5, n=400, layers=4)
    plan = planned(moves)
    whole = lagged_volume(moves, plan, MACHINE)
    cut = int(np.flatnonzero(np.diff(moves.layer))[1]) + 1
    names = ("x", "y", "z", "filament", "feed", "kind", "layer")
    parts, held, start = [], 0.0, moves.start
    for rows in (slice(0, cut), slice(cut, None)):
        part = Moves(start, *(getattr(moves, n)[rows] for n in names))
        piece = type(plan)(*(getattr(plan, n)[rows] for n in ("entry", "exit", "peak", "time")))
        left = lagged_volume(part, piece, MACHINE, held)
        held, start = held_volume(part, left, MACHINE, held), part.end
        parts.append(left)
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-9)


def swinging(tmp_path, lead):
    """A wall whose pitch swings, made of short moves and replayed under lag; RMS error of columns, mm."""
    from pathgen.gcode.read import read_program
    from pathgen.proof.frame import Frame
    from pathgen.proof.replay import deposit

    wall = np.tile(1.2 + 0.2 * np.sin(2 * np.pi * np.arange(800) / 80), (12, 1))
    out = tmp_path / f"{lead}.gcode"
    result = make(wall, out, Job(machine="gantry-300", lead=lead, tolerance=0.002, rim_width=0.0, brim=0.0))
    machine = result.planned.setup.machine
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    moves = program.moves.only(program.moves.feed > 0)
    left = moves_as_left(moves, plan_speeds(moves, machine, moves.feed), machine)
    laid = deposit(left, Frame.of(program), solidity=0.99, filament_diameter=1.75)
    return float(np.sqrt(np.mean((laid.thickness - wall[0])[2:-2, 60:-60] ** 2))), program


def test_leading_puts_most_of_the_error_right(tmp_path):
    (without, plain), (led, leading) = (swinging(tmp_path, lead) for lead in ("off", "on"))
    assert led < without / 3
    assert leading.moves.filament.sum() == pytest.approx(plain.moves.filament.sum(), rel=1e-3)
    wall = leading.moves.kind == Kind.WALL
    assert (leading.moves.filament[wall] >= 0).all()


def test_lead_changes_filament_alone_and_not_its_sum(walk):
    moves = walk(2, n=500, layers=2)
    plan = planned(moves)
    led, owed = lead_filament(moves, plan, MACHINE)
    assert np.array_equal(led.x, moves.x) and np.array_equal(led.feed, moves.feed)
    area = filament_area(1.75)
    assert led.filament.sum() * area + owed == pytest.approx(moves.filament.sum() * area, rel=1e-9)
    assert (led.filament >= -1e-12).all()


def test_no_moves_and_no_lag():
    none = Moves((0, 0, 0), *(np.zeros(0) for _ in range(5)), np.zeros(0, np.uint8), np.zeros(0, np.int32))
    assert lagged_volume(none, planned(none), MACHINE).size == 0
    assert lead_filament(none, planned(none), MACHINE)[0] is none


def test_shorter_moves_are_the_same_path(walk):
    moves = walk(4, n=40, layers=1)
    pieces = shorter(moves, 0.5)
    assert pieces.filament.sum() == pytest.approx(moves.filament.sum())
    assert pieces.end == pytest.approx(moves.end)
    assert planned(pieces).time.sum() == pytest.approx(planned(moves).time.sum(), rel=1e-6)
