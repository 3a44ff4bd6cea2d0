"""Cases measured by processes of this machine, each with one thread of linear algebra.

Nothing of the caller's state is in them: they are spawned, or, on Linux, forked off a process that was
spawned and has loaded what they all need, so that one more of them costs next to nothing. They leave Ctrl-C
to the one that started them, and end with it, however it ends.

Each process has a pipe of its own, so that whoever starts it knows at which case it ended. Such a case waits
until all others are done and is then tried alone: another one may have taken the memory. What goes through
the pipe is small, since a full one would leave its writer waiting; files lie in a folder that all share.
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
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, NoReturn

from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.columns import COLUMNS
from pathgen.study.measure import ENDED, Measured, ended_at, measure
from pathgen.study.study_file import Ask, Case

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
AHEAD = 2  # cases handed out for each process: one in hand, one waiting
# Elsewhere there is none, or system libraries do not survive a fork.
SERVED = sys.platform == "linux" and "forkserver" in multiprocessing.get_all_start_methods()
LONGEST = 70  # bytes of a folder's name: a socket's may have 107, and 32 are the library's own (unix(7))
LATER = ("skimage.metrics.simple_metrics", "scipy.interpolate")  # loaded by the first case that is judged
ROOM = 16 << 10  # bytes, roughly, that a pipe takes while nobody reads; a larger case is not handed out ahead


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
        In the order they are done; last those that a process ended at, each tried alone once more. Closing
        the iterator ends the processes.

    Raises
    ------
    PathgenError
        When no process can be started, or the folder for passing things has no room.
    """
    with _crew(ask, files) as crew:
        lost = []
        for found in crew.round(cases, workers):
            if isinstance(found, Case):
                lost.append(found)
            else:
                yield found
        for found in crew.round(lost, 1):
            yield ended_at(found, ask) if isinstance(found, Case) else found


@dataclass(slots=True, eq=False)
class _Worker:
    """A process, the pipe to it, and the cases it has, the first of them in hand."""

    process: BaseProcess
    pipe: Connection
    scratch: Path
    begun: bool = False  # it has said so: all is loaded
    cases: deque[Case] = field(default_factory=deque)

    def end(self) -> None:
        """End it at once, whatever it is at."""
        self.pipe.close()
        self.process.terminate()
        self.process.join(2.0)
        if self.process.is_alive():  # deep in a library, where no signal is heard
            self.process.kill()
            self.process.join()
        shutil.rmtree(self.scratch, ignore_errors=True)


class _Crew:
    """The processes at work on a study, started as they are needed.

    Parameters
    ----------
    root : Path
        Folder that all of them share.
    ask : Ask
    places : mapping of str to (str, Path)
        For each name that the study gives a file: its own name, and where its contents lie.
    """

    def __init__(self, root: Path, ask: Ask, places: Mapping[str, tuple[str, Path]]) -> None:
        self._root, self._ask, self._places = root, ask, places
        self._workers: list[_Worker] = []
        self._started = 0
        # The server is asked through a socket in the system's scratch folder, whose name may not be long.
        served = SERVED and len(os.fsencode(tempfile.gettempdir())) <= LONGEST
        self._context: Any = multiprocessing.get_context("forkserver" if served else "spawn")
        if served:
            judged = any(COLUMNS[name].group == "against" for name in ask.columns)
            self._context.set_forkserver_preload([__name__, *(LATER if judged else ())])

    def round(self, cases: Sequence[Case], workers: int) -> Iterator[Measured | Case]:
        """Measure cases; where a process ended at one, give the case itself."""
        waiting = deque(cases)
        wanted = min(workers, len(cases))
        while waiting or any(worker.cases for worker in self._workers):
            while len(self._workers) > wanted:
                self._workers.pop().end()
            idle = sum(not worker.cases for worker in self._workers)
            for _ in range(min(wanted - len(self._workers), len(waiting) - idle)):
                self._workers.append(self._start())
            self._hand_out(waiting)
            told = wait([worker.pipe for worker in self._workers])
            for worker in [worker for worker in self._workers if worker.pipe in told]:
                try:
                    found = worker.pipe.recv()
                except (EOFError, OSError):
                    wanted -= not worker.begun  # one that cannot even begin is not started again
                    yield from self._lost(worker, waiting)
                    if not wanted:
                        hint = "out of memory? fewer --workers; a script needs if __name__ == '__main__':"
                        raise PathgenError("worker processes end as they start", hint=hint) from None
                    continue
                if isinstance(found, Measured):
                    worker.cases.popleft()
                    self._hand_out(waiting)  # before the row is written, which takes the disk its time
                    yield found
                elif isinstance(found, str):
                    raise PathgenError(f"a worker process failed: {found}")
                worker.begun = True

    def end(self) -> None:
        """End all processes."""
        while self._workers:
            self._workers.pop().end()

    def _hand_out(self, waiting: deque[Case]) -> None:
        """Give cases to who has none, and one ahead as long as there are enough for all."""
        for many in range(AHEAD):
            for worker in self._workers:
                if len(worker.cases) > many or not waiting or (many and len(waiting) < len(self._workers)):
                    continue
                case = waiting[0]
                asked = case, self._ask, {name: self._places[name] for name in case.files}
                if many and len(repr(asked)) > ROOM:
                    continue
                with suppress(OSError):  # it has ended; that is found out where its answer is waited for
                    worker.pipe.send(asked)
                    worker.cases.append(waiting.popleft())

    def _lost(self, worker: _Worker, waiting: deque[Case]) -> Iterator[Case]:
        """Take leave of a process that has ended; what it had not begun goes to others."""
        self._workers.remove(worker)
        worker.end()
        first = [worker.cases.popleft()] if worker.begun and worker.cases else []
        waiting.extendleft(reversed(worker.cases))
        yield from first

    def _start(self) -> _Worker:
        self._started += 1
        scratch = self._root / f"worker-{self._started}"
        scratch.mkdir(exist_ok=True)
        here, there = multiprocessing.Pipe()
        # Next to nothing goes along: its parent would write for ever to one that dies before it has read it.
        arguments = (there, str(self._root), str(scratch))
        process = self._context.Process(target=_work, args=arguments, daemon=True)
        try:
            with _undisturbed():
                process.start()
        except (EOFError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error) or "it ended as it started"
            raise PathgenError(f"no worker process: {reason}", hint="fewer --workers") from None
        there.close()  # or its end would not be noticed
        return _Worker(process, here, scratch)


@contextmanager
def _crew(ask: Ask, files: Mapping[str, File]) -> Iterator[_Crew]:
    """Lay out the files, and end the processes at once when all is done, or not."""
    before = {name: os.environ.get(name) for name in THREADS}
    root = Path(tempfile.mkdtemp(prefix="pathgen-"))
    # Libraries read these once, when they are loaded: so they must stand before a process is spawned.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        crew = _Crew(root, ask, _laid_out(files, root))
        try:
            yield crew
        finally:
            crew.end()
    finally:
        shutil.rmtree(root, ignore_errors=True)
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


def _laid_out(files: Mapping[str, File], root: Path) -> dict[str, tuple[str, Path]]:
    places = {}
    try:
        for number, (given, file) in enumerate(files.items()):
            places[given] = file.name, root / str(number)
            places[given][1].write_bytes(file.data)
    except OSError as error:
        what = f"no room to work in: {error.strerror or error}"
        raise PathgenError(what, where=str(root.parent), hint="TMPDIR names another place") from None
    return places


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold back Ctrl-C while a process starts, and in it until it has said that it does not mind."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # which starting a process does too, and lets Ctrl-C through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(pipe: Connection, root: str, scratch: str) -> None:
    """Measure what comes through the pipe, until it is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
    signal.signal(signal.SIGTERM, lambda number, frame: os._exit(1))
    following = threading.Thread(target=_follow, args=(root,), daemon=True)
    following.start()
    try:
        pipe.send(None)
        while True:
            case, ask, places = pipe.recv()
            try:
                files = {given: File(name, path.read_bytes()) for given, (name, path) in places.items()}
                found = measure(case, ask, files, scratch)
            except Exception as error:  # such as a working folder without room: no fault of the case
                what = error if isinstance(error, PathgenError) else f"{type(error).__name__}: {error}"
                pipe.send(" ".join(str(what).split()))
                continue
            if found.refused == ENDED:  # memory has run out: as if it had been ended for that
                os._exit(1)
            pipe.send(found)
    except (EOFError, OSError):
        following.join()  # the other end is closed: by one who ends this process next, or has ended


def _follow(root: str) -> NoReturn:
    """End when the process that started this one has ended, even if it was killed, and leave nothing."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    for _ in range(100):  # as long as the case in hand, here or in another process, makes new files
        shutil.rmtree(root, ignore_errors=True)
        if not os.path.exists(root):
            break
        time.sleep(0.05)
    os._exit(1)
