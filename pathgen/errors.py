"""Errors shown to users: the problem, the location, the allowed values, and a remedy.

Every input that pathgen rejects raises a `PathgenError`. The command line prints it as one line and exits
with the exit code of the exception; in Python it is an ordinary exception.
"""

from __future__ import annotations

import difflib
import reprlib
from collections.abc import Iterable

_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = 60
_SHORT.maxlevel = 2


class PathgenError(Exception):
    """Error that a user can correct.

    Parameters
    ----------
    what : str
        Problem, including the value.
    where : str, optional
        File, key, line or option that contains the value.
    allowed : str, optional
        Values that are accepted.
    hint : str, optional
        Remedy.

    Examples
    --------
    >>> print(PathgenError("width is -3 mm", where="job.toml: width", allowed="more than 0"))
    width is -3 mm (job.toml: width); allowed: more than 0
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", allowed: str = "", hint: str = "") -> None:
        self.what, self.where, self.allowed, self.hint = what, where, allowed, hint
        text = what + (f" ({where})" if where else "")
        text += f"; allowed: {allowed}" if allowed else ""
        text += f"; {hint}" if hint else ""
        super().__init__(printable(" ".join(text.split())))


class UnsafeProgramError(PathgenError):
    """Safety error in a program, which is therefore not written."""

    exit_code = 3


def printable(text: str) -> str:
    r"""Escape characters that a terminal would interpret.

    Control characters, line ends, marks that change the direction of writing, and undecodable bytes of file
    names are written as JSON escapes, so JSON text keeps its meaning.

    Examples
    --------
    >>> print(printable("pier\x1b[2J.png"), printable("Blåvand"))
    pier\u001b[2J.png Blåvand
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(character: str) -> str:
    units = character.encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[i : i + 4]}" for i in range(0, len(units), 4))


def format_value(value: object) -> str:
    r"""Format a value for a message, shortened and on one line.

    Examples
    --------
    >>> print(format_value(0.5), format_value("a\nb"), format_value({"a": 1}))
    0.5 'a\nb' a table
    """
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, float):
        return f"{value:.9g}"
    try:
        return _SHORT.repr(value)
    except (ValueError, RecursionError):  # Python refuses to convert an integer of thousands of digits
        return f"a {type(value).__name__} too long to show"


def nearest(word: str, known: Iterable[str]) -> str:
    """Suggest the known word most similar to a mistyped word; empty if no word is similar.

    Examples
    --------
    >>> nearest("widht", ["width", "height"])
    "did you mean 'width'?"
    >>> nearest("zzz", ["width"])
    ''
    """
    close = difflib.get_close_matches(word.lower(), sorted(known), n=1, cutoff=0.6)
    return f"did you mean {close[0]!r}?" if close else ""
