"""What tests of faults share: a place to run command lines that may be killed, and a small panel to make."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("fcntl", reason="signals, limits and locks of POSIX systems")
ROOT = Path(__file__).parents[2]
NOBODY = 65534


@dataclass
class Ended:
    """How a run ended; the code is less than 0 where a signal ended it."""

    code: int
    out: str
    err: str
    seconds: float
    memory: float  # MiB, at most

    def refused(self):
        """The one line it was refused with."""
        assert self.code == 1, self
        lines = self.err.strip().splitlines()
        assert len(lines) == 1 and lines[0].startswith("error: "), self.err
        return lines[0]


class Forge:
    """Runs command lines in processes of their own."""

    def __init__(self):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.zygote"],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert json.loads(self.process.stdout.readline()) == {"warm": 0}

    def __call__(self, *args, **asked):
        return self.at_once([{"args": list(map(str, args)), **asked}])[0]

    def at_once(self, asked):
        self.process.stdin.write(json.dumps(asked) + "\n")
        self.process.stdin.flush()
        return [Ended(**answer) for answer in json.loads(self.process.stdout.readline())]

    def close(self):
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()


@pytest.fixture(scope="session")
def forge():
    forge = Forge()
    yield forge
    forge.close()


@pytest.fixture
def open_folder():
    """A folder that every user may write to; pytest's are closed to all but its own."""
    folder = Path(tempfile.mkdtemp(prefix="faults-"))
    folder.chmod(0o777)
    yield folder
    for path in folder.rglob("*"):
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o755)
    shutil.rmtree(folder)


@pytest.fixture
def disk(open_folder):
    """Mount small disks, where that is permitted."""
    mounted = []

    def mount(name, size):
        place = open_folder / name
        place.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size},mode=777", "tmpfs", place], capture_output=True
        )
        if done.returncode:
            pytest.skip("no disk may be mounted here")
        mounted.append(place)
        return place

    if not shutil.which("mount"):
        pytest.skip("no disk can be mounted here")
    yield mount
    for place in mounted:
        subprocess.run(["umount", place], check=True)


@pytest.fixture(scope="session")
def wall(tmp_path_factory):
    """A thickness map: waves, different on every side."""
    path = tmp_path_factory.mktemp("walls") / "wall.npy"
    u, z = np.meshgrid(np.linspace(0, 9, 200), np.linspace(0, 5, 150))
    np.save(path, 1.8 + 0.6 * np.sin(u) * np.cos(z) + 0.02 * u)
    return path


def panel(wall, folder, *extras, width="20"):
    """The arguments of a small panel, and the files that it asks for."""
    ends = {"preview": "png", "thickness": "npy", "moves": "npz"}
    files = {"out": Path(folder, "a.gcode"), **{kind: Path(folder, f"a.{ends[kind]}") for kind in extras}}
    named = [part for kind, path in files.items() for part in (f"--{kind}", str(path))]
    coarse = "--pixel 0.2 --layer 0.2 --first-layer 0.2".split()
    return ["panel", str(wall), *named, "--width", width, "--brim", "2", "--rim-width", "1", *coarse], files
