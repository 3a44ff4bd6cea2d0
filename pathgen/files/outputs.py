"""Output files that are whole or not there at all.

What is written goes to a hidden file beside the target, `.NAME.PROCESS-NUMBER.part`, which takes the target's
name when everything is on the disk; what stood under that name is untouched until then. Several outputs of
one run are all brought to the disk before the first of them takes its name.

A failure, Ctrl-C or a request to end removes the hidden file. A kill or a power cut cannot: it stays, under a
name nobody reads, until the next run onto the same target finds it. A live writer holds a lock on its hidden
file (`flock`, which the system drops with the process), so a run removes what is left over and never what
another is still writing. Where a file system or Windows has no such lock, left-over files stay.
"""

from __future__ import annotations

import errno
import os
import re
import signal
import stat
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from io import BufferedWriter, FileIO, TextIOWrapper
from itertools import count
from pathlib import Path
from types import FrameType
from typing import IO, Any, BinaryIO, Literal, TextIO, overload

from pathgen.errors import PathgenError

if sys.platform != "win32":
    import fcntl

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_TEXT: dict[str, Any] = {"encoding": "utf-8", "newline": ""}
_NAME_KEPT = 40  # characters of the target's name in the hidden one: file systems allow 255 bytes
_STOPS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGALRM") if hasattr(signal, name)
]


@overload
def atomic_output(path: str | Path, mode: Literal["wb"] = "wb") -> AbstractContextManager[BinaryIO]: ...
@overload
def atomic_output(path: str | Path, mode: Literal["w"]) -> AbstractContextManager[TextIO]: ...
def atomic_output(path: str | Path, mode: Literal["wb", "w"] = "wb") -> AbstractContextManager[IO[Any]]:
    """Open a file that appears under its name only when the `with` block ends without an exception.

    Parameters
    ----------
    path : str or Path
        Target. An existing file is replaced and its permissions kept; a link stays a link, and the file it
        leads to is replaced. Several targets of one run go to `atomic_outputs`.
    mode : str
        "wb" for bytes (seekable), "w" for text: UTF-8, line ends as written.

    Returns
    -------
    context manager
        Gives the open file.

    Raises
    ------
    PathgenError
        When the folder is missing or closed to us, when the target is a folder, a device or write-protected,
        or when writing fails, as on a full disk. Exceptions of the block itself pass through.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with atomic_output(f"{folder}/pier.gcode") as stream:
    ...         written = stream.write(b"G21")
    ...     Path(folder, "pier.gcode").read_bytes()
    b'G21'
    """
    return _single(Path(path), mode)


def refuse_same(path: str | Path, inputs: Iterable[str | Path]) -> None:
    """Refuse an output that is one of the inputs, under whatever name.

    Raises
    ------
    PathgenError
        When `path` leads to the same file as one of `inputs`.

    Examples
    --------
    >>> refuse_same("pier.gcode", ["pier.png"])
    >>> refuse_same("pier.png", ["./pier.png"])
    Traceback (most recent call last):
    pathgen.errors.PathgenError: output pier.png would overwrite its own input; choose another name for it
    """
    for other in inputs:
        same = False
        with suppress(OSError, ValueError):  # ValueError: a name with a zero byte, which leads to no file
            same = os.path.realpath(path) == os.path.realpath(other)
            # Hard links, and file systems that do not tell upper case from lower.
            same = same or os.path.samefile(path, other)
        if same:
            raise PathgenError(
                f"output {path} would overwrite its own input", hint="choose another name for it"
            )


@contextmanager
def atomic_outputs(paths: Iterable[Path]) -> Iterator[dict[Path, BinaryIO]]:
    """Open several files that appear together when the `with` block ends without an exception.

    All are on the disk, and all targets looked at once more, before the first takes its name; the one named
    first takes it last. So whoever finds the first finds what belongs to it beside it. Only a kill or a power
    cut between two renamings can leave some old and some new, each of them whole.

    Parameters
    ----------
    paths : iterable of Path
        Targets, as `atomic_output` takes them; none gives an empty dict.

    Returns
    -------
    context manager
        Gives the open files by their paths.

    Raises
    ------
    PathgenError
        As with `atomic_output`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     pier, told = Path(folder, "pier.gcode"), Path(folder, "pier.json")
    ...     with atomic_outputs([pier, told]) as files:
    ...         written = files[pier].write(b"G21"), files[told].write(b"{}")
    ...     sorted(path.name for path in Path(folder).iterdir())
    ['pier.gcode', 'pier.json']
    """
    with _several(paths, "wb") as files:
        yield files


@contextmanager
def _single(path: Path, mode: str) -> Iterator[IO[Any]]:
    with _several([path], mode) as files:
        yield files[path]


@contextmanager
def _several(paths: Iterable[Path], mode: str) -> Iterator[dict[Path, Any]]:
    parts: list[_Part] = []
    try:
        for path in paths:
            with _undisturbed():  # or a hidden file might be made that nobody knows of
                parts.append(_begun(path, mode))
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
    """An open file whose errors say which file it is: the system says it for those of opening only."""

    def __init__(self, number: int, part: Path) -> None:
        # Opened by its own name, so that what was written can be read again before it has its target's.
        super().__init__(part, "wb", opener=lambda *_: number)
        self._part = part

    def write(self, data: Any) -> int:
        """Write as much as the system takes at once."""
        try:
            return super().write(data)
        except OSError as error:
            error.filename = str(self._part)
            raise


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The hidden file of one target."""

    path: Path  # as it was asked for
    target: Path  # what that leads to
    name: Path  # the hidden file
    permissions: int | None  # of the file that is replaced
    stream: IO[Any]
    lock: int  # keeps the lock until the file has its name, when the stream is long closed

    def finish(self) -> None:
        """Bring everything to the disk."""
        self.stream.flush()
        os.fsync(self.lock)
        self.stream.close()
        if sys.platform == "win32":  # no lock to keep, and an open file there cannot be renamed
            os.close(self.lock)
        if self.permissions is not None:
            with suppress(OSError):  # a file system without permissions
                self.name.chmod(self.permissions)

    def drop(self) -> None:
        """Remove the hidden file, if it still is one."""
        with suppress(OSError):  # closing writes what is still buffered, and fails where that failed before
            self.stream.close()
        with suppress(OSError):
            self.name.unlink()


def _begun(path: Path, mode: str) -> _Part:
    """Make the hidden file of a target, having removed what killed runs left of earlier ones."""
    target, permissions = _target(path)
    _sweep(target)
    name, number = _open_part(path, target)
    try:
        lock = os.dup(number)
    except OSError as error:  # too many open files
        name.unlink()
        os.close(number)
        raise _failure(path, error) from None
    whole = BufferedWriter(_Raw(number, name))
    stream: IO[Any] = whole if mode == "wb" else TextIOWrapper(whole, **_TEXT)
    return _Part(path, target, name, permissions, stream, lock)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold back Ctrl-C and requests to end while what is half done would leave something behind.

    By handlers and not by a mask of this thread: a signal to the process then goes to another thread, such as
    one of a library's, and is handled in this one all the same.
    """
    if threading.current_thread() is not threading.main_thread():  # none are handled there
        yield
        return
    usual = {number: handler for number in _STOPS if callable(handler := signal.getsignal(number))}
    late: list[tuple[int, FrameType | None]] = []
    held = True

    def hold(number: int, frame: FrameType | None) -> None:
        # A handler that raises may break off the changes below; what is left of `hold` then changes nothing.
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
        for number, frame in late:  # the first that raises ends it
            usual[number](number, frame)


def _worded(error: BaseException, parts: list[_Part]) -> PathgenError | None:
    """Word an exception as a refusal if it comes from writing; None for one of the block's own."""
    if not isinstance(error, OSError) or not parts:
        return None
    named = [part for part in parts if error.filename in (str(part.name), part.name)]
    if error.filename is not None and not named:
        return None
    culprit = (named or parts)[0]
    if isinstance(error, FileNotFoundError):
        try:  # more than the hidden file may be gone
            _target(culprit.path)
        except PathgenError as told:
            return told
    return _failure(culprit.path, error, culprit.name)


def _target(path: Path) -> tuple[Path, int | None]:
    """Find the file a path leads to, and its permissions if it exists; refuse what cannot be replaced."""
    target = Path(os.path.realpath(path))
    folder = target.parent
    if not folder.is_dir():
        problem = "is not a folder" if folder.exists() else "does not exist"
        raise PathgenError(f"folder {folder} {problem}", where=f"output {path}", hint="make the folder first")
    try:
        found = target.stat()
    except FileNotFoundError:
        if not os.access(folder, os.W_OK | os.X_OK):
            raise PathgenError(f"folder {folder} is closed to writing", where=f"output {path}") from None
        return target, None
    except OSError as error:
        raise _failure(path, error) from None
    if stat.S_ISDIR(found.st_mode):
        raise PathgenError(f"output {path} is a folder", hint="name a file in it")
    if not stat.S_ISREG(found.st_mode):
        raise PathgenError(f"output {path} is a device or a pipe", allowed="an ordinary file")
    if not os.access(target, os.W_OK):
        raise PathgenError(f"output {path} is write-protected", hint="choose another name")
    return target, stat.S_IMODE(found.st_mode)


def _open_part(path: Path, target: Path) -> tuple[Path, int]:
    """Make the hidden file and lock it, with the permissions the umask leaves to new files."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    for attempt in count():
        part = target.with_name(f".{target.name[:_NAME_KEPT]}.{os.getpid()}-{attempt}.part")
        try:
            number = os.open(part, flags, 0o666)
        except FileExistsError:
            continue
        except OSError as error:
            raise _failure(path, error) from None
        _lock(number, wait=True)
        with suppress(OSError):  # another run may have swept it away before it was locked
            if os.path.samestat(os.stat(part), os.fstat(number)):
                return part, number
        os.close(number)
    raise AssertionError("count() does not end")


def _sweep(target: Path) -> None:
    """Remove hidden files of this target that no live process is writing."""
    pattern = re.compile(re.escape(f".{target.name[:_NAME_KEPT]}.") + r"\d+-\d+\.part\Z")
    with suppress(OSError):
        for name in [name for name in os.listdir(target.parent) if pattern.match(name)]:
            with suppress(OSError):
                _remove_if_free(target.with_name(name))


def _remove_if_free(part: Path) -> None:
    """Remove a hidden file, unless its writer's lock says that it is at work."""
    if not stat.S_ISREG(os.lstat(part).st_mode):
        return
    number = os.open(part, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0))
    try:
        if _lock(number, wait=False):
            part.unlink()
    finally:
        os.close(number)


def _lock(number: int, *, wait: bool) -> bool:
    """Lock an open file; False where another holds it, or where there are no locks."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(number, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def _failure(path: Path, error: BaseException, part: Path | None = None) -> PathgenError:
    """Word the failure of an operating system call as a refusal."""
    reason = str(getattr(error, "strerror", None) or error)
    what = f"cannot write {path}: {reason[:1].lower()}{reason[1:]}"
    if getattr(error, "errno", None) not in _FULL:
        return PathgenError(what)
    size = 0
    with suppress(OSError):
        size = part.stat().st_size if part else 0
    return PathgenError(f"{what} after {size / 1e6:.1f} MB", hint="make room, or choose another folder")


def _settle(folder: Path) -> None:
    """Have the new name on the disk too, where the system lets folders be synced."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
