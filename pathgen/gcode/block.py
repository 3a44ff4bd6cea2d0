"""One line of a program, read with care: RS-274's rules for a block, or a refusal that names the line.

Glossary. *Word*: a letter and a number. *Block*: the words of one line. *Code*: a G or M word, spelled
without leading zeros ("G1", "G92.1", "M104"). *Own word*: a letter or code beyond RS-274 that a dialect
declares. *Axis word*: X, Y, Z or the letter that feeds filament.

Rules are those of NISTIR 6556 (RS274NGC, version 3), sections 3.3 and 3.5. Two extensions every controller
of this trade shares are taken as well: a semicolon opens a comment that runs to the end of the line, and a
dialect may own words. Parameters (#), expressions ([ ]) and checksums (*) are refused rather than skipped:
each of them can change what a line does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pathgen.errors import PathgenError
from pathgen.settings.machine import Dialect

LONGEST = 256  # characters in a line, NISTIR 6556 3.3
RS274_LETTERS = "ABCDFGHIJKLMNPQRSTXYZ"  # Table 3
LINEAR_AXES = "ABCUVW"  # an extruder on one of these is an axis and obeys G90 and G91

GROUPS = {  # modal group -> the codes of it that are followed; Table 4, and 3.6 for M words
    "motion": ("G0", "G1", "G2", "G3", "G80"),
    "plane": ("G17", "G18", "G19"),
    "units": ("G20", "G21"),
    "distance": ("G90", "G91"),
    "feed rate": ("G94",),
    "cutter radius": ("G40",),
    "tool length": ("G49",),
    "coordinate system": ("G54",),
    "path": ("G61", "G61.1", "G64"),
    "return": ("G98", "G99"),
    "this line only": ("G4", "G28", "G53", "G92", "G92.1", "G92.2"),
    "stopping": ("M0", "M1", "M2", "M30", "M60"),
    "tool change": ("M6",),
    "spindle": ("M3", "M4", "M5"),
    "coolant": ("M7", "M8", "M9"),
    "override": ("M48", "M49"),
    "filament": ("M82", "M83"),
}
FILAMENT_CODES = GROUPS["filament"]  # followed only where the dialect owns them
_GROUP_OF = {code: group for group, codes in GROUPS.items() for code in codes}

_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_PIECE = re.compile(r"([A-Z]?)([^A-Z]*)")
_NUMBERING = re.compile(r"N(\d{1,5})(?![\d.])")
_BLANKS = str.maketrans("", "", " \t")


@dataclass(frozen=True, slots=True)
class Grammar:
    """What the lines of one dialect may hold.

    Attributes
    ----------
    filament : str
        The letter that feeds filament.
    letters : frozenset of str
        Every word letter that may stand in a line.
    own : frozenset of str
        Codes beyond RS-274.
    axis : bool
        The filament letter is a linear axis of an RS-274/NGC controller: it follows G90 and G91, and G28
        sends it home with the others.
    lenient : bool
        Take codes that nobody declared as if the dialect owned them: whoever reads so has to name them.
    """

    filament: str
    letters: frozenset[str]
    own: frozenset[str]
    axis: bool
    lenient: bool = False

    @property
    def beyond(self) -> bool:
        """Tell whether filament has a letter of its own: such controllers also take a line of F alone."""
        return self.filament not in RS274_LETTERS

    def owns(self, code: str) -> bool:
        """Tell whether a code is one beyond what is followed here."""
        return code in self.own or self.lenient and code not in _GROUP_OF

    @classmethod
    def of(cls, dialect: Dialect, lenient: bool = False) -> Grammar:
        """Take the grammar from a dialect.

        Raises
        ------
        PathgenError
            When the dialect's extruder letter already means something else.
        """
        if dialect.extruder in "FGIJMNPRSTXYZ":
            raise PathgenError(
                f"extruder letter {dialect.extruder!r} already has a meaning in RS-274",
                where="dialect.extruder",
                allowed="E, or a linear axis letter such as A",
            )
        letters = {word for word in dialect.own_words if len(word) == 1} | {dialect.extruder}
        return cls(
            filament=dialect.extruder,
            letters=frozenset(RS274_LETTERS) | letters,
            own=frozenset(word for word in dialect.own_words if len(word) > 1),
            axis=dialect.extruder in LINEAR_AXES,
            lenient=lenient,
        )


@dataclass(frozen=True, slots=True)
class Block:
    """One line, taken apart.

    Attributes
    ----------
    number : int
        Line number in the source, from 1.
    text : str
        The line without comments and blanks around it, as it stands.
    codes : tuple of str
        G and M words in order.
    values : dict of str to float
        Every other word but N.
    comments : tuple of str
        Text of the comments, outer blanks removed.
    slashed : bool
        The line begins with the block-delete slash.
    percent : bool
        The line is the percent sign that bounds a program.
    """

    number: int
    text: str
    codes: tuple[str, ...]
    values: dict[str, float]
    comments: tuple[str, ...]
    slashed: bool = False
    percent: bool = False


def line_error(number: int, line: bytes, why: str, *, allowed: str = "", hint: str = "") -> PathgenError:
    """Word the refusal of a line: what is wrong, the line as it stands, and its number."""
    shown = line.rstrip(b"\r\n").decode("ascii", "backslashreplace")
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in shown.replace("\t", " "))
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    return PathgenError(f"{why} in {shown!r}", where=f"line {number}", allowed=allowed, hint=hint)


_MAY_BE_BARE = re.compile(r"\s*(?:G0*28|M\d+)(?![\d.])", re.IGNORECASE)
_BARE_LETTER = re.compile(r"[A-Za-z](?=\s*(?:[A-Za-z]|$))")


def parse_block(line: bytes, number: int, grammar: Grammar) -> Block:
    r"""Take one line apart.

    Parameters
    ----------
    line : bytes
        The line, with or without its line end.
    number : int
        Its number in the source, for refusals.
    grammar : Grammar
        What the dialect allows.

    Returns
    -------
    Block
        With nothing in it for a blank line.

    Raises
    ------
    PathgenError
        When the line breaks a rule of RS-274 or of the dialect.

    Examples
    --------
    >>> grammar = Grammar("E", frozenset("EFGXY"), frozenset(), axis=False)
    >>> parse_block(b"g01 x+0. 12 34y 7 (there)\r\n", 5, grammar).values
    {'X': 0.1234, 'Y': 7.0}
    """
    body = line.removesuffix(b"\n").removesuffix(b"\r")
    if len(body) > LONGEST:
        raise line_error(number, body, f"{len(body)} characters", allowed=f"at most {LONGEST} in a line")
    if body.startswith(b";"):
        return Block(number, "", (), {}, (_text(body[1:]),))
    parts, comments = _split_comments(body, number)
    words, slashed, percent = [], False, False
    for place, part in enumerate(parts):
        code = _plain(part, body, number)
        if place == 0:
            slashed, percent = code.startswith("/"), code == "%" and len(parts) == 1
            code = "" if percent else _after_line_number(code.removeprefix("/"), body, number)
        if grammar.lenient and grammar.beyond and _MAY_BE_BARE.match(code):
            # Common in the trade's programs: G28 X Y, and M84 X; RS-274 wants a number (NISTIR 6556, 3.3.2).
            code = _BARE_LETTER.sub(r"\g<0>0", code)
        words += _words(code, body, number, grammar)
    codes, values = _settle(words, body, number, grammar)
    text = " ".join(b" ".join(parts).decode("ascii").split())
    return Block(number, text, codes, values, comments, slashed, percent)


def _split_comments(body: bytes, number: int) -> tuple[list[bytes], tuple[str, ...]]:
    """Part code from comments; code on either side of a comment stays apart, so no number runs across."""
    if b"(" not in body and b";" not in body and b")" not in body:
        return [body], ()
    parts, comments, at = [], [], 0
    while mark := re.search(rb"[();]", body[at:]):
        parts.append(body[at : at + mark.start()])
        at += mark.end()
        if mark[0] == b";":
            comments.append(body[at:])
            at = len(body)
            break
        close = re.search(rb"[()]", body[at:]) if mark[0] == b"(" else None
        if close is None or close[0] == b"(":
            raise line_error(number, body, "unpaired parentheses", allowed="one level, closed on its line")
        comments.append(body[at : at + close.start()])
        at += close.end()
    return [*parts, body[at:]], tuple(map(_text, comments))


def _text(comment: bytes) -> str:
    return comment.decode("utf-8", "replace").strip()


def _plain(part: bytes, body: bytes, number: int) -> str:
    """Take out the blanks RS-274 lets stand anywhere (3.3.5) and refuse what is not ASCII text."""
    if not part.isascii():
        raise line_error(number, body, "a byte that is not ASCII", hint="only comments may hold others")
    return part.decode("ascii").translate(_BLANKS).upper()


def _after_line_number(code: str, body: bytes, number: int) -> str:
    """Drop the N word, which stands first, unsigned, of at most five digits (3.3.1)."""
    if not code.startswith("N"):
        return code
    if not (mark := _NUMBERING.match(code)):
        raise line_error(
            number, body, "a faulty line number", allowed="N 0 to N 99999, without sign or point"
        )
    return code[mark.end() :]


def _words(code: str, body: bytes, number: int, grammar: Grammar) -> list[tuple[str, str]]:
    """Cut code into (letter, number) pairs."""
    words, at = [], 0
    while at < len(code):
        mark = _WORD.match(code, at)
        if mark is None or mark[1] not in grammar.letters or mark[1] == "N":
            raise _faulty_word(code, at, body, number, grammar)
        words.append((mark[1], mark[2]))
        at = mark.end()
    return words


def _faulty_word(code: str, at: int, body: bytes, number: int, grammar: Grammar) -> PathgenError:
    """Say what is wrong with the word at a place in the code."""
    piece = _PIECE.match(code, at)
    letter, rest = (piece[1], piece[2]) if piece else ("", "")
    if letter == "N":
        return line_error(number, body, "a line number that does not stand first")
    if letter and letter not in grammar.letters:
        known = " ".join(sorted(grammar.letters))
        return line_error(number, body, f"unknown word letter {letter}", allowed=known)
    if letter and not rest:
        return line_error(number, body, f"letter {letter} without a number")
    if letter:
        return line_error(number, body, f"{letter}{rest} is not a word", allowed="sign, digits, one point")
    if rest[0] in "#[*=":
        kind = {"#": "parameters", "[": "expressions", "*": "checksums", "=": "settings"}[rest[0]]
        return line_error(number, body, f"{kind} ({rest[0]}) are not read")
    if rest[0] in "0123456789+-.":
        allowed = "one sign and one point a number"
        return line_error(number, body, f"{rest} does not belong to a word", allowed=allowed)
    return line_error(number, body, f"unexpected {rest[0]!r}")


def _settle(
    words: list[tuple[str, str]], body: bytes, number: int, grammar: Grammar
) -> tuple[tuple[str, ...], dict[str, float]]:
    """Sort words into codes and values; hold the rules about words that may not stand together (3.3.5)."""
    groups: dict[str, str] = {}
    values: dict[str, float] = {}
    for letter, text in words:
        if letter not in "GM":
            if letter in values:
                raise line_error(number, body, f"two {letter} words")
            values[letter] = float(text)
            continue
        code = _code(letter, text, body, number, grammar)
        group = _GROUP_OF.get(code, code)
        if group in groups:
            both = f"{groups[group]} and {code}, of one modal group,"
            raise line_error(number, body, both, allowed="one of a group in a line")
        groups[group] = code
    if sum(code[0] == "M" for code in groups.values()) > 4:
        raise line_error(number, body, "more than four M words")
    if values.get("F", 0.0) < 0:
        raise line_error(number, body, "a feed below zero")
    return tuple(groups.values()), values


def _code(letter: str, text: str, body: bytes, number: int, grammar: Grammar) -> str:
    """Spell a G or M word without leading zeros and refuse those that are not followed."""
    value = float(text)
    code = f"{letter}{value:g}"
    known = grammar.owns(code) or (code in _GROUP_OF and code not in FILAMENT_CODES)
    known |= grammar.lenient and not grammar.axis  # M82 and M83
    if text[0] in "+-" or not known or float(code[1:]) != value:
        raise line_error(
            number,
            body,
            f"{letter}{text} is not a code that is followed here",
            hint="the dialect's own_words names codes beyond RS-274",
        )
    return code
