"""What commands mean: which heats the nozzle or the platform, turns the fan, releases motors or waits.

A machine's profile says most of it: the command that carries {nozzle} heats the nozzle, that of `fan_on`
turns the fan. What a profile does not say is taken from the table of usual meanings, so that programs of
others are understood as far as common practice goes.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from pathgen.settings import Dialect
from pathgen.settings.blocks import commands
from pathgen.settings.program_words import PROGRAM_WORDS, STANDARD_WORDS, Effect, words_with


class Meaning(NamedTuple):
    """What a command does."""

    what: Effect
    letters: tuple[str, ...] = ()  # the words that carry its value, the first that stands counts
    waits: bool = False  # until the temperature is reached


USUAL = {
    code: Meaning(word.effect, word.letters, word.waits)
    for code, word in PROGRAM_WORDS.items()
    if word.effect and word.effect != "end"
}
RELEASE = words_with("motors off")

_WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")
_BESIDE = re.compile(r";.*|\([^()]*\)")  # comments
_CARRIER = re.compile(r"([A-Z])\s*\{(\w+)\}")


@lru_cache(maxsize=4096)
def words_of(text: str) -> tuple[tuple[str, ...], tuple[tuple[str, float], ...]]:
    """Take an event's words apart: codes without leading zeros, and (letter, value) of the others.

    Examples
    --------
    >>> words_of("m0104 S200")
    (('M104',), (('S', 200.0),))
    """
    found = _WORD.findall(text.upper())
    codes = tuple(f"{a}{float(n):g}" for a, n in found if a in "GM")
    return codes, tuple((a, float(n)) for a, n in found if a not in "GMN")


def meanings(dialect: Dialect) -> dict[str, Meaning]:
    """Say what commands mean to a controller: as its profile's blocks use them, and else as is usual.

    Where a profile's start block gives {nozzle} to commands that are not usual, the last of them is the one
    that waits: a profile's start block has to.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> found = meanings(load_machine("ngc-lab").dialect)
    >>> found["M8"].what, found["M9"].what
    ('fan', 'fan off')
    """
    found = dict(USUAL)
    # P is in seconds in RS-274; controllers beyond it count P in milliseconds and S in seconds.
    beyond = "E" in dialect.own_words
    found["G4"] = Meaning("dwell", ("S", "P") if beyond else ("P",))
    for heater in ("nozzle", "platform"):
        carriers = [*_carriers(dialect.start, heater), *_carriers(dialect.nozzle_change, heater)]
        starting = len(_carriers(dialect.start, heater))
        for place, (code, letter) in enumerate(carriers, start=1):
            usual = USUAL.get(code)
            waits = usual.waits if usual and usual.what == heater else place == starting
            more = tuple(a for a in (usual.letters if usual else ()) if a != letter)
            found[code] = Meaning("nozzle" if heater == "nozzle" else "platform", (letter, *more), waits)
    for code, letter in _fan_words(dialect):
        found[code] = Meaning("fan", (letter,) if letter else ())
    for code in commands(dialect.fan_off, dialect):
        if code not in commands(dialect.fan_on, dialect):
            found[code] = Meaning("fan off")
    return found


def _carriers(block: str, name: str) -> list[tuple[str, str]]:
    """List (command, letter) of a block's lines that carry a placeholder."""
    found = []
    for line in block.splitlines():
        carried = [letter for letter, used in _CARRIER.findall(line) if used == name]
        codes, _ = words_of(_BESIDE.sub(" ", re.sub(r"\{\w+\}", "1", line)))
        own = [code for code in codes if code[0] == "M"]
        if carried and own:
            found.append((own[0], carried[0]))
    return found


def _fan_words(dialect: Dialect) -> list[tuple[str, str]]:
    carried = _carriers(dialect.fan_on, "fan") + _carriers(dialect.fan_on, "fan_fraction")
    return carried or [(code, "") for code in commands(dialect.fan_on, dialect)]


def is_named(code: str, dialect: Dialect) -> bool:
    """Tell whether a code is one of RS-274's, or the profile's own."""
    return code in STANDARD_WORDS or code in dialect.own_words
