"""Cases measured by a cluster: whatever workers a dask.distributed scheduler has, for as long as it has them.

What travels is the cases and the contents of their files, over the cluster's own transport. A worker that is
lost takes nothing with it but its time: the scheduler gives its cases, and the files they need, to another.
When it has lost several at one case, by default four (``distributed.scheduler.allowed-failures``), it gives
the case up, and with it any that merely waited at the same workers; so each of them is then tried alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.measure import ENDED, Measured, ended_at, measure
from pathgen.study.study_file import Ask, Case

PATIENCE = 30.0  # s until a scheduler must have answered


def measure_on_cluster(
    cases: Sequence[Case], ask: Ask, files: Mapping[str, File], address: str
) -> Iterator[Measured]:
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
        In the order they are done; last those that the scheduler gave up, each tried alone once more. Closing
        the iterator takes back what is not done.

    Raises
    ------
    PathgenError
        Where dask.distributed is not installed, no scheduler answers, or it is lost.
    """
    distributed = _library()
    client = _connected(distributed, address)
    try:
        lost = []
        for found in _round(client, cases, ask, files):
            if isinstance(found, Case):
                lost.append(found)
            else:
                yield found
        for case in lost:
            for found in _round(client, [case], ask, files):
                yield ended_at(found, ask) if isinstance(found, Case) else found
    finally:
        client.close()


def _round(
    client: Any, cases: Sequence[Case], ask: Ask, files: Mapping[str, File]
) -> Iterator[Measured | Case]:
    """Measure cases; where the scheduler gave one up, or memory ran out, give the case itself."""
    # A file is the result of a task, not scattered data: if the worker that holds it is lost, the scheduler
    # makes it again from the graph. Its key is new in each round: one that was given up stays so.
    needed = {name for case in cases for name in case.files}
    held = {
        name: client.submit(_file, file.name, file.data, pure=False)
        for name, file in files.items()
        if name in needed
    }
    futures = {
        client.submit(measure, case, ask, {name: held[name] for name in case.files}, pure=False): case
        for case in cases
    }
    try:
        for future in _library().as_completed(futures, loop=client.loop):
            found = _result(future, client)
            yield futures[future] if found is None or found.refused == ENDED else found
    finally:
        with suppress(Exception):  # whatever is lost here is only what was to be taken back
            client.cancel([*futures, *held.values()])


def _library() -> Any:
    try:
        import distributed
    except ImportError:
        hint = 'pip install "pathgen[cluster]"'
        raise PathgenError("dask.distributed is not installed", where="--cluster", hint=hint) from None
    return distributed


def _connected(distributed: Any, address: str) -> Any:
    try:
        if not address.startswith("inproc:"):
            # A client that stumbles over its address is a minute about closing itself.
            distributed.comm.get_address_host_port(distributed.comm.normalize_address(address))
        return distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError) as error:
        what = f"no scheduler at {address}: {str(error).splitlines()[0] if str(error) else 'no answer'}"
        allowed = "an address such as tcp://10.0.0.5:8786"
        raise PathgenError(what, where="--cluster", allowed=allowed) from None


def _result(future: Any, client: Any) -> Measured | None:
    """Wait for a result; None where several workers have ended at it."""
    try:
        found = future.result()
    except _library().KilledWorker:
        return None
    except Exception as error:
        words = (str(error) or type(error).__name__).splitlines()[0]
        hint = "the same command goes on where it stopped"
        address = client.scheduler.address
        raise PathgenError(f"the cluster at {address} failed: {words}", hint=hint) from None
    assert isinstance(found, Measured)
    return found


def _file(name: str, data: bytes) -> File:
    return File(name, data)
