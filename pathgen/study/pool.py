"""Measurement of cases in local worker processes, each with one linear-algebra thread.

Workers inherit no state of the caller: each is spawned, or on Linux forked from a spawned server that has
already loaded the libraries, which takes almost no time. They ignore Ctrl-C, which the parent process
handles, and end with the parent process, however it ends.

`concurrent.futures` gives up all cases of a pool when one of its workers dies. Therefore each worker is a
pool of its own, so that the parent knows at which case a worker died. Such a case runs again, alone, after
all others: it may have lacked the memory that another case took. A case that ends its worker again becomes a
row that says so.

Cases, results and files lie in a folder that only parent and workers can open (mode 0700), encoded as the
pipes of `multiprocessing` would encode them; messages carry only paths.
A worker that dies while it reads or writes a longer message would leave the parent waiting for ever.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from multiprocessing import resource_tracker
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from typing import Any, NoReturn

from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.columns import COLUMNS
from pathgen.study.measure import Measured, measure, retry_alone
from pathgen.study.study_file import Case, Request

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
# Other systems have no fork server, or their libraries do not survive a fork.
CAN_FORK = sys.platform == "linux" and "forkserver" in multiprocessing.get_all_start_methods()
SOCKET_FOLDER = 70  # bytes; the path of a socket has at most 107, and `multiprocessing` appends 32 (unix(7))
NO_START = "use fewer --workers if memory is short; in a script, add if __name__ == '__main__':"
LATER = ("skimage.metrics.simple_metrics", "scipy.interpolate")  # loaded by the first comparison


def measure_locally(
    cases: Sequence[Case], request: Request, files: Mapping[str, File], workers: int
) -> Iterator[Measured]:
    """Measure cases in local worker processes.

    Parameters
    ----------
    cases : sequence of Case
    request : Request
    files : mapping of str to File
    workers : int
        Number of processes. A script that calls this function needs ``if __name__ == "__main__":``, as for
        all spawned processes.

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
        crew = _Crew(folder, request, list(files))
        yield from retry_alone(lambda some: crew.measure_all(some, workers), cases, request)


@dataclass(frozen=True, slots=True, eq=False)
class _Worker:
    """Pool with one process, and a file that the process creates after its start."""

    pool: ProcessPoolExecutor
    begun: Path


class _Crew:
    """Worker processes of a study.

    Parameters
    ----------
    folder : Path
        Folder shared with the workers, with each file of the study under its number.
    request : Request
    names : list of str
        Names of the files, by number.
    """

    def __init__(self, folder: Path, request: Request, names: Sequence[str]) -> None:
        self._folder, self._request = folder, request
        self._numbers, self._starts = {name: number for number, name in enumerate(names)}, count(1)
        # The fork server listens on a socket in the system's temporary folder.
        forks = CAN_FORK and len(os.fsencode(tempfile.gettempdir())) <= SOCKET_FOLDER
        self._context: Any = multiprocessing.get_context("forkserver" if forks else "spawn")
        if forks:
            compared = any(COLUMNS[name].group == "against" for name in request.columns)
            self._context.set_forkserver_preload([__name__, *(LATER if compared else ())])

    def measure_all(self, cases: Sequence[Case], workers: int) -> Iterator[tuple[Case, Measured | None]]:
        """Measure cases; yield None for a case whose worker died."""
        waiting, idle = deque(cases), list[_Worker]()
        flying: dict[Future[None], tuple[Case, _Worker]] = {}
        others = set(multiprocessing.active_children())
        try:
            while waiting or flying:
                while waiting and len(flying) < workers:
                    worker = idle.pop() if idle else self._start()
                    if future := self._submit(worker, waiting[0]):
                        flying[future] = waiting.popleft(), worker
                for future in wait(flying, return_when=FIRST_COMPLETED).done:
                    case, worker = flying.pop(future)
                    if not isinstance(future.exception(), BrokenProcessPool):
                        idle.append(worker)
                        yield case, self._result(future, case)
                    elif worker.begun.exists():
                        yield case, None
                    else:  # do not replace a worker that cannot even start
                        waiting.appendleft(case)
                        workers -= 1
                if not workers:
                    raise PathgenError("the worker processes exited during startup", hint=NO_START)
        finally:  # `shutdown` alone would wait for the cases in flight
            for process in set(multiprocessing.active_children()) - others:
                process.kill()
            for worker in [*idle, *(worker for _, worker in flying.values())]:
                worker.pool.shutdown()

    def _start(self) -> _Worker:
        begun = self._folder / f"worker-{next(self._starts)}"
        return _Worker(ProcessPoolExecutor(1, self._context, _prepare_worker, (begun,)), begun)

    def _submit(self, worker: _Worker, case: Case) -> Future[None] | None:
        """Submit a case to a worker; return None if the idle worker has died."""
        places = {name: self._folder / str(self._numbers[name]) for name in case.files}
        self._path(case).write_bytes(ForkingPickler.dumps((case, self._request, places)))
        try:
            with _deferred_interrupt():
                return worker.pool.submit(_measure_case, self._path(case), self._folder)
        except BrokenProcessPool:
            return None
        except (EOFError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error) or "the process exited while starting"
            what = f"cannot start a worker process: {reason}"
            raise PathgenError(what, hint="use fewer --workers") from None

    def _result(self, future: Future[None], case: Case) -> Measured:
        """Read the result of a case."""
        if error := future.exception():
            raise PathgenError(f"a worker process failed: {error}")
        found: Measured = ForkingPickler.loads(self._path(case).read_bytes())
        self._path(case).unlink()
        return found

    def _path(self, case: Case) -> Path:
        """Return the path of the file for a case and, later, for the result."""
        return self._folder / f"case-{case.number}"


@contextmanager
def _shared_folder(files: Mapping[str, File]) -> Iterator[Path]:
    """Write the files of a study to a temporary folder, and set one thread per worker."""
    before = {name: os.environ[name] for name in THREADS if name in os.environ}
    folder = Path(tempfile.mkdtemp(prefix="pathgen-"))
    # Libraries read these variables when they are loaded: set them before a process is spawned.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        try:
            for number, file in enumerate(files.values()):
                (folder / str(number)).write_bytes(ForkingPickler.dumps(file))
        except OSError as error:
            what = f"cannot write to the temporary folder: {error.strerror or error}"
            hint = "set TMPDIR to a folder with free space"
            raise PathgenError(what, where=str(folder.parent), hint=hint) from None
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        for name in THREADS:
            os.environ.pop(name, None)
        os.environ.update(before)


@contextmanager
def _deferred_interrupt() -> Iterator[None]:
    """Defer Ctrl-C while a process starts, so that every started process is registered.

    The process inherits the signal mask, so that Ctrl-C does not end it before `_prepare_worker` runs. The
    mask does not suffice here: a thread of a library may receive the signal, and then Python interrupts the
    main thread.
    """
    if not hasattr(signal, "pthread_sigmask") or threading.current_thread() is not threading.main_thread():
        yield
        return
    resource_tracker.ensure_running()  # starting a process would start it too, and that lifts the mask
    pressed: list[int] = []
    handler = signal.signal(signal.SIGINT, lambda number, frame: pressed.append(number))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        signal.signal(signal.SIGINT, handler)
        if pressed:
            raise KeyboardInterrupt


def _prepare_worker(begun: Path) -> None:
    """Prepare a new worker: ignore Ctrl-C and watch the parent process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
    threading.Thread(target=_end_with_parent, args=(begun.parent,), daemon=True).start()
    begun.touch()


def _measure_case(path: Path, folder: Path) -> None:
    """Measure the case stored in a file and replace the file with the result."""
    try:
        case, request, places = ForkingPickler.loads(path.read_bytes())
        files = {name: ForkingPickler.loads(place.read_bytes()) for name, place in places.items()}
        path.write_bytes(ForkingPickler.dumps(measure(case, request, files, str(folder))))
    except Exception as error:  # such as a full working folder, which is no fault of the case
        text = str(error) if isinstance(error, PathgenError) else f"{type(error).__name__}: {error}"
        raise RuntimeError(" ".join(text.split())) from None  # one that can be pickled


def _end_with_parent(folder: Path) -> NoReturn:
    """Wait until the parent process ends or is killed; then remove the shared folder and exit."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    for _ in range(100):  # this and other workers make new files as long as their cases run
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            break
        time.sleep(0.05)
    os._exit(1)
