"""Rules 101 to 111: whether the text can be read at all, sets its modes, and is whole."""

from __future__ import annotations

import re

import numpy as np

from pathgen.gcode.interpret import LineFault
from pathgen.proof.checklist.evidence import Subject
from pathgen.proof.checklist.words import is_named
from pathgen.settings.blocks import commands

LATE = ("moves", "time", "filament", "mass")  # facts a writer fills in when the program is complete

_LEADING = re.compile(rb"\s*(?:[Nn]\s*\d+\s*)?([Mm]\s*\d+)")


def check_form(subject: Subject) -> None:
    """Hold the rules of theme 1 against a program."""
    _lines(subject)
    _words(subject)
    _modes(subject)
    _end(subject)


def _lines(subject: Subject) -> None:
    """101, 109, 110: lines without a meaning."""
    program, book = subject.program, subject.book
    book.look(subject.last_line, 101, 109)
    for fault in program.faults:
        shown = fault.text.decode("ascii", "backslashreplace")
        if fault.why.startswith("a motion with"):
            book.find(109, fault.line, repr(shown))
        elif word := _message(fault, subject):
            book.find(103, fault.line, f"{word}, and words that are none, in {shown!r}")
        else:
            book.find(101, fault.line, f"{fault.why}: {shown!r}" if shown not in fault.why else fault.why)
    if program.given_up:
        text = f"{len(program.faults)} lines could not be read: the rest was not looked at"
        book.find(101, program.faults[-1].line, text)
    book.look(len(program.bare), 110)
    if len(program.bare):
        lines = program.bare
        text = f"{len(lines):,} lines, the first of them here"
        book.find(110, int(lines[0]), text, len(lines), last=int(lines[0]))


def _message(fault: LineFault, subject: Subject) -> str:
    """Name the M word of a line that goes on in prose, where the controller may pass over it."""
    found = _LEADING.match(fault.text)
    if subject.strict or found is None or fault.why[0].isdigit():
        return ""
    word = found[1].decode().upper().replace(" ", "")
    return "" if is_named(word, subject.machine.dialect) else word


def _words(subject: Subject) -> None:
    """102, 103: words nobody declared. A G word may move; an M word in a strict dialect is an error."""
    dialect, strict = subject.machine.dialect, subject.strict
    for command in subject.commands:
        for code in command.codes:
            subject.book.look(1, 102, 103)
            if not is_named(code, dialect):
                subject.book.find(102 if strict or code[0] == "G" else 103, command.line, code)


def _modes(subject: Subject) -> None:
    """106 to 108: what is left over from before counts nowhere."""
    dialect, moves = subject.machine.dialect, subject.moves
    moving = _first_motion(subject)
    for number, codes, row in (
        (106, ("G20", "G21"), moving),
        (107, ("G90", "G91"), moving),
        (108, ("M82", "M83"), int(subject.fed[0]) if len(subject.fed) else len(moves)),
    ):
        start = commands(dialect.start, dialect)
        if number == 108 and not {"M82", "M83"} & {*dialect.own_words, *start}:
            continue  # the dialect counts in one way only, or by G90 and G91
        if row == len(moves):
            continue
        subject.book.look(1, number)
        first = next(iter(subject.having(*codes)), None)
        if first is None or first.line > subject.line(row):
            value = (
                f"first {' or '.join(codes)} in line {first.line}" if first else f"no {' or '.join(codes)}"
            )
            subject.book.find(number, subject.line(row), value)
    _mode_fits(subject)


def _mode_fits(subject: Subject) -> None:
    """108 again: filament counted as the dialect does not."""
    dialect = subject.machine.dialect
    if dialect.filament_mode not in ("relative", "absolute") or not len(subject.fed):
        return
    for command in subject.having("M82", "M83"):
        for code in command.codes:
            if code in ("M82", "M83") and not is_named(code, dialect):
                wanted = "M83" if dialect.filament_mode == "relative" else "M82"
                subject.book.find(108, command.line, f"{code}, which the profile does not name", limit=wanted)


def _first_motion(subject: Subject) -> int:
    """Row of the first move that is not homing."""
    homing = {command.line for command in subject.having("G28")}
    rows = np.flatnonzero(~np.isin(subject.program.line[: len(homing) + 1], list(homing)))
    return int(rows[0]) if len(rows) else len(subject.moves)


def _end(subject: Subject) -> None:
    """104, 105, 111: whether the program is whole."""
    program, book = subject.program, subject.book
    book.look(1, 104)
    if not program.ended:
        book.find(104, subject.last_line, "the text stops here", limit="M2 or M30 as the last command")
    else:
        book.look(1, 105)
        if program.rest:
            book.find(105, subject.last_line, "lines after this one")
    late = [key for key in LATE if key in program.header]
    book.look(len(late), 111)
    blank = [key for key in late if not program.header[key].strip()]
    if blank:
        book.find(111, 0, f"nothing behind {', '.join(blank)}")
