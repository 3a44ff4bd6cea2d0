"""The start and finish blocks of a dialect: what may stand in them, and what must.

A block is a template of program lines. Everything checked here is a slip that a machine's owner makes when
editing a copy of a profile and that would otherwise show at the machine: a heater that stays on, a program in
inches, filament counted the wrong way, a word the controller was never said to know.

Glossary. *Own words*: letters and commands beyond RS-274 (NISTIR 6556) that a profile says its controller
knows. *Command*: a G or M word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pathgen.errors import nearest
from pathgen.settings.machine import Dialect, Heaters
from pathgen.settings.validation import Fault, bad, format_value

PLACEHOLDERS = {
    "nozzle": "nozzle temperature, whole °C",
    "platform": "platform temperature, whole °C",
    "fan": "part cooling as a whole number, 0 to 255",
    "fan_fraction": "part cooling as a fraction, 0 to 1",
    "clear_z": "height at which the head is clear of the finished panel, mm",
    "park_x": "x at which the head rests after the print, mm",
    "park_y": "y at which the head rests after the print, mm",
    "travel_feed": "feed of travels, mm/min",
    "lift_feed": "feed of the vertical axis, mm/min",
}
"""What the writer puts in place of each name in braces."""

BLOCK_PLACEHOLDERS = {
    "start": ("nozzle", "platform", "travel_feed", "lift_feed"),
    "finish": ("clear_z", "park_x", "park_y", "travel_feed", "lift_feed"),
    "fan_on": ("fan", "fan_fraction"),
    "fan_off": (),
    "nozzle_change": ("nozzle",),
}
"""The names each block may use; those of another block have no value yet, or none any more."""

# NISTIR 6556, Table 3 (letters), Table 5 (G) and Table 7 (M).
LETTERS = frozenset("ABCDFGHIJKLMNPQRSTXYZ")
G_WORDS = frozenset(
    f"G{g}"
    for g in (
        *(0, 1, 2, 3, 4, 10, 17, 18, 19, 20, 21, 28, 30, "38.2", 40, 41, 42, 43, 49, 53, *range(54, 60)),
        *("59.1", "59.2", "59.3", 61, "61.1", 64, *range(80, 95), "92.1", "92.2", "92.3", 98, 99),
    )
)
M_WORDS = frozenset(f"M{m}" for m in (*range(10), 30, 48, 49, 60))
FEEDER_LETTERS = "ABCEUVW"  # RS-274 takes the others for something else (F feed, P time, X Y Z axes ...)
NOZZLE_WORDS = ("M104", "M109")  # set, set and wait: common practice among controllers that have them
PLATFORM_WORDS = ("M140", "M190")

_WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")
_BRACES = re.compile(r"\{([^{}]*)\}")
_MOST = 255  # characters; RS-274 ends a line's 256 with its newline


def dialect_faults(dialect: Dialect, heaters: Heaters) -> Iterator[Fault]:
    """Find what is wrong with a dialect's blocks and words.

    Parameters
    ----------
    dialect : Dialect
    heaters : Heaters
        Their limits bound the temperatures written into the blocks.

    Yields
    ------
    Fault
        With keys such as "dialect.start line 3", lines counted from 1.
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
        yield bad("dialect.nozzle_change", dialect.nozzle_change, "a command with {nozzle}")
    if bool(dialect.fan_on.strip()) != bool(dialect.fan_off.strip()):
        yield bad("dialect.fan_off", dialect.fan_off, "both fan_on and fan_off, or neither")


def block_words(line: str, dialect: Dialect) -> list[tuple[str, str]]:
    """Split one line of a block into words (letter, number), comment left out, placeholders as 1.

    Commands are spelled without leading zeros, so "M05" comes back as ("M", "5").
    """
    bare = _BRACES.sub("1", _without_comment(line, dialect.comment))
    found = _WORD.findall(bare)
    return [(a, f"{float(n):g}" if a in "GM" else n) for a, n in found]


def commands(block: str, dialect: Dialect) -> list[str]:
    """List the commands of a block in order, such as ["G21", "G90", "M104"]."""
    return [a + n for line in block.splitlines() for a, n in block_words(line, dialect) if a in "GM"]


def _without_comment(line: str, style: str) -> str:
    return line.partition(";")[0] if style == "semicolon" else re.sub(r"\([^()]*\)", " ", line)


def _feeder_faults(dialect: Dialect) -> Iterator[Fault]:
    letter = dialect.extruder
    if letter not in FEEDER_LETTERS:
        yield bad("dialect.extruder", letter, " or ".join(FEEDER_LETTERS))
    if letter not in LETTERS and letter not in dialect.own_words:
        hint = f"add {letter!r} to dialect.own_words"
        yield bad("dialect.extruder", letter, "a letter of RS-274, or one that own_words names", hint)


def _line_faults(name: str, dialect: Dialect) -> Iterator[Fault]:
    """Check a block line by line: length, comment style, placeholders, words."""
    for number, line in enumerate(getattr(dialect, name).splitlines(), start=1):
        key = f"dialect.{name} line {number}"
        plain = line.replace("\t", " ")  # the one control character that a controller reads as a space
        if len(line) > _MOST or not (plain.isascii() and plain.isprintable()):
            yield bad(key, line, f"at most {_MOST} plain ASCII characters")
        code = _without_comment(line, dialect.comment)
        for used in _BRACES.findall(line):
            if used not in BLOCK_PLACEHOLDERS[name]:
                allowed = ", ".join(f"{{{p}}}" for p in BLOCK_PLACEHOLDERS[name]) or "no placeholder"
                what = f"unknown placeholder {format_value('{' + used + '}')}"
                yield Fault(key, what, allowed, nearest(used, BLOCK_PLACEHOLDERS[name]))
        if re.search(r"[{}]", _BRACES.sub("", line)):
            yield bad(key, line.strip(), "braces in pairs, around the name of a placeholder")
        if re.search(r"[();]", code):
            style = "after a semicolon" if dialect.comment == "semicolon" else "in parentheses, closed"
            yield bad(key, line.strip(), f"comments {style}")
        yield from _word_faults(key, line, code, dialect)


def _word_faults(key: str, line: str, code: str, dialect: Dialect) -> Iterator[Fault]:
    """Check the words of one line against RS-274 and the profile's own words."""
    left = _WORD.sub("", _BRACES.sub("1", code)).strip()
    if left:
        hint = "write a number after each letter: X0, not X" if left.isupper() else "write capital letters"
        yield bad(key, line.strip(), "words of a capital letter and a number, no exponent", hint)
    found = block_words(line, dialect)
    named = [a + n for a, n in found if a in "GM"]
    for word in [*named, *(a for a, _ in found)]:
        if word not in LETTERS | G_WORDS | M_WORDS and word not in dialect.own_words:
            hint = f"if the controller knows it, add {word!r} to dialect.own_words"
            yield Fault(key, f"unknown word {word!r}", "words of RS-274, or those that own_words names", hint)
    letters = [a for a, _ in found if a not in "GM"]
    if len([w for w in named if w != "G53"]) > 1 or len(set(letters)) < len(letters):
        yield bad(key, line.strip(), "one command a line, and each other letter once")


def _mode_faults(dialect: Dialect) -> Iterator[Fault]:
    """See that the program starts in mm and absolute, and counts filament as `filament_mode` says."""
    start = commands(dialect.start, dialect)
    for word in ("G21", "G90"):
        if word not in start:
            meaning = "millimetres" if word == "G21" else "absolute positions"
            yield Fault("dialect.start", f"no {word}", f"a line with {word} ({meaning})")
    for block in ("start", "finish"):
        if "G20" in commands(getattr(dialect, block), dialect):
            yield Fault(f"dialect.{block}", "G20 (inches)", "G21: programs are in millimetres")
    for line in dialect.start.splitlines():
        found = block_words(line, dialect)
        if ("G", "92") in found and {"X", "Y", "Z"} & {a for a, _ in found}:
            hint = "the panel would stand where neither volume nor keep_out was checked"
            what = f"{format_value(line.strip())} shifts the axes"
            yield Fault("dialect.start", what, f"G92 {dialect.extruder}0 only", hint)
    if [w for w in start if w in ("G90", "G91")][-1] != "G90":
        yield Fault("dialect.start", "G91 is the last distance mode", "G90 after it")
    modes = [w for w in start if w in ("M82", "M83")]
    last = modes[-1] if modes else ""
    if dialect.filament_mode == "relative" and last != "M83":
        yield bad("dialect.filament_mode", "relative", "'absolute', or a start block that sets M83")
    if dialect.filament_mode == "absolute" and last == "M83":
        yield bad("dialect.filament_mode", "absolute", "'relative', or a start block without M83")


def _end_faults(dialect: Dialect) -> Iterator[Fault]:
    """See that the program ends once, at its end: that is how a whole file is told from a broken one."""
    start, finish = commands(dialect.start, dialect), commands(dialect.finish, dialect)
    for word in start:
        if word in ("M2", "M30"):
            yield Fault("dialect.start", f"{word} ends the program", "no end of program before the panel")
    if not finish or finish[-1] not in ("M2", "M30") or {"M2", "M30"} & set(finish[:-1]):
        last = f"last command {finish[-1]}" if finish else "no command"
        yield Fault("dialect.finish", last, "M2 or M30 as its last command, and nowhere before")
    yield from _park_faults(dialect)


def _park_faults(dialect: Dialect) -> Iterator[Fault]:
    """See that the head leaves upward, and stays up."""
    lifted = False
    for line in dialect.finish.splitlines():
        found = block_words(line, dialect)
        letters = {a for a, _ in found}
        if ("G", "28") in found and ("Z" in letters or not letters & {"X", "Y"}):
            what = f"{format_value(line.strip())} homes z"
            yield Fault("dialect.finish", what, "G28 X0 Y0", "z on its way down would meet the panel")
        if letters & {"X", "Y"} and not lifted:
            hint = "the nozzle would be dragged through the panel"
            what = f"{format_value(line.strip())} comes first"
            yield Fault("dialect.finish", what, "a z move alone before x or y", hint)
        lifted = lifted or "Z" in letters


def _heater_faults(dialect: Dialect, heaters: Heaters) -> Iterator[Fault]:
    """See that what must be hot is heated, nothing beyond its limit, and nothing left hot."""
    yield from _part_faults("nozzle", NOZZLE_WORDS, heaters.nozzle_max, dialect)
    if heaters.platform_max:
        yield from _part_faults("platform", PLATFORM_WORDS, heaters.platform_max, dialect)
    elif "{platform}" in dialect.start:
        allowed = "no {platform} while heaters.platform_max is 0"
        yield Fault("dialect.start", "{platform} is used", allowed)


def _part_faults(name: str, usual: tuple[str, str], most: float, dialect: Dialect) -> Iterator[Fault]:
    """Check one heated part. The words that heat it are those the start block gives its placeholder to."""
    lines = [line for line in dialect.start.splitlines() if f"{{{name}}}" in line]
    if not lines:
        hint = "or set dialect.heaters to 'machine' where the machine heats by itself"
        yield Fault("dialect.start", f"no {{{name}}}", f"a line that sets and waits for {{{name}}}", hint)
    own = {a + n for line in lines for a, n in block_words(line, dialect) if a == "M"}
    own |= set() if own and own.isdisjoint(usual) else set(usual)
    for block in ("start", "finish", *(["nozzle_change"] if name == "nozzle" else [])):
        yield from _set_faults(block, dialect, own.union(usual), most)
    if not any(word in own and value == 0 for word, value in _settings("finish", dialect)):
        allowed = f"a line such as '{min(own)} S0' that turns the {name} off"
        yield Fault("dialect.finish", f"leaves the {name} hot", allowed)


def _settings(block: str, dialect: Dialect) -> Iterator[tuple[str, float]]:
    """List (M word, S value) of the lines that have both, placeholders left out."""
    for line in getattr(dialect, block).splitlines():
        found = dict(block_words(line, dialect))
        if "M" in found and "S" in found and not _BRACES.search(line):
            yield f"M{found['M']}", float(found["S"])


def _set_faults(block: str, dialect: Dialect, codes: set[str], most: float) -> Iterator[Fault]:
    for word, value in _settings(block, dialect):
        if word in codes and value > most:
            hint = "it is a rating: what is heated past it can give off fumes or catch fire"
            allowed = f"at most {most:g} °C, as [heaters] says"
            yield Fault(f"dialect.{block}", f"{word} S{value:g}", allowed, hint)


def _own_heater_faults(dialect: Dialect) -> Iterator[Fault]:
    """See that a machine which heats by itself is given no temperatures."""
    for block in ("start", "finish", "nozzle_change"):
        text = getattr(dialect, block)
        used = [f"{{{n}}}" for n in ("nozzle", "platform") if f"{{{n}}}" in text]
        used += [w for w in commands(text, dialect) if w in NOZZLE_WORDS + PLATFORM_WORDS]
        if used:
            allowed = "no heater words: dialect.heaters is 'machine'"
            yield Fault(f"dialect.{block}", f"{used[0]} is used", allowed)
