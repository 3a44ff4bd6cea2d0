"""Rules 401 to 409: retractions, bead widths and the total filament.

Two lengths are measured from the text and compared. The bead spacing is the distance, across the wall, from
the middle of a bead to the next bead of the same layer. The bead width is the fed volume divided by the
length of the bead and the layer height. In a wall without gaps both are equal: their ratio is the wall's
packing.
"""

from __future__ import annotations

import numpy as np
import shapely

from pathgen.errors import PathgenError
from pathgen.motion.moves import Kind
from pathgen.proof.checklist.evidence import Floats, Ints, Subject
from pathgen.proof.header import Fact

BALANCE = 0.1  # mm of filament; a twentieth of the machine's retraction length is added
SAMPLES = 8  # layers in which spacing is measured
PROBES = 100  # places per layer
MIN_PROBES = 40  # fewer places give no reliable median
MIN_LENGTH = 0.1  # mm; shorter beads are not probed
NEAR = 0.1  # mm; closer hits belong to the same bead's own hairpins
PARALLEL = 0.1  # maximum sine of the angle between neighbouring beads
RANGES = {404: (0.6, 1.5), 403: (0.92, 1.08)}  # measured packing divided by the intended one
PRIME = 50.0  # mm of filament that may be fed at rest before the first bead
THIN, THIN_PATH = 0.1, 2.0  # minimum bead width, as a share of the nozzle diameter; path that counts, mm
WALL_PATH = 25.0  # mm; the same for beads of a wall, which climb its steep faces with hardly any filament
SLOW, DRY = 0.9, 3.0  # share of the travel feed below which a travel counts as a bead, and its path, mm
LONG_DRY = 12.0  # mm; where filament is led or hairpins are dry, moves without filament cross the wall
LUMP = 3.0  # times the maximum bead width
LUMP_VOLUME = 1.0  # mm³ above that width; a very short move alone is not a lump
ROUNDED = 0.08  # mm of filament; half the last decimal of the header's amount, and rounding in the text
TOTAL = 0.01  # relative tolerance of the header's amount


def check_filament(subject: Subject) -> None:
    """Check retractions, bead widths and the amount of filament (rules 401 to 409)."""
    _balance(subject)
    _beads(subject)
    _dry(subject)
    if subject.last:
        _total(subject)
    _spacing(subject)


def _balance(subject: Subject) -> None:
    """Check that each retraction is followed by an equal reload (rules 401, 402 and 407)."""
    moves, deposits = subject.moves, subject.deposits
    drawn = moves.filament < 0
    if subject.leads:  # filament that is led goes back inside a stroke as well
        drawn &= moves.kind == Kind.RETRACT
    aside = np.flatnonzero(drawn | (moves.kind == Kind.RELOAD))
    if not len(deposits) or not len(aside):
        return
    length = subject.machine.retraction.length
    tolerance, longest = BALANCE + length / 20, 2 * length + 2
    subject.log.count_checks(len(aside), 401, 402, 407)
    # A gap lies between two deposits: all its moves have the same next deposit.
    gap, first = np.unique(np.searchsorted(deposits, aside), return_index=True)
    total = np.cumsum(moves.filament[aside])
    before = np.concatenate([[0.0], total])[first]
    ends = np.append(first[1:], len(aside)) - 1
    net = total[ends] - before
    limit = np.where(gap == 0, PRIME, tolerance)  # filament fed before the first bead fills the nozzle
    if not subject.last:  # what is drawn back at the end of a window returns in the next one
        limit[gap == len(deposits)] = np.inf
    for at in np.flatnonzero(net > limit).tolist():
        inside = slice(first[at], ends[at] + 1)
        row = int(aside[inside][moves.filament[aside[inside]].argmax()])
        text = f"{net[at]:.2f} mm more fed than was drawn back"
        subject.log.add(407, subject.line(row), text, net[at], f"{limit[at]:.2f} mm")
    for at in np.flatnonzero((net < -tolerance) & (gap < len(deposits))).tolist():
        text = f"{-net[at]:.2f} mm too little reloaded before this bead"
        subject.log.add(401, subject.line(int(deposits[gap[at]])), text, net[at], f"{tolerance:.2f} mm")
    back = np.repeat(before, np.diff(np.append(first, len(aside)))) - total
    long = np.flatnonzero((back > longest) & (moves.filament[aside] < 0))
    subject.add_rows(402, aside[long], back[long], f"{longest:g} mm", "mm retracted", 2)


def _widths(subject: Subject, rows: Ints) -> tuple[Floats, Floats]:
    """Return the bead width (volume divided by layer height and length) and the length of deposits, mm."""
    moves = subject.moves
    x, y, z = subject.before(rows)
    length = np.sqrt((moves.x[rows] - x) ** 2 + (moves.y[rows] - y) ** 2 + (moves.z[rows] - z) ** 2)
    side = np.maximum(length, 1e-6) * np.maximum(subject.heights(rows), 0.01)
    return moves.filament[rows] * subject.machine.hot_end.section / side, length


def _beads(subject: Subject) -> None:
    """Find beads that are far too wide or have hardly any filament (rules 405 and 408)."""
    hot, deposits = subject.machine.hot_end, subject.deposits
    widest = (hot.spacing_max or 1.55 * hot.nozzle_diameter) * LUMP
    subject.log.count_checks(len(deposits), 405)
    rows = deposits[subject.moves.filament[deposits] * hot.section > LUMP_VOLUME]
    if len(rows):
        bead_width, length = _widths(subject, rows)
        excess = (bead_width - widest) * length * np.maximum(subject.heights(rows), 0.01)
        bad = np.flatnonzero((bead_width > widest) & (excess > LUMP_VOLUME))
        subject.add_rows(405, rows[bad], bead_width[bad], f"{widest:.2f} mm", "mm of bead width", 2)
    if subject.leads:
        return
    subject.log.count_checks(len(deposits), 408)
    narrowest = THIN * hot.nozzle_diameter
    for block in subject.blocks():
        x, y, _ = subject.before(block)
        far = np.abs(subject.moves.x[block] - x) + np.abs(subject.moves.y[block] - y) > THIN_PATH
        rows = block.start + np.flatnonzero(far & (subject.moves.filament[block] > 0))
        wall = np.isin(subject.moves.kind[rows], (Kind.WALL, Kind.HAIRPIN))
        # A wall that is located has a check of its own; the others may climb steep faces.
        if subject.framed:
            rows, wall = rows[~wall], wall[~wall]
        path = np.where(wall, WALL_PATH, THIN_PATH)
        bead_width, length = _widths(subject, rows)
        bad = np.flatnonzero((bead_width < narrowest) & (length > path) & subject.in_damaged(rows))
        subject.add_rows(408, rows[bad], bead_width[bad], f"{narrowest:.2f} mm", "mm of bead width", 3)


def _dry(subject: Subject) -> None:
    """Find moves without filament at the feed rate of the preceding bead (rule 409).

    Only a program whose layers are marked is known to travel at a feed rate of its own.
    """
    moves = subject.moves
    dry = subject.leads or subject.program.header.get("job hairpins") == "dry"
    limit = LONG_DRY if dry else DRY
    if not subject.program.marked or not len(subject.deposits):
        return
    rows = np.flatnonzero((moves.kind == Kind.TRAVEL) & (moves.feed < subject.machine.travel_feed * SLOW))
    subject.log.count_checks(len(rows), 409)
    rows = rows[subject.in_damaged(rows)]
    last = np.searchsorted(subject.deposits, rows) - 1
    rows = rows[(last >= 0) & (moves.feed[subject.deposits[last]] == moves.feed[rows])]
    x, y, _ = subject.before(rows)
    length = np.hypot(moves.x[rows] - x, moves.y[rows] - y)
    for run in np.split(np.arange(len(rows)), np.flatnonzero(np.diff(rows) > 1) + 1):
        path = float(length[run].sum())
        if path > limit:
            lines = [subject.line(int(rows[run[k]])) for k in (0, -1)]
            text = f"{path:.1f} mm of path without filament"
            subject.log.add(409, lines[0], text, path, f"{limit:g} mm", lines[1])


def _total(subject: Subject) -> None:
    """Check that the total filament matches the header (rule 406)."""
    text = subject.program.header.get("filament", "").strip()
    if not text:
        return
    try:
        stated = Fact("filament").number(text)
    except PathgenError as error:
        subject.log.require(False, 406, 0, error.what)
        return
    fed = (subject.fed_before + float(subject.moves.filament.sum())) / 1000
    passed = abs(fed - stated) <= TOTAL * stated + 0.0005
    text = f"{fed:.4f} m fed, {stated:.4f} m in the header"
    subject.log.require(passed, 406, 0, text, fed, f"{100 * TOTAL:g} % of difference")


def missing_filament(subject: Subject) -> float:
    """Return the filament that the header states but the program does not feed, mm; 0 if none."""
    try:
        stated = 1000 * Fact("filament").number(subject.program.header.get("filament", ""))
    except PathgenError:
        return 0.0
    missing = stated - subject.fed_before - float(subject.moves.filament.sum())
    return missing if missing > ROUNDED else 0.0


def _spacing(subject: Subject) -> None:
    """Check the ratio of bead width to bead spacing in sampled layers (rules 403 and 404)."""
    levels = subject.levels
    count = len(levels.first)
    if not count or subject.framed:  # a panel whose place is known is checked against its section
        return
    ratios_of_layers, line, packing = [], 0, subject.material.packing
    for level in np.unique(np.linspace(min(1, count - 1), count - 1, SAMPLES).round().astype(int)):
        stop = levels.first[level + 1] if level + 1 < count else len(subject.moves)
        low, high = np.searchsorted(subject.deposits, [levels.first[level], stop])
        rows = subject.deposits[low:high]
        walls = rows[np.isin(subject.moves.kind[rows], (Kind.WALL, Kind.HAIRPIN))]
        ratios = _ratios(subject, walls)
        if not len(ratios):
            continue
        first, last = subject.line(int(walls[0])), subject.line(int(walls[-1]))
        line = line or first
        ratios_of_layers.append(ratios / packing)
        if len(ratios) >= MIN_PROBES:
            where = f"in the layer at z {levels.z[level]:.2f} mm"
            _check_packing(subject, float(np.median(ratios)) / packing, where, first, last, False)
    together = np.concatenate([np.zeros(0), *ratios_of_layers])
    if len(together) >= MIN_PROBES:
        where = f"median of {len(ratios_of_layers)} layers"
        _check_packing(subject, float(np.median(together)), where, line, subject.last_line, True)


def _check_packing(subject: Subject, share: float, where: str, first: int, last: int, whole: bool) -> None:
    """Compare the measured packing with the intended packing (rules 403 and 404)."""
    subject.log.count_checks(1, 404, *([403] if whole else []))
    for number, (low, high) in RANGES.items():
        if not low <= share <= high and (whole or number == 404):
            text = f"{100 * share:.0f} % of the intended packing, {where}"
            subject.log.add(number, first, text, share, f"{100 * low:.0f} to {100 * high:.0f} %", last)
            return


def _ratios(subject: Subject, rows: Ints) -> Floats:
    """Return bead width divided by bead spacing wherever a bead of a layer has a neighbour."""
    bead_width, length = _widths(subject, rows)
    long = np.flatnonzero((length > MIN_LENGTH) & (subject.moves.kind[rows] == Kind.WALL))
    if not len(long):
        return np.zeros(0)
    # Places are spaced evenly along the path, so beads are weighted by their length.
    reached = np.cumsum(length[long])
    at = long[np.unique(np.searchsorted(reached, np.linspace(0, reached[-1], PROBES + 2)[1:-1]))]
    x0, y0, _ = subject.before(rows)
    start, end = np.stack([x0, y0], 1), np.stack([subject.moves.x[rows], subject.moves.y[rows]], 1)
    beads = np.asarray(shapely.linestrings(np.stack([start, end], 1)))
    reach = 2.5 * subject.machine.hot_end.nozzle_diameter
    tree = shapely.STRtree(beads)
    middle, way = (start + end)[at] / 2, (end - start)[at]
    across = np.stack([-way[:, 1], way[:, 0]], 1) / np.hypot(*way.T)[:, None]
    along = (end - start) / np.maximum(length, 1e-9)[:, None]
    nearest = np.full((2, len(at)), np.inf)
    for side, sign in enumerate((1.0, -1.0)):
        ends = np.stack([middle + sign * NEAR * across, middle + sign * reach * across], 1)
        probes = np.asarray(shapely.linestrings(ends))
        probe, bead = tree.query(probes, predicate="intersects")
        hit = shapely.intersection(probes[probe], beads[bead])
        apart = shapely.distance(shapely.points(middle[probe]), hit)
        order = np.lexsort((apart, probe))
        first = order[np.unique(probe[order], return_index=True)[1]]
        # The distance to a bead that is not parallel is not its spacing.
        turned = np.abs((across[probe[first]] * along[bead[first]]).sum(1))
        first = first[turned < PARALLEL]
        nearest[side, probe[first]] = apart[first]
    both = np.isfinite(nearest).sum(0)
    spacing = np.where(np.isfinite(nearest), nearest, 0.0).sum(0) / np.maximum(both, 1)
    return np.asarray(bead_width[at][both > 0] / spacing[both > 0])
