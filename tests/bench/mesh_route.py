"""The long way round, to measure against: the panel as a mesh, by general-purpose libraries.

A thickness map becomes a closed triangle mesh (trimesh), the mesh is cut at every layer's mid-height, the
cuts become polygons (shapely), the polygons are offset inward until nothing is left, the rings become program
text. Nothing of pathgen is used. There are two ways to cut:

- *plain*: `Trimesh.section_multiplane` and `Path2D.polygons_full`, as the library offers them: every plane is
  held against every face;
- *banded*: faces are first sorted out by the planes they meet, so that a band of planes is cut from its own
  few faces; segments are joined by `shapely.polygonize`. This is for someone who has measured the plain way.

All else is the same: the grid is built by arrays, the back has two triangles a row of pixels and not two a
pixel, offsets have mitred corners, the cheapest kind, and each is one call for a band of layers.

Run it for a table of stages: ``python tests/bench/mesh_route.py [--plain] [--layers N]``.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TextIO

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from skimage import data, transform
from trimesh.intersections import mesh_multiplane

Floats = NDArray[np.float64]
Faces = NDArray[np.int64]
Sections = Iterator[tuple[Floats, list[shapely.MultiPolygon]]]

STAGES = ("mesh", "cut", "join", "offset", "text")

SPACING = 0.42  # mm between beads; the outermost lies half a spacing inside the section
FILAMENT = 1.75  # mm, diameter
BAND = 20  # planes that are cut together
FEED = 1200  # mm/min
GRID = 1e-6  # mm; ends of segments nearer than this are one point


def mesh_route(
    thickness: Floats,
    pixel: float,
    layer: float,
    out: Path,
    layers: int | None = None,
    by_bands: bool = True,
) -> dict[str, float]:
    """Make a panel's program by way of a mesh.

    Parameters
    ----------
    thickness : (rows, cols) float64
        mm, more than 0, row 0 at the top.
    pixel, layer : float
        Spacing of the map and layer height, mm.
    out : Path
        Program to write.
    layers : int, optional
        Do only so many layers, evenly spaced. By default all.
    by_bands : bool
        Cut by bands of planes; otherwise the plain way.

    Returns
    -------
    dict
        Seconds of each of `STAGES`, number of `layers` done, `of` so many, and of `segments` deposited.
    """
    heights: Floats = (np.arange(round(len(thickness) * pixel / layer)) + 0.5) * layer
    of = len(heights)
    if layers:
        heights = heights[(np.arange(layers) * of + of // 2) // layers]
    watch = Stopwatch()
    mesh = solid(thickness, pixel)
    cutter = banded if by_bands else plain
    segments = 0
    with out.open("w", encoding="ascii") as file:
        for planes, sections in cutter(mesh, heights, watch):
            rings = offsets(sections)
            watch.lap("offset")
            for z, of_layer in zip(planes + layer / 2, rings, strict=True):
                segments += write_layer(file, z, layer, of_layer)
            watch.lap("text")
    return watch.seconds | {"layers": len(heights), "of": of, "segments": segments}


class Stopwatch:
    """Seconds by stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, stage: str) -> None:
        """Add the time since the last lap to a stage."""
        now = time.perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._last
        self._last = now


def solid(thickness: Floats, pixel: float) -> trimesh.Trimesh:
    """Make the closed mesh of a thickness map, flat back at n = 0, standing on z = 0.

    Parameters
    ----------
    thickness : (rows, cols) float64
        mm, row 0 at the top; at least one row and one column.
    pixel : float
        mm.

    Returns
    -------
    trimesh.Trimesh
        Axes (u, n, z). Front vertices lie at the pixels' centres, and at the panel's edges, up to which the
        outermost pixels' values hold.
    """
    front = np.pad(np.asarray(thickness, dtype=np.float64)[::-1], 1, mode="edge")
    rows, cols = front.shape
    u, z = places(cols, pixel), places(rows, pixel)
    grid = np.arange(rows * cols).reshape(rows, cols)
    # The back has vertices at its rim alone: along the sides, then along the foot and the head between them.
    extra = rows * cols + np.arange(2 * rows + 2 * (cols - 2))
    sides = extra[: 2 * rows].reshape(rows, 2)
    foot, head = extra[2 * rows :].reshape(2, cols - 2)
    foot = np.concatenate([sides[0, :1], foot, sides[0, 1:]])
    head = np.concatenate([sides[-1, :1], head, sides[-1, 1:]])
    back_u = np.concatenate([np.tile(u[[0, -1]], rows), np.tile(u[1:-1], 2)])
    back_z = np.concatenate([np.repeat(z, 2), np.repeat(z[[0, -1]], cols - 2)])
    vertices = np.concatenate(
        [
            np.column_stack([np.tile(u, rows), front.ravel(), np.repeat(z, cols)]),
            np.column_stack([back_u, np.zeros_like(back_u), back_z]),
        ]
    )
    faces = [
        strip(grid[1:], grid[:-1]),
        strip(sides[1:-2], sides[2:-1]),
        fan(sides[1, 0], [*foot, sides[1, 1]]),
        fan(sides[-2, 1], [*head[::-1], sides[-2, 0]]),
        strip(sides[:, 0], grid[:, 0]),
        strip(grid[:, -1], sides[:, 1]),
        strip(grid[0], foot),
        strip(head, grid[-1]),
    ]
    return trimesh.Trimesh(vertices, np.concatenate(faces), process=False)


def places(count: int, pixel: float) -> Floats:
    """Place a padded axis: pixel centres, and the two edges, half a pixel beyond the outermost."""
    return np.concatenate([[0.0], (np.arange(count - 2) + 0.5) * pixel, [(count - 2) * pixel]])


def strip(here: Faces, there: Faces) -> Faces:
    """Span two triangles between each pair of neighbours of one polyline and its partners on another."""
    a, b, c, d = (part.ravel() for part in (here[..., :-1], here[..., 1:], there[..., :-1], there[..., 1:]))
    return np.concatenate([np.column_stack([a, b, d]), np.column_stack([a, d, c])])


def fan(hub: int, around: list[int]) -> Faces:
    """Span a triangle between a vertex and each pair of neighbours of a polyline."""
    return np.column_stack([np.full(len(around) - 1, hub), around[:-1], around[1:]])


def plain(mesh: trimesh.Trimesh, heights: Floats, watch: Stopwatch) -> Sections:
    """Cut the whole mesh at every plane; yield bands of planes with their sections."""
    watch.lap("mesh")
    for i in range(0, len(heights), BAND):
        planes = heights[i : i + BAND]
        cuts = mesh.section_multiplane([0, 0, 0], [0, 0, 1], planes)
        watch.lap("cut")
        sections = [shapely.multipolygons(cut.polygons_full) for cut in cuts if cut]
        watch.lap("join")
        yield planes, sections


def banded(mesh: trimesh.Trimesh, heights: Floats, watch: Stopwatch) -> Sections:
    """Cut each band of planes from the faces it meets; yield bands of planes with their sections."""
    z = mesh.vertices[:, 2][mesh.faces]
    first = np.searchsorted(heights, z.min(axis=1), side="left")
    last = np.searchsorted(heights, z.max(axis=1), side="right")
    watch.lap("mesh")
    for i in range(0, len(heights), BAND):
        planes = heights[i : i + BAND]
        met = (np.maximum(first, i) < np.minimum(last, i + BAND)).nonzero()[0]
        part = trimesh.Trimesh(mesh.vertices, mesh.faces[met], process=False)
        part.remove_unreferenced_vertices()
        cuts = mesh_multiplane(part, [0, 0, 0], [0, 0, 1], planes)[0]
        watch.lap("cut")
        sections = [join(cut) for cut in cuts]
        watch.lap("join")
        yield planes, sections


def join(cut: Floats) -> shapely.MultiPolygon:
    """Join loose segments, (M, 2, 2), to the section they surround; walls are taken to have no holes."""
    snapped = np.round(cut / GRID) * GRID
    moved = (snapped[:, 0] != snapped[:, 1]).any(axis=1)
    return shapely.MultiPolygon(list(shapely.polygonize(shapely.linestrings(snapped[moved])).geoms))


def offsets(sections: list[shapely.MultiPolygon]) -> list[list[Floats]]:
    """Offset sections inward by half a spacing, then by whole ones, until nothing is left."""
    rings: list[list[Floats]] = [[] for _ in sections]
    walls = np.asarray(sections)
    distance = SPACING / 2
    left = np.arange(len(sections))
    while len(left):
        inner = shapely.buffer(walls[left], -distance, join_style="mitre")
        parts, owner = shapely.get_parts(inner, return_index=True)
        outlines, polygon = shapely.get_rings(parts, return_index=True)
        for ring, index in zip(outlines, owner[polygon], strict=True):
            rings[left[index]].append(shapely.get_coordinates(ring))
        left = left[~shapely.is_empty(inner)]
        distance += SPACING
    return rings


def write_layer(file: TextIO, z: float, layer: float, rings: Iterable[Floats]) -> int:
    """Write one layer's rings, a move to the start of each; return the number of segments deposited."""
    fed = SPACING * layer / (math.pi / 4 * FILAMENT**2)  # mm of filament a mm of bead
    lines = [f"G92 E0\nG1 Z{z:.3f} F600\n"]
    total, count = 0.0, 0
    for ring in rings:
        lengths = np.hypot(*np.diff(ring, axis=0).T)
        filament = total + np.cumsum(lengths) * fed
        total = float(filament[-1])
        count += len(lengths)
        x, y = ring[0].tolist()
        lines.append(f"G0 X{x:.3f} Y{y:.3f}\nG1 F{FEED}\n")
        lines += [
            f"G1 X{x:.3f} Y{y:.3f} E{e:.5f}\n"
            for (x, y), e in zip(ring[1:].tolist(), filament.tolist(), strict=True)
        ]
    file.write("".join(lines))
    return count


def main() -> None:
    """Measure on a picture that scikit-image ships, 100 × 100 mm at 0.1 mm, and print the stages."""
    parser = argparse.ArgumentParser(description="Time the way by a mesh.")
    parser.add_argument("--layers", type=int, default=0, help="layers to do, evenly spaced; 0: all of them")
    parser.add_argument("--plain", action="store_true", help="hold every plane against the whole mesh")
    wanted = parser.parse_args()
    grey = transform.resize(data.camera() / 255.0, (1000, 1000))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "mesh.gcode")
        found = mesh_route(3.0 - 2.2 * grey, 0.1, 0.1, out, wanted.layers or None, not wanted.plain)
        size = out.stat().st_size / 1e6
    done, of = int(found["layers"]), int(found["of"])
    print(f"{done} of {of} layers, {found['segments']:.0f} segments, {size:.1f} MB of program")
    print(f"{'stage':<10}{'s':>8}{'s a layer':>12}{f's, {of} layers':>16}")
    whole = 0.0
    for stage in STAGES:
        seconds = found[stage]
        scaled = seconds if stage == "mesh" else seconds * of / done
        whole += scaled
        each = "" if stage == "mesh" else f"{seconds / done:.4f}"
        print(f"{stage:<10}{seconds:>8.2f}{each:>12}{scaled:>16.1f}")
    print(f"{'together':<30}{whole:>16.1f}")


if __name__ == "__main__":
    main()
