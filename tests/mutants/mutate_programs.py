"""Mutate good programs by the thousand and count what the checklist stops.

    python tests/mutants/mutate_programs.py [--seed N] [--number N] [--harmless N] [--workers N]

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
from collections.abc import Iterator
from contextlib import nullcontext
from functools import cache
from itertools import count, islice
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pathgen import load_machine, load_material  # noqa: E402
from pathgen.errors import PathgenError  # noqa: E402
from pathgen.proof.checklist import check_program  # noqa: E402
from pathgen.settings import Machine, Material  # noqa: E402
from tests.mutants.harm_oracle import harm  # noqa: E402
from tests.mutants.machine_oracle import Machine as Oracle  # noqa: E402
from tests.mutants.machine_oracle import Outcome  # noqa: E402
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
    machine: Oracle
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
    oracle = Oracle(profile, material)
    return Base(f"{machine}, job {job}", text.split("\n"), oracle, oracle.run(text))


@cache
def profiles(machine: str) -> tuple[Machine, Material]:
    """Load the profiles that the checklist judges by."""
    return load_machine(machine), load_material("pla-white")


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
        found = check_program(text.encode("latin-1"), *profiles(machine))
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


def draw(task: tuple[str, int, str, int]) -> Verdict | None:
    """Judge the mutant of a task: kind, seed, machine and job."""
    name, seed, machine, job = task
    return (judge if name in HARMFUL else judge_harmless)(name, Random(seed), machine, job)


def tasks(names: list[str], random: Random) -> Iterator[tuple[str, int, str, int]]:
    """Choose machine and job for all kinds in turn, without end."""
    for turn in count():
        chosen = random.choice(MACHINES), random.randrange(len(JOBS))
        yield names[turn % len(names)], random.getrandbits(32), *chosen


def verdicts(names: list[str], seed: int, number: int, workers: int = 1) -> list[Verdict]:
    """Judge `number` mutants of some kinds; the result does not depend on `workers`."""
    found: list[Verdict] = []
    todo = islice(tasks(names, Random(seed)), 20 * number)
    with Pool(workers) if workers > 1 else nullcontext() as pool:
        while len(found) < number and (part := list(islice(todo, min(64, number - len(found))))):
            judged = pool.map(draw, part, chunksize=8) if pool else map(draw, part)
            for verdict in judged:
                if verdict is not None:
                    found.append(verdict)
    return found


def report(found: list[Verdict], seed: int) -> str:
    """Describe what the checklist stopped."""
    stopped = [verdict for verdict in found if verdict.errors]
    placed = sum(verdict.placed for verdict in stopped)
    lines = [
        f"seed {seed}: {len(found):,} harmful mutants of {len({v.kind for v in found})} kinds",
        f"stopped: {len(stopped):,} ({100 * len(stopped) / max(len(found), 1):.2f} %)",
        f"of these in the right line: {placed:,} ({100 * placed / max(len(stopped), 1):.2f} %)",
    ]
    missed = Counter(f"  {v.kind} ({v.base}): {v.harm}" for v in found if not v.errors)
    astray = Counter(
        f"  {v.kind} ({v.base}): {v.harm}; first: {v.errors[0][:110]}" for v in stopped if not v.placed
    )
    for title, rows in (("not stopped", missed), ("in another line", astray)):
        lines.append(f"{title}: {rows.total():,}")
        lines += [f"{row}  x{times}" for row, times in rows.most_common()]
    return "\n".join(lines)


def report_harmless(found: list[Verdict]) -> str:
    """Describe the errors that the checklist finds in harmless mutants."""
    doubted = [v for v in found if v.harm]  # a fault of the kind: the oracle sees harm in it
    false = [v for v in found if v.errors and not v.harm]
    lines = [f"harmless: {len(found) - len(doubted):,} mutants of {len({v.kind for v in found})} kinds"]
    lines += [f"with an error: {len(false):,}", *(f"  {v.kind} ({v.base}): {v.errors[0]}" for v in false)]
    return "\n".join([*lines, *(f"not harmless: {v.kind} ({v.base}): {v.harm}" for v in doubted)])


def main() -> None:
    """Draw mutants of all kinds in turn and print what was stopped."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=1000, help="harmful mutants")
    parser.add_argument("--harmless", type=int, default=400, help="harmless mutants")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--kinds", default="", help="only kinds whose name contains this")
    options = parser.parse_args()
    for machine in MACHINES:  # before the processes part, which share them
        for job in range(len(JOBS)):
            base(machine, job)
    for group, number, tell in (
        (HARMFUL, options.number, lambda found: report(found, options.seed)),
        (HARMLESS, options.harmless, report_harmless),
    ):
        names = [name for name in group if options.kinds in name]
        if names and number:
            print(tell(verdicts(names, options.seed, number, options.workers)), flush=True)


if __name__ == "__main__":
    main()
