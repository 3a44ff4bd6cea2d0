"""Compute the feed of walls for constant feed or constant flow.

Glossary. *Flow*: volume fed per second, packing · spacing · layer height · feed. *Pace factor*: the factor
applied to the feed of a move. `steady-feed` keeps the feed constant, so a wide bead has a higher flow than a
narrow one, and the pressure behind the nozzle has to follow every change of spacing. `steady-flow` slows wide
beads down and speeds narrow ones up: a bead of nominal spacing is printed at the feed of the job, and all
beads of a layer have the same flow.

The factor is the nominal spacing divided by the spacing, limited to `SLOWEST` and `FASTEST`. With the default
spacings (0.70, 1.05 and 1.55 times the nozzle diameter), beads along the wall have factors of 0.68 to 1.5.
The limits apply to the others: hairpins, which contain the area at the end of the wall, thin remainders, and
steep stretches, where a bead that fills its columns is thinner normal to its path. Their flow differs from
the rest.

A program needs an F word at every change of feed, so factors are quantised to integer powers of `STEP`. The
nearest power is used and depends only on the move itself, so a wall has the same feeds wherever a block
begins. The remaining deviation of the flow is at most half a step, 2.5 %.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Setup

Floats = NDArray[np.float64]

STEP = 1.05  # ratio of consecutive feeds
SLOWEST = 0.5  # below, the heat of the nozzle softens the layers underneath (common practice)
FASTEST = 1.5  # factor of the narrowest default spacing: 1.05 / 0.70

_STEPS = math.ceil(math.log(SLOWEST) / math.log(STEP)), math.floor(math.log(FASTEST) / math.log(STEP))


def pace_factor(area: Floats, length: Floats, spacing: float) -> Floats:
    """Compute the ratio of each segment's feed to the feed of a nominal bead at the same flow.

    Parameters
    ----------
    area : (N,) float64
        Area that each segment deposits, in plan view, mm²; divided by its length, its spacing.
    length : (N,) float64
        mm.
    spacing : float
        Nominal spacing, mm.

    Returns
    -------
    (N,) float64
        An integer power of `STEP` from `SLOWEST` to `FASTEST`; 1 for segments without a deposit or without
        length. Empty if there are no segments.

    Examples
    --------
    >>> pace_factor(np.array([0.42, 0.84, 0.21, 0.03, 0.0]), np.ones(5), 0.42).round(4).tolist()
    [1.0, 0.5051, 1.4775, 1.4775, 1.0]
    """
    bead = (area > 0) & (length > 0)
    ratio = np.divide(spacing * length, area, out=np.ones(len(area)), where=bead)
    steps = np.rint(np.log(ratio) / math.log(STEP))
    return np.asarray(STEP ** np.clip(steps, *_STEPS))


def fastest_feed(setup: Setup) -> float:
    """Return the highest feed of the wall for the `pace` of the job, mm/s.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> round(fastest_feed(settle(Job(feed=20.0, pace="steady-flow"))), 2)
    29.55
    """
    fastest = max([setup.feeds.feed, *(band.feed for band in setup.layers.band if band.feed)])
    return fastest * (STEP ** _STEPS[1] if setup.feeds.pace == "steady-flow" else 1.0)
