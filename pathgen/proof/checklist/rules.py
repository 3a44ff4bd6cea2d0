"""The rules of the checklist, with title, level, reason and remedy, as read from `rules.toml`.

To add a rule, describe it in `rules.toml` and apply it in the module of its theme.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import MappingProxyType
from typing import Literal, NamedTuple

Level = Literal["error", "warning", "note"]
LEVELS: tuple[Level, ...] = ("error", "warning", "note")


class Rule(NamedTuple):
    """One rule of the checklist.

    Attributes
    ----------
    title : str
        The fault that the rule looks for.
    level : {"error", "warning", "note"}
        Severity of a finding.
    why : str
        Consequence of the fault.
    do : str
        Remedy.
    """

    title: str
    level: Level
    why: str
    do: str


_TABLES = tomllib.loads(Path(__file__).with_name("rules.toml").read_text(encoding="utf-8"))
RULES = MappingProxyType({int(number): Rule(**table) for number, table in _TABLES.items()})
"""All rules, by number."""
