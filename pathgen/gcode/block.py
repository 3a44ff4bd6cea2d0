"""Parse one line of a program under the rules of RS-274, or raise an error that names the line.

Glossary. *Word*: a letter and a number. *Block*: the words of one line. *Code*: a G or M word, spelled
without leading zeros ("G1", "G92.1", "M104"). *Own word*: a letter or code beyond RS-274 that a dialect
declares. *Axis word*: X, Y, Z or the letter that feeds filament.

The rules are those of NISTIR 6556 (RS274NGC, version 3), sections 3.3 and 3.5, with two extensions that are
common practice of controllers in this trade: a semicolon starts a comment that runs to the end of the line,
and a dialect may declare own words. Parameters (#), expressions ([ ]) and checksums (*) are rejected, not
skipped, because each of them can change the meaning of a line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pathgen.errors import PathgenError
from pathgen.settings.blocks import BLOCK_PLACEHOLDERS, commands
from pathgen.settings.machine import Dialect
from pathgen.settings.program_words import LETTERS, LINEAR_AXES, PROGRAM_WORDS

LONGEST = 256  # characters in a line, NISTIR 6556 3.3

_FOLLOWED = {code: word for code, word in PROGRAM_WORDS.items() if word.followed}
_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_PIECE = re.compile(r"([A-Z]?)([^A-Z]*)")
_NUMBERING = re.compile(r"N(\d{1,5})(?![\d.])")
_BLANKS = str.maketrans("", "", " \t")


@dataclass(frozen=True, slots=True)
class Grammar:
    """Words that lines of one dialect may contain.

    Attributes
    ----------
    filament : str
        The letter that feeds filament.
    letters : frozenset of str
        All valid word letters.
    own : frozenset of str
        Codes beyond RS-274, and those of the profile's blocks.
    axis : bool
        The filament letter is a linear axis of an RS-274/NGC controller: it obeys G90 and G91, and G28 homes
        it with the other axes.
    lenient : bool
        Accept undeclared codes as if the dialect declared them. The caller must report them.
    """

    filament: str
    letters: frozenset[str]
    own: frozenset[str]
    axis: bool
    lenient: bool = False

    @property
    def beyond(self) -> bool:
        """Whether RS-274 lacks the filament letter; such controllers accept a line of only an F word."""
        return self.filament not in LETTERS

    def owns(self, code: str) -> bool:
        """Return whether the reader accepts a code whose effect it ignores."""
        return code in self.own or self.lenient and code not in _FOLLOWED

    @classmethod
    def of(cls, dialect: Dialect, lenient: bool = False) -> Grammar:
        """Build the grammar of a dialect.

        Raises
        ------
        PathgenError
            If the extruder letter of the dialect already has another meaning.
        """
        if dialect.extruder in "FGIJMNPRSTXYZ":
            raise PathgenError(
                f"the extruder letter {dialect.extruder!r} already has a meaning in RS-274",
                where="dialect.extruder",
                allowed="E, or the letter of a linear axis, such as A",
            )
        letters = {word for word in dialect.own_words if len(word) == 1} | {dialect.extruder}
        own = {word for word in dialect.own_words if len(word) > 1}
        own.update(code for name in BLOCK_PLACEHOLDERS for code in commands(getattr(dialect, name), dialect))
        return cls(
            filament=dialect.extruder,
            letters=LETTERS | letters,
            own=frozenset(own - {code for code, word in _FOLLOWED.items() if word.standard}),
            axis=dialect.extruder in LINEAR_AXES,
            lenient=lenient,
        )


@dataclass(frozen=True, slots=True)
class Block:
    """The words of one line.

    Attributes
    ----------
    number : int
        Line number in the source, from 1.
    text : str
        The line without comments and surrounding blanks.
    codes : tuple of str
        G and M words in order.
    values : dict of str to float
        Values of all other words except N.
    comments : tuple of str
        Texts of the comments, without surrounding blanks.
    slashed : bool
        The line begins with the block-delete slash.
    percent : bool
        The line is the percent sign that delimits a program.
    """

    number: int
    text: str
    codes: tuple[str, ...]
    values: dict[str, float]
    comments: tuple[str, ...]
    slashed: bool = False
    percent: bool = False


def line_error(number: int, line: bytes, why: str, *, allowed: str = "", hint: str = "") -> PathgenError:
    """Build the error for an invalid line from the reason, the line as written and its number."""
    shown = line.rstrip(b"\r\n").decode("ascii", "backslashreplace")
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in shown.replace("\t", " "))
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    return PathgenError(f"{why}: {shown!r}", where=f"line {number}", allowed=allowed, hint=hint)


_NO_WORDS = re.compile(rb"[\s%]*(?:[Nn]\s*\d+\s*)?(?:\([^()]*\)\s*)*(?:;.*)?", re.DOTALL)
_EXPONENT = re.compile(r"[0-9.]E[+-]?[0-9]+(?![0-9.])", re.IGNORECASE)
_MAY_BE_BARE = re.compile(r"\s*(?:G0*28|M\d+)(?![\d.])", re.IGNORECASE)
_BARE_LETTER = re.compile(r"[A-Za-z](?=\s*(?:[A-Za-z]|$))")


def parse_block(line: bytes, number: int, grammar: Grammar) -> Block:
    r"""Parse one line.

    Parameters
    ----------
    line : bytes
        The line, with or without its line end.
    number : int
        Line number in the source, for error messages.
    grammar : Grammar
        Grammar of the dialect.

    Returns
    -------
    Block
        Empty for a blank line.

    Raises
    ------
    PathgenError
        If the line breaks a rule of RS-274 or of the dialect.

    Examples
    --------
    >>> grammar = Grammar("E", frozenset("EFGXY"), frozenset(), axis=False)
    >>> parse_block(b"g01 x+0. 12 34y 7 (there)\r\n", 5, grammar).values
    {'X': 0.1234, 'Y': 7.0}
    """
    body = line.removesuffix(b"\n").removesuffix(b"\r")
    if len(body) > LONGEST:
        raise line_error(number, body, f"the line has {len(body)} characters", allowed=f"at most {LONGEST}")
    if body.startswith(b";"):
        return Block(number, "", (), {}, (_text(body[1:]),))
    parts, comments = _split_comments(body, number)
    words, slashed, percent, bare = [], False, False, False
    for place, part in enumerate(parts):
        code = _plain(part, body, number)
        if place == 0:
            slashed, percent = code.startswith("/"), code == "%" and len(parts) == 1
            code = "" if percent else _after_line_number(code.removeprefix("/"), body, number)
            bare = grammar.beyond and _MAY_BE_BARE.match(code) is not None
        if grammar.filament == "E" and (match := _EXPONENT.search(part.decode("ascii"))):
            _reject_exponent(match, body, number)
        if bare:
            # Many programs contain "G28 X Y" or "M84 X" (common practice); RS-274 requires a number (3.3.2).
            code = _BARE_LETTER.sub(r"\g<0>0", code)
        words += _words(code, body, number, grammar)
    codes, values = _sort_words(words, body, number, grammar)
    text = " ".join(b" ".join(parts).decode("ascii").split())
    return Block(number, text, codes, values, comments, slashed, percent)


def has_words(line: bytes) -> bool:
    r"""Return whether a line holds more than blanks, comments, percent signs and a line number.

    Examples
    --------
    >>> has_words(b"(end) ; of file\r\n"), has_words(b"N90"), has_words(b"N90 M104 S200 ; hot")
    (False, False, True)
    """
    return _NO_WORDS.fullmatch(line) is None


def _split_comments(body: bytes, number: int) -> tuple[list[bytes], tuple[str, ...]]:
    """Separate code from comments, and split the code so that no number spans a comment."""
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
            raise line_error(
                number, body, "the parentheses are not paired", allowed="one level, closed on the same line"
            )
        comments.append(body[at : at + close.start()])
        at += close.end()
    return [*parts, body[at:]], tuple(map(_text, comments))


def _text(comment: bytes) -> str:
    return comment.decode("utf-8", "replace").strip()


def _plain(part: bytes, body: bytes, number: int) -> str:
    """Remove the blanks that RS-274 allows anywhere (3.3.5) and reject non-ASCII bytes."""
    if not part.isascii():
        raise line_error(
            number,
            body,
            "the code contains a byte that is not ASCII",
            hint="use other bytes in comments only",
        )
    return part.decode("ascii").translate(_BLANKS).upper()


def _reject_exponent(match: re.Match[str], body: bytes, number: int) -> None:
    """Reject an E after a number if controllers could read it as an exponent.

    RS-274 has no exponents, so `X1e3` is two words; but many controllers read it as X1000 (common practice).
    """
    letters = re.sub(r"[^A-Za-z]", "", match.string)
    mixed = letters not in (letters.upper(), letters.lower())
    if mixed or re.search(r"[0-9.][ \t]+[A-Za-z]", match.string):
        why = f"{match[0][1:]} follows a number, so controllers may read an exponent"
        raise line_error(number, body, why, allowed="numbers without exponent; a blank before the letter E")


def _after_line_number(code: str, body: bytes, number: int) -> str:
    """Remove the line number, an N with at most five digits at the start of the line (NISTIR 6556, 3.3.1)."""
    if not code.startswith("N"):
        return code
    if not (mark := _NUMBERING.match(code)):
        raise line_error(number, body, "invalid line number", allowed="N0 to N99999, without sign or point")
    return code[mark.end() :]


def _words(code: str, body: bytes, number: int, grammar: Grammar) -> list[tuple[str, str]]:
    """Split code into (letter, number) pairs."""
    words, at = [], 0
    while at < len(code):
        mark = _WORD.match(code, at)
        if mark is None or mark[1] not in grammar.letters or mark[1] == "N":
            raise _faulty_word(code, at, body, number, grammar)
        words.append((mark[1], mark[2]))
        at = mark.end()
    return words


def _faulty_word(code: str, at: int, body: bytes, number: int, grammar: Grammar) -> PathgenError:
    """Build the error for the invalid word at a position in the code."""
    piece = _PIECE.match(code, at)
    letter, rest = (piece[1], piece[2]) if piece else ("", "")
    if letter == "N":
        return line_error(number, body, "the line number is not the first word")
    if letter and letter not in grammar.letters:
        known = " ".join(sorted(grammar.letters))
        return line_error(number, body, f"unknown letter {letter}", allowed=known)
    if letter and not rest:
        return line_error(number, body, f"letter {letter} has no number")
    if letter:
        return line_error(
            number, body, f"{letter}{rest} is not a word", allowed="a letter and a decimal number"
        )
    if rest[0] in "#[*=":
        kind = {"#": "parameters", "[": "expressions", "*": "checksums", "=": "settings"}[rest[0]]
        return line_error(number, body, f"{kind} ({rest[0]}) are not supported")
    if rest[0] in "0123456789+-.":
        allowed = "one sign and one point per number"
        return line_error(number, body, f"{rest} is not part of a word", allowed=allowed)
    return line_error(number, body, f"unexpected {rest[0]!r}")


def _sort_words(
    words: list[tuple[str, str]], body: bytes, number: int, grammar: Grammar
) -> tuple[tuple[str, ...], dict[str, float]]:
    """Sort words into codes and values, and reject words that may not share a line (3.3.5)."""
    groups: dict[str, str] = {}
    values: dict[str, float] = {}
    for letter, text in words:
        if letter not in "GM":
            if letter in values:
                raise line_error(number, body, f"{letter} occurs twice")
            values[letter] = float(text)
            continue
        code = _code(letter, text, body, number, grammar)
        group = _FOLLOWED[code].group if code in _FOLLOWED else code
        if group in groups:
            both = f"{groups[group]} and {code} belong to one modal group"
            raise line_error(number, body, both, allowed="one code of each modal group per line")
        groups[group] = code
    if sum(code[0] == "M" for code in groups.values()) > 4:
        raise line_error(number, body, "the line has more than four M words")
    if values.get("F", 0.0) < 0:
        raise line_error(number, body, "the feed is negative")
    return tuple(groups.values()), values


def _code(letter: str, text: str, body: bytes, number: int, grammar: Grammar) -> str:
    """Return a G or M word without leading zeros, or reject a word that the reader does not support."""
    value = float(text)
    code = f"{letter}{value:g}"
    known = grammar.owns(code) or (code in _FOLLOWED and _FOLLOWED[code].standard)
    known |= grammar.lenient and not grammar.axis  # M82 and M83
    if text[0] in "+-" or not known or float(code[1:]) != value:
        raise line_error(
            number,
            body,
            f"{letter}{text} is not supported",
            hint="declare codes beyond RS-274 in `own_words` of the dialect",
        )
    return code
