"""Change keys in TOML text and keep everything else: comments, order, other tables and line endings.

The edited text is parsed again and compared: if anything but the wanted keys has changed, it is rejected.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import Comment, Item, Key, Table

from pathgen.errors import PathgenError

Value = str | float | int | bool | Sequence[float]
Body = list[tuple[Key | None, Item]]
MAX_WIDTH = 100  # characters; a longer array is written with one value per line


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
        Name of the table, such as "light" or "axes.x", which must have a [header]; "" for the top keys.
    values : mapping
        Keys and values to set. An existing key keeps its position and its comment; a new key follows the key
        that precedes it in `values`.
    drop : sequence of str
        Keys to remove; missing ones are ignored.
    lead : sequence of str, optional
        Comment lines, without "#", that replace those between the header and the first key.
    remarks : mapping, optional
        Comments, without "#", for new keys.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    PathgenError
        When the table is missing, or written such that its keys cannot be changed one by one.

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
    text = text.replace("\r\n", "\n")
    document = tomlkit.parse(text if text.endswith("\n") or not text else text + "\n")
    target = tomllib.loads(text)
    keys: Any = target
    found: Any = document
    for part in filter(None, table.split(".")):
        keys = keys.get(part) if isinstance(keys, dict) else None
        found = found.get(part) if isinstance(found, Mapping) else None
    if table and (not isinstance(found, Table) or found.is_super_table()):
        hint = f"write it as a separate table with the header [{table}]"
        what, allowed = f"the file has no table [{table}]", "a [header] line followed by keys"
        raise PathgenError(what, where="TOML", allowed=allowed, hint=hint)
    body: Body = found.value.body if table else document.body
    body[:] = [(key, item) for key, item in body if key is None or key.key not in drop]
    _set_values(body, values, remarks or {})
    if lead is not None:
        _replace_lead(body, lead)
    for key in drop:
        keys.pop(key, None)
    keys |= {key: list(v) if isinstance(v, tuple) else v for key, v in values.items()}
    edited = document.as_string()
    if _parsed(edited) != target:
        hint = "write each key on its own line under the header"
        raise PathgenError(f"cannot change [{table}]", where="TOML", allowed="one key per line", hint=hint)
    return edited.replace("\n", newline)


def toml_item(value: Value) -> Item:
    """Convert a value to TOML, with one value per line for long arrays.

    Examples
    --------
    >>> [toml_item(value).as_string() for value in ("a", 2.0, [0.5, 1.0])]
    ['"a"', '2.0', '[0.5, 1.0]']
    """
    item = tomlkit.item(value)
    if isinstance(item, tomlkit.items.Array) and len(item.as_string()) > MAX_WIDTH:
        item.multiline(True)
    return item


def _parsed(text: str) -> dict[str, object] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _set_values(body: Body, values: Mapping[str, Value], remarks: Mapping[str, str]) -> None:
    """Set each value in place, or insert a new key after the preceding key."""
    named = [i for i, (key, _) in enumerate(body) if key is not None]
    position = named[0] if named else len(body)
    for name, value in values.items():
        item = toml_item(value)
        old = next((i for i, (key, _) in enumerate(body) if key is not None and key.key == name), None)
        if old is None:
            if name in remarks:
                item.comment(remarks[name])
                item.trivia.comment_ws = "  "
            body.insert(position, (tomlkit.key(name), item))
        else:
            position = old
            key, replaced = body[old]
            trivia = replaced.trivia
            item.trivia.comment_ws, item.trivia.comment = trivia.comment_ws, trivia.comment
            item.trivia.indent, item.trivia.trail = trivia.indent, trivia.trail
            body[old] = key, item
        position += 1


def _replace_lead(body: Body, lead: Sequence[str]) -> None:
    """Replace the comments before the first key."""
    first = next((i for i, (key, _) in enumerate(body) if key is not None), len(body))
    comments = []
    for line in lead:
        comment = tomlkit.comment(line)
        comment.trivia.comment = f"# {line}".rstrip()
        comments.append((None, comment))
    body[:first] = [*comments, *((key, item) for key, item in body[:first] if not isinstance(item, Comment))]
