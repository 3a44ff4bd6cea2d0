"""Files that cases name: read once, told by their digest, and laid out again wherever a case is made.

Whoever measures a case has no access to the study's folder: what travels is the contents, never a path.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.inputs import read_input
from pathgen.settings import load_machine, load_material

LIMIT = 256 << 20  # bytes of one file; larger ones would be sent to every worker
PROFILES = {"machine": load_machine, "material": load_material}


@dataclass(frozen=True, slots=True)
class File:
    """A file's name without its folder, and what is in it."""

    name: str
    data: bytes

    @property
    def digest(self) -> str:
        """SHA-256 of the contents, the first 32 hexadecimal digits."""
        return hashlib.sha256(self.data).hexdigest()[:32]


def is_file(key: str, value: object) -> bool:
    """Tell whether the value of a key, or of "picture", names a file.

    Examples
    --------
    >>> is_file("machine", "moving-gantry"), is_file("machine", "mine.toml"), is_file("outline", "disc")
    (False, True, False)
    """
    if not isinstance(value, str):
        return False
    if key in PROFILES:
        return value.endswith(".toml") or "/" in value or "\\" in value
    return key == "picture" or (key in ("outline", "isolate") and any(mark in value for mark in "./\\"))


def files_of(named: Iterable[tuple[str, object]], folder: Path) -> dict[str, File]:
    """Read every file that keys name.

    Parameters
    ----------
    named : iterable of (key, value)
        Keys of jobs, and "picture".
    folder : Path
        Where they are looked for.

    Returns
    -------
    dict of str to File
        By the name they were given, in the order they first come.

    Raises
    ------
    PathgenError
        For one that cannot be read, and for a profile, shipped or not, that is wrong.
    """
    found: dict[str, File] = {}
    tried: set[tuple[str, str]] = set()
    for key, value in named:
        if not isinstance(value, str) or (key, value) in tried:
            continue
        tried.add((key, value))
        if is_file(key, value):
            if not value.isprintable():
                raise PathgenError(f"a file called {value!r}", where=key, allowed="a name that can be shown")
            found[value] = File(Path(value.replace("\\", "/")).name, _read(folder / value, value))
        if key in PROFILES:
            PROFILES[key](folder / value if is_file(key, value) else value)
    return found


def write_case_files(files: Mapping[str, File], folder: Path) -> dict[str, Path]:
    """Write files into a folder of their own each; give their places by the names they were given."""
    places = {}
    for number, (given, file) in enumerate(files.items()):
        place = folder / str(number)
        place.mkdir()
        places[given] = place / file.name
        places[given].write_bytes(file.data)
    return places


def _read(path: Path, given: str) -> bytes:
    try:
        return read_input(path, limit=LIMIT)
    except PathgenError as error:
        hint = f"looked for {path}; --files names the folder of the study's files"
        raise PathgenError(error.what, where=given, allowed=error.allowed, hint=hint) from None
