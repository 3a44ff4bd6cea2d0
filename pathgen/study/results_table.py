"""Results table of a study: a header that reproduces the study, and one row per case.

# pathgen study 5f0c…                    digest of the rest of the head
# versions: pathgen 0.1.0; numpy …       versions used for the figures
# file: pilot.png 9a31…                  one line per file, with its digest
#| design = "grid"                       the study file, line by line
case,fill,…,refused                      column names, then one row per case, in the order of the design
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
from pathlib import Path

from pathgen.errors import PathgenError
from pathgen.files.inputs import read_input_text
from pathgen.files.versions import package_version
from pathgen.study.case_files import File

LIBRARIES = ("numpy", "scipy", "shapely", "networkx", "scikit-image", "Pillow")
LIMIT = 256 << 20  # maximum size of a table, bytes
EXPECTED = "a table that `pathgen study` wrote"
FIRST = "# pathgen study "
_FIRST = re.compile(FIRST + r"([0-9a-f]{32})\Z")


@lru_cache(maxsize=1)
def versions() -> str:
    """Return the versions of pathgen, the numerical libraries and Python on one line.

    Examples
    --------
    >>> versions().split()[0]
    'pathgen'
    """
    parts = [f"{name} {package_version(name)}" for name in ("pathgen", *LIBRARIES)]
    return "; ".join([*parts, f"Python {platform.python_version()}"])


@dataclass(frozen=True, slots=True)
class Head:
    """Header of a results table.

    Attributes
    ----------
    text : str
        The study file, each line ended by a line feed.
    versions : str
    files : tuple of (name, digest)
    """

    text: str
    versions: str
    files: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, text: str, files: Mapping[str, File]) -> Head:
        """Make the header for a study with the library versions of this machine."""
        lines = [line.rstrip(" \r") for line in text.rstrip().split("\n")]
        digests = tuple((name, file.digest) for name, file in files.items())
        return cls("\n".join([*lines, ""]), versions(), digests)

    @property
    def lines(self) -> list[str]:
        """Lines of the header, starting with the digest."""
        lines = [FIRST + self.digest, f"# versions: {self.versions}"]
        lines += [f"# file: {name} {digest}" for name, digest in self.files]
        return lines + [f"#| {line}".rstrip(" ") for line in self.text.split("\n")[:-1]]

    @property
    def digest(self) -> str:
        """32 hexadecimal digits that identify the study, the input files and the versions."""
        parts = [self.text, self.versions, *(part for file in self.files for part in file)]
        return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]

    def compare_versions(self, before: Head) -> tuple[str, ...]:
        """Describe version differences from an earlier header; empty if there are none."""
        if self.versions == before.versions:
            return ()
        ours, theirs = self.versions.split("; "), before.versions.split("; ")
        here = ", ".join(part for part in ours if part not in theirs)
        there = ", ".join(part for part in theirs if part not in ours)
        other = "no other packages"
        return (f"the table was made with {there or other}; this machine has {here or other}",)

    def check_same(self, before: Head, where: str) -> None:
        """Check that an earlier header is identical.

        Raises
        ------
        PathgenError
            When the study, a version or a file is different.
        """
        if self == before:
            return
        hint = "choose another --out, or delete the old file"
        if self.text != before.text:
            raise PathgenError("the existing table belongs to another study", where=where, hint=hint)
        if differences := self.compare_versions(before):
            raise PathgenError(differences[0], where=where, hint=hint)
        changed = [name for name, digest in self.files if (name, digest) not in before.files]
        name = changed[0] if changed else before.files[0][0]
        raise PathgenError(f"the file {name} has changed since the study began", where=where, hint=hint)


@dataclass(frozen=True, slots=True)
class ResultsTable:
    """Finished results table: column names and rows of text."""

    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> list[str]:
        """Return the cells of a column."""
        index = self.names.index(name)
        return [row[index] for row in self.rows]


def cell(value: object) -> str:
    """Format a value as a table cell.

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
        # Seven digits and at most seven decimals: the rounding errors of sums that cancel become 0.
        return f"{round(value, 7) + 0.0:.7g}"
    if isinstance(value, list | tuple) and all(isinstance(item, str) for item in value):
        return "; ".join(value)
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    return str(value)


def format_table(head: Head, names: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Format a table: header, column names and rows, each terminated by a line feed."""
    stream = io.StringIO()
    stream.writelines(line + "\n" for line in head.lines)
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return stream.getvalue()


def read_table_text(path: Path) -> tuple[Head, ResultsTable]:
    """Read a results table.

    Raises
    ------
    PathgenError
        When the file cannot be read, is not the table of a study, or its head was edited.
    """
    text = read_input_text(path, EXPECTED, LIMIT)
    head = parse_head(text, str(path))
    body = "\n".join(text.split("\n")[len(head.lines) :])
    names, *rows = [*csv.reader(io.StringIO(body, newline=""))] or [[]]
    if not names or any(len(row) != len(names) for row in rows):
        what = "the rows have different lengths"
        raise PathgenError(what, where=str(path), hint="restore the unedited file")
    return head, ResultsTable(tuple(names), tuple(map(tuple, rows)))


def read_head(path: Path) -> Head:
    """Read only the header of a table; see `read_table_text` for errors."""
    return parse_head(read_input_text(path, EXPECTED, LIMIT), str(path))


def parse_head(text: str, where: str) -> Head:
    """Parse the header of a table; see `read_table_text` for errors."""
    lines = text.split("\n")
    first = _FIRST.match(lines[0])
    if not first:
        allowed = "a study file (TOML), or a table from `pathgen study`"
        raise PathgenError("the file is not a results table", where=where, allowed=allowed)
    prefix = "# versions: "
    written_with = next((line.removeprefix(prefix) for line in lines[1:2] if line.startswith(prefix)), "")
    files, study = [], []
    for line in lines[2:]:
        if line.startswith("# file: "):
            name, _, digest = line.removeprefix("# file: ").rpartition(" ")
            files.append((name, digest))
        elif line.startswith("#|"):
            study.append(line[3:])
        else:
            break
    head = Head("\n".join([*study, ""]), written_with, tuple(files))
    if head.digest != first[1]:
        hint = (
            "the header was edited; to change a study, copy the lines that start with #| to a new study file"
        )
        raise PathgenError(
            "the digest in the header does not match the header's text", where=where, hint=hint
        )
    return head
