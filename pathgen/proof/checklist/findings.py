"""Findings, and the book they are entered in: all of them, none stops the others.

Glossary. *Finding*: one place where a rule does not hold, a stretch of lines at most. *Book*: findings and,
for every rule, how many things it was held against: a rule that found nothing is known to have looked.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen.proof.checklist.rules import LEVELS, RULES, Level, Rule

Row = dict[str, str | int | float | None]

PLACES = 20  # findings a rule may have unless asked for more; one line says where the others lie


@dataclass(frozen=True, slots=True)
class Finding:
    """One place where a rule does not hold.

    Attributes
    ----------
    number : int
        The rule's.
    line, last : int
        First and last line in the source, from 1; 0 where it is the program as a whole.
    found : str
        What was found, with its value.
    value : float or None
    limit : str
        What would hold; empty where the title says it.
    """

    number: int
    line: int
    last: int
    found: str
    value: float | None = None
    limit: str = ""

    @property
    def rule(self) -> Rule:
        """The rule."""
        return RULES[self.number]

    @property
    def level(self) -> Level:
        """How grave it is."""
        return self.rule.level

    @property
    def place(self) -> str:
        """Word where it is.

        Examples
        --------
        >>> Finding(301, 12, 14, "x").place, Finding(104, 0, 0, "").place
        ('lines 12 to 14', 'whole program')
        """
        if not self.line:
            return "whole program"
        return f"line {self.line}" if self.last == self.line else f"lines {self.line} to {self.last}"

    def __str__(self) -> str:
        """Word it in one line."""
        limit = f"; holds: {self.limit}" if self.limit else ""
        said = f": {self.found}" if self.found else ""
        return f"{self.level} {self.number}, {self.place}: {self.rule.title}{said}{limit}"

    def as_dict(self) -> Row:
        """Give it as a flat row."""
        return {
            "number": self.number,
            "level": self.level,
            "title": self.rule.title,
            "line": self.line,
            "last_line": self.last,
            "found": self.found,
            "value": self.value,
            "limit": self.limit,
            "why": self.rule.why,
            "do": self.rule.do,
        }


@dataclass(slots=True)
class Book:
    """Where rules enter what they looked at and what they found.

    Attributes
    ----------
    most : int
        Findings that are kept of a rule.
    left : dict of int to (int, int)
        By rule: first and last line of those that are not.
    """

    most: int = PLACES
    findings: list[Finding] = field(default_factory=list)
    looked: dict[int, int] = field(default_factory=lambda: dict.fromkeys(RULES, 0))
    counts: dict[int, int] = field(default_factory=dict)
    left: dict[int, tuple[int, int]] = field(default_factory=dict)
    entered: set[tuple[int, int, int, str]] = field(default_factory=set)

    def look(self, count: int, *numbers: int) -> None:
        """Enter that rules were held against `count` more things."""
        for number in numbers:
            self.looked[number] += count

    def find(
        self,
        number: int,
        line: int,
        found: str,
        value: float | None = None,
        limit: str = "",
        last: int = 0,
    ) -> None:
        """Enter a finding, once; beyond `most` of a rule only their number and lines are kept."""
        last = max(line, last)
        key = (number, line, last, found)
        if key in self.entered:  # what is said of a command is said again of it in the next window
            return
        self.entered.add(key)
        self.counts[number] = self.counts.get(number, 0) + 1
        if self.counts[number] <= self.most:
            value = None if value is None else float(value)
            self.findings.append(Finding(number, line, last, found, value, limit))
        else:
            low, high = self.left.get(number, (line, last))
            self.left[number] = min(low, line), max(high, last)

    def settle(self) -> tuple[Finding, ...]:
        """Give all findings, the gravest first, then by line; a rule's others as one."""
        others = [
            Finding(number, *lines, f"and {count:,} more place{'' if count == 1 else 's'}", float(count))
            for number, lines in self.left.items()
            if (count := self.counts[number] - self.most)
        ]
        far = 1 << 60
        groups = [sorted(g, key=lambda f: (f.line or far, f.number, f.last)) for g in (self.findings, others)]
        return tuple(f for level in LEVELS for group in groups for f in group if f.level == level)


def stretches(rows: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Join ascending row numbers to stretches of neighbours, (first, last).

    Examples
    --------
    >>> stretches(np.array([3, 4, 5, 9]))
    [(3, 5), (9, 9)]
    """
    if not len(rows):
        return []
    cuts = np.flatnonzero(np.diff(rows) > 1)
    first = rows[np.concatenate([[0], cuts + 1])]
    last = rows[np.concatenate([cuts, [len(rows) - 1]])]
    return list(zip(first.tolist(), last.tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class Checklist:
    """What was held against a program, and what came of it.

    Attributes
    ----------
    program : str
        Its name.
    machine, material : str
    findings : tuple of Finding
        The gravest first.
    looked : dict of int to int
        By rule: things it was held against. 0: there was nothing of its kind in the program.
    counts : dict of int to int
        By rule: places where it does not hold, those that one finding sums up among them.
    lines, moves : int
    """

    program: str
    machine: str
    material: str
    findings: tuple[Finding, ...]
    looked: dict[int, int]
    counts: dict[int, int]
    lines: int
    moves: int

    def of(self, level: Level) -> tuple[Finding, ...]:
        """Give the findings of one level."""
        return tuple(found for found in self.findings if found.level == level)

    def places(self, level: Level) -> int:
        """Count the places where rules of one level do not hold."""
        return sum(count for number, count in self.counts.items() if RULES[number].level == level)

    @property
    def errors(self) -> tuple[Finding, ...]:
        """Findings for which the program must not run."""
        return self.of("error")

    @property
    def holds(self) -> bool:
        """Tell whether nothing speaks against running the program."""
        return not self.errors

    def as_dict(self) -> dict[str, object]:
        """Give all of it for JSON."""
        return {
            "program": self.program,
            "machine": self.machine,
            "material": self.material,
            "holds": self.holds,
            **{f"{level}s": self.places(level) for level in LEVELS},
            "lines": self.lines,
            "moves": self.moves,
            "findings": [found.as_dict() for found in self.findings],
            "rules": [
                {"number": n, "title": rule.title, "level": rule.level}
                | {"looked_at": self.looked[n], "found": self.counts.get(n, 0)}
                for n, rule in RULES.items()
            ],
        }
