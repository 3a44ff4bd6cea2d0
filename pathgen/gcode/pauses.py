"""Sum up the pauses that commands of a program cause: dwells and homing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pathgen.gcode.block import Grammar, parse_block
from pathgen.settings.machine import Dialect
from pathgen.settings.program_words import LINEAR_AXES


@dataclass(frozen=True, slots=True)
class Pauses:
    """Pauses in the lines of a program.

    Attributes
    ----------
    dwelling : float
        Total dwell time, s.
    homed : tuple of int
        Indices of the lines that home, from 0.
    """

    dwelling: float = 0.0
    homed: tuple[int, ...] = ()


def sum_pauses(lines: Iterable[str], dialect: Dialect) -> Pauses:
    """Sum up the dwells of a program and find the lines that home.

    Parameters
    ----------
    lines : iterable of str
        Program lines; lines that neither dwell nor home are ignored.
    dialect : Dialect

    Returns
    -------
    Pauses
        `dwell_seconds` defines the duration of each G4.

    Raises
    ------
    PathgenError
        If a line breaks a rule of RS-274 or of the dialect.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> sum_pauses(["G28 ; home", "G4 P500", "M84"], load_machine("moving-table").dialect)
    Pauses(dwelling=0.5, homed=(0,))
    """
    grammar, dwelling, homed = Grammar.of(dialect), 0.0, []
    for number, line in enumerate(lines):
        block = parse_block(line.encode("ascii"), number + 1, grammar)
        if "G4" in block.codes:
            dwelling += dwell_seconds(block.values, dialect)
        if "G28" in block.codes:
            homed.append(number)
    return Pauses(dwelling, tuple(homed))


def dwell_seconds(values: Mapping[str, float], dialect: Dialect) -> float:
    """Return the duration of a G4, s.

    Parameters
    ----------
    values : mapping of str to float
        Values of the words on its line.
    dialect : Dialect

    Returns
    -------
    float
        The P word, in seconds (NISTIR 6556, 3.5.4). If the filament letter is beyond RS-274, P is in
        milliseconds, and S, in seconds, takes precedence (common practice). 0 without either word.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> [dwell_seconds({"P": 500.0}, load_machine(name).dialect) for name in ("ngc-lab", "moving-table")]
    [500.0, 0.5]
    """
    if dialect.extruder in LINEAR_AXES:
        return values.get("P", 0.0)
    return values["S"] if "S" in values else values.get("P", 0.0) / 1000
