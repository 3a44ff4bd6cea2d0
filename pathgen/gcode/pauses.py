"""What a program's commands make the machine wait for: dwells, and homing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pathgen.gcode.block import LINEAR_AXES, Grammar, parse_block
from pathgen.settings.machine import Dialect


@dataclass(frozen=True, slots=True)
class Pauses:
    """Sums over the lines of a program.

    Attributes
    ----------
    dwelling : float
        s.
    homed : tuple of int
        Which of the lines home, from 0.
    """

    dwelling: float = 0.0
    homed: tuple[int, ...] = ()


def sum_pauses(lines: Iterable[str], dialect: Dialect) -> Pauses:
    """Sum up what stands still in a program.

    Parameters
    ----------
    lines : iterable of str
        Program lines; those that neither dwell nor home count for nothing.
    dialect : Dialect

    Returns
    -------
    Pauses
        G4 lasts as long as `dwell_seconds` has it.

    Raises
    ------
    PathgenError
        For a line that breaks a rule of RS-274 or of the dialect.

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
    """Tell how long a G4 lasts.

    Parameters
    ----------
    values : mapping of str to float
        Its words.
    dialect : Dialect

    Returns
    -------
    float
        s: what P says (NISTIR 6556, 3.5.4). Where filament has a word beyond RS-274, P is in milliseconds,
        and S, in seconds, goes before it (common practice). 0 without either.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> [dwell_seconds({"P": 500.0}, load_machine(name).dialect) for name in ("ngc-lab", "moving-table")]
    [500.0, 0.5]
    """
    if dialect.extruder in LINEAR_AXES:
        return values.get("P", 0.0)
    return values["S"] if "S" in values else values.get("P", 0.0) / 1000
