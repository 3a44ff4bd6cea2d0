"""The comments of a program: a header of facts, and marks that tell its parts apart.

Grammar, for whoever reads a program. A comment of ours stands alone on its line, after "; " or between "("
and ")", as the dialect has it; ASCII only, at most 255 characters, no parentheses within parentheses.

    header  = "pathgen " version, lines of prose, then facts; all before the first command
    fact    = key " = " value             no "=" in a key or in prose; blanks may follow the value
    layer   = "layer " number "/" count " top " mm " mm height " mm " mm"
    part    = "part " ( "wall" | "brim" | "start line" | "wedge" | "comb" )
    end     = "end"

*layer* opens a layer: its number from 1, how many there are, the z of its top and its height. It holds up to
the next. *part* says what the deposits from here on are, up to the next part, across layers too. After *end*
comes the dialect's finish block. A late fact is one that is known only when the program ends: its value is
blank until then, so a file whose late facts are blank was never finished.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import BinaryIO

from pathgen.gcode.template import MOST

LATE_WIDTH = 40  # characters kept free for a late fact

CAUTION = (
    "Caution: the hot end and the platform burn skin, and parts move without warning.",
    "Stay with the machine while it runs, and keep a smoke alarm near it.",
    "Ventilate the room or enclose the machine: melting plastic gives off fumes.",
    "The machine maker's manual and your local codes come before this file.",
)

_BARE = str.maketrans("()", "[]")


def comment(text: str, style: str) -> str:
    """Spell one comment.

    Parameters
    ----------
    text : str
        Anything: other characters than printable ASCII become "?", runs of blanks one blank, and what is too
        long for a line is cut.
    style : str
        "semicolon" or "parentheses" (parentheses in the text become brackets).

    Returns
    -------
    str
        Without a newline.

    Examples
    --------
    >>> comment("harbour (1912)", "parentheses"), comment("Blåvand", "semicolon")
    ('(harbour [1912])', '; Bl?vand')
    """
    plain = "".join(c if " " <= c <= "~" else "?" for c in " ".join(text.split()))
    if style == "parentheses":
        return f"({plain.translate(_BARE)[: MOST - 2]})"
    return f"; {plain}"[:MOST]


def write_header(
    stream: BinaryIO,
    facts: Iterable[tuple[str, str]],
    late: Sequence[str],
    style: str,
    caution: Sequence[str] = CAUTION,
) -> dict[str, int]:
    """Write the header, with room for facts that are known only at the end.

    Parameters
    ----------
    stream : binary file
        Seekable.
    facts : iterable of (key, value)
        In the order they are to stand.
    late : sequence of str
        Keys of the late facts.
    style : str
        "semicolon" or "parentheses".
    caution : sequence of str
        Lines of prose for the person at the machine.

    Returns
    -------
    dict of str to int
        Where in the stream the value of each late fact belongs.
    """
    lines = [f"pathgen {_version()}", *caution, *(f"{key} = {value}" for key, value in facts)]
    stream.write("".join(comment(line, style) + "\n" for line in lines).encode())
    places = {}
    for key in late:
        head, tail = comment(f"{key} = ?", style).split("?")
        stream.write(head.encode())
        places[key] = stream.tell()
        stream.write(f"{'':{LATE_WIDTH}}{tail}\n".encode())
    return places


def fill_header(stream: BinaryIO, places: Mapping[str, int], facts: Mapping[str, str], style: str) -> None:
    """Fill the late facts in; the stream is left at its end.

    Raises
    ------
    ValueError
        When the facts are not those the header has room for, or a value is longer than `LATE_WIDTH`.
    """
    if facts.keys() != places.keys():
        raise ValueError(f"late facts {sorted(facts)}, but the header has room for {sorted(places)}")
    end = stream.tell()
    for key, place in places.items():
        text = comment(facts[key], style)
        text = text[1:-1] if style == "parentheses" else text[2:]
        if len(text) > LATE_WIDTH:
            raise ValueError(f"late fact {key} has {len(text)} characters, more than {LATE_WIDTH}")
        stream.seek(place)
        stream.write(text.encode())
    stream.seek(end)


def _version() -> str:
    try:
        return version("pathgen")
    except PackageNotFoundError:  # run from a source tree
        return "unreleased"
