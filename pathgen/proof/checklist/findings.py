"""Findings of the checklist, and the log that collects them.

Glossary. *Finding*: one place where a rule is broken; it covers one line or a range of lines. *Log*: the
findings and, for each rule, the number of checks, which distinguishes a rule that
passed from one that did not apply.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pathgen.proof.checklist.rules import LEVELS, RULES, Level, Rule

Row = dict[str, str | int | float | None]

PLACES = 20  # findings listed per rule by default; one more finding stands for the rest


@dataclass(frozen=True, slots=True)
class Finding:
    """Violation of a rule in one or more lines of a program.

    Attributes
    ----------
    number : int
        Number of the rule.
    line, last : int
        First and last source line, counted from 1; 0 if the finding concerns the whole program.
    found : str
        Description of the fault, with its value.
    value : float or None
        The value alone.
    limit : str
        Allowed value; empty if the title of the rule states it.
    """

    number: int
    line: int
    last: int
    found: str
    value: float | None = None
    limit: str = ""

    @property
    def rule(self) -> Rule:
        """The broken rule."""
        return RULES[self.number]

    @property
    def level(self) -> Level:
        """Severity of the finding."""
        return self.rule.level

    @property
    def place(self) -> str:
        """Line numbers of the finding, formatted as text.

        Examples
        --------
        >>> Finding(301, 12, 14, "x").place, Finding(104, 0, 0, "").place
        ('lines 12 to 14', 'whole program')
        """
        if not self.line:
            return "whole program"
        return f"line {self.line}" if self.last == self.line else f"lines {self.line} to {self.last}"

    def __str__(self) -> str:
        """Describe the finding in one line."""
        found = f": {self.found}" if self.found else ""
        limit = f"; limit: {self.limit}" if self.limit else ""
        return f"{self.level} {self.number}, {self.place}: {self.rule.title}{found}{limit}"

    def as_dict(self) -> Row:
        """Return the finding and its rule as a flat row."""
        row: Row = {"number": self.number, "level": self.level, "title": self.rule.title, "line": self.line}
        row |= {"last_line": self.last, "found": self.found, "value": self.value, "limit": self.limit}
        return row | {"why": self.rule.why, "do": self.rule.do}


@dataclass(slots=True)
class FindingLog:
    """Log of the checks made and of the findings, by rule.

    Attributes
    ----------
    capacity : int
        Maximum number of findings stored per rule.
    findings : list of Finding
        Stored findings, in the order they were added.
    checks, counts : dict of int to int
        Number of checks and of findings per rule.
    dropped : dict of int to (int, int)
        First and last line of the findings of a rule that exceed `capacity`.
    """

    capacity: int = PLACES
    findings: list[Finding] = field(default_factory=list)
    checks: dict[int, int] = field(default_factory=lambda: dict.fromkeys(RULES, 0))
    counts: dict[int, int] = field(default_factory=dict)
    dropped: dict[int, tuple[int, int]] = field(default_factory=dict)
    known: set[tuple[int, int, int, str]] = field(default_factory=set)

    def count_checks(self, count: int, *numbers: int) -> None:
        """Increase the number of checks of rules by `count`."""
        for number in numbers:
            self.checks[number] += count

    def add(
        self,
        number: int,
        line: int,
        found: str,
        value: float | None = None,
        limit: str = "",
        last: int = 0,
    ) -> None:
        """Record a finding; after `capacity` findings of a rule, store only the lines of further findings."""
        last = max(line, last)
        key = (number, line, last, found)
        if key in self.known:  # the state carried into the next window repeats findings about commands
            return
        self.known.add(key)
        self.counts[number] = self.counts.get(number, 0) + 1
        if self.counts[number] <= self.capacity:
            value = None if value is None else round(float(value), 6)  # sums differ by window
            self.findings.append(Finding(number, line, last, found, value, limit))
        else:
            low, high = self.dropped.get(number, (line, last))
            self.dropped[number] = min(low, line), max(high, last)

    def require(
        self, passed: bool, number: int, line: int, found: str, value: float | None = None, limit: str = ""
    ) -> None:
        """Count one check of a rule, and record a finding if the check fails."""
        self.count_checks(1, number)
        if not passed:
            self.add(number, line, found, value, limit)

    def sorted_findings(self) -> tuple[Finding, ...]:
        """Return the findings by severity, then by line; the last one of a rule counts those not stored."""
        others = []
        for number, lines in self.dropped.items():
            count = self.counts[number] - self.capacity
            text = f"{count:,} more place{'' if count == 1 else 's'}; {self.capacity:,} of "
            text += f"{self.counts[number]:,} are listed"
            others.append(Finding(number, *lines, text, float(count)))
        far = 1 << 60
        groups = [sorted(g, key=lambda f: (f.line or far, f.number, f.last)) for g in (self.findings, others)]
        return tuple(f for level in LEVELS for group in groups for f in group if f.level == level)


def consecutive_rows(rows: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Group ascending row numbers into ranges of consecutive numbers.

    Returns
    -------
    list of (first, last)
        Empty for no rows.

    Examples
    --------
    >>> consecutive_rows(np.array([3, 4, 5, 9]))
    [(3, 5), (9, 9)]
    """
    groups = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return [(int(group[0]), int(group[-1])) for group in groups if len(group)]


@dataclass(frozen=True, slots=True)
class Checklist:
    """Result of the checklist for a program.

    Attributes
    ----------
    program : str
        Name of the program.
    machine, material : str
        Names of the profiles it was checked against.
    findings : tuple of Finding
        Most severe first; a rule that is broken in many places lists only some of them.
    checks : dict of int to int
        Number of checks per rule; 0 if the rule did not apply to this program.
    counts : dict of int to int
        Number of broken places per rule, including those not listed in `findings`.
    lines, moves : int
        Size of the program.
    """

    program: str
    machine: str
    material: str
    findings: tuple[Finding, ...]
    checks: dict[int, int]
    counts: dict[int, int]
    lines: int
    moves: int

    def of(self, level: Level) -> tuple[Finding, ...]:
        """Return the findings of one severity level."""
        return tuple(found for found in self.findings if found.level == level)

    def places(self, level: Level) -> int:
        """Count all violations of one severity level, including those not listed in `findings`."""
        return sum(count for number, count in self.counts.items() if RULES[number].level == level)

    @property
    def errors(self) -> tuple[Finding, ...]:
        """Findings of level "error": the program must not run."""
        return self.of("error")

    @property
    def passed(self) -> bool:
        """Whether no rule found an error."""
        return not self.errors

    @property
    def applied(self) -> int:
        """Number of rules that applied to this program."""
        return sum(count > 0 for count in self.checks.values())

    @property
    def verdict(self) -> str:
        """One-line summary of the result.

        Examples
        --------
        >>> Checklist("a", "m", "p", (), {101: 5, 102: 0}, {}, 5, 4).verdict
        'no errors found by the 1 rule that applies'
        """
        places = {level: self.places(level) for level in LEVELS}
        counts = [f"{n:,} {level}{'' if n == 1 else 's'}" for level, n in places.items() if n]
        if self.errors:
            return f"{', '.join(counts)}; do not run it"
        rules = f"{self.applied} rule{' that applies' if self.applied == 1 else 's that apply'}"
        return ", ".join([f"no errors found by the {rules}", *counts])

    def as_dict(self) -> dict[str, object]:
        """Return the result as a dictionary for JSON."""
        return {
            "program": self.program,
            "machine": self.machine,
            "material": self.material,
            "passed": self.passed,
            **{f"{level}s": self.places(level) for level in LEVELS},
            "lines": self.lines,
            "moves": self.moves,
            "findings": [found.as_dict() for found in self.findings],
            "rules": [
                {"number": n, "title": rule.title, "level": rule.level}
                | {"checks": self.checks[n], "found": self.counts.get(n, 0)}
                for n, rule in RULES.items()
            ],
        }
