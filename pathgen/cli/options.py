"""Option types, and options generated from the fields of `Job`, so that options match job files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click
import msgspec
from click.shell_completion import CompletionItem
from msgspec import inspect

from pathgen.settings.loading import machine_names, material_names
from pathgen.settings.machine import Profile, describe_fields
from pathgen.settings.preparation import Preparation

F = TypeVar("F", bound=Callable[..., Any])

PLAIN: dict[type, click.ParamType[Any]] = {inspect.IntType: click.INT, inspect.FloatType: click.FLOAT}
PROFILES = {"machine": machine_names, "material": material_names}
MAIN = "Options"
# Every option of `panel` belongs to one heading. Options without a heading are listed under the first.
SECTIONS = {
    MAIN: "out width height machine material thinnest thickest outline layer within rim_width preview report",
    "Other files and output": "job_file thickness moves json schema help",
    "Temperatures": "nozzle_temperature platform_temperature",
    "Position of the picture": "centre_across centre_up zoom tilt",
    "Shape": "corner foot bend seam relief",
    "Tones and thickness": "tones aim aim_room dither pixel",
    "Layers": "layer_like first_layer band",
    "Beads": "fill direction hairpins spacing spacing_min spacing_max packing change_cost end_cost tolerance",
    "Feeds": "feed first_feed pace lead",
    "Rim and eyelets": "rim_thickness rim_bevel line_width line_thickness eyelets eyelet_at eyelet_opening "
    "eyelet_wall",
    "Position and supports": "turn axis brim overhang slope comb wedges wedge_at wedge_height wedge_base "
    "wedge_gap support_feed",
    "Several panels": "copies panel_gap build",
    "Preparing the photograph": " ".join(Preparation.__struct_fields__),
}


class ListOf(click.ParamType[list[Any]]):
    """Several values in one option, separated by commas."""

    name = "list"

    def __init__(self, item: click.ParamType[Any]) -> None:
        """Accept values of one type; the record checks their limits."""
        self.item = item

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[Any]:
        """Split text at commas; empty text becomes an empty list."""
        if isinstance(value, str):
            value = [part.strip() for part in value.split(",")] if value.strip() else []
        return [self.item.convert(part, param, ctx) for part in value or []]


class NumberOrWord(click.ParamType[Any]):
    """Number or word; the record checks both."""

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


MACHINE, MATERIAL = ProfileName("machine"), ProfileName("material")


def profile_options(function: F) -> F:
    """Add --machine and --material to a command that reads a program."""
    for kind in ("material", "machine"):
        text = f"{kind.capitalize()} profile: a name or a TOML file. Default: as in the program header."
        function = click.option(f"--{kind}", type=ProfileName(kind), help=text)(function)
    return function


def record_options(kind: type[Profile], names: Sequence[str] = ()) -> Callable[[F], F]:
    """Add one option per field of a record, or only for the named fields; unused options are None."""
    return lambda function: _with_options(function, kind, names or kind.__struct_fields__)


def _with_options(function: F, record: type[Profile], names: Sequence[str]) -> F:
    info, texts = inspect.type_info(record), describe_fields(record)
    assert isinstance(info, inspect.StructType)
    for entry in reversed([field for field in info.fields if field.name in names]):
        unit, kind = _described(entry.type)
        if entry.name in PROFILES:
            kind = ProfileName(entry.name)
        shown = f"{entry.default:g}" if isinstance(entry.default, float) else entry.default
        default = "" if entry.default in (None, (), msgspec.NODEFAULT) else f" [{shown}]"
        flag, repeated = "--" + entry.name.replace("_", "-"), isinstance(kind, KeysAndValues)
        option = click.option(
            flag,
            entry.name,
            type=kind,
            callback=_joined if repeated else None,
            multiple=repeated,
            default=None,
            metavar=unit.upper() or None,
            help=texts.get(entry.name, "") + default,  # no texts under `python -OO`
        )
        function = option(function)
    return function


def _joined(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> str | None:
    """Join the values of a repeated option; `bands_from` splits them again."""
    return " ".join(values) or None


def _described(field_type: inspect.Type) -> tuple[str, click.ParamType[Any] | None]:
    """Return unit and click type for a field."""
    unit = ""
    while isinstance(field_type, inspect.Metadata):
        unit = (field_type.extra or {}).get("unit", unit)
        field_type = field_type.type
    if isinstance(field_type, inspect.UnionType):
        parts = [t for t in field_type.types if not isinstance(t, inspect.NoneType)]
        inner_unit, kind = _described(parts[0])
        return unit or inner_unit, NumberOrWord() if len(parts) > 1 else kind
    if isinstance(field_type, inspect.LiteralType):
        return unit, click.Choice([str(v) for v in field_type.values])
    if isinstance(field_type, inspect.VarTupleType) and isinstance(field_type.item_type, inspect.StructType):
        return "key=value,...", KeysAndValues()
    if isinstance(field_type, inspect.VarTupleType):
        inner_unit, kind = _described(field_type.item_type)
        return unit or inner_unit or "list", ListOf(kind or click.STRING)
    return unit, PLAIN.get(type(field_type), click.STRING)


class Sectioned(click.Command):
    """Command whose help lists the options under headings: `pathgen panel` has too many for one list."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options; options without a heading are appended to the first section."""
        options = {param.name: param for param in self.get_params(ctx) if isinstance(param, click.Option)}
        named = {title: [n for n in names.split() if n in options] for title, names in SECTIONS.items()}
        listed = {name for names in named.values() for name in names}
        named[MAIN] += [str(name) for name in options if name not in listed]
        for title, names in named.items():
            records = [options[name].get_help_record(ctx) for name in names]
            if any(records):
                with formatter.section(title):
                    formatter.write_dl([record for record in records if record is not None])
