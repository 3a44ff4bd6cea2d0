"""Pace: whether the feed stays the same along a wall, or the flow does.

Glossary. *Flow*: volume fed in a second, packing · spacing · layer height · feed. *Pace factor*: what a
move's
feed is multiplied by. `steady-feed` keeps the feed, so a wide bead flows more than a narrow one and the
pressure behind the nozzle has to follow every change of spacing. `steady-flow` drives wide beads slower and
narrow ones faster: a bead of nominal spacing runs at the job's feed, and all beads of a layer flow alike.

The factor is nominal spacing over spacing, between `SLOWEST` and `FASTEST`. With the default spacings (0.70,
1.05
and 1.55 times the nozzle) a bead along the wall asks for 0.68 to 1.5. The bounds hold back the others: a turn
that takes the area of the wall's end with it, a thin remainder, and steep stretches, where a bead that fills
its columns is thinner square to its path. There the flow differs from the rest's.

A program needs an F word wherever the feed changes, so factors come in steps: whole powers of `STEP`. The
step is the nearest one and depends on the move alone, not on the move before it, so the same wall has the
same feeds wherever a block begins; what is left of a change of flow is at most half a step, 2.5 %.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Job

Floats = NDArray[np.float64]

STEP = 1.05  # ratio of neighbouring feeds
SLOWEST = 0.5  # slower, the nozzle's heat softens what is already laid (common practice)
FASTEST = 1.5  # what the narrowest spacing asks for by default: 1.05 / 0.70

_STEPS = math.ceil(math.log(SLOWEST) / math.log(STEP)), math.floor(math.log(FASTEST) / math.log(STEP))


def pace_factor(area: Floats, length: Floats, spacing: float) -> Floats:
    """Tell how much faster than a bead of nominal spacing each segment may run at the same flow.

    Parameters
    ----------
    area : (N,) float64
        Area each segment deposits, seen from above, mm²; over its length that is its spacing.
    length : (N,) float64
        mm.
    spacing : float
        Nominal spacing, mm.

    Returns
    -------
    (N,) float64
        A whole power of `STEP` from `SLOWEST` to `FASTEST`; 1 where nothing is deposited, or on no length.
        Empty for no segments.

    Examples
    --------
    >>> pace_factor(np.array([0.42, 0.84, 0.21, 0.03, 0.0]), np.ones(5), 0.42).round(4).tolist()
    [1.0, 0.5051, 1.4775, 1.4775, 1.0]
    """
    bead = (area > 0) & (length > 0)
    ratio = np.divide(spacing * length, area, out=np.ones(len(area)), where=bead)
    steps = np.rint(np.log(ratio) / math.log(STEP))
    return np.asarray(STEP ** np.clip(steps, *_STEPS))


def fastest_feed(job: Job) -> float:
    """Give the highest feed that image walls are asked for at the job's pace, mm/s.

    Examples
    --------
    >>> fastest_feed(Job(feed=20.0)), round(fastest_feed(Job(feed=20.0, pace="steady-flow")), 2)
    (20.0, 29.55)
    """
    assert job.feed is not None, "settle fills it in"
    fastest = max([job.feed, *(band.feed for band in job.band if band.feed)])
    return fastest * (STEP ** _STEPS[1] if job.pace == "steady-flow" else 1.0)
