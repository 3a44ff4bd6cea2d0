"""Factors of a study: job keys, the picture, or named sets of keys, and the levels each takes.

In a study file a factor is a line under ``[factors]``:

    fill = ["tailored", "terraced"]                        levels, one by one
    tolerance = {from = 0.01, to = 0.1, steps = 4}         a range, its ends included
    change_cost = {from = 0.05, to = 1, steps = 5, log = true}

A range without steps is continuous and belongs to a sampled design. A factor under any other name than a
key's is a list of tables, each a *set* of keys that change together, with a name for the table:

    limits = [{name = "narrow", spacing_min = 0.32, spacing_max = 0.5}, {name = "wide", spacing_max = 0.8}]
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from msgspec import inspect

from pathgen.errors import PathgenError, nearest
from pathgen.settings import Job
from pathgen.settings.validation import format_value, typed

Values = dict[str, object]


def _kinds(node: inspect.Type) -> set[type[inspect.Type]]:
    """Name the kinds of value that a field takes."""
    if isinstance(node, inspect.Metadata):
        return _kinds(node.type)
    if isinstance(node, inspect.UnionType):
        return set().union(*(_kinds(each) for each in node.types))
    return {type(node)}


KEYS = Job.__struct_fields__
PICTURE = "picture"
MOST = 100_000  # levels of one factor
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
_FIELDS = inspect.type_info(Job)
assert isinstance(_FIELDS, inspect.StructType)
_WHOLE = {field.name for field in _FIELDS.fields if inspect.IntType in _kinds(field.type)}
_NUMBERS = _WHOLE | {field.name for field in _FIELDS.fields if inspect.FloatType in _kinds(field.type)}
_RANGE = ("from", "to", "steps", "log")
_TAKEN = ("case", "refused", "name")


@dataclass(frozen=True, slots=True)
class Range:
    """A range of a number: both ends, how many steps (None: continuous), whether they are even ratios."""

    first: float
    last: float
    steps: int | None = None
    log: bool = False


@dataclass(frozen=True, slots=True)
class Level:
    """One level: how it stands in the table, and the keys it sets, the picture among them."""

    label: object
    sets: Values


@dataclass(frozen=True, slots=True)
class Factor:
    """A factor.

    Attributes
    ----------
    name : str
    levels : tuple of Level
        None of them for a continuous range.
    span : Range, optional
        Where the levels come from, if they are numbers of a range.
    """

    name: str
    levels: tuple[Level, ...]
    span: Range | None = None

    @property
    def keys(self) -> set[str]:
        """Keys that any of its levels sets."""
        return {self.name} if self.span else {key for level in self.levels for key in level.sets}

    def at(self, share: float) -> Level:
        """Give the level at a share of the way: 0 the first, just under 1 the last, each as wide.

        Examples
        --------
        >>> factor = read_factor("layer", {"from": 0.1, "to": 0.4, "log": True}, "study.toml")
        >>> round(factor.at(0.5).sets["layer"], 6)
        0.2
        """
        if self.levels:
            return self.levels[min(int(share * len(self.levels)), len(self.levels) - 1)]
        assert self.span is not None, "without levels there is a range"
        value = round_level(_between(self.span, share))
        return Level(value, {self.name: value})


def read_factor(name: str, value: object, where: str) -> Factor:
    """Read one factor.

    Parameters
    ----------
    name : str
    value : object
        Plain values, as TOML gives them.
    where : str
        The study, as a refusal names it.

    Raises
    ------
    PathgenError
        For a name that is no key and no set, for no levels, the same level twice, a value that the key cannot
        take, a range that is none.

    Examples
    --------
    >>> [level.label for level in read_factor("pixel", {"from": 0.1, "to": 0.3, "steps": 3}, "s").levels]
    [0.1, 0.2, 0.3]
    """
    place = f"{where}: factors.{name}"
    if name not in KEYS and name != PICTURE:
        return _sets(name, value, place)
    if isinstance(value, dict):
        return _range(name, value, place)
    if not isinstance(value, list):
        allowed = "a list of levels, or {from = …, to = …, steps = …}"
        raise PathgenError(f"{name} is {format_value(value)}", where=place, allowed=allowed)
    levels = [Level(level, {name: checked(name, level, place)}) for level in value]
    return Factor(name, _several(levels, place))


def checked(name: str, value: object, place: str) -> object:
    """Give the value of a key, as a job has it, or refuse it."""
    if name == PICTURE:
        if not isinstance(value, str) or not value:
            raise PathgenError(f"picture is {format_value(value)}", where=place, allowed="a file's name")
        return value
    file = place.rpartition(": ")[0]
    try:
        typed({name: value}, Job, file)
    except PathgenError as error:  # says where in a job; here it stands one table deeper
        where = error.where.replace(f"{file}: {name}", place, 1)
        raise PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint) from None
    return value


def round_level(value: float) -> float:
    """Round to 6 digits: in the table stands what was made, not 0.30000000000000004."""
    return float(f"{value:.6g}")


def _between(span: Range, share: float) -> float:
    if span.log:
        return math.exp(math.log(span.first) + share * (math.log(span.last) - math.log(span.first)))
    return span.first + share * (span.last - span.first)


def _range(name: str, value: Mapping[str, object], place: str) -> Factor:
    if name not in _NUMBERS:
        allowed = "a list of files' names" if name == PICTURE else "a list of levels; a range is of numbers"
        raise PathgenError(f"a range of {name}", where=place, allowed=allowed)
    span = _span(value, place)
    if span.log and min(span.first, span.last) <= 0:
        what = f"from {span.first:g} to {span.last:g}, log = true"
        raise PathgenError(what, where=place, allowed="numbers over 0")
    if span.first == span.last:
        raise PathgenError(f"from {span.first:g} to {span.last:g}", where=place, allowed="two different ends")
    whole = name in _WHOLE
    if whole and span.steps is None:
        steps = abs(span.last - span.first) + 1
        if steps > MOST:
            raise PathgenError(f"{steps:.0f} whole numbers", where=place, allowed=f"at most {MOST}")
        span = Range(span.first, span.last, int(steps), span.log)
    ends = [_number(end, whole) for end in (span.first, span.last)]
    for end in ends:
        checked(name, end, place)
    if span.steps is None:
        return Factor(name, (), span)
    values = [_between(span, i / (span.steps - 1)) for i in range(span.steps)]
    values[0], values[-1] = span.first, span.last
    numbers = [_number(round_level(v), whole) for v in values]
    return Factor(name, _several([Level(v, {name: checked(name, v, place)}) for v in numbers], place), span)


def _span(value: Mapping[str, object], place: str) -> Range:
    """Check the parts of a range as TOML gives them."""
    allowed = "from, to, steps, log"
    for key in value:
        if key not in _RANGE:
            raise PathgenError(
                f"unknown key {format_value(key)}", where=place, allowed=allowed, hint=nearest(key, _RANGE)
            )
    for key in ("from", "to"):
        if key not in value:
            raise PathgenError(f"a range without {key!r}", where=place, allowed=allowed)
        if isinstance(value[key], bool) or not isinstance(value[key], int | float):
            raise PathgenError(f"{key} is {format_value(value[key])}", where=place, allowed="a number")
    steps, log = value.get("steps"), value.get("log", False)
    if steps is not None and (
        isinstance(steps, bool) or not isinstance(steps, int) or not 2 <= steps <= MOST
    ):
        raise PathgenError(
            f"steps is {format_value(steps)}", where=place, allowed=f"a whole number from 2 to {MOST}"
        )
    if not isinstance(log, bool):
        raise PathgenError(f"log is {format_value(log)}", where=place, allowed="true or false")
    return Range(float(str(value["from"])), float(str(value["to"])), steps, log)


def _number(value: float, whole: bool) -> float | int:
    return int(value) if whole and value.is_integer() else value


def _sets(name: str, value: object, place: str) -> Factor:
    """Read a factor of sets of keys."""
    tables = isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)
    if not tables:
        hint = nearest(name, (*KEYS, PICTURE)) or "`pathgen panel --help` lists the keys"
        raise PathgenError(f"unknown key {format_value(name)}", where=place, hint=hint)
    if not _NAME.match(name) or name in _TAKEN:
        allowed = "small letters, digits and _, but not " + ", ".join(_TAKEN)
        raise PathgenError(f"a set is called {format_value(name)}", where=place, allowed=allowed)
    assert isinstance(value, list)
    levels = []
    for number, entry in enumerate(value, start=1):
        sets: dict[str, Any] = dict(entry)
        label = sets.pop("name", str(number))
        if not isinstance(label, str) or not label.strip():
            raise PathgenError(
                f"name is {format_value(label)}", where=f"{place}[{number}]", allowed="text in quotes"
            )
        picture = {PICTURE: checked(PICTURE, sets.pop(PICTURE), place)} if PICTURE in sets else {}
        typed(sets, Job, f"{place}[{number}]")
        levels.append(Level(label, sets | picture))
    return Factor(name, _several(levels, place))


def _several(levels: list[Level], place: str) -> tuple[Level, ...]:
    """Refuse no levels, and the same one twice."""
    if not levels:
        raise PathgenError("no levels", where=place, allowed="at least one")
    seen: set[str] = set()
    for level in levels:
        text = repr(level.label)
        if text in seen:
            raise PathgenError(
                f"level {format_value(level.label)} twice", where=place, allowed="each level once"
            )
        seen.add(text)
    return tuple(levels)
