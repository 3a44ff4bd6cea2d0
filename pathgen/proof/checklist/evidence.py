"""Input data of all rules: the program, the profiles, the parsed commands and the deposits.

Glossary. *Command*: an event split into its words. *Deposit*: a move that feeds filament while the head
travels. *Level*: a run of deposits at one height; its layer height is the distance to the level below.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.layer_sums import LayerSum, sum_deposits
from pathgen.gcode.read import Program
from pathgen.motion import plan_speeds
from pathgen.motion.lag import lagged_moves
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.checklist.findings import FindingLog, consecutive_rows
from pathgen.proof.checklist.words import command_effects, parse_words
from pathgen.proof.deposit_map import DepositMap
from pathgen.proof.header import Header
from pathgen.proof.program_panel import Stated, locate_panel
from pathgen.settings import Machine, Material
from pathgen.settings.program_words import ProgramWord

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

BLOCK = 1 << 17  # moves processed at once: their columns fit into the processor's cache
EXACT = ("tailored", "terraced")  # fills whose beads add up to the wall in every column
EVEN = ("contour", "raster")  # fills whose beads have one spacing
MAX_PANELS = 100  # panels of a program that are checked
SAME = 1e-4  # mm; heights closer than this are equal


class Command(NamedTuple):
    """Command codes and values of one line of the program."""

    line: int  # in the source, from 1
    move: int  # index of the move that follows it
    codes: tuple[str, ...]
    values: dict[str, float]


@dataclass
class EarlierDeposits:
    """Deposits from earlier parts of a program, kept until the panel is complete and can be checked.

    Attributes
    ----------
    maps : dict of (int, kinds) to DepositMap
        Deposit map by panel and by the kinds of move it includes.
    heights : list of (float, int)
        z of each level, mm, and the source line of its first deposit.
    layers : set of int
        Layers that have moves.
    """

    maps: dict[tuple[int, tuple[Kind, ...]], DepositMap] = field(default_factory=dict)
    heights: list[tuple[float, int]] = field(default_factory=list)
    layers: set[int] = field(default_factory=set)

    def add(self, panel: int, kinds: tuple[Kind, ...], more: DepositMap) -> DepositMap:
        """Add the deposits of a window to the stored deposits, and return all of them."""
        stored = self.maps.get((panel, kinds))
        if stored is not None:
            more = replace(more, volume=stored.volume + more.volume, outside=stored.outside + more.outside)
        self.maps[panel, kinds] = more
        return more


class DepositLevels(NamedTuple):
    """Groups of consecutive deposits at one height, in program order; arrays of shape (K,)."""

    first: Ints  # row of the first deposit of the run
    z: Floats  # mm above the platform
    height: Floats  # mm above the level below


@dataclass(frozen=True)
class Subject:
    """One window of a program, with all data that the rules use.

    Attributes
    ----------
    program : Program
        z is measured from the platform.
    machine : Machine
    material : Material
    log : FindingLog
    last : bool
        Whether this is the last window.
    whole : bool
        Whether this window is the whole program.
    below : float
        Highest deposit of earlier windows, mm.
    fed_before : float
        Filament fed by earlier windows, mm.
    earlier : EarlierDeposits
    """

    program: Program
    machine: Machine
    material: Material
    log: FindingLog
    last: bool = True
    whole: bool = True
    below: float = 0.0
    fed_before: float = 0.0
    earlier: EarlierDeposits = field(default_factory=EarlierDeposits)

    @property
    def moves(self) -> Moves:
        """Moves in this window of the program."""
        return self.program.moves

    @property
    def leads(self) -> bool:
        """Whether the program feeds filament early to compensate for the pressure lag."""
        keys = ["job lead", *(f"job {number} lead" for number in range(2, self.panels + 1))]
        return "on" in map(self.program.header.get, keys)

    @cached_property
    def delivered(self) -> Moves:
        """Moves with the filament that leaves the nozzle, which can differ from the filament that is fed."""
        if not self.leads:
            return self.moves
        moves = self.moves
        moves = replace(moves, feed=np.where(moves.feed > 0, moves.feed, self.machine.travel_feed))
        try:
            return lagged_moves(moves, plan_speeds(moves, self.machine), self.machine)
        except PathgenError:  # a feed that is not a number has a finding of its own
            return self.moves

    @cached_property
    def framed(self) -> bool:
        """Whether the header gives the position and fill of the panels, so that the wall can be checked."""
        try:
            headers = [
                Header.read(self.program.header, number if self.panels > 1 else None)
                for number in range(1, min(self.panels, MAX_PANELS) + 1)
            ]
            for number in range(1, len(headers) + 1):
                stated = Stated(panel=number if self.panels > 1 else None)
                locate_panel(self.program, self.machine, stated)
        except PathgenError:
            return False
        adaptive = any(header.job.layer == "auto" for header in headers)
        known = all(header.has_frame and header.job.fill in EXACT + EVEN for header in headers)
        return bool(headers) and known and (self.whole or not adaptive)

    @cached_property
    def layer_sums(self) -> dict[int, LayerSum]:
        """What each marked layer of the window deposits, by layer from 0."""
        moves, first = self.moves, np.flatnonzero(np.diff(self.moves.layer, prepend=-2))
        if not len(first):
            return {}
        layer = moves.layer[first]
        totals = sum_deposits(moves.start, (moves.x, moves.y, moves.z), moves.filament, first)
        known, place = np.unique(layer, return_inverse=True)
        together = np.zeros((len(known), totals.shape[1]))
        np.add.at(together, place, totals)
        return {int(at): LayerSum.of(row) for at, row in zip(known, together, strict=True) if at >= 0}

    @cached_property
    def damaged(self) -> Bools:
        """Mark the layers that differ from the sums of the program, or that have none."""
        marked = np.zeros(max(len(self.program.tops), 1), bool)
        for layer, found in self.layer_sums.items():
            stated = self.program.sums.get(layer)
            marked[layer] = stated is None or found.differs(stated)
        return marked

    @property
    def sound(self) -> bool:
        """Whether every layer of the window deposits what the program states for it."""
        return bool(self.program.sums) and not self.damaged.any()

    def in_damaged(self, rows: Ints) -> Bools:
        """Return which moves belong to layers that differ from their sums, or that have none."""
        if not self.program.sums:
            return np.ones(len(rows), bool)
        return np.asarray(self.damaged[self.moves.layer[rows]] | (self.moves.layer[rows] < 0))

    @property
    def strict(self) -> bool:
        """Whether the controller accepts only RS-274 words, including those that feed filament."""
        return self.machine.dialect.extruder not in self.machine.dialect.own_words

    @property
    def panels(self) -> int:
        """Number of panels in the header; 1 if the header omits it, 0 if it is not a number."""
        text = self.program.header.get("panels", "1")
        return int(text) if text.isascii() and text.isdigit() and len(text) < 5 else 0

    @property
    def last_line(self) -> int:
        """Number of the last line with a move or a command."""
        moves, events = self.program.line[-1:].tolist(), self.program.events
        return int(max([*moves, *(event.line for event in events[-1:]), 0]))

    @cached_property
    def effects(self) -> dict[str, ProgramWord]:
        """Effect of each command on this controller."""
        return command_effects(self.machine.dialect)

    @cached_property
    def commands(self) -> tuple[Command, ...]:
        """All commands of the program, split into words, except G92 without other words."""
        found = []
        for event in self.program.events:
            codes, values = parse_words(event.words)
            found.append(Command(event.line, event.move, codes, dict(values)))
        return tuple(found)

    def having(self, *codes: str) -> list[Command]:
        """List the commands that contain one of the given codes."""
        wanted = set(codes)
        return [command for command in self.commands if wanted & set(command.codes)]

    @cached_property
    def fed(self) -> Ints:
        """Indices of the moves that feed filament."""
        return np.flatnonzero(self.moves.filament > 0)

    @cached_property
    def deposits(self) -> Ints:
        """Indices of the moves that feed filament while the head moves."""
        return np.asarray(self.fed[self.moves.kind[self.fed] != Kind.RELOAD])

    @cached_property
    def first_deposit(self) -> int:
        """Index of the first deposit, or the number of moves if there is no deposit."""
        return int(self.deposits[0]) if len(self.deposits) else len(self.moves)

    @cached_property
    def levels(self) -> DepositLevels:
        """Heights of the groups of deposits."""
        z = self.moves.z[self.deposits]
        if not len(z):
            return DepositLevels(self.deposits, z, z)
        at = np.flatnonzero(np.abs(np.diff(z, prepend=-np.inf)) > SAME)
        run = np.round(z[at], 4)
        height = np.diff(run, prepend=self.below)
        for place in np.flatnonzero(height <= 0).tolist():
            below = run[:place][run[:place] < run[place] - SAME]
            height[place] = run[place] - (below.max() if len(below) else min(self.below, run[place] - SAME))
        return DepositLevels(self.deposits[at], run, height)

    def heights(self, rows: Ints) -> Floats:
        """Return the layer heights of deposits, mm; `rows` is a subset of `deposits`."""
        return np.asarray(self.levels.height[np.searchsorted(self.levels.first, rows, "right") - 1])

    def line(self, row: int) -> int:
        """Return the source line of a row; the last line for rows beyond the end."""
        return int(self.program.line[row]) if row < len(self.program.line) else self.last_line

    def blocks(self) -> list[slice]:
        """Return slices of consecutive moves that are small enough for the processor's cache."""
        return [slice(a, a + BLOCK) for a in range(0, len(self.moves), BLOCK)]

    def before(self, rows: Ints | slice) -> tuple[Floats, Floats, Floats]:
        """Return the head's position before each move, mm."""
        found = []
        for column, start in zip((self.moves.x, self.moves.y, self.moves.z), self.moves.start, strict=True):
            if not isinstance(rows, slice):
                found.append(np.where(rows > 0, column[rows - 1], start))
            elif rows.start:
                found.append(column[rows.start - 1 : min(rows.stop, len(column)) - 1])
            else:
                found.append(np.concatenate([[start], column[: min(rows.stop, len(column)) - 1]]))
        return found[0], found[1], found[2]

    def add_rows(self, number: int, rows: Ints, values: Floats, limit: str, unit: str, digits: int) -> None:
        """Record moves that break a rule, with one finding per group of consecutive moves.

        Parameters
        ----------
        number : int
            Number of the rule.
        rows : (M,) int
            Ascending; no rows, no finding.
        values : (M,) float
            The finding reports the value of largest magnitude.
        limit, unit : str
            Texts of the finding.
        digits : int
            Decimals of the reported value.
        """
        at = 0
        for first, last in consecutive_rows(rows):
            part = values[at : at + last - first + 1]
            at += last - first + 1
            worst = float(part[np.abs(part).argmax()])
            self.log.add(
                number, self.line(first), f"{worst:.{digits}f} {unit}", worst, limit, self.line(last)
            )
