"""Solids given by their distance functions, and a way to look at them.

A distance function takes a place, three arrays, and returns how far it is outside a surface (negative
inside). Solids are joined by minima, softly where flesh or cloth would flow; rays are walked forward by the
distance itself until they touch.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from scenes.tools import Array

Vector = tuple[float, float, float]


class Place(NamedTuple):
    """Points in space, an array a coordinate: x right, y up, z toward the viewer."""

    x: Array
    y: Array
    z: Array

    def turned(self, yaw: float, about: Vector = (0, 0, 0), roll: float = 0.0, nod: float = 0.0) -> Place:
        """Give the points as something sees them that is turned to the right, rolled, and nods forward."""
        x, y, z = self.x - about[0], self.y - about[1], self.z - about[2]
        cos, sin = np.float32(np.cos(yaw)), np.float32(np.sin(yaw))
        x, z = cos * x - sin * z, sin * x + cos * z
        cos, sin = np.float32(np.cos(roll)), np.float32(np.sin(roll))
        x, y = cos * x + sin * y, cos * y - sin * x
        cos, sin = np.float32(np.cos(nod)), np.float32(np.sin(nod))
        y, z = cos * y + sin * z, cos * z - sin * y
        return Place(x, y, z)

    def mirrored(self) -> Place:
        """Fold the points over to the right half, for what there are two of."""
        return Place(np.abs(self.x), self.y, self.z)

    def part(self, chosen: np.ndarray) -> Place:
        """Pick some of the points."""
        return Place(self.x[chosen], self.y[chosen], self.z[chosen])

    def moved(self, direction: tuple, far: Array | float) -> Place:
        """Move the points along a direction."""
        return Place(self.x + direction[0] * far, self.y + direction[1] * far, self.z + direction[2] * far)


def sphere(p: Place, at: Vector, radius: float) -> Array:
    return np.sqrt((p.x - at[0]) ** 2 + (p.y - at[1]) ** 2 + (p.z - at[2]) ** 2) - np.float32(radius)


def ellipsoid(p: Place, at: Vector, radii: Vector) -> Array:
    """Near enough to the distance; exact on the surface."""
    x, y, z = (p.x - at[0]) / radii[0], (p.y - at[1]) / radii[1], (p.z - at[2]) / radii[2]
    near = np.sqrt(x * x + y * y + z * z)
    slope = np.sqrt((x / radii[0]) ** 2 + (y / radii[1]) ** 2 + (z / radii[2]) ** 2)
    return (near * (near - 1) / np.maximum(slope, 1e-4)).astype(np.float32)


def capsule(p: Place, a: Vector, b: Vector, radius: float, end: float | None = None) -> Array:
    """Shape a round bar from a to b, its radius going from `radius` to `end`."""
    ab = [q - o for o, q in zip(a, b, strict=True)]
    x, y, z = p.x - a[0], p.y - a[1], p.z - a[2]
    share = np.clip((x * ab[0] + y * ab[1] + z * ab[2]) / sum(q * q for q in ab), 0, 1)
    away = np.sqrt((x - share * ab[0]) ** 2 + (y - share * ab[1]) ** 2 + (z - share * ab[2]) ** 2)
    return (away - (radius + share * ((radius if end is None else end) - radius))).astype(np.float32)


def slab(p: Place, at: Vector, half: Vector, rounding: float) -> Array:
    """Shape a box with rounded edges."""
    x, y, z = (np.abs(q - o) - h + rounding for q, o, h in zip(p, at, half, strict=True))
    outside = np.sqrt(np.maximum(x, 0) ** 2 + np.maximum(y, 0) ** 2 + np.maximum(z, 0) ** 2)
    return (outside + np.minimum(np.maximum(np.maximum(x, y), z), 0) - rounding).astype(np.float32)


def join(a: Array, b: Array, soft: float) -> Array:
    """Both solids, flowing into each other over about `soft`."""
    blend = np.maximum(soft - np.abs(a - b), 0) / soft
    return np.minimum(a, b) - blend * blend * np.float32(soft / 4)


def carve(a: Array, b: Array, soft: float) -> Array:
    """Take the second solid away from the first."""
    return -join(-a, b, soft)


def walk(
    solid: Callable[[Place], Array],
    origin: Vector,
    way: tuple[Array, Array, Array],
    first: float,
    last: float,
    steps: int,
) -> Array:
    """Distance along rays at which they touch a solid; infinite where they do not."""
    far = np.full(way[0].shape, first, np.float32)
    left = np.arange(far.size)
    for _ in range(steps):
        d = tuple(q[left] for q in way)
        at = Place(*(np.float32(o) + q * far[left] for o, q in zip(origin, d, strict=True)))
        step = solid(at)
        far[left] += 0.8 * step
        left = left[(step > 0.0008) & (far[left] < last)]
        if not left.size:
            break
    far[left] = np.where(far[left] < last, far[left], np.inf)
    return np.where(far >= last, np.inf, far).astype(np.float32)


def normal(
    solid: Callable[[Place], Array], p: Place, gap: Array | float = 0.0025
) -> tuple[Array, Array, Array]:
    """Outward direction of the surface at points on it, from four probes at a tetrahedron's corners."""
    total = [np.zeros_like(p.x) for _ in range(3)]
    for corner in ((1, -1, -1), (-1, -1, 1), (-1, 1, -1), (1, 1, 1)):
        value = solid(p.moved(corner, gap))
        for axis in range(3):
            total[axis] += corner[axis] * value
    length = np.sqrt(sum(q * q for q in total)) + 1e-9
    return tuple(q / length for q in total)  # type: ignore[return-value]


def shade_toward(
    solid: Callable[[Place], Array],
    p: Place,
    way: Vector,
    soft: float,
    last: float,
    stride: float = 1.0,
    steps: int = 34,
) -> Array:
    """How much of a lamp in a direction is seen from each point: 1 all of it, 0 nothing.

    `soft` is the lamp's size; `stride` scales the steps, for solids that are smaller than a head.
    """
    # Rays start unevenly, so that what the steps miss becomes grain and not rings.
    far = np.random.default_rng(3).uniform(0.02, 0.09, p.x.shape).astype(np.float32) * np.float32(stride)
    open_ = np.ones_like(far)
    left = np.arange(far.size)
    for _ in range(steps):
        step = solid(p.part(left).moved(way, far[left]))
        open_[left] = np.minimum(open_[left], 0.5 + 0.5 * step / (soft * far[left]))
        far[left] += np.clip(0.8 * step, 0.03 * stride, 0.25 * stride)
        left = left[(open_[left] > 0) & (far[left] < last)]
        if not left.size:
            break
    open_ = np.clip(open_, 0, 1)
    return open_ * open_ * (3 - 2 * open_)


def openness(
    solid: Callable[[Place], Array], p: Place, n: tuple[Array, Array, Array], reach: float = 0.5
) -> Array:
    """How freely light from all sides gets to each point, 0 to 1."""
    lost, weight = np.zeros_like(p.x), 1.0
    for i in range(1, 6):
        far = reach * i / 5
        lost += weight * (far - np.minimum(solid(p.moved(n, far)), far))
        weight *= 0.72
    return np.clip(1 - 0.9 * lost / reach, 0, 1)
