"""Rules 403, 404 and 710 to 716: checks of the wall, layer by layer.

Every bead of the wall is placed at its position across the wall (`section.py`). A faulty bead disturbs the
stack of beads around it, whatever the picture is. Only disturbances that continue along the path count: at
the ends of the wall and at steep faces, single probes are off in a good program too. Layers that deposit what
the program states for them (rule 718) have no faulty beads; only the packing of some of them is checked.
"""

from __future__ import annotations

import numpy as np

from pathgen.motion import filament_area
from pathgen.motion.moves import Kind
from pathgen.proof.checklist.evidence import EVEN, EXACT, Bools, Floats, Ints, Subject
from pathgen.proof.checklist.filament import RANGES, THIN_PATH, missing_filament
from pathgen.proof.checklist.findings import consecutive_rows
from pathgen.proof.checklist.section import Stacks, flatten_beads
from pathgen.proof.checklist.wall import Pieces, Wall
from pathgen.proof.header import JobFacts
from pathgen.proof.program_panel import ProgramPanel

SAME_PLACE = 0.35  # two centre lines closer than this share of the narrower bead are in one place
FULL = 2.6  # mm of path over which beads are in one place
OVERFED, OVERFED_PATH = 1.7, 3.7  # filament of a bead divided by its room, and mm of path
WIDE = 1.4  # share of a bead divided by the mean distance of the beads in its stack
THREAD = 0.25  # minimum width of a bead along the wall, as a share of the bead spacing
OUTLAST = 3.0  # times as long as what is off in the middle layer
EXCESS = 0.6  # beads that a stack has in excess of its section at least
STARVED, STARVED_PATH = 0.6, 4.6
SHIFT = 0.15  # mm between the back of a layer and that of the panel
MIN_PROBES = 8  # of a layer; fewer give no reliable median
BESIDE, IN_FRONT = 0.3, 2.0  # mm beside the panel, and in front of the faces of all other layers
HEIGHT = 0.02  # mm between a bead and its layer mark
LACK, VOID = 0.2, 2.0  # mm of wall that a layer lacks against those below and above, and mm along the wall
MATCH = 1.6  # maximum ratio between the filament that a layer lacks and the filament that the program lacks
SAMPLES = 40  # layers of a sound program whose packing is checked
BACK = 20  # moves before the first disturbed probe among which the fault begins
JUMP = 1.5  # ratio of bead widths at the beginning of a fault


def check_solid(subject: Subject, placed: ProgramPanel, job: JobFacts, prefix: str) -> None:
    """Check the wall of one panel (rules 403, 404, 710 to 714 and 716)."""
    moves = subject.delivered
    # Filament that is fed late leaves the nozzle in moves that feed none.
    wall_kind = (moves.kind == Kind.WALL) | (moves.kind == Kind.HAIRPIN)
    rows = np.flatnonzero(wall_kind & (moves.filament > 0) & (subject.moves.kind != Kind.LIFT))
    if placed.frame.box is not None:
        rows = rows[placed.frame.holds(moves.x[rows], moves.y[rows])]
    if subject.sound:
        layers = np.unique(moves.layer[rows])
        sampled = np.linspace(0, max(len(layers) - 1, 0), SAMPLES).astype(np.intp)
        rows = rows[np.isin(moves.layer[rows], layers[sampled[: len(layers)]])]
    if not len(rows):
        return
    wall = Wall(subject, moves, placed, job, flatten_beads(moves, rows, placed), prefix)
    if subject.sound:
        if job.fill in EXACT + EVEN:
            _check_packing(wall, np.zeros(0, np.intp))
        return
    _check_threads(wall)
    if job.fill in EXACT + EVEN:  # how the beads of another fill divide the wall is unknown
        shifted = _check_back(wall)
        _check_packing(wall, np.append(shifted, _check_places(wall, shifted)))
        _check_beside(wall, shifted)
    else:
        _check_beside(wall, np.zeros(0, np.intp))
    _check_missing(wall)


def _report_layers(wall: Wall, number: int, layers: Ints, values: Floats, text: str, limit: str) -> None:
    """Record one finding per group of consecutive layers; `text` has a placeholder for the worst value."""
    for first, last in consecutive_rows(layers):
        rows = wall.rows[(wall.beads.layer >= first) & (wall.beads.layer <= last)]
        part = values[(layers >= first) & (layers <= last)]
        worst = float(part[np.abs(part).argmax()])
        many = f", in {last - first + 1:,} layers" if last > first else ""
        top = wall.placed.frame.tops[first]
        found = f"{wall.prefix}{text.format(worst)} at z {top:.2f} mm{many}"
        lines = [wall.subject.line(int(row)) for row in (rows[0], rows[-1])]
        wall.subject.log.add(number, lines[0], found, worst, limit, lines[1])


def check_heights(subject: Subject) -> None:
    """Check that beads are deposited at the height of their layer mark (rule 715)."""
    rows, moves, tops = subject.deposits, subject.moves, subject.program.tops
    if not subject.program.marked or not len(tops):
        return
    subject.log.count_checks(len(rows), 715)
    mark = moves.layer[rows].astype(np.intp)
    off = moves.z[rows] - tops[mark]
    bad = np.flatnonzero(np.abs(off) > HEIGHT)
    for first, last in consecutive_rows(np.unique(mark[bad])):
        here = bad[(mark[bad] >= first) & (mark[bad] <= last)]
        worst = float(off[here[0]])
        many = f", in {last - first + 1:,} layers" if last > first else ""
        text = f"{worst:+.2f} mm from the top of the layer, {tops[first]:.2f} mm{many}"
        lines = [subject.line(int(rows[here[k]])) for k in (0, -1)]
        subject.log.add(715, lines[0], text, worst, f"{HEIGHT:g} mm", lines[1])


def _check_back(wall: Wall) -> Ints:
    """Check that every layer begins at the panel's back (rule 713); return the shifted layers."""
    stacks, beads = wall.stacks, wall.beads
    part = 2  # the median
    if wall.led:  # nothing but positions is known; the outermost centre lines of a layer are at its back
        fed = stacks.first & (wall.subject.moves.filament[stacks.row] > 0)
        layer, off, part = stacks.layer[fed], stacks.n[fed] - wall.spacing / 2, 20
    elif wall.exact:
        first, off = stacks.back
        single = stacks.first & stacks.last & ~np.isin(stacks.layer, stacks.layer[first])
        layer = np.concatenate([stacks.layer[first], stacks.layer[single]])
        off = np.concatenate([off, stacks.gap[single]])
    else:  # the first line, or the end of a line across the wall, is half a spacing inside the wall
        lines = wall.across
        crossed = np.bincount(beads.layer[lines], minlength=len(wall.placed.frame.tops)) > 0
        first = np.flatnonzero(stacks.first & ~crossed[stacks.layer])
        layer = np.concatenate([beads.layer[lines], stacks.layer[first]])
        off = np.concatenate([np.minimum(*beads.n)[lines], stacks.n[first]]) - wall.spacing / 2
    # A ring is shifted forward on one side and backward on the other: sizes count, not signs.
    order = np.lexsort((off if wall.led else np.abs(off), layer))
    groups, begin, count = np.unique(layer[order], return_index=True, return_counts=True)
    middle = off[order][begin + count // part]
    wall.subject.log.count_checks(int(np.count_nonzero(count >= MIN_PROBES)), 713)
    bad = (count >= MIN_PROBES) & (np.abs(middle) > SHIFT) & np.isin(groups, wall.damaged)
    _report_layers(wall, 713, groups[bad], middle[bad], "{:+.2f} mm from the panel's back", f"{SHIFT:g} mm")
    return np.asarray(groups[bad])


def _check_beside(wall: Wall, shifted: Ints) -> None:
    """Check that no bead of the wall ends beside the panel (rule 712)."""
    frame, rows = wall.placed.frame, wall.rows
    u, n, layer = wall.beads.u[1], wall.beads.depth[rows + 1], wall.beads.layer
    wall.subject.log.count_checks(len(rows), 712)
    # The face of no layer is far in front of the faces of all others.
    face = np.full(len(frame.tops), -np.inf)
    change = np.flatnonzero(np.diff(layer, prepend=-1))
    np.maximum.at(face, layer[change], np.maximum.reduceat(n, change))
    others = np.partition(face, -2)[-2] if np.count_nonzero(np.isfinite(face)) > 2 else np.inf
    if min(u.min(), n.min(), frame.width - u.max()) >= -BESIDE and n.max() <= others + IN_FRONT:
        return
    over, counted = np.maximum.reduce([-u, u - frame.width, -n]), wall.fed & wall.subject.in_damaged(rows)
    # The finding about a shifted layer stands for its beads, if it is shifted from its first bead on.
    begun = layer[change[over[change] > BESIDE]]
    counted &= ~np.isin(layer, np.intersect1d(begun, shifted))
    name = wall.prefix.rstrip(": ") or "the panel"
    bad = np.flatnonzero((over > BESIDE) & counted)
    wall.subject.add_rows(712, rows[bad], over[bad], f"{BESIDE:g} mm", f"mm beside {name}", 2)
    bad = np.flatnonzero((over <= BESIDE) & (n > others + IN_FRONT) & counted)
    limit = f"{IN_FRONT:g} mm in front of all other layers"
    wall.subject.add_rows(712, rows[bad], n[bad], limit, f"mm in front of the back of {name}", 2)


def _check_threads(wall: Wall) -> None:
    """Check for beads along the wall that have hardly any filament (rule 408)."""
    if wall.led:
        return
    along = np.flatnonzero(np.abs(wall.beads.u[1] - wall.beads.u[0]) > THIN_PATH)
    row = wall.rows[along]
    climb = wall.beads.depth[row + 1] - wall.beads.depth[row]
    length = np.hypot((wall.beads.u[1] - wall.beads.u[0])[along], climb)
    width, narrowest = wall.beads.area_of(along) / length, THREAD * wall.spacing
    bad = np.flatnonzero((width < narrowest) & wall.subject.in_damaged(row))
    wall.subject.add_rows(408, row[bad], width[bad], f"{narrowest:.2f} mm", "mm of bead width", 3)


def _check_places(wall: Wall, shifted: Ints) -> Ints:
    """Check that no two beads share a place and that their filament fits (rules 710, 711 and 714).

    Returns the layers with repeated beads. The room of beads in shifted layers is unknown.
    """
    stacks, log, order = wall.stacks, wall.subject.log, wall.stacks.order
    log.count_checks(len(stacks.row), 710)
    log.count_checks(len(wall.rows), 711)
    later, same = _same_place(wall)
    filled = stacks.share / np.maximum(stacks.room, 1e-3)
    length = np.full(len(order), stacks.step)
    pieces = Pieces(stacks.row, stacks.layer, length, filled).take(order)
    full = _report(wall, 710, pieces, later[order], 2 * FULL if wall.led else FULL)
    full = np.append(full, _check_lines(wall))
    if wall.exact:
        inner = stacks.inner[order]
        over = _majority(_overfed(stacks, filled, same)[order] & inner)
        under = _majority((pieces.filled < STARVED) & inner)
    else:
        beads, (lines, room) = wall.beads, wall.constant
        filled = beads.area / np.maximum(room, 1e-6)
        pieces = Pieces(beads.row, beads.layer, beads.length, filled).take(lines)
        over, under = pieces.filled > OVERFED, pieces.filled < STARVED
    if len(shifted):
        known = ~np.isin(pieces.layer, shifted)
        over, under = over & known, under & known
    # A wall that makes up for the spread of light is as rough as noise.
    rough = 2.0 if wall.subject.program.header.get("job aim") == "picture" else 1.0
    _report(wall, 711, pieces, over, OVERFED_PATH * rough)
    if not wall.led:
        log.count_checks(len(wall.rows), 714)
        _report(wall, 714, pieces, under, STARVED_PATH * rough)
    return full


def _same_place(wall: Wall) -> tuple[Bools, Bools]:
    """Mark crossings that share a place: all of them, and all except the first."""
    stacks = wall.stacks
    before = np.append(np.inf, stacks.share[:-1])[: len(stacks.n)]
    width = np.minimum(np.minimum(stacks.share, before), wall.spacing)
    same = ~stacks.first & (np.diff(stacks.n, prepend=0.0) < SAME_PLACE * width)
    if wall.job.fill == "contour":  # its loop around a thin wall overlaps itself
        size = np.diff(np.append(np.flatnonzero(stacks.first), len(stacks.n)))
        same &= np.repeat(size, size) > 2
    pair = np.flatnonzero(same)
    fed = wall.subject.moves.filament[stacks.row[pair]] > 0  # what leaks on the way is not a bead
    pair = pair[fed & (wall.subject.moves.filament[stacks.row[pair - 1]] > 0)]
    later, involved = np.zeros(len(same), bool), np.zeros(len(same), bool)
    later[np.where(stacks.row[pair] > stacks.row[pair - 1], pair, pair - 1)] = True
    involved[pair] = involved[pair - 1] = True
    return later, involved


def _overfed(stacks: Stacks, filled: Floats, same: Bools) -> Bools:
    """Mark crossings with far more filament than fits between their neighbours.

    The neighbours of such a bead have no room either, but are not wider than others; and where beads crowd
    at a steep face, the sum of the stack is right nevertheless.
    """
    found = np.flatnonzero((filled > OVERFED) & ~same)
    number = np.cumsum(stacks.first) - 1
    count, number = np.bincount(number), number[found]
    section, count = stacks.section[number], count[number]
    wide = stacks.share[found] > WIDE * section / count
    marked = np.zeros(len(filled), bool)
    marked[found[wide & (stacks.total[number] > section * (1 + EXCESS / count))]] = True
    return marked


def _majority(flags: Bools) -> Bools:
    """Replace each flag by the majority of itself and its two neighbours, to remove single errors."""
    found = flags.copy()
    a, b, c = flags[:-2], flags[1:-1], flags[2:]
    found[1:-1] = (a & b) | (b & c) | (a & c)
    return found


def _check_lines(wall: Wall) -> Ints:
    """Check that no two lines across the wall share a place (rule 710); return the faulty layers."""
    beads, at = wall.beads, np.flatnonzero(wall.across)
    u, low, high = beads.u[1][at], np.minimum(*beads.n)[at], np.maximum(*beads.n)[at]
    order = np.lexsort((at, np.round(low, 3), np.round(u, 3), beads.layer[at]))
    same = (np.diff(u[order]) < SAME_PLACE * wall.spacing) & (np.diff(beads.layer[at[order]]) == 0)
    same &= low[order[1:]] < high[order[:-1]] - SAME_PLACE * wall.spacing  # not another piece of one line
    again = np.zeros(len(at), bool)
    again[np.maximum(order[1:], order[:-1])[same]] = True
    pieces = Pieces(beads.row[at], beads.layer[at], beads.length[at], again.astype(np.float64))
    return _report(wall, 710, pieces, again, FULL)


def _report(wall: Wall, number: int, pieces: Pieces, broken: Bools, least: float) -> Ints:
    """Record faults longer than `least` mm of path, one finding per layer; return the layers.

    In a picture of noise, beads of a good program are off for a while in every layer: a fault continues for
    several times as long as in the middle layer.
    """
    broken = broken & wall.subject.in_damaged(pieces.row)
    if not broken.any():
        return np.zeros(0, np.intp)
    padded = np.concatenate([[False], broken, [False]])
    begin, end = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2).T
    reached = np.concatenate([[0.0], np.cumsum(pieces.length)])
    path = reached[end] - reached[begin]
    long = path >= max(least, OUTLAST * _usual(pieces, begin, path))
    begin, end, paths = begin[long], end[long], path[long]
    layers, first = np.unique(pieces.layer[begin], return_index=True)
    for at, stop in zip(first.tolist(), [*first[1:].tolist(), len(begin)], strict=False):
        mm = float(paths[at:stop].sum())
        if number == 710:
            text, value, limit = f"{mm:.1f} mm of bead where the layer already has one", mm, ""
        else:
            value = 100 * min(float(np.median(pieces.filled[begin[at] : end[at]])), 9.99)
            text = f"{value:.0f} % of the filament that fits, over {mm:.1f} mm of bead"
            limit = f"{100 * STARVED:.0f} to {100 * OVERFED:.0f} %"
        row = _beginning(wall, int(pieces.row[begin[at]]), number)
        last = wall.subject.line(int(pieces.row[end[stop - 1] - 1]))
        wall.subject.log.add(number, wall.subject.line(row), wall.prefix + text, value, limit, last)
    return np.asarray(layers)


def _usual(pieces: Pieces, begin: Ints, path: Floats) -> float:
    """Return the median over the layers of the longest faulty path, mm."""
    layers = np.bincount(pieces.layer)
    longest = np.zeros(len(layers))
    np.maximum.at(longest, pieces.layer[begin], path)
    return float(np.median(longest[layers > 0]))


def _beginning(wall: Wall, row: int, number: int) -> int:
    """Return the move at which the fault begins; `row` is the first move that shows the fault."""
    at = int(np.searchsorted(wall.rows, row))
    near = np.arange(max(at - BACK, 0), min(at + (1 if number == 710 else BACK), len(wall.rows)))
    length = wall.beads.length[near]
    if number == 710:  # the probes miss a short piece at the beginning of a path
        since = np.cumsum(length[::-1])[::-1][1:] - length[-1]
        begins = (np.diff(wall.rows[near]) > 1) & (since < 3 * wall.stacks.step)
    else:
        if wall.exact:  # hairpins have widths of their own
            near = near[np.abs(wall.beads.u[1] - wall.beads.u[0])[near] > length / 4]
        width = wall.beads.area[near] / np.maximum(wall.beads.length[near], 1e-6)
        change = width[1:] / np.maximum(width[:-1], 1e-9)
        begins = change > JUMP if number == 711 else change < 1 / JUMP
    jumps = near[1:][begins]
    return int(wall.rows[jumps[np.abs(jumps - at).argmin()]]) if len(jumps) else row


def _check_packing(wall: Wall, apart: Ints) -> None:
    """Compare the filament of every layer with the area of its section (rules 403 and 404).

    The beads of a column-exact fill end at the face. Those of the other fills have one spacing, so their
    section is path times spacing; dry lines across the wall deposit the share of their ends as well. The
    layers `apart` are not checked.
    """
    stacks, beads, layers = wall.stacks, wall.beads, len(wall.placed.frame.tops)
    if wall.exact:
        layer, filled, section = stacks.layer[stacks.first], stacks.total, stacks.section
    else:
        lines, room = wall.constant
        layer, filled, section = beads.layer[lines], beads.area[lines], room[lines]
    count = np.bincount(layer, minlength=layers)
    good = np.setdiff1d(np.flatnonzero(count >= MIN_PROBES), apart)
    if not len(good):
        return
    share = np.bincount(layer, filled, layers)[good] / np.bincount(layer, section, layers)[good]
    wall.subject.log.count_checks(len(good), 404)
    wall.subject.log.count_checks(not wall.led, 403)
    low, high = RANGES[404]
    bad = ~((low <= share) & (share <= high)) & np.isin(good, wall.damaged)
    if wall.led:  # what the pressure lag leaves over in a layer is no matter of the feed as a whole
        bad &= not low <= float(np.median(share)) <= high
    text, limit = "{:.0f} % of the intended packing", f"{100 * low:.0f} to {100 * high:.0f} %"
    _report_layers(wall, 404, good[bad], 100 * share[bad], text, limit)
    low, high = RANGES[403]
    middle = float(np.median(share))
    if not low <= middle <= high and not bad.any() and not wall.led:
        found = f"{wall.prefix}{100 * middle:.0f} % of the intended packing, median of {len(good):,} layers"
        line, last = (wall.subject.line(int(wall.rows[k])) for k in (0, -1))
        wall.subject.log.add(403, line, found, middle, f"{100 * low:.0f} to {100 * high:.0f} %", last)


def _check_missing(wall: Wall) -> None:
    """Find the missing part of a layer if the program feeds less than the header states (716).

    A picture may have a thin line as well; only the amount of filament tells them apart.
    """
    if not wall.subject.last:
        return
    stacks, frame = wall.stacks, wall.placed.frame
    wall.subject.log.count_checks(1, 716)
    lost = missing_filament(wall.subject) * filament_area(wall.placed.filament_diameter)
    if not lost > 0:
        return
    thick = np.zeros((len(frame.tops) + 1, stacks.per_layer))
    thick.ravel()[stacks.probe[stacks.first]] = stacks.total
    lines = np.flatnonzero(wall.across)
    thick[np.unique(wall.beads.layer[lines])] = 0.0
    place = np.clip(wall.beads.u[1][lines] / stacks.step + stacks.beside, 0, stacks.per_layer - 1)
    at = wall.beads.layer[lines], place.astype(np.intp)
    np.add.at(thick, at, wall.beads.area[lines] / stacks.step)
    thick[-1] = thick[-2]
    lack = np.minimum(thick[:-2], thick[2:]) - thick[1:-1]
    lacks = lack > LACK
    run = int(np.ceil(VOID / stacks.step))
    windows = np.lib.stride_tricks.sliding_window_view(lacks, run, axis=1)
    inside: Bools = np.asarray(windows.all(axis=2))
    layer = 1 + np.flatnonzero(inside.any(axis=1))
    if not len(layer):
        return
    packed = np.broadcast_to(frame.heights * wall.placed.packing, frame.tops.shape)[layer]
    volume = (lack * lacks)[layer - 1].sum(axis=1) * stacks.step * packed
    ratio = np.maximum(volume / lost, lost / volume)
    if ratio.min() > MATCH:
        return
    worst = int(layer[ratio.argmin()])
    places = np.flatnonzero(lacks[worst - 1])
    middle = float(places.mean() + 0.5 - stacks.beside) * stacks.step
    text = f"{wall.prefix}{lost:.1f} mm³ missing at z {frame.tops[worst]:.2f} mm, around u {middle:.1f} mm"
    line = wall.subject.line(_break(wall, worst, middle))
    wall.subject.log.add(716, line, text, lost, "as much wall as below and above")


def _break(wall: Wall, layer: int, u: float) -> int:
    """Return the move before which a part of a layer is missing, given its middle at u.

    The bead behind the break comes from the wrong place, so its filament is too little for its path. If
    there is no such bead, the nearest end of a stroke is taken.
    """
    beads = wall.beads
    here = np.flatnonzero(beads.layer == layer)
    low = int(here[0]) if len(here) else int(np.searchsorted(beads.layer, layer))
    starts = np.unique([low, *(here[1:][np.diff(wall.rows[here]) > 1]), low + len(here)])
    starts = starts[starts < len(wall.rows)]
    if not len(starts):
        return int(wall.rows[-1]) + 1
    width = beads.area[starts] / np.maximum(beads.length[starts], 1e-6)
    if width.min() < wall.spacing / 4:
        return int(wall.rows[starts[width.argmin()]])
    ends = np.maximum(starts - 1, 0)
    return int(wall.rows[ends[np.abs(beads.u[1][ends] - u).argmin()]]) + 1
