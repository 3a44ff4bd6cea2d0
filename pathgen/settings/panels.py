"""Several panels in one job file: what stands at its top holds for all, each [[panel]] adds its own.

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
    """One panel of a job file: its picture, None where the file names none, and its job."""

    picture: Path | None
    job: Job


def load_panels(path: str | Path) -> list[Entry]:
    """Load a job file with any number of panels.

    Parameters
    ----------
    path : str or Path
        Pictures, profiles and outlines it names are looked for from its own folder.

    Returns
    -------
    list of Entry
        A single one, without a picture, where the file has no [[panel]].

    Raises
    ------
    PathgenError
        For an unreadable file, a wrong key or value, a panel that is no table.
    """
    where = str(path)
    common = read_table(Path(path))
    tables = common.pop("panel", [{}])
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        raise PathgenError("panel is no list of tables", where=where, allowed="[[panel]] before each panel")
    entries = []
    for number, table in enumerate(tables, start=1):
        own = dict(table)
        picture = own.pop("picture", None)
        if picture is not None and not isinstance(picture, str):
            what = f"picture is {format_value(picture)}"
            raise PathgenError(what, where=f"{where}: panel {number}", allowed="a file's name")
        job = typed(common | own, Job, where if len(tables) == 1 else f"{where}: panel {number}")
        entries.append(Entry(Path(path).parent / picture if picture else None, anchored(job, path)))
    return entries
