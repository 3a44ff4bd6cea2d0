"""A pinhole camera over the water, and solids seen by it as flat shapes: round bars, faces.

Places are x to the right, y up from the water, z away from the viewer, m.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from scenes.tools import Array, Mask

Spot = tuple[float, float, float]
Bar = tuple[Spot, Spot, float]  # from, to, diameter
Face = list[Spot]


class View:
    """A camera that looks along z; from under the water (`eye` below 0) it sees the mirror image."""

    def __init__(self, width: int, height: int, eye: float, focal: float, horizon: float) -> None:
        self.width, self.height, self.eye = width, height, eye
        self.focal, self.horizon = focal * width, horizon * height

    def at(self, x: float, y: float, z: float) -> tuple[float, float]:
        """Find where a place falls on the picture; of mirrored places, the right way up."""
        return self.width / 2 + self.focal * x / z, self.horizon - self.focal * (y - self.eye) / z

    def bars(self, bars: Iterable[Bar], thinnest: float = 0.35) -> Array:
        """Coverage by round bars; those that come too near are left out."""
        mask = Mask(self.width, self.height, 2)
        for start, end, thick in bars:
            if min(start[2], end[2]) > 0.8:
                wide = max(self.focal * thick * 2 / (start[2] + end[2]), thinnest)
                mask.line([self.at(*start), self.at(*end)], wide)
        return mask.array()

    def faces(self, faces: Iterable[Face]) -> Array:
        """Coverage by flat polygons."""
        mask = Mask(self.width, self.height, 2)
        for face in faces:
            mask.polygon([self.at(*spot) for spot in face])
        return mask.array()


class Rig:
    """Bars and faces of something, gathered in its own directions: ahead, up, to its side."""

    def __init__(self, foot: Spot, heading: float) -> None:
        self.foot = np.array(foot)
        self.ahead = np.array([np.cos(heading), 0, np.sin(heading)])
        self.side = np.array([-np.sin(heading), 0, np.cos(heading)])
        self.up = np.array([0.0, 1.0, 0.0])
        self.bars: list[Bar] = []
        self.faces: list[Face] = []

    def at(self, ahead: float, up: float, side: float = 0.0) -> Spot:
        """Turn a place in its own directions into one before the camera."""
        x, y, z = self.foot + ahead * self.ahead + up * self.up + side * self.side
        return float(x), float(y), float(z)

    def bar(self, start: tuple[float, ...], end: tuple[float, ...], thick: float) -> None:
        """Add a bar between two places (ahead, up, side)."""
        self.bars.append((self.at(*start), self.at(*end), thick))

    def face(self, *corners: tuple[float, ...]) -> None:
        """Add a flat face."""
        self.faces.append([self.at(*corner) for corner in corners])

    def box(self, near: float, far: float, low: float, high: float, half: float) -> None:
        """Add a box, as wide to one side as to the other."""
        for q in (-half, half):
            self.face((near, low, q), (far, low, q), (far, high, q), (near, high, q))
        for a in (near, far):
            self.face((a, low, -half), (a, low, half), (a, high, half), (a, high, -half))
        for h in (low, high):
            self.face((near, h, -half), (far, h, -half), (far, h, half), (near, h, half))
