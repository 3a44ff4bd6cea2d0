"""Changing keys of a TOML text and nothing else: comments, order, other tables and line ends stay.

The text is cut into statements by asking the TOML parser itself where each ends, so that strings and arrays
over several lines are left whole. What comes out is parsed again and compared: either exactly the wanted keys
have changed, or the text is refused.

Glossary. *Statement*: a header, a key with its value, a comment or a blank, with all its lines. *Lead*: the
comments between a table's header and its first key: they say where its figures come from.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from pathgen.errors import PathgenError

Value = str | float | int | bool | Sequence[float]
WIDEST = 100  # characters of an array's line


@dataclass(frozen=True, slots=True)
class _Statement:
    text: str  # without the last line end
    table: str  # the table it stands in, as its header writes it; "" at the top
    key: str = ""  # first part of its name; "" for headers, comments and blanks
    header: bool = False

    @property
    def comment(self) -> bool:
        return self.text.lstrip().startswith("#")


def rewrite_table(
    text: str,
    table: str,
    values: Mapping[str, Value],
    *,
    drop: Sequence[str] = (),
    lead: Sequence[str] | None = None,
    remarks: Mapping[str, str] | None = None,
) -> str:
    r"""Set keys of one table in a TOML text.

    Parameters
    ----------
    text : str
        Valid TOML.
    table : str
        Name of the table, which must have a [header] of its own; "" for the keys at the top.
    values : mapping
        Keys in the order in which new ones are written; each stands where it stood, with its comment, or else
        after the one before it.
    drop : sequence of str
        Keys that go; those that are not there do not matter.
    lead : sequence of str, optional
        Comment lines, without "#", in place of those between the header and its first key.
    remarks : mapping, optional
        Comments, without "#", of keys that are new.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    PathgenError
        When the table is not there, or written so that its keys cannot be changed one by one.

    Examples
    --------
    >>> text = 'name = "mine"\n[light]\n# guessed\nlength = 1.5  # mm\nt0 = 1.0\n'
    >>> print(rewrite_table(text, "light", {"length": 1.2}, drop=["t0"], lead=["measured"]), end="")
    name = "mine"
    [light]
    # measured
    length = 1.2  # mm
    """
    newline = "\r\n" if "\r\n" in text else "\n"
    before = tomllib.loads(text)
    parts = list(_statements(text.replace("\r\n", "\n")))
    inside = [i for i, part in enumerate(parts) if part.table == table]
    old = before.get(table) if table else before
    if not isinstance(old, dict) or (table and not inside):
        hint = f"write it as a table of its own, headed [{table}]"
        raise PathgenError(f"no [{table}]", where="TOML", allowed="a [header] and keys", hint=hint)
    body = [parts[i] for i in inside]
    body = [part for part in body if part.key not in drop]
    body = _set(body, table, values, remarks or {})
    if lead is not None:
        body = _with_lead(body, table, lead)
    first, last = (inside[0], inside[-1] + 1) if inside else (0, 0)
    whole = [*parts[:first], *body, *parts[last:]]
    done = "\n".join(part.text for part in whole) + "\n"
    wanted = {key: value for key, value in old.items() if key not in drop}
    wanted |= {key: list(v) if isinstance(v, tuple) else v for key, v in values.items()}
    if _parsed(done) != (before | {table: wanted} if table else wanted):
        hint = "write each key on a line of its own under its header"
        raise PathgenError(f"[{table}] cannot be changed", where="TOML", allowed="plain TOML", hint=hint)
    return done.replace("\n", newline)


def toml_value(value: Value) -> str:
    """Write a value as TOML does; long arrays over several lines.

    Examples
    --------
    >>> toml_value("a"), toml_value(2.0), toml_value([0.5, 1.0])
    ('"a"', '2.0', '[0.5, 1.0]')
    """
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    items = [toml_value(item) for item in value]
    line = f"[{', '.join(items)}]"
    if len(line) <= WIDEST:
        return line
    rows, row = [], ""
    for item in items:
        if len(row) + len(item) + 2 > WIDEST:
            rows.append(row.rstrip())
            row = ""
        row += f"{item}, "
    rows.append(row.rstrip())
    return "\n".join(["[", *(f"    {r}" for r in rows), "]"])


def _statements(text: str) -> Iterator[_Statement]:
    """Cut a text into statements, each with the table it stands in."""
    lines = text.removesuffix("\n").split("\n")
    table, start = "", 0
    while start < len(lines):
        end = start + 1
        while (found := _parsed("\n".join(lines[start:end]))) is None:
            end += 1
        piece, first = "\n".join(lines[start:end]), lines[start].lstrip()
        if first.startswith("["):
            table = first.split("#")[0].strip().strip("[]").strip()
            yield _Statement(piece, table, header=True)
        else:
            yield _Statement(piece, table, next(iter(found), ""))
        start = end


def _parsed(text: str) -> dict[str, object] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _set(
    body: list[_Statement], table: str, values: Mapping[str, Value], remarks: Mapping[str, str]
) -> list[_Statement]:
    """Put values in their places: the old one, or after the key before."""
    place = -1
    for key, value in values.items():
        found = next((i for i, part in enumerate(body) if part.key == key), None)
        new = f"{key} = {toml_value(value)}"
        if found is not None:
            tail = _tail(body[found].text)
            body[found] = _Statement(new + tail, table, key)
            place = found
            continue
        if place < 0:  # before the first key, or at the end of a table without one
            keys = [i for i, part in enumerate(body) if part.key]
            place = keys[0] - 1 if keys else len(body) - 1
        remark = f"  # {remarks[key]}" if key in remarks else ""
        place += 1
        body.insert(place, _Statement(new + remark, table, key))
    return body


def _tail(text: str) -> str:
    """Give the comment behind a value, with the blanks before it; empty where there is none."""
    whole = tomllib.loads(text)
    for place in (i for i, mark in enumerate(text) if mark == "#"):
        if _parsed(text[:place]) == whole:
            kept = text[:place].rstrip()
            return text[len(kept) :]
    return ""


def _with_lead(body: list[_Statement], table: str, lead: Sequence[str]) -> list[_Statement]:
    """Replace the comments between a table's header and its first key."""
    header = 1 if body and body[0].header else 0
    first = next((i for i, part in enumerate(body) if part.key), len(body))
    kept = [part for part in body[header:first] if not part.comment]
    new = [_Statement(f"# {line}".rstrip(), table) for line in lead]
    return [*body[:header], *new, *kept, *body[first:]]
