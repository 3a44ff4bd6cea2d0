"""Text to words, a megabyte at once: every ordinary line by numpy, the odd ones left to `block`.

Glossary. *Stop*: a byte that is no digit; a line is its stops and the runs of digits that follow them.
*Ordinary line*: well-formed words of motion (G0 to G3, axes, filament, F, N, arc words), each letter once,
with or without a comment behind. Any other line is *odd* and nothing is concluded about it here.

The scan keeps to three passes over the bytes (find the stops, look at them, fetch numbers) and does the
rest per stop, about a third as many. A number is fetched as the eight bytes before its point and the eight
before its end, each read as one 64-bit integer whose digits are then added up in three steps, pairs first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.gcode.block import LONGEST, Grammar

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

OTHER, LETTER, SIGN, POINT, BLANK, RETURN, END, OPEN, CLOSE, SEMICOLON = range(10)
PAD = 8  # line ends put before the text, so that a fetch of eight bytes never starts before the buffer

_CLASS = np.zeros(256, np.uint8)
_CLASS[[*range(65, 91), *range(97, 123)]] = LETTER
for _text, _class in ((b"+-", SIGN), (b".", POINT), (b" \t", BLANK), (b"\r", RETURN), (b"\n", END)):
    _CLASS[list(_text)] = _class
for _text, _class in ((b"(", OPEN), (b")", CLOSE), (b";", SEMICOLON)):
    _CLASS[list(_text)] = _class

_TENS = 10.0 ** np.arange(16)
_STEPS = ((8, 10, 0x00FF00FF00FF00FF), (16, 100, 0x0000FFFF0000FFFF), (32, 10000, 0xFFFFFFFF))
_EXACT = 15  # digits a float64 holds whatever they are, so that mantissa / power of ten rounds once
_MARKS = (b"la", b"pa")  # how the comments begin that say what follows: layer, part


@dataclass(frozen=True, slots=True)
class Words:
    """Words of motion in the order they stand.

    Attributes
    ----------
    line : (W,) int64
        Line of each word, counted from 0 in this text.
    letter : (W,) uint8
        ASCII code of the capital letter.
    value : (W,) float64
        The number, as written: neither units nor modes are applied.
    """

    line: Ints
    letter: Bytes
    value: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scan:
    """One piece of a program, scanned.

    Attributes
    ----------
    words : Words
        Those of the ordinary lines.
    odd : (M,) int64
        Lines that `block.parse_block` has to read, ascending, none twice.
    bounds : (L + 1,) int64
        Line i is text[bounds[i]:bounds[i + 1]], its line end included.
    """

    words: Words
    odd: Ints
    bounds: Ints


def scan(text: bytes, grammar: Grammar, *, comments: bool = False) -> Scan:
    r"""Scan whole lines.

    Parameters
    ----------
    text : bytes
        Lines, the last with its line end. Empty text gives no words and no lines.
    grammar : Grammar
        What the dialect allows.
    comments : bool
        Count every line with a comment as odd, not only those whose comment opens a layer or a part.

    Returns
    -------
    Scan

    Examples
    --------
    >>> from pathgen.gcode.block import Grammar
    >>> found = scan(b"G1 X-1.5 E.02\nM84\n", Grammar("E", frozenset("EGX"), frozenset(), axis=False))
    >>> found.words.value, found.odd
    (array([ 1.  , -1.5 ,  0.02]), array([1]))
    """
    data = np.frombuffer(b"\n" * PAD + text, np.uint8)
    stops = np.flatnonzero((data - np.uint8(48)) > 9)[PAD - 1 :]  # the last padding byte opens the first line
    byte = data[stops]
    kind = _CLASS[byte]
    run = np.diff(stops, append=len(data)) - 1
    is_end = kind == END
    line = np.cumsum(is_end) - is_end - 1
    bounds = stops[is_end] + 1

    odd = [np.flatnonzero(np.diff(bounds) > LONGEST + 1)]
    marks = np.flatnonzero(kind >= OPEN)
    if len(marks):
        odd.append(_blank_comments(data, stops, kind, run, line, marks, np.flatnonzero(is_end), comments))
    returns = np.flatnonzero(kind == RETURN)
    closing = returns[is_end[returns + 1] & (run[returns] == 0)]
    kind[closing] = BLANK
    if len(closing) < len(returns):
        odd.append(line[returns])

    at = np.flatnonzero(kind == LETTER)
    value, signed, pointed, whole, faulty = _numbers(data, stops, kind, run, at)
    odd.append(line[at[faulty]])
    odd.append(line[_stray(kind, run, at, signed, pointed)])

    letter = byte[at] & np.uint8(0xDF)
    words = Words(line[at], letter, value)
    odd.append(_irregular(words, grammar, whole, signed | pointed, kind[at - 1] == END))
    lines = np.unique(np.concatenate(odd))
    if len(lines):
        keep = np.ones(len(bounds), np.bool_)
        keep[lines] = False
        kept = keep[words.line]
        words = Words(words.line[kept], words.letter[kept], words.value[kept])
    return Scan(words, lines, bounds - PAD)


def _blank_comments(
    data: Bytes,
    stops: Ints,
    kind: Bytes,
    run: Ints,
    line: Ints,
    marks: Ints,
    ends: Ints,
    every: bool,
) -> Ints:
    """Turn the stops of ordinary comments into blanks, in place; give the lines that are left as odd.

    Ordinary is a semicolon, or one pair of parentheses, then perhaps a semicolon.
    """
    first = np.flatnonzero(np.diff(line[marks], prepend=-2))
    count = np.diff(first, append=len(marks))
    opening, owner = marks[first], line[marks[first]]
    second = marks[np.minimum(first + 1, len(marks) - 1)]
    third = kind[marks[np.minimum(first + 2, len(marks) - 1)]]
    line_end = ends[owner + 1]

    semicolon = kind[opening] == SEMICOLON
    paired = (kind[opening] == OPEN) & (count > 1) & (kind[second] == CLOSE) & (run[second] == 0)
    closed = paired & (count == 2)
    followed = paired & (count > 2) & (third == SEMICOLON)
    ordinary = semicolon | closed | followed
    ordinary &= ~_speaks(data, stops[opening]) & (not every)

    low = opening[ordinary]
    size = np.where(closed, second + 1, line_end)[ordinary] - low
    dead = np.repeat(low - np.cumsum(size) + size, size) + np.arange(size.sum())
    kind[dead], run[dead] = BLANK, 0
    return np.asarray(owner[~ordinary])


def _speaks(data: Bytes, place: Ints) -> NDArray[np.bool_]:
    """Tell which comments begin as those do that open a layer or a part."""
    place = np.minimum(place, len(data) - 4)
    skip = data[place + 1] == 32
    first, second = data[place + 1 + skip], data[place + 2 + skip]
    told = np.zeros(len(place), np.bool_)
    for mark in _MARKS:
        told |= (first == mark[0]) & (second == mark[1])
    return told


def _numbers(
    data: Bytes, stops: Ints, kind: Bytes, run: Ints, at: Ints
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_], Ints, NDArray[np.bool_]]:
    """Read the number behind the letter at each stop `at`: sign, digits, point, digits.

    Returns
    -------
    value, signed, pointed, whole, faulty
        `whole` counts the digits before the point; `faulty` marks what is no number of at most eight digits
        on either side and fifteen in all.
    """
    signed = (kind[at + 1] == SIGN) & (run[at] == 0)
    here = at + signed
    whole = run[here]
    pointed = kind[here + 1] == POINT
    part = np.where(pointed, run[here + 1], 0)
    faulty = (whole + part == 0) | (whole + part > _EXACT) | (whole > 8) | (part > 8)

    mantissa = _digits(data, stops[here + 1], whole)
    if pointed.any():
        tail = _digits(data, stops[here + pointed + 1], part)
        mantissa = (mantissa * _TENS[np.minimum(part, _EXACT)] + tail) / _TENS[np.minimum(part, _EXACT)]
    return np.where(signed & (data[stops[here]] == 45), -mantissa, mantissa), signed, pointed, whole, faulty


def _digits(data: Bytes, end: Ints, count: Ints) -> NDArray[np.float64]:
    """Read the `count` (at most eight) digits that stand right before each place `end`."""
    eight = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))  # the eight bytes from each place on
    w = eight[end - 8]
    gone = (64 - 8 * np.minimum(count, 8)).astype(np.uint64)  # bits of what stands before the digits
    w = (w >> gone << gone) & np.uint64(0x0F0F0F0F0F0F0F0F)
    w = np.where(gone == 64, np.uint64(0), w)
    for width, base, mask in _STEPS:
        w = (w * np.uint64(base) + (w >> np.uint64(width))) & np.uint64(mask)
    return w.astype(np.float64)


def _stray(kind: Bytes, run: Ints, at: Ints, signed: NDArray[np.bool_], pointed: NDArray[np.bool_]) -> Ints:
    """Find the stops that belong to no word: foreign bytes, digits after a blank, spare signs and points."""
    bad = (kind == OTHER) | (kind == RETURN) | ((kind >= BLANK) & (run > 0))
    free = (kind == SIGN) | (kind == POINT)
    if np.count_nonzero(free) > np.count_nonzero(signed) + np.count_nonzero(pointed):
        free[(at + 1)[signed]] = False
        free[(at + signed + 1)[pointed]] = False
        bad |= free
    found = np.flatnonzero(bad)
    return found + (kind[found] == END)  # digits behind a line end are the next line's, as is the next stop


def _irregular(
    words: Words,
    grammar: Grammar,
    whole: Ints,
    dressed: NDArray[np.bool_],
    leading: NDArray[np.bool_],
) -> Ints:
    """Find the lines with other words than motion's, a letter twice, or a G, F or N that needs a look."""
    if not len(words.line):
        return words.line
    starts = np.flatnonzero(np.diff(words.line, prepend=-2))
    bit = np.left_shift(1, words.letter.astype(np.int64) - 65)
    seen = np.bitwise_or.reduceat(bit, starts)
    twice = np.add.reduceat(bit, starts) != seen  # equal only where no bit is added to itself
    motion = sum(1 << (ord(c) - 65) for c in "FGIJNRXYZ" + grammar.filament)
    odd = twice | ((seen & ~motion) != 0)

    is_g, is_n = words.letter == ord("G"), words.letter == ord("N")
    doubt = is_g & ((words.value > 3) | dressed) | (words.letter == ord("F")) & (words.value < 0)
    doubt |= is_n & (dressed | (whole > 5) | ~leading)
    return np.concatenate([words.line[starts[odd]], words.line[doubt]])
