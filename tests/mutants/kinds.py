"""The registry of kinds of mutations, and the places that they choose in a program.

A kind is a function of (lines, random generator, machine) that returns the new lines and the place of
the harm: the first and last index, or None where the program as a whole is concerned. It raises
`LookupError` where the program has no place for it. `HARMFUL` and `HARMLESS` list the kinds by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random

Place = tuple[int, int] | None
Kind = Callable[[list[str], Random, dict], tuple[list[str], Place]]
HARMFUL: dict[str, Kind] = {}
HARMLESS: dict[str, Kind] = {}

LAYER = re.compile(r"[;(] ?layer (\d+)/(\d+)")
BEAD = re.compile(r"G1 (?=.*[XY]).*[EA]\d")
NUMBER = r"(-?\d*\.?\d+)"


def kind(name: str, group: dict[str, Kind] = HARMFUL) -> Callable[[Kind], Kind]:
    def enter(function: Kind) -> Kind:
        assert name not in HARMFUL and name not in HARMLESS, name
        group[name] = function
        return function

    return enter


# places


def all_like(lines: list[str], pattern: str) -> list[int]:
    found = [i for i, line in enumerate(lines) if re.match(pattern, line)]
    if not found:
        raise LookupError(pattern)
    return found


def marks(lines: list[str]) -> list[int]:
    return [i for i, line in enumerate(lines) if LAYER.match(line)]


def any_bead(lines: list[str], random: Random) -> int:
    """A bead above the first layers that follows another bead."""
    start = marks(lines)[3]
    found = [i for i in range(start, len(lines)) if BEAD.match(lines[i]) and BEAD.match(lines[i - 1])]
    return random.choice(found)


def run_of_beads(lines: list[str], random: Random, count: int) -> tuple[int, int]:
    """The first and last line of a run of lines in the wall."""
    layers = marks(lines)
    start = random.randrange(layers[3], layers[-3] - count)
    return start, start + count - 1


def span_of_layer(lines: list[str], random: Random) -> tuple[int, int]:
    layers = marks(lines)
    at = random.randrange(4, len(layers) - 4)
    return layers[at], layers[at + 1]


def letter(machine: dict) -> str:
    return machine["dialect"]["extruder"]


def relative(machine: dict) -> bool:
    return machine["dialect"]["filament_mode"] == "relative"


def heats(machine: dict) -> None:
    if machine["dialect"]["heaters"] != "program":
        raise LookupError("the machine heats by itself")


def own(machine: dict) -> None:
    if letter(machine) == "A":
        raise LookupError("a strict controller")


def strict(machine: dict) -> None:
    if letter(machine) != "A":
        raise LookupError("not a strict controller")


def rewrite(line: str, name: str, change: Callable[[float], float]) -> str:
    return re.sub(rf"(?<![A-Za-z]){name}{NUMBER}", lambda m: f"{name}{change(float(m[1])):.5f}", line)


def amounts(lines: list[str], first: int, last: int, factor: float, machine: dict) -> list[str]:
    """Scale the filament of beads in a run of lines, in relative or absolute words."""
    out, name, fed, made = list(lines), letter(machine), 0.0, 0.0
    for i, line in enumerate(lines):
        found = re.search(rf"{name}{NUMBER}", line) if line[:1] == "G" else None
        if not found:
            continue
        value = float(found[1])
        if line.startswith("G92"):
            fed = made = value
            continue
        amount = value if relative(machine) else value - fed
        fed = value
        amount *= factor if first <= i <= last and amount > 0 else 1.0
        made += amount
        shown = amount if relative(machine) else made
        if amount == 0 and first <= i <= last and relative(machine):
            out[i] = re.sub(rf" {name}{NUMBER}", "", line)
        elif shown != value:
            out[i] = re.sub(rf"{name}{NUMBER}", f"{name}{shown:.5f}", line)
    return out


# one line put in


def put(name: str, *texts: str, group: dict[str, Kind] = HARMFUL, last: bool = False, need=None) -> None:
    """A line at a random place of the wall; `last`: in front of the finish; the harm begins in its line."""

    @kind(name, group)
    def put_in(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = all_like(lines, r"[;(] ?end")[-1] if last else random.choice([m + 1 for m in marks(lines)[2:-2]])
        return [*lines[:at], *texts, *lines[at:]], (at, at + len(texts))


def drop(name: str, pattern: str, *, last: bool = False, whole: bool = True, need=None) -> None:
    """Leave a line out; the harm begins with the first bead (`whole`: anywhere)."""

    @kind(name)
    def drop_it(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = all_like(lines, pattern)[-1 if last else 0]
        return [*lines[:at], *lines[at + 1 :]], None if whole else (at - 1, at + 1)


def slashed(name: str, pattern: str) -> None:
    @kind(name)
    def slash(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, pattern)[-1]
        return [*lines[:at], "/" + lines[at], *lines[at + 1 :]], (at, at)


def swapped(
    name: str, pattern: str, old: str, new: str, *, last: bool = False, whole: bool = True, need=None
) -> None:
    """Replace a part of the first (`last`: the last) line that matches."""

    @kind(name)
    def swap(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = all_like(lines, pattern)[-1 if last else 0]
        changed = re.sub(old, new, lines[at], count=1)
        return [*lines[:at], changed, *lines[at + 1 :]], None if whole else (at, at)


def hidden(name: str, pattern: str, *, last: bool = True) -> None:
    """Turn a line into a comment."""

    @kind(name)
    def hide(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, pattern)[-1 if last else 0]
        line = re.sub(r"[()]", "", lines[at])
        return [*lines[:at], f"({line})" if letter(machine) == "A" else f";{line}", *lines[at + 1 :]], None


def added(name: str, text: str, *, front: bool = False, need=None) -> None:
    """Add words to a bead, behind or in front of its own."""

    @kind(name)
    def add(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = any_bead(lines, random)
        both = (text, lines[at]) if front else (lines[at], text)
        return [*lines[:at], " ".join(both), *lines[at + 1 :]], (at, at + 1)
