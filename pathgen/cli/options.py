"""Option types, and options generated from the fields of `Job`, so that options match job files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click
import msgspec
from click.shell_completion import CompletionItem
from msgspec import inspect

from pathgen.settings.loading import machine_names, material_names
from pathgen.settings.machine import Profile

F = TypeVar("F", bound=Callable[..., Any])

PLAIN: dict[type, click.ParamType[Any]] = {inspect.IntType: click.INT, inspect.FloatType: click.FLOAT}
PROFILES = {"machine": machine_names, "material": material_names}


class ListOf(click.ParamType[list[Any]]):
    """Several values in one option, separated by commas."""

    name = "list"

    def __init__(self, item: click.ParamType[Any]) -> None:
        """Accept values of one type; limits are checked by the record."""
        self.item = item

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[Any]:
        """Split text at commas; empty text becomes an empty list."""
        parts = value.split(",") if isinstance(value, str) and value.strip() else value or []
        return [
            self.item.convert(part.strip() if isinstance(part, str) else part, param, ctx) for part in parts
        ]


class NumberOrWord(click.ParamType[Any]):
    """Number or word; both are checked by the record."""

    name = "number|word"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Convert numbers to float, so that .3 is 0.3; return other values unchanged."""
        try:
            return float(value)
        except ValueError:
            return value


class KeysAndValues(click.ParamType[str]):
    """Table written as key=value pairs; the option is repeated for each table."""

    name = "table"


class ProfileName(click.ParamType[str]):
    """Name of a shipped profile or, with `file`, path of a TOML file."""

    name = "profile"

    def __init__(self, *kinds: str, file: bool = True) -> None:
        """Accept profiles of the given kinds: "machine", "material"."""
        self.kinds, self.file = kinds, file

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Complete profile names, or file names if no profile matches."""
        names = [name for kind in self.kinds for name in PROFILES[kind]() if name.startswith(incomplete)]
        if not names and self.file:
            return [CompletionItem(incomplete, type="file")]
        return [CompletionItem(name) for name in names]


def profile_options(function: F) -> F:
    """Add --machine and --material to a command that reads a program."""
    for kind in ("material", "machine"):
        text = f"{kind.capitalize()} profile: a name or a TOML file. Default: as in the program header."
        function = click.option(f"--{kind}", type=ProfileName(kind), help=text)(function)
    return function


def record_options(kind: type[Profile]) -> Callable[[F], F]:
    """Add one option per field of a record; unused options are None."""
    return some_options(kind, kind.__struct_fields__)


def some_options(kind: type[Profile], names: Sequence[str]) -> Callable[[F], F]:
    """Add options for selected fields of a record."""
    return lambda function: _with_options(function, inspect.type_info(kind), names)


def _with_options(function: F, record: inspect.Type, names: Sequence[str]) -> F:
    assert isinstance(record, inspect.StructType)
    for entry in reversed([field for field in record.fields if field.name in names]):
        text, unit, kind = _described(entry.type)
        if entry.name in PROFILES:
            kind = ProfileName(entry.name)
        shown = f"{entry.default:g}" if isinstance(entry.default, float) else entry.default
        default = "" if entry.default in (None, (), msgspec.NODEFAULT) else f" [{shown}]"
        repeated = isinstance(kind, KeysAndValues)
        option = click.option(
            "--" + entry.name.replace("_", "-"),
            entry.name,
            type=kind,
            callback=_joined if repeated else None,
            multiple=repeated,
            default=None,
            metavar=unit.upper() if unit else None,
            help=text + default,
        )
        function = option(function)
    return function


def _joined(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> str | None:
    """Join the values of a repeated option; `bands_from` splits them again."""
    return " ".join(values) or None


def _described(field_type: inspect.Type) -> tuple[str, str, click.ParamType[Any] | None]:
    """Return help text, unit and click type for a field."""
    text = unit = ""
    while isinstance(field_type, inspect.Metadata):
        schema = field_type.extra_json_schema or {}
        text = schema.get("description", text)
        unit = (field_type.extra or {}).get("unit", unit)
        field_type = field_type.type
    if isinstance(field_type, inspect.UnionType):
        parts = [t for t in field_type.types if not isinstance(t, inspect.NoneType)]
        if len(parts) > 1:
            return text, unit, NumberOrWord()
        inner_text, inner_unit, kind = _described(parts[0])
        return text or inner_text, unit or inner_unit, kind
    if isinstance(field_type, inspect.LiteralType):
        return text, unit, click.Choice([str(v) for v in field_type.values])
    if isinstance(field_type, inspect.VarTupleType) and isinstance(field_type.item_type, inspect.StructType):
        return text, "key=value,...", KeysAndValues()
    if isinstance(field_type, inspect.VarTupleType):
        _, inner_unit, kind = _described(field_type.item_type)
        return text, unit or inner_unit or "list", ListOf(kind or click.STRING)
    return text, unit, PLAIN.get(type(field_type), click.STRING)
