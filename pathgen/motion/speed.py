"""Plan the actual speed of every move, with exact look-ahead within the controller's queue.

Model. Every move has a constant acceleration a up to a constant feed F and back down (a trapezoid, or a
triangle for a short move). At the junction of two moves, the speed along the path is the same before and
after, and within the limit of the junction. With c_i the square of the maximum speed at junction i and S_i
the sum of 2·a·L over the moves before it, the maximum speeds that acceleration can reach going forward are

    f = S + cummin(c − S),    and with braking in time    b = cummin over later junctions (f + S) − S,

which is v² = v0² + 2aL for all moves at once (standard kinematics). S itself is never computed: it grows into
the millions, and its differences would lose the digits that short moves need.

Junction limits follow the profile. `deviation` bounds the distance by which the path may be cut,
v² = a·δ·s/(1 − s), s = sin(θ/2), with θ the interior angle (S. Jeon, 2011) and a the smaller acceleration of
the two moves. `step` bounds the instantaneous change of velocity of every axis, filament included.

A controller knows only the next N moves (`queue` of the profile), and must be able to stop at the end of the
last of them. By convention, at the junction after move i it knows the moves i + 1 to i + N; the move that
begins there is the first. This gives the additional limit

    v_i² ≤ S_{i+N} − S_i,

which is included in c. No other limit is needed: a junction limit beyond the known moves allows at least the
stop at their end, so f and b are the speeds of a controller that plans again at every junction with the N
moves that it knows there. Moves of zero length do not occupy the queue.

The head is at rest at the first move, at the last, at the beginning of each layer, and around moves of
filament alone. Not modelled: jerk; the jump of the filament speed at a junction under `deviation`; and
waiting for program lines, which `pathgen.motion.supply` adds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.motion.moves import Floats, Moves
from pathgen.settings import Machine

AXES = ("x", "y", "z", "filament")
MIN_LENGTH = 1e-9  # mm; a shorter move is a rounding error, and its direction is meaningless


@dataclass(frozen=True, slots=True)
class SpeedPlan:
    """Speeds and times of N moves.

    Attributes
    ----------
    entry, exit, peak : (N,) float64
        Speed along the path, mm/s; speed of the filament if the head is at rest.
    time : (N,) float64
        Duration, s.
    """

    entry: Floats
    exit: Floats
    peak: Floats
    time: Floats


@dataclass(frozen=True, slots=True)
class _Geometry:
    """Lengths of moves, their components along each axis (x, y, z, filament), and filament-only moves."""

    length: Floats
    share: NDArray[np.float64]
    alone: NDArray[np.bool_]


def _compute_geometry(moves: Moves) -> _Geometry:
    share = np.empty((4, len(moves)))
    for row, values, first in zip(share, (moves.x, moves.y, moves.z), moves.start, strict=False):
        np.subtract(values[1:], values[:-1], out=row[1:])
        row[:1] = values[:1] - first
    share[3] = moves.filament
    length = np.sqrt(np.einsum("ij,ij->j", share[:3], share[:3]))
    resting = length <= MIN_LENGTH
    alone = resting & (np.abs(moves.filament) > MIN_LENGTH)
    length[resting] = 0.0
    share[:3, resting] = 0.0
    np.abs(moves.filament, out=length, where=alone)
    share /= np.where(length > 0, length, 1.0)
    return _Geometry(length, share, alone)


def limit_feed(moves: Moves, machine: Machine) -> Floats:
    """Reduce the requested feeds to the limits of the axes and the hot end.

    Parameters
    ----------
    moves : Moves
    machine : Machine

    Returns
    -------
    (N,) float64
        mm/s along the path. The speed along each axis is within the feed of that axis, and the flow is within
        the melt rate of the hot end; a reload is exempt, because its plastic is already molten. Empty if
        there are no moves.

    Raises
    ------
    PathgenError
        If the feed of a move of nonzero length is not above 0.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> no, kind, layer = 0 * one, one.astype("u1"), one.astype("i4")
    >>> up = Moves((0, 0, 0), no, no, one, no, 90 * one, kind, layer)
    >>> limit_feed(up, load_machine("moving-table")).tolist()
    [10.0]
    """
    shape = _compute_geometry(moves)
    _check_feed(moves.feed, shape.length)
    feed = moves.feed.copy()
    with np.errstate(divide="ignore"):
        for axis, share in zip(AXES, shape.share, strict=True):
            np.minimum(feed, getattr(machine.axes, axis).feed / np.abs(share), out=feed)
        melted = np.where(shape.alone, 0.0, shape.share[3].clip(0) * machine.hot_end.section)
        np.minimum(feed, machine.hot_end.melt_rate / melted, out=feed)
    return feed


def _check_feed(feed: Floats, length: Floats) -> None:
    wrong = ~(feed > 0) & (length > 0)  # NaN is also wrong
    if wrong.any():
        row = int(np.argmax(wrong))
        raise PathgenError(f"the feed is {feed[row]:g} mm/s", where=f"move {row + 1}", allowed="more than 0")


def plan_speeds(moves: Moves, machine: Machine, feed: Floats | None = None) -> SpeedPlan:
    """Plan the speed of every move.

    Parameters
    ----------
    moves : Moves
        The result is independent of the division into blocks at layers.
    machine : Machine
        Acceleration and junction limits, and the number of moves of look-ahead.
    feed : (N,) float64, optional
        Target speed, mm/s; by default the result of `limit_feed`.

    Returns
    -------
    SpeedPlan
        Moves of zero length take no time and do not interrupt the motion. Empty if there are no moves.

    Raises
    ------
    PathgenError
        If the feed of a move of nonzero length is not above 0.

    Examples
    --------
    From rest to rest over 5 mm at 1000 mm/s² takes √(4·5/1000) s; the feed is not reached.

    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> no, kind, layer = 0 * one, one.astype("u1"), one.astype("i4")
    >>> along = Moves((0, 0, 0), 5 * one, no, no, no, 100 * one, kind, layer)
    >>> plan = plan_speeds(along, load_machine("moving-table"))
    >>> plan.peak.round(3).tolist(), plan.time.round(7).tolist()
    ([70.711], [0.1414214])
    """
    feed = limit_feed(moves, machine) if feed is None else feed
    shape = _compute_geometry(moves)
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
    forward = _after_earlier(cap, gain)
    squares = _after_earlier(forward[::-1], gain[::-1])[::-1]
    v0, v1, peak, time = _trapezoid(length, gain, speed, squares)
    if real.all():
        return SpeedPlan(v0, v1, peak, time)
    whole = np.zeros((4, len(moves)))
    whole[:, real] = v0, v1, peak, time
    passed = np.cumsum(real)[~real]  # number of moves before each of zero length
    whole[:3, ~real] = np.concatenate([[0.0], v1])[passed]
    return SpeedPlan(*whole)


def _trapezoid(
    length: Floats, gain: Floats, speed: Floats, squares: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Compute entry, exit and peak speed, and time, of moves from the squared speeds at the junctions.

    Times are distances divided by mean speeds; differences of nearly equal speeds divided by an acceleration
    would be inexact for the shortest moves.
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
    """Compute the maximum acceleration along each move within the limits of all axes, mm/s²."""
    limit = np.full(len(shape.length), np.inf)
    with np.errstate(divide="ignore"):
        for axis, share in zip(AXES, shape.share, strict=True):
            np.minimum(limit, getattr(machine.axes, axis).acceleration / np.abs(share), out=limit)
    return limit


def _junction(shape: _Geometry, acceleration: Floats, machine: Machine) -> Floats:
    """Compute the square of the maximum speed between each move and the next, (N − 1,), mm²/s²."""
    with np.errstate(divide="ignore"):
        if machine.junction.rule == "step":
            speed: Floats = np.full(max(len(shape.length) - 1, 0), np.inf)
            for axis, share in zip(AXES, shape.share, strict=True):
                np.minimum(speed, getattr(machine.axes, axis).step_change / np.abs(np.diff(share)), out=speed)
            return speed**2
        both = shape.share[:3, 1:] + shape.share[:3, :-1]  # of length 2·sin(θ/2); zero at a reversal
        half = np.minimum(np.sqrt(np.einsum("ij,ij->j", both, both)) / 2, 1.0)
        usable = np.minimum(acceleration[1:], acceleration[:-1])
        squares: Floats = usable * machine.junction.deviation * half / (1 - half)
        return squares


def _stoppable(gain: Floats, queue: int) -> Floats:
    """Compute the squared speed from which the head can stop within the next `queue` moves.

    The sum over a window is built from sums over 1, 2, 4, … moves, because differences of S would lose
    digits. The last windows end at the last move, where the head is at rest.
    """
    ahead = np.zeros_like(gain)
    span = gain.copy()  # gain over the next `step` moves
    step, have = 1, 0
    while have < min(queue, len(gain)):
        if queue & step:
            ahead[: len(gain) - have] += span[have:]
            have += step
        span[:-step] += span[step:].copy()
        step *= 2
    return ahead


def _after_earlier(cap: Floats, gain: Floats) -> Floats:
    """Lower each limit to the value that can be reached from all earlier limits: S + cummin(cap − S).

    The window doubles until no earlier limit can apply, which takes a few rounds with real moves. Gains are
    only added, so each result is exact to its last digits, independent of the preceding moves in the block.
    """
    reached = cap.copy()
    span = np.concatenate([[np.inf], gain])  # gain over the last `step` moves; inf if there are fewer
    step = 1
    while step < len(cap):
        np.minimum(reached[step:], reached[:-step] + span[step:], out=reached[step:])
        if (span >= reached).all():
            break
        span[step:] += span[:-step]
        step *= 2
    return reached
