"""Format numbers as text, thousands of program lines at once, with look-up tables.

Glossary. *Word*: a letter and a number; one array of values for all lines. *Canvas*: one row of bytes per
line, wide enough for the longest number of every word; unused bytes are NUL. *Slot*: the bytes of a row that
one table entry fills. *Group*: the decimal digits of one slot.

A value is given as an integer, multiplied by 10**decimals. It is split into groups of four digits (the last
one has three, so that ".123" takes four bytes); each group is one look-up in a table of finished bytes, in
which leading and trailing zeros are removed. Deleting the NUL bytes of the canvas then closes all gaps in one
pass; selecting the other bytes with a mask would take longer than all previous steps together. The canvas of
about ten thousand lines fits into the processor's cache, so callers should pass that many lines at a time.

Numbers follow NISTIR 6556, 3.3.2.1: sign, digits, one point, at least one digit, no exponent. There are no
trailing zeros after the point, no point without decimals, and no "-0".
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.signedinteger]
Bools = NDArray[np.bool_]

GROUP = 10_000  # number of values of a group of four digits
_SIGN = np.uint64(ord("-") << 16)  # third byte of the first slot of a word


@dataclass(frozen=True, slots=True)
class Word:
    """One word of every line.

    Attributes
    ----------
    letter : str
        One ASCII character.
    value : (N,) signed integer
        The number times 10**decimals, above the minimum of its type; int32 is faster than int64.
    decimals : int
        0 to 7.
    present : (N,) bool, optional
        Lines that have the word; by default all.
    """

    letter: str
    value: Ints
    decimals: int
    present: Bools | None = None


def format_lines(
    motion: NDArray[np.uint8], words: Sequence[Word], cuts: Sequence[int] = ()
) -> list[bytearray]:
    r"""Format lines that consist of a G word and other words; each line ends with a newline.

    Parameters
    ----------
    motion : (N,) uint8
        Number of the G word of each line, 0 to 9.
    words : sequence of Word
        In the order of the words in a line; N values each.
    cuts : sequence of int
        Ascending line numbers, 0 to N, at which the text is cut.

    Returns
    -------
    list of bytearray
        ``len(cuts) + 1`` texts whose concatenation is the program text. All are empty if there are no lines.

    Examples
    --------
    >>> x, f = np.array([12500, -3]), np.array([1200, 1200])
    >>> format_lines(np.array([0, 1], np.uint8), [Word("X", x, 3), Word("F", f, 0, np.array([True, False]))])
    [bytearray(b'G0 X12.5 F1200\nG1 X-0.003\n')]
    """
    n = len(motion)
    fields = [field for word in words for field in _fields(word)] if n else []
    width = 3 + sum(entry.itemsize for _, entry in fields)
    canvas = bytearray(n * width)

    def column(at: int, kind: str) -> NDArray[np.unsignedinteger]:
        return np.ndarray((n,), kind, canvas, at, (width,))

    if n:
        column(0, "u1")[:] = ord("G")
        column(1, "u1")[:] = motion + np.uint8(ord("0"))
        column(width - 1, "u1")[:] = ord("\n")
    at = 2
    for rows, entry in fields:
        column(at, entry.dtype.str)[rows] = entry
        at += entry.itemsize
    edges = [width * row for row in (0, *cuts, n)]
    return [canvas[a:b].translate(None, b"\0") for a, b in pairwise(edges)]


def _fields(word: Word) -> Iterator[tuple[slice | NDArray[np.intp], NDArray[np.unsignedinteger]]]:
    """Yield the parts of one word: the rows of the part and their table entries."""
    rows: slice | NDArray[np.intp] = slice(None)
    value = word.value
    if word.present is not None and not word.present.all():
        rows = np.flatnonzero(word.present)
        value = value[rows]
        if not len(rows):
            return
    last = _last_digits(word.decimals)
    negative = value < 0 if value.min() < 0 else None
    size = value if negative is None else np.abs(value)
    rest = size // 10**last
    low = size - rest * 10**last

    groups = []  # from the units upward: the group, and whether digits precede it
    while rest.max() >= GROUP:
        higher = rest // GROUP
        groups.append((rest - higher * GROUP, higher > 0))
        rest = higher
    groups.append((rest, None))
    point = word.decimals - last  # decimals in the same slot as the units
    for place in reversed(range(len(groups))):
        index, continued = groups[place]
        if continued is not None:
            index = index + GROUP * continued
        if place == 0 and point:
            index = index + 2 * GROUP * (low == 0)
        entry = _upper_table(point if place == 0 else 0, place == 0).take(index)
        if continued is None:
            entry |= np.uint64(ord(" ") + (ord(word.letter) << 8))
            if negative is not None:
                entry |= negative * _SIGN
        yield rows, entry
    if last:
        yield rows, _last_table(last, word.decimals == last).take(low)


def _last_digits(decimals: int) -> int:
    """Return the number of decimals in the last part of a word; the first part holds up to three."""
    return min(decimals, 3) if decimals < 7 else 4


@cache
def _upper_table(point: int, units: bool) -> NDArray[np.uint64]:
    """Build a table of eight-byte texts: blank, letter, sign, four digits and a point.

    The result concatenates four tables: without and with leading zeros, and both again without trailing
    zeros.
    """
    digits = _digits(4)
    number = np.arange(GROUP)[:, None]
    visible = number >= 10 ** np.arange(3, -1, -1)
    if units:
        visible[:, 3 - point :] = True
    whole = 4 - point
    tables = []
    for trailing in (True, False):
        ends = np.ones_like(visible)
        if not trailing:
            ends[:, whole:] = _before_zeros(digits)[:, whole:]
        for leading in (False, True):
            entry = np.zeros((GROUP, 8), np.uint8)
            kept = digits * ((visible | leading) & ends)
            entry[:, 3 : 3 + whole] = kept[:, :whole]
            if point:
                entry[:, 3 + whole] = ord(".") * ends[:, whole]
                entry[:, 4 + whole :] = kept[:, whole:]
            tables.append(entry)
    return np.concatenate(tables).view("<u8").ravel()


@cache
def _last_table(count: int, point: bool) -> NDArray[np.uint32]:
    """Build a table of four-byte texts with the last decimals, without trailing zeros."""
    digits = _digits(count) * _before_zeros(_digits(count))
    entry = np.zeros((10**count, 4), np.uint8)
    if point:
        entry[1:, 0] = ord(".")
    entry[:, int(point) : int(point) + count] = digits
    return entry.view("<u4").ravel()


def _digits(count: int) -> NDArray[np.uint8]:
    """Return the ASCII digits of 0 to 10**count − 1, with leading zeros; (10**count, count)."""
    powers = 10 ** np.arange(count - 1, -1, -1)
    return (np.arange(10**count)[:, None] // powers % 10 + ord("0")).astype(np.uint8)


def _before_zeros(digits: NDArray[np.uint8]) -> Bools:
    """Return a mask of the digits at or before the last non-zero digit."""
    nonzero = digits != ord("0")
    return np.asarray(np.logical_or.accumulate(nonzero[:, ::-1], axis=1)[:, ::-1])
