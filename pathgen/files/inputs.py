"""Input files from a path, a pipe or standard input, with common error messages."""

from __future__ import annotations

import io
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryDirectory, TemporaryFile
from typing import BinaryIO, cast

from pathgen.errors import PathgenError, format_value

STDIN = "-"
NPY = b"\x93NUMPY"  # first bytes of a numpy array file

Input = bytes | str | os.PathLike[str] | BinaryIO


def input_name(source: Input) -> str:
    r"""Return the name of an input for use in messages.

    Examples
    --------
    >>> input_name("wedge.csv"), input_name("-"), input_name(b"G21"), input_name("a\nb.csv")
    ('wedge.csv', 'standard input', 'program', "'a\\nb.csv'")
    """
    if not isinstance(source, str | os.PathLike):
        return "program"
    name = str(source)
    if name == STDIN:
        return "standard input"
    return name if name.isprintable() else format_value(name)


@contextmanager
def open_input(source: Input, expected: str = "") -> Iterator[BinaryIO]:
    """Open an input as a seekable stream of bytes.

    Parameters
    ----------
    source : bytes, path or binary stream
        "-" is standard input. Pipes are copied to a temporary file first. A stream must be seekable; it is
        read from its beginning and stays open.
    expected : str
        Description of the file, for messages: "a TOML file".

    Yields
    ------
    binary stream
        At its beginning.

    Raises
    ------
    PathgenError
        If the file does not exist, is a folder or a device, or cannot be opened.
    """
    if isinstance(source, bytes):
        yield io.BytesIO(source)
    elif not isinstance(source, str | os.PathLike):
        source.seek(0)
        yield source
    else:
        with ExitStack() as stack:
            with _readable(source, expected):
                stream = _opened(source, expected, stack)
            yield stream


def read_input(source: Input, expected: str = "", limit: int | None = None, hint: str = "") -> bytes:
    """Read a whole input.

    Parameters
    ----------
    source, expected
        As in `open_input`.
    limit : int, optional
        Maximum size in bytes.
    hint : str
        What to do if the file is larger.

    Raises
    ------
    PathgenError
        As in `open_input`, and for a file above the limit.
    """
    with open_input(source, expected) as stream, _readable(source, expected):
        data = stream.read(-1 if limit is None else limit + 1)
    if limit is not None and len(data) > limit:
        size = f"{limit >> 20} MiB"
        what, where = f"the file is larger than {size}", input_name(source)
        raise PathgenError(what, where=where, allowed=f"at most {size}", hint=hint)
    return data


def read_input_text(
    source: Input,
    expected: str,
    limit: int,
    *,
    hint: str = "",
    encoding_hint: str = "save the file as UTF-8 text",
) -> str:
    r"""Read a whole input as UTF-8 text, without the byte order mark.

    Parameters
    ----------
    source, expected, limit, hint
        As in `read_input`.
    encoding_hint : str
        What to do if the text is not UTF-8.

    Raises
    ------
    PathgenError
        As in `read_input`, and for bytes that are not UTF-8 (with the line) or are NUL.

    Examples
    --------
    >>> read_input_text("\N{BYTE ORDER MARK}a;b\n".encode(), "a CSV file", 1000)
    'a;b\n'
    """
    data = read_input(source, expected, limit, hint)
    where = input_name(source)
    try:
        text = data.decode("utf-8-sig")  # spreadsheets and some editors write a byte order mark
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        where, what = f"{where}, line {line}", f"byte 0x{data[error.start]:02x} is not UTF-8"
        raise PathgenError(what, where=where, allowed="UTF-8 text", hint=encoding_hint) from None
    if "\0" in text:
        raise not_text(where, expected)
    return text


def not_text(where: str, expected: str) -> PathgenError:
    """Return the error for a file that contains NUL bytes."""
    return PathgenError(
        "the file contains NUL bytes, so it is not a text file", where=where, allowed=expected
    )


@contextmanager
def stored_input(source: Path) -> Iterator[Path]:
    """Provide an input as an ordinary file, for readers that need a file name or read repeatedly.

    Parameters
    ----------
    source : Path
        "-" is standard input.

    Yields
    ------
    Path
        `source` itself if it is an ordinary file; otherwise a temporary copy called `stdin`, or `stdin.npy`
        for a numpy array.
    """
    if str(source) != STDIN and not source.is_fifo():
        yield source
        return
    with open_input(source) as stream, TemporaryDirectory(prefix="pathgen-") as folder:
        copy = Path(folder, "stdin.npy" if stream.read(len(NPY)) == NPY else "stdin")
        stream.seek(0)
        with copy.open("wb") as file:
            copyfileobj(stream, file)
        yield copy


def _opened(source: str | os.PathLike[str], expected: str, stack: ExitStack) -> BinaryIO:
    piped = str(source) == STDIN
    stream = _stdin() if piped else stack.enter_context(open(source, "rb"))
    try:
        mode = os.fstat(stream.fileno()).st_mode
    except OSError:  # standard input was replaced by a stream in memory
        mode = stat.S_IFIFO
    if stat.S_ISREG(mode):
        return stream
    if not piped and (stat.S_ISCHR(mode) or stat.S_ISBLK(mode)):  # it may never end
        raise PathgenError("the input is a device, not a file", where=input_name(source), allowed=expected)
    copy = stack.enter_context(TemporaryFile())
    copyfileobj(stream, copy)
    copy.seek(0)
    return cast(BinaryIO, copy)


def _stdin() -> BinaryIO:
    if sys.stdin is None:
        raise PathgenError(
            "standard input is closed", hint="pass a file name, or pipe data into standard input"
        )
    return cast(BinaryIO, sys.stdin.buffer)


@contextmanager
def _readable(source: Input, expected: str) -> Iterator[None]:
    """Convert operating-system errors to a `PathgenError`."""
    where = input_name(source)
    try:
        yield
    except FileNotFoundError:
        hint = "check the name and the folder"
        raise PathgenError("no such file", where=where, hint=hint) from None
    except IsADirectoryError:
        raise PathgenError("the input is a folder, not a file", where=where, allowed=expected) from None
    except (OSError, ValueError) as error:  # ValueError: a path that contains a NUL byte
        reason = getattr(error, "strerror", None) or str(error)
        raise PathgenError(f"the file cannot be read: {reason}", where=where, allowed=expected) from None
