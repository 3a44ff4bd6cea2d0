"""A progress bar on stderr, if stderr is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from pathgen.program.writing import Progress


@contextmanager
def progress_bar(label: str) -> Iterator[Progress | None]:
    """Provide a callback (done, total) that draws a progress bar; None if stderr is not a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr, show_eta=True) as bar:

        def show(done: int, total: int) -> None:
            bar.update(1000 * done // max(total, 1) - bar.pos)

        yield show
