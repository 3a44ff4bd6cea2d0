"""A progress bar on stderr, for people only."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from pathgen.program.writing import Progress


@contextmanager
def progress_bar(what: str) -> Iterator[Progress | None]:
    """Give a callback (done, total) that draws a bar; None where stderr is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=what, file=sys.stderr, show_eta=True) as bar:

        def show(done: int, total: int) -> None:
            bar.update(1000 * done // max(total, 1) - bar.pos)

        yield show
