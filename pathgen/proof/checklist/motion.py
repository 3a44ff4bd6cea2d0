"""Rules 501 to 506: feed rates, filament drive, melt rate and accelerations within the machine's limits."""

from __future__ import annotations

import numpy as np

from pathgen.proof.checklist.evidence import Subject

SHARE, ROUNDED = 1.01, 0.02  # feed rates are rounded in the text: tolerances of 1 % and 0.02 mm/s
MELT = 1.10  # tolerance of the melt rate; the filament of short moves is rounded too
SHORT = 0.1  # mm; the filament of shorter moves is mostly rounding


def check_motion(subject: Subject) -> None:
    """Check feed rates, melt rate and accelerations (rules 501 to 506)."""
    for block in subject.blocks():
        _feeds(subject, block)
    _accelerations(subject)


def _feeds(subject: Subject, block: slice) -> None:
    """Check feed rates, filament drive and melt rate in a block of moves (rules 501 to 504)."""
    machine, moves = subject.machine, subject.moves
    feed, filament = moves.feed[block], np.abs(moves.filament[block])
    steps = [
        getattr(moves, name)[block] - before
        for name, before in zip("xyz", subject.before(block), strict=True)
    ]
    length = np.sqrt(steps[0] ** 2 + steps[1] ** 2 + steps[2] ** 2)
    moving = length > 0
    rate = feed / np.where(moving, length, 1.0)  # share of the move per second
    found = {}
    for name, step in zip("xyz", steps, strict=True):
        limit = getattr(machine.axes, name).feed
        speed = np.abs(step) * rate
        found[f"mm/s along {name}"] = (501, speed, limit, moving & (speed > limit * SHARE + ROUNDED))
    fed = np.where(moving, filament * rate, np.where(filament > 0, feed, 0.0))
    counted = ~moving | (length > SHORT)
    limit = machine.axes.filament.feed
    found["mm/s of filament"] = (502, fed, limit, counted & (fed > limit * SHARE + ROUNDED))
    melt = np.where(moving & (moves.filament[block] > 0), fed, 0.0)
    melt *= machine.hot_end.section
    limit = machine.hot_end.melt_rate
    found["mm³/s"] = (503, melt, limit, (length > SHORT) & (melt > limit * MELT))
    for unit, (number, values, limit, bad) in found.items():
        rows = np.flatnonzero(bad)
        subject.add_rows(number, rows + block.start, values[rows], f"{limit:g} {unit}", unit, 1)
    bare = np.flatnonzero((feed == 0) & (moves.filament[block] > 0))
    subject.add_rows(504, bare + block.start, feed[bare], "an F word before this line", "mm/s", 0)
    subject.log.count_checks(len(feed), 501, 502, 503, 504)


def _accelerations(subject: Subject) -> None:
    """Check the accelerations that the program sets, mm/s² (rule 506)."""
    axes = subject.machine.axes
    travel = max(axes.x.acceleration, axes.y.acceleration)
    limits = {"X": axes.x, "Y": axes.y, "Z": axes.z, "E": axes.filament}
    for command in subject.commands:
        for code in command.codes:
            word = subject.effects.get(code)
            if word is None or word.effect != "acceleration":
                continue
            for letter in [a for a in word.letters if a in command.values]:
                value = command.values[letter]
                limit = limits[letter].acceleration if letter in limits else travel
                if code != "M201" and letter == "R":  # R sets the acceleration of retractions
                    limit = axes.filament.acceleration
                text = f"{code} {letter}{value:g} mm/s²"
                subject.log.require(value <= limit, 506, command.line, text, value, f"{limit:g} mm/s²")
