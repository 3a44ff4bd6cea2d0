"""A study of 200 cases on one process and on two. Prints a table; asserts nothing.

    python tests/bench/study.py [--cases N] [--rounds N]

To hold: two processes take at most 0.65 of the time of one. Every round runs one, two and one again, and the
two ones are averaged, so that a machine that grows busier meanwhile does not favour either. Two things are
said beside it. What the machine has to give just then: the same ratio for processes that do nothing but
count, which is 0.5 on two idle processors and 1 where a second process gets nothing more. And the ratio that
the processor time alone would give on two idle processors: half, plus what is spent twice on starting.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import statistics
import tempfile
import time
from multiprocessing import forkserver
from pathlib import Path

import numpy as np

from pathgen.study.run import run_study
from pathgen.study.study_file import load_study

HOLD = 0.65
STUDY = """
picture = "wall.npy"
layers = 3
columns = ["time_s", "thickness_rms_mm", "wrong_share"]
[job]
layer = 0.2
pixel = 0.2
brim = 0
rim_width = 0
[factors]
fill = ["tailored", "terraced"]
packing = {{from = 0.9, to = 1.0, steps = {half}}}
"""


def timed(study, folder, workers):
    """Seconds by the clock and of the processors for one run."""
    out = Path(folder) / f"{workers}.csv"
    clock, before = time.perf_counter(), spent()
    run_study(study, out, workers=workers)
    found = time.perf_counter() - clock, spent() - before
    text = out.read_bytes()
    out.unlink()
    return found, text


def counting(seconds):
    """Spend processor time, and nothing else."""
    begun = time.process_time()
    while time.process_time() - begun < seconds:
        pass


def given(seconds=4.0):
    """Time of two processes that share some counting over the time of one that does it all."""
    clocks = []
    for many in (1, 2):
        processes = [multiprocessing.Process(target=counting, args=(seconds / many,)) for _ in range(many)]
        begun = time.perf_counter()
        for process in processes:
            process.start()
        for process in processes:
            process.join()
        clocks.append(time.perf_counter() - begun)
    return clocks[1] / clocks[0]


def spent():
    """Seconds of processor used by processes that have ended, user and system.

    Where the study's processes come from one that has loaded everything, that one ends here too: each run
    pays for its own, as each command does.
    """
    forkserver._forkserver._stop()
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=1)
    asked = parser.parse_args()
    u, z = np.meshgrid(np.arange(150), np.arange(75))
    ratios = []
    with tempfile.TemporaryDirectory() as folder:
        np.save(Path(folder) / "wall.npy", 1.6 + 0.7 * np.sin(u / 9) * np.cos(z / 13))
        (Path(folder) / "study.toml").write_text(STUDY.format(half=asked.cases // 2))
        study = load_study(Path(folder) / "study.toml")
        print(f"{len(study.cases)} cases, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        for _ in range(asked.rounds):
            (one, first), (two, second), (again, third) = (timed(study, folder, n) for n in (1, 2, 1))
            assert first == second == third
            alone = (one[0] + again[0]) / 2
            ratios.append(two[0] / alone)
            for name, (clock, cpu) in (("one", one), ("two", two), ("one", again)):
                print(
                    f"{name}: {clock:7.1f} s by the clock, {cpu:7.1f} s of processors, {cpu / clock:.2f} busy"
                )
            print(f"two over one, only counting: {statistics.median(given() for _ in range(3)):.3f}")
            print(
                f"two over one {ratios[-1]:.3f}; an idle machine {two[1] / 2 / ((one[1] + again[1]) / 2):.3f}"
            )
    print(f"median {statistics.median(ratios):.3f}, to hold {HOLD}; load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
