"""`pathgen check`: check a program for errors that make it unsafe to run."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from pathgen.cli.files import INPUT
from pathgen.cli.options import profile_options
from pathgen.cli.output import Answer, format_count, json_option
from pathgen.cli.progress import progress_bar
from pathgen.files.inputs import input_name, open_input
from pathgen.program.writing import Progress
from pathgen.proof.checklist import Checklist, Finding, check_program
from pathgen.proof.checklist.findings import PLACES
from pathgen.proof.header import machine_for, material_for, read_facts
from pathgen.proof.safety import build_safety_list
from pathgen.settings import load_machine, load_material

BAR_AFTER = 2.0  # s; shorter checks show no progress bar


class _PlacesCount(click.IntRange):
    """A count of locations, or the word `all`."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Convert the option's text to a count; `all` becomes the highest count."""
        return sys.maxsize if value == "all" else super().convert(value, param, ctx)


@click.command("check")
@click.argument("program", type=INPUT)
@profile_options
@click.option(
    "--places",
    type=_PlacesCount(1),
    default=PLACES,
    show_default=True,
    metavar="N|all",
    help="Maximum number of findings listed per rule; `all` lists all findings.",
)
@json_option
def check_command(program: Path, machine: str | None, material: str | None, places: int) -> Answer:
    """Check PROGRAM for errors that make it unsafe to run.

    PROGRAM is a file, a pipe, or "-" for standard input. Apart from the profiles, the check uses only the
    program. Every finding states the line, the value, the limit, the reason and the remedy. The exit code is
    3 if there are errors and 0 otherwise, even with warnings or notes. The output ends with a thermal-safety
    list. Check the open items of the list yourself. If another tool wrote the program, add --machine and
    --material.
    """
    with open_input(program, "a program") as stream:
        facts = read_facts(stream)
        profile = machine_for(facts, load_machine(machine) if machine else None)
        plastic = material_for(facts, load_material(material) if material else None)
        with _late_bar("checking") as progress:
            found = check_program(stream, profile, plastic, places=places, progress=progress)
    safety = build_safety_list(profile, plastic, found)
    found = replace(found, program=program.name if str(program) != "-" else input_name(program))
    lines = [*_lines(input_name(program), found), "", *safety.lines()]
    return Answer(found.as_dict() | {"thermal_safety": safety.as_dict()}, lines, 3 if found.errors else 0)


@contextmanager
def _late_bar(label: str) -> Iterator[Progress]:
    """Provide a progress callback, whose bar appears after two seconds."""
    began, shown = time.monotonic(), False
    draw: Progress | None = None
    with ExitStack() as stack:

        def show(done: int, total: int) -> None:
            nonlocal draw, shown
            if not shown and time.monotonic() - began > BAR_AFTER:
                draw, shown = stack.enter_context(progress_bar(label)), True
            if draw:
                draw(done, total)

        yield show


def _lines(name: str, found: Checklist) -> list[str]:
    """Describe the findings; each rule is explained once."""
    lines = [
        f"{name}: {found.verdict}",
        f"  {format_count(found.moves, 'move')} in {format_count(found.lines, 'line')}, "
        f"on {found.machine} with {found.material}",
    ]
    explained: set[int] = set()
    for finding in found.findings:
        lines += ["", *_worded(finding, finding.number not in explained)]
        explained.add(finding.number)
    return lines


def _worded(finding: Finding, explain: bool) -> list[str]:
    more = [f"    {finding.rule.why}", f"    do: {finding.rule.do}"] if explain else []
    return [f"  {finding}", *more]
