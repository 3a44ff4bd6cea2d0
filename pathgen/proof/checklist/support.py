"""Rule 717: beads of a program without a header need something below them.

Without a header nothing is known about the shape, so only a bead far away from everything printed below is a
fault: bridges and overhangs of a few millimetres are left to the person who made the program.
"""

from __future__ import annotations

import numpy as np

from pathgen.proof.checklist.collisions import FAR, sample_path
from pathgen.proof.checklist.evidence import Subject

CELL, REACH = 2.5, 2  # mm, and cells: a bead is supported by deposits up to 5 mm beside it
BELOW = 1.0  # mm below a bead at most
SPAN = 2 * FAR  # mm; heights and positions are below, so that they share one key


def check_support(subject: Subject) -> None:
    """Check that beads are deposited near something below them (rule 717)."""
    rows, moves = subject.deposits, subject.moves
    if subject.framed or not (subject.whole and subject.last) or not len(rows):
        return
    subject.log.count_checks(len(rows), 717)
    row, x, y, z = sample_path(subject, rows, CELL / 2)
    columns = int(SPAN / CELL) + 2 * REACH + 1
    cell = np.floor((x + FAR) / CELL).astype(np.int64) * columns + np.floor((y + FAR) / CELL).astype(np.int64)
    heights = np.round(np.clip(z, 0.0, FAR), 2)
    key, place = np.unique(cell * SPAN + heights, return_inverse=True)
    at, height = np.floor(key / SPAN), key % SPAN
    supported = height <= subject.machine.hot_end.nozzle_diameter
    for across in range(-REACH, REACH + 1):
        for along in range(-REACH, REACH + 1):
            lower = (at + across * columns + along) * SPAN + height
            # The nearest deposit of that cell that is lower, if there is one.
            below = key[np.maximum(np.searchsorted(key, lower - 0.005) - 1, 0)]
            supported |= (below < lower - 0.005) & (below >= lower - BELOW)
    bad = np.unique(row[~supported[place]])
    limit = f"a deposit within {CELL * REACH:g} mm, at most {BELOW:g} mm lower"
    subject.add_rows(717, bad, moves.z[bad], limit, "mm above the platform, with nothing below", 2)
