"""Pressure lag: what leaves the nozzle, against a slow integrator, and what a lead puts right."""

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from pathgen import Job, make, plan_panel
from pathgen.job import write
from pathgen.motion import Kind, Moves, filament_area, limit_feed, plan_speeds
from pathgen.motion.lag import (
    _feed_forward_only,
    held_volume,
    lagged_moves,
    lagged_volume,
    lead_filament,
    split_moves,
)
from pathgen.settings import load_machine, machine_names
from tests.motion.conftest import polyline

MACHINE = load_machine("moving-table")


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


@given(st.floats(1e-3, 5), st.floats(0, 20), st.integers(0, 2**32 - 1))
def test_fed_is_left_and_held_whatever_was_held_before(lag, held, seed):
    rng, machine = np.random.default_rng(seed), with_lag(lag)
    points = rng.normal(0, 3, (9, 2)).cumsum(axis=0)
    moves = polyline(points, rng.uniform(1, 100, 8), rng.uniform(0, 0.3, 8))
    left = lagged_volume(moves, planned(moves, machine), machine, held)
    after = held_volume(moves, left, machine, held)
    fed = moves.filament.sum() * filament_area(1.75)
    assert left.sum() + after == pytest.approx(fed + held)
    # All that was held before leaves by e^(−t/τ) of itself, on top of what leaves of an empty nozzle.
    empty = lagged_volume(moves, planned(moves, machine), machine)
    time = np.cumsum(planned(moves, machine).time)
    assert np.cumsum(left - empty) == pytest.approx(held * -np.expm1(-time / lag), abs=1e-9)


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


def travelling(retracts):
    """A bead, 5 mm without, and a bead, with a retraction or without; feeds in mm of filament."""
    points = [[0, 0], [20, 0], [20, 0], [25, 0], [25, 0], [45, 0]]
    moves = polyline(points, 20.0, [0.6, -4.0, 0.0, 4.0, 0.6])
    moves.kind[1:4] = Kind.RETRACT, Kind.TRAVEL, Kind.RELOAD
    return moves if retracts else moves.only(np.array([True, False, True, False, True]))


def test_a_retraction_keeps_what_is_held():
    stopped, leaking = travelling(retracts=True), travelling(retracts=False)
    kept, leaked = (lagged_volume(m, planned(m), MACHINE) for m in (stopped, leaking))
    assert kept[1:4].tolist() == [0.0, 0.0, 0.0]
    assert leaked[1] > 0
    # What was held before the travel is there after it, or was lost on the way.
    assert kept[4] > leaked[2]
    fed = 1.2 * filament_area(1.75)
    for moves, left in ((stopped, kept), (leaking, leaked)):
        assert left.sum() + held_volume(moves, left, MACHINE) == pytest.approx(fed)


def test_what_leaks_on_a_travel_is_laid_down():
    leaking, stopped = travelling(retracts=False), travelling(retracts=True)
    as_left = lagged_moves(leaking, planned(leaking), MACHINE)
    assert as_left.kind.tolist() == [Kind.WALL] * 3
    assert as_left.filament * filament_area(1.75) == pytest.approx(
        lagged_volume(leaking, planned(leaking), MACHINE)
    )
    assert np.array_equal(lagged_moves(stopped, planned(stopped), MACHINE).kind, stopped.kind)


# Spacings, and how much of the error may be left. A fall from the widest to the narrowest is faster than an
# idle drive lets the flow fall, and no lead without drawing back can follow.
JUMPS = [((0.40, 0.44), 1 / 3), ((0.35, 0.55), 1 / 3), ((0.28, 0.62), 1 / 2)]


@pytest.mark.parametrize("name", machine_names())
@pytest.mark.parametrize(("spacings", "share"), JUMPS)
def test_leading_a_spacing_that_jumps(spacings, share, name):
    """RMS error of what is laid, lead on against off; the first and last 5 mm, at rest, are left out."""
    machine, step = load_machine(name), 0.1
    area, to_spacing = filament_area(machine.hot_end.filament_diameter), 0.1 * step
    x = np.arange(801) * step
    middle = x[1:] - step / 2
    spacing = np.where(middle // 10 % 2, *spacings)  # every 10 mm
    moves = polyline(np.column_stack([x, 0 * x]), 20.0, spacing * to_spacing / area)
    led, _ = lead_filament(moves, planned(moves, machine), machine)

    def error(fed):
        laid = lagged_volume(fed, planned(fed, machine), machine) / to_spacing
        return np.sqrt(np.mean((laid - spacing)[(middle > 5) & (middle < 75)] ** 2))

    assert error(moves) > 0.05 * np.ptp(spacing)
    assert error(led) < share * error(moves)


@pytest.mark.parametrize("seed", range(3))
def test_feed_forward_only_is_the_nearest_sum_that_never_falls(seed):
    """Against the linear program: least largest distance from the asked sum, no step below 0."""
    ask = np.random.default_rng(seed).normal(0.2, 1.0, 40)
    ask[0] = 10.0  # as with moves, no more is asked back than was fed
    given, owed = _feed_forward_only(ask, np.zeros(40, bool), 0.0)
    assert (given >= 0).all()
    assert given.sum() == pytest.approx(ask.sum() + owed / 2)
    run, ones, distance = np.cumsum(ask), np.tril(np.ones((40, 40))), np.ones((40, 1))
    limits = np.block([[ones, -distance], [-ones, -distance]])
    best = linprog([0.0] * 40 + [1.0], A_ub=limits, b_ub=np.concatenate([run, -run]))  # no variable below 0
    assert best.fun > 0
    assert np.abs(np.cumsum(given) - run).max() == pytest.approx(best.fun)


def test_a_link_settles_what_is_owed():
    ask, free = np.array([1.0, -3.0, -0.5, 1.0]), np.array([False, False, True, False])
    given, owed = _feed_forward_only(ask, free, 0.0)
    assert owed == 0.0 and given[2] < 0 and (given[~free] >= 0).all()
    assert given.sum() == pytest.approx(ask.sum())
    assert given[3] == 1.0


def test_blocks_do_not_show_when_what_is_owed_goes_along(walk):
    moves = walk(8, n=600, layers=3)
    # Many long layers end at speed with a wide bead: what they cannot draw back runs over into the next.
    moves.filament[:] *= np.random.default_rng(1).choice([0.02, 3.0], 600)
    plan = planned(moves)
    whole, last = lead_filament(moves, plan, MACHINE)
    names = ("x", "y", "z", "filament", "feed", "kind", "layer")
    cuts = [0, *(np.flatnonzero(np.diff(moves.layer)) + 1).tolist(), len(moves)]
    parts, carried, owed, start = [], [], 0.0, moves.start
    for rows in (slice(a, b) for a, b in zip(cuts[:-1], cuts[1:], strict=True)):
        part = Moves(start, *(getattr(moves, n)[rows] for n in names))
        piece = type(plan)(*(getattr(plan, n)[rows] for n in ("entry", "exit", "peak", "time")))
        led, owed = lead_filament(part, piece, MACHINE, owed)
        parts.append(led.filament)
        carried.append(owed)
        start = part.end
    assert max(carried[:-1]) > 0
    assert np.concatenate(parts) == pytest.approx(whole.filament, abs=1e-12)
    assert owed == pytest.approx(last)


def swinging(tmp_path, lead):
    """A wall whose spacing swings, made of short moves and replayed under lag; RMS error of columns, mm."""
    from pathgen.gcode.read import read_program
    from pathgen.proof.deposit_map import deposit
    from pathgen.proof.frame import Frame

    wall = np.tile(1.2 + 0.2 * np.sin(2 * np.pi * np.arange(800) / 80), (12, 1))
    out = tmp_path / f"{lead}.gcode"
    result = make(
        wall, out, Job(machine="moving-gantry", lead=lead, tolerance=0.002, rim_width=0.0, brim=0.0)
    )
    machine = result.planned.setup.machine
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    moves = program.moves.only(program.moves.feed > 0)
    left = lagged_moves(moves, plan_speeds(moves, machine, moves.feed), machine)
    laid = deposit(left, Frame.of(program), packing=0.99, filament_diameter=1.75)
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
    assert led.filament.sum() * area - owed / 2 == pytest.approx(moves.filament.sum() * area, rel=1e-9)
    assert (led.filament >= 0).all()


def three(kinds, filament):
    """Three moves on one line, passed without a stop, and what a lead makes of their filament."""
    moves = polyline([[0, 0], [4, 0], [5, 0], [9, 0]], 20.0, filament)
    moves.kind[:] = kinds
    led, owed = lead_filament(moves, planned(moves), MACHINE)
    return led.filament, owed


def test_a_lead_sees_no_flow_beside_a_travel():
    fed, _ = three([Kind.WALL, Kind.TRAVEL, Kind.WALL], [0.1, 0.0, 0.2])
    assert fed == pytest.approx([0.1, 0.0, 0.2])


def test_a_link_draws_back_where_the_flow_falls():
    """Half the flow of either bead is wanted at the link's ends: it draws back τ times their difference."""
    fed, owed = three([Kind.WALL, Kind.LINK, Kind.WALL], [0.4, 0.0, 0.1])
    half = MACHINE.hot_end.lag * 20.0 / 4 / 2
    assert owed == 0
    assert fed == pytest.approx([0.4 + 0.4 * half, (0.1 - 0.4) * half, 0.1 - 0.1 * half])


def test_no_moves_and_no_lag(walk):
    none = Moves((0, 0, 0), *(np.zeros(0) for _ in range(5)), np.zeros(0, np.uint8), np.zeros(0, np.int32))
    assert lagged_volume(none, planned(none), MACHINE, 2.0).size == 0
    assert held_volume(none, np.zeros(0), MACHINE, 2.0) == 2.0
    assert lead_filament(none, planned(none), MACHINE, 0.5) == (none, 0.5)
    moves, machine = walk(6), with_lag(0.0)
    assert lead_filament(moves, planned(moves, machine), machine)[0] is moves


class Asked:
    """A recorder that keeps the flow of deposits, mm³/s, at the feeds a program asks for."""

    def __init__(self):
        self.flow = []

    def take(self, moves, feed, speeds):
        path = np.hypot(np.diff(moves.x, prepend=moves.start[0]), np.diff(moves.y, prepend=moves.start[1]))
        bead = np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN)) & (path > 1e-6)
        self.flow.append((moves.filament * filament_area(1.75) * feed)[bead] / path[bead])


def test_lead_asks_no_more_of_the_hot_end_than_it_melts(tmp_path):
    """A wall whose flow is just under the melt rate: every rise of it would ask for more than that."""
    wall = np.tile(np.where(np.arange(400) // 50 % 2, 1.0, 1.6), (10, 1))
    machine = msgspec.structs.replace(
        MACHINE, hot_end=msgspec.structs.replace(MACHINE.hot_end, melt_rate=1.2)
    )
    most = {}
    for lead in ("off", "on"):
        recorder = Asked()
        with open(tmp_path / f"{lead}.gcode", "w+b") as stream:
            write(plan_panel(wall, Job(lead=lead, brim=0.0), machine), stream, recorder=recorder)
        most[lead] = max(flow.max() for flow in recorder.flow)
    assert most["off"] < most["on"] <= 1.2 * (1 + 1e-9)


def test_how_a_panel_is_cut_into_blocks_does_not_show(tmp_path, monkeypatch):
    wall = np.tile(1.2 + 0.6 * (np.arange(300) // 40 % 2), (40, 1))
    texts = []
    for cells in (1 << 17, 1500):
        monkeypatch.setattr("pathgen.program.sequence.CELLS_PER_BLOCK", cells)
        make(wall, tmp_path / "a.gcode", Job(lead="on", brim=0.0, rim_width=0.0))
        texts.append((tmp_path / "a.gcode").read_bytes())
    assert texts[0] == texts[1]


def test_split_moves_follow_the_same_path(walk):
    moves = walk(4, n=40, layers=1)
    pieces = split_moves(moves, 0.5)
    assert pieces.filament.sum() == pytest.approx(moves.filament.sum())
    assert pieces.end == pytest.approx(moves.end)
    assert planned(pieces).time.sum() == pytest.approx(planned(moves).time.sum(), rel=1e-6)
    # 0.1 + 0.2 is a last digit over three pieces, which must not make a fourth.
    assert (0.1 + 0.2) / 0.1 > 3
    assert len(split_moves(polyline([[0, 0], [0.1 + 0.2, 0]], 20.0, 1.0), 0.1)) == 3
