"""Table of program words: all commands of RS-274 and the common extensions, with their meanings.

The reader of programs (`gcode`), the checker of programs (`proof.checklist`) and the checks of a profile's
start and finish blocks (`blocks`) all use this table, so a command has one meaning throughout. The table is
part of `settings` because profiles are checked when they are loaded, before any program is read.

Glossary. *Word*: a letter and a number. *Command*: a G or M word, spelled without leading zeros ("G1",
"G92.1", "M104"). *Modal group*: commands of which a line may hold at most one. *Own word*: a letter or a
command beyond RS-274 that a machine profile declares in `own_words`.

Sources: letters, Table 3 of NISTIR 6556 (RS274/NGC, version 3); modal groups, Table 4; G words, Table 5; M
words, Table 7. Commands beyond RS-274 are common practice of open controllers, without a published source.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

# fmt: off
Effect = Literal[
    "", "end", "dwell", "pause", "nozzle", "platform", "other heater", "fan", "fan off", "motors off",
    "acceleration",
]
# Effects that a profile may give its own words; "nothing": the word changes neither heat nor positions.
OwnEffect = Literal["nothing", "pause", "nozzle", "platform", "fan", "fan off", "motors off"]
# fmt: on


class ProgramWord(NamedTuple):
    """The meaning of a command.

    Attributes
    ----------
    group : str
        Modal group; empty for a command that forms a group of its own.
    effect : str
        Effect beyond motion and modes that a check depends on; empty for none.
    letters : tuple of str
        Letters of the words that carry the value of the effect; the first one present counts.
    others : str
        Further letters that the command uses. A letter that no command of a line uses is an error.
    waits : bool
        The program waits until the temperature is reached.
    standard : bool
        The command belongs to RS-274; others are valid where a profile declares them.
    followed : bool
        The reader of programs carries the command out, or knows that it changes no motion. It records a
        command of the profile that it does not follow as an event, and rejects any other.
    """

    group: str
    effect: Effect = ""
    letters: tuple[str, ...] = ()
    waits: bool = False
    standard: bool = True
    followed: bool = True
    others: str = ""


def _standard(
    group: str,
    codes: str,
    effect: Effect = "",
    *,
    letters: str = "",
    followed: bool = True,
    others: str = "",
) -> dict[str, ProgramWord]:
    word = ProgramWord(group, effect, tuple(letters), followed=followed, others=others)
    return dict.fromkeys(codes.split(), word)


def _usual(
    codes: str, effect: Effect, letters: str = "", *, waits: bool = False, others: str = ""
) -> dict[str, ProgramWord]:
    word = ProgramWord("", effect, tuple(letters), waits, standard=False, followed=False, others=others)
    return dict.fromkeys(codes.split(), word)


PROGRAM_WORDS = {
    **_standard("motion", "G0 G1 G2 G3 G80"),
    **_standard("motion", "G38.2 G81 G82 G83 G84 G85 G86 G87 G88 G89", followed=False),
    **_standard("plane", "G17"),
    **_standard("plane", "G18 G19", followed=False),
    **_standard("units", "G20 G21"),
    **_standard("distance", "G90 G91"),
    **_standard("feed rate", "G94"),
    **_standard("feed rate", "G93", followed=False),
    **_standard("cutter radius", "G40"),
    **_standard("cutter radius", "G41 G42", followed=False),
    **_standard("tool length", "G49"),
    **_standard("tool length", "G43", followed=False),
    **_standard("coordinate system", "G54"),
    **_standard("coordinate system", "G55 G56 G57 G58 G59 G59.1 G59.2 G59.3", followed=False),
    **_standard("path", "G61 G61.1 G64", others="P"),
    **_standard("return", "G98 G99"),
    **_standard("this line only", "G4", "dwell", letters="P", others="S"),
    **_standard("this line only", "G28 G53 G92 G92.1 G92.2"),
    **_standard("this line only", "G10 G30 G92.3", followed=False),
    **_standard("stopping", "M0 M1 M60", "pause"),
    **_standard("stopping", "M2 M30", "end"),
    **_standard("tool change", "M6", followed=False),
    **_standard("spindle", "M5"),
    **_standard("spindle", "M3 M4", followed=False, others="S"),
    **_standard("coolant", "M9"),
    **_standard("coolant", "M7 M8", followed=False),
    **_standard("override", "M48 M49", followed=False),
    "M82": ProgramWord("filament", standard=False),  # absolute positions of the filament word
    "M83": ProgramWord("filament", standard=False),  # relative ones
    **_usual("M104", "nozzle", "S", others="T"),
    **_usual("M109", "nozzle", "SR", waits=True, others="T"),
    **_usual("M140", "platform", "S"),
    **_usual("M190", "platform", "SR", waits=True),
    **_usual("M141", "other heater", "S"),
    **_usual("M191", "other heater", "SR", waits=True),
    **_usual("M106", "fan", "S"),
    **_usual("M107", "fan off"),
    **_usual("M84 M18", "motors off", others="SXYZE"),
    **_usual("M226 M600", "pause"),
    **_usual("M201", "acceleration", "XYZE"),
    **_usual("M204", "acceleration", "SPRT"),
}
"""Command -> its meaning. A profile may give other commands an effect; see `proof.checklist.words`."""

KEPT_GROUPS = ("plane", "cutter radius", "tool length", "coordinate system", "feed rate")
"""Modal groups in which a program keeps the mode that the start block of the profile sets."""

LETTERS = frozenset("ABCDFGHIJKLMNPQRSTXYZ")
"""Letters of RS-274."""

LINEAR_AXES = "ABCUVW"
"""Letters of linear axes: filament on one of these is an axis, which obeys G90 and G91."""

FILAMENT_LETTERS = "ABCEUVW"
"""Letters that may feed filament; RS-274 uses the others for something else (F feed, P time, X Y Z ...)."""

STANDARD_WORDS = LETTERS.union(code for code, word in PROGRAM_WORDS.items() if word.standard)
"""Letters and commands of RS-274."""


def words_with(effect: Effect) -> tuple[str, ...]:
    """Return the commands with a given effect, in table order.

    Examples
    --------
    >>> words_with("nozzle")
    ('M104', 'M109')
    """
    return tuple(code for code, word in PROGRAM_WORDS.items() if word.effect == effect)
