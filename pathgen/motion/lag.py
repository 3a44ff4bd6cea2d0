"""Pressure lag of the hot end: compute the volume that leaves the nozzle, and compensate for the lag.

`pathgen.deposit.lagged` has the model. *Flow* is the volume fed per second, *outflow* the volume that leaves
the nozzle per second, and *lag* τ the time constant between them (`hot_end.lag` of the machine profile, s).

Glossary. *Lead*: filament fed before its volume has to leave the nozzle. *Owed*: volume that should have been
drawn back and was not.

Retraction. A retraction is assumed to stop the outflow at once and to keep the held volume; the reload
restores both. The two strokes of filament leave nothing and do not count.

Lead. Feeding Q + τ·dQ/dt makes the outflow equal to the wanted flow Q. For a move, this is its own volume
plus τ times the change of the wanted flow between its two junctions. At a junction between moves of different
flow the mean is used, and 0 beside a travel or a lift. The sum over a stroke that begins and ends at rest
does not change. A line of a program feeds in proportion to its path, so a lead corrects differences between
lines (a spacing that jumps or drifts, different feeds, acceleration over several moves) where moves last a
third of τ or less. It cannot shape the flow *within* a line: a long straight bead that starts from rest
starts as thin, and ends as thick, as it would without a lead.

A deposit never feeds a negative volume. Where the lead asks for one, because the flow should fall faster than
an idle drive allows, the feed stops early and resumes late, and half of the excess is made up on either side:
of all feeds that never reverse, this is the one whose cumulative sum is nearest to the requested one. A link
deposits nothing and may draw back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pathgen.deposit.lagged import Speeds, apply_lag
from pathgen.motion.moves import DEPOSITS, Floats, Kind, Moves
from pathgen.motion.speed import MIN_LENGTH, SpeedPlan
from pathgen.settings import Machine

_STROKES = (Kind.RETRACT, Kind.RELOAD)
_LED = (*DEPOSITS, Kind.LINK)


def lagged_volume(moves: Moves, plan: SpeedPlan, machine: Machine, held: float = 0.0) -> Floats:
    """Return the volume that leaves the nozzle during each move.

    Parameters
    ----------
    moves : Moves
    plan : SpeedPlan
        Speeds of the same moves.
    machine : Machine
        Its `hot_end` has the lag (s) and the filament diameter.
    held : float
        Volume held in the hot end before the first move, mm³.

    Returns
    -------
    (N,) float64
        mm³; 0 from a retraction to the end of its reload; empty for no moves. Travels without a retraction
        leak. Negative only where more is drawn back than was held. The volume that has not left at the end is
        ``held_volume(moves, left, machine, held)``.

    Examples
    --------
    A bead of 10 mm³ in 1 s at constant speed, from an empty nozzle: τ·(1 − e^(−1/τ)) of each mm³/s is held at
    the end.

    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> fed = 10 / load_machine("moving-table").hot_end.section * one
    >>> far, wall, layer = 20 * one, 5 * one.astype("u1"), one.astype("i4")
    >>> bead = Moves((0, 0, 0), far, 0 * one, 0 * one, fed, far, wall, layer)
    >>> plan = SpeedPlan(20 * one, 20 * one, 20 * one, one)
    >>> lagged_volume(bead, plan, load_machine("moving-table")).round(4).tolist()
    [9.4]
    """
    left = np.zeros(len(moves))
    flows = ~_stopped(moves.kind)
    fed = moves.filament[flows] * machine.hot_end.section
    speeds: Speeds = (plan.entry[flows], plan.peak[flows], plan.exit[flows])
    left[flows] = apply_lag(fed, _length(moves)[flows], speeds, plan.time[flows], machine.hot_end.lag, held)
    return left


def held_volume(moves: Moves, left: Floats, machine: Machine, held: float = 0.0) -> float:
    """Return the volume held in the hot end after the last move, mm³.

    Parameters
    ----------
    moves : Moves
    left : (N,) float64
        Volume that leaves during each move, from `lagged_volume`, mm³.
    machine : Machine
    held : float
        Volume held before the first move, mm³.
    """
    fed = moves.filament[~_stopped(moves.kind)].sum() * machine.hot_end.section
    return float(held + fed - left.sum())


def lagged_moves(moves: Moves, plan: SpeedPlan, machine: Machine) -> Moves:
    """Replace the filament fed in each move by the filament that leaves the nozzle.

    Parameters
    ----------
    moves : Moves
        Of a plan, or read back from a program. Each deposits evenly over its path; apply `split_moves` first
        to resolve long ones.
    plan : SpeedPlan
        Speeds of the same moves.
    machine : Machine

    Returns
    -------
    Moves
        Filament in mm; 0 for retractions and reloads. A move that deposits nothing but leaks becomes a
        deposit of the same kind as the deposit before it, because the plastic falls where the head goes.
    """
    left = lagged_volume(moves, plan, machine) / machine.hot_end.section
    deposits = np.isin(moves.kind, DEPOSITS)
    last = np.maximum.accumulate(np.where(deposits, np.arange(len(moves)), -1))
    leaks = ~deposits & (left > 0) & (last >= 0)
    return replace(moves, filament=left, kind=np.where(leaks, moves.kind[last], moves.kind))


def split_moves(moves: Moves, longest: float) -> Moves:
    """Split moves into equal pieces no longer than `longest` mm, and divide the filament evenly.

    Parameters
    ----------
    moves : Moves
    longest : float
        mm, above 0.

    Returns
    -------
    Moves
        The same path at the same feeds, so its duration does not change. Moves of filament alone stay whole.

    Examples
    --------
    >>> one = np.ones(1)
    >>> bead = Moves((0, 0, 0), one, 0 * one, 0 * one, one, one, 5 * one.astype("u1"), one.astype("i4"))
    >>> split_moves(bead, 0.3).x.tolist(), split_moves(bead, 0.3).filament.tolist()
    ([0.25, 0.5, 0.75, 1.0], [0.25, 0.25, 0.25, 0.25])
    """
    path = moves.path()
    count = np.maximum(np.ceil(path / longest * (1 - 1e-12)), 1).astype(np.intp)
    of = np.repeat(np.arange(len(moves)), count)
    rest = 1 - (np.arange(len(of)) - (np.cumsum(count) - count)[of] + 1) / count[of]
    ends = zip((moves.x, moves.y, moves.z), moves.steps(), strict=True)
    x, y, z = (end[of] - rest * step[of] for end, step in ends)
    share = moves.filament[of] / count[of]
    return Moves(moves.start, x, y, z, share, moves.feed[of], moves.kind[of], moves.layer[of])


def lead_filament(moves: Moves, plan: SpeedPlan, machine: Machine, owed: float = 0.0) -> tuple[Moves, float]:
    """Feed filament early to compensate for the pressure lag, so that the outflow follows the target.

    Parameters
    ----------
    moves : Moves
        With the wanted filament of each. A block begins and ends with the head at rest.
    plan : SpeedPlan
        Speeds of the same moves. The lead is correct for these speeds; plan again afterwards, because the
        lead changes the load on the drive.
    machine : Machine
    owed : float
        Volume that the previous blocks should have drawn back at their end and did not, mm³.

    Returns
    -------
    led : Moves
        Only the filament of deposits and links differs; no deposit feeds a negative volume.
    owed : float
        For the next block, mm³. Half of it is fed in excess of the wanted volume; the other half was left out
        earlier.
    """
    area, lag = machine.hot_end.section, machine.hot_end.lag
    # A move that takes no time only separates its neighbours and has no flow.
    rows = np.flatnonzero((plan.time > 0) & ~np.isin(moves.kind, _STROKES))
    if not len(rows) or lag == 0:
        return moves, owed
    led = np.isin(moves.kind[rows], _LED)
    wanted = np.where(led, moves.filament[rows] * area, 0.0)
    per_mm = wanted / _length(moves)[rows]
    flow = np.zeros(len(rows) + 1)  # wanted at the junctions; 0 at both ends, where the head rests
    flow[1:-1] = (per_mm[:-1] * plan.exit[rows][:-1] + per_mm[1:] * plan.entry[rows][1:]) / 2
    flow[1:-1] *= led[:-1] & led[1:]
    fed, owed = _feed_forward_only(wanted + lag * np.diff(flow), moves.kind[rows] == Kind.LINK, owed)
    filament = moves.filament.copy()
    filament[rows[led]] = fed[led] / area
    return replace(moves, filament=filament), owed


def _feed_forward_only(requested: Floats, free: NDArray[np.bool_], owed: float) -> tuple[Floats, float]:
    """Return the volumes closest to the requested volumes that are negative only where `free` is true.

    The running maximum of the cumulative sum never falls and is nowhere below it. Its running minimum, taken
    from the end, never falls and is nowhere above it. Midway between the two lies the sum that never falls
    and has the smallest maximum distance from the requested one. A free row separates the rows before it from
    the rows after it: the sum is raised there by more than can be owed.
    """
    total = np.concatenate([[0.0], np.cumsum(requested)])
    rise = (np.maximum(np.maximum.accumulate(total), owed) - total).max()
    total[1:] += rise * np.cumsum(free)
    high = np.maximum(np.maximum.accumulate(total), owed)
    low = np.maximum(np.minimum.accumulate(total[::-1])[::-1], 0.0)  # nothing is left out before the start
    fed = requested + np.diff((high + low) / 2 - total)
    # The difference of two long sums may miss 0 by a rounding error.
    np.maximum(fed, 0.0, out=fed, where=~free)
    return fed, float(high[-1] - total[-1])


def _length(moves: Moves) -> Floats:
    """Return the length of each move in mm: its path, or its filament if the head does not move."""
    path = moves.path()
    return np.where(path > MIN_LENGTH, path, np.abs(moves.filament))


def _stopped(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return a mask of moves without outflow: from a retraction to the reload after it, both included."""
    strokes = np.isin(kind, _STROKES)
    last = np.maximum.accumulate(np.where(strokes, np.arange(len(kind)), -1))
    return np.asarray(strokes | (last >= 0) & (kind[last] == Kind.RETRACT))
