"""Columns that a study can measure, with units, groups and descriptions.

The columns are the fields of the records that hold the figures, so a new figure is described in one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pathgen.errors import PathgenError, nearest
from pathgen.files.quantities import list_quantities
from pathgen.program.summary import Summary
from pathgen.proof.compare import Comparison
from pathgen.proof.metrics import PlaneFigures
from pathgen.proof.panel_replay import ReplayFigures
from pathgen.proof.trace import PathFigures

DEFAULT = (
    "time_s", "filament_m", "moves", "bead_changes_per_layer", "strokes", "travel_mm", "sway_mm",
    "thickness_rms_mm", "thickness_p99_mm", "lightness_rms", "void_share", "overlap_share", "outside_share",
)  # fmt: skip

# Figures of which more is better; of all others less is better, or neither.
RISING = ("frequency_hz", "tone_contrast", "tone_steps", "shortest_stroke_mm", "ssim", "psnr_db")


@dataclass(frozen=True, slots=True)
class Group:
    """Group of columns: the record that defines the fields, a name prefix, and a description."""

    record: type
    prefix: str
    text: str


GROUPS = {
    "plan": Group(Summary, "", "of the plan, as `pathgen panel` reports it"),
    "text": Group(ReplayFigures, "text_", "of the written program, as `pathgen replay` reads it back"),
    "against": Group(Comparison, "", "of the written program against the target thickness"),
    "plane": Group(PlaneFigures, "", "in the plane of `layers` evenly spread layers: coverage by the beads"),
    "path": Group(PathFigures, "", "along the path of the written program: beads, crossings, melt rate"),
}


@dataclass(frozen=True, slots=True)
class Column:
    """Column of the results table: name, unit, group and description."""

    name: str
    unit: str
    group: str
    text: str


COLUMNS = {
    f"{group.prefix}{key}": Column(f"{group.prefix}{key}", quantity.unit, name, quantity.text)
    for name, group in GROUPS.items()
    for key, quantity in list_quantities(group.record).items()
}


def check_columns(names: Sequence[str], where: str) -> tuple[str, ...]:
    """Expand and check the column names in a study.

    Parameters
    ----------
    names : sequence of str
        A name with a ``*`` at its end stands for all columns that begin so; "default" for the default
        columns, which an empty sequence stands for too.
    where : str
        Named in an error.

    Raises
    ------
    PathgenError
        For an unknown column, and for a column named twice.

    Examples
    --------
    >>> check_columns(["time_s", "psnr*"], "study.toml: columns")
    ('time_s', 'psnr_db')
    """
    found: list[str] = []
    for name in names or DEFAULT:
        if name == "default":
            found += DEFAULT
        elif name.endswith("*") and (begun := [known for known in COLUMNS if known.startswith(name[:-1])]):
            found += begun
        elif name in COLUMNS:
            found.append(name)
        else:
            hint = nearest(name, COLUMNS) or "run `pathgen study --columns` for a list"
            raise PathgenError(f"unknown column {name!r}", where=where, hint=hint)
    if twice := next((name for i, name in enumerate(found) if name in found[:i]), None):
        hint = "remove one of the two entries"
        raise PathgenError(f"column {twice!r} is named twice", where=where, hint=hint)
    return tuple(found)


def listing() -> str:
    """List all columns by group; a plus sign marks the default columns."""
    lines = []
    wide = max(map(len, COLUMNS))
    for name, group in GROUPS.items():
        lines.append(f"{group.text}:")
        for column in COLUMNS.values():
            if column.group == name:
                mark = "+" if column.name in DEFAULT else " "
                lines.append(f" {mark} {column.name:<{wide}}  {column.unit:<6}  {column.text}")
    return "\n".join([*lines, "+ measured unless the study names its columns"])
