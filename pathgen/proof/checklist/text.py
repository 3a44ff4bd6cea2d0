"""Rules 101 to 116, and 118: readable lines, known commands, modes set before use, and a complete program."""

from __future__ import annotations

import re

import numpy as np

from pathgen.gcode.comments import HEADER_SUM, header_sum
from pathgen.gcode.interpret import SLASHED, LineFault
from pathgen.gcode.rows import FEED_ONLY, NO_AXIS
from pathgen.proof.checklist.evidence import Subject
from pathgen.proof.checklist.words import is_listed, start_modes, unknown_effect
from pathgen.proof.header import Totals
from pathgen.settings.blocks import commands

STOPPING = ("M0", "M1", "M60")

_LEADING = re.compile(rb"\s*(?:[Nn]\s*\d+\s*)?([Mm]\s*\d+)")


def check_text(subject: Subject) -> None:
    """Check that the program is readable, sets its modes and is complete (rules 101 to 116, and 118)."""
    _lines(subject)
    _words(subject)
    _modes(subject)
    _end(subject)


def _lines(subject: Subject) -> None:
    """Check for lines that cannot be interpreted (rules 101, 103, 109 and 110)."""
    program, log = subject.program, subject.log
    log.count_checks(subject.last_line, 101, 109)
    for fault in program.faults:
        shown = fault.text.decode("ascii", "backslashreplace")
        if fault.why in (NO_AXIS, FEED_ONLY):
            log.add(109, fault.line, repr(shown))
        elif code := _message_code(fault, subject):
            log.add(103, fault.line, f"{code} with free text: {shown!r}")
        else:
            log.add(101, fault.line, f"{fault.why}: {shown!r}" if shown not in fault.why else fault.why)
    if program.given_up:
        text = f"{len(program.faults)} unreadable lines; the rest of the file was not checked"
        log.add(101, program.faults[-1].line, text)
    log.count_checks(len(program.feed_only), 110)
    if count := len(program.feed_only):
        line = int(program.feed_only[0])
        log.add(110, line, f"first of {count:,} line{'' if count == 1 else 's'}", count, last=line)


def _message_code(fault: LineFault, subject: Subject) -> str:
    """Return the M code of an unreadable line if the controller may skip the line, or else ""."""
    found = _LEADING.match(fault.text)
    if subject.strict or found is None or fault.why.endswith(" characters"):
        return ""
    code = found[1].decode().upper().replace(" ", "")
    return "" if is_listed(code, subject.machine.dialect) else code


def _words(subject: Subject) -> None:
    """Check for commands that are not listed, or whose effect is unknown (rules 102, 103, 112 and 113)."""
    dialect, strict, log = subject.machine.dialect, subject.strict, subject.log
    moving = {*"XYZ", dialect.extruder}
    for command in subject.commands:
        log.count_checks(len(command.codes), 102, 103, 112)
        for code in command.codes:
            if not is_listed(code, dialect):
                log.add(102 if strict or code[0] == "G" else 103, command.line, code)
            elif why := unknown_effect(code, dialect):
                log.add(112, command.line, f"{code}: {why}")
            elif code in STOPPING and moving & set(command.values):
                log.add(112, command.line, f"{code}: controllers read the axis words beside it differently")
        tool = command.values.get("T", 0.0)
        own = "M204" in command.codes or tool == 0  # its T is an acceleration
        log.require(own, 113, command.line, f"T{tool:g}", tool, "T0")
    for fault in subject.program.doubtful:
        shown = fault.text.decode("ascii", "backslashreplace")
        log.add(114 if fault.why == SLASHED else 115, fault.line, f"{fault.why}: {shown!r}")
    log.count_checks(subject.last_line, 114, 115)


def _modes(subject: Subject) -> None:
    """Check that the program sets units and modes before it uses them (rules 106 to 108 and 116)."""
    dialect, moves = subject.machine.dialect, subject.moves
    moving = _first_motion(subject)
    for number, codes, row in (
        (106, ("G20", "G21"), moving),
        (107, ("G90", "G91"), moving),
        (108, ("M82", "M83"), int(subject.fed[0]) if len(subject.fed) else len(moves)),
    ):
        start = commands(dialect.start, dialect)
        if number == 108 and not {"M82", "M83"} & {*dialect.own_words, *start}:
            continue  # the dialect has a fixed filament mode, or sets it by G90 and G91
        if row == len(moves):
            continue
        first = next(iter(subject.having(*codes)), None)
        passed = first is not None and first.line <= subject.line(row)
        either = " or ".join(codes)
        text = f"first {either} in line {first.line}" if first else f"no {either}"
        subject.log.require(passed, number, subject.line(row), text)
    _mode_fits(subject)
    if moving == len(moves):
        return
    line = subject.line(moving)
    for code in start_modes(dialect).values():
        at = next((command.line for command in subject.having(code)), 0)
        subject.log.require(0 < at <= line, 116, line, f"{code} in line {at}" if at else f"no {code}")


def _mode_fits(subject: Subject) -> None:
    """Check that the dialect supports the filament mode (rule 108)."""
    dialect = subject.machine.dialect
    if dialect.filament_mode not in ("relative", "absolute") or not len(subject.fed):
        return
    for command in subject.having("M82", "M83"):
        for code in command.codes:
            if code in ("M82", "M83") and not is_listed(code, dialect):
                wanted = "M83" if dialect.filament_mode == "relative" else "M82"
                subject.log.add(108, command.line, f"{code}, not listed in the profile", limit=wanted)


def _first_motion(subject: Subject) -> int:
    """Return the row of the first move that is not part of homing."""
    homing = {command.line for command in subject.having("G28")}
    rows = np.flatnonzero(~np.isin(subject.program.line[: len(homing) + 1], list(homing)))
    return int(rows[0]) if len(rows) else len(subject.moves)


def _end(subject: Subject) -> None:
    """Check that the program and its header are complete (rules 104, 105, 111 and 118)."""
    program, log = subject.program, subject.log
    log.require(program.ended, 104, subject.last_line, "the text ends here", None, "M2 or M30 at the end")
    if program.ended:
        log.count_checks(1, 105)
        if program.trailing is not None:
            shown = program.trailing.text.decode("ascii", "backslashreplace")
            text = f"{shown!r} after the end in line {subject.last_line}"
            log.add(105, program.trailing.line, text)
    late = [key for key in Totals.keys() if key in program.header]
    log.count_checks(len(late), 111)
    if empty := [key for key in late if not program.header[key].strip()]:
        log.add(111, 0, f"no value for {', '.join(empty)}")
    stated = program.header.get(HEADER_SUM, "")
    if subject.last and (stated or program.header and program.sums):
        found = header_sum(program.header)
        log.require(found == stated, 118, 0, f"sum {found}, stated {stated or 'none'}")
