"""Output files that are whole or not there at all.

What is written goes to a hidden file beside the target, which takes the target's name when everything is
on the disk. A failure, or Ctrl-C, removes it; what stood under the target's name is untouched until then.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import IO, Any, BinaryIO, Literal, TextIO, overload

from pathgen.errors import PathgenError

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_TEXT: dict[str, Any] = {"encoding": "utf-8", "newline": ""}
_NAME_KEPT = 40  # characters of the target's name in the hidden one: file systems allow 255 bytes


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
        leads to is replaced. Several targets go into a `contextlib.ExitStack`.
    mode : str
        "wb" for bytes (seekable), "w" for text: UTF-8, line ends as written.

    Returns
    -------
    context manager
        Gives the open file; its `name` is that of the hidden file.

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
    return _atomic_output(Path(path), mode)


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
        same = os.path.realpath(path) == os.path.realpath(other)
        with suppress(OSError):  # hard links, and file systems that do not tell upper case from lower
            same = same or os.path.samefile(path, other)
        if same:
            raise PathgenError(
                f"output {path} would overwrite its own input", hint="choose another name for it"
            )


@contextmanager
def _atomic_output(path: Path, mode: str) -> Iterator[IO[Any]]:
    target, permissions = _target(path)
    part, number = _open_part(path, target)
    # Opened by its own name, so that what was written can be read again before it is named.
    text = {} if mode == "wb" else _TEXT
    stream: IO[Any] = open(part, mode, opener=lambda *_: number, **text)
    try:
        yield stream
        stream.flush()
        os.fsync(number)
        stream.close()
        if permissions is not None:
            with suppress(OSError):  # a file system without permissions
                part.chmod(permissions)
        os.replace(part, target)
    except BaseException as error:
        with suppress(OSError):  # closing writes what is still buffered, and fails where that failed before
            stream.close()
        ours = isinstance(error, OSError) and error.filename in (None, str(part), part)
        failure = _failure(path, error, part) if ours else None
        with suppress(OSError):
            part.unlink()
        if failure is not None:
            raise failure from None
        raise
    _settle(target.parent)


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
    """Make the hidden file, with the permissions the umask leaves to new files."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    for attempt in count():
        part = target.with_name(f".{target.name[:_NAME_KEPT]}.{os.getpid()}-{attempt}.part")
        try:
            return part, os.open(part, flags, 0o666)
        except FileExistsError:
            continue
        except OSError as error:
            raise _failure(path, error) from None
    raise AssertionError("count() does not end")


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
