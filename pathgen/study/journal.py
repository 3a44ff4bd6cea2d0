"""Journal of a study: a file next to the table, to which each finished row is saved.

    table.csv.part      the head of the table, then one line per row: case, tab, cells as JSON, tab, checksum

A line truncated by a crash is dropped, and its case is measured again. A journal belongs to one study: a
journal with another head is rejected.
"""

from __future__ import annotations

import json
import os
import sys
import zlib
from collections.abc import Sequence
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import BinaryIO

from pathgen.errors import PathgenError
from pathgen.files.outputs import write_failure
from pathgen.study.results_table import FIRST, Head, parse_head

if sys.platform != "win32":  # Windows has no flock: do not run a study twice at once there
    import fcntl

Cells = tuple[str, ...]
MARK = b"rows:\n"


def journal_path(out: Path) -> Path:
    """Return the path of the journal for a table.

    Examples
    --------
    >>> journal_path(Path("fills.csv")).name
    'fills.csv.part'
    """
    return out.with_name(out.name + ".part")


class Journal(AbstractContextManager["Journal"]):
    """Journal file opened for one run of a study.

    Parameters
    ----------
    path : Path
    head : Head
        Head of the table.
    width : int
        Number of cells per row.

    Attributes
    ----------
    rows : dict of int to tuple of str
        Finished rows, by case.

    Raises
    ------
    PathgenError
        When it belongs to another study, another run uses it, or it cannot be read or written.

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
            raise write_failure(self.path, error) from None
        try:
            self._lock()
            self._resume(head, width)
        except OSError as error:
            self._stream.close()
            raise write_failure(self.path, error) from None
        except BaseException:
            self._stream.close()
            raise

    def __exit__(self, *error: object) -> None:
        """Close the journal and release the lock."""
        self._stream.close()

    def append(self, case: int, cells: Sequence[str]) -> None:
        """Append a row and flush the journal to disk."""
        self._write(_line(case, tuple(cells)))
        self.rows[case] = tuple(cells)

    def remove(self) -> None:
        """Delete the journal after the table is complete."""
        with suppress(OSError):
            self.path.unlink()

    def _lock(self) -> None:
        """Lock the journal against other runs; the system releases the lock of a killed run."""
        if sys.platform != "win32":
            try:
                fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                hint = "wait until the other run has finished, or choose another --out"
                what = "another run is writing this table"
                raise PathgenError(what, where=str(self.path), hint=hint) from None

    def _resume(self, head: Head, width: int) -> None:
        """Read the finished rows, and remove a row that a crash left incomplete."""
        begun, mark, rest = self._stream.read().partition(b"\n" + MARK)
        if not mark:  # new, or stopped before the first row
            if not (begun.startswith(FIRST.encode()) or FIRST.encode().startswith(begun)):
                hint = "delete the file, or choose another --out"
                raise PathgenError("the file is not the journal of a study", where=str(self.path), hint=hint)
            self._stream.seek(0)
            self._stream.truncate()
            self._write("\n".join([*head.lines, ""]).encode() + MARK)
            return
        head.check_same(parse_head(begun.decode("utf-8", "replace"), str(self.path)), str(self.path))
        whole = len(begun) + len(mark)
        for line in rest.splitlines(keepends=True):
            row = _row(line, width)
            if row is None:
                break
            self.rows[row[0]] = row[1]
            whole += len(line)
        self._stream.truncate(whole)
        self._stream.seek(whole)

    def _write(self, data: bytes) -> None:
        try:
            self._stream.write(data)
            self._stream.flush()
            os.fsync(self._stream.fileno())
        except OSError as error:
            raise write_failure(self.path, error) from None


def _line(case: int, cells: Cells) -> bytes:
    text = f"{case}\t{json.dumps(cells, ensure_ascii=False)}"
    return f"{text}\t{zlib.crc32(text.encode()):08x}\n".encode()


def _row(line: bytes, width: int) -> tuple[int, Cells] | None:
    """Parse a row; return None for an incomplete row."""
    text, _, check = line.rstrip(b"\n").rpartition(b"\t")
    if not line.endswith(b"\n") or check != f"{zlib.crc32(text):08x}".encode():
        return None
    case, _, cells = text.partition(b"\t")
    row = tuple(json.loads(cells))
    return (int(case), row) if len(row) == width else None
