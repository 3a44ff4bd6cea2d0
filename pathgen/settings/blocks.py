"""Rules for the blocks of a dialect, such as the start and finish of a program.

A block is a template of program lines. The rules find mistakes that are easily made when a copy of a profile
is edited, and that would otherwise appear only at the machine: a heater that stays on, a program in inches,
filament counted in the wrong mode, a word that the controller does not know.

The checklist finds most of these mistakes in a finished program too. They are also checked here, because a
profile is loaded long before a program exists, and because only here the error can name the block and its
line.

Glossary. *Own words*: letters and commands beyond RS-274 (NISTIR 6556) that the profile lists for its
controller. *Command*: a G or M word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pathgen.errors import nearest
from pathgen.settings.machine import Dialect, Heaters
from pathgen.settings.program_words import FILAMENT_LETTERS, LETTERS, STANDARD_WORDS, words_with
from pathgen.settings.validation import Fault, bad, format_value

PLACEHOLDERS = {
    "nozzle": "nozzle temperature, whole °C",
    "platform": "platform temperature, whole °C",
    "fan": "part cooling as a whole number, 0 to 255",
    "fan_fraction": "part cooling as a fraction, 0 to 1",
    "clear_z": "height at which the head clears the finished panel, mm",
    "park_x": "x of the parking position, mm",
    "park_y": "y of the parking position, mm",
    "travel_feed": "feed of travels, mm/min",
    "lift_feed": "feed of the vertical axis, mm/min",
}
"""Placeholders, written in braces, and the values that replace them."""

BLOCK_PLACEHOLDERS = {
    "start": ("nozzle", "platform", "travel_feed", "lift_feed"),
    "finish": ("clear_z", "park_x", "park_y", "travel_feed", "lift_feed"),
    "fan_on": ("fan", "fan_fraction"),
    "fan_off": (),
    "nozzle_change": ("nozzle",),
}
"""Placeholders that each block may use; the others have no value there."""

BRACES = re.compile(r"\{([^{}]*)\}")
MAX_LINE = 255  # characters; with its newline, a line has at most 256 (NISTIR 6556, 3.3)
_WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")


def dialect_faults(dialect: Dialect, heaters: Heaters) -> Iterator[Fault]:
    """Find errors in the blocks and words of a dialect.

    Parameters
    ----------
    dialect : Dialect
    heaters : Heaters
        Limits of the temperatures in the blocks.

    Yields
    ------
    Fault
        With a key such as "dialect.start line 3"; lines count from 1.
    """
    yield from _feeder_faults(dialect)
    for name in BLOCK_PLACEHOLDERS:
        yield from _line_faults(name, dialect)
    yield from _mode_faults(dialect)
    yield from _end_faults(dialect)
    if dialect.heaters == "program":
        yield from _heater_faults(dialect, heaters)
    else:
        yield from _own_heater_faults(dialect)
    if dialect.nozzle_change.strip() and "{nozzle}" not in dialect.nozzle_change:
        yield bad("dialect.nozzle_change", dialect.nozzle_change, "a command that contains {nozzle}")
    if bool(dialect.fan_on.strip()) != bool(dialect.fan_off.strip()):
        yield bad("dialect.fan_off", dialect.fan_off, "both fan_on and fan_off, or neither")
    for code, _ in dialect.own_effects:
        if code not in dialect.own_words or len(code) < 2:
            yield bad("dialect.own_effects", code, "commands that own_words lists")


def block_words(line: str, dialect: Dialect) -> list[tuple[str, str]]:
    """Split a line of a block into words (letter, number); comments are dropped, placeholders become 1.

    Leading zeros of commands are removed: "M05" becomes ("M", "5").
    """
    bare = BRACES.sub("1", _without_comment(line, dialect.comment))
    found = _WORD.findall(bare)
    return [(a, f"{float(n):g}" if a in "GM" else n) for a, n in found]


def commands(block: str, dialect: Dialect) -> list[str]:
    """List the commands in a block in order, such as ["G21", "G90", "M104"]."""
    return [a + n for line in block.splitlines() for a, n in block_words(line, dialect) if a in "GM"]


def _without_comment(line: str, style: str) -> str:
    return line.partition(";")[0] if style == "semicolon" else re.sub(r"\([^()]*\)", " ", line)


def _feeder_faults(dialect: Dialect) -> Iterator[Fault]:
    letter = dialect.extruder
    if letter not in FILAMENT_LETTERS:
        yield bad("dialect.extruder", letter, " or ".join(FILAMENT_LETTERS))
    if letter not in LETTERS and letter not in dialect.own_words:
        hint = f"add {letter!r} to dialect.own_words"
        yield bad("dialect.extruder", letter, "a letter from RS-274 or own_words", hint)


def _line_faults(name: str, dialect: Dialect) -> Iterator[Fault]:
    """Check the lines of a block: length, comment style, placeholders, words."""
    for number, line in enumerate(getattr(dialect, name).splitlines(), start=1):
        key = f"dialect.{name} line {number}"
        plain = line.replace("\t", " ")  # controllers read a tab as a space
        if len(line) > MAX_LINE or not (plain.isascii() and plain.isprintable()):
            yield bad(key, line, f"at most {MAX_LINE} printable ASCII characters")
        code = _without_comment(line, dialect.comment)
        for used in BRACES.findall(line):
            if used not in BLOCK_PLACEHOLDERS[name]:
                allowed = ", ".join(f"{{{p}}}" for p in BLOCK_PLACEHOLDERS[name]) or "no placeholder"
                what = f"unknown placeholder {format_value('{' + used + '}')}"
                yield Fault(key, what, allowed, nearest(used, BLOCK_PLACEHOLDERS[name]))
        if re.search(r"[{}]", BRACES.sub("", line)):
            yield bad(key, line.strip(), "placeholders in matching braces, such as {nozzle}")
        if re.search(r"[();]", code):
            style = "after a semicolon" if dialect.comment == "semicolon" else "in matching parentheses"
            yield bad(key, line.strip(), f"comments {style}")
        yield from _word_faults(key, line, code, dialect)


def _word_faults(key: str, line: str, code: str, dialect: Dialect) -> Iterator[Fault]:
    """Check the words of a line against RS-274 and the `own_words` of the profile."""
    left = _WORD.sub("", BRACES.sub("1", code)).strip()
    if left:
        hint = "write a number after each letter, such as X0" if left.isupper() else "write capital letters"
        allowed = "words such as X10.5: a capital letter and a number without exponent"
        yield bad(key, line.strip(), allowed, hint)
    found = block_words(line, dialect)
    named = [a + n for a, n in found if a in "GM"]
    for word in [*named, *(a for a, _ in found)]:
        if word not in STANDARD_WORDS and word not in dialect.own_words:
            hint = f"if the controller knows the word, add {word!r} to dialect.own_words"
            yield Fault(key, f"unknown word {word!r}", "words from RS-274 or own_words", hint)
    letters = [a for a, _ in found if a not in "GM"]
    if len([w for w in named if w != "G53"]) > 1 or len(set(letters)) < len(letters):
        yield bad(key, line.strip(), "one command per line, and no letter repeated")


def _mode_faults(dialect: Dialect) -> Iterator[Fault]:
    """Require millimetres, absolute positions and the filament mode stated in the profile."""
    start = commands(dialect.start, dialect)
    for word in ("G21", "G90"):
        if word not in start:
            meaning = "millimetres" if word == "G21" else "absolute positions"
            yield Fault("dialect.start", f"{word} is missing", f"a line with {word} ({meaning})")
    for block in ("start", "finish"):
        if "G20" in commands(getattr(dialect, block), dialect):
            yield Fault(f"dialect.{block}", "G20 selects inches", "G21, because programs are in millimetres")
    for line in dialect.start.splitlines():
        found = block_words(line, dialect)
        if ("G", "92") in found and {"X", "Y", "Z"} & {a for a, _ in found}:
            hint = "otherwise volume and keep_out are checked at the wrong position"
            what = f"{format_value(line.strip())} shifts the x, y or z axis"
            yield Fault("dialect.start", what, f"G92 {dialect.extruder}0 only", hint)
    if [w for w in start if w in ("G90", "G91")][-1] != "G90":
        yield Fault("dialect.start", "G91 is the last distance mode", "G90 after the last G91")
    modes = [w for w in start if w in ("M82", "M83")]
    last = modes[-1] if modes else ""
    if dialect.filament_mode == "relative" and last != "M83":
        yield bad("dialect.filament_mode", "relative", "'absolute', or a start block that sets M83")
    if dialect.filament_mode == "absolute" and last == "M83":
        yield bad("dialect.filament_mode", "absolute", "'relative', or a start block without M83")


def _end_faults(dialect: Dialect) -> Iterator[Fault]:
    """Require one end-of-program command, at the end, so that a truncated file is recognised."""
    start, finish = commands(dialect.start, dialect), commands(dialect.finish, dialect)
    for word in start:
        if word in ("M2", "M30"):
            yield Fault("dialect.start", f"{word} ends the program", "M2 and M30 in the finish block only")
    if not finish or finish[-1] not in ("M2", "M30") or {"M2", "M30"} & set(finish[:-1]):
        last = f"the last command is {finish[-1]}" if finish else "the block has no command"
        yield Fault("dialect.finish", last, "M2 or M30 as the last command, and nowhere else")
    yield from _park_faults(dialect)


def _park_faults(dialect: Dialect) -> Iterator[Fault]:
    """Require that the head lifts before it moves sideways, and stays lifted."""
    lifted = False
    for line in dialect.finish.splitlines():
        found = block_words(line, dialect)
        letters = {a for a, _ in found}
        if ("G", "28") in found and ("Z" in letters or not letters & {"X", "Y"}):
            what = f"{format_value(line.strip())} homes z"
            yield Fault("dialect.finish", what, "G28 X0 Y0", "homing z would drive the nozzle into the panel")
        if letters & {"X", "Y"} and not lifted:
            hint = "otherwise the nozzle drags through the panel"
            what = f"{format_value(line.strip())} moves sideways before the head is lifted"
            yield Fault("dialect.finish", what, "a move along z alone before any move along x or y", hint)
        lifted = lifted or "Z" in letters


def _heater_faults(dialect: Dialect, heaters: Heaters) -> Iterator[Fault]:
    """Require that each heater is set, kept within its limit, and turned off."""
    yield from _part_faults("nozzle", words_with("nozzle"), heaters.nozzle_max, dialect)
    if heaters.platform_max:
        yield from _part_faults("platform", words_with("platform"), heaters.platform_max, dialect)
    elif "{platform}" in dialect.start:
        allowed = "no {platform}, because heaters.platform_max is 0"
        yield Fault("dialect.start", "{platform} is used", allowed)


def _part_faults(name: str, usual: tuple[str, ...], limit: float, dialect: Dialect) -> Iterator[Fault]:
    """Check one heater, which the lines with its placeholder in the start block set."""
    lines = [line for line in dialect.start.splitlines() if f"{{{name}}}" in line]
    if not lines:
        hint = "or set dialect.heaters to 'machine' if the machine sets its own temperatures"
        allowed = f"a command that sets {{{name}}} and waits"
        yield Fault("dialect.start", f"{{{name}}} is missing", allowed, hint)
    own = {a + n for line in lines for a, n in block_words(line, dialect) if a == "M"}
    own |= set() if own and own.isdisjoint(usual) else set(usual)
    for block in ("start", "finish", *(["nozzle_change"] if name == "nozzle" else [])):
        yield from _set_faults(block, dialect, own.union(usual), limit)
    if not any(word in own and value == 0 for word, value in _settings("finish", dialect)):
        allowed = f"a finish block that turns the heater off, such as '{min(own)} S0'"
        yield Fault("dialect.finish", f"the {name} heater stays on", allowed)


def _settings(block: str, dialect: Dialect) -> Iterator[tuple[str, float]]:
    """Yield (M word, S value) for each line that has both words and no placeholder."""
    for line in getattr(dialect, block).splitlines():
        found = dict(block_words(line, dialect))
        if "M" in found and "S" in found and not BRACES.search(line):
            yield f"M{found['M']}", float(found["S"])


def _set_faults(block: str, dialect: Dialect, codes: set[str], limit: float) -> Iterator[Fault]:
    for word, value in _settings(block, dialect):
        if word in codes and value > limit:
            hint = "above this rating, parts can give off fumes or catch fire"
            allowed = f"at most {limit:g} °C, the limit in [heaters]"
            yield Fault(f"dialect.{block}", f"{word} S{value:g}", allowed, hint)


def _own_heater_faults(dialect: Dialect) -> Iterator[Fault]:
    """Require that the program sets no temperatures if the machine does."""
    for block in ("start", "finish", "nozzle_change"):
        text = getattr(dialect, block)
        used = [f"{{{n}}}" for n in ("nozzle", "platform") if f"{{{n}}}" in text]
        used += [w for w in commands(text, dialect) if w in words_with("nozzle") + words_with("platform")]
        if used:
            allowed = "no heater commands if dialect.heaters is 'machine'"
            yield Fault(f"dialect.{block}", f"{used[0]} is used", allowed)
