"""Rules 501 to 506: feeds, the drive, melt rate and accelerations within what the machine can do."""

from __future__ import annotations

import numpy as np

from pathgen.proof.checklist.evidence import Subject

SHARE, ROUNDED = 1.01, 0.02  # feeds are written rounded: a hundredth and 0.02 mm/s more is the same feed
MELT = 1.10  # likewise of the melt rate, where a short move's filament is rounded too
LEAST = 0.1  # mm; what shorter moves feed is mostly rounding
LONG = 120.0  # s that one move may take


def check_motion(subject: Subject) -> None:
    """Hold the rules of theme 5 against a program."""
    for block in subject.blocks():
        _feeds(subject, block)
    _accelerations(subject)


def _feeds(subject: Subject, block: slice) -> None:
    """501 to 505 on a block of moves."""
    machine, moves = subject.machine, subject.moves
    feed, filament = moves.feed[block], np.abs(moves.filament[block])
    steps = [
        getattr(moves, name)[block] - before
        for name, before in zip("xyz", subject.before(block), strict=True)
    ]
    length = np.sqrt(steps[0] ** 2 + steps[1] ** 2 + steps[2] ** 2)
    moving = length > 0
    pace = feed / np.where(moving, length, 1.0)  # share of the way in a second
    found = {}
    for name, step in zip("xyz", steps, strict=True):
        most = getattr(machine.axes, name).feed
        speed = np.abs(step) * pace
        found[f"mm/s along {name}"] = (501, speed, most, moving & (speed > most * SHARE + ROUNDED))
    fed = np.where(moving, filament * pace, np.where(filament > 0, feed, 0.0))
    counted = ~moving | (length > LEAST)
    most = machine.axes.filament.feed
    found["mm/s of filament"] = (502, fed, most, counted & (fed > most * SHARE + ROUNDED))
    melt = np.where(moving & (moves.filament[block] > 0), fed, 0.0)
    melt *= machine.hot_end.section
    most = machine.hot_end.melt_rate
    found["mm³/s"] = (503, melt, most, (length > LEAST) & (melt > most * MELT))
    seconds = np.where(moving, length, filament) / np.where(feed > 0, feed, np.inf)
    found["s"] = (505, seconds, LONG, seconds > LONG)
    for unit, (number, values, most, bad) in found.items():
        rows = np.flatnonzero(bad)
        if len(rows):
            subject.find_rows(number, rows + block.start, values[rows], f"at most {most:g} {unit}", unit, 1)
    bare = np.flatnonzero((feed == 0) & (moves.filament[block] > 0))
    if len(bare):
        subject.find_rows(504, bare + block.start, feed[bare], "an F word before it", "mm/s", 0)
    subject.book.look(len(feed), 501, 502, 503, 504, 505)


def _accelerations(subject: Subject) -> None:
    """506: what the program sets, in mm/s²."""
    axes = subject.machine.axes
    along = max(axes.x.acceleration, axes.y.acceleration)
    most = {"X": axes.x, "Y": axes.y, "Z": axes.z, "E": axes.filament}
    for command in subject.commands:
        for code in command.codes:
            meaning = subject.meanings.get(code)
            if meaning is None or meaning.what != "acceleration":
                continue
            for letter in meaning.letters:
                if letter not in command.values:
                    continue
                value = command.values[letter]
                limit = most[letter].acceleration if letter in most else along
                if code != "M201" and letter == "R":  # of retractions
                    limit = axes.filament.acceleration
                subject.book.look(1, 506)
                if value > limit:
                    text, holds = f"{code} {letter}{value:g} mm/s²", f"at most {limit:g} mm/s²"
                    subject.book.find(506, command.line, text, value, holds)
