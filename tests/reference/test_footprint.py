"""Footprints and in-plane metrics on strips worked by hand; areas by shapely."""

import numpy as np
import pytest

from pathgen.motion import Kind, Moves
from pathgen.proof.footprint import stadiums
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import in_plane

HEIGHT, LENGTH, FILAMENT = 0.2, 40.0, np.pi * 1.75**2 / 4
AMOUNTS = {"solidity": 1.0, "filament_diameter": 1.75}


def strip(centres, width):
    """Straight beads of one width along a strip, a travel before each."""
    rows = []
    for n in centres:
        rows += [(0.0, -n, 0.0, Kind.TRAVEL), (LENGTH, -n, width * HEIGHT * LENGTH / FILAMENT, Kind.WALL)]
    x, y, filament = (np.array([row[i] for row in rows]) for i in range(3))
    kind = np.array([row[3] for row in rows], np.uint8)
    count = len(rows)
    z, feed, layer = np.full(count, HEIGHT), np.full(count, 20.0), np.zeros(count, np.int32)
    return Moves((0.0, 5.0, HEIGHT), x, y, z, filament, feed, kind, layer)


@pytest.mark.parametrize(
    ("pairs", "void", "overlap"),
    [(1, 0.20, 0.0), (2, 0.0, 0.60)],
)
def test_the_uniform_bead_strip(pairs, void, overlap):
    """Uniform offsets, t 1.0, w 0.4: (t − 2kw)/t unfilled, or (2kw − t)/t overlap (derived by hand)."""
    width, thickness = 0.4, 1.0
    centres = [width * (i + 0.5) for i in range(pairs)]
    centres += [thickness - n for n in centres]
    frame = Frame(0, 0.0, 0.0, LENGTH, 0.1, np.array([HEIGHT]))
    section = np.full(round(LENGTH / 0.1), thickness)
    (found,) = in_plane(strip(centres, width), frame, [section], [0], between=(2.0, LENGTH - 2), **AMOUNTS)
    assert found.void == pytest.approx(void, abs=0.01)
    assert found.overlap == pytest.approx(overlap, abs=0.01)
    assert found.filled == pytest.approx(2 * pairs * width / thickness, rel=1e-3)


def test_stadium_area_is_the_exact_geometry():
    """A stadium of length L and width w: L·w + π·w²/4."""
    start, end = np.array([[0.0, 0.0], [1.0, 1.0]]), np.array([[3.0, 4.0], [1.0, 2.0]])
    width = np.array([0.4, 0.6])
    found = [shape.area for shape in stadiums(start, end, width)]
    # Round ends are chords, hence 1 %.
    assert found == pytest.approx(np.array([5.0, 1.0]) * width + np.pi * width**2 / 4, rel=1e-2)
