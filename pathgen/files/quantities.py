"""Records whose fields have a unit and a description; each record becomes one row of a table.

A field is a figure when its type is annotated with a `Quantity`. A field annotated with `Nested` is a record
of its own, whose figures join the row under keys with a prefix. So a key, its unit and its description
are written once, beside the value, and JSON objects, tables and lists of columns all follow from the record.

    @dataclass(frozen=True)
    class Wall:
        width_mm: Annotated[float, Quantity("mm", "outer width as viewed")]
        time: Annotated[Times, Nested("time_")]
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from types import NoneType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

Row = dict[str, Any]  # figures by key: str, int, float, bool, list of str, or None


@dataclass(frozen=True, slots=True)
class Quantity:
    """Unit and description of a value.

    Attributes
    ----------
    unit : str
        As people read it, such as "mm³/s"; "count", "share", "text" or "1" where there is no unit. Empty: the
        unit of the `Nested` field that the figure belongs to.
    text : str
        What the figure is, in a few words; of a nested figure, the words that come before those of `Nested`.
    """

    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class Nested:
    """Rules for merging the values of a nested record into the row of its parent.

    Attributes
    ----------
    prefix : str
        Beginning of their keys.
    text : str
        End of their descriptions.
    unit : str
        Unit of the figures that have none of their own.
    suffix : str
        End of the keys of those figures, such as "_mm".
    without : tuple of str
        Figures that are left out.
    """

    prefix: str = ""
    text: str = ""
    unit: str = ""
    suffix: str = ""
    without: tuple[str, ...] = ()

    def joined(self, inner: dict[str, tuple[Quantity, Any]]) -> dict[str, tuple[Quantity, Any]]:
        """Return the values of a nested record, with the parent's changes to keys and descriptions."""
        found = {}
        for key, (quantity, value) in inner.items():
            if key not in self.without:
                name = f"{self.prefix}{key}" if quantity.unit else f"{self.prefix}{key}{self.suffix}"
                text = f"{quantity.text} {self.text}".strip()
                found[name] = (Quantity(quantity.unit or self.unit, text), value)
        return found


def list_quantities(kind: type) -> dict[str, Quantity]:
    """List the quantities of a record by key, including nested records, in field order.

    Examples
    --------
    >>> @dataclass
    ... class Wall:
    ...     width_mm: Annotated[float, Quantity("mm", "outer width as viewed")]
    >>> list_quantities(Wall)
    {'width_mm': Quantity(unit='mm', text='outer width as viewed')}
    """
    return {key: quantity for key, (quantity, _) in _figures(kind, None).items()}


def flatten(record: object) -> Row:
    """Return the values of a record by key, with None for all values of a missing nested record.

    Examples
    --------
    >>> @dataclass
    ... class Panels:
    ...     panels: Annotated[int, Quantity("count", "panels")]
    ...     names: list[str]
    >>> flatten(Panels(2, ["pier", "crane"]))
    {'panels': 2}
    """
    return {key: value for key, (_, value) in _figures(type(record), record).items()}


def _figures(kind: type, record: object | None) -> dict[str, tuple[Quantity, Any]]:
    found: dict[str, tuple[Quantity, Any]] = {}
    for name, mark, inner in _marked(kind):
        value = None if record is None else getattr(record, name)
        if isinstance(mark, Quantity):
            found[name] = (mark, value)
        else:
            found |= mark.joined(_figures(inner, value))
    return found


@lru_cache(maxsize=32)
def _marked(kind: type) -> list[tuple[str, Quantity | Nested, type]]:
    """List the fields that are values or nested records, with the class of each nested record."""
    found = []
    for name, hint in get_type_hints(kind, include_extras=True).items():
        if get_origin(hint) is Annotated:
            bare, *marks = get_args(hint)
            inner = next((each for each in get_args(bare) if each is not NoneType), bare)
            found += [(name, mark, inner) for mark in marks if isinstance(mark, Quantity | Nested)]
    return found
