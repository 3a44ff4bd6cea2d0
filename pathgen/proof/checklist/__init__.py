"""The checklist: numbered rules, applied to a G-code program.

`check_program` reads the text and applies every rule of `RULES`. It collects all findings; no finding stops
the check.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from pathgen.files.inputs import Input, input_name, open_input
from pathgen.files.stages import log_stage
from pathgen.gcode.read import Program, read_windows
from pathgen.proof.checklist.budgets import Ledger, check_budgets
from pathgen.proof.checklist.collisions import check_collisions
from pathgen.proof.checklist.deposits import check_panel
from pathgen.proof.checklist.evidence import EarlierDeposits, Subject
from pathgen.proof.checklist.filament import check_filament
from pathgen.proof.checklist.findings import PLACES, Checklist, Finding, FindingLog
from pathgen.proof.checklist.heat import check_heat
from pathgen.proof.checklist.layer_sums import check_sums
from pathgen.proof.checklist.motion import check_motion
from pathgen.proof.checklist.positions import check_positions
from pathgen.proof.checklist.rules import RULES, Level, Rule
from pathgen.proof.checklist.text import check_text
from pathgen.proof.header import machine_for, material_for, read_facts
from pathgen.settings import Machine, Material

__all__ = ["MAX_FAULTS", "RULES", "Checklist", "Finding", "Level", "Rule", "check_program"]

MAX_FAULTS = 1000  # unreadable lines before reading stops

WINDOW = 900_000  # moves in memory at once
ALL = 1 << 62

THEMES = (check_text, check_heat, check_positions, check_filament, check_motion, check_collisions, check_sums)


@log_stage(lambda found: f"checked {found.moves:,} moves: {found.places('error')} errors")
def check_program(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    places: int = PLACES,
    progress: Callable[[int, int], None] | None = None,
) -> Checklist:
    r"""Apply every rule of the checklist to a program.

    Parameters
    ----------
    source : bytes, path or binary stream
        The text itself, its file, or an open seekable file; written by pathgen or by another program.
    machine, material : optional
        By default, the shipped profiles that the header of the program names.
    places : int
        Maximum number of findings listed per rule, at least 1. One more finding counts the rest.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    Checklist
        Unreadable lines are findings, up to `MAX_FAULTS` of them.

    Raises
    ------
    PathgenError
        If the file cannot be opened, is empty or is not text, or if neither the caller nor the header names
        the machine and the material.

    Notes
    -----
    The head is assumed to move in straight lines and to start at (0, 0, 0), the position after G28. The check
    covers the text alone: it cannot detect a machine that differs from its profile.

    Examples
    --------
    >>> from pathgen.settings import load_machine, load_material
    >>> text = b"G21\nG90\nM83\nG28\nM109 S300\nM104 S0\nM84\nM2\n"
    >>> found = check_program(text, load_machine("moving-table"), load_material("pla-white"))
    >>> [(error.number, error.line) for error in found.errors]
    [(201, 5), (202, 5)]
    """
    with open_input(source, "a G-code program") as stream:
        facts = read_facts(stream)
        machine, material = machine_for(facts, machine), material_for(facts, material)
        # Panels built in turn can collide with each other, so the whole program is checked at once.
        window = ALL if facts.get("job build") == "in-turn" else WINDOW
        total = 2 * max(stream.seek(0, os.SEEK_END), 1)  # reading takes about half of the time
        windows = read_windows(
            stream,
            machine.dialect,
            machine.hot_end.filament_diameter,
            window,
            max_faults=MAX_FAULTS,
            progress=(lambda taken: progress(taken, total)) if progress else None,
        )
        found = _check_windows(windows, machine, material, places)
    if progress:
        progress(total, total)
    return replace(found, program=os.path.basename(input_name(source)))


def _check_windows(
    windows: Iterable[tuple[Program, bool]], machine: Machine, material: Material, places: int
) -> Checklist:
    """Apply the rules to each window of the program in turn."""
    ledger = Ledger.of(machine)
    log, earlier, whole, below, fed, moves = FindingLog(places), EarlierDeposits(), True, 0.0, 0.0, 0
    for program, last in windows:
        whole &= last
        subject = Subject(
            _from_platform(program, machine),
            machine,
            material,
            log,
            last=last,
            whole=whole,
            below=below,
            fed_before=fed,
            earlier=earlier,
        )
        _apply_rules(subject, ledger)
        moves += len(program.moves)
        fed += float(program.moves.filament.sum())
        below = max([below, *subject.levels.z[-1:].tolist()])
    return Checklist(
        program="",
        machine=machine.name,
        material=material.name,
        findings=log.sorted_findings(),
        checks=log.checks,
        counts=log.counts,
        lines=subject.last_line,
        moves=moves,
    )


def _apply_rules(subject: Subject, ledger: Ledger) -> None:
    """Apply all rules to a window, and deposit its panel in a second thread to save time."""
    assert (
        subject.levels is not None and subject.commands is not None
    )  # computed before both threads use them
    with ThreadPoolExecutor(1) as worker:
        panel = worker.submit(_quietly, check_panel, subject)
        for check in THEMES:
            _quietly(check, subject)
        _quietly(lambda subject: check_budgets(subject, ledger), subject)
        panel.result()


def _quietly(check: Callable[[Subject], None], subject: Subject) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # a mistyped line can contain numbers of any size
        check(subject)


def _from_platform(program: Program, machine: Machine) -> Program:
    """Return the program with z measured from the platform instead of the controller's zero."""
    if not machine.z_zero:
        return program
    return replace(program, moves=replace(program.moves, z=program.moves.z + machine.z_zero))
