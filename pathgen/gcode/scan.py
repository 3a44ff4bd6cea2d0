"""Split a program into words: NumPy parses ordinary lines, and `block` parses all other lines.

Glossary. *Ordinary line*: well-formed motion words (G0 to G3, axes, filament, F, N and arc words), each
letter once, without blanks inside a word, with or without a comment. All other lines are *odd*; the scan
draws no conclusion about them. *Column*: all words of one letter. *Shape*: the sequence of kinds of bytes.

Comments are blanked first. The shape of all lines is then checked at once, which takes little time; in the
remaining lines, a number immediately follows each letter. A number of up to eight characters is fetched as
one 64-bit integer, its point is squeezed out, and its digits are summed in three steps, pairs first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.gcode.block import LONGEST, Grammar
from pathgen.motion.moves import Floats

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]

PAD = 8  # newlines before the text, so that a fetch of eight bytes never starts before the buffer
NEWLINE, RETURN, BLANK, TAB, OPEN, CLOSE, SEMICOLON = b"\n\r \t();"
PLUS, MINUS, POINT, ZERO, NINE = b"+-.09"

_EXACT = 15  # digits that a float64 always represents exactly, so mantissa / power of ten rounds once
_TENS = 10.0 ** np.arange(_EXACT + 1)
_LAST = np.array([(1 << 64) - (1 << (64 - 8 * n)) for n in range(9)], np.uint64)  # the last n of eight bytes
_DIGITS = _LAST & np.uint64(0x0F0F0F0F0F0F0F0F)
_STEPS = ((8, 10, 0x00FF00FF00FF00FF), (16, 100, 0x0000FFFF0000FFFF), (32, 10000, 0xFFFFFFFF))
_MARKS = (b"la", b"pa", b"su")  # first bytes of the marks: layer, part, sum


class WordColumn(NamedTuple):
    """Words of one letter in program order, at most one per line.

    Attributes
    ----------
    line : (W,) int64
        Line indices from 0, ascending.
    value : (W,) float64
        Numbers as written; neither units nor modes are applied.
    """

    line: Ints
    value: Floats


NO_WORDS = WordColumn(np.empty(0, np.int64), np.empty(0))


@dataclass(frozen=True, slots=True)
class Scan:
    """Result of scanning one piece of a program.

    Attributes
    ----------
    words : dict of str to WordColumn
        Words of the ordinary lines by letter; letters without words may be absent.
    odd : (M,) int64
        Lines left to `block.parse_block`, ascending, without duplicates.
    bounds : (L + 1,) int64
        Line i is text[bounds[i]:bounds[i + 1]], including its line end.
    """

    words: dict[str, WordColumn]
    odd: Ints
    bounds: Ints


class _Tokens(NamedTuple):
    """Letters with their numbers: arrays of W, and the text that contains them."""

    line: Ints
    letter: Bytes  # capital
    value: Floats
    digits: Ints
    signed_or_pointed: Flags  # the number has a sign or a point
    faulty: Flags  # no digit, two points, or too many digits for this scanner
    start: Ints  # position of the letter in `body`
    body: Bytes


def scan_lines(text: bytes, grammar: Grammar, *, comments: bool = False) -> Scan:
    r"""Scan whole lines.

    Parameters
    ----------
    text : bytes
        Lines, the last with its line end. Empty text has no words and no lines.
    grammar : Grammar
        Grammar of the dialect.
    comments : bool
        Count every line with a comment as odd, not only those that mark layers and parts or state sums.

    Returns
    -------
    Scan

    Examples
    --------
    >>> from pathgen.gcode.block import Grammar
    >>> found = scan_lines(b"G1 X-1.5 E.02\nM84\n", Grammar("E", frozenset("EGX"), frozenset(), axis=False))
    >>> found.words["X"], found.odd
    (WordColumn(line=array([0]), value=array([-1.5])), array([1]))
    """
    data = np.full(PAD + len(text), NEWLINE, np.uint8)
    data[PAD:] = np.frombuffer(text, np.uint8)
    body = data[PAD - 1 :]  # the last padding byte starts the first line
    places = np.flatnonzero((body == NEWLINE) | ((body & 0xFE) == OPEN) | (body == SEMICOLON))
    is_end = body[places] == NEWLINE
    ends, marks = places[is_end], places[~is_end]

    odd = [np.flatnonzero(np.diff(ends) > LONGEST + 1)]
    if len(marks):
        odd.append(_blank_comments(body, ends, marks, comments))
    returns = np.flatnonzero(body == RETURN)
    body[returns[body[returns + 1] == NEWLINE]] = BLANK
    leading = _take_leading(body, ends)
    number, sign, misshapen = _check_shape(body, ends)
    odd.append(misshapen)

    tokens = _extract_tokens(data, number, sign)
    words = _group_by_letter(tokens, grammar)
    odd.append(tokens.line[tokens.faulty])
    odd += [_lines_to_check(name, column, tokens) for name, column in words.items() if name in "FGN"]
    if "E" in words:
        odd.append(_possible_exponents(words["E"], tokens))
    if sum(len(column.line) for column in words.values()) < len(tokens.line):
        odd.append(tokens.line[~np.isin(tokens.letter, [ord(name) for name in words])])
    words["G"] = merge_columns(words.get("G", NO_WORDS), leading)
    odd += [c.line[1:][c.line[1:] == c.line[:-1]] for c in words.values()]  # a letter twice in a line
    lines = np.unique(np.concatenate(odd))
    # `body` has one extra byte in front of `text`, so line ends in `body` are line starts in `text`.
    return Scan({name: _without(column, lines) for name, column in words.items()}, lines, ends)


def _extract_tokens(data: Bytes, number: Flags, sign: Flags) -> _Tokens:
    """Extract letters and their numbers from text whose syntax was checked."""
    body = data[PAD - 1 :]
    stops = np.flatnonzero((body > NINE) | (body == POINT) | (body == NEWLINE))
    byte = body[stops]
    at = np.flatnonzero(byte > NINE)
    line, start = np.cumsum(byte == NEWLINE)[at] - 1, stops[at]
    last = np.flatnonzero(number[:-1] > number[1:])  # a > b: a and not b
    pointed = byte[at + 1] == POINT
    part = np.where(pointed, last - stops[at + 1], 0)
    signed = np.searchsorted(start, np.flatnonzero(sign)) - 1
    value, digits = _numbers(data, last + PAD - 1, last - start, part, pointed, signed)
    value[signed[body[start[signed] + 1] == MINUS]] *= -1

    faulty = (digits == 0) | (digits > _EXACT) | (part > 8) | (digits - part > 8)
    second = np.flatnonzero((byte[1:] == POINT) & (byte[:-1] == POINT)) + 1  # points right behind points
    faulty[np.searchsorted(start, stops[second]) - 1] = True
    signed_or_pointed = pointed
    signed_or_pointed[signed] = True
    return _Tokens(line, byte[at] & np.uint8(0xDF), value, digits, signed_or_pointed, faulty, start, body)


def _take_leading(body: Bytes, ends: Ints) -> WordColumn:
    """Extract the plain G0 to G3 at the start of most lines, and replace them by blanks."""
    begin = ends[:-1] + 1
    motion = body.take(begin + 1, mode="clip") - np.uint8(ZERO)
    behind = body.take(begin + 2, mode="clip")
    plain = (body[begin] == ord("G")) & (motion <= 3)
    plain &= (behind > NINE) | (behind == BLANK) | (behind == NEWLINE)
    line = np.flatnonzero(plain)
    place = begin[line]
    body[place] = body[place + 1] = BLANK
    return WordColumn(line, motion[line].astype(np.float64))


def merge_columns(one: WordColumn, other: WordColumn) -> WordColumn:
    """Merge two columns of one letter."""
    if not len(one.line):
        return other
    line, value = np.concatenate([one.line, other.line]), np.concatenate([one.value, other.value])
    order = np.argsort(line, kind="stable")  # two ascending runs, which a stable sort merges
    return WordColumn(line[order], value[order])


def find_changes(column: NDArray[Any], last: float) -> Flags:
    """Return the rows in which an array differs from the previous row; `last` precedes the first row."""
    changed = np.empty(len(column), np.bool_)
    changed[:1] = column[:1] != last
    np.not_equal(column[1:], column[:-1], out=changed[1:])
    return changed


def _group_by_letter(tokens: _Tokens, grammar: Grammar) -> dict[str, WordColumn]:
    """Group words by letter."""
    found = {name: np.flatnonzero(tokens.letter == ord(name)) for name in "GFXYZIJRN" + grammar.filament}
    return {name: WordColumn(tokens.line[at], tokens.value[at]) for name, at in found.items() if len(at)}


def _blank_comments(body: Bytes, ends: Ints, marks: Ints, every: bool) -> Ints:
    """Blank ordinary comments in place, and return the lines with other comments.

    An ordinary comment is a semicolon, or one pair of parentheses, optionally followed by a semicolon.
    """
    line = np.searchsorted(ends, marks) - 1
    first = np.flatnonzero(np.diff(line, prepend=-1))
    count = np.diff(first, append=len(marks))
    opening, owner = marks[first], line[first]
    second = marks[np.minimum(first + 1, len(marks) - 1)]
    third = marks[np.minimum(first + 2, len(marks) - 1)]

    semicolon = body[opening] == SEMICOLON
    paired = (body[opening] == OPEN) & (count > 1) & (body[second] == CLOSE)
    closed = paired & (count == 2)
    followed = paired & (count > 2) & (body[third] == SEMICOLON)
    ordinary = semicolon | closed | followed
    ordinary &= ~_begin_like_marks(body, opening) & (not every)
    stop = np.where(closed, second + 1, ends[owner + 1])
    _fill(body, opening[ordinary], stop[ordinary], BLANK)
    return np.asarray(owner[~ordinary])


def _begin_like_marks(body: Bytes, place: Ints) -> Flags:
    """Return a mask of the comments that begin like a layer mark, a part mark or a sum."""
    place = np.minimum(place, len(body) - 4)
    skip = body[place + 1] == BLANK
    first, second = body[place + 1 + skip], body[place + 2 + skip]
    return np.asarray(np.any([(first == mark[0]) & (second == mark[1]) for mark in _MARKS], axis=0))


def _fill(array: NDArray[np.generic], start: Ints, stop: Ints, value: int | bool) -> None:
    """Overwrite spans of an array."""
    size = stop - start
    array[np.repeat(start - np.cumsum(size) + size, size) + np.arange(size.sum())] = value


def _check_shape(body: Bytes, ends: Ints) -> tuple[Flags, Flags, Ints]:
    """Blank, in place, the lines in which a number does not immediately follow its letter.

    Returns
    -------
    number, sign : (B,) bool
        Bytes of numbers (digits, points, signs), and of signs, in the remaining lines.
    lines : (M,) int64
        Blanked lines.
    """
    sign = (body == PLUS) | (body == MINUS)
    number = ((body - np.uint8(ZERO)) <= 9) | (body == POINT) | sign
    letter = ((body | 0x20) - np.uint8(ord("a"))) < 26
    gap = (body == BLANK) | (body == NEWLINE) | (body == TAB)
    bad = ~(number | letter | gap)
    bad[1:] |= (letter | sign)[:-1] > number[1:]  # a > b: a and not b
    bad[1:] |= number[1:] & gap[:-1]
    bad[1:] |= sign[1:] > letter[:-1]
    places = np.flatnonzero(bad)
    lines = np.unique(np.searchsorted(ends, places) - 1)
    if len(lines):
        start, stop = ends[lines] + 1, ends[lines + 1]
        _fill(body, start, stop, BLANK)
        _fill(number, start, stop, False)
        _fill(sign, start, stop, False)
    return number, sign, lines


def _numbers(
    data: Bytes, last: Ints, size: Ints, part: Ints, pointed: Flags, signed: Ints
) -> tuple[Floats, Ints]:
    """Parse numbers without their signs.

    Parameters
    ----------
    data : (B,) uint8
        Text with its padding.
    last : (W,) int64
        Position of the last byte of each number.
    size, part : (W,) int64
        Bytes in the number, and digits after its point.
    pointed : (W,) bool
        Numbers with a point.
    signed : (S,) int64
        Indices of the numbers with a sign.

    Returns
    -------
    value : (W,) float64
        Invalid for more than fifteen digits, or more than eight on one side of the point.
    digits : (W,) int64
    """
    size[signed] -= 1
    digits = size - pointed
    value = _short(data, last, part, pointed, digits)
    long = np.flatnonzero(size > 8)
    if len(long):
        value[long] = _long(data, last[long], part[long], pointed[long], digits[long] - part[long])
    value /= _TENS.take(part, mode="clip")
    return value, digits


def _eight(data: Bytes) -> NDArray[np.uint64]:
    """View the eight bytes from each position as one integer, the first byte lowest."""
    return np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))


def _short(data: Bytes, last: Ints, part: Ints, pointed: Flags, digits: Ints) -> Floats:
    """Parse up to eight characters that end at `last`, ignoring their point."""
    w = _eight(data)[last - 7]
    behind = _LAST.take(part, mode="clip")
    w = (w & behind) | (w << (pointed * np.uint64(8)) & ~behind)
    return _sum_digits(w & _DIGITS.take(digits, mode="clip"))


def _long(data: Bytes, last: Ints, part: Ints, pointed: Flags, whole: Ints) -> Floats:
    """Parse up to eight digits on each side of a point, ignoring the point."""
    eight = _eight(data)
    head = _sum_digits(eight[np.maximum(last - part - pointed - 7, 0)] & _DIGITS.take(whole, mode="clip"))
    tail = _sum_digits(eight[last - 7] & _DIGITS.take(part, mode="clip"))
    return np.asarray(head * _TENS.take(part, mode="clip") + tail)


def _sum_digits(w: NDArray[np.uint64]) -> Floats:
    """Convert eight decimal digits, one per byte with the first in the lowest byte, to a number."""
    for width, base, mask in _STEPS:
        w = (w * np.uint64(base) + (w >> np.uint64(width))) & np.uint64(mask)
    return w.astype(np.float64)


def _lines_to_check(name: str, column: WordColumn, tokens: _Tokens) -> Ints:
    """Return the lines whose F, G or N word has to be checked individually."""
    if name == "F":
        return np.asarray(column.line[column.value < 0])
    of = np.flatnonzero(tokens.letter == ord(name))
    look = tokens.signed_or_pointed[of] | (column.value > 3 if name == "G" else tokens.digits[of] > 5)
    if name == "N":
        look |= tokens.body[tokens.start[of] - 1] != NEWLINE
    return np.asarray(column.line[look])


def _possible_exponents(column: WordColumn, tokens: _Tokens) -> Ints:
    """Return the lines in which E could be an exponent: it follows a number and precedes an integer."""
    start = tokens.start[tokens.letter == ord("E")]
    body = tokens.body
    glued = np.flatnonzero((body[start - 1] >= PLUS) & (body[start - 1] <= NINE))
    if not len(glued):
        return NO_WORDS.line
    whole = ~tokens.signed_or_pointed[tokens.letter == ord("E")][glued]
    whole |= np.isin(body[start[glued] + 1], (PLUS, MINUS))
    return np.asarray(column.line[glued[whole]])


def _without(column: WordColumn, lines: Ints) -> WordColumn:
    """Remove the words of some lines."""
    low, high = (np.searchsorted(column.line, lines, side) for side in ("left", "right"))
    if not (high > low).any():
        return column
    keep = np.ones(len(column.line), np.bool_)
    _fill(keep, low, high, False)
    return WordColumn(column.line[keep], column.value[keep])
