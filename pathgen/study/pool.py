"""Measure cases with worker processes on this machine, each with one thread of linear algebra.

Workers inherit no state of the caller: each is spawned, or on Linux forked from a spawned server that has already
loaded the libraries, which takes almost no time. They ignore Ctrl-C, which the parent process handles, and end
with the parent process, however it ends.

`concurrent.futures` gives up a whole pool when one of its workers dies. Therefore no more cases are in flight
than there are workers. The cases in flight are lost with the pool, a new pool measures the remaining ones, and
finally each lost case runs alone: it may have been innocent, or have lacked the memory that another case took. A
case that ends its worker again becomes a row that says so.

A case, its result and its files are files in a folder that parent and workers share; messages carry only numbers.
A worker that dies while it reads or writes a longer message would leave the parent waiting for ever.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Generator, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any, NoReturn

from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.columns import COLUMNS
from pathgen.study.measure import ENDED, Measured, ended_at, measure
from pathgen.study.study_file import Ask, Case

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
# Other systems have no fork server, or their libraries do not survive a fork.
CAN_FORK = sys.platform == "linux" and "forkserver" in multiprocessing.get_all_start_methods()
SOCKET_FOLDER = 70  # bytes; the path of a socket has at most 107, and `multiprocessing` appends 32 (unix(7))
LATER = ("skimage.metrics.simple_metrics", "scipy.interpolate")  # loaded by the first comparison with the target
MAX_WORKERS = 61  # the limit of `concurrent.futures` on Windows
BEGUN = "begun"  # file that a worker makes when it has started
WORK = "work"  # folder for the programs and pictures of the cases in flight


def measure_locally(
    cases: Sequence[Case], ask: Ask, files: Mapping[str, File], workers: int
) -> Iterator[Measured]:
    """Measure cases with processes on this machine.

    Parameters
    ----------
    cases : sequence of Case
    ask : Ask
    files : mapping of str to File
    workers : int
        Number of processes. A script that calls this function needs ``if __name__ == "__main__":``, as for all
        spawned processes.

    Yields
    ------
    Measured
        In order of completion; cases that were lost with a worker come last. Closing the iterator ends the
        workers.

    Raises
    ------
    PathgenError
        When no worker can start, or the working folder is full.
    """
    with _shared_folder(files) as folder:
        crew = _Crew(folder, ask, list(files))
        waiting, lost = deque(cases), list[Case]()
        while waiting:
            lost += yield from crew.measure_until_broken(waiting, workers)
        for case in lost:
            if (yield from crew.measure_until_broken(deque([case]), 1)):
                yield ended_at(case, ask)


class _Crew:
    """What all pools of a study share.

    Parameters
    ----------
    folder : Path
        Folder shared with the workers, with the contents of each file under its number.
    ask : Ask
    names : list of str
        Files of the study, by number.
    """

    def __init__(self, folder: Path, ask: Ask, names: Sequence[str]) -> None:
        self._folder, self._ask = folder, ask
        self._numbers = {name: number for number, name in enumerate(names)}
        # The fork server listens on a socket in the system's temporary folder.
        forks = CAN_FORK and len(os.fsencode(tempfile.gettempdir())) <= SOCKET_FOLDER
        self._context: Any = multiprocessing.get_context("forkserver" if forks else "spawn")
        if forks:
            compared = any(COLUMNS[name].group == "against" for name in ask.columns)
            self._context.set_forkserver_preload([__name__, *(LATER if compared else ())])

    def measure_until_broken(
        self, waiting: deque[Case], workers: int
    ) -> Generator[Measured, None, list[Case]]:
        """Measure waiting cases with one pool until none is left or the pool breaks; return the lost ones."""
        lost: list[Case] = []
        flying: dict[Future[None], Case] = {}
        broken = False
        workers = min(workers, len(waiting), MAX_WORKERS)
        with self._pool(workers) as pool:
            while flying or (waiting and not broken):
                while waiting and not broken and len(flying) < workers:
                    if (future := self._submit(pool, waiting[0])) is None:
                        broken = True
                    else:
                        flying[future] = waiting.popleft()
                for future in wait(flying, return_when=FIRST_COMPLETED).done:
                    case = flying.pop(future)
                    found = self._result(future, case)
                    broken |= isinstance(future.exception(), BrokenProcessPool)
                    if found is None:
                        lost.append(case)
                    else:
                        yield found
        if broken and not (self._folder / BEGUN).exists():
            hint = "use fewer --workers if memory is short; a script needs if __name__ == '__main__':"
            raise PathgenError("worker processes end as they start", hint=hint)
        return lost

    def _submit(self, pool: ProcessPoolExecutor, case: Case) -> Future[None] | None:
        """Hand a case to the pool; None if the pool is broken."""
        places = {name: self._folder / str(self._numbers[name]) for name in case.files}
        self._path(case, "case").write_bytes(pickle.dumps((case, self._ask, places)))
        try:
            with _blocked_interrupt():
                return pool.submit(_measure_case, self._path(case, "case"), self._path(case, "result"))
        except BrokenProcessPool:
            return None
        except (EOFError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error) or "it ended as it started"
            raise PathgenError(f"cannot start a worker process: {reason}", hint="use fewer --workers") from None

    def _result(self, future: Future[None], case: Case) -> Measured | None:
        """Read the result of a case; None if its worker died or ran out of memory."""
        error = future.exception()
        if isinstance(error, BrokenProcessPool):
            return None
        if error is not None:
            raise PathgenError(f"a worker process failed: {error}") from None
        path = self._path(case, "result")
        found = pickle.loads(path.read_bytes())
        path.unlink()
        assert isinstance(found, Measured)
        return None if found.refused == ENDED else found

    def _path(self, case: Case, suffix: str) -> Path:
        return self._folder / f"{case.number}.{suffix}"

    @contextmanager
    def _pool(self, workers: int) -> Iterator[ProcessPoolExecutor]:
        """Open a pool, and end its workers at once on leaving."""
        (self._folder / BEGUN).unlink(missing_ok=True)
        (self._folder / WORK).mkdir()
        others = set(multiprocessing.active_children())
        pool = ProcessPoolExecutor(workers, self._context, _prepare_worker, (self._folder,))
        try:
            yield pool
        finally:  # `shutdown` alone would wait for the cases in flight
            for process in set(multiprocessing.active_children()) - others:
                process.kill()
            pool.shutdown(cancel_futures=True)
            shutil.rmtree(self._folder / WORK, ignore_errors=True)


@contextmanager
def _shared_folder(files: Mapping[str, File]) -> Iterator[Path]:
    """Write the files of a study to a temporary folder, each under its number; restrict workers to one thread."""
    before = {name: os.environ.get(name) for name in THREADS}
    folder = Path(tempfile.mkdtemp(prefix="pathgen-"))
    # Libraries read these variables when they are loaded: set them before a process is spawned.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        try:
            for number, file in enumerate(files.values()):
                (folder / str(number)).write_bytes(pickle.dumps(file))
        except OSError as error:
            what = f"cannot write to the working folder: {error.strerror or error}"
            raise PathgenError(what, where=str(folder.parent), hint="set TMPDIR to another folder") from None
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


@contextmanager
def _blocked_interrupt() -> Iterator[None]:
    """Block Ctrl-C while a process starts; the process inherits the block and lifts it in `_prepare_worker`."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # starting a process would start it too, and that unblocks Ctrl-C
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _prepare_worker(folder: Path) -> None:
    """Prepare a new worker: ignore Ctrl-C and watch the parent process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
    threading.Thread(target=_end_with_parent, args=(folder,), daemon=True).start()
    (folder / BEGUN).touch()


def _measure_case(source: Path, target: Path) -> None:
    """Measure the case in one file and write the result to another."""
    try:
        case, ask, places = pickle.loads(source.read_bytes())
        files = {name: pickle.loads(place.read_bytes()) for name, place in places.items()}
        target.write_bytes(pickle.dumps(measure(case, ask, files, str(source.with_name(WORK)))))
        source.unlink()
    except Exception as error:  # such as a full working folder, which is no fault of the case
        text = str(error) if isinstance(error, PathgenError) else f"{type(error).__name__}: {error}"
        raise RuntimeError(" ".join(text.split())) from None  # one that can be pickled


def _end_with_parent(folder: Path) -> NoReturn:
    """Wait until the parent process ends, even if it is killed; then remove the shared folder and exit."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    for _ in range(100):  # this and other workers make new files as long as their cases run
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            break
        time.sleep(0.05)
    os._exit(1)
