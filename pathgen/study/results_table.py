"""The table of a study: its head, which says all that is needed to repeat it, and its rows.

# pathgen study 5f0c…                    digest of all that follows
# versions: pathgen 0.1.0; numpy …       what the figures were worked out with
# file: pilot.png 9a31…                  one line for each file, with its digest
#| design = "grid"                       the study file itself, line for line
case,fill,…,refused                      names, then one row a case, in the design's order
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.inputs import read_input_text
from pathgen.study.case_files import File

LIBRARIES = ("numpy", "scipy", "shapely", "networkx", "scikit-image", "Pillow")
LIMIT = 256 << 20  # bytes of a table
EXPECTED = "a table that `pathgen study` wrote"
FIRST = "# pathgen study "
_FIRST = re.compile(FIRST + r"([0-9a-f]{32})\Z")


@lru_cache(maxsize=1)
def versions() -> str:
    """Say what the figures are worked out with: pathgen, the numeric libraries, Python.

    Examples
    --------
    >>> versions().split()[0]
    'pathgen'
    """
    parts = [f"{name} {_version(name)}" for name in ("pathgen", *LIBRARIES)]
    return "; ".join([*parts, f"Python {platform.python_version()}"])


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "from its source"  # a checkout that was never installed


@dataclass(frozen=True, slots=True)
class Head:
    """What stands over a table.

    Attributes
    ----------
    text : str
        The study file, lines ended by a line feed.
    versions : str
    files : tuple of (name, digest)
    """

    text: str
    versions: str
    files: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, text: str, files: Mapping[str, File]) -> Head:
        """Make the head of a study that is worked out here."""
        lines = [line.rstrip(" \r") for line in text.rstrip().split("\n")]
        return cls(
            "\n".join([*lines, ""]), versions(), tuple((name, file.digest) for name, file in files.items())
        )

    @property
    def lines(self) -> list[str]:
        """The head's lines, the digest first."""
        below = [f"# versions: {self.versions}"]
        below += [f"# file: {name} {digest}" for name, digest in self.files]
        below += [f"#| {line}".rstrip(" ") for line in self.text.split("\n")[:-1]]
        return [FIRST + self.digest, *below]

    @property
    def digest(self) -> str:
        """32 hexadecimal digits: the same for the same study of the same files with the same libraries."""
        parts = [self.text, self.versions, *(part for file in self.files for part in file)]
        return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]

    def other_versions(self, before: Head) -> tuple[str, ...]:
        """Say which libraries are not those of another head; nothing where all are."""
        if self.versions == before.versions:
            return ()
        ours, theirs = self.versions.split("; "), before.versions.split("; ")
        here, there = (
            ", ".join(p for p in one if p not in two) for one, two in ((ours, theirs), (theirs, ours))
        )
        return (f"made with {there or 'nothing else'}, and here is {here or 'nothing else'}",)

    def refuse_other(self, before: Head, where: str) -> None:
        """Refuse to go on from, or to repeat, what another study began; say what is different.

        Raises
        ------
        PathgenError
            Where this head is not the one from before.
        """
        if self == before:
            return
        hint = "choose another --out, or take the old file away"
        if self.text != before.text:
            raise PathgenError("begun by another study", where=where, hint=hint)
        if other := self.other_versions(before):
            raise PathgenError(other[0], where=where, hint=hint)
        changed = [name for name, digest in self.files if (name, digest) not in before.files]
        name = changed[0] if changed else before.files[0][0]
        raise PathgenError(f"file {name} has changed since", where=where, hint=hint)


@dataclass(frozen=True, slots=True)
class ResultsTable:
    """A finished table: names of its columns, and its rows as text."""

    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> list[str]:
        """Give a column's cells."""
        place = self.names.index(name)
        return [row[place] for row in self.rows]


def cell(value: object) -> str:
    """Write a value as a cell of the table.

    Examples
    --------
    >>> cell(0.1 + 0.2), cell(-1e-12), cell(None), cell(True), cell(["a", "b"]), cell([0.2, 0.8])
    ('0.3', '0', '', 'yes', 'a; b', '[0.2, 0.8]')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # Seven digits, and seven decimals: what is left of sums that cancel out is no figure.
        return f"{round(value, 7) + 0.0:.7g}"
    if isinstance(value, list | tuple) and all(isinstance(item, str) for item in value):
        return "; ".join(value)
    return (
        json.dumps(value, ensure_ascii=False, sort_keys=True)
        if isinstance(value, list | dict)
        else str(value)
    )


def table_text(head: Head, names: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write a table: head, names, rows, lines ended by a line feed."""
    stream = io.StringIO()
    stream.writelines(line + "\n" for line in head.lines)
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return stream.getvalue()


def read_table_text(path: Path) -> tuple[Head, ResultsTable]:
    """Read a table that a study wrote.

    Raises
    ------
    PathgenError
        For a file that cannot be read, or was not written by a study, or has been changed in its head.
    """
    text = read_input_text(path, EXPECTED, LIMIT)
    head = head_of(text, str(path))
    body = "\n".join(text.split("\n")[len(head.lines) :])
    names, *rows = [*csv.reader(io.StringIO(body, newline=""))] or [[]]
    if not names or any(len(row) != len(names) for row in rows):
        raise PathgenError("rows of different lengths", where=str(path), hint="it was changed by hand")
    return head, ResultsTable(tuple(names), tuple(map(tuple, rows)))


def read_head(path: Path) -> Head:
    """Read the head alone; refusals as with `read_table_text`."""
    return head_of(read_input_text(path, EXPECTED, LIMIT), str(path))


def head_of(text: str, where: str) -> Head:
    """Take the head off a text; refusals as with `read_table_text`."""
    lines = text.split("\n")
    first = _FIRST.match(lines[0])
    if not first:
        allowed = "a study file (TOML), or a table that `pathgen study` wrote"
        raise PathgenError("no table of a study", where=where, allowed=allowed)
    mark = "# versions: "
    made = next((line.removeprefix(mark) for line in lines[1:2] if line.startswith(mark)), "")
    files, study = [], []
    for line in lines[2:]:
        if line.startswith("# file: "):
            name, _, digest = line.removeprefix("# file: ").rpartition(" ")
            files.append((name, digest))
        elif line.startswith("#|"):
            study.append(line[3:])
        else:
            break
    head = Head("\n".join([*study, ""]), made, tuple(files))
    if head.digest != first[1]:
        hint = (
            "its head was changed by hand; copy the lines that begin with #| into a study file of their own"
        )
        raise PathgenError("digest and head do not agree", where=where, hint=hint)
    return head
