"""How fast the machine really goes: exact look-ahead over the moves its controller knows, without a loop.

Model. Every move has a constant acceleration a up to a constant feed F and down again (a trapezoid, a
triangle where it is short); at the junction of two moves the speed along the path is the same before and
after, and no higher than the junction allows. With c_i the square of the speed allowed at junction i and S_i
the sum of 2·a·L over the moves before it, the fastest speeds that acceleration can reach going forward are

    f = S + cummin(c − S),    and then braking in time    b = cummin over later junctions (f + S) − S,

which is v² = v0² + 2aL written for all moves at once (standard kinematics). S itself is never formed: it
grows into the millions, and its differences would lose the digits that short moves need.

Junctions follow the profile: `deviation` bounds how far the path may be cut, v² = a·δ·s/(1 − s),
s = sin(θ/2), θ the interior angle (S. Jeon, 2011), a the smaller of the two moves'; `step` bounds the
instantaneous change of velocity of every axis, filament included.

A controller knows only so many moves ahead, N (the profile's `queue`), and must be able to stop by the end of
the last of them. The convention: at the junction after move i it knows the moves i + 1 to i + N, the one that
begins there counted as the first, so

    v_i² ≤ S_{i+N} − S_i,

a further cap that goes into c with the others. Nothing more is needed: a cap beyond the known moves allows no
less than the stop at their end does, so f and b are the speeds of a controller that plans anew at every
junction with the N moves it then knows. Moves of no length have no place in the queue.

The head rests at the first move, at the last, where a layer begins and around moves of filament alone. Left
out: jerk; under `deviation` the jump of the filament's speed at a junction; and waiting for program lines,
which `pathgen.motion.supply` adds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.motion.moves import Floats, Moves
from pathgen.settings import Machine

AXES = ("x", "y", "z", "filament")
LEAST = 1e-9  # mm; shorter is what rounding leaves of nothing, and its direction means nothing


@dataclass(frozen=True, slots=True)
class SpeedPlan:
    """Speeds and times of N moves.

    Attributes
    ----------
    entry, exit, peak : (N,) float64
        Speed along the path (of the filament where the head rests), mm/s.
    time : (N,) float64
        Duration, s.
    """

    entry: Floats
    exit: Floats
    peak: Floats
    time: Floats


@dataclass(frozen=True, slots=True)
class _Geometry:
    """Path length, per-axis share of the path (columns x, y, z, filament), and moves that rest the head."""

    length: Floats
    share: NDArray[np.float64]
    alone: NDArray[np.bool_]


def _geometry(moves: Moves) -> _Geometry:
    share = np.empty((4, len(moves)))
    for row, values, first in zip(share, (moves.x, moves.y, moves.z), moves.start, strict=False):
        np.subtract(values[1:], values[:-1], out=row[1:])
        row[:1] = values[:1] - first
    share[3] = moves.filament
    length = np.sqrt(np.einsum("ij,ij->j", share[:3], share[:3]))
    resting = length <= LEAST
    alone = resting & (np.abs(moves.filament) > LEAST)
    length[resting] = 0.0
    share[:3, resting] = 0.0
    np.abs(moves.filament, out=length, where=alone)
    share /= np.where(length > 0, length, 1.0)
    return _Geometry(length, share, alone)


def limit_feed(moves: Moves, machine: Machine) -> Floats:
    """Slow the wanted feeds to what axes and hot end can do.

    Parameters
    ----------
    moves : Moves
    machine : Machine

    Returns
    -------
    (N,) float64
        mm/s along the path. A share of the path along an axis may not exceed that axis's feed, and no more
        plastic be asked for in a second than the hot end melts; what a retraction took back is molten
        already. Empty for no moves.

    Raises
    ------
    PathgenError
        When a move that goes somewhere has a feed that is not more than 0.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> no, kind, layer = 0 * one, one.astype("u1"), one.astype("i4")
    >>> up = Moves((0, 0, 0), no, no, one, no, 90 * one, kind, layer)
    >>> limit_feed(up, load_machine("moving-table")).tolist()
    [10.0]
    """
    shape = _geometry(moves)
    _check_feed(moves.feed, shape.length)
    feed = moves.feed.copy()
    with np.errstate(divide="ignore"):
        for axis, share in zip(AXES, shape.share, strict=True):
            np.minimum(feed, getattr(machine.axes, axis).feed / np.abs(share), out=feed)
        melted = np.where(shape.alone, 0.0, shape.share[3].clip(0) * machine.hot_end.section)
        np.minimum(feed, machine.hot_end.melt_rate / melted, out=feed)
    return feed


def _check_feed(feed: Floats, length: Floats) -> None:
    wrong = ~(feed > 0) & (length > 0)  # NaN is wrong too
    if wrong.any():
        row = int(np.argmax(wrong))
        raise PathgenError(f"feed is {feed[row]:g} mm/s", where=f"move {row + 1}", allowed="more than 0")


def plan_speeds(moves: Moves, machine: Machine, feed: Floats | None = None) -> SpeedPlan:
    """Plan the speed of every move.

    Parameters
    ----------
    moves : Moves
        How they are cut into blocks at layers does not show in the result.
    machine : Machine
        Acceleration and junction limits, and how many moves the controller looks ahead.
    feed : (N,) float64, optional
        Speed to aim at, mm/s; by default what `limit_feed` allows.

    Returns
    -------
    Plan
        Moves of no length take no time and break no chain. Empty for no moves.

    Raises
    ------
    PathgenError
        When a move that goes somewhere has a feed that is not more than 0.

    Examples
    --------
    From rest to rest over 5 mm at 1000 mm/s²: √(4·5/1000) s, the feed is never reached.

    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> no, kind, layer = 0 * one, one.astype("u1"), one.astype("i4")
    >>> along = Moves((0, 0, 0), 5 * one, no, no, no, 100 * one, kind, layer)
    >>> plan = plan_speeds(along, load_machine("moving-table"))
    >>> plan.peak.round(3).tolist(), plan.time.round(7).tolist()
    ([70.711], [0.1414214])
    """
    feed = limit_feed(moves, machine) if feed is None else feed
    shape = _geometry(moves)
    _check_feed(feed, shape.length)
    real = shape.length > 0
    if not real.all():
        shape = _Geometry(shape.length[real], shape.share[:, real], shape.alone[real])
    length, speed, layer = shape.length, feed[real], moves.layer[real]
    if not len(length):
        return SpeedPlan(*(np.zeros(len(moves)) for _ in range(4)))
    acceleration = _acceleration(shape, machine)

    cap = np.zeros(len(length) + 1)
    cap[1:-1] = _junction(shape, acceleration, machine)
    np.minimum(cap[1:-1], np.minimum(speed[1:], speed[:-1]) ** 2, out=cap[1:-1])
    rests = shape.alone[1:] | shape.alone[:-1] | (layer[1:] != layer[:-1])
    cap[1:-1][rests] = 0.0

    gain = 2 * acceleration * length
    np.minimum(cap[:-1], _stoppable(gain, machine.queue), out=cap[:-1])
    squares = _reachable(cap, gain)
    v0, v1, peak, time = _trapezoid(length, gain, speed, squares)
    if real.all():
        return SpeedPlan(v0, v1, peak, time)
    whole = np.zeros((4, len(moves)))
    whole[:, real] = v0, v1, peak, time
    whole[:3, ~real] = np.concatenate([[0.0], v1])[np.cumsum(real)[~real]]  # the speed they are passed at
    return SpeedPlan(*whole)


def _trapezoid(
    length: Floats, gain: Floats, speed: Floats, squares: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Entry, exit and peak speed, and time, of moves between junctions whose squared speeds are given.

    Times are distances over mean speeds: differences of nearly equal speeds over an acceleration would be
    inexact in the shortest moves.
    """
    enter, leave = squares[:-1], squares[1:]
    top = np.minimum(speed**2, (enter + leave + gain) / 2)
    v, peak = np.sqrt(squares), np.sqrt(top)
    v0, v1 = v[:-1], v[1:]
    up, down = np.maximum(top - enter, 0.0) / gain, np.maximum(top - leave, 0.0) / gain
    time = 2 * up / (v0 + peak)
    time += 2 * down / (v1 + peak)
    time += np.maximum(1.0 - up - down, 0.0) / peak
    time *= length
    return v0, v1, peak, time


def _acceleration(shape: _Geometry, machine: Machine) -> Floats:
    """Largest acceleration along each move's path that no axis's limit forbids, mm/s²."""
    limit = np.full(len(shape.length), np.inf)
    with np.errstate(divide="ignore"):
        for axis, share in zip(AXES, shape.share, strict=True):
            np.minimum(limit, getattr(machine.axes, axis).acceleration / np.abs(share), out=limit)
    return limit


def _junction(shape: _Geometry, acceleration: Floats, machine: Machine) -> Floats:
    """Square of the speed allowed between each move and the next, (N − 1,) mm²/s²."""
    with np.errstate(divide="ignore"):
        if machine.junction.rule == "step":
            speed: Floats = np.full(max(len(shape.length) - 1, 0), np.inf)
            for axis, share in zip(AXES, shape.share, strict=True):
                np.minimum(speed, getattr(machine.axes, axis).step_change / np.abs(np.diff(share)), out=speed)
            return speed**2
        both = shape.share[:3, 1:] + shape.share[:3, :-1]  # twice sin(θ/2) long; none at a reversal
        half = np.minimum(np.sqrt(np.einsum("ij,ij->j", both, both)) / 2, 1.0)
        usable = np.minimum(acceleration[1:], acceleration[:-1])
        squares: Floats = usable * machine.junction.deviation * half / (1 - half)
        return squares


def _stoppable(gain: Floats, queue: int) -> Floats:
    """Square of the speed from which the `queue` moves after each junction suffice to stop, S_{i+N} − S_i.

    A window's sum is put together from those of 1, 2, 4, … moves: differences of S would lose digits. The
    last windows are cut off at the end, where the head rests.
    """
    ahead = np.zeros_like(gain)
    span = gain.copy()  # gained over the next `step` moves
    step, have = 1, 0
    while have < min(queue, len(gain)):
        if queue & step:
            ahead[: len(gain) - have] += span[have:]
            have += step
        span[:-step] += span[step:].copy()
        step *= 2
    return ahead


def _reachable(cap: Floats, gain: Floats) -> Floats:
    """Squares of the junction speeds that the caps and the gain 2·a·L of each move between them allow."""
    forward = _after_earlier(cap, gain)
    return _after_earlier(forward[::-1], gain[::-1])[::-1]


def _after_earlier(cap: Floats, gain: Floats) -> Floats:
    """Lower each cap to what every earlier one and the gain since then allow: S + cummin(cap − S).

    Windows double until none left could bind, a few rounds with real moves. Gains are only ever added, so
    each result is exact to its own last digits, whatever stands before it in the block.
    """
    reached = cap.copy()
    span = np.concatenate([[np.inf], gain])  # gained over the last `step` moves; inf: there are not so many
    step = 1
    while step < len(cap):
        np.minimum(reached[step:], reached[:-step] + span[step:], out=reached[step:])
        if (span >= reached).all():
            break
        span[step:] += span[:-step]
        step *= 2
    return reached
