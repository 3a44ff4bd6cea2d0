"""Rules 401 to 406: retractions balance, beads are as thick as their spacing asks, the total is as said.

Spacing is what the text's geometry says by itself: from the middle of a bead, how far it is, straight across,
to the next bead of the same layer. Fed volume over length and layer height is the bead's width. In a wall
filled exactly both are the same, so bead width over spacing is the wall's packing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from pathgen.errors import PathgenError
from pathgen.motion.bands import BEGUN
from pathgen.motion.moves import Kind
from pathgen.proof.checklist.evidence import MOST_PANELS, Floats, Ints, Subject
from pathgen.proof.frame import fact
from pathgen.proof.header import panel_facts
from pathgen.settings import job_from

BALANCE = 0.1  # mm of filament, plus a twentieth of the machine's retraction
SAMPLES = 8  # layers in which spacing is measured
PROBES = 100  # places in each of them
LEAST_PROBES = 40  # fewer say nothing
LEAST_LENGTH = 0.1  # mm of a bead that is probed
NEAR = 0.1  # mm; nearer lies what belongs to the same bead's own turns
PARALLEL = 0.1  # sine of the angle between neighbours
DOUBTED, STOPPED = (0.92, 1.08), (0.6, 1.5)  # packing found over that meant
LUMP = 3.0  # times the widest bead
LUMP_VOLUME = 1.0  # mm³ over it, so that the end of a short turn is no lump
TOTAL = 0.01  # share by which the header's amount may be off


def check_filament(subject: Subject) -> None:
    """Hold the rules of theme 4 against a program."""
    _balance(subject)
    _lumps(subject)
    if subject.last:
        _total(subject)
    _spacing(subject)


def _balance(subject: Subject) -> None:
    """401, 402: between two deposits, as much goes back as came out."""
    moves, deposits = subject.moves, subject.deposits
    aside = np.flatnonzero((moves.filament < 0) | (moves.kind == Kind.RELOAD))
    if not len(deposits) or not len(aside):
        return
    length = subject.machine.retraction.length
    most, longest = BALANCE + length / 20, 2 * length + 2
    subject.book.look(len(aside), 401, 402)
    # A gap is what lies between two deposits: all with the same next deposit.
    gap, first = np.unique(np.searchsorted(deposits, aside), return_index=True)
    wound = np.cumsum(moves.filament[aside])
    before = np.concatenate([[0.0], wound])[first]
    ends = np.append(first[1:], len(aside)) - 1
    net = wound[ends] - before
    net[gap == 0] = np.minimum(net[gap == 0], 0.0)  # before the first bead the nozzle is filled
    for at in np.flatnonzero((np.abs(net) > most) & (gap < len(deposits))).tolist():
        what = "drawn back and not fed back" if net[at] < 0 else "fed back that was not drawn back"
        text = f"{abs(net[at]):.2f} mm {what} before this bead"
        line = subject.line(int(deposits[gap[at]]))
        subject.book.find(401, line, text, net[at], f"within {most:.2f} mm")
    back = np.repeat(before, np.diff(np.append(first, len(aside)))) - wound
    long = np.flatnonzero((back > longest) & (moves.filament[aside] < 0))
    if len(long):
        subject.find_rows(402, aside[long], back[long], f"at most {longest:g} mm", "mm", 2)


def _spacings(subject: Subject, rows: Ints) -> tuple[Floats, Floats]:
    """Spacing (volume over layer height and length) and length of deposits, mm."""
    moves = subject.moves
    x, y, z = subject.before(rows)
    length = np.sqrt((moves.x[rows] - x) ** 2 + (moves.y[rows] - y) ** 2 + (moves.z[rows] - z) ** 2)
    height = np.maximum(subject.heights(rows), 0.01)
    return moves.filament[rows] * subject.machine.hot_end.section / (
        np.maximum(length, 1e-6) * height
    ), length


def _lumps(subject: Subject) -> None:
    """405: beads far thicker than any the nozzle lays."""
    hot, deposits = subject.machine.hot_end, subject.deposits
    widest = (hot.spacing_max or 1.55 * hot.nozzle_diameter) * LUMP
    subject.book.look(len(deposits), 405)
    rows = deposits[subject.moves.filament[deposits] * hot.section > LUMP_VOLUME]  # the others are too small
    if not len(rows):
        return
    bead_width, length = _spacings(subject, rows)
    over = (bead_width - widest) * length * np.maximum(subject.heights(rows), 0.01)
    bad = np.flatnonzero((bead_width > widest) & (over > LUMP_VOLUME))
    if len(bad):
        subject.find_rows(
            405, rows[bad], bead_width[bad], f"a bead width of at most {widest:.2f} mm", "mm wide", 2
        )


def _total(subject: Subject) -> None:
    """406: all filament against the header's word."""
    header = subject.program.header
    if not header.get("filament", "").strip():
        return
    subject.book.look(1, 406)
    try:
        said = fact(subject.program, "filament")
    except PathgenError as error:
        subject.book.find(406, 0, error.what)
        return
    fed = (subject.fed_before + float(subject.moves.filament.sum())) / 1000
    if abs(fed - said) > TOTAL * said + 0.0005:
        text = f"{fed:.4f} m fed, {said:.4f} m said"
        subject.book.find(406, 0, text, fed, f"within {100 * TOTAL:g} %")


def _spacing(subject: Subject) -> None:
    """403, 404: bead width against spacing, in layers spread over the program; the median is what counts."""
    levels = subject.levels
    count = len(levels.first)
    if not count:
        return
    # Filament that leads its lag is moved along the path on purpose: only all layers together tell, and only
    # what is far off counts.
    led = subject.program.header.get("job lead") == "on"
    pooled, line = [], 0
    for level in np.unique(np.linspace(min(1, count - 1), count - 1, SAMPLES).round().astype(int)):
        stop = levels.first[level + 1] if level + 1 < count else len(subject.moves)
        low, high = np.searchsorted(subject.deposits, [levels.first[level], stop])
        rows = subject.deposits[low:high]
        walls = rows[np.isin(subject.moves.kind[rows], (Kind.WALL, Kind.HAIRPIN))]
        ratios = _ratios(subject, walls)
        if not len(ratios):
            continue
        found = float(np.median(ratios))
        meant = min(_meant(subject, levels.z[level] - levels.height[level]), key=lambda s: abs(s - found))
        first, last = subject.line(int(walls[0])), subject.line(int(walls[-1]))
        line = line or first
        pooled.append(ratios / meant)
        if len(ratios) >= LEAST_PROBES and not led:
            _judge(subject, found / meant, f"in the layer at {levels.z[level]:.2f} mm", first, last, False)
    together = np.concatenate(pooled) if pooled else np.zeros(0)
    if len(together) >= LEAST_PROBES:
        where = f"the median of {len(pooled)} layers"
        _judge(subject, float(np.median(together)), where, line, subject.last_line, not led)


def _judge(subject: Subject, share: float, where: str, first: int, last: int, whole: bool) -> None:
    """Enter what is far off; a single layer that is a little off says nothing."""
    subject.book.look(1, 404, *([403] if whole else []))
    for number, (low, high) in ((404, STOPPED), (403, DOUBTED)):
        if not low <= share <= high and (whole or number == 404):
            text = f"{100 * share:.0f} % of the packing that is meant, {where}"
            limit = f"{100 * low:.0f} to {100 * high:.0f} %"
            subject.book.find(number, first, text, share, limit, last)
            return


def _meant(subject: Subject, bottom: float) -> list[float]:
    """Solidities a layer may be meant to have: the panels' in the header, or their bands'; the material's."""
    header = subject.program.header
    found = []
    for number in range(1, 1 + min(subject.panels or 1, MOST_PANELS)):
        facts = panel_facts(header | {"panels": str(number)}, number)
        try:
            meant = fact(replace(subject.program, header=facts), "job packing")
            bands = job_from({"band": facts["job band"]}, "header").band if "job band" in facts else ()
        except PathgenError:
            continue
        below = [band.packing for band in bands if band.above <= bottom + BEGUN]
        found.append((below[-1] if below else None) or meant)
    return [value for value in found if value > 0] or [subject.material.packing]


def _ratios(subject: Subject, rows: Ints) -> Floats:
    """Spacing over spacing at some places of a layer; none where no bead has a neighbour."""
    bead_width, length = _spacings(subject, rows)
    long = np.flatnonzero((length > LEAST_LENGTH) & (subject.moves.kind[rows] == Kind.WALL))
    if not len(long):
        return np.zeros(0)
    # Places are taken evenly along the path, so that long beads count for their length.
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
        # Where the next bead goes another way, the distance across says little.
        turned = np.abs((across[probe[first]] * along[bead[first]]).sum(1))
        first = first[turned < PARALLEL]
        nearest[side, probe[first]] = apart[first]
    both = np.isfinite(nearest).sum(0)
    spacing = np.where(np.isfinite(nearest), nearest, 0.0).sum(0) / np.maximum(both, 1)
    return np.asarray(bead_width[at][both > 0] / spacing[both > 0])
