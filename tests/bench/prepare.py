"""What preparing a large photograph takes, against the image library's own decode and resize of it.

    python tests/bench/prepare.py

A 24-megapixel JPEG is drawn in a temporary folder; each is timed as the least of three runs.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[2]))

from pathgen.picture.prepare import prepare_file
from pathgen.settings.preparation import Preparation
from tests.picture.portraits import portrait

ASKED = Preparation(
    isolate="auto",
    smooth=0.05,
    levels_low=1.0,
    levels_high=99.0,
    local_contrast=0.5,
    contrast=1.2,
    sharpen=0.5,
)
PEAK = """
import resource, sys
sys.path.insert(0, sys.argv[2])
from tests.bench.prepare import ASKED
from pathgen.picture.prepare import prepare_file
prepare_file(sys.argv[1], ASKED)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def least(function, runs=3):
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def library(path):
    with Image.open(path) as image:
        image.load()
        image.resize((2400, 1600), Image.Resampling.LANCZOS)


def main():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.jpg"
        rgb, _ = portrait(1, 500, 750)
        codes = np.rint(255 * np.clip(rgb, 0, 1) ** (1 / 2.2)).astype(np.uint8)
        Image.fromarray(codes).resize((6000, 4000), Image.Resampling.BICUBIC).save(path, quality=92)
        theirs = least(lambda: library(path))
        plain = least(lambda: prepare_file(path, Preparation(contrast=1.1)))
        every = least(lambda: prepare_file(path, ASKED))
        root = str(Path(__file__).parents[2])
        peak = subprocess.run(
            [sys.executable, "-c", PEAK, str(path), root],
            capture_output=True,
            text=True,
            check=True,
            cwd=root,
        )
    print(f"decode and resize by the image library      {theirs:.2f} s")
    print(f"read, one tone step                         {plain:.2f} s, {plain / theirs:.1f} times that")
    print(f"read, every step                            {every:.2f} s, {every / theirs:.1f} times that")
    print(f"peak memory of the last                     {int(peak.stdout) / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
