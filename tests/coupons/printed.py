"""A coupon laid out, written and read back, and its sheet filled in: what tests of machine coupons share."""

from dataclasses import dataclass

import msgspec
import numpy as np

from pathgen import Job, replay
from pathgen.coupons.definition import FilledSheet
from pathgen.coupons.make import LaidOut
from pathgen.coupons.measurement_sheet import identify_sheet, read_filled
from pathgen.gcode.read import read_program
from pathgen.motion import Kind
from pathgen.program.summary import Summary
from pathgen.proof.deposit_map import thickness_error
from pathgen.proof.program_panel import Stated
from pathgen.settings import load_machine, settle
from tests.coupons import ladders

MACHINES = ("moving-table", "moving-gantry", "long-tube", "ngc-lab")
SEEDS, LEAST_HITS = 30, 27


@dataclass
class Printed:
    """A coupon's layout with its program."""

    laid: LaidOut
    path: object
    summary: Summary
    moves: object

    def deposited(self, number):
        """Points of a panel's walls, machine x, y and z, every 0.4 mm or less along the moves that feed."""
        planned, m = self.laid.platform.panels[number], self.moves
        at = np.flatnonzero(np.isin(m.kind, (Kind.WALL, Kind.HAIRPIN)) & (m.filament > 0))
        start = [column[at - 1] for column in (m.x, m.y)]
        steps = [column[at] - begin for column, begin in zip((m.x, m.y), start, strict=True)]
        count = np.ceil(np.hypot(*steps) / 0.4).astype(int) + 1
        row = np.repeat(np.arange(len(at)), count)
        share = (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)) / (count[row] - 1)
        x, y = (begin[row] + share * step[row] for begin, step in zip(start, steps, strict=True))
        u, n = planned.placement.to_panel(x, y)
        (u0, u1), (n0, n1) = planned.plan_box
        here = (u > u0) & (u < u1) & (n > n0) & (n < n1)
        return x[here], y[here], m.z[at][row][here]


def printed(name, machine, folder, **job):
    laid, program, result = ladders.printed(name, machine, **job)
    path, summary = folder / f"{name}.gcode", result.summary
    path.write_bytes(program)
    profile = load_machine(machine)
    moves = read_program(path, profile.dialect, profile.hot_end.filament_diameter).moves
    for axis in "xyz":
        low, high = getattr(profile.volume, axis)
        values = getattr(moves, axis)
        assert low <= values.min() and values.max() <= high
    assert summary.times.time_s < 90 * 60
    return Printed(laid, path, summary, moves)


def assert_replays(print_, ends=1.0):
    """Every panel's deposit is its nominal map within 0.012 mm RMS."""
    several = len(print_.laid.platform.panels) > 1
    for number, planned in enumerate(print_.laid.platform.panels, start=1):
        found = replay(print_.path, stated=Stated(panel=number) if several else None)
        assert found.notes == ()
        wanted = planned.panel.thickness
        error = thickness_error(
            found.deposited.upright(len(wanted)), wanted, ends=ends, pixel=planned.panel.pixel
        )
        assert error["rms"] <= 0.012, number


def filled_text(text, **readings):
    """Write readings, one for each row, into the blank cells of a sheet."""
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[head].split(",")
    for column, values in readings.items():
        place = names.index(column)
        assert len(values) == len(lines) - head - 1
        for i, value in enumerate(values, start=head + 1):
            cells = lines[i].split(",")
            assert cells[place] == ""
            cells[place] = str(value)
            lines[i] = ",".join(cells)
    return "\n".join(lines) + "\n"


def read_back(coupon, text, folder):
    """Take a filled sheet as `pathgen fit` would."""
    path = folder / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    found, rows = identify_sheet(path, [coupon])
    assert found is coupon
    return read_filled(coupon, rows)


def sheet_of(coupon, **values):
    """Make a filled sheet without a file."""
    columns = {name: np.asarray(column, float) for name, column in values.items()}
    count = len(next(iter(columns.values())))
    return FilledSheet(coupon, "sheet.csv", columns, np.arange(5, 5 + count))


def setup(machine="moving-table", **changes):
    """Settings of a shipped machine, some of its keys changed."""
    return settle(Job(machine=machine), msgspec.structs.replace(load_machine(machine), **changes))
