"""Job files with several panels: top-level keys apply to all panels, a [[panel]] table to one.

width = 60.0
build = "abreast"

[[panel]]
picture = "pilot.png"
copies = 2

[[panel]]
picture = "crane.png"
outline = "disc"
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.settings.job import Job
from pathgen.settings.loading import anchored, read_table
from pathgen.settings.validation import format_value, typed


@dataclass(frozen=True, slots=True)
class Entry:
    """Picture and job of one panel in a job file; the picture is None if the file names none."""

    picture: Path | None
    job: Job


def load_panels(path: str | Path) -> list[Entry]:
    """Load a job file with any number of panels.

    Parameters
    ----------
    path : str or Path
        Paths of pictures, profiles and outlines in it are relative to its folder.

    Returns
    -------
    list of Entry
        A single entry without a picture if the file has no [[panel]].

    Raises
    ------
    PathgenError
        For an unreadable file, an invalid key or value, and a panel that is not a table.
    """
    where = str(path)
    common = read_table(Path(path))
    tables = common.pop("panel", [{}])
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        allowed = "a [[panel]] header before each panel"
        raise PathgenError("`panel` is not a list of tables", where=where, allowed=allowed)
    entries = []
    for number, table in enumerate(tables, start=1):
        own = dict(table)
        picture = own.pop("picture", None)
        if picture is not None and not isinstance(picture, str):
            what = f"picture is {format_value(picture)}"
            raise PathgenError(what, where=f"{where}: panel {number}", allowed="a file name in quotes")
        job = typed(common | own, Job, where if len(tables) == 1 else f"{where}: panel {number}")
        entries.append(Entry(Path(path).parent / picture if picture else None, anchored(job, path)))
    return entries
