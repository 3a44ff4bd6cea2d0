"""What the rules look at: the program, the profiles, the commands told apart, and where beads lie.

Glossary. *Command*: an event's words taken apart. *Deposit*: a move that feeds filament while the head moves
along. *Level*: a run of deposits at one height; its height above what was there before is its layer's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.gcode.read import Program
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.checklist.findings import Book, stretches
from pathgen.proof.checklist.words import Meaning, meanings, words_of
from pathgen.proof.deposit_map import DepositMap
from pathgen.proof.header import Stated
from pathgen.settings import Machine, Material

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

BLOCK = 1 << 17  # moves looked at in one piece: columns stay in the processor's cache, memory stays small
MOST_PANELS = 100  # of a program that are laid down
SAME = 1e-4  # mm; heights nearer than this are one


class Command(NamedTuple):
    """One event, taken apart."""

    line: int  # in the source, from 1
    move: int  # index of the move that follows it
    codes: tuple[str, ...]
    values: dict[str, float]


@dataclass
class Ground:
    """What earlier windows of a program laid down: kept, as the panel is judged when all of it stands.

    Attributes
    ----------
    laid : dict of (int, kinds) to DepositMap
        By panel and the kinds of move that count.
    heights : list of (float, int)
        z of each run of deposits, mm, and the line of its first.
    """

    laid: dict[tuple[int, tuple[Kind, ...]], DepositMap] = field(default_factory=dict)
    heights: list[tuple[float, int]] = field(default_factory=list)

    def add(self, panel: int, kinds: tuple[Kind, ...], more: DepositMap) -> DepositMap:
        """Lay more on what is there; give all of it."""
        there = self.laid.get((panel, kinds))
        if there is not None:
            more = replace(more, volume=there.volume + more.volume, outside=there.outside + more.outside)
        self.laid[panel, kinds] = more
        return more


class DepositLevels(NamedTuple):
    """Runs of deposits at one height, in program order: columns of K."""

    first: Ints  # row among the moves of the run's first deposit
    z: Floats  # mm over the platform
    height: Floats  # mm over the next lower level before it


@dataclass(frozen=True)
class Subject:
    """A program under the checklist.

    Attributes
    ----------
    program : Program
        Its z counts from the platform.
    machine : Machine
    material : Material
    book : Book
    stated : Stated
    last : bool
        The program's last window, or all of it.
    whole : bool
        All of the program.
    below : float
        Top of what earlier windows deposited, mm.
    fed_before : float
        Filament of earlier windows, mm.
    ground : Ground
        What earlier windows laid down.
    """

    program: Program
    machine: Machine
    material: Material
    book: Book
    stated: Stated
    last: bool = True
    whole: bool = True
    below: float = 0.0
    fed_before: float = 0.0
    ground: Ground = field(default_factory=Ground)

    @property
    def moves(self) -> Moves:
        """The program's moves."""
        return self.program.moves

    @property
    def strict(self) -> bool:
        """Tell whether the controller knows nothing beyond RS-274 for its filament."""
        return self.machine.dialect.extruder not in self.machine.dialect.own_words

    @property
    def panels(self) -> int:
        """Number of panels the header speaks of, 1 where it does not say; 0 for what is no number."""
        said = self.program.header.get("panels", "1")
        return int(said) if said.isascii() and said.isdigit() and len(said) < 5 else 0

    @property
    def last_line(self) -> int:
        """Number of the last line that did anything."""
        moves, events = self.program.line[-1:].tolist(), self.program.events
        return int(max([*moves, *(event.line for event in events[-1:]), 0]))

    @cached_property
    def meanings(self) -> dict[str, Meaning]:
        """What commands mean here."""
        return meanings(self.machine.dialect)

    @cached_property
    def commands(self) -> tuple[Command, ...]:
        """Every event but bare G92, which programs have by the thousand, taken apart."""
        found = []
        for event in self.program.events:
            codes, values = words_of(event.words)
            found.append(Command(event.line, event.move, codes, dict(values)))
        return tuple(found)

    def having(self, *codes: str) -> list[Command]:
        """List the commands with one of some codes."""
        wanted = set(codes)
        return [command for command in self.commands if wanted & set(command.codes)]

    @cached_property
    def fed(self) -> Ints:
        """Rows that feed filament."""
        return np.flatnonzero(self.moves.filament > 0)

    @cached_property
    def deposits(self) -> Ints:
        """Rows that deposit: they feed, and move along."""
        return np.asarray(self.fed[self.moves.kind[self.fed] != Kind.RELOAD])

    @cached_property
    def first_deposit(self) -> int:
        """Row of the first deposit; the number of moves where there is none."""
        return int(self.deposits[0]) if len(self.deposits) else len(self.moves)

    @cached_property
    def levels(self) -> DepositLevels:
        """Heights of the deposits, run by run."""
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
        """Layer height at deposits, mm; `rows` as `deposits` has them."""
        return np.asarray(self.levels.height[np.searchsorted(self.levels.first, rows, "right") - 1])

    def line(self, row: int) -> int:
        """Source line of a row; the last line of all beyond the last."""
        return int(self.program.line[row]) if row < len(self.program.line) else self.last_line

    def blocks(self) -> list[slice]:
        """Cut the moves into blocks."""
        return [slice(a, a + BLOCK) for a in range(0, len(self.moves), BLOCK)]

    def before(self, rows: Ints | slice) -> tuple[Floats, Floats, Floats]:
        """Where the head stands before each move, mm."""
        found = []
        for column, start in zip((self.moves.x, self.moves.y, self.moves.z), self.moves.start, strict=True):
            if not isinstance(rows, slice):
                found.append(np.where(rows > 0, column[rows - 1], start))
            elif rows.start:
                found.append(column[rows.start - 1 : min(rows.stop, len(column)) - 1])
            else:
                found.append(np.concatenate([[start], column[: min(rows.stop, len(column)) - 1]]))
        return found[0], found[1], found[2]

    def find_rows(self, number: int, rows: Ints, values: Floats, limit: str, unit: str, digits: int) -> None:
        """Enter moves that break a rule, neighbours as one finding with the worst value.

        Parameters
        ----------
        number : int
            The rule's.
        rows : (M,) int
            Ascending.
        values : (M,) float
            The worst is the one farthest from 0.
        limit, unit : str
        digits : int
            Decimals that are shown.
        """
        at = 0
        for first, last in stretches(rows):
            part = values[at : at + last - first + 1]
            at += last - first + 1
            worst = float(part[np.abs(part).argmax()])
            self.book.find(
                number, self.line(first), f"{worst:.{digits}f} {unit}", worst, limit, self.line(last)
            )
