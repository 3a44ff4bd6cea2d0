"""A study of small panels, fast enough to be made many times over."""

import numpy as np
import pytest

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
solidity = {from = 0.95, to = 1, steps = 3}
"""


def wall(rows=12, cols=40):
    u, z = np.meshgrid(np.arange(cols), np.arange(rows))
    return 1.6 + 0.5 * np.sin(u / 6) * np.cos(z / 5)


@pytest.fixture
def folder(tmp_path):
    """A folder with a wall and a study of nine cases of it."""
    np.save(tmp_path / "wall.npy", wall())
    (tmp_path / "small.toml").write_text(SMALL)
    return tmp_path
