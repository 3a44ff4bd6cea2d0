"""Conversion of plain values to a typed record, with one-line errors.

The converter reports the first invalid value and its path. This module turns the report into an error with
the key, its location, its value, the allowed values, and the nearest known key. The allowed values are read
from the types of the record, so that each field is described in one place.

Glossary. *Fault*: a key with an invalid value, and the reason. *Tokens*: the path to a key, names and
indices.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple, TypeVar

import msgspec

from pathgen.errors import PathgenError, nearest
from pathgen.errors import format_value as format_value
from pathgen.settings.machine import Profile

Record = TypeVar("Record", bound=Profile)
Tokens = tuple[str | int, ...]

LISTED = 30  # maximum number of keys listed in a message
LEAST = 1e-30  # division by smaller numbers other than 0 overflows
DEEPEST = 8  # maximum level of tables; records have at most four

_PATH = re.compile(r"^(?P<text>.*?)(?: - at `\$(?P<path>[^`]*)`)?$", re.DOTALL)
_BARE = re.compile(r"[A-Za-z0-9_-]{1,60}\Z")  # a TOML key that needs no quotes
_TOKEN = re.compile(r"\.([A-Za-z_]\w*)|\[(\d+)\]")


class Fault(NamedTuple):
    """A key with an invalid value."""

    key: str  # dotted path, such as "axes.x.feed"
    what: str  # the error, with the value
    allowed: str
    hint: str = ""


def bad(key: str, value: object, allowed: str, hint: str = "") -> Fault:
    """Build a fault for a key whose value is not allowed.

    Examples
    --------
    >>> bad("volume.x", [5, 1], "low before high").what
    'x is [5, 1]'
    """
    return Fault(key, f"{key.rpartition('.')[2]} is {format_value(value)}", allowed, hint)


def refuse_first(faults: Iterable[Fault], where: str) -> None:
    """Raise the first fault as a `PathgenError`, if there is one.

    Parameters
    ----------
    faults : iterable of Fault
        Evaluated lazily, as later checks may rely on earlier ones.
    where : str
        File of the keys, or "job".
    """
    for key, what, allowed, hint in faults:
        raise PathgenError(what, where=f"{where}: {key}", allowed=allowed, hint=hint)


def typed(values: object, kind: type[Record], where: str, *, from_text: bool = False) -> Record:
    """Convert plain values to a record.

    Parameters
    ----------
    values : object
        A table as read from TOML; other values than a dict are rejected.
    kind : type
        `Machine`, `Material` or `Job`.
    where : str
        File, or "job", named in an error.
    from_text : bool
        Accept "0.8" for 0.8, for the options of a command. Files must have numbers.

    Raises
    ------
    PathgenError
        For an unknown or missing key, an invalid type, a value out of range, or a number that is not finite
        or so close to 0 that dividing by it overflows.
    """
    refuse_first(_beyond_reckoning(values), where)
    try:
        record = msgspec.convert(values, kind, strict=not from_text)
    except msgspec.ValidationError as error:
        raise _explained(error, values, kind, where) from None
    if from_text:  # "inf" was text before
        refuse_first(_beyond_reckoning(plain(record)), where)
    return record


def plain(record: Profile) -> dict[str, object]:
    """Convert a record back to plain values, with Python numbers for NumPy scalars.

    Raises
    ------
    PathgenError
        When a field has a value that a settings file cannot have, such as an array.
    """
    try:
        return dict(msgspec.to_builtins(record, enc_hook=lambda value: value.item()))
    except (AttributeError, TypeError, ValueError) as error:
        what = f"{type(record).__name__} has a field whose type cannot be stored in a file: {error}"
        raise PathgenError(what) from None


def dotted(tokens: Tokens) -> str:
    """Join tokens to a dotted path.

    Examples
    --------
    >>> dotted(("keep_out", 0, "x", 1))
    'keep_out[0].x[1]'
    """
    quoted = (t if isinstance(t, int) or _BARE.match(t) else format_value(t) for t in tokens)
    return "".join(f"[{t}]" if isinstance(t, int) else f".{t}" for t in quoted).removeprefix(".")


def _beyond_reckoning(values: object) -> Iterator[Fault]:
    """Find NaN, infinity and numbers too close to 0 at any depth; TOML allows these, settings do not."""
    pending: list[tuple[Tokens, object]] = [((), values)]
    while pending:
        tokens, value = pending.pop()
        if isinstance(value, float) and not math.isfinite(value):
            yield bad(dotted(tokens), value, "a finite number")
        elif isinstance(value, float) and 0 < abs(value) < LEAST:
            yield bad(dotted(tokens), value, f"0, or a magnitude of at least {LEAST:g}")
        elif len(tokens) > DEEPEST:
            continue  # below an unknown key, which is rejected by its name
        elif isinstance(value, dict):
            pending += [((*tokens, str(k)), v) for k, v in value.items()]
        elif isinstance(value, list | tuple):
            pending += [((*tokens, i), v) for i, v in enumerate(value)]


def _explained(
    error: msgspec.ValidationError, values: object, kind: type[Profile], where: str
) -> PathgenError:
    """Convert a msgspec error to a `PathgenError`.

    Only its path is read from its message. Names and bounds come from the values and the types, so they do
    not depend on the wording of the message, which may change between versions.
    """
    match = _PATH.match(str(error))
    assert match is not None  # the pattern matches any text
    tokens: Tokens = tuple(int(i) if i else name for name, i in _TOKEN.findall(match["path"] or ""))
    value, node = values, msgspec.inspect.type_info(kind)
    extra: dict[str, str] = {}
    for token in tokens:
        node, extra = _unwrapped(_child(node, token, value))
        value = _item(value, token)
    tag = _tag_field(node)
    node = _chosen(node, value)
    if isinstance(value, dict) and tag and not isinstance(node, msgspec.inspect.StructType):
        place = f"{where}: {dotted((*tokens, tag))}"
        return PathgenError(f"key {tag!r} is missing", where=place, allowed=_described(node))
    if isinstance(node, msgspec.inspect.StructType) and isinstance(value, dict):
        return _wrong_key(value, node, kind, tokens, where)
    key = dotted(tokens)
    what = f"{key.rpartition('.')[2] or 'the file'} is {format_value(value)}"
    place = f"{where}: {key}" if key else where
    return PathgenError(what, where=place, allowed=_allowed(node, extra), hint=_hint(value, node, extra))


def _wrong_key(
    table: dict[object, object],
    node: msgspec.inspect.StructType,
    kind: type[Profile],
    tokens: Tokens,
    where: str,
) -> PathgenError:
    """Return the error for the first unknown key in a table, or else for the first missing key."""
    names = [f.name for f in node.fields]
    known = [node.tag_field, *names] if node.tag_field else names
    for name in map(str, table):
        if name not in known:
            homes = _homes(name, msgspec.inspect.type_info(kind))
            top = "to the top, before the first [table]"
            places = " or ".join(f"under [{dotted(home)}]" if home else top for home in homes[:3])
            hint = f"move the key {places}" if places else nearest(name, known)
            place = f"{where}: {dotted((*tokens, name))}"
            what = f"unknown key {format_value(name)}"
            listed = ", ".join(known) if len(known) <= LISTED else f"{len(known)} keys; --help lists them"
            return PathgenError(what, where=place, allowed=listed, hint=hint)
    missing = next(f for f in node.fields if f.required and f.name not in table)
    place = f"{where}: {dotted((*tokens, missing.name))}"
    allowed = _allowed(*_unwrapped(missing.type))
    return PathgenError(f"key {missing.name!r} is missing", where=place, allowed=allowed)


def _homes(name: str, node: msgspec.inspect.Type, tokens: Tokens = ()) -> list[Tokens]:
    """Find the tables in a record, at any depth, that have a key with this name."""
    node, _ = _unwrapped(node)
    if not isinstance(node, msgspec.inspect.StructType):
        return []
    found = [tokens] if any(f.name == name for f in node.fields) else []
    for field in node.fields:
        found += _homes(name, field.type, (*tokens, field.name))
    return found


def _unwrapped(node: msgspec.inspect.Type) -> tuple[msgspec.inspect.Type, dict[str, str]]:
    """Remove metadata and None from a type; return the bare type and the `extra` of the metadata."""
    extra: dict[str, str] = {}
    while True:
        if isinstance(node, msgspec.inspect.Metadata):
            extra = extra | (node.extra or {})
            node = node.type
        elif isinstance(node, msgspec.inspect.UnionType) and node.includes_none:
            node = next(t for t in node.types if not isinstance(t, msgspec.inspect.NoneType))
        else:
            return node, extra


def _tag_field(node: msgspec.inspect.Type) -> str:
    """Return the tag key of a tagged union; empty for any other type."""
    if not isinstance(node, msgspec.inspect.UnionType):
        return ""
    return next((t.tag_field or "" for t in node.types if isinstance(t, msgspec.inspect.StructType)), "")


def _chosen(node: msgspec.inspect.Type, value: object) -> msgspec.inspect.Type:
    """Return the type in a tagged union that matches the value's tag, or all tags if none matches."""
    if not isinstance(node, msgspec.inspect.UnionType):
        return node
    members = [t for t in node.types if isinstance(t, msgspec.inspect.StructType)]
    tag = value.get(_tag_field(node)) if isinstance(value, dict) else None
    tags = msgspec.inspect.LiteralType(values=tuple(str(m.tag) for m in members))
    return next((m for m in members if m.tag == tag), tags)


def _child(node: msgspec.inspect.Type, token: str | int, value: object) -> msgspec.inspect.Type:
    """Return the type of a member of a table or array."""
    chosen = _chosen(node, value)
    if isinstance(chosen, msgspec.inspect.StructType):
        return next((f.type for f in chosen.fields if f.name == token), chosen)
    if isinstance(chosen, msgspec.inspect.TupleType) and isinstance(token, int):
        return chosen.item_types[token]
    return chosen.item_type if isinstance(chosen, msgspec.inspect.VarTupleType) else chosen


def _item(value: object, token: str | int) -> object:
    if isinstance(value, dict):
        return value.get(token)
    return value[token] if isinstance(value, list | tuple) and isinstance(token, int) else value


def _allowed(node: msgspec.inspect.Type, extra: dict[str, str]) -> str:
    return extra.get("allowed") or _described(node, extra.get("unit", ""))


def _described(node: msgspec.inspect.Type, unit: str = "") -> str:
    """Describe the values that a type allows."""
    inspect = msgspec.inspect
    if isinstance(node, inspect.FloatType | inspect.IntType):
        noun = "a whole number" if isinstance(node, inspect.IntType) else "a number"
        limits = (("more than", node.gt), ("at least", node.ge), ("at most", node.le))
        bounds = " and ".join(f"{words} {limit:g}" for words, limit in limits if limit is not None)
        return ", ".join(filter(None, (noun, f"{bounds} {unit}".strip())))
    if isinstance(node, inspect.LiteralType):
        return " or ".join(repr(v) for v in node.values)
    if isinstance(node, inspect.StructType):
        return "a table with " + ", ".join(f.name for f in node.fields)
    if isinstance(node, inspect.TupleType):
        return "two numbers, [low, high]"
    if isinstance(node, inspect.VarTupleType):
        return f"an array; each item: {_allowed(*_unwrapped(node.item_type))}"
    return "text in quotes"


def _hint(value: object, node: msgspec.inspect.Type, extra: dict[str, str]) -> str:
    """Return advice on common mistakes."""
    number = isinstance(node, msgspec.inspect.FloatType | msgspec.inspect.IntType)
    if number and isinstance(value, str):
        if re.fullmatch(r"\s*[+-]?\d*,\d+\s*", value):
            return "write decimals with a point, as in 0.8"
        if re.fullmatch(r"\s*[+-]?\d*\.?\d+\s*", value):
            return "write numbers without quotes"
    if isinstance(node, msgspec.inspect.LiteralType) and isinstance(value, str):
        return nearest(value, [str(v) for v in node.values])
    return extra.get("note", "") if isinstance(value, int | float) else ""
