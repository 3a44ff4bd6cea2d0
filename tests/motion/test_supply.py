"""Waiting for program lines, against the recursion carried out one line at a time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pathgen.motion import Supply
from pathgen.settings import load_machine


def controller(rate, queue):
    return replace(load_machine("ngc-lab"), blocks_per_second=rate, queue=queue)


def one_by_one(time, rate, queue):
    """Wait before each move: line i comes 1/rate after line i − 1, or after move i − queue has begun."""
    waits, begun, taken, free = [], [], [], 0.0
    for i, duration in enumerate(time):
        taken.append(max(taken[-1], begun[i - queue]) + 1 / rate if i >= queue else float("-inf"))
        begun.append(max(free, taken[-1]))
        waits.append(begun[-1] - free)
        free = begun[-1] + duration
    return np.array(waits)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    queue=st.sampled_from([1, 2, 3, 16, 64, 5000]),
    rate=st.sampled_from([20.0, 100.0, 150.0, 1000.0]),
    cuts=st.lists(st.integers(0, 1500), max_size=5),
)
def test_agrees_with_the_lines_one_by_one(seed, queue, rate, cuts):
    """Moves of 7 ms, give or take a factor of four, some of no time; however they are cut into blocks."""
    rng = np.random.default_rng(seed)
    time = np.exp(rng.normal(-5, 1.4, 1500)) * (rng.random(1500) < 0.98)
    supply = Supply(controller(rate, queue))
    waits = np.concatenate([supply.take(part) for part in np.split(time, sorted(cuts))])
    real = time > 0
    assert waits[real] == pytest.approx(one_by_one(time[real], rate, queue), abs=1e-9)
    assert (waits[~real] == 0).all() and (waits >= 0).all()
    assert supply.waited == pytest.approx(waits.sum(), abs=1e-9)


def test_many_short_moves_take_as_long_as_their_lines():
    """In the long run 1/r a line, whatever the queue, which only delays the first wait."""
    for queue in (1, 16, 200):
        supply = Supply(controller(100.0, queue))
        waits = supply.take(np.full(10_000, 0.002))
        assert waits[: queue + 1].sum() + 0.002 * queue == pytest.approx(max(0.002 * queue, 0.01), abs=0.011)
        assert waits[5000:] == pytest.approx(0.008)


def test_a_long_move_fills_the_buffer():
    """One of 1 s lets 16 lines in; the 17th comes while those are carried out, in 16 ms; the 18th is late."""
    time = np.concatenate([np.full(50, 0.001), [1.0], np.full(50, 0.001)])
    waits = Supply(controller(100.0, 16)).take(time)
    assert (waits[51:68] == 0).all() and waits[68] == pytest.approx(0.003)


@pytest.mark.parametrize("name", ["moving-table", "moving-gantry", "long-tube", "ngc-lab"])
def test_nobody_waits_where_moves_last_longer_than_lines(name):
    machine = load_machine(name)
    supply = Supply(machine)
    assert (supply.take(np.full(1000, 1.0 / machine.blocks_per_second)) <= 1e-12).all()
    assert supply.waited == pytest.approx(0.0, abs=1e-12)


def test_nothing_waits_for_nothing():
    supply = Supply(load_machine("ngc-lab"))
    assert supply.take(np.zeros(0)).shape == (0,) and supply.take(np.zeros(3)).tolist() == [0.0] * 3
    assert supply.waited == 0.0
