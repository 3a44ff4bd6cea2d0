"""Files that are whole: what fuzzing starts from."""

import numpy as np
import pytest


@pytest.fixture(scope="session")
def small_wall(tmp_path_factory):
    """A thickness map that is made in some hundredths of a second."""
    path = tmp_path_factory.mktemp("walls") / "wall.npy"
    u, z = np.meshgrid(np.linspace(0, 4, 14), np.linspace(0, 3, 10))
    np.save(path, 1.6 + 0.5 * np.sin(u) * np.cos(z))
    return path


@pytest.fixture
def out(tmp_path):
    return tmp_path / "out"
