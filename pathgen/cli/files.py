"""Input and output files of the commands: option types, and output files that appear together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, BinaryIO

import click
import numpy as np

from pathgen.cli.output import JSON, write_stdout
from pathgen.errors import printable
from pathgen.files.inputs import STDIN
from pathgen.files.outputs import atomic_outputs, check_outputs

INPUT = click.Path(path_type=Path, readable=False)  # errors are worded where the file is opened
FOLDER = click.Path(path_type=Path, file_okay=False, readable=False)
STDOUT = "-"


class OutputFile(click.Path):
    """Output file whose suffix selects the format.

    Parameters
    ----------
    *suffixes : str
        Suffixes that are allowed; none allows any.
    stream : bool
        Allow "-", standard output.
    """

    def __init__(self, *suffixes: str, stream: bool = False) -> None:
        super().__init__(path_type=Path, readable=False)
        self.suffixes, self.stream = suffixes, stream

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; reject wrong suffixes, and "-" unless standard output is available."""
        path = Path(str(super().convert(value, param, ctx)))
        if str(path) == STDOUT:
            if not self.stream:
                self.fail("'-' (standard output) is allowed only for --out.", param, ctx)
            if ctx and ctx.meta.get(JSON):
                self.fail("--json uses standard output; give a file name instead of '-'.", param, ctx)
        elif self.suffixes and path.suffix.lower() not in self.suffixes:
            self.fail(f"the name {path.name} must end in {' or '.join(self.suffixes)}", param, ctx)
        return path


PROGRAM_FILE = OutputFile(stream=True)
PROFILE_FILE = OutputFile(".toml", stream=True)
PICTURE_FILE = OutputFile(".png", ".jpg", ".jpeg", ".webp", ".tif", ".tiff")
PAGE_FILE = OutputFile(".html", ".htm")
ARRAY_FILE = OutputFile(".npy")
TABLE_FILE = OutputFile(".csv")


def output_name(path: Path) -> str:
    """Return the name of an output for messages."""
    return "standard output" if str(path) == STDOUT else printable(str(path))


@dataclass(frozen=True, slots=True)
class Outputs:
    """Open output files of a command, accessed by option name.

    Attributes
    ----------
    paths : mapping of str to Path
        Of the options that were used.
    streams : mapping of str to binary file
    """

    paths: Mapping[str, Path]
    streams: Mapping[str, BinaryIO]

    def __contains__(self, option: str) -> bool:
        """Whether an option was used."""
        return option in self.paths

    def __getitem__(self, option: str) -> BinaryIO:
        """Return the open file of an option."""
        return self.streams[option]

    @property
    def piped(self) -> bool:
        """Whether an output goes to standard output."""
        return any(str(path) == STDOUT for path in self.paths.values())

    def put(self, option: str, data: bytes) -> None:
        """Write a whole file."""
        self.streams[option].write(data)

    def put_array(self, option: str, array: np.ndarray) -> None:
        """Write an array as single precision .npy."""
        np.save(self.streams[option], array.astype(np.float32), allow_pickle=False)

    def put_picture(self, option: str, png: bytes) -> None:
        """Write a picture, converted from PNG to the format of the file suffix."""
        self.put(option, _converted(png, self.paths[option].suffix.lower()))


@contextmanager
def open_outputs(outputs: Mapping[str, Path | None], inputs: Iterable[Path | None] = ()) -> Iterator[Outputs]:
    """Open the output files of a command; at the end, either all of them appear or none.

    Parameters
    ----------
    outputs : mapping of str to Path, optional
        By option; None where the option was not used. Standard output is written last.
    inputs : iterable of Path, optional
        Files that must not be overwritten.

    Raises
    ------
    PathgenError
        If two paths are the same file, or a file cannot be written.
    """
    paths = {option: path for option, path in outputs.items() if path is not None}
    named = {option: path for option, path in paths.items() if str(path) != STDOUT}
    check_outputs(named, [path for path in inputs if path is not None and str(path) != STDIN])
    with ExitStack() as stack:
        folder = stack.enter_context(TemporaryDirectory(prefix="pathgen-")) if len(named) < len(paths) else ""
        piped = {option: Path(folder, "stdout") for option in paths if option not in named}
        with atomic_outputs([*named.values(), *piped.values()]) as streams:
            yield Outputs(paths, {option: streams[path] for option, path in {**named, **piped}.items()})
        for path in piped.values():
            write_stdout(path.read_bytes())


def _converted(png: bytes, suffix: str) -> bytes:
    if suffix in (".png", ""):  # standard output has no suffix
        return png
    from PIL import Image  # loaded by those who need it

    buffer = BytesIO()
    with Image.open(BytesIO(png)) as picture:
        if suffix in (".tif", ".tiff"):
            picture.save(buffer, "TIFF", compression="tiff_deflate")
        elif suffix == ".webp":
            picture.save(buffer, "WEBP", lossless=True)
        else:
            picture.convert("RGB").save(buffer, "JPEG", quality=95)
    return buffer.getvalue()
