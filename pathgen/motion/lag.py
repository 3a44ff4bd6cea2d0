"""Pressure lag: what really leaves the nozzle, and how filament can lead so that it leaves in time.

Glossary. *Flow* Q: volume fed in a second. *Outflow* q: volume that leaves the nozzle in a second. *Lag* τ:
time constant of the machine profile (`hot_end.lag`, s). *Held volume*: what is fed and has not left, τ·q.
*Lead*: filament fed before it is wanted. *Owed*: filament that should have been drawn back and was not.

Model. Melt and filament give way like a spring and the nozzle lets through in proportion to the pressure, so
the outflow follows the flow as a first-order system, τ·dq/dt = Q − q. A planned move feeds in proportion to
its path, so Q is straight in time while the head speeds up, cruises and brakes, and each of these phases
has a closed form (response to a step and to a ramp, any textbook on control): with x = T/τ and Q going from
Q0 to Q1,

    q1 = q0·e⁻ˣ + Q1·(1 − m) + Q0·(m − e⁻ˣ),    m = (1 − e⁻ˣ)/x.

Three phases make a move, q' = keep·q + gain, and moves follow one another by a scan over windows that double
until the oldest flow in them is forgotten. Integrating the model over a move gives what leaves, exactly:
fed − τ·(q at its end − q at its start). Nothing is lost: fed = left + held, over any number of moves.

A retraction is taken to stop the outflow at once and to keep what is held; the reload brings both back. The
two strokes of filament themselves leave nothing and do not count.

Lead. Feeding Q + τ·dQ/dt makes q = Q. Over a move that is its own volume plus τ times the change of wanted
flow, junction to junction; where two moves want different flows at their junction, the mean is taken, and
none beside a travel or a lift. The sum over a stroke that begins and ends at rest is unchanged. A program's
line feeds in proportion to its path, so this is what one line can do and no more: it puts right what
differs from line to line (a spacing that jumps or drifts, feeds that differ, speeding up over several moves)
where moves last a third of τ or less; it cannot shape the flow *within* a line, so a long straight bead that
starts from rest starts as starved, and ends as full, as without.

A deposit never feeds less than nothing. Where it should, because the flow is to fall faster than an idle
drive lets it, the feed stops before and goes on after, half of the excess being made up on either side: of
all feeds that never turn back, the one whose sum is nearest to what was asked. A link, which deposits
nothing, may draw back.

References: first-order systems, K. Ogata, Modern Control Engineering, ch. 5 (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pathgen.motion.moves import DEPOSITS, Floats, Kind, Moves
from pathgen.motion.speed import LEAST, SpeedPlan
from pathgen.settings import Machine

FORGOTTEN = 1e-18  # share of an earlier outflow that no longer shows in a double
_STROKES = (Kind.RETRACT, Kind.RELOAD)
_LED = (*DEPOSITS, Kind.LINK)

Ints = NDArray[np.intp]


def lagged_volume(moves: Moves, plan: SpeedPlan, machine: Machine, held: float = 0.0) -> Floats:
    """Predict the volume that leaves the nozzle during each move.

    Parameters
    ----------
    moves : Moves
    plan : Plan
        Of the same moves.
    machine : Machine
        Its `hot_end` has the lag (s) and the filament's diameter.
    held : float
        Volume held before the first move, mm³.

    Returns
    -------
    (N,) float64
        mm³; 0 from a retraction to the end of its reload. Travels without a retraction leak. Below 0 only
        where more is drawn back than was held. Empty for no moves. What has not left at the end is
        ``held_volume(moves, left, machine, held)``.

    Examples
    --------
    A bead of 10 mm³ in 1 s at constant speed, from an empty nozzle: τ·(1 − e^(−1/τ)) of each mm³ per second
    is held at the end.

    >>> from pathgen.settings import load_machine
    >>> one = np.ones(1)
    >>> fed = 10 / load_machine("moving-table").hot_end.section * one
    >>> far, wall, layer = 20 * one, 5 * one.astype("u1"), one.astype("i4")
    >>> bead = Moves((0, 0, 0), far, 0 * one, 0 * one, fed, far, wall, layer)
    >>> plan = SpeedPlan(20 * one, 20 * one, 20 * one, one)
    >>> lagged_volume(bead, plan, load_machine("moving-table")).round(4).tolist()
    [9.2]
    """
    area, lag = machine.hot_end.section, machine.hot_end.lag
    left = np.zeros(len(moves))
    rows = np.flatnonzero(~_stopped(moves.kind))
    if not len(rows):
        return left
    fed = moves.filament[rows] * area
    if lag == 0:
        left[rows] = fed
        return left
    keep, gain = _response(fed, _length(moves)[rows], _rows(plan, rows), lag)
    before = held / lag
    outflow = np.concatenate([[before], _carried(keep, gain, before)])
    left[rows] = fed - lag * np.diff(outflow)
    return left


def held_volume(moves: Moves, left: Floats, machine: Machine, held: float = 0.0) -> float:
    """Give what is fed and has not left after the last move, mm³.

    Parameters
    ----------
    moves : Moves
    left : (N,) float64
        What `lagged_volume` says of them, mm³.
    machine : Machine
    held : float
        Volume held before the first move, mm³.
    """
    fed = moves.filament[~_stopped(moves.kind)].sum() * machine.hot_end.section
    return float(held + fed - left.sum())


def moves_as_left(moves: Moves, plan: SpeedPlan, machine: Machine) -> Moves:
    """Give the moves with what leaves the nozzle in place of what is fed, so that a replay can lay it down.

    Parameters
    ----------
    moves : Moves
        Of a plan, or read back from a program. Each is laid down evenly over its path; `shorter` beforehand
        resolves long ones.
    plan : Plan
        Of the same moves.
    machine : Machine

    Returns
    -------
    Moves
        Filament in mm, as if it left as it was fed; none for retractions and reloads. A dry move that
        something leaves on counts as a deposit of the kind before it: plastic falls where the head goes.
    """
    left = lagged_volume(moves, plan, machine) / machine.hot_end.section
    deposits = np.isin(moves.kind, DEPOSITS)
    last = np.maximum.accumulate(np.where(deposits, np.arange(len(moves)), -1))
    leaks = ~deposits & (left > 0) & (last >= 0)
    return replace(moves, filament=left, kind=np.where(leaks, moves.kind[last], moves.kind))


def shorter(moves: Moves, longest: float) -> Moves:
    """Cut moves into equal pieces no longer than `longest` mm; filament is shared out evenly.

    Parameters
    ----------
    moves : Moves
    longest : float
        mm, above 0.

    Returns
    -------
    Moves
        The same path at the same feeds, so a plan of it takes the same time. Moves of filament alone stay.

    Examples
    --------
    >>> one = np.ones(1)
    >>> bead = Moves((0, 0, 0), one, 0 * one, 0 * one, one, one, 5 * one.astype("u1"), one.astype("i4"))
    >>> shorter(bead, 0.3).x.tolist(), shorter(bead, 0.3).filament.tolist()
    ([0.25, 0.5, 0.75, 1.0], [0.25, 0.25, 0.25, 0.25])
    """
    path = moves.path()
    count = np.maximum(np.ceil(path / longest * (1 - 1e-12)), 1).astype(np.intp)
    of = np.repeat(np.arange(len(moves)), count)
    rest = 1 - (np.arange(len(of)) - (np.cumsum(count) - count)[of] + 1) / count[of]
    x, y, z = (
        values[of] - rest * step[of]
        for values, step in zip((moves.x, moves.y, moves.z), moves.steps(), strict=True)
    )
    share = moves.filament[of] / count[of]
    return Moves(moves.start, x, y, z, share, moves.feed[of], moves.kind[of], moves.layer[of])


def lead_filament(moves: Moves, plan: SpeedPlan, machine: Machine, owed: float = 0.0) -> tuple[Moves, float]:
    """Feed filament ahead of the lag, so that what leaves the nozzle is nearer to what was wanted.

    Parameters
    ----------
    moves : Moves
        With the filament that is wanted on each. A block begins and ends with the head at rest.
    plan : Plan
        Of the same moves. The lead is right for these speeds; plan again for what it asks of the drive.
    machine : Machine
    owed : float
        Volume that the blocks before should have drawn back last and did not, mm³.

    Returns
    -------
    led : Moves
        Only filament differs, only on deposits and links, and on no deposit is it below 0.
    owed : float
        For the next block, mm³. Half of it is fed beyond what was wanted; the other half was left out early.
    """
    area, lag = machine.hot_end.section, machine.hot_end.lag
    # Moves that take no time only part others that follow each other: they see no flow.
    rows = np.flatnonzero((plan.time > 0) & ~np.isin(moves.kind, _STROKES))
    if not len(rows) or lag == 0:
        return moves, owed
    part = _rows(plan, rows)
    led = np.isin(moves.kind[rows], _LED)
    fed = np.where(led, moves.filament[rows] * area, 0.0)
    per_mm = fed / _length(moves)[rows]
    flow = np.zeros(len(rows) + 1)  # wanted at the junctions; at rest at both ends
    flow[1:-1] = (per_mm[:-1] * part.exit[:-1] + per_mm[1:] * part.entry[1:]) / 2
    flow[1:-1] *= led[:-1] & led[1:]
    ask = fed + lag * np.diff(flow)
    given, owed = _never_back(ask, moves.kind[rows] == Kind.LINK, owed)
    filament = moves.filament.copy()
    filament[rows[led]] = given[led] / area
    return replace(moves, filament=filament), owed


def _never_back(ask: Floats, free: NDArray[np.bool_], owed: float) -> tuple[Floats, float]:
    """Give what is asked, but never less than nothing except where `free`.

    The running maximum of the asked sum never falls and is nowhere below it; its running minimum, taken from
    the end, never falls and is nowhere above. Midway between the two is the sum that never falls and whose
    largest distance from the asked one is least. A free row parts what is before it from what is after, as if
    the asked sum rose there beyond all that can be owed.
    """
    run = np.concatenate([[0.0], np.cumsum(ask)])
    most = (np.maximum(np.maximum.accumulate(run), owed) - run).max()
    run[1:] += most * np.cumsum(free)
    high = np.maximum(np.maximum.accumulate(run), owed)
    low = np.maximum(np.minimum.accumulate(run[::-1])[::-1], 0.0)  # nothing can be left out before the start
    beyond = (high + low) / 2 - run
    given = ask + np.diff(beyond)
    # The difference of two long sums may miss a 0 by its last digits.
    np.maximum(given, 0.0, out=given, where=~free)
    return given, float(high[-1] - run[-1])


def _length(moves: Moves) -> Floats:
    """Measure what a plan's speeds are counted along: the path, or the filament where the head rests, mm."""
    path = moves.path()
    return np.where(path > LEAST, path, np.abs(moves.filament))


def _rows(plan: SpeedPlan, rows: Ints) -> SpeedPlan:
    return SpeedPlan(plan.entry[rows], plan.exit[rows], plan.peak[rows], plan.time[rows])


def _stopped(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Tell which moves leave nothing: from a retraction to its reload, both included."""
    strokes = np.isin(kind, _STROKES)
    last = np.maximum.accumulate(np.where(strokes, np.arange(len(kind)), -1))
    return np.asarray(strokes | (last >= 0) & (kind[last] == Kind.RETRACT))


def _response(fed: Floats, length: Floats, plan: SpeedPlan, lag: float) -> tuple[Floats, Floats]:
    """Share of the outflow that each move keeps, and what it adds: q' = keep·q + gain."""
    up, down = _ramps(length, plan)
    per_mm = np.divide(fed, length, out=np.zeros(len(fed)), where=length > 0)
    keep, gain = np.ones(len(fed)), np.zeros(len(fed))
    speeds = (plan.entry, plan.peak, plan.peak, plan.exit)
    for first, last, time in zip(speeds[:-1], speeds[1:], (up, plan.time - up - down, down), strict=True):
        x = time / lag
        stay = np.exp(-x)
        mean = np.divide(-np.expm1(-x), x, out=np.ones(len(x)), where=x > 0)
        gain = gain * stay + per_mm * (last * (1 - mean) + first * (mean - stay))
        keep *= stay
    return keep, gain


def _ramps(length: Floats, plan: SpeedPlan) -> tuple[Floats, Floats]:
    """Time each move spends speeding up and braking, s.

    A plan says time T and speeds u, w, P, not the acceleration, but with the length L only one fits:
    1/a = 2·(P·T − L)/((P − u)² + (P − w)²), from the trapezoid's time and area.
    """
    rise, fall = plan.peak - plan.entry, plan.peak - plan.exit
    square = rise**2 + fall**2
    late = np.maximum(plan.peak * plan.time - length, 0.0)
    inverse = np.divide(2 * late, square, out=np.zeros(len(late)), where=square > 0)
    # Where all speeds are alike the quotient is rounding; bounds keep it harmless, as such a ramp is flat.
    up = np.minimum(rise * inverse, plan.time)
    return up, np.minimum(fall * inverse, plan.time - up)


def _carried(keep: Floats, gain: Floats, before: float) -> Floats:
    """Outflow at the end of each move: q = keep·(q of the move before) + gain, for all moves at once.

    Windows double, as in `speed`: after each round a row holds what the last `step` moves left it. `keep`
    falls by e every τ seconds, so some rounds suffice however many moves there are.
    """
    outflow, share = gain.copy(), keep.copy()
    outflow[0] += keep[0] * before
    share[0] = 0.0
    step = 1
    while step < len(keep) and share.max() > FORGOTTEN:
        outflow[step:] += share[step:] * outflow[:-step]
        share[step:] *= share[:-step]
        step *= 2
    return outflow
