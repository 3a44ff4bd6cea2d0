"""The formatter against Python's decimal arithmetic."""

import re
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.gcode.digits import Word, format_lines

# NISTIR 6556, 3.3.2.1: optional sign, digits, at most one point, at least one digit, no exponent.
RS274_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


def spelled(value, decimals):
    """What Python's decimal module says a scaled integer is, without trailing zeros."""
    text = f"{Decimal(value).scaleb(-decimals):f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def numbers(values, decimals, dtype=np.int64):
    column = np.array(values, dtype)
    (text,) = format_lines(np.ones(len(column), np.uint8), [Word("X", column, decimals)])
    lines = text.decode().splitlines()
    assert all(line.startswith("G1 X") for line in lines)
    return [line[4:] for line in lines]


@given(st.lists(st.integers(-(2**63) + 1, 2**63 - 1), min_size=1, max_size=20), st.integers(0, 7))
def test_any_integer_is_spelled_as_decimal_does(values, decimals):
    found = numbers(values, decimals)
    assert found == [spelled(v, decimals) for v in values]
    assert all(RS274_NUMBER.fullmatch(text) for text in found)


@given(st.data(), st.integers(0, 7), st.integers(1, 18))
def test_any_mixture_of_sizes(data, decimals, digits):
    values = data.draw(st.lists(st.integers(-(10**digits), 10**digits), min_size=1, max_size=20))
    assert numbers(values, decimals) == [spelled(v, decimals) for v in values]


@given(st.lists(st.integers(-(2**31) + 1, 2**31 - 1), min_size=1, max_size=20), st.integers(0, 7))
def test_both_integer_sizes_give_the_same_text(values, decimals):
    assert numbers(values, decimals, np.int32) == numbers(values, decimals, np.int64)


@pytest.mark.parametrize("decimals", range(8))
def test_every_small_number(decimals):
    values = range(-30_000, 30_001)
    assert numbers(values, decimals, np.int32) == [spelled(v, decimals) for v in values]


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (0, 3, "0"),
        (-1, 3, "-0.001"),
        (-1000, 3, "-1"),
        (10, 3, "0.01"),
        (1_234_500, 3, "1234.5"),
        (10_000_000, 3, "10000"),
        (100_000_000_000, 3, "100000000"),
        (175, 5, "0.00175"),
        (1200, 0, "1200"),
        (120_000, 1, "12000"),
    ],
)
def test_known_numbers(value, decimals, text):
    assert numbers([value], decimals) == [text]


@given(st.lists(st.tuples(st.integers(-(10**6), 10**6), st.booleans(), st.integers(0, 1)), max_size=30))
def test_absent_words_leave_nothing_behind(rows):
    value, present, motion = (np.array([row[i] for row in rows]) for i in range(3))
    words = [
        Word("X", value.astype(np.int64), 3, present.astype(bool)),
        Word("F", value.astype(np.int64), 0, ~present.astype(bool)),
    ]
    (text,) = format_lines(motion.astype(np.uint8), words)
    expected = [f"G{m} X{spelled(v, 3)}" if p else f"G{m} F{v}" for v, p, m in rows]
    assert text.decode().splitlines() == expected


@given(st.integers(0, 20), st.lists(st.integers(0, 20)))
def test_cuts_part_the_text_at_line_ends(lines, cuts):
    motion = np.ones(lines, np.uint8)
    words = [Word("X", np.arange(lines, dtype=np.int32) * 999, 3)]
    cuts = sorted(min(cut, lines) for cut in cuts)
    (whole,) = format_lines(motion, words)
    parts = format_lines(motion, words, cuts)
    assert b"".join(parts) == whole
    assert [part.count(b"\n") for part in parts] == np.diff([0, *cuts, lines]).tolist()


def test_no_lines():
    nothing = np.zeros(0, np.int32)
    assert format_lines(nothing.astype(np.uint8), [Word("X", nothing, 3)]) == [b""]
