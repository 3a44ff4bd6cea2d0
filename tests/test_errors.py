"""Values in messages: short, on one line, and numbers that read back as they were."""

import json
import sys

import pytest

from pathgen.errors import PathgenError, UnsafeProgramError, format_value, nearest, printable


@pytest.mark.parametrize("value", [0.1, 0.1 + 0.2, -2.5, 1 / 3, 1e-12, 6.02214076e23, 0.0, 123456.789])
def test_a_number_reads_back_to_nine_digits(value):
    text = format_value(value)
    assert float(text) == pytest.approx(value, rel=5e-9)
    assert len(text) <= 16


@pytest.mark.parametrize("value", [float("inf"), float("-inf")])
def test_infinities_read_back(value):
    assert float(format_value(value)) == value


def test_long_and_deep_values_are_shortened():
    assert format_value("a" * 58) == repr("a" * 58)  # 60 characters with its quotes
    longer = format_value("a" * 10_000 + "b")
    assert len(longer) == 60 and longer.startswith("'aaa") and longer.endswith("aab'") and "..." in longer
    assert len(format_value(PathgenError("x" * 10_000))) == 60
    assert len(format_value(10 ** (sys.get_int_max_str_digits() + 1))) < 60
    assert format_value([[[1]]]) == "[[[...]]]"


@pytest.mark.parametrize("text", ["\x1b[2J", "a\nb", "\u202eabc", "\ud800", "\U000e0001", "Bl\xe5vand"])
def test_escapes_are_those_of_json(text):
    shown = printable(text)
    assert shown.isprintable() and json.loads(f'"{shown}"') == text


def test_parts_of_an_error_stand_in_one_line():
    error = PathgenError("x is\n3", where="a.toml", allowed="1 to 2", hint="lower it")
    assert str(error) == "x is 3 (a.toml); allowed: 1 to 2; lower it"
    assert (error.what, error.where, error.allowed, error.hint) == ("x is\n3", "a.toml", "1 to 2", "lower it")
    assert str(PathgenError("x")) == "x"


def test_an_unsafe_program_has_an_exit_code_of_its_own():
    """Scripts tell it from wrong input, and both from the 2 of wrong usage (common practice)."""
    assert len({0, 2, PathgenError.exit_code, UnsafeProgramError.exit_code}) == 4


def test_the_nearest_word_is_suggested_and_none_that_is_not_near():
    known = ["width", "height", "thickest"]
    assert all(f"'{word}'" in nearest(word.upper(), known) for word in known)
    assert nearest("hieght", known) == "did you mean 'height'?"
    assert nearest("q", known) == "" == nearest("width", [])
