"""A study stopped, killed and resumed: its table is the one an undisturbed run writes, byte for byte."""

import multiprocessing
import os
import signal
import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.study.journal import journal_path
from pathgen.study.results_table import read_table_text
from pathgen.study.run import Stopped, run_study
from pathgen.study.study_file import load_study


def table_of(study, out, **how):
    run_study(study, out, **how)
    return out.read_bytes()


@pytest.fixture
def study(folder):
    return load_study(folder / "small.toml")


def test_processes_give_what_this_process_gives(study, folder, undisturbed):
    threads = set(threading.enumerate())
    assert table_of(study, folder / "two.csv", workers=2) == undisturbed
    assert set(threading.enumerate()) <= threads
    head, table = read_table_text(folder / "two.csv")
    assert head == study.head
    assert table.column("case") == [str(i) for i in range(1, 10)]
    assert set(table.column("refused")) == {""}
    assert not journal_path(folder / "two.csv").exists()


def test_killed_ten_times_at_random(study, folder):
    """SIGKILL at a random moment of a run; what is left is gone on with, and nothing is made twice."""
    if not hasattr(os, "fork"):
        pytest.skip("needs fork to start and kill runs quickly")
    begun = time.perf_counter()
    undisturbed = table_of(study, folder / "undisturbed.csv", workers=0)
    whole = time.perf_counter() - begun
    out, rng = folder / "killed.csv", np.random.default_rng(7)
    made, rows = folder / "made", []
    made.write_text("")

    def life():
        with made.open("a") as stream:
            run_study(
                study, out, workers=0, progress=lambda done, total: print(done, file=stream, flush=True)
            )

    killed = 0
    for _ in range(10):
        if out.exists():  # the machine was quick: begin anew, so that every kill hits a run
            out.unlink()
        process = multiprocessing.get_context("fork").Process(target=life)
        process.start()
        process.join(rng.uniform(0.02, 0.25 * whole))
        if process.exitcode is None:
            os.kill(process.pid, signal.SIGKILL)
            killed += 1
        process.join()
        part = journal_path(out)
        rows.append(len(part.read_bytes().split(b"rows:\n")[-1].splitlines()) if part.exists() else 9)
    assert killed >= 5
    assert table_of(study, out, workers=0) == undisturbed
    assert rows[0] < 9


def test_nothing_is_made_twice(study, folder, monkeypatch):
    made = []
    from pathgen.study import run

    real = run.measure
    monkeypatch.setattr(run, "measure", lambda case, *rest: made.append(case.number) or real(case, *rest))

    def stop(done, total):
        if done == 4 and len(made) == 4:
            raise KeyboardInterrupt

    with pytest.raises(Stopped, match="4 of 9 cases done"):
        run_study(study, folder / "a.csv", workers=0, progress=stop)
    assert not (folder / "a.csv").exists()
    run_study(study, folder / "a.csv", workers=0)
    assert made == list(range(1, 10))


def test_ctrl_c_ends_the_processes_and_keeps_what_is_done(study, folder, undisturbed):
    def stop(done, total):
        if done >= 1:
            raise KeyboardInterrupt

    with pytest.raises(Stopped, match=r"[1-9] of 9 cases done.*a\.csv\.part"):
        run_study(study, folder / "a.csv", workers=1, progress=stop)
    end = time.monotonic() + 20
    while multiprocessing.active_children() and time.monotonic() < end:
        time.sleep(0.05)
    assert not multiprocessing.active_children()
    assert table_of(study, folder / "a.csv", workers=0) == undisturbed


def test_another_study_does_not_go_on_from_a_journal(study, folder):
    def stop(done, total):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(Stopped):
        run_study(study, folder / "a.csv", workers=0, progress=stop)
    file, text = folder / "small.toml", (folder / "small.toml").read_text()
    file.write_text(text.replace("0.95", "0.96"))
    with pytest.raises(PathgenError, match="belongs to another study"):
        run_study(load_study(file), folder / "a.csv", workers=0)
    file.write_text(text)
    np.save(folder / "wall.npy", np.full((12, 40), 1.5))
    with pytest.raises(PathgenError, match=r"file wall\.npy has changed"):
        run_study(load_study(file), folder / "a.csv", workers=0)


def test_a_refused_case_is_a_row_with_its_reason(folder):
    text = (folder / "small.toml").read_text()
    (folder / "odd.toml").write_text(text.replace("{from = 0.95, to = 1, steps = 3}", "[0.99]").replace(
        "[factors]", "[factors]\nwidth = [16.0, 900.0]"))  # fmt: skip
    out = folder / "odd.csv"
    table = run_study(load_study(folder / "odd.toml"), out, workers=0)
    refused = table.column("refused")
    assert [bool(reason) for reason in refused] == [False] * 3 + [True] * 3
    assert table.column("time_s")[3:] == ["", "", ""]
    assert "900" in refused[3] and "\n" not in refused[3]


def test_a_worker_with_other_versions_is_refused(study, folder):
    elsewhere = replace(study, head=replace(study.head, versions="pathgen 9"))
    with pytest.raises(PathgenError, match="a worker has pathgen .*, but this machine has pathgen 9"):
        run_study(elsewhere, folder / "a.csv", workers=0)
    assert not (folder / "a.csv").exists()


def test_a_case_that_ends_its_process_is_a_row_and_its_neighbours_are_as_ever(deadly):
    study = load_study(deadly / "deadly.toml")
    done = []

    def stop(many, total):
        done.append(many)
        if many == total:
            raise KeyboardInterrupt

    with pytest.raises(Stopped, match="4 of 4"):
        run_study(study, deadly / "a.csv", workers=2, progress=stop)
    assert done == list(range(5))
    table = run_study(study, deadly / "a.csv", workers=2)
    alone = "the worker died on this case, even when the case ran alone: out of memory, or a library crashed"
    assert table.column("refused") == ["", alone, "", ""]
    assert [bool(cell) for cell in table.column("time_s")] == [True, False, True, True]
    # Once, and once more alone; not when the study was gone on with.
    assert (deadly / "tried").read_text() == "deadly\n" * 2


def test_a_process_that_somebody_ends_costs_its_case_nothing(study, folder, undisturbed):
    def kill(done, total):
        if done == 2:
            for process in multiprocessing.active_children():
                process.kill()

    run_study(study, folder / "a.csv", workers=1, progress=kill)
    assert (folder / "a.csv").read_bytes() == undisturbed


def test_memory_that_runs_out_is_the_same_row_everywhere(deadly):
    text = (deadly / "deadly.toml").read_text().replace('"deadly"', '"hungry"')
    (deadly / "hungry.toml").write_text(text)
    study = load_study(deadly / "hungry.toml")
    here = table_of(study, deadly / "a.csv", workers=0)
    assert table_of(study, deadly / "b.csv", workers=1) == here
    assert here.count(b"even when the case ran alone: out of memory") == 1


def test_processes_that_end_as_they_start(study, folder, monkeypatch):
    monkeypatch.setattr("pathgen.study.pool._prepare_worker", os._exit)  # a folder is no exit code: TypeError
    with pytest.raises(PathgenError, match="the worker processes exited during startup"):
        run_study(study, folder / "a.csv", workers=2)
    assert not multiprocessing.active_children()


def test_two_runs_of_one_table_at_once(study, folder):
    pytest.importorskip("fcntl")

    def second(done, total):
        if done == 1:
            with pytest.raises(PathgenError, match="another run"):
                run_study(study, folder / "a.csv", workers=0)

    run_study(study, folder / "a.csv", workers=0, progress=second)
    assert (folder / "a.csv").exists()
