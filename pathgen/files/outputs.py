"""Output files that appear only when they are complete.

Data is written to a hidden file beside the target, `.NAME.PROCESS-NUMBER.part`, which is renamed to the
target once everything is on the disk; until then an existing target is untouched. If a run has several
outputs, all of them are on the disk before the first is renamed.

An exception, Ctrl-C or SIGTERM removes the hidden file. After SIGKILL or a power cut it stays, and the next
run with the same target removes it. A writer holds a lock on its hidden file (`flock`, which the system
releases when the process ends), so a run never removes a file that another run is writing. Without such
locks, as on Windows and on some file systems, hidden files of killed runs stay.
"""

from __future__ import annotations

import errno
import os
import re
import signal
import stat
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BufferedWriter, FileIO
from itertools import count
from pathlib import Path
from types import FrameType
from typing import Any, BinaryIO

from pathgen.errors import PathgenError

if sys.platform != "win32":
    import fcntl

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_NAME_KEPT = 40  # characters of the target's name in the hidden file's: file systems allow 255 bytes
_STOPS: list[int] = [
    each for each in signal.Signals if each.name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGALRM")
]


@contextmanager
def atomic_output(path: str | Path) -> Iterator[BinaryIO]:
    """Open an output file that appears only when the `with` block ends without an exception.

    Parameters
    ----------
    path : str or Path
        Target. An existing file is replaced and its permissions are kept; if the target is a link, the file
        that it points to is replaced. For several targets use `atomic_outputs`.

    Returns
    -------
    context manager
        Yields the open file, for bytes; it is seekable.

    Raises
    ------
    PathgenError
        If the folder is missing or not writable, if the target is a folder, a device or write-protected, or
        if writing fails, for example on a full disk. Exceptions of the block itself are not changed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with atomic_output(f"{folder}/pier.gcode") as stream:
    ...         written = stream.write(b"G21")
    ...     Path(folder, "pier.gcode").read_bytes()
    b'G21'
    """
    with atomic_outputs([Path(path)]) as files:
        yield files[Path(path)]


def check_outputs(outputs: Mapping[str, str | Path], inputs: Iterable[str | Path] = ()) -> None:
    """Reject output paths that refer to the same file as another output or an input.

    Parameters
    ----------
    outputs : mapping of str to path
        Paths by the name of their option or argument.
    inputs : iterable of path
        Files that are read.

    Raises
    ------
    PathgenError
        If two paths lead to the same file.

    Examples
    --------
    >>> check_outputs({"--out": "pier.gcode"}, ["pier.png"])
    >>> check_outputs({"--out": "pier.png"}, ["./pier.png"])  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    pathgen.errors.PathgenError: pier.png is both an input and an output (--out); choose another name...
    >>> check_outputs({"--out": "pier.gcode", "--report": "pier.gcode"})
    Traceback (most recent call last):
    pathgen.errors.PathgenError: --out and --report have the same path, pier.gcode; choose different names
    """
    inputs = list(inputs)
    for number, (name, path) in enumerate(outputs.items()):
        if any(_same_file(path, other) for other in inputs):
            what, hint = f"{path} is both an input and an output", "choose another name for the output"
            raise PathgenError(what, where=name, hint=hint)
        for other in list(outputs)[:number]:
            if _same_file(path, outputs[other]):
                what = f"{other} and {name} have the same path, {path}"
                raise PathgenError(what, hint="choose different names")


def _same_file(path: str | Path, other: str | Path) -> bool:
    with suppress(OSError, ValueError):  # ValueError: a path that contains a NUL byte
        if os.path.realpath(path) == os.path.realpath(other):
            return True
        # Hard links, and file systems that ignore case.
        return os.path.samefile(path, other)
    return False


@contextmanager
def atomic_outputs(paths: Iterable[Path]) -> Iterator[dict[Path, BinaryIO]]:
    """Open several output files that appear together when the `with` block ends without an exception.

    All files are on the disk, and all targets are checked again, before the first is renamed; the first
    target is renamed last. A reader that finds the first target therefore finds the others too. Only SIGKILL
    or a power cut between two renamings can leave a mixture of old and new files, each of them whole.

    Parameters
    ----------
    paths : iterable of Path
        Targets, as in `atomic_output`; may be empty.

    Returns
    -------
    context manager
        Yields a dict of the open files by path.

    Raises
    ------
    PathgenError
        As in `atomic_output`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     program, facts = Path(folder, "pier.gcode"), Path(folder, "pier.json")
    ...     with atomic_outputs([program, facts]) as files:
    ...         written = files[program].write(b"G21"), files[facts].write(b"{}")
    ...     sorted(path.name for path in Path(folder).iterdir())
    ['pier.gcode', 'pier.json']
    """
    parts: list[_Part] = []
    try:
        for path in paths:
            with _undisturbed():  # otherwise a hidden file could be created and then forgotten
                parts.append(_begun(path))
        yield {part.path: part.stream for part in parts}
        for part in parts:
            part.finish()
        for part in parts:
            _target(part.path)
        with _undisturbed():
            for part in reversed(parts):
                os.replace(part.name, part.target)
    except BaseException as error:
        with _undisturbed():
            failure = _worded(error, parts)
            for part in parts:
                part.drop()
        if failure is not None:
            raise failure from None
        raise
    finally:
        for part in parts:
            with suppress(OSError):
                os.close(part.lock)
    for folder in dict.fromkeys(part.target.parent for part in parts):
        _settle(folder)


class _Raw(FileIO):
    """Unbuffered file whose write errors include the file name, which Python omits."""

    def __init__(self, number: int, part: Path) -> None:
        # `name` is the hidden file's, so the written text can be read back before the file is renamed.
        super().__init__(part, "wb", opener=lambda *_: number)
        self._part = part

    def write(self, data: Any) -> int:
        """Write as many bytes as the system accepts in a single call."""
        try:
            return super().write(data)
        except OSError as error:
            error.filename = str(self._part)
            raise


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Hidden temporary file that is renamed to its target when complete."""

    path: Path  # as requested
    target: Path  # the same, links resolved
    name: Path  # the hidden file
    permissions: int | None  # of the replaced file
    stream: BufferedWriter
    lock: int  # holds the lock until the file is renamed, after the stream is closed

    def finish(self) -> None:
        """Flush everything to the disk."""
        self.stream.flush()
        os.fsync(self.lock)
        self.stream.close()
        if sys.platform == "win32":  # there is no lock, and an open file cannot be renamed
            os.close(self.lock)
        if self.permissions is not None:
            with suppress(OSError):  # a file system without permissions
                self.name.chmod(self.permissions)

    def drop(self) -> None:
        """Remove the hidden file if it still exists."""
        with suppress(OSError):  # closing flushes the buffer, which may fail again
            self.stream.close()
        with suppress(OSError):
            self.name.unlink()


def _begun(path: Path) -> _Part:
    """Create the hidden file for a target, and remove files left behind by killed runs."""
    target, permissions = _target(path)
    _sweep(target)
    name, number = _open_part(path, target)
    try:
        lock = os.dup(number)
    except OSError as error:  # too many open files
        name.unlink()
        os.close(number)
        raise write_failure(path, error) from None
    return _Part(path, target, name, permissions, BufferedWriter(_Raw(number, name)), lock)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Delay Ctrl-C and termination signals until steps that must complete are complete.

    This uses signal handlers instead of a signal mask: a mask applies to one thread, and the system may
    deliver the signal to another thread, such as a library's, after which Python still handles it in this
    one.
    """
    if threading.current_thread() is not threading.main_thread():  # only the main thread handles signals
        yield
        return
    usual = {number: handler for number in _STOPS if callable(handler := signal.getsignal(number))}
    late: list[tuple[int, FrameType | None]] = []
    held = True

    def hold(number: int, frame: FrameType | None) -> None:
        # A handler that raises may interrupt the loop below; a remaining `hold` then passes signals on.
        if held:
            late.append((number, frame))
        else:
            usual[number](number, frame)

    try:
        for number in usual:
            signal.signal(number, hold)
        yield
    finally:
        held = False
        for number, handler in usual.items():
            signal.signal(number, handler)
        for number, frame in late:  # the first one that raises ends the loop
            usual[number](number, frame)


def _worded(error: BaseException, parts: list[_Part]) -> PathgenError | None:
    """Convert a write error to a `PathgenError`; return None for any other exception."""
    if not isinstance(error, OSError) or not parts:
        return None
    named = [part for part in parts if error.filename in (str(part.name), part.name)]
    if error.filename is not None and not named:
        return None
    culprit = (named or parts)[0]
    if isinstance(error, FileNotFoundError):
        try:  # the folder may be gone too
            _target(culprit.path)
        except PathgenError as failure:
            return failure
    return write_failure(culprit.path, error, culprit.name)


def _target(path: Path) -> tuple[Path, int | None]:
    """Resolve an output path; return the target and the permissions of an existing file."""
    target, where = Path(os.path.realpath(path)), f"output {path}"
    folder = target.parent
    if not folder.is_dir():
        problem = "is not a folder" if folder.exists() else "does not exist"
        raise PathgenError(f"folder {folder} {problem}", where=where, hint="create the folder first")
    try:
        found = target.stat()
    except FileNotFoundError:
        if not os.access(folder, os.W_OK | os.X_OK):
            what, hint = f"folder {folder} is not writable", "choose another folder"
            raise PathgenError(what, where=where, hint=hint) from None
        return target, None
    except OSError as error:
        raise write_failure(path, error) from None
    if stat.S_ISDIR(found.st_mode):
        raise PathgenError(f"{where} is a folder", hint="pass the name of a file in that folder")
    if not stat.S_ISREG(found.st_mode):
        raise PathgenError(f"{where} is a device or a pipe", allowed="a regular file")
    if not os.access(target, os.W_OK):
        raise PathgenError(f"{where} is write-protected", hint="choose another name")
    return target, stat.S_IMODE(found.st_mode)


def _open_part(path: Path, target: Path) -> tuple[Path, int]:
    """Create and lock the hidden file, with permissions from the umask."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    for attempt in count():
        part = target.with_name(f".{target.name[:_NAME_KEPT]}.{os.getpid()}-{attempt}.part")
        try:
            number = os.open(part, flags, 0o666)
        except FileExistsError:
            continue
        except OSError as error:
            raise write_failure(path, error) from None
        _lock(number, wait=True)
        with suppress(OSError):  # another run may have removed it before it was locked
            if os.path.samestat(os.stat(part), os.fstat(number)):
                return part, number
        os.close(number)
    raise AssertionError("count() does not end")


def _sweep(target: Path) -> None:
    """Remove hidden files for this target that no running process is writing."""
    pattern = re.compile(re.escape(f".{target.name[:_NAME_KEPT]}.") + r"\d+-\d+\.part\Z")
    with suppress(OSError):
        for name in [name for name in os.listdir(target.parent) if pattern.match(name)]:
            with suppress(OSError):
                _remove_if_free(target.with_name(name))


def _remove_if_free(part: Path) -> None:
    """Remove a hidden file unless its writer holds the lock."""
    if not stat.S_ISREG(os.lstat(part).st_mode):
        return
    number = os.open(part, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0))
    try:
        if _lock(number, wait=False):
            part.unlink()
    finally:
        os.close(number)


def _lock(number: int, *, wait: bool) -> bool:
    """Lock an open file; return False if another process holds the lock or locks do not exist."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(number, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def write_failure(path: Path, error: OSError, part: Path | None = None) -> PathgenError:
    """Return the error for a failed system call."""
    reason = error.strerror or str(error)
    what = f"cannot write {path}: {reason[:1].lower()}{reason[1:]}"
    if error.errno not in _FULL:
        return PathgenError(what)
    size = 0
    with suppress(OSError):
        size = part.stat().st_size if part else 0
    return PathgenError(f"{what} after {size / 1e6:.1f} MB", hint="free some space or choose another folder")


def _settle(folder: Path) -> None:
    """Flush the folder entry to disk, if the system supports flushing folders."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
