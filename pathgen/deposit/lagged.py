"""Compute the volume that leaves the nozzle when the hot end's pressure lags behind the filament feed.

Glossary. *Flow* Q: volume fed per second. *Outflow* q: volume that leaves the nozzle per second. *Lag* τ:
time constant of the hot end, s. *Held volume*: volume fed that has not left yet, τ·q.

Model. The melt and the filament are compressed like a spring, and the outflow is proportional to the
pressure. The outflow therefore follows the flow as a first-order system, τ·dq/dt = Q − q. A move feeds in
proportion to its path, so Q is linear in time while the head accelerates, cruises and brakes. Each of these
three phases has a closed form, the response of the system to a step and a ramp. With x = T/τ and Q changing
from Q0 to Q1 in the time T,

    q1 = q0·e⁻ˣ + Q1·(1 − m) + Q0·(m − e⁻ˣ),    m = (1 − e⁻ˣ)/x.

The three phases of a move combine to q' = keep·q + gain, and a scan chains the moves. The integral of the
model over a move is exact: volume that leaves = volume fed − τ·(q at its end − q at its start). Volume is
conserved: over any number of moves, volume fed = volume that left + volume held.

References: first-order systems, K. Ogata, Modern Control Engineering, ch. 5 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Speeds = tuple[Floats, Floats, Floats]  # at the start of each move, at its fastest, and at its end, mm/s

NEGLIGIBLE = 1e-18  # share of an earlier outflow that no longer changes a double


def apply_lag(
    volume: Floats, length: Floats, speeds: Speeds, time: Floats, lag: float, held: float = 0.0
) -> Floats:
    """Return the volume that leaves the nozzle during each move.

    Parameters
    ----------
    volume : (N,) float64
        Volume fed during each move, mm³.
    length : (N,) float64
        Length along which the speeds are measured, mm.
    speeds : (entry, peak, exit), each (N,) float64
        Speeds of the trapezoid of each move, mm/s.
    time : (N,) float64
        Duration of each move, s.
    lag : float
        Time constant of the hot end, s; 0 returns `volume`.
    held : float
        Volume held before the first move, mm³. It cannot be held without a lag.

    Returns
    -------
    (N,) float64
        mm³; empty for no moves. Negative only where more is drawn back than was held.

    Examples
    --------
    A bead of 10 mm³ in 1 s at constant speed, from an empty nozzle: τ·(1 − e^(−1/τ)) of each mm³/s is held at
    the end.

    >>> volume, length, speed, time = np.array([[10.0], [20.0], [20.0], [1.0]])
    >>> apply_lag(volume, length, (speed, speed, speed), time, lag=0.08).round(4).tolist()
    [9.2]
    """
    if lag == 0 or not len(volume):
        return volume
    keep, gain = _respond(volume, length, speeds, time, lag)
    before = held / lag
    outflow = np.concatenate([[before], chain_moves(keep, gain, before)])
    return np.asarray(volume - lag * np.diff(outflow))


def ramp_times(length: Floats, speeds: Speeds, time: Floats) -> tuple[Floats, Floats]:
    """Return the time in which each move accelerates, and the time in which it brakes.

    Parameters
    ----------
    length : (N,) float64
        mm.
    speeds : (entry, peak, exit), each (N,) float64
        mm/s.
    time : (N,) float64
        s.

    Returns
    -------
    accelerating, braking : (N,) float64
        s.

    Notes
    -----
    The acceleration a follows from the area of the trapezoid: with length L, time T and speeds u, w, P,
    1/a = 2·(P·T − L)/((P − u)² + (P − w)²).

    Examples
    --------
    From rest to 10 mm/s and back to rest in 3 s, over 20 mm:

    >>> rest, peak = np.zeros(1), np.full(1, 10.0)
    >>> [part.tolist() for part in ramp_times(np.full(1, 20.0), (rest, peak, rest), np.full(1, 3.0))]
    [[1.0], [1.0]]
    """
    entry, peak, leaving = speeds
    rise, fall = peak - entry, peak - leaving
    square = rise**2 + fall**2
    late = np.maximum(peak * time - length, 0.0)
    inverse = np.divide(2 * late, square, out=np.zeros(len(late)), where=square > 0)
    # For equal speeds the quotient is a rounding error. The bounds keep it harmless, because such a ramp is
    # flat.
    up = np.minimum(rise * inverse, time)
    return up, np.minimum(fall * inverse, time - up)


def chain_moves(keep: Floats, gain: Floats, before: float) -> Floats:
    """Return the outflow at the end of each move: q[i] = keep[i]·q[i − 1] + gain[i].

    Parameters
    ----------
    keep : (N,) float64
        Share of the outflow that remains after each move, 0 to 1.
    gain : (N,) float64
        Outflow that each move adds, mm³/s.
    before : float
        Outflow before the first move, mm³/s.

    Returns
    -------
    (N,) float64
        mm³/s.

    Notes
    -----
    The windows of the scan double: after each round, a row contains the effect of the last `step` moves. As
    `keep` falls by a factor of e every τ seconds, the number of rounds does not depend on the number of
    moves.

    Examples
    --------
    >>> chain_moves(np.array([0.5, 0.5]), np.array([1.0, 1.0]), 4.0).tolist()
    [3.0, 2.5]
    """
    outflow, share = gain.copy(), keep.copy()
    outflow[0] += keep[0] * before
    share[0] = 0.0
    step = 1
    while step < len(keep) and share.max() > NEGLIGIBLE:
        outflow[step:] += share[step:] * outflow[:-step]
        share[step:] *= share[:-step]
        step *= 2
    return outflow


def _respond(
    volume: Floats, length: Floats, speeds: Speeds, time: Floats, lag: float
) -> tuple[Floats, Floats]:
    """Return the coefficients `keep` and `gain` of each move in q' = keep·q + gain."""
    up, down = ramp_times(length, speeds, time)
    per_mm = np.divide(volume, length, out=np.zeros(len(volume)), where=length > 0)
    keep, gain = np.ones(len(volume)), np.zeros(len(volume))
    entry, peak, leaving = speeds
    phases = ((entry, peak, up), (peak, peak, time - up - down), (peak, leaving, down))
    for first, last, duration in phases:
        x = duration / lag
        stay = np.exp(-x)
        mean = np.divide(-np.expm1(-x), x, out=np.ones(len(x)), where=x > 0)
        gain = gain * stay + per_mm * (last * (1 - mean) + first * (mean - stay))
        keep *= stay
    return keep, gain
