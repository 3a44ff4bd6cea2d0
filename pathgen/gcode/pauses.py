"""What a program's commands make the machine wait for: dwells, and homing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pathgen.gcode.block import Grammar, parse_block
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


def pauses(lines: Iterable[str], dialect: Dialect) -> Pauses:
    """Sum up what stands still in a program.

    Parameters
    ----------
    lines : iterable of str
        Program lines; those that neither dwell nor home count for nothing.
    dialect : Dialect

    Returns
    -------
    Pauses
        G4 lasts as many seconds as its P word says (NISTIR 6556, 3.5.4); without one, as its S word says
        where the dialect is not strict RS-274.

    Raises
    ------
    PathgenError
        For a line that breaks a rule of RS-274 or of the dialect.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> pauses(["G28 ; home", "G4 P0.5", "M84"], load_machine("benchtop-220").dialect)
    Pauses(dwelling=0.5, homed=(0,))
    """
    grammar, dwelling, homed = Grammar.of(dialect), 0.0, []
    for number, line in enumerate(lines):
        block = parse_block(line.encode("ascii"), number + 1, grammar)
        if "G4" in block.codes:
            dwelling += block.values.get("P", 0.0 if grammar.axis else block.values.get("S", 0.0))
        if "G28" in block.codes:
            homed.append(number)
    return Pauses(dwelling, tuple(homed))
