"""The journal: rows that are done, on the disk before the next one is begun, beside the table they belong to.

    table.csv.part      the head's lines, then one line a row: case, tab, its cells as JSON, tab, checksum

A line cut short by a crash is dropped and its case made again. A journal belongs to one study: one whose head
differs is refused, never mixed in.
"""

from __future__ import annotations

import json
import os
import sys
import zlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from pathgen.errors import PathgenError
from pathgen.study.results_table import FIRST, Head, head_of

if sys.platform != "win32":  # there two runs of one study are left to whoever starts them
    import fcntl

Cells = tuple[str, ...]
MARK = b"rows:\n"


def journal_path(out: Path) -> Path:
    """Name the journal of a table.

    Examples
    --------
    >>> journal_path(Path("fills.csv")).name
    'fills.csv.part'
    """
    return out.with_name(out.name + ".part")


class Journal:
    """A journal, open for one run of a study.

    Parameters
    ----------
    path : Path
    head : Head
        The study's.
    width : int
        Cells in a row.

    Attributes
    ----------
    rows : dict of int to tuple of str
        Rows that are done, by case.

    Raises
    ------
    PathgenError
        When another study began it, another run holds it, or it cannot be read or written.

    Examples
    --------
    >>> import tempfile
    >>> head = Head("", "", ())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with Journal(Path(folder, "a.csv.part"), head, 1) as journal:
    ...         journal.append(2, ("1.5",))
    ...     with Journal(Path(folder, "a.csv.part"), head, 1) as journal:
    ...         journal.rows
    {2: ('1.5',)}
    """

    def __init__(self, path: Path, head: Head, width: int) -> None:
        self.path, self.rows = path, dict[int, Cells]()
        try:
            number = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
            self._stream: BinaryIO = os.fdopen(number, "r+b")
        except OSError as error:
            raise self._failure(error) from None
        try:
            self._hold()
            self._begin(head, width)
        except OSError as error:
            self._stream.close()
            raise self._failure(error) from None
        except BaseException:
            self._stream.close()
            raise

    def __enter__(self) -> Journal:
        """Give the journal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it and let other runs at it."""
        self._stream.close()

    def append(self, case: int, cells: Sequence[str]) -> None:
        """Add a row; when this returns, it is on the disk."""
        self._put(_line(case, tuple(cells)))
        self.rows[case] = tuple(cells)

    def remove(self) -> None:
        """Take the journal away, the table being complete."""
        with suppress(OSError):
            self.path.unlink()

    def _hold(self) -> None:
        """Keep other runs of the study off; a run that is killed lets go by itself."""
        if sys.platform != "win32":
            try:
                fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                hint = "wait for it, or choose another --out"
                raise PathgenError("another run writes this table", where=str(self.path), hint=hint) from None

    def _begin(self, head: Head, width: int) -> None:
        """Read what is there, cut off what a crash left half written, and get ready to go on."""
        begun, mark, rest = self._stream.read().partition(b"\n" + MARK)
        if not mark:  # new, or stopped before its first row
            if not (begun.startswith(FIRST.encode()) or FIRST.encode().startswith(begun)):
                hint = "take it away, or choose another --out"
                raise PathgenError("no journal of a study", where=str(self.path), hint=hint)
            self._stream.seek(0)
            self._stream.truncate()
            self._put("\n".join([*head.lines, ""]).encode() + MARK)
            return
        head.refuse_other(head_of(begun.decode("utf-8", "replace"), str(self.path)), str(self.path))
        whole = len(begun) + len(mark)
        for line in rest.splitlines(keepends=True):
            row = _row(line, width)
            if row is None:
                break
            self.rows[row[0]] = row[1]
            whole += len(line)
        self._stream.truncate(whole)
        self._stream.seek(whole)

    def _put(self, data: bytes) -> None:
        try:
            self._stream.write(data)
            self._stream.flush()
            os.fsync(self._stream.fileno())
        except OSError as error:
            raise self._failure(error) from None

    def _failure(self, error: OSError) -> PathgenError:
        reason = error.strerror or str(error)
        return PathgenError(f"cannot write {self.path}: {reason[:1].lower()}{reason[1:]}")


def _line(case: int, cells: Cells) -> bytes:
    text = f"{case}\t{json.dumps(cells, ensure_ascii=False)}"
    return f"{text}\t{zlib.crc32(text.encode()):08x}\n".encode()


def _row(line: bytes, width: int) -> tuple[int, Cells] | None:
    """Read a row; None for one that was not written to its end."""
    text, _, check = line.rstrip(b"\n").rpartition(b"\t")
    if not line.endswith(b"\n") or check != f"{zlib.crc32(text):08x}".encode():
        return None
    case, _, cells = text.partition(b"\t")
    row = tuple(json.loads(cells))
    return (int(case), row) if len(row) == width else None


def missing(rows: Mapping[int, Cells], cases: int) -> list[int]:
    """Give the numbers of the cases that are still to be made.

    Examples
    --------
    >>> missing({2: ()}, 3)
    [1, 3]
    """
    return [number for number in range(1, cases + 1) if number not in rows]
