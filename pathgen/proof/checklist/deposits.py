"""Rules 701 to 709: the panel, laid down from the text: layers, what leans out, supports, what is missing.

A header says how the panel stands; without one, whether anything leans out is not judged.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.motion.moves import Kind
from pathgen.panel.overhang import APART, PLACES, overhangs
from pathgen.proof.checklist.evidence import MOST_PANELS, Floats, Ints, Subject
from pathgen.proof.deposit_map import COUNTED, DepositMap, deposit, inside_ends
from pathgen.proof.frame import fact
from pathgen.proof.header import ProgramPanel, locate_panel
from pathgen.settings.constraints import LAYER_OF_NOZZLE

ASTRAY = 0.001  # share of the filament that may lie beside the panel
TRACE = 0.05  # mm of wall; less is what a bead's round end leaves in the next column
ENDS = 2.0  # mm at the ends of every stretch of wall, where beads turn, that are not judged
COLUMN = 0.2  # mm, least width of the columns that leaning is judged in: half a bead
TIP = 3  # topmost layers that may hold nothing
STEP_OFF = 0.05  # share of a motor step by which a height may be off
SAMPLES = 40  # layers in which supports are held against the face
OVERLAP = 0.05  # mm by which beads may overlap; a bead's round end is drawn fuller than it is


def check_panel(subject: Subject) -> None:
    """Hold the rules of theme 7 against a program."""
    _layers(subject)
    header, levels = subject.program.header, subject.levels
    lines = (subject.line(row) for row in levels.first.tolist())
    subject.ground.heights += zip(levels.z.tolist(), lines, strict=True)
    if not subject.whole and header.get("job layer") == "auto":
        if subject.last:  # heights are only known when all marks have been read
            subject.book.look(1, 708)
            subject.book.find(708, 0, "layers of several heights, and more moves than are held at once")
        return
    if not any(key.startswith("panel ") for key in header):
        if len(subject.deposits) and subject.last:
            subject.book.look(1, 708)
            subject.book.find(708, 0, "no header of pathgen")
        return
    subject.book.look(1, 707)
    count = subject.panels
    if not count:
        subject.book.find(707, 0, f"panels = {header['panels']!r}")
    for number in range(1, min(count, MOST_PANELS) + 1):
        try:
            _one(subject, number if count > 1 else None)
        except PathgenError as error:
            subject.book.find(707, 0, str(error))


def _layers(subject: Subject) -> None:
    """701, 702: heights against the nozzle and against the motor's steps."""
    levels, machine = subject.levels, subject.machine
    most = LAYER_OF_NOZZLE * machine.hot_end.nozzle_diameter
    steps = machine.axes.z.steps_per_mm
    subject.book.look(len(levels.first), 701, 702)
    # Positions are written rounded, each by half its last decimal.
    slack = 10.0**-machine.dialect.position_decimals + 1e-6
    for at in np.flatnonzero(levels.height > most + slack).tolist():
        height = float(levels.height[at])
        text = f"{height:.3f} mm, up to {levels.z[at]:.2f} mm"
        limit = f"at most {most:.2f} mm, 0.8 of the {machine.hot_end.nozzle_diameter:g} mm nozzle"
        subject.book.find(701, subject.line(int(levels.first[at])), text, height, limit)
    whole = levels.height * steps
    off = np.flatnonzero(np.abs(whole - np.round(whole)) > STEP_OFF + steps * slack)
    if len(off):
        height = float(levels.height[off[0]])
        text = f"{height:.4f} mm is {height * steps:.2f} steps; {len(off):,} layers are so"
        line = subject.line(int(levels.first[off[0]]))
        subject.book.find(702, line, text, height, f"multiples of {1 / steps:g} mm")


def _one(subject: Subject, panel: int | None) -> None:
    """Lay one panel down and judge it."""
    stated = replace(subject.stated, panel=panel) if panel else subject.stated
    if stated.pixel is None:
        own = fact(subject.program, "job pixel")
        stated = replace(stated, pixel=max(own, COLUMN))
    stands = locate_panel(subject.program, subject.machine, stated)
    told = f"panel {panel}: " if panel else ""
    laid = subject.ground.add(panel or 0, COUNTED, _laid(subject, stands, COUNTED))
    comb = (Kind.COMB,)
    if (subject.moves.kind == Kind.COMB).any():
        subject.ground.add(panel or 0, comb, _laid(subject, stands, comb))
    _supports(subject, stands, told)
    if not subject.last:
        return
    fed, beside = float(laid.volume.sum()), laid.outside
    subject.book.look(1, 706, 709)
    if beside > ASTRAY * (fed + beside):
        text = f"{told}{100 * beside / (fed + beside):.1f} % of the wall's plastic"
        subject.book.find(709, 0, text, beside / (fed + beside), f"at most {100 * ASTRAY:g} %")
    there = laid.volume[::-1].any(axis=1)
    missing = np.flatnonzero(~there)
    if len(missing) <= TIP:  # the tip of a pointed outline may be finer than a bead
        missing = missing[missing < np.flatnonzero(there).max(initial=-1)]
    if len(missing):
        text = f"{told}{len(missing):,} of {len(laid.volume):,}, the first of them number {missing[0] + 1}"
        line = _line_at(subject, float(stands.frame.tops[missing[0]]))
        subject.book.find(706, line, text, len(missing), "none")
    carried = subject.ground.laid.get((panel or 0, comb))
    _leaning(subject, stands, laid.upright(), None if carried is None else carried.upright(), told)


def _laid(subject: Subject, stands: ProgramPanel, kinds: tuple[Kind, ...]) -> DepositMap:
    diameter = stands.filament_diameter
    return deposit(
        subject.program, stands.frame, packing=stands.packing, filament_diameter=diameter, kinds=kinds
    )


def _line_at(subject: Subject, z: float) -> int:
    """Line of the first deposit at a height or over it."""
    return next((line for height, line in subject.ground.heights if height >= z - 1e-3), subject.last_line)


def _leaning(subject: Subject, stands: ProgramPanel, wall: Floats, comb: Floats | None, told: str) -> None:
    """703, 704: the face and the outline, where nothing carries them."""
    header, frame = subject.program.header, stands.frame
    angle = fact(subject.program, "job overhang") if "job overhang" in header else subject.machine.overhang
    spacing = (
        fact(subject.program, "job spacing")
        if "job spacing" in header
        else 1.05 * subject.machine.hot_end.nozzle_diameter
    )
    wall = np.where(wall > TRACE, wall, 0.0)
    carries = None if comb is None else comb > TRACE
    if not 0 < angle < 90:
        raise PathgenError(f"job overhang = {angle:g}", where="header", allowed="between 0 and 90")
    found = overhangs(wall, frame.pixel, angle, spacing, carries)
    subject.book.look(int(np.count_nonzero(wall)), 703, 704)
    inner = inside_ends(wall, ENDS, frame.pixel)
    inner[:-1] &= inner[1:]  # what stands on a bead's end leans over nothing that is known
    # Where a wall ends is known to a column, on top of the bead that is forgiven.
    over = found.outline & (found.excess > spacing + frame.pixel)
    for number, lean in ((703, found.excess * (inner & ~found.outline)), (704, found.excess * over)):
        for row, column in _worst(lean, frame.pixel):
            z, u = (len(lean) - 1 - row) * frame.pixel, (column + 0.5) * frame.pixel
            text = f"{told}{lean[row, column]:.2f} mm too far at z {z:.1f} mm, u {u:.1f} mm"
            limit = f"{angle:g}° from the vertical"
            subject.book.find(number, _line_at(subject, z), text, lean[row, column], limit)


def _worst(lean: NDArray[np.float32], pixel: float) -> list[tuple[int, int]]:
    """Row and column of the worst places, none of them near a worse one."""
    left = lean.copy()
    found: list[tuple[int, int]] = []
    near = max(1, round(APART / pixel))
    while len(found) < PLACES and left.max(initial=0.0) > 0:
        row, column = (int(k) for k in np.unravel_index(left.argmax(), left.shape))
        found.append((row, column))
        left[max(row - near, 0) : row + near + 1, max(column - near, 0) : column + near + 1] = 0.0
    return found


def _supports(subject: Subject, stands: ProgramPanel, told: str) -> None:
    """705: beads of supports against beads of the picture's face, layer by layer."""
    moves, levels = subject.moves, subject.levels
    rows = subject.deposits
    supports = np.isin(moves.kind[rows], (Kind.WEDGE, Kind.COMB))
    if not supports.any():
        return
    with_supports = np.unique(np.searchsorted(levels.first, rows[supports], "right") - 1)
    with_supports = with_supports[
        levels.z[with_supports] > levels.z[0]
    ]  # in the first layer all stand on the brim
    picks = (
        with_supports[np.unique(np.linspace(0, len(with_supports) - 1, SAMPLES).astype(int))]
        if len(with_supports)
        else []
    )
    rim = fact(subject.program, "job rim_width") if "job rim_width" in subject.program.header else 0.0
    height = float(stands.frame.tops[-1])
    for level in picks:
        stop = levels.first[level + 1] if level + 1 < len(levels.first) else len(moves)
        here = rows[slice(*np.searchsorted(rows, [levels.first[level], stop]))]
        z = float(levels.z[level])
        for kind, border in ((Kind.WEDGE, rim), (Kind.COMB, 0.0)):
            if not border <= z <= height - border:
                continue
            subject.book.look(1, 705)
            near = _nearest(subject, stands, here, kind, border)
            if near is not None and near[1] < -OVERLAP:
                text = f"{told}{-near[1]:.2f} mm into each other at z {z:.2f} mm"
                subject.book.find(705, subject.line(near[0]), text, near[1], f"at most {OVERLAP:g} mm")


def _nearest(
    subject: Subject, stands: ProgramPanel, rows: Ints, kind: Kind, border: float
) -> tuple[int, float] | None:
    """Row of the support's bead nearest to the face in one layer, and the gap, mm."""
    moves, frame = subject.moves, stands.frame
    support = rows[moves.kind[rows] == kind]
    wall = rows[np.isin(moves.kind[rows], (Kind.WALL, Kind.HAIRPIN))]
    if not len(support) or not len(wall):
        return None
    u = frame.u(moves.x[wall], moves.y[wall])
    x, y, _ = subject.before(wall)
    before = frame.u(x, y)
    face = wall[(np.minimum(u, before) > border) & (np.maximum(u, before) < frame.width - border)]
    support = support[frame.holds(moves.x[support], moves.y[support])]
    if not len(face) or not len(support):
        return None
    lines = [_lines(subject, some) for some in (support, face)]
    widths = [_widths(subject, some) for some in (support, face)]
    tree = shapely.STRtree(lines[1])
    (at, to), apart = tree.query_nearest(lines[0], return_distance=True, all_matches=False)
    gaps = apart - (widths[0][at] + widths[1][to]) / 2
    worst = int(gaps.argmin())
    return int(support[at[worst]]), float(gaps[worst])


def _lines(subject: Subject, rows: Ints) -> NDArray[np.object_]:
    x, y, _ = subject.before(rows)
    ends = np.stack([subject.moves.x[rows], subject.moves.y[rows]], 1)
    return np.asarray(shapely.linestrings(np.stack([np.stack([x, y], 1), ends], 1)))


def _widths(subject: Subject, rows: Ints) -> Floats:
    """Spacing of beads, mm; a short turn's is no width, so none is taken for wider than a bead can be."""
    x, y, _ = subject.before(rows)
    length = np.hypot(subject.moves.x[rows] - x, subject.moves.y[rows] - y)
    hot = subject.machine.hot_end
    spacing = subject.moves.filament[rows] * hot.section / (np.maximum(length, 1e-3) * subject.heights(rows))
    return np.asarray(np.minimum(spacing, hot.spacing_max or 1.55 * hot.nozzle_diameter))
