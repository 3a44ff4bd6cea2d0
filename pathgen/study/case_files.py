"""Files used by a study: read once, identified by a digest, and copied to each worker.

A worker has no access to the folder of the study. Therefore it gets the contents of the files, not their
paths.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.inputs import read_input
from pathgen.settings import load_machine, load_material

LIMIT = 256 << 20  # maximum size of a file, bytes; each worker gets a copy
PROFILES = {"machine": load_machine, "material": load_material}


@dataclass(frozen=True, slots=True)
class File:
    """Name (without folder) and contents of a file."""

    name: str
    data: bytes

    @property
    def digest(self) -> str:
        """First 32 hexadecimal digits of the SHA-256 of the contents."""
        return hashlib.sha256(self.data).hexdigest()[:32]


def is_file(key: str, value: object) -> bool:
    """Return whether a key (a job key or "picture") takes a file name as its value.

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


def read_files(named: Iterable[tuple[str, object]], folder: Path) -> dict[str, File]:
    """Read all files named in a study.

    Parameters
    ----------
    named : iterable of (key, value)
        Job keys, and "picture".
    folder : Path
        Folder of the files.

    Returns
    -------
    dict of str to File
        By name in the study, in order of first appearance.

    Raises
    ------
    PathgenError
        When a file cannot be read, or a profile, shipped or not, is invalid.
    """
    files: dict[str, File] = {}
    for key, value in dict.fromkeys((key, value) for key, value in named if isinstance(value, str)):
        if is_file(key, value):
            if not value.isprintable():
                what = f"file name {value!r} has unprintable characters"
                raise PathgenError(what, where=key, allowed="printable characters only")
            files[value] = File(Path(value.replace("\\", "/")).name, _read(folder / value, value))
        if key in PROFILES:
            PROFILES[key](folder / value if is_file(key, value) else value)
    return files


def write_case_files(files: Mapping[str, File], folder: Path) -> dict[str, Path]:
    """Write each file to a separate folder; return the new paths by file name in the study."""
    paths = {}
    for number, (name, file) in enumerate(files.items()):
        (folder / str(number)).mkdir()
        paths[name] = folder / str(number) / file.name
        paths[name].write_bytes(file.data)
    return paths


def _read(path: Path, given: str) -> bytes:
    try:
        return read_input(path, limit=LIMIT)
    except PathgenError as error:
        hint = f"looked for {path}; --files names the folder of the study's files"
        raise PathgenError(error.what, where=given, allowed=error.allowed, hint=hint) from None
