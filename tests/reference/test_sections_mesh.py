"""Sections of the wall against sections of a closed mesh of it, cut by trimesh (a general-purpose library).

The mesh comes from the same maps by a way of its own: triangles between pixel centres, cut by planes. Where
the map is the same at both ends of every row, what the triangles' diagonals add and take cancels along a
section (exact geometry), so its area is that of rows interpolated linearly, at any height.
"""

from __future__ import annotations

import math
import re
import runpy
from pathlib import Path

import numpy as np
import pytest

from pathgen.layers import cut_layers
from pathgen.panel import Panel

ROUTE = runpy.run_path(str(Path(__file__).parents[1] / "bench" / "mesh_route.py"))
PIXEL = 0.1


def bumpy(rows=60, cols=80):
    """A wall between 0.8 and 3 mm with slopes, steps and noise, in a rim as thick as any of it."""
    v, u = np.mgrid[:rows, :cols]
    wave = np.sin(u / 7.0) * np.cos(v / 5.0) + (u > 2 * v)
    rough = np.random.default_rng(5).normal(0, 0.2, (rows, cols))
    return np.pad(np.clip(1.9 + 0.5 * wave + rough, 0.8, 3.0), 3, constant_values=3.0)


def mesh_areas(thickness, heights):
    mesh = ROUTE["solid"](thickness, PIXEL)
    return [path.area for path in mesh.section_multiplane([0, 0, 0], [0, 0, 1], heights)]


def column_area(profile, pixel):
    return float(np.sum(profile) * pixel)


def profile_at(thickness, height):
    """Rows interpolated linearly between their centres; the outermost hold up to the edge."""
    rows = thickness[::-1]
    centres = (np.arange(len(rows)) + 0.5) * PIXEL
    return np.array([np.interp(height, centres, column) for column in rows.T])


def ten_heights(thickness):
    """Row centres, borders between rows, and places in between, from the lowest row to the highest."""
    top = len(thickness) * PIXEL
    return np.array([0.02, 0.05, 0.31, 0.35, 1.0, 2.0, 3.14159, top / 2, top - 0.35, top - 0.04])


def test_the_mesh_is_closed_and_holds_the_columns_volume():
    thickness = bumpy()
    mesh = ROUTE["solid"](thickness, PIXEL)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(thickness.sum() * PIXEL**2, rel=1e-9)
    assert mesh.extents == pytest.approx([8.6, 3.0, 6.6])


def test_section_areas_are_those_of_the_columns():
    thickness = bumpy()
    heights = ten_heights(thickness)
    wanted = [column_area(profile_at(thickness, z), PIXEL) for z in heights]
    assert np.ptp(wanted) > 3.0  # mm²; ten equal areas would prove little
    assert mesh_areas(thickness, heights) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(("layer", "first"), [(0.1, 0.2), (0.07, 0.11)])
def test_our_sections_are_the_meshs(layer, first):
    """Ten layers of a cut panel, at their mid-heights, to 0.1 %."""
    thickness = bumpy()
    layers = cut_layers(Panel(thickness, PIXEL), layer, first)
    chosen = np.linspace(0, len(layers) - 1, 10).astype(int)
    middle = (layers.top - layers.height / 2)[chosen]
    ours = layers.section_area()[chosen]
    assert np.ptp(ours) > 3.0
    assert mesh_areas(thickness, middle) == pytest.approx(ours, rel=1e-3)


def test_a_slope_is_cut_where_it_stands():
    thickness = np.repeat(np.linspace(3.0, 1.0, 21)[:, None], 30, axis=1)  # thinner towards the foot
    areas = mesh_areas(thickness, np.array([0.05, 0.55, 2.05]))
    assert areas == pytest.approx([3.0 * 1.0, 3.0 * 1.5, 3.0 * 3.0], rel=1e-6)


@pytest.mark.parametrize("by_bands", [True, False])
def test_the_route_feeds_what_its_rings_hold(by_bands, tmp_path):
    thickness = np.full((20, 100), 1.68)  # 10 × 1.68 mm: four beads of 0.42 side by side
    out = tmp_path / "mesh.gcode"
    found = ROUTE["mesh_route"](thickness, PIXEL, PIXEL, out, by_bands=by_bands)
    assert found["layers"] == found["of"] == 20
    parts = out.read_text().split("G92 E0\n")[1:]  # filament is counted anew every layer
    fed = sum(float(re.findall(r" E(\S+)", part)[-1]) for part in parts)
    # Centrelines lie 0.21 and 0.63 mm inside: rectangles of 9.58 × 1.26 and 8.74 × 0.42 mm.
    length = 2 * (9.58 + 1.26) + 2 * (8.74 + 0.42)
    assert fed == pytest.approx(20 * length * 0.42 * 0.1 / (math.pi / 4 * 1.75**2), rel=1e-3)
