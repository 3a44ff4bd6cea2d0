"""Cases on a real dask.distributed cluster: in this process, and in processes of their own, one killed."""

import os
import signal
import subprocess
import sys
import time

import pytest

from pathgen.errors import PathgenError
from pathgen.study.cluster import measure_on_cluster
from pathgen.study.run import run_study
from pathgen.study.study_file import load_study

distributed = pytest.importorskip("distributed", reason="needs pathgen[cluster]")
dask = pytest.importorskip("dask")

# Threads and sockets of the cluster's own are closed in their own time.
pytestmark = pytest.mark.filterwarnings("ignore")


def text_of(study, out, **how):
    run_study(study, out, **how)
    return out.read_bytes()


def from_cluster(study, folder):
    """The table of a study from a cluster in this process."""
    how = {"n_workers": 1, "threads_per_worker": 2, "processes": False, "dashboard_address": None}
    with distributed.LocalCluster(**how) as cluster:
        return text_of(study, folder / "there.csv", cluster=cluster.scheduler_address)


def test_a_local_cluster_gives_what_this_process_gives(folder, undisturbed):
    assert from_cluster(load_study(folder / "small.toml"), folder) == undisturbed


def test_nobody_at_the_address(folder, monkeypatch):
    monkeypatch.setattr("pathgen.study.cluster.TIMEOUT", 1.0)
    study = load_study(folder / "small.toml")
    for address in ("tcp://127.0.0.1:9", "nowhere", "tcp://a:b", "http://a:1"):
        with pytest.raises(PathgenError, match="cannot reach a scheduler at"):
            list(measure_on_cluster(study.cases, study.request, study.files, address))


def started(*arguments):
    """Start a program of the cluster's; its log goes where nobody reads it."""
    command = [sys.executable, "-m", "distributed.cli." + arguments[0], *arguments[1:]]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def waited_for(condition, seconds=60.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "the cluster did not come up"
        time.sleep(0.05)


@pytest.mark.slow
def test_a_worker_killed_on_the_way_changes_nothing(folder, undisturbed):
    """A scheduler and two workers on loopback, with no folder in common; one worker is killed after a row."""
    study = load_study(folder / "small.toml")
    file = folder / "scheduler.json"
    programs = [started("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file),
                        "--no-dashboard", "--no-show")]  # fmt: skip
    try:
        waited_for(file.exists)
        for number in range(2):
            apart = folder / f"worker-{number}"
            apart.mkdir()
            programs.append(
                started("dask_worker", "--scheduler-file", str(file), "--nthreads", "1", "--no-nanny",
                        "--no-dashboard", "--local-directory", str(apart))
            )  # fmt: skip
        with distributed.Client(scheduler_file=str(file), set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
            address = client.scheduler.address
        (folder / "wall.npy").unlink()  # the contents travel, not the path

        def strike(done, total):
            if done == 1:
                os.kill(programs[1].pid, signal.SIGKILL)

        there = text_of(study, folder / "there.csv", cluster=address, progress=strike)
        assert programs[1].wait(timeout=10) == -signal.SIGKILL
    finally:
        for program in programs:
            program.kill()
            program.wait()
    assert there == undisturbed


def test_a_case_without_memory_is_tried_alone_and_then_the_same_row_as_here(deadly):
    text = (deadly / "deadly.toml").read_text().replace('"deadly"', '"hungry"')
    (deadly / "hungry.toml").write_text(text)
    study = load_study(deadly / "hungry.toml")
    here = text_of(study, deadly / "here.csv", workers=0)
    assert from_cluster(study, deadly) == here
    assert (deadly / "tried").read_text() == "hungry\n" * 3  # once here; there once, and once more alone


@pytest.mark.slow
def test_a_case_that_ends_its_workers_is_a_row_as_with_processes_here(deadly):
    """Workers that are started again; the scheduler gives a case up after the first has ended at it."""
    study = load_study(deadly / "deadly.toml")
    here = text_of(study, deadly / "here.csv", workers=2)
    (deadly / "tried").unlink()
    how = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None, "silence_logs": 50}
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(**how) as cluster,
    ):
        there = text_of(study, deadly / "there.csv", cluster=cluster.scheduler_address)
    assert there == here
    assert (deadly / "tried").read_text() == "deadly\n" * 2
