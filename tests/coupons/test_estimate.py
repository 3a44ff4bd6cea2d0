"""Figures from readings: that their intervals hold the truth, and that they refuse what says nothing.

Coverage: of 100 runs with hidden truth and stated noise, an interval of 95 % holds the truth in at least 90
but for one case in 80 (binomial distribution). Seeds are fixed, so a run always comes out alike.
"""

import doctest

import numpy as np
import pytest
from scipy import optimize, stats

from pathgen.coupons import estimate
from pathgen.coupons.estimate import estimate_mean, estimate_peak, estimate_threshold, least_squares
from pathgen.errors import PathgenError

RUNS = 50


def covered(once):
    """How many of the runs hold the truth, and how wide their intervals are in the middle."""
    kept, wide = 0, []
    for seed in range(RUNS):
        truth, low, high = once(np.random.default_rng(seed))
        kept += low <= truth <= high
        wide.append(high - low)
    return kept, float(np.median(wide))


def test_examples_run():
    assert doctest.testmod(estimate).failed == 0


def test_mean_covers_and_is_students():
    def once(rng):
        return (3.0, *estimate_mean(rng.normal(3.0, 0.2, 5), "heights")[1:])

    kept, wide = covered(once)
    assert kept >= 0.9 * RUNS and wide < 0.6
    values = np.array([2.9, 3.3, 3.1, 2.8])
    low, high = stats.t.interval(0.95, 3, values.mean(), stats.sem(values))
    assert estimate_mean(values, "heights") == pytest.approx((values.mean(), low, high))


@pytest.mark.parametrize("figure", [0, 1])
def test_least_squares_covers(figure):
    x, truth = np.arange(10.0), np.array([2.0, 4.0])

    def once(rng):
        read = 2 * np.exp(-x / 4) + rng.normal(0, 0.05, len(x))
        found = least_squares(lambda p: p[0] * np.exp(-x / p[1]), read, np.ones(2), BOUNDS, "decay")
        return truth[figure], found.low[figure], found.high[figure]

    kept, wide = covered(once)
    assert kept >= 0.9 * RUNS and wide < truth[figure] / 3


BOUNDS = (np.full(2, 0.01), np.full(2, 50.0))


def test_least_squares_is_scipys_curve_fit():
    x, rng = np.arange(12.0), np.random.default_rng(1)
    read = 2 * np.exp(-x / 4) + rng.normal(0, 0.05, len(x))
    found = least_squares(lambda p: p[0] * np.exp(-x / p[1]), read, np.ones(2), BOUNDS, "decay")
    values, covariance = optimize.curve_fit(lambda x, a, b: a * np.exp(-x / b), x, read, (1.0, 1.0))
    assert found.values == pytest.approx(values, rel=1e-4)
    assert found.covariance == pytest.approx(covariance, rel=1e-2)


@pytest.mark.parametrize("error", [0.01, 0.4, 0.8])
@pytest.mark.parametrize("steps", [7, 11])
def test_threshold_covers(error, steps):
    """Judged with an error of so many steps of the ladder."""
    at = np.arange(float(steps))

    def once(rng):
        truth = rng.uniform(1.5, steps - 2.5)
        return (truth, *estimate_threshold(at, at + rng.normal(0, error, steps) <= truth, "lean")[1:])

    kept, wide = covered(once)
    assert kept >= 0.9 * RUNS and wide < steps / 2


@pytest.mark.parametrize("noise", [0.004, 0.01, 0.02])
@pytest.mark.parametrize("steps", [7, 9, 15])
def test_peak_covers(noise, steps):
    at = np.linspace(180, 230, steps)

    def once(rng):
        truth = rng.uniform(185, 225)
        read = -0.4 * ((at - truth) / 50) ** 2 + rng.normal(0, noise, steps)
        return (truth, *estimate_peak(at, read, "light")[1:3])

    kept, wide = covered(once)
    assert kept >= 0.9 * RUNS and wide < 50 / 2


def test_peak_is_the_parabolas_vertex():
    x, rng = np.linspace(-3, 4, 12), np.random.default_rng(2)
    read = 5 - 0.7 * (x - 1.2) ** 2 + rng.normal(0, 0.1, len(x))
    value, _, _, line = estimate_peak(x, read, "light")
    a, b, c = np.polynomial.Polynomial.fit(x, read, 2).convert().coef[::-1]
    assert line == pytest.approx([a, b, c])
    assert value == pytest.approx(-b / (2 * a), abs=7 / 800)


def test_a_peak_beyond_the_end_is_at_the_end():
    x, wobble = np.arange(9.0), 0.01 * np.cos(9 * np.arange(9.0))
    assert estimate_peak(x, x + wobble, "light")[:3] == (8, 8, 8)
    assert estimate_peak(x, np.exp(-x / 3) + wobble, "light")[0] == 0
    assert estimate_peak(x, np.exp(x / 3) + wobble, "light")[0] == 8


X = np.arange(9.0)


@pytest.mark.parametrize(
    ("read", "why"),
    [
        ((X - 4) ** 2, "has no peak"),
        ((X - 4) ** 2 + 0.1 * np.cos(9 * X), "has no peak"),
        (np.full(9, 6.2146), "is the same at every step"),
        (np.cos(2.1 * X), "is the same at every step"),
    ],
)
def test_no_peak_is_refused(read, why):
    with pytest.raises(PathgenError, match=why):
        estimate_peak(X, read, "light")


@pytest.mark.parametrize(
    ("at", "holds", "why"),
    [
        (X, X < 20, "holds at every step"),
        (X, X > 20, "holds at no step"),
        (X, X > 4, "look random"),
        (X, X > 6, "look random"),
        (X, X % 2, "look random"),
        (X[:3], X[:3] < 2, "3 measurements of lean"),
        (np.ones(6), np.arange(6) % 2, "1 measurements of lean at different steps"),
    ],
)
def test_no_threshold_is_refused(at, holds, why):
    with pytest.raises(PathgenError, match=why):
        estimate_threshold(at, np.asarray(holds, float), "lean")


def test_blank_judgements_do_not_count():
    holds = np.where(X < 5, 1.0, 0.0)
    blanks = np.concatenate([holds, np.full(9, np.nan)])
    assert estimate_threshold(np.concatenate([X, X]), blanks, "lean") == estimate_threshold(X, holds, "lean")


def test_too_few_readings_are_refused():
    with pytest.raises(PathgenError, match="4 measurements of light"):
        estimate_peak(X[:4], X[:4], "light")
    with pytest.raises(PathgenError, match="2 measurements of heights"):
        estimate_mean(X[:2], "heights")
    with pytest.raises(PathgenError, match="at different steps"):
        estimate_peak(np.array([1.0, 1, 2, 2, 3, 3]), X[:6], "light")
