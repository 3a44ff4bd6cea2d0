"""Limits and defaults of every key, as a table: a change of one shows as a changed line of `limits.txt`.

The values are the project's own choice, so no outside source is named. After an intended change, write the
table again with `python -m tests.settings.test_limits`.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from pathgen.settings import Job, Machine, Material

TABLE = Path(__file__).with_name("limits.txt")
BOUNDS = ("gt", "ge", "lt", "le", "min_length", "max_length", "pattern", "values")


def bounds(node):
    """Limits, notes and units of a type and of the types inside it, in order."""
    inspect = msgspec.inspect
    if isinstance(node, inspect.Metadata):
        return [*(f"{k}: {v}" for k, v in (node.extra or {}).items()), *bounds(node.type)]
    if isinstance(node, inspect.StructType):
        return [node.cls.__name__]
    found = [type(node).__name__.removesuffix("Type").lower()]
    limits = {name: getattr(node, name) for name in BOUNDS if getattr(node, name, None) is not None}
    # Python keeps one of two equal types, so 100 may become 100.0 by the order of imports.
    found += [f"{k} {v:g}" if isinstance(v, int | float) else f"{k} {v!r}" for k, v in limits.items()]
    inner = getattr(node, "types", None) or getattr(node, "item_types", None)
    inner = inner or [node.item_type] if inner or hasattr(node, "item_type") else []
    return found + [text for each in inner for text in bounds(each)]


def structs(node):
    """All records in a type, depth first."""
    inspect = msgspec.inspect
    if isinstance(node, inspect.StructType):
        yield node
        for field in node.fields:
            yield from structs(field.type)
    for name in ("type", "item_type"):
        if hasattr(node, name):
            yield from structs(getattr(node, name))
    for each in (*getattr(node, "types", ()), *getattr(node, "item_types", ())):
        yield from structs(each)


def table():
    lines = {}
    for kind in (Machine, Material, Job):
        for record in structs(msgspec.inspect.type_info(kind)):
            for field in record.fields:
                default = "required" if field.required else f"= {field.default!r}"
                key = f"{record.cls.__name__}.{field.name}"
                lines[key] = f"{key} {default}; {', '.join(bounds(field.type))}"
    return "".join(f"{line}\n" for line in lines.values())


def test_limits_and_defaults_are_those_of_the_table():
    assert table() == TABLE.read_text(encoding="utf-8")


if __name__ == "__main__":
    TABLE.write_text(table(), encoding="utf-8")
