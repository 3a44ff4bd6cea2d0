"""Write the comments of a program: a header of values, and comments that mark layers and parts.

Grammar, for authors of other readers. Each comment is alone on its line, after "; " or between "(" and
")", as the dialect requires; ASCII only, at most 255 characters, no nested parentheses.

    header  = "pathgen " version, lines of prose, then facts; all before the first command
    fact    = key " = " value             no "=" in a key or in prose; blanks may follow the value
    layer   = "layer " number "/" count " top " mm " mm height " mm " mm"
    part    = "part " ( "wall" | "brim" | "start line" | "wedge" | "comb" )
    end     = "end"

A *layer* mark starts a layer, which lasts until the next one: its number from 1, the number of layers, the z
of its top and its height. A *part* mark gives the kind of all deposits up to the next part mark, across
layers too. The finish block of the dialect follows the *end* mark. A late fact is known only when the program
ends; its value is blank until then, so blank late facts show that a file was not completed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import BinaryIO

from pathgen.settings.blocks import MAX_LINE

LATE_WIDTH = 40  # characters reserved for the value of a late fact

CAUTION = (
    "Caution: the hot end and the platform burn skin, and parts move without warning.",
    "Stay with the machine while it runs, and keep a smoke alarm near it.",
    "Ventilate the room or enclose the machine: melting plastic gives off fumes.",
    "The machine maker's manual and your local codes come before this file.",
)

_BARE = str.maketrans("()", "[]")


def format_comment(text: str, style: str) -> str:
    """Format one comment.

    Parameters
    ----------
    text : str
        Any text. Characters other than printable ASCII become "?", runs of blanks become one blank, and text
        that does not fit on a line is cut.
    style : str
        "semicolon" or "parentheses" (parentheses in the text become brackets).

    Returns
    -------
    str
        Without a newline.

    Examples
    --------
    >>> format_comment("harbour (1912)", "parentheses"), format_comment("Blåvand", "semicolon")
    ('(harbour [1912])', '; Bl?vand')
    """
    plain = "".join(c if " " <= c <= "~" else "?" for c in " ".join(text.split()))
    if style == "parentheses":
        return f"({plain.translate(_BARE)[: MAX_LINE - 2]})"
    return f"; {plain}"[:MAX_LINE]


def write_header(
    stream: BinaryIO,
    facts: Iterable[tuple[str, str]],
    late: Sequence[str],
    style: str,
    caution: Sequence[str] = CAUTION,
) -> dict[str, int]:
    """Write the header and reserve room for the values that are known only at the end.

    Parameters
    ----------
    stream : binary file
        Seekable.
    facts : iterable of (key, value)
        In the order in which they are written.
    late : sequence of str
        Keys of the late facts.
    style : str
        "semicolon" or "parentheses".
    caution : sequence of str
        Lines of prose for the operator.

    Returns
    -------
    dict of str to int
        Position in the stream of the value of each late fact.
    """
    lines = [f"pathgen {_version()}", *caution, *(f"{key} = {value}" for key, value in facts)]
    stream.write("".join(format_comment(line, style) + "\n" for line in lines).encode())
    places = {}
    for key in late:
        head, tail = format_comment(f"{key} = ?", style).split("?")
        stream.write(head.encode())
        places[key] = stream.tell()
        stream.write(f"{'':{LATE_WIDTH}}{tail}\n".encode())
    return places


def fill_header(stream: BinaryIO, places: Mapping[str, int], facts: Mapping[str, str], style: str) -> None:
    """Fill in the header values that are known only at the end, then return to the stream's end.

    Raises
    ------
    ValueError
        If the facts are not the reserved ones, or a value is longer than `LATE_WIDTH`.
    """
    if facts.keys() != places.keys():
        raise ValueError(f"late facts are {sorted(facts)}, but the header reserves room for {sorted(places)}")
    end = stream.tell()
    for key, place in places.items():
        text = format_comment(facts[key], style)
        text = text[1:-1] if style == "parentheses" else text[2:]
        if len(text) > LATE_WIDTH:
            raise ValueError(f"late fact {key} has {len(text)} characters; the limit is {LATE_WIDTH}")
        stream.seek(place)
        stream.write(text.encode())
    stream.seek(end)


def _version() -> str:
    try:
        return version("pathgen")
    except PackageNotFoundError:  # run from a source tree
        return "unreleased"
