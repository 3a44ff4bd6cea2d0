"""`pathgen check`: nothing of a program is unsafe, proven from its text alone."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import click

from pathgen.cli.output import say
from pathgen.cli.progress import progress_bar
from pathgen.program.writing import Progress
from pathgen.proof.checklist import RULES, Checklist, Finding, check_program
from pathgen.proof.checklist.findings import PLACES
from pathgen.proof.checklist.rules import LEVELS
from pathgen.proof.header import machine_for, material_for, read_facts
from pathgen.proof.safety import SafetyList, build_safety_list
from pathgen.settings import load_machine, load_material

FILE = click.Path(path_type=Path)
SOON = 2.0  # s; what takes no longer needs no bar


@click.command("check")
@click.argument("program", type=FILE)
@click.option("--machine", help="Machine profile. By default the shipped one that the header names.")
@click.option("--material", help="Material profile. By default the shipped one that the header names.")
@click.option(
    "--places",
    type=click.IntRange(1, 1_000_000),
    default=PLACES,
    show_default=True,
    help="How many places each rule tells one by one.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of lines.")
def check_command(
    program: Path, machine: str | None, material: str | None, places: int, as_json: bool
) -> int:
    """Prove from PROGRAM's text alone that nothing of it is unsafe, and list what is left for you to see to.

    Every finding has a number, the line it stands in, what was found, what would hold, why it matters and
    what to do. The exit code is 0 where nothing speaks against running it, and 1 where something does. A
    program that pathgen did not write needs --machine and --material.
    """
    facts = read_facts(program)
    profile = machine_for(facts, load_machine(machine) if machine else None)
    plastic = material_for(facts, load_material(material) if material else None)
    with _late_bar("checking") as progress:
        found = check_program(program, profile, plastic, places=places, progress=progress)
    listed = build_safety_list(profile, plastic, found)
    say(_json(found, listed) if as_json else "\n".join([*_lines(program, found), "", *listed.lines()]))
    return 0 if found.holds else 1


@contextmanager
def _late_bar(what: str) -> Iterator[Progress]:
    """Give a callback that draws a bar once two seconds have passed."""
    began, shown = time.monotonic(), False
    draw: Progress | None = None
    with ExitStack() as stack:

        def show(done: int, total: int) -> None:
            nonlocal draw, shown
            if not shown and time.monotonic() - began > SOON:
                draw, shown = stack.enter_context(progress_bar(what)), True
            if draw:
                draw(done, total)

        yield show


def _json(found: Checklist, listed: SafetyList) -> str:
    whole = found.as_dict() | {"thermal_safety": listed.as_dict()}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)


def _lines(program: Path, found: Checklist) -> list[str]:
    """Word what was found; why and what to do once for each rule."""
    counts = [(found.places(level), level) for level in LEVELS]
    told = ", ".join(f"{n:,} {name}{'' if n == 1 else 's'}" for n, name in counts if n) or "nothing found"
    rules = sum(1 for number in RULES if found.looked[number])
    lines = [
        f"{program}: {told}; {'nothing speaks against running it' if found.holds else 'it must not run'}",
        f"  {found.moves:,} moves in {found.lines:,} lines, on {found.machine} with {found.material}; "
        f"{rules} of {len(RULES)} rules had something to look at",
    ]
    explained: set[int] = set()
    for finding in found.findings:
        lines += ["", *_worded(finding, finding.number not in explained)]
        explained.add(finding.number)
    return lines


def _worded(finding: Finding, explain: bool) -> list[str]:
    more = [f"    {finding.rule.why}", f"    do: {finding.rule.do}"] if explain else []
    return [f"  {finding}", *more]
