"""Cases measured by processes of this machine, each with one thread of linear algebra.

Processes are spawned, not forked, so that they are alike on every system and nothing of the caller's state is
in them. They leave Ctrl-C to the one that started them, and end with it, however it ends.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.util import Finalize

from pathgen.errors import PathgenError
from pathgen.study.files import File
from pathgen.study.load import Ask, Case
from pathgen.study.measure import Measured, measure

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
AHEAD = 2  # cases handed out for each process: one in hand, one waiting

_scratch = ""  # of a worker process: what it works in, set once when it starts


def local(cases: Sequence[Case], ask: Ask, files: Mapping[str, File], workers: int) -> Iterator[Measured]:
    """Measure cases with processes of this machine.

    Parameters
    ----------
    cases : sequence of Case
    ask : Ask
    files : mapping of str to File
    workers : int
        Processes. A script that calls this needs ``if __name__ == "__main__":``, as with all spawned ones.

    Yields
    ------
    Measured
        In the order they are done. Closing the iterator ends the processes.

    Raises
    ------
    PathgenError
        When a process is killed.
    """
    pending: set[Future[Measured]] = set()
    waiting = iter(cases)
    with _pool(min(workers, len(cases))) as pool:
        try:
            while True:
                for case in waiting:
                    # Not once for each process when it starts: one that dies before it has read all of what
                    # it is started with leaves its parent writing for ever.
                    its = {name: files[name] for name in case.files}
                    pending.add(pool.submit(_measured, case, ask, its))
                    if len(pending) >= AHEAD * workers:
                        break
                if not pending:
                    return
                done, pending = wait(pending, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in done)
        except BrokenProcessPool:
            hint = "out of memory? fewer --workers; the same command goes on where it stopped"
            raise PathgenError("a worker process was killed", hint=hint) from None


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Start processes and end them at once, whatever they are at."""
    before = {name: os.environ.get(name) for name in THREADS}
    # Libraries read these once, when they are loaded: so they must stand before a process is spawned.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, context, _begin)
    try:
        yield pool
        pool.shutdown()
    except BaseException:
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()
        raise
    finally:
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


def _begin() -> None:
    global _scratch
    _scratch = tempfile.mkdtemp(prefix="pathgen-")
    Finalize(None, _clear, exitpriority=0)  # `atexit` is not for processes that others have started
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda number, frame: _end())
    threading.Thread(target=_follow, daemon=True).start()


def _follow() -> None:
    """End when the process that started this one has ended, even if it was killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        _end()


def _end() -> None:
    """End at once, whatever this process is at, and leave nothing behind."""
    _clear()
    os._exit(1)


def _clear() -> None:
    shutil.rmtree(_scratch, ignore_errors=True)


def _measured(case: Case, ask: Ask, files: Mapping[str, File]) -> Measured:
    return measure(case, ask, files, _scratch)
