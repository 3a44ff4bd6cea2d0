"""The one error a user meets: what is wrong, where, what is allowed, what to do next.

Everything pathgen refuses is a `PathgenError`. The command line prints it as a single line and exits with
the code the exception carries; from Python it is an ordinary exception.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class PathgenError(Exception):
    """A refusal or failure that a user can act on.

    Parameters
    ----------
    what : str
        What is wrong, with the value.
    where : str, optional
        File, key, line or option in which the value stands.
    allowed : str, optional
        What would be accepted.
    hint : str, optional
        What to do next.

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


def printable(text: str) -> str:
    r"""Escape what a terminal would obey instead of showing it.

    That is control characters and line ends, marks that change the direction of writing, and bytes of a
    file's name that are no text. The escapes are JSON's, so that JSON stays what it says.

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


def nearest(word: str, known: Iterable[str]) -> str:
    """Name the known word nearest to a mistyped one, as a hint sentence; empty when none is near.

    Examples
    --------
    >>> nearest("widht", ["width", "height"])
    "did you mean 'width'?"
    >>> nearest("zzz", ["width"])
    ''
    """
    close = difflib.get_close_matches(word.lower(), sorted(known), n=1, cutoff=0.6)
    return f"did you mean {close[0]!r}?" if close else ""
