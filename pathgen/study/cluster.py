"""Cases measured by a cluster: whatever workers a dask.distributed scheduler has, for as long as it has them.

What travels is the cases and the contents of their files, over the cluster's own transport. A worker that is
lost takes nothing with it but its time: the scheduler gives its cases, and the files they need, to another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from pathgen.errors import PathgenError
from pathgen.study.files import File
from pathgen.study.load import Ask, Case
from pathgen.study.measure import Measured, measure

PATIENCE = 30.0  # s until a scheduler must have answered


def spread(cases: Sequence[Case], ask: Ask, files: Mapping[str, File], address: str) -> Iterator[Measured]:
    """Measure cases with the workers of a scheduler.

    Parameters
    ----------
    cases : sequence of Case
    ask : Ask
    files : mapping of str to File
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``. Its workers need the same versions of pathgen and
        of the libraries that a table names.

    Yields
    ------
    Measured
        In the order they are done. Closing the iterator takes back what is not done.

    Raises
    ------
    PathgenError
        Where dask.distributed is not installed, no scheduler answers, or a case has cost several workers
        their lives.
    """
    distributed = _library()
    client = _connected(distributed, address)
    futures: list[Any] = []
    try:
        # A file is the result of a task, not scattered data: if the worker that holds it is lost, the
        # scheduler makes it again from the graph.
        held = {
            name: client.submit(_file, file.name, file.data, key=f"pathgen-file-{file.digest}-{i}")
            for i, (name, file) in enumerate(files.items())
        }
        futures = [
            client.submit(measure, case, ask, {name: held[name] for name in case.files}, pure=False)
            for case in cases
        ]
        for future in distributed.as_completed(futures, loop=client.loop):
            yield _result(future, address)
    finally:
        with suppress(Exception):  # whatever is lost here is only what was to be taken back
            client.cancel(futures)
        client.close()


def _library() -> Any:
    try:
        import distributed
    except ImportError:
        hint = 'pip install "pathgen[cluster]"'
        raise PathgenError("dask.distributed is not installed", where="--cluster", hint=hint) from None
    return distributed


def _connected(distributed: Any, address: str) -> Any:
    try:
        return distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError) as error:
        what = f"no scheduler at {address}: {str(error).splitlines()[0] if str(error) else 'no answer'}"
        allowed = "an address such as tcp://10.0.0.5:8786"
        raise PathgenError(what, where="--cluster", allowed=allowed) from None


def _result(future: Any, address: str) -> Measured:
    try:
        found = future.result()
    except Exception as error:
        words = (str(error) or type(error).__name__).splitlines()[0]
        hint = "the same command goes on where it stopped"
        raise PathgenError(f"the cluster at {address} failed: {words}", hint=hint) from None
    assert isinstance(found, Measured)
    return found


def _file(name: str, data: bytes) -> File:
    return File(name, data)
