"""Rules 701 to 709: layers, overhangs, supports and missing parts of the deposited panel.

The header states where the panel stands. Without a header, overhangs are not checked.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.motion.moves import Kind
from pathgen.panel.overhang import overhangs
from pathgen.proof.checklist.evidence import MAX_PANELS, Floats, Ints, Subject
from pathgen.proof.checklist.solid import check_heights, check_solid
from pathgen.proof.checklist.support import check_support
from pathgen.proof.deposit_map import COUNTED, DepositMap, deposit, inside_ends
from pathgen.proof.header import Header, JobFacts, require
from pathgen.proof.program_panel import ProgramPanel, Stated, locate_panel
from pathgen.settings.constraints import LAYER_OF_NOZZLE

OUTSIDE_SHARE = 0.001  # share of the filament that may be deposited outside the panel
TRACE = 0.05  # mm of wall; the round end of a bead leaves less than that in the next column
ENDS = 2.0  # mm at both ends of every piece of wall that are not checked: beads reverse there
COLUMN = 0.2  # mm, minimum width of the columns in which overhang is measured: half a bead
TIP = 3  # topmost layers that may be empty
STEP_OFF = 0.05  # tolerance of a layer height, as a share of a motor step
SAMPLES = 40  # layers in which supports are compared with the face
OVERLAP = 0.05  # mm that beads may overlap, as round bead ends are drawn too full


def check_panel(subject: Subject) -> None:
    """Check the deposited panels (rules 701 to 709)."""
    _check_layers(subject)
    check_heights(subject)
    check_support(subject)
    levels, log = subject.levels, subject.log
    lines = (subject.line(row) for row in levels.first.tolist())
    subject.earlier.heights += zip(levels.z.tolist(), lines, strict=True)
    try:
        header = Header.read(subject.program.header)
    except PathgenError as error:
        log.require(False, 707, 0, str(error))
        return
    if not subject.whole and header.job.layer == "auto":
        if subject.last:  # adaptive layer heights are known only after all layer marks have been read
            log.require(False, 708, 0, "adaptive layers in a program too long to check at once")
        return
    if not header.has_frame:
        if len(subject.deposits) and subject.last:
            log.require(False, 708, 0, "the program has no pathgen header")
        return
    count = subject.panels
    log.require(
        count > 0, 707, 0, f"panels = {subject.program.header.get('panels')!r}", limit="a number from 1"
    )
    for number in range(1, min(count, MAX_PANELS) + 1):
        try:
            _check_one(subject, number if count > 1 else None)
        except PathgenError as error:
            log.add(707, 0, str(error))


def _check_layers(subject: Subject) -> None:
    """Check layer heights against the nozzle diameter and the motor step (rules 701 and 702)."""
    levels, machine = subject.levels, subject.machine
    highest = LAYER_OF_NOZZLE * machine.hot_end.nozzle_diameter
    steps = machine.axes.z.steps_per_mm
    subject.log.count_checks(len(levels.first), 701, 702)
    # Both positions of a difference are rounded to half their last decimal.
    slack = 10.0**-machine.dialect.position_decimals + 1e-6
    for at in np.flatnonzero(levels.height > highest + slack).tolist():
        height = float(levels.height[at])
        text = f"layer height {height:.3f} mm at z {levels.z[at]:.2f} mm"
        limit = f"{highest:.2f} mm, 0.8 of the {machine.hot_end.nozzle_diameter:g} mm nozzle"
        subject.log.add(701, subject.line(int(levels.first[at])), text, height, limit)
    whole = levels.height * steps
    off = np.flatnonzero(np.abs(whole - np.round(whole)) > STEP_OFF + steps * slack)
    if len(off):
        height = float(levels.height[off[0]])
        text = (
            f"layer height {height:.4f} mm is {height * steps:.2f} motor steps; first of {len(off):,} layers"
        )
        line = subject.line(int(levels.first[off[0]]))
        subject.log.add(702, line, text, height, f"multiples of {1 / steps:g} mm")


def _check_one(subject: Subject, panel: int | None) -> None:
    """Deposit one panel and check it."""
    job = Header.read(subject.program.header, panel).job
    stated = Stated(panel=panel, pixel=max(require(job, "pixel"), COLUMN))
    placed = locate_panel(subject.program, subject.machine, stated)
    prefix, log = f"panel {panel}: " if panel else "", subject.log

    def add_deposits(*kinds: Kind) -> DepositMap:
        diameter = placed.filament_diameter
        with np.errstate(over="ignore", invalid="ignore"):  # it may run in a thread of its own
            window = deposit(
                subject.program, placed.frame, packing=placed.packing, filament_diameter=diameter, kinds=kinds
            )
        return subject.earlier.add(panel or 0, kinds, window)

    with ThreadPoolExecutor(1) as worker:
        deposited = worker.submit(add_deposits, *COUNTED)
        check_solid(subject, placed, job, prefix)
        wall = deposited.result()
    if (subject.moves.kind == Kind.COMB).any():
        add_deposits(Kind.COMB)
    _check_supports(subject, placed, job.rim_width or 0.0, prefix)
    if not subject.last:
        return
    outside = wall.outside / max(float(wall.volume.sum()) + wall.outside, 1e-9)
    text = f"{prefix}{100 * outside:.1f} % of the wall's filament"
    log.require(outside <= OUTSIDE_SHARE, 709, 0, text, outside, f"{100 * OUTSIDE_SHARE:g} %")
    filled = wall.volume[::-1].any(axis=1)
    missing = np.flatnonzero(~filled)
    if len(missing) <= TIP:  # the tip of a pointed outline may be narrower than a bead
        missing = missing[missing < np.flatnonzero(filled).max(initial=-1)]
    log.count_checks(1, 706)
    if len(missing):
        text = f"{prefix}{len(missing):,} of {len(wall.volume):,} layers, the first is layer {missing[0] + 1}"
        line = _line_at(subject, float(placed.frame.tops[missing[0]]))
        log.add(706, line, text, len(missing), "none")
    comb = subject.earlier.maps.get((panel or 0, (Kind.COMB,)))
    comb_wall = None if comb is None else comb.upright()
    _check_overhang(subject, placed, job, wall.upright(), comb_wall, prefix)


def _line_at(subject: Subject, z: float) -> int:
    """Return the source line of the first deposit at or above a height."""
    return next((line for height, line in subject.earlier.heights if height >= z - 1e-3), subject.last_line)


def _check_overhang(
    subject: Subject,
    placed: ProgramPanel,
    job: JobFacts,
    wall: Floats,
    comb: Floats | None,
    prefix: str,
) -> None:
    """Check the unsupported overhang of the face and of the outline (rules 703 and 704)."""
    frame = placed.frame
    angle = subject.machine.overhang if job.overhang is None else job.overhang
    spacing = 1.05 * subject.machine.hot_end.nozzle_diameter if job.spacing is None else job.spacing
    wall = np.where(wall > TRACE, wall, 0.0)
    supporting = None if comb is None else comb > TRACE
    if not 0 < angle < 90:
        raise PathgenError(
            f"job overhang = {angle:g}", where="header", allowed="an angle between 0 and 90 degrees"
        )
    found = overhangs(wall, frame.pixel, angle, spacing, supporting)
    subject.log.count_checks(int(np.count_nonzero(wall)), 703, 704)
    inner = inside_ends(wall, ENDS, frame.pixel)
    inner[:-1] &= inner[1:]  # the overhang above the end of a bead is unknown
    # The end of a wall is known to one column only; one bead of overhang is tolerated on top of that.
    over = found.outline & (found.excess > spacing + frame.pixel)
    for number, overhang in ((703, found.excess * (inner & ~found.outline)), (704, found.excess * over)):
        for row, column in _connected_places(overhang):
            z, u = (len(overhang) - 1 - row) * frame.pixel, (column + 0.5) * frame.pixel
            length = float(overhang[row, column])
            text = f"{prefix}{length:.2f} mm of unsupported overhang at z {z:.1f} mm, u {u:.1f} mm"
            limit = f"{angle:g}° from the vertical"
            subject.log.add(number, _line_at(subject, z), text, length, limit)


def _connected_places(overhang: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Return the row and column of the largest overhang in each connected region, largest first."""
    label, count = ndimage.label(overhang > 0, np.ones((3, 3)))
    places = ndimage.maximum_position(overhang, label, np.arange(1, count + 1))
    return sorted(((int(i), int(k)) for i, k in places), key=lambda place: -overhang[place])


def _check_supports(subject: Subject, placed: ProgramPanel, rim: float, prefix: str) -> None:
    """Check the gap between supports and the picture's face in sampled layers (rule 705)."""
    moves, levels, rows = subject.moves, subject.levels, subject.deposits
    supports = np.isin(moves.kind[rows], (Kind.WEDGE, Kind.COMB))
    if not supports.any():
        return
    supported = np.unique(np.searchsorted(levels.first, rows[supports], "right") - 1)
    supported = supported[levels.z[supported] > levels.z[0]]  # the brim joins everything in the first layer
    if len(supported) > SAMPLES:
        supported = supported[np.linspace(0, len(supported) - 1, SAMPLES).astype(int)]
    height = float(placed.frame.tops[-1])
    for level in supported:
        stop = levels.first[level + 1] if level + 1 < len(levels.first) else len(moves)
        here = rows[slice(*np.searchsorted(rows, [levels.first[level], stop]))]
        z = float(levels.z[level])
        for kind, border in ((Kind.WEDGE, rim), (Kind.COMB, 0.0)):
            if not border <= z <= height - border:
                continue
            row, gap = _smallest_gap(subject, placed, here, kind, border)
            text = f"{prefix}{-gap:.2f} mm of overlap at z {z:.2f} mm"
            subject.log.require(gap >= -OVERLAP, 705, subject.line(row), text, gap, f"{OVERLAP:g} mm")


def _smallest_gap(
    subject: Subject, placed: ProgramPanel, rows: Ints, kind: Kind, border: float
) -> tuple[int, float]:
    """Find the support bead closest to the face in one layer; return the bead and the gap, mm."""
    moves, frame = subject.moves, placed.frame
    support = rows[moves.kind[rows] == kind]
    wall = rows[np.isin(moves.kind[rows], (Kind.WALL, Kind.HAIRPIN))]
    x, y, _ = subject.before(wall)
    u, before = frame.u(moves.x[wall], moves.y[wall]), frame.u(x, y)
    face = wall[(np.minimum(u, before) > border) & (np.maximum(u, before) < frame.width - border)]
    support = support[frame.holds(moves.x[support], moves.y[support])]
    if not len(face) or not len(support):
        return 0, np.inf
    lines, face_lines = (_lines(subject, some) for some in (support, face))
    widths, face_widths = (_widths(subject, some) for some in (support, face))
    tree = shapely.STRtree(face_lines)
    (at, to), apart = tree.query_nearest(lines, return_distance=True, all_matches=False)
    gaps = apart - (widths[at] + face_widths[to]) / 2
    worst = int(gaps.argmin())
    return int(support[at[worst]]), float(gaps[worst])


def _lines(subject: Subject, rows: Ints) -> NDArray[np.object_]:
    x, y, _ = subject.before(rows)
    ends = np.stack([subject.moves.x[rows], subject.moves.y[rows]], 1)
    return np.asarray(shapely.linestrings(np.stack([np.stack([x, y], 1), ends], 1)))


def _widths(subject: Subject, rows: Ints) -> Floats:
    """Return bead widths, mm, clipped to the nozzle's maximum; very short moves give invalid widths."""
    x, y, _ = subject.before(rows)
    length = np.hypot(subject.moves.x[rows] - x, subject.moves.y[rows] - y)
    hot = subject.machine.hot_end
    width = subject.moves.filament[rows] * hot.section / (np.maximum(length, 1e-3) * subject.heights(rows))
    return np.asarray(np.minimum(width, hot.spacing_max or 1.55 * hot.nozzle_diameter))
