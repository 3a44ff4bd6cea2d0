"""The lag model on arrays: the scan against a plain loop, conservation, known responses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from pathgen.deposit.lagged import apply_lag, chain_moves, ramp_times


def test_the_scan_agrees_with_a_plain_loop():
    rng = np.random.default_rng(0)
    keep = np.exp(-rng.exponential(0.05, 3000))
    keep[500:1700] = 1.0  # nothing leaves for long: no window may end too early
    keep[2000], gain = 0.0, rng.uniform(0, 1, 3000)
    outflow, expected = 7.0, []
    for k, g in zip(keep, gain, strict=True):
        outflow = k * outflow + g
        expected.append(outflow)
    assert chain_moves(keep, gain, 7.0) == pytest.approx(expected, rel=1e-12)


def test_a_constant_share_is_scipys_recursive_filter():
    gain = np.random.default_rng(1).uniform(0, 1, 500)
    expected, _ = lfilter([1.0], [1.0, -0.9], gain, zi=[0.9 * 3.0])
    assert chain_moves(np.full(500, 0.9), gain, 3.0) == pytest.approx(expected, rel=1e-12)


@given(st.floats(1e-3, 5), st.floats(0, 20), st.integers(0, 2**32 - 1))
def test_what_was_held_leaves_exponentially(lag, held, seed):
    """A linear model: what was held before leaves by itself, on top of what leaves an empty nozzle."""
    rng = np.random.default_rng(seed)
    time, speed, volume = rng.uniform(0.01, 1, 9), rng.uniform(1, 100, 9), rng.uniform(0, 3, 9)
    args = (volume, speed * time, (speed, speed, speed), time, lag)
    more = np.cumsum(apply_lag(*args, held) - apply_lag(*args))
    assert more == pytest.approx(held * -np.expm1(-np.cumsum(time) / lag), abs=1e-9)


def test_at_constant_flow_all_but_the_first_lag_leaves():
    one = np.ones(50)
    left = apply_lag(2.0 * one, 10.0 * one, (10.0 * one,) * 3, one, 0.05)
    assert left[1:] == pytest.approx(2.0)
    assert left[0] == pytest.approx(2.0 - 0.05 * 2.0)


def test_without_a_lag_or_moves_nothing_changes():
    one = np.ones(3)
    assert apply_lag(one, one, (one, one, one), one, 0.0) is one
    assert apply_lag(one[:0], one[:0], (one[:0],) * 3, one[:0], 0.1, 4.0).size == 0


@given(st.floats(0, 50), st.floats(0, 50), st.floats(1, 80), st.floats(100, 5000), st.floats(0, 5))
def test_ramps_are_those_of_the_acceleration(entry, leaving, over, acceleration, cruise):
    peak = max(entry, leaving) + over
    up, down = (peak - entry) / acceleration, (peak - leaving) / acceleration
    length = (entry + peak) / 2 * up + peak * cruise + (peak + leaving) / 2 * down
    found = ramp_times(
        np.array([length]),
        (np.array([entry]), np.array([peak]), np.array([leaving])),
        np.array([up + cruise + down]),
    )
    assert [part[0] for part in found] == pytest.approx([up, down], rel=1e-6, abs=1e-9)
