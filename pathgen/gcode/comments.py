"""Write the comments of a program: a header of values, and comments that mark layers and parts.

Grammar, for authors of other readers. Each comment is alone on its line, after "; " or between "(" and
")", as the dialect requires; ASCII only, at most 255 characters, no nested parentheses.

    header  = "pathgen " version, lines of prose, then facts; all before the first command
    fact    = key " = " value             no "=" in a key or in prose; blanks may follow the value
    layer   = "layer " number "/" count " top " mm " mm height " mm " mm"
    part    = "part " ( "wall" | "brim" | "start line" | "wedge" | "comb" )
    sum     = "sum filament " mm " mm path " mm " mm centre " mm " " mm " mm"
    end     = "end"

A *layer* mark starts a layer, which lasts until the next one: its number from 1, the number of layers, the z
of its top and its height. A *part* mark gives the kind of all deposits up to the next part mark, across
layers too. A *sum* ends a layer and states what its lines deposit; `layer_sums` has the definitions. The
finish block of the dialect follows the *end* mark. A late fact is known only when the program
ends; its value is blank until then, so blank late facts show that a file was not completed. The last fact,
"header sum", is computed from all others, so that a changed header is recognised.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import BinaryIO
from zlib import crc32

from pathgen.files.versions import package_version
from pathgen.motion.moves import Kind
from pathgen.settings.blocks import MAX_LINE

LATE_WIDTH = 40  # characters reserved for the value of a late fact

CAUTION = (
    "Caution: the hot end and the platform burn skin, and parts move without warning.",
    "Stay with the machine while it runs, and keep a smoke alarm near it.",
    "Ventilate the room or enclose the machine: melting plastic gives off fumes.",
    "The machine maker's manual and your local codes come before this file.",
)

PARTS = {
    Kind.WALL: "wall",
    Kind.HAIRPIN: "wall",
    Kind.BRIM: "brim",
    Kind.START: "start line",
    Kind.WEDGE: "wedge",
    Kind.COMB: "comb",
}
"""Name of the part that each kind of deposit belongs to."""

HEADER_SUM = "header sum"  # key of the fact that protects the header

_BARE = str.maketrans("()", "[]")
_FACT = re.compile(r"([^=\s][^=]*?)\s*=\s*(.*?)\s*")


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


def parse_fact(comment: str) -> tuple[str, str] | None:
    """Return key and value of the fact that a comment states; None for any other comment.

    Examples
    --------
    >>> parse_fact("panel width = 60.000 mm"), parse_fact("part wall")
    (('panel width', '60.000 mm'), None)
    """
    match = _FACT.fullmatch(comment)
    return (match[1], match[2]) if match else None


def header_sum(facts: Mapping[str, str]) -> str:
    """Return the CRC-32 of all facts but the sum itself, in order, as eight hexadecimal digits.

    Examples
    --------
    >>> header_sum({"width": "60 mm"}) == header_sum({"width": "60  mm", "header sum": "0"})
    True
    """
    lines = (f"{key}={' '.join(value.split())}\n" for key, value in facts.items() if key != HEADER_SUM)
    return f"{crc32(''.join(lines).encode()):08x}"


def write_header(
    stream: BinaryIO,
    facts: Iterable[tuple[str, str]],
    late: Sequence[str],
    style: str,
    caution: Sequence[str] = CAUTION,
) -> tuple[dict[str, str], dict[str, int]]:
    """Write the header and reserve room for the values that are known only at the end.

    Parameters
    ----------
    stream : binary file
        Seekable.
    facts : iterable of (key, value)
        In the order in which they are written.
    late : sequence of str
        Keys of the late facts, without the header sum.
    style : str
        "semicolon" or "parentheses".
    caution : sequence of str
        Lines of prose for the operator.

    Returns
    -------
    written : dict of str to str
        The facts as a reader finds them.
    places : dict of str to int
        Position in the stream of the value of each late fact and of the header sum.
    """
    prose = [format_comment(line, style) for line in (f"pathgen {package_version()}", *caution)]
    lines = [format_comment(f"{key} = {value}", style) for key, value in facts]
    stream.write("".join(line + "\n" for line in prose + lines).encode())
    written: dict[str, str] = {}
    for line in lines:
        if fact := parse_fact(_comment_text(line, style)):
            written.setdefault(*fact)
    places = {}
    for key in (*late, HEADER_SUM):
        head, tail = format_comment(f"{key} = ?", style).split("?")
        stream.write(head.encode())
        places[key] = stream.tell()
        stream.write(f"{'':{LATE_WIDTH}}{tail}\n".encode())
    return written, places


def fill_header(
    stream: BinaryIO,
    written: Mapping[str, str],
    places: Mapping[str, int],
    facts: Mapping[str, str],
    style: str,
) -> None:
    """Fill in the late facts and the header sum, then return to the stream's end.

    Parameters
    ----------
    stream : binary file
        Seekable.
    written, places : dict
        As `write_header` returned them.
    facts : mapping of str to str
        Values of the late facts.
    style : str
        "semicolon" or "parentheses".

    Raises
    ------
    ValueError
        If the facts are not the reserved ones, or a value is longer than `LATE_WIDTH`.
    """
    if {*facts, HEADER_SUM} != places.keys():
        raise ValueError(f"late facts are {sorted(facts)}, but the header reserves room for {sorted(places)}")
    end = stream.tell()
    known = dict(written)
    for key, place in places.items():
        value = header_sum(known) if key == HEADER_SUM else facts[key]
        text = _comment_text(format_comment(value, style), style)
        if len(text) > LATE_WIDTH:
            raise ValueError(f"late fact {key} has {len(text)} characters; the limit is {LATE_WIDTH}")
        stream.seek(place)
        stream.write(text.encode())
        known.setdefault(key, text)
    stream.seek(end)


def _comment_text(comment: str, style: str) -> str:
    """Return the text of a comment from `format_comment`."""
    return comment[1:-1] if style == "parentheses" else comment[2:]
