"""From plain values to a typed record, or one line that says why not.

The converter behind this names the first thing wrong and the path to it; here that becomes a refusal in our
form: the key, where it stands, its value, what is allowed, and the nearest known key. What is allowed is read
off the record's own types, so a field is described in one place.

Glossary. *Fault*: a key whose value cannot be taken, and why. *Tokens*: the path to a key, names and indices.
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

LISTED = 30  # keys; more would bury the message
LEAST = 1e-30  # what is nearer to 0 and is not 0 overflows where it divides
DEEPEST = 8  # levels; no record has more than four

_PATH = re.compile(r"^(?P<text>.*?)(?: - at `\$(?P<path>[^`]*)`)?$", re.DOTALL)
_BARE = re.compile(r"[A-Za-z0-9_-]{1,60}\Z")  # a TOML key that needs no quotes
_TOKEN = re.compile(r"\.([A-Za-z_]\w*)|\[(\d+)\]")


class Fault(NamedTuple):
    """A key whose value cannot be taken."""

    key: str  # dotted path, such as "axes.x.feed"
    what: str  # what is wrong, with the value
    allowed: str
    hint: str = ""


def bad(key: str, value: object, allowed: str, hint: str = "") -> Fault:
    """Word the plain case of a fault: the key is this, and may not be.

    Examples
    --------
    >>> bad("volume.x", [5, 1], "low before high").what
    'x is [5, 1]'
    """
    return Fault(key, f"{key.rpartition('.')[2]} is {format_value(value)}", allowed, hint)


def refuse_first(faults: Iterable[Fault], where: str) -> None:
    """Raise the first fault as a `PathgenError`; return when there is none.

    Parameters
    ----------
    faults : iterable of Fault
        Taken lazily: later ones may rely on the earlier ones not holding.
    where : str
        File, or "job", that the keys stand in.
    """
    for key, what, allowed, hint in faults:
        raise PathgenError(what, where=f"{where}: {key}", allowed=allowed, hint=hint)


def typed(values: object, kind: type[Record], where: str, *, from_text: bool = False) -> Record:
    """Convert plain values to a record, or refuse.

    Parameters
    ----------
    values : object
        A table as TOML gives it; anything but a dict is refused.
    kind : type
        `Machine`, `Material` or `Job`.
    where : str
        File, or "job", named in a refusal.
    from_text : bool
        Take "0.8" for 0.8, as options of a command line need. A file must have real numbers.

    Raises
    ------
    PathgenError
        For an unknown or missing key, a wrong type, a value out of range, or a number that is not finite or
        so near to 0 that dividing by it overflows.
    """
    refuse_first(_beyond_reckoning(values), where)
    try:
        record = msgspec.convert(values, kind, strict=not from_text)
    except msgspec.ValidationError as error:
        raise _explained(error, values, kind, where) from None
    if from_text:  # "inf" is text until here
        refuse_first(_beyond_reckoning(plain(record)), where)
    return record


def plain(record: Profile) -> dict[str, object]:
    """Turn a record back into the plain values it came from; numpy scalars become Python's.

    Raises
    ------
    PathgenError
        When a field holds something no settings file could, such as an array.
    """
    try:
        return dict(msgspec.to_builtins(record, enc_hook=lambda value: value.item()))
    except (AttributeError, TypeError, ValueError) as error:
        what = f"{type(record).__name__} with a field of a type no file can hold: {error}"
        raise PathgenError(what) from None


def dotted(tokens: Tokens) -> str:
    """Join tokens to a path as a reader writes it.

    Examples
    --------
    >>> dotted(("keep_out", 0, "x", 1))
    'keep_out[0].x[1]'
    """
    names = [
        f"[{t}]" if isinstance(t, int) else f".{t if _BARE.match(t) else format_value(t)}" for t in tokens
    ]
    return "".join(names).removeprefix(".")


def _beyond_reckoning(values: object) -> Iterator[Fault]:
    """Find nan, infinity and numbers next to 0, at any depth: TOML has words for all, no machine a use."""
    pending: list[tuple[Tokens, object]] = [((), values)]
    while pending:
        tokens, value = pending.pop()
        if isinstance(value, float) and not math.isfinite(value):
            yield bad(dotted(tokens), value, "a finite number")
        elif isinstance(value, float) and 0 < abs(value) < LEAST:
            yield bad(dotted(tokens), value, f"0, or at least {LEAST:g} from it")
        elif len(tokens) > DEEPEST:
            continue  # under an unknown key, which is refused by name
        elif isinstance(value, dict):
            pending += [((*tokens, str(k)), v) for k, v in value.items()]
        elif isinstance(value, list | tuple):
            pending += [((*tokens, i), v) for i, v in enumerate(value)]


def _explained(
    error: msgspec.ValidationError, values: object, kind: type[Profile], where: str
) -> PathgenError:
    """Put the converter's message into our form.

    Only its path is read, and whether a key is unknown or missing: names and bounds come from the values and
    the types, so a message worded differently in another version costs nothing but the path.
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
    allowed = extra.get("allowed") or _described(node, extra.get("unit", ""))
    what = f"{key.rpartition('.')[2] or 'the whole'} is {format_value(value)}"
    place = f"{where}: {key}" if key else where
    return PathgenError(what, where=place, allowed=allowed, hint=_hint(value, node, extra))


def _wrong_key(
    table: dict[object, object],
    node: msgspec.inspect.StructType,
    kind: type[Profile],
    tokens: Tokens,
    where: str,
) -> PathgenError:
    """Say which key of a table is unknown, or else which one is missing."""
    names = [f.name for f in node.fields]
    known = [node.tag_field, *names] if node.tag_field else names
    for name in map(str, table):
        if name not in known:
            homes = _homes(name, msgspec.inspect.type_info(kind))
            places = [f"under [{dotted(h)}]" if h else "at the top, above every [table]" for h in homes[:3]]
            hint = f"it belongs {' or '.join(places)}" if places else nearest(name, known)
            place = f"{where}: {dotted((*tokens, name))}"
            what = f"unknown key {format_value(name)}"
            listed = ", ".join(known) if len(known) <= LISTED else f"{len(known)} keys; --help lists them"
            return PathgenError(what, where=place, allowed=listed, hint=hint)
    missing = next(f for f in node.fields if f.required and f.name not in table)
    inner, extra = _unwrapped(missing.type)
    allowed = extra.get("allowed") or _described(inner, extra.get("unit", ""))
    place = f"{where}: {dotted((*tokens, missing.name))}"
    return PathgenError(f"key {missing.name!r} is missing", where=place, allowed=allowed)


def _homes(name: str, node: msgspec.inspect.Type, tokens: Tokens = ()) -> list[Tokens]:
    """Find the tables, anywhere in a record, that do have a key of this name."""
    node, _ = _unwrapped(node)
    if not isinstance(node, msgspec.inspect.StructType):
        return []
    found = [tokens] if any(f.name == name for f in node.fields) else []
    for field in node.fields:
        found += _homes(name, field.type, (*tokens, field.name))
    return found


def _unwrapped(node: msgspec.inspect.Type) -> tuple[msgspec.inspect.Type, dict[str, str]]:
    """Take metadata and "or none" off a type; return the bare type and the metadata's `extra`."""
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
    """Name the key that chooses between the tables a union allows; empty where there is nothing to choose."""
    if not isinstance(node, msgspec.inspect.UnionType):
        return ""
    return next((t.tag_field or "" for t in node.types if isinstance(t, msgspec.inspect.StructType)), "")


def _chosen(node: msgspec.inspect.Type, value: object) -> msgspec.inspect.Type:
    """Pick the member of a tagged union that the value's tag names; the tags where it names none."""
    if not isinstance(node, msgspec.inspect.UnionType):
        return node
    members = [t for t in node.types if isinstance(t, msgspec.inspect.StructType)]
    tag = value.get(_tag_field(node)) if isinstance(value, dict) else None
    tags = msgspec.inspect.LiteralType(values=tuple(str(m.tag) for m in members))
    return next((m for m in members if m.tag == tag), tags)


def _child(node: msgspec.inspect.Type, token: str | int, value: object) -> msgspec.inspect.Type:
    """Step from a table's or array's type to that of one of its members."""
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


def _described(node: msgspec.inspect.Type, unit: str = "") -> str:
    """Say in words what a type takes."""
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
        inner, extra = _unwrapped(node.item_type)
        return f"an array; each item {extra.get('allowed') or _described(inner)}"
    if isinstance(node, inspect.UnionType):
        return " or ".join(_described(t) for t in node.types)
    return "text in quotes"


def _hint(value: object, node: msgspec.inspect.Type, extra: dict[str, str]) -> str:
    """Say what to do about the slips that are made most often."""
    number = isinstance(node, msgspec.inspect.FloatType | msgspec.inspect.IntType)
    if number and isinstance(value, str):
        if re.fullmatch(r"\s*[+-]?\d*,\d+\s*", value):
            return "decimals are written with a point"
        if re.fullmatch(r"\s*[+-]?\d*\.?\d+\s*", value):
            return "numbers stand without quotes"
    if isinstance(node, msgspec.inspect.LiteralType) and isinstance(value, str):
        return nearest(value, [str(v) for v in node.values])
    return extra.get("note", "") if isinstance(value, int | float) else ""
