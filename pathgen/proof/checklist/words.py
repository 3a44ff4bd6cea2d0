"""Effects of commands on a controller: heaters, fan, motors, waits and accelerations.

The machine profile defines most of them: the command with the placeholder {nozzle} heats the nozzle, the
command of `fan_on` turns the fan on, and `own_effects` states the effects of further words. Other commands
have their usual effects from the table of program words, so that programs from any software can be checked.
"""

from __future__ import annotations

import re
from functools import lru_cache

from pathgen.settings import Dialect
from pathgen.settings.blocks import commands
from pathgen.settings.program_words import (
    KEPT_GROUPS,
    LINEAR_AXES,
    PROGRAM_WORDS,
    STANDARD_WORDS,
    Effect,
    ProgramWord,
    words_with,
)

RELEASE = words_with("motors off")

_WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")
_COMMENT = re.compile(r";.*|\([^()]*\)")
_CARRIER = re.compile(r"([A-Z])\s*\{(\w+)\}")


@lru_cache(maxsize=4096)
def parse_words(text: str) -> tuple[tuple[str, ...], tuple[tuple[str, float], ...]]:
    """Split a line into its commands, without leading zeros, and the letters and values of other words.

    Examples
    --------
    >>> parse_words("m0104 S200")
    (('M104',), (('S', 200.0),))
    """
    found = _WORD.findall(text.upper())
    codes = tuple(f"{a}{float(n):g}" for a, n in found if a in "GM")
    return codes, tuple((a, float(n)) for a, n in found if a not in "GMN")


def command_effects(dialect: Dialect) -> dict[str, ProgramWord]:
    """Return the effect of each command: as the profile states or, by default, as is common practice.

    If the start block uses {nozzle} only in commands without a usual effect, the last of them is taken to
    wait for the temperature, as a start block has to.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> found = command_effects(load_machine("ngc-lab").dialect)
    >>> found["M8"].effect, found["M9"].effect
    ('fan', 'fan off')
    """
    found = {code: word for code, word in PROGRAM_WORDS.items() if word.effect not in ("", "end")}
    for code, effect in dialect.own_effects:
        found[code] = _word("" if effect == "nothing" else effect, ("S",))
    # P is in seconds in RS-274. Controllers with words beyond it take P in milliseconds and S in seconds.
    found["G4"] = _word("dwell", ("S", "P") if "E" in dialect.own_words else ("P",))
    heaters: tuple[Effect, ...] = ("nozzle", "platform")
    for heater in heaters:
        starting = _carriers(dialect.start, heater)
        carriers = [*starting, *_carriers(dialect.nozzle_change, heater)]
        for number, (code, letter) in enumerate(carriers, start=1):
            usual = PROGRAM_WORDS.get(code)
            waits = usual.waits if usual and usual.effect == heater else number == len(starting)
            more = tuple(a for a in (usual.letters if usual else ()) if a != letter)
            found[code] = _word(heater, (letter, *more), waits)
    fans = _carriers(dialect.fan_on, "fan") + _carriers(dialect.fan_on, "fan_fraction")
    turned_on = commands(dialect.fan_on, dialect)
    found |= {code: _word("fan", (letter,)) for code, letter in fans} or dict.fromkeys(
        turned_on, _word("fan")
    )
    turned_off = (code for code in commands(dialect.fan_off, dialect) if code not in turned_on)
    return found | dict.fromkeys(turned_off, _word("fan off"))


def _word(effect: Effect, letters: tuple[str, ...] = (), waits: bool = False) -> ProgramWord:
    return ProgramWord("", effect, letters, waits, standard=False, followed=False)


def _carriers(block: str, name: str) -> list[tuple[str, str]]:
    """List the command and the letter of each placeholder in a block of a profile."""
    found = []
    for line in block.splitlines():
        letters = [letter for letter, used in _CARRIER.findall(line) if used == name]
        codes, _ = parse_words(_COMMENT.sub(" ", re.sub(r"\{\w+\}", "1", line)))
        own = [code for code in codes if code[0] == "M"]
        if letters and own:
            found.append((own[0], letters[0]))
    return found


def is_listed(code: str, dialect: Dialect) -> bool:
    """Return whether a command is part of RS-274 or listed in the profile."""
    return code in STANDARD_WORDS or code in dialect.own_words


def start_modes(dialect: Dialect) -> dict[str, str]:
    """Return the modes that the start block of a profile sets, by modal group.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> start_modes(load_machine("ngc-lab").dialect)["coordinate system"]
    'G54'
    """
    known = [code for code in commands(dialect.start, dialect) if code in PROGRAM_WORDS]
    found = {PROGRAM_WORDS[code].group: code for code in known if code not in ("G0", "G1", "G2", "G3")}
    return {group: code for group, code in found.items() if group in (*KEPT_GROUPS, "motion")}


@lru_cache(maxsize=64)
def unknown_effect(code: str, dialect: Dialect) -> str:
    """Explain why the effect of a listed command is unknown; return "" if the effect is known."""
    word = PROGRAM_WORDS.get(code)
    mode = start_modes(dialect).get(word.group) if word and word.group in KEPT_GROUPS else None
    if mode is not None:
        return "" if code == mode else f"the profile starts with {mode}"
    if code == "G28" and dialect.extruder in LINEAR_AXES and code not in commands(dialect.start, dialect):
        return "it moves to a point that the text does not state"
    if word and (word.followed or word.effect) or code in command_effects(dialect):
        return ""
    if word and word.standard:
        return "it changes positions or heat in a way that is not modelled"
    return "the profile does not state its effect"
