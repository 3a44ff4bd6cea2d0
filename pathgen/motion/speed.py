"""How fast the machine really goes: exact look-ahead over any number of moves, without a loop.

Model. Every move has a constant acceleration a up to a constant feed F and down again (a trapezoid, a triangle
where it is short); at the junction of two moves the speed along the path is the same before and after, and no
higher than the junction allows. With c_i the square of the speed allowed at junction i and S_i the sum of 2·a·L
over the moves before it, the fastest speeds that acceleration can reach going forward are

    f = S + cummin(c − S),    and then braking in time    b = cummin over later junctions (f + S) − S,

which is v² = v0² + 2aL written for all moves at once (standard kinematics). Junctions follow the profile:
`deviation` bounds how far the path may be cut, v² = a·δ·s/(1 − s), s = sin(θ/2), θ the interior angle
(S. Jeon, 2011); `step` bounds the instantaneous change of velocity of every axis, filament included.

The head rests at the first move, at the last, where a layer begins and around moves of filament alone. Left
out: jerk, and a controller's finite queue, which only slows down where hundreds of moves follow closely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.motion.moves import Floats, Moves
from pathgen.settings import Machine

AXES = ("x", "y", "z", "filament")


@dataclass(frozen=True, slots=True)
class Plan:
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
    alone = (length == 0) & (moves.filament != 0)
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
        plastic be asked for in a second than the hot end melts.
    """
    shape = _geometry(moves)
    feed = moves.feed.copy()
    with np.errstate(divide="ignore"):
        for axis, share in zip(AXES, shape.share, strict=True):
            np.minimum(feed, getattr(machine.axes, axis).feed / np.abs(share), out=feed)
        area = np.pi * machine.hot_end.filament_diameter**2 / 4
        melted = np.where(shape.alone, 0.0, shape.share[3].clip(0) * area)
        np.minimum(feed, machine.hot_end.melt_rate / melted, out=feed)
    return feed


def plan_speeds(moves: Moves, machine: Machine, feed: Floats | None = None) -> Plan:
    """Plan the speed of every move.

    Parameters
    ----------
    moves : Moves
        How they are cut into blocks at layers does not show in the result.
    machine : Machine
        Acceleration and junction limits.
    feed : (N,) float64, optional
        Speed to aim at, mm/s; by default what `limit_feed` allows.

    Returns
    -------
    Plan
        Moves of no length take no time. Empty for no moves.
    """
    feed = limit_feed(moves, machine) if feed is None else feed
    shape = _geometry(moves)
    real = shape.length > 0
    if not real.all():
        shape = _Geometry(shape.length[real], shape.share[:, real], shape.alone[real])
    length, speed, layer = shape.length, feed[real], moves.layer[real]
    if not len(length):
        return Plan(*(np.zeros(len(moves)) for _ in range(4)))
    acceleration = _acceleration(shape, machine)

    cap = np.zeros(len(length) + 1)
    cap[1:-1] = _junction(shape, acceleration, machine)
    np.minimum(cap[1:-1], np.minimum(speed[1:], speed[:-1]) ** 2, out=cap[1:-1])
    rests = shape.alone[1:] | shape.alone[:-1] | (layer[1:] != layer[:-1])
    cap[1:-1][rests] = 0.0

    squares = _reachable(cap, 2 * acceleration * length)
    enter, leave = squares[:-1], squares[1:]
    top = np.minimum(speed**2, (enter + leave) / 2 + acceleration * length)
    peak, v0, v1 = np.sqrt(top), np.sqrt(enter), np.sqrt(leave)
    cruise = np.maximum(0.0, length - (2 * top - enter - leave) / (2 * acceleration))
    time = (2 * peak - v0 - v1) / acceleration + cruise / peak
    if real.all():
        return Plan(v0, v1, peak, time)
    whole = np.zeros((4, len(moves)))
    whole[:, real] = v0, v1, peak, time
    return Plan(*whole)


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
        straight = np.einsum("ij,ij->j", shape.share[:3, 1:], shape.share[:3, :-1])
        half = np.sqrt(np.clip((1 + straight) / 2, 0.0, 1.0))
        usable = np.minimum(acceleration[1:], acceleration[:-1])
        squares: Floats = usable * machine.junction.deviation * half / (1 - half)
        return squares


def _reachable(cap: Floats, gain: Floats) -> Floats:
    """Squares of the junction speeds that the caps and the gain 2·a·L of each move between them allow."""
    total = np.zeros(len(cap))
    np.cumsum(gain, out=total[1:])
    squares = np.minimum.accumulate(cap - total)
    squares += 2 * total
    np.minimum.accumulate(squares[::-1], out=squares[::-1])
    squares -= total
    # The sums run into the millions; what that costs in the last digits must not pass a cap or zero.
    return np.clip(squares, 0.0, cap, out=squares)
