"""JSON schemas (2020-12) for the `--json` output of each command.

The schemas are data, in `schema.json`. A branch with `figures` also has the values of these groups of study
columns, without the prefix of their names. Units and descriptions come from the columns, so a new column
needs no change here.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

DRAFT = "https://json-schema.org/draft/2020-12/schema"
KINDS: dict[str, Any] = {"text": ["string", "array"], "count": "integer", "yes/no": "boolean"}


def command_schema(command: str) -> dict[str, Any]:
    """Return the schema for a command's JSON output.

    Examples
    --------
    >>> [branch["title"] for branch in command_schema("machines")["oneOf"]]
    ['list of profiles', 'one profile', 'error']
    """
    data = json.loads(Path(__file__).with_name("schema.json").read_text(encoding="utf-8"))
    branches = data["commands"][command]
    for branch in branches:
        for group, prefix in branch.pop("figures", {}).items():
            branch["properties"] = _figures(group, prefix) | branch["properties"]
    return {"$schema": DRAFT, "title": f"pathgen {command} --json", "oneOf": [*branches, data["error"]]}


def _figures(group: str, prefix: str) -> dict[str, Any]:
    """Return the schemas for a group of study columns."""
    from pathgen.study.columns import COLUMNS  # loads the packages of a study

    found = {}
    for column in COLUMNS.values():
        if column.group == group:
            kind = KINDS.get(column.unit, ["number", "string"] if column.name.endswith("_cost") else "number")
            kinds = [kind] if isinstance(kind, str) else kind
            text = column.text if column.unit in ("text", "yes/no") else f"{column.text}; {column.unit}"
            found[column.name.removeprefix(prefix)] = {"type": [*kinds, "null"], "description": text}
    return found
