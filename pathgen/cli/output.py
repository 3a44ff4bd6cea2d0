"""What commands say on standard output."""

from __future__ import annotations

import click

from pathgen.errors import PathgenError, printable


def say(text: str) -> None:
    """Print lines; all but their ends that a terminal would obey is escaped.

    Names of files go through `pathgen.errors.printable` before they come into a text of several lines.

    Raises
    ------
    PathgenError
        When standard output is closed or full.
    """
    try:
        click.echo("\n".join(printable(line) for line in text.split("\n")))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PathgenError(
            f"standard output cannot be written: {reason}", hint="files that were asked for are complete"
        ) from None
