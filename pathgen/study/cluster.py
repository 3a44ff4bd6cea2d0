"""Measurement of cases on a dask.distributed cluster.

The scheduler sends the cases and the contents of their files. If a worker dies, the scheduler passes its
cases to another worker. After several deaths at one case, by default four
(``distributed.scheduler.allowed-failures``), it abandons that case and also those that were only waiting at
the same workers. Each abandoned case is then tried alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.measure import Measured, measure, retry_alone
from pathgen.study.study_file import Case, Request

TIMEOUT = 30.0  # s for an answer of the scheduler


def measure_on_cluster(
    cases: Sequence[Case], request: Request, files: Mapping[str, File], address: str
) -> Iterator[Measured]:
    """Measure cases on the workers of a dask.distributed scheduler.

    Parameters
    ----------
    cases : sequence of Case
    request : Request
    files : mapping of str to File
    address : str
        Address of the scheduler, such as ``tcp://10.0.0.5:8786``. Its workers need the same versions of
        pathgen and of the libraries that a table names.

    Yields
    ------
    Measured
        In order of completion; abandoned cases, which are tried again alone, come last. Closing the iterator
        cancels the remaining cases.

    Raises
    ------
    PathgenError
        When dask.distributed is not installed, no scheduler answers, or the connection is lost.
    """
    client = _connect(address)
    try:
        yield from retry_alone(lambda some: _measure_all(client, some, request, files), cases, request)
    finally:
        client.close()


def _measure_all(
    client: Any, cases: Sequence[Case], request: Request, files: Mapping[str, File]
) -> Iterator[tuple[Case, Measured | None]]:
    """Measure cases; yield None for a case abandoned by the scheduler."""
    # A file is the result of a task rather than scattered data: if the worker that holds it dies, the
    # scheduler runs the task again. Each call makes new keys (pure=False), because an abandoned key stays
    # abandoned.
    needed = {name for case in cases for name in case.files}
    held = {name: client.submit(File, files[name].name, files[name].data, pure=False) for name in needed}
    futures = {
        client.submit(measure, case, request, {name: held[name] for name in case.files}, pure=False): case
        for case in cases
    }
    try:
        for future in _distributed().as_completed(futures, loop=client.loop):
            yield futures[future], _result(future, client)
    finally:
        with suppress(Exception):  # a failed cancellation loses nothing
            client.cancel([*futures, *held.values()])


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        hint = 'run pip install "pathgen[cluster]"'
        raise PathgenError("dask.distributed is not installed", where="--cluster", hint=hint) from None
    return distributed


def _connect(address: str) -> Any:
    distributed = _distributed()
    try:
        if not address.startswith("inproc:"):
            # A client with an invalid address would need a minute to close.
            distributed.comm.get_address_host_port(distributed.comm.normalize_address(address))
        return distributed.Client(address, timeout=TIMEOUT, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else "no answer"
        what = f"cannot reach a scheduler at {address}: {reason}"
        allowed = "an address such as tcp://10.0.0.5:8786"
        raise PathgenError(what, where="--cluster", allowed=allowed) from None


def _result(future: Any, client: Any) -> Measured | None:
    """Wait for a result; return None if the scheduler abandoned the case."""
    try:
        result: Measured = future.result()
        return result
    except _distributed().KilledWorker:
        return None
    except Exception as error:
        reason = (str(error) or type(error).__name__).splitlines()[0]
        hint = "run the same command again to continue"
        raise PathgenError(f"the cluster at {client.scheduler.address} failed: {reason}", hint=hint) from None
