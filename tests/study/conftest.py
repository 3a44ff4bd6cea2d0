"""A study of small panels, fast enough to be made many times over."""

import os
import sys

import numpy as np
import pytest

from pathgen.study.run import run_study
from pathgen.study.study_file import load_study

SMALL = """
title = "Small walls"
picture = "wall.npy"
layers = 2
columns = ["time_s", "moves", "thickness_rms_mm", "void_share", "overlap_share"]
[job]
brim = 0
rim_width = 0
layer = 0.3
first_layer = 0.3
pixel = 0.3
[factors]
fill = ["tailored", "terraced", "raster"]
packing = {from = 0.95, to = 1, steps = 3}
"""


def wall(rows=8, cols=30):
    u, z = np.meshgrid(np.arange(cols), np.arange(rows))
    return 1.6 + 0.5 * np.sin(u / 6) * np.cos(z / 5)


def write_study(folder):
    np.save(folder / "wall.npy", wall())
    (folder / "small.toml").write_text(SMALL)
    return folder


@pytest.fixture
def folder(tmp_path):
    """A folder with a wall and a study of nine cases of it."""
    return write_study(tmp_path)


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory):
    """The table of the nine cases as this process writes it, undisturbed."""
    folder = write_study(tmp_path_factory.mktemp("undisturbed"))
    run_study(load_study(folder / "small.toml"), folder / "small.csv", workers=0)
    return (folder / "small.csv").read_bytes()


FILLS = """
import os, pathlib, signal
from pathgen.layers.fills import tailored

def tried(name):
    with pathlib.Path(__file__).with_name("tried").open("a") as stream:
        print(name, file=stream)

def deadly(profiles, beads):
    tried("deadly")
    os.kill(os.getpid(), signal.SIGKILL)

def hungry(profiles, beads):
    tried("hungry")
    raise MemoryError
"""


@pytest.fixture
def deadly(folder, monkeypatch):
    """A study of four cases; the second has another package's fill, which ends its process."""
    fills = ("tailored", "deadly", "raster", "contour")
    cases = "".join(f'[[case]]\nfill = "{fill}"\n' for fill in fills)
    (folder / "deadly.toml").write_text('design = "table"\n' + SMALL.partition("[factors]")[0] + cases)
    (folder / "other_fills.py").write_text(FILLS)
    told = folder / "other_fills-1.0.dist-info"
    told.mkdir()
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: other_fills\nVersion: 1.0\n")
    (told / "entry_points.txt").write_text(
        "[pathgen.fills]\ndeadly = other_fills:deadly\nhungry = other_fills:hungry\n"
    )
    monkeypatch.delitem(sys.modules, "other_fills", raising=False)  # of another test, in another folder
    monkeypatch.syspath_prepend(str(folder))
    monkeypatch.setenv(
        "PYTHONPATH", os.pathsep.join(filter(None, (str(folder), os.environ.get("PYTHONPATH"))))
    )
    return folder
