"""Options made from the fields of `Job`, so that a job file and the command line never differ."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click
import msgspec
from msgspec import inspect

from pathgen.settings import Job
from pathgen.settings.machine import Profile

F = TypeVar("F", bound=Callable[..., Any])


class ListOf(click.ParamType[list[Any]]):
    """Several values in one option, commas between them."""

    name = "list"

    def __init__(self, item: click.ParamType[Any]) -> None:
        """Take values of one type; their limits are left to the record."""
        self.item = item

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[Any]:
        """Split at the commas; empty text gives an empty list."""
        parts = value.split(",") if isinstance(value, str) and value.strip() else value or []
        return [
            self.item.convert(part.strip() if isinstance(part, str) else part, param, ctx) for part in parts
        ]


class Spelled(click.ParamType[str]):
    """A table as keys and values, given once for each table."""

    name = "table"


def _together(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> str | None:
    """Join an option that was given several times; the record's reader takes it apart."""
    return " ".join(values) or None


def job_options(function: F) -> F:
    """Decorate a command with one option for each field of `Job`; options not given arrive as None."""
    return record_options(Job)(function)


def record_options(kind: type[Profile]) -> Callable[[F], F]:
    """Decorate a command with one option for each field of a record; options not given arrive as None."""
    return some_options(kind, kind.__struct_fields__)


def some_options(kind: type[Profile], names: Sequence[str]) -> Callable[[F], F]:
    """Decorate a command with options for some fields of a record."""
    return lambda function: _with_options(function, inspect.type_info(kind), names)


def _with_options(function: F, record: inspect.Type, names: Sequence[str]) -> F:
    assert isinstance(record, inspect.StructType)
    for entry in reversed([field for field in record.fields if field.name in names]):
        text, unit, kind = _described(entry.type)
        default = (
            ""
            if entry.default in (None, (), msgspec.NODEFAULT)
            else f" [{entry.default:g}]"
            if isinstance(entry.default, float)
            else f" [{entry.default}]"
        )
        option = click.option(
            "--" + entry.name.replace("_", "-"),
            entry.name,
            type=kind,
            callback=_together if isinstance(kind, Spelled) else None,
            multiple=isinstance(kind, Spelled),
            default=None,
            metavar=unit.upper() if unit else None,
            help=text + default,
        )
        function = option(function)
    return function


def _described(field_type: inspect.Type) -> tuple[str, str, click.ParamType[Any] | None]:
    """Help text, unit and click's type of a field."""
    text = unit = ""
    while isinstance(field_type, inspect.Metadata):
        schema = field_type.extra_json_schema or {}
        text = schema.get("description", text)
        unit = (field_type.extra or {}).get("unit", unit)
        field_type = field_type.type
    if isinstance(field_type, inspect.UnionType):
        parts = [t for t in field_type.types if not isinstance(t, inspect.NoneType)]
        if len(parts) > 1:  # a number or a word: the record itself tells which
            return text, unit, click.STRING
        inner_text, inner_unit, kind = _described(parts[0])
        return text or inner_text, unit or inner_unit, kind
    if isinstance(field_type, inspect.LiteralType):
        return text, unit, click.Choice([str(v) for v in field_type.values])
    if isinstance(field_type, inspect.VarTupleType) and isinstance(field_type.item_type, inspect.StructType):
        return text, "key=value,...", Spelled()
    if isinstance(field_type, inspect.VarTupleType):
        _, inner_unit, kind = _described(field_type.item_type)
        return text, unit or inner_unit or "list", ListOf(kind or click.STRING)
    if isinstance(field_type, inspect.IntType):
        return text, unit, click.INT
    if isinstance(field_type, inspect.FloatType):
        return text, unit, click.FLOAT
    return text, unit, click.STRING
