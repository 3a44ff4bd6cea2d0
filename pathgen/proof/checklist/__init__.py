"""The checklist: the proof, from a program's text alone, that nothing of it is unsafe.

`check_program` reads the text and holds every rule of `RULES` against it. All findings are collected; none
stops the others.
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
from pathgen.proof.checklist.deposits import check_panel
from pathgen.proof.checklist.evidence import Ground, Subject
from pathgen.proof.checklist.filament import check_filament
from pathgen.proof.checklist.findings import PLACES, Book, Checklist, Finding
from pathgen.proof.checklist.form import check_form
from pathgen.proof.checklist.heat import check_heat
from pathgen.proof.checklist.motion import check_motion
from pathgen.proof.checklist.positions import check_place
from pathgen.proof.checklist.rules import RULES, Level, Rule
from pathgen.proof.checklist.sweep import check_sweep
from pathgen.proof.header import Stated, machine_for, material_for, read_facts
from pathgen.settings import Machine, Material

__all__ = ["MOST_FAULTS", "RULES", "Checklist", "Finding", "Level", "Rule", "check_program"]

MOST_FAULTS = 1000  # unreadable lines after which reading is given up

WINDOW = 900_000  # moves held at once
ALL = 1 << 62

THEMES = (check_form, check_heat, check_place, check_filament, check_motion, check_sweep)


@log_stage(lambda found: f"checked {found.moves:,} moves: {found.places('error')} errors")
def check_program(
    source: Input,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    stated: Stated | None = None,
    places: int = PLACES,
    progress: Callable[[int, int], None] | None = None,
) -> Checklist:
    r"""Hold every rule against a program.

    Parameters
    ----------
    source : bytes, path or binary stream
        The text itself, its file, or an open seekable file; written by pathgen or by another program.
    machine, material : optional
        By default the shipped ones that the program's header names.
    stated : Stated, optional
        What a person says of the program; wins over the header.
    places : int
        Findings of a rule that are told one by one, at least 1; one more says where the others lie.
    progress : callable, optional
        Called with (done, of how many).

    Returns
    -------
    Checklist
        The same for the same text. Lines that cannot be read are findings, up to `MOST_FAULTS` of them.

    Raises
    ------
    PathgenError
        When the file cannot be opened, is empty or holds no text; when neither the caller nor the header
        names machine and material.

    Notes
    -----
    The head is taken to follow straight lines and to start at 0, 0, 0, where G28 puts it too. What is left
    out: what no text tells, such as a machine that is not as its profile says.

    Examples
    --------
    >>> from pathgen.settings import load_machine, load_material
    >>> text = b"G21\nG90\nM83\nG28\nM109 S300\nM104 S0\nM84\nM2\n"
    >>> found = check_program(text, load_machine("moving-table"), load_material("pla-white"))
    >>> [(error.number, error.line) for error in found.errors]
    [(201, 5), (202, 5)]
    """
    with open_input(source, "a program") as stream:
        facts = read_facts(stream)
        machine, material = machine_for(facts, machine), material_for(facts, material)
        # Panels in turn are held against each other: they have to be seen at once.
        window = ALL if facts.get("job build") == "in-turn" else WINDOW
        total = 2 * max(stream.seek(0, os.SEEK_END), 1)  # a bar counts reading as half of the work
        windows = read_windows(
            stream,
            machine.dialect,
            machine.hot_end.filament_diameter,
            window,
            most_faults=MOST_FAULTS,
            progress=(lambda taken: progress(taken, total)) if progress else None,
        )
        found = _judge(windows, machine, material, stated or Stated(), places)
    if progress:
        progress(total, total)
    return replace(found, program=os.path.basename(input_name(source)))


def _judge(
    windows: Iterable[tuple[Program, bool]], machine: Machine, material: Material, stated: Stated, places: int
) -> Checklist:
    """Hold every rule against window after window."""
    book, ground, whole, below, fed, moves = Book(places), Ground(), True, 0.0, 0.0, 0
    for program, last in windows:
        whole &= last
        subject = Subject(
            _over_platform(program, machine),
            machine,
            material,
            book,
            stated,
            last=last,
            whole=whole,
            below=below,
            fed_before=fed,
            ground=ground,
        )
        _hold(subject)
        moves += len(program.moves)
        fed += float(program.moves.filament.sum())
        below = max([below, *subject.levels.z[-1:].tolist()])
    return Checklist(
        program="",
        machine=machine.name,
        material=material.name,
        findings=book.settle(),
        looked=book.looked,
        counts=book.counts,
        lines=subject.last_line,
        moves=moves,
    )


def _hold(subject: Subject) -> None:
    """Hold theme after theme; the panel is laid down meanwhile, which takes about as long as the others."""
    assert subject.levels is not None and subject.commands is not None  # worked out once, before both need it
    with ThreadPoolExecutor(1) as worker:
        panel = worker.submit(_quietly, check_panel, subject)
        for check in THEMES:
            _quietly(check, subject)
        panel.result()


def _quietly(check: Callable[[Subject], None], subject: Subject) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # numbers of a mistyped line may be beyond all bounds
        check(subject)


def _over_platform(program: Program, machine: Machine) -> Program:
    """Count heights from the platform, wherever the controller has its zero."""
    if not machine.z_zero:
        return program
    return replace(program, moves=replace(program.moves, z=program.moves.z + machine.z_zero))
