"""The example pictures: drawn again alike, and fit for what they are for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pathgen.settings import load_job
from tests.matrix import some

EXAMPLES = Path(__file__).parents[2] / "examples"
PICTURES = EXAMPLES / "pictures"
NAMES = ["chart", "crane", "lighthouse", "pilot"]
SMALL = 0.1


def codes(path):
    with Image.open(path) as picture:
        assert picture.mode == "L"
        return np.asarray(picture)


def test_all_are_there_and_no_others():
    assert sorted(path.stem for path in PICTURES.glob("*")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_size_and_tones(name):
    path = PICTURES / f"{name}.png"
    grey = codes(path)
    assert path.stat().st_size <= 400_000
    assert 1000 <= max(grey.shape) <= 1600
    low, middle, high = np.percentile(grey, [2, 50, 99.5])
    assert low <= 32 and high >= 220  # deep blacks and bright whites
    assert 40 < middle < 160
    assert (grey >= 254).mean() < 0.02  # hardly anything burnt out


@pytest.mark.parametrize("name", NAMES)
def test_turned_or_mirrored_it_is_another_picture(name):
    grey = codes(PICTURES / f"{name}.png").astype(float)
    for turned in (grey[:, ::-1], grey[::-1], grey[::-1, ::-1]):
        assert np.corrcoef(grey.ravel(), turned.ravel())[0, 1] < 0.8


@pytest.mark.parametrize("name", some(NAMES, "crane"))
def test_the_script_draws_the_picture_that_is_there(name, tmp_path):
    command = [sys.executable, EXAMPLES / "draw_pictures.py", "--scale", str(SMALL), "--out", tmp_path, name]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert f"{name}.png" in said and len(list(tmp_path.iterdir())) == 1
    small = codes(tmp_path / f"{name}.png").astype(float)
    with Image.open(PICTURES / f"{name}.png") as picture:
        size = small.shape[1], small.shape[0]
        reduced = np.asarray(picture.resize(size, Image.Resampling.BOX), float)
    # Waves and grain that fit between two pixels differ with the size; subject and tones do not.
    assert np.corrcoef(small.ravel(), reduced.ravel())[0, 1] > 0.93
    assert abs(small.mean() - reduced.mean()) < 8


def test_the_job_file_is_a_job():
    job = load_job(EXAMPLES / "lighthouse.toml")
    assert (job.width, job.thinnest, job.thickest) == (100.0, 0.8, 3.0)
