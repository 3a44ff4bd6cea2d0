"""Mutate good programs by the thousand and count what the checklist stops.

    python tests/mutants/mutate_programs.py [--seed N] [--number N]

Every harmful mutant is judged by `machine_oracle` first; one that does what the clean program does is
drawn again. It counts as stopped if the checklist has an error, and its line as right if an error lies
within two lines of where the mutation put the harm (for a fault of the whole program, anywhere).
Harmless mutants must have no error.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections import Counter
from functools import cache
from pathlib import Path
from random import Random
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pathgen import load_machine, load_material  # noqa: E402
from pathgen.errors import PathgenError  # noqa: E402
from pathgen.proof.checklist import check_program  # noqa: E402
from tests.mutants.harm_oracle import harm  # noqa: E402
from tests.mutants.machine_oracle import Machine, Outcome  # noqa: E402
from tests.mutants.program_mutants import HARMFUL, HARMLESS, Kind, Place  # noqa: E402
from tests.proof.checklist.programs import program, wall  # noqa: E402

MACHINES = ("moving-table", "moving-gantry", "long-tube", "ngc-lab")
JOBS = (
    {"pixel": 0.4},
    {"pixel": 0.4, "fill": "terraced", "brim": 0.0},
    {"pixel": 0.4, "fill": "contour", "rim_width": 2.0, "layer": 0.25},
)
NEAR = 2  # lines


class Base(NamedTuple):
    """A clean program, with its machine and what the machine makes of it."""

    name: str
    lines: list[str]
    machine: Machine
    clean: Outcome


class Verdict(NamedTuple):
    """One mutant: what it is, the harm that the machine sees, and what the checklist says."""

    kind: str
    base: str
    harm: str
    errors: list[str]
    placed: bool


@cache
def base(machine: str, job: int) -> Base:
    """Build a clean program of one machine."""
    profile = tomllib.loads((ROOT / "machines" / f"{machine}.toml").read_text(encoding="utf-8"))
    material = tomllib.loads((ROOT / "machines/materials/pla-white.toml").read_text(encoding="utf-8"))
    text = program(machine, wall(20, 40), **JOBS[job]).decode()
    oracle = Machine(profile, material)
    return Base(f"{machine}, job {job}", text.split("\n"), oracle, oracle.run(text))


def mutate(kind: Kind, random: Random, chosen: Base, tries: int = 8) -> tuple[str, Place, str] | None:
    """Draw a mutant with harm; None where a kind has no place in this program or does no harm."""
    for _ in range(tries):
        try:
            lines, place = kind(chosen.lines, random, chosen.machine.profile)
        except LookupError:
            return None
        text = "\n".join(lines)
        if text != "\n".join(chosen.lines) and (why := harm(chosen.machine, text, chosen.clean)):
            return text, place, why
    return None


def examine(text: str, machine: str, place: Place) -> tuple[list[str], bool]:
    """Check a program; return its errors, and whether one of them lies where the harm begins."""
    try:
        found = check_program(text.encode("latin-1"), load_machine(machine), load_material("pla-white"))
    except PathgenError as error:
        return [str(error)], True
    placed = place is None or any(
        place[0] + 1 - NEAR <= error.last and error.line <= place[1] + 1 + NEAR
        for error in found.errors
        if error.line
    )
    return [str(error) for error in found.errors], placed


def judge(name: str, random: Random, machine: str, job: int) -> Verdict | None:
    """Judge one harmful mutant of a kind."""
    chosen = base(machine, job)
    drawn = mutate(HARMFUL[name], random, chosen)
    if drawn is None:
        return None
    text, place, why = drawn
    return Verdict(name, chosen.name, why, *examine(text, machine, place))


def judge_harmless(name: str, random: Random, machine: str, job: int) -> Verdict | None:
    """Judge one harmless mutant of a kind."""
    chosen = base(machine, job)
    try:
        lines, _ = HARMLESS[name](chosen.lines, random, chosen.machine.profile)
    except (LookupError, IndexError):
        return None
    text = "\n".join(lines)
    why = harm(chosen.machine, text, chosen.clean)
    return Verdict(name, chosen.name, why, *examine(text, machine, None))


def main() -> None:
    """Draw mutants of all kinds in turn and print what was stopped."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=1000, help="harmful mutants")
    parser.add_argument("--kinds", default="", help="only kinds whose name contains this")
    options = parser.parse_args()
    random, turns = Random(options.seed), 0
    names = [name for name in HARMFUL if options.kinds in name]
    stopped, placed, drawn, missed, astray = Counter(), Counter(), Counter(), [], []
    while drawn.total() < options.number and turns < 20 * options.number:
        name = names[turns % len(names)]
        turns += 1
        verdict = judge(name, random, random.choice(MACHINES), random.randrange(len(JOBS)))
        if verdict is None:
            continue
        drawn[name] += 1
        stopped[name] += bool(verdict.errors)
        placed[name] += bool(verdict.errors) and verdict.placed
        if not verdict.errors:
            missed.append(f"  {name} ({verdict.base}): {verdict.harm}")
        elif not verdict.placed:
            astray.append(f"  {name} ({verdict.base}): {verdict.harm}; first: {verdict.errors[0][:90]}")
    print(f"seed {options.seed}: {drawn.total()} harmful mutants of {len(drawn)} kinds")
    print(f"stopped {stopped.total()} ({100 * stopped.total() / drawn.total():.2f} %)")
    print(f"of these in the right line {placed.total()} ({100 * placed.total() / stopped.total():.2f} %)")
    for title, rows in (("not stopped", missed), ("in another line", astray)):
        print(f"{title}: {len(rows)}")
        print("\n".join(f"{row}  x{count}" for row, count in Counter(rows).most_common()))
    false = []
    for name in HARMLESS:
        for machine in MACHINES:
            verdict = judge_harmless(name, random, machine, random.randrange(len(JOBS)))
            false += (
                [f"  {name} ({verdict.base}): {verdict.errors[:1]}"] if verdict and verdict.errors else []
            )
    print(f"harmless: {len(HARMLESS)} kinds on {len(MACHINES)} machines; with an error: {len(false)}")
    print("\n".join(false))


if __name__ == "__main__":
    main()
