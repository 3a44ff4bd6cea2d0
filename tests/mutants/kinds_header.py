"""Harmful kinds: headers that do not describe the program."""

import re
from random import Random

from tests.mutants.kinds import NUMBER, Place, all_like, kind

# the header


def stated(name: str, key: str, factor: float) -> None:
    @kind(name)
    def state(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, rf"[;(] ?{key} = ")[0]
        new = re.sub(rf"({key} = ){NUMBER}", lambda m: f"{m[1]}{float(m[2]) * factor:.6g}", lines[at])
        return [*lines[:at], new, *lines[at + 1 :]], None


stated("the header states half the time", "time", 0.5)
stated("the header states twice the moves", "moves", 2)
stated("the header states half the filament", "filament", 0.5)
stated("the header states another width", "panel width", 1.5)
stated("the header states another height", "panel height", 0.7)
stated("the header states another diameter", "filament diameter", 1.6286)
stated("the header states another place", "panel origin x", 0.8)
stated("the header states another reach", "reach z", 3)


STATEMENTS = (
    *("panel width", "panel height", "panel layers", "panel origin x", "panel origin y", "filament diameter"),
    *("time", "moves", "filament", "job layer"),
)
for _key in STATEMENTS:
    for _words, _factor in (("a fifth more of", 1.2), ("ten times", 10.0), ("a tenth of", 0.1)):
        stated(f"the header states {_words} the {_key}", _key, _factor)


def range_of(name: str, key: str, low: float, high: float) -> None:
    """Move the ends of a stated range."""

    @kind(name)
    def change(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, rf"[;(] ?{key} = ")[0]
        new = re.sub(
            rf"({key} = ){NUMBER} to {NUMBER}",
            lambda m: f"{m[1]}{float(m[2]) + low:.3f} to {float(m[3]) + high:.3f}",
            lines[at],
        )
        return [*lines[:at], new, *lines[at + 1 :]], None


for _axis in "xyz":
    range_of(f"the header states another deposit in {_axis}", f"deposit {_axis}", 0.0, 25.0)
    range_of(
        f"the header states less deposit in {_axis}", f"deposit {_axis}", 20.0 if _axis != "z" else 1.0, 0.0
    )
    range_of(f"the header states another reach in {_axis}", f"reach {_axis}", 0.0, 25.0)


def unsealed(name: str, key: str, factor: float) -> None:
    """Change a value of the header and leave out the line with the header's sum."""

    @kind(name)
    def state(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at, seal = all_like(lines, rf"[;(] ?{key} = ")[0], all_like(lines, r"[;(] ?header sum = ")[0]
        new = re.sub(rf"({key} = ){NUMBER}", lambda m: f"{m[1]}{float(m[2]) * factor:.6g}", lines[at])
        return [*lines[:at], new, *lines[at + 1 : seal], *lines[seal + 1 :]], None


for _key in (*STATEMENTS, "deposit x", "deposit y", "reach x", "reach y", "reach z"):
    unsealed(f"another {_key} in a header without its sum", _key, 1.25)
