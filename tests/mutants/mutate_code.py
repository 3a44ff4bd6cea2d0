"""Put small faults into the code, one at a time, and count those that no test notices.

    python tests/mutants/mutate_code.py [--seed N] [--number N] [--workers N] [--folders A,B] [--limit S]

Every folder of pathgen/ gets its share of the mutants by its number of sites, at least three; within a
folder all sites are equally likely (`code_mutants.py` defines a site). Each mutant is put into a private
copy of the project and judged by the tests that mirror its folder and by the main-job test, those nearest to
its module first. A mutant is killed when a test fails, or when the tests take longer than the limit, in
processor seconds, so that a busy machine kills nothing. The same tests first run on the unchanged code, where
they must pass in less than half the limit; otherwise the limit of that folder is twice the time they took.

`judged.toml` lists survivors that were examined and change nothing that a user or a caller can notice; they
are counted apart as equivalent. The script prints a table by operator, a table by folder and every survivor.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import random
import re
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from code_mutants import OPERATORS, Site, find_sites, lines_of, mutated, parses

ROOT = Path(__file__).resolve().parents[2]
MAIN_JOB = "tests/test_job.py"
CLEAN_LIMIT = 1200.0  # s, for the tests of a folder on the code as it is
# Tests of a folder's theme that are not in tests/FOLDER; they run last.
BESIDE = {
    "deposit": ["tests/reference/test_footprint.py", "tests/optics/test_predict.py"],
    "gcode": ["tests/reference/test_program_text.py", "tests/reference/test_pygcode_motions.py"],
    "layers": ["tests/reference/test_sections_mesh.py"],
    "motion": [
        "tests/reference/test_motion.py",
        "tests/reference/test_lag.py",
        "tests/reference/test_clock.py",
    ],
    "optics": ["tests/reference/test_light.py", "tests/reference/test_fit.py"],
    "panel": ["tests/reference/test_steadiness.py"],
    "picture": ["tests/reference/test_tone.py", "tests/reference/test_subject.py"],
    "plan": ["tests/test_several.py"],
    "program": ["tests/gcode/test_golden.py", "tests/test_several.py"],
    "proof": ["tests/reference/test_footprint.py"],
    "route": ["tests/reference/test_tour.py"],
}
PYTEST = "-x -q -n 0 -p no:cacheprovider --no-header --tb=no --assert=plain".split()
BROKEN = (3, 4, 5, 99)  # exit codes of pytest where it failed itself, was called wrongly or found no test
COPIED = "pathgen tests machines examples pyproject.toml README.md CHANGELOG.md DEVELOPERS.md .ci".split()


@dataclass(frozen=True)
class Mutant:
    """One site of one file, by its path from the project's root."""

    path: str
    site: Site
    before: str
    after: str

    @property
    def folder(self) -> str:
        """The folder of pathgen/ that the file is in, "" for pathgen/ itself."""
        parts = Path(self.path).parts
        return parts[1] if len(parts) > 2 else ""


def draw_mutants(number: int, seed: int, folders: list[str] | None) -> list[Mutant]:
    """Draw mutants over all folders, or over the named ones, in a random order."""
    generator = random.Random(seed)
    sites: dict[str, list[tuple[Path, Site]]] = defaultdict(list)
    for path in sorted((ROOT / "pathgen").rglob("*.py")):
        parts = path.relative_to(ROOT / "pathgen").parts
        folder = parts[0] if len(parts) > 1 else ""
        if folders is None or folder in folders:
            sites[folder] += [(path, site) for site in find_sites(path.read_bytes())]
    chosen: list[tuple[Path, Site]] = []
    for folder, share in shares({folder: len(found) for folder, found in sites.items()}, number).items():
        pool = sites[folder]
        generator.shuffle(pool)
        valid = (one for one in pool if parses(mutated(one[0].read_bytes(), one[1])))
        chosen += [one for one, _ in zip(valid, range(share), strict=False)]
    generator.shuffle(chosen)
    return [Mutant(path.relative_to(ROOT).as_posix(), site, *lines_of(path, site)) for path, site in chosen]


def shares(counts: dict[str, int], number: int) -> dict[str, int]:
    """Divide a number among folders by their counts, three at the fewest where the number allows."""
    fewest = min(3, number // max(len(counts), 1))
    total = sum(counts.values())
    exact = {folder: max(fewest, number * count / total) for folder, count in counts.items()}
    found = {folder: int(share) for folder, share in exact.items()}
    largest = sorted(exact, key=lambda folder: (found[folder] - exact[folder], folder))
    while sum(found.values()) < number:
        found[largest[0]] += 1
        largest = largest[1:] + largest[:1]
    while sum(found.values()) > number:
        found[max(found, key=lambda folder: (found[folder], folder))] -= 1
    return found


def tests_of(path: str) -> list[str]:
    """Return the test files that judge a file, those likeliest to notice a fault first.

    First the test file of the module, then those of its folder that import the module, those that import its
    package, the others of the folder, the main-job test, and what stands elsewhere.
    """
    parts = Path(path).with_suffix("").parts[1:]
    folder, module = parts[0] if len(parts) > 1 else "", ".".join(parts).removesuffix(".__init__")
    own = f"test_{module.rpartition('.')[2]}.py"
    here = ROOT / "tests" / folder
    found = sorted(here.rglob("test_*.py")) if folder else [here / own]
    found = [file for file in found if file.exists()]
    found.sort(key=lambda file: (file.name != own, distance(file, module)))
    names = [file.relative_to(ROOT).as_posix() for file in found]
    return list(dict.fromkeys([*names, MAIN_JOB, *BESIDE.get(folder, [])]))


@cache
def distance(file: Path, module: str) -> int:
    """Return 0 where a test file imports a module of pathgen, named with dots, 1 for its package, 2 else."""
    package, _, name = f"pathgen.{module}".rpartition(".")
    text, package = file.read_text(encoding="utf-8"), re.escape(package)
    if re.search(rf"(from|import) {package}\.{name}\b|from {package} import .*\b{name}\b", text):
        return 0
    return 1 if re.search(rf"(from|import) {package} ", text) else 2


class Copy:
    """A private copy of the project, in which one mutant after another is tried."""

    def __init__(self, parent: Path, number: int) -> None:
        self.root = parent / f"copy-{number}"
        self.clock = int(time.time()) - 10_000_000
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, self.root / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
            elif source.exists():
                shutil.copy2(source, self.root / name)
        command = [sys.executable, Path(__file__).with_name("warm_runner.py")]
        self.runner = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def write(self, path: str, text: bytes) -> None:
        """Write a file with a time of its own; Python tells compiled files by whole seconds and the size."""
        (self.root / path).write_bytes(text)
        self.clock += 2
        os.utime(self.root / path, (self.clock, self.clock))

    def run(self, tests: list[str], limit: float) -> tuple[str, float, str]:
        """Run tests; return "passed", "failed" or "timed out", the processor seconds, the output's end."""
        asked = {"folder": str(self.root), "arguments": [*PYTEST, *tests], "limit": limit}
        self.runner.stdin.write(json.dumps(asked) + "\n")
        self.runner.stdin.flush()
        answer = json.loads(self.runner.stdout.readline())
        if answer["code"] in BROKEN:
            raise SystemExit(f"pytest did not run:\n{answer['output']}")
        state = "passed" if answer["code"] == 0 else "failed" if answer["code"] > 0 else "timed out"
        return state, answer["seconds"], answer["output"]

    def close(self) -> None:
        """End the runner."""
        self.runner.stdin.close()
        self.runner.wait()


class Judge:
    """Try mutants on several copies at a time."""

    def __init__(self, limit: float, parent: Path, workers: int, unchecked: bool) -> None:
        self.limit, self.unchecked = limit, unchecked
        self.copies: queue.Queue[Copy] = queue.Queue()
        for number in range(workers):
            self.copies.put(Copy(parent, number))
        self.clean: dict[frozenset[str], float] = {}
        self.verdicts: dict[Mutant, str] = {}

    def run(self, mutants: list[Mutant]) -> None:
        """Time the clean runs, then judge every mutant, as many at a time as there are copies."""
        sets = {frozenset(tests_of(mutant.path)): mutant for mutant in mutants}
        with ThreadPoolExecutor(self.copies.qsize()) as pool:
            if not self.unchecked:
                list(pool.map(self.time_clean, sorted(sets.values(), key=lambda mutant: mutant.path)))
            list(pool.map(self.judge, mutants))

    def close(self) -> None:
        """End the copies' runners."""
        while not self.copies.empty():
            self.copies.get().close()

    def time_clean(self, mutant: Mutant) -> None:
        """Run the tests that would judge a mutant on the code as it is."""
        tests, copy = tests_of(mutant.path), self.copies.get()
        state, seconds, output = copy.run(tests, CLEAN_LIMIT)
        self.copies.put(copy)
        if state != "passed":
            raise SystemExit(f"{output}\nthe tests of {mutant.path} fail on the unchanged code")
        self.clean[frozenset(tests)] = seconds
        print(f"unchanged  {seconds:5.1f} s {mutant.folder or 'pathgen'}", flush=True)

    def judge(self, mutant: Mutant) -> None:
        """Try one mutant and put the file back."""
        source, tests = (ROOT / mutant.path).read_bytes(), tests_of(mutant.path)
        copy = self.copies.get()
        copy.write(mutant.path, mutated(source, mutant.site))
        state, seconds, _ = copy.run(tests, max(self.limit, 2 * self.clean.get(frozenset(tests), 0.0)))
        copy.write(mutant.path, source)
        self.copies.put(copy)
        verdict = {"passed": "survived", "failed": "killed"}.get(state, state)
        if verdict == "survived" and is_equivalent(mutant):
            verdict = "equivalent"
        self.verdicts[mutant] = verdict
        lines = f"\n       - {mutant.before}\n       + {mutant.after}" if verdict == "survived" else ""
        place = f"{mutant.site.operator:10} {mutant.path}:{mutant.site.line}"
        print(f"{len(self.verdicts):4} {verdict:10} {seconds:5.1f} s {place}{lines}", flush=True)


def is_equivalent(mutant: Mutant) -> bool:
    """Whether `judged.toml` lists a mutant."""
    table = Path(__file__).with_name("judged.toml")
    judged = tomllib.loads(table.read_text())["equivalent"] if table.exists() else []
    key = (mutant.path, mutant.before, mutant.after)
    return any((one["file"], one["before"], one["after"]) == key for one in judged)


def print_table(title: str, names: dict[Mutant, str], verdicts: dict[Mutant, str]) -> None:
    """Print how many mutants of each name came to which end."""
    ends = ("killed", "timed out", "survived", "equivalent")
    counts = Counter((names[mutant], verdict) for mutant, verdict in verdicts.items())
    print(f"\n{title:12}" + "".join(f"{end:>12}" for end in ends))
    for name in sorted({names[mutant] for mutant in verdicts}):
        print(f"{name or 'pathgen':12}" + "".join(f"{counts[name, end]:12}" for end in ends))


def report(verdicts: dict[Mutant, str], seed: int) -> None:
    """Print the tables, the survivors and the share killed."""
    print_table("operator", {mutant: mutant.site.operator for mutant in verdicts}, verdicts)
    print_table("folder", {mutant: mutant.folder for mutant in verdicts}, verdicts)
    for end in ("survived", "equivalent"):
        for mutant in sorted((one for one in verdicts if verdicts[one] == end), key=lambda one: one.path):
            print(f"\n{end}: {mutant.path}:{mutant.site.line} {mutant.site.operator}")
            print(f"  - {mutant.before}\n  + {mutant.after}")
    counts = Counter(verdicts.values())
    dead = counts["killed"] + counts["timed out"]
    print(f"\nseed {seed}: {dead} of {len(verdicts)} killed ({dead / len(verdicts):.1%}), of them", end=" ")
    print(f"{counts['timed out']} by the time limit; {counts['equivalent']} more are judged equivalent")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=None, help="of the draw; a new one where it is left out")
    parser.add_argument("--number", type=int, default=200, help="mutants to draw")
    parser.add_argument("--workers", type=int, default=1, help="mutants tried at the same time")
    parser.add_argument("--folders", default=None, help="only these folders of pathgen/, with commas between")
    parser.add_argument("--limit", type=float, default=60.0, help="processor seconds for one mutant")
    parser.add_argument("--unchecked", action="store_true", help="leave out the runs of the unchanged code")
    parser.add_argument("--list", action="store_true", help="print the mutants of the draw and try none")
    chosen = parser.parse_args()
    seed = secrets.randbelow(10**6) if chosen.seed is None else chosen.seed
    mutants = draw_mutants(chosen.number, seed, chosen.folders.split(",") if chosen.folders else None)
    print(f"seed {seed}: {len(mutants)} mutants; operators: {', '.join(OPERATORS)}", flush=True)
    if chosen.list:
        for mutant in mutants:
            place = f"{mutant.path}:{mutant.site.line} {mutant.site.operator}"
            print(f"{place}\n  - {mutant.before}\n  + {mutant.after}")
        return
    with tempfile.TemporaryDirectory(prefix="mutants-") as parent:
        judge = Judge(chosen.limit, Path(parent), chosen.workers, chosen.unchecked)
        try:
            judge.run(mutants)
        finally:
            judge.close()
        report(judge.verdicts, seed)


if __name__ == "__main__":
    main()
