"""Layers of a panel: their heights, and the wall profile at each layer's mid-height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString, Polygon
from shapely.geometry.base import BaseGeometry

from pathgen.layers.strokes import Floats, Profiles
from pathgen.panel import Panel

BLOCK = 256  # layers per block


@dataclass(frozen=True, slots=True)
class Layers:
    """Panel cut into layers.

    Attributes
    ----------
    panel : Panel
    top : (L,) float64
        Height of each layer's upper face above the platform, mm.
    height : (L,) float64
        Layer heights, mm.
    """

    panel: Panel
    top: Floats
    height: Floats

    def __len__(self) -> int:
        """Return the number of layers."""
        return len(self.top)

    def profiles(self, first: int, last: int) -> Profiles:
        """Return the profiles of layers ``first:last``, sampled at the mid-height of each layer.

        Rows are interpolated linearly between their centres, so a layer as high as a pixel has the profile of
        that row.
        """
        middle, pixel = self.top[first:last] - self.height[first:last] / 2, self.panel.pixel
        return Profiles(interpolate_rows(self.panel.thickness[::-1], middle, pixel), pixel, first)

    def section_area(self) -> Floats:
        """Return the area of every layer's section, mm², (L,)."""
        starts = range(0, len(self), BLOCK)  # in blocks, which limits the memory
        parts = [self.profiles(i, min(i + BLOCK, len(self))).thickness.sum(axis=1) for i in starts]
        return np.concatenate(parts) * self.panel.pixel


def interpolate_rows(rows: Floats, z: Floats, pixel: float) -> Floats:
    """Interpolate rows of pixels, from the bottom up, linearly at heights z, mm; (Z, C).

    Examples
    --------
    >>> interpolate_rows(np.array([[1.0], [2.0]]), np.array([0.05, 0.1, 0.3]), 0.1).round(3).tolist()
    [[1.0], [1.5], [2.0]]
    """
    place = np.clip(z / pixel - 0.5, 0, len(rows) - 1)
    below = np.minimum(np.floor(place + 1e-9).astype(np.intp), max(len(rows) - 2, 0))
    above = np.minimum(below + 1, len(rows) - 1)
    share = np.clip(place - below, 0.0, 1.0)[:, None]
    share[share < 1e-9] = 0.0
    return np.asarray(rows[below] * (1 - share) + rows[above] * share)


def widen_mask(mask: NDArray[np.bool_], columns: int) -> NDArray[np.bool_]:
    """Dilate a mask of columns, (C,), by a number of columns to both sides.

    Examples
    --------
    >>> widen_mask(np.array([True, False, False, False]), 2).tolist()
    [True, True, True, False]
    """
    return np.convolve(mask, np.ones(2 * columns + 1))[columns : columns + len(mask)] > 0.5


def outline_rings(shape: BaseGeometry) -> list[Floats]:
    """Return the borders of all polygons of a shape, each (N, 2) mm and closed; empty for no polygon."""
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    return [shapely.get_coordinates(ring) for ring in shapely.get_rings(parts)]


def clip_lines(shape: BaseGeometry, places: Floats, shortest: float, inset: float = 0.0) -> list[Floats]:
    """Return lines along u inside a shape, one after another, in alternating directions.

    Parameters
    ----------
    shape : shapely geometry
        In (u, n), mm.
    places : (M,) float64
        Position n of each line, mm.
    shortest : float
        Pieces up to this length are left out, mm.
    inset : float
        Distance by which the pieces are shortened at both ends, mm.

    Returns
    -------
    list of (2, 2) float64

    Examples
    --------
    >>> [line.tolist() for line in clip_lines(shapely.box(0, 0, 9, 4), np.array([1.0, 3.0]), 1.0, 0.5)]
    [[[0.5, 1.0], [8.5, 1.0]], [[8.5, 3.0], [0.5, 3.0]]]
    """
    left, _, right, _ = shape.bounds
    lines: list[Floats] = []
    for i, n in enumerate(places):
        clipped = shape.intersection(MultiLineString([[(left - 1, n), (right + 1, n)]]))
        parts = [np.asarray(p.coords) for p in shapely.get_parts(clipped) if p.length > shortest]
        parts = [p + inset * np.sign(p[::-1] - p) * [1, 0] for p in parts]
        lines += [p[::-1] for p in parts[::-1]] if i % 2 else parts
    return lines


def section_outline(thickness: Floats, pixel: float, tolerance: float) -> BaseGeometry:
    """Return the outline of one layer's section in (u, n), with the steps between columns smoothed.

    Parameters
    ----------
    thickness : (C,) float64
        Wall thickness of each column, mm; 0 where there is no wall.
    pixel : float
        Width of a column, mm.
    tolerance : float
        Maximum deviation of the outline from the columns, mm.

    Returns
    -------
    shapely polygon or multipolygon
        Empty if there is no wall.

    Examples
    --------
    >>> section_outline(np.full(50, 2.0), 0.1, 0.01).bounds
    (0.0, 0.0, 5.0, 2.0)
    """
    edge = np.diff((thickness > 0).astype(np.int8), prepend=0, append=0)
    parts = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        border = np.arange(lo, hi + 1) * pixel
        face = np.column_stack([np.repeat(border, 2)[1:-1], np.repeat(thickness[lo:hi], 2)])
        parts.append(Polygon([*face, (border[-1], 0.0), (border[0], 0.0)]).simplify(tolerance))
    joined: BaseGeometry = shapely.union_all(parts)
    return joined


def cut_layers(panel: Panel, layer: float, first_layer: float) -> Layers:
    """Cut a panel into layers of constant height; the first layer may have a different height.

    Parameters
    ----------
    panel : Panel
    layer, first_layer : float
        Layer heights, mm. The height of the panel is rounded to whole layers, at least one.

    Returns
    -------
    Layers

    Examples
    --------
    >>> flat = Panel(np.full((20, 10), 2.0), 0.1)
    >>> cut_layers(flat, 0.1, 0.2).top[:3].round(3).tolist()
    [0.2, 0.3, 0.4]
    """
    more = max(0, round((panel.height - first_layer) / layer))
    top: Floats = first_layer + layer * np.arange(more + 1, dtype=np.float64)
    height = np.full(more + 1, layer)
    height[0] = first_layer
    return Layers(panel, top, height)
