"""Factors of a study (job keys, the picture, or named sets of keys) and their levels.

In a study file a factor is a line under ``[factors]``:

    fill = ["tailored", "terraced"]                        a list of levels
    tolerance = {from = 0.01, to = 0.1, steps = 4}         a range that includes both ends
    change_cost = {from = 0.05, to = 1, steps = 5, log = true}

A range without steps is continuous and needs a sampled design. A factor whose name is not a job key is a
list of *sets*: keys that change together, with a name for the table of results:

    limits = [{name = "narrow", spacing_min = 0.32, spacing_max = 0.5}, {name = "wide", spacing_max = 0.8}]
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Union, cast, get_args, get_origin, get_type_hints

from msgspec import Meta, defstruct

from pathgen.errors import PathgenError, nearest
from pathgen.settings import Job
from pathgen.settings.machine import Profile
from pathgen.settings.validation import format_value, plain, typed

Values = dict[str, object]


KEYS = Job.__struct_fields__
PICTURE = "picture"
MAX_LEVELS = 100_000  # of one factor
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
_UNIONS = (Union, UnionType)
_HINTS = get_type_hints(Job).items()
_TYPES = {name: get_args(hint) if get_origin(hint) in _UNIONS else (hint,) for name, hint in _HINTS}
_WHOLE = {name for name, types in _TYPES.items() if int in types}
_NUMBERS = {name for name, types in _TYPES.items() if int in types or float in types}
_TAKEN = ("case", "refused", "name")
# `from` is a keyword of Python and cannot be a field of a class statement.
_FROM_TO = [("from", float), ("to", float)]
_STEPS = ("steps", Annotated[int, Meta(ge=2, le=MAX_LEVELS)] | None, None)
_LOG = ("log", Annotated[bool, Meta(extra={"allowed": "true or false"})], False)
RANGE_KEYS = defstruct("RangeKeys", [*_FROM_TO, _STEPS, _LOG], bases=(Profile,), frozen=True)


@dataclass(frozen=True, slots=True)
class Range:
    """Range of numbers: first, last, number of steps (None: continuous), and logarithmic or not."""

    first: float
    last: float
    steps: int | None
    log: bool


@dataclass(frozen=True, slots=True)
class Level:
    """Factor level: the label in the table, and the keys set by the level (including the picture)."""

    label: object
    sets: Values


@dataclass(frozen=True, slots=True)
class Factor:
    """Factor of a study.

    Attributes
    ----------
    name : str
    levels : tuple of Level
        Empty for a continuous range.
    span : Range, optional
        Range of the levels, if they are numbers of a range.
    """

    name: str
    levels: tuple[Level, ...]
    span: Range | None = None

    @property
    def keys(self) -> set[str]:
        """All keys set by any level."""
        return {self.name} if self.span else {key for level in self.levels for key in level.sets}

    def at(self, share: float) -> Level:
        """Return the level for a fraction in [0, 1), of which discrete levels get equal parts.

        Examples
        --------
        >>> factor = read_factor("layer", {"from": 0.1, "to": 0.4, "log": True}, "study.toml")
        >>> round(factor.at(0.5).sets["layer"], 6)
        0.2
        """
        if self.levels:
            return self.levels[min(int(share * len(self.levels)), len(self.levels) - 1)]
        assert self.span is not None, "a factor without levels has a range"
        value = round_level(_between(self.span, share))
        return Level(value, {self.name: value})


def read_factor(name: str, value: object, where: str) -> Factor:
    """Read one factor.

    Parameters
    ----------
    name : str
    value : object
        Plain values from TOML.
    where : str
        Name of the study in error messages.

    Raises
    ------
    PathgenError
        When the name is neither a key nor a set, there are no levels, a level is repeated, or a value or the
        range is invalid.

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
    levels = [Level(level, {name: check_value(name, level, place)}) for level in value]
    return Factor(name, _check_levels(levels, place))


def check_value(name: str, value: object, place: str) -> object:
    """Check and return the value of a job key or of the picture."""
    if name == PICTURE:
        if not isinstance(value, str) or not value:
            what = f"picture is {format_value(value)}"
            raise PathgenError(what, where=place, allowed="a file name in quotes")
        return value
    file = place.rpartition(": ")[0]
    try:
        typed({name: value}, Job, file)
    except PathgenError as error:  # its place is that in a job file
        where = error.where.replace(f"{file}: {name}", place, 1)
        raise PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint) from None
    return value


def round_level(value: float) -> float:
    """Round to 6 significant digits, so that the table shows 0.3 and not 0.30000000000000004."""
    return float(f"{value:.6g}")


def _between(span: Range, share: float) -> float:
    if span.log:
        return math.exp(math.log(span.first) + share * (math.log(span.last) - math.log(span.first)))
    return span.first + share * (span.last - span.first)


def _range(name: str, value: dict[str, object], place: str) -> Factor:
    if name not in _NUMBERS:
        allowed = "a list of file names" if name == PICTURE else "a list of levels"
        what = f"{name} cannot have a range, because it is not a number"
        raise PathgenError(what, where=place, allowed=allowed)
    keys: dict[str, Any] = plain(typed(value, cast(type[Profile], RANGE_KEYS), place))
    span = Range(*keys.values())
    if span.log and min(span.first, span.last) <= 0:
        what = f"a range from {span.first:g} to {span.last:g} cannot be logarithmic"
        raise PathgenError(what, where=place, allowed="numbers above 0")
    if span.first == span.last:
        what = f"the range from {span.first:g} to {span.last:g} is empty"
        raise PathgenError(what, where=place, allowed="two different limits")
    whole = name in _WHOLE
    if whole and span.steps is None:
        steps = abs(span.last - span.first) + 1
        if steps > MAX_LEVELS:
            what, allowed = f"the range has {steps:.0f} levels", f"at most {MAX_LEVELS}"
            raise PathgenError(what, where=place, allowed=allowed, hint="add steps")
        span = Range(span.first, span.last, int(steps), span.log)
    ends = [_number(end, whole) for end in (span.first, span.last)]
    for end in ends:
        check_value(name, end, place)
    if span.steps is None:
        return Factor(name, (), span)
    values = [_between(span, i / (span.steps - 1)) for i in range(span.steps)]
    values[0], values[-1] = span.first, span.last
    numbers = [_number(round_level(v), whole) for v in values]
    levels = [Level(v, {name: check_value(name, v, place)}) for v in numbers]
    return Factor(name, _check_levels(levels, place), span)


def _number(value: float, whole: bool) -> float | int:
    return int(value) if whole and value.is_integer() else value


def _sets(name: str, value: object, place: str) -> Factor:
    """Read a factor whose levels are sets of keys."""
    entries = value if isinstance(value, list) else []
    if not entries or not all(isinstance(entry, dict) for entry in entries):
        hint = nearest(name, (*KEYS, PICTURE)) or "run `pathgen panel --help` for a list of keys"
        raise PathgenError(f"unknown key {format_value(name)}", where=place, hint=hint)
    if not _NAME.match(name) or name in _TAKEN:
        allowed = "lower-case letters, digits and _, but not " + ", ".join(_TAKEN)
        raise PathgenError(f"invalid factor name {format_value(name)}", where=place, allowed=allowed)
    levels = []
    for number, entry in enumerate(entries, start=1):
        sets: dict[str, Any] = dict(entry)
        label = sets.pop("name", str(number))
        if not isinstance(label, str) or not label.strip():
            what = f"name is {format_value(label)}"
            raise PathgenError(what, where=f"{place}[{number}]", allowed="text in quotes")
        picture = {PICTURE: check_value(PICTURE, sets.pop(PICTURE), place)} if PICTURE in sets else {}
        typed(sets, Job, f"{place}[{number}]")
        levels.append(Level(label, sets | picture))
    return Factor(name, _check_levels(levels, place))


def _check_levels(levels: list[Level], place: str) -> tuple[Level, ...]:
    """Reject empty lists and repeated levels."""
    if not levels:
        raise PathgenError("the list of levels is empty", where=place, allowed="at least one level")
    labels: set[str] = set()
    for level in levels:
        if repr(level.label) in labels:
            what = f"level {format_value(level.label)} is repeated"
            raise PathgenError(what, where=place, allowed="different levels")
        labels.add(repr(level.label))
    return tuple(levels)
