"""The bend: a flat panel rolled into part of a cylinder, or all the way round into a ring.

Flat coordinates are (u, n): along the panel, and out of its back toward the viewer. *Plan* coordinates (p,
q) are the same plane after bending: p to the viewer's right, q toward the viewer, equal to (u, n) where
nothing is bent. The back keeps its length; with the signed radius R = width / bend,

    p = width/2 + (R + n)·sin φ,    q = (R + n)·cos φ − R,    φ = (u − width/2) / R.

R > 0 bulges toward the viewer, the relief outside; R < 0 is hollow toward the viewer, the relief inside. A
bead at n is longer than its u by 1 + n/R, so the wall's column holds ∫(1 + n/R) dn = t + t²/2R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

CHORD_ERROR = 0.008  # mm; moves are chords, and may cut the arc by this much
LEAST_RADIUS = 1.0  # mm left inside the wall of a panel that is hollow toward the viewer


@dataclass(frozen=True, slots=True)
class Bend:
    """How a panel is bent.

    Attributes
    ----------
    width : float
        Length of the back, mm.
    degrees : float
        Angle the panel is bent through, −360 to 360, not 0.
    """

    width: float
    degrees: float

    @property
    def radius(self) -> float:
        """Signed radius of the back, mm."""
        return self.width / float(np.radians(self.degrees))

    @property
    def closed(self) -> bool:
        """The panel closes into a ring."""
        return abs(abs(self.degrees) - 360.0) < 1e-9

    def to_plan(self, u: Floats, n: Floats) -> tuple[Floats, Floats]:
        """Bend flat points.

        Examples
        --------
        >>> half = Bend(width=np.pi * 10, degrees=180.0)
        >>> p, q = half.to_plan(np.array([0.0, 5 * np.pi]), np.array([0.0, 2.0]))
        >>> (p - half.width / 2).round(6).tolist(), q.round(6).tolist()
        ([-10.0, 0.0], [-10.0, 2.0])
        """
        angle = (u - self.width / 2) / self.radius
        reach = self.radius + n
        return self.width / 2 + reach * np.sin(angle), reach * np.cos(angle) - self.radius

    def to_flat(self, p: Floats, q: Floats) -> tuple[Floats, Floats]:
        """Unbend plan points; u is between 0 and the width for every point of the panel."""
        side = np.sign(self.radius)
        across, away = (p - self.width / 2) * side, (q + self.radius) * side
        angle = np.arctan2(across, away)
        return self.width / 2 + self.radius * angle, side * np.hypot(across, away) - self.radius

    def stretch(self, n: Floats) -> Floats:
        """Length of a bead at n over its length along u, 1 + n/R."""
        return 1.0 + n / self.radius

    def least_stretch(self, reach: float) -> float:
        """Give the least length of anything within `reach` mm of the back over its length when flat."""
        return max(1.0 - reach / abs(self.radius), 0.1)

    def longest_move(self, thickest: float) -> float:
        """Longest step along u, mm, whose chord stays within `CHORD_ERROR` of the arc."""
        reach = max(abs(self.radius), abs(self.radius + thickest))
        return float(np.sqrt(8 * CHORD_ERROR * reach) * abs(self.radius) / reach)


def check_bend(bend: Bend, thickest: float) -> None:
    """Refuse a bend that the wall does not survive.

    Raises
    ------
    PathgenError
        When the panel is hollow toward the viewer and its relief would meet itself in the middle.
    """
    inside = -bend.radius - thickest
    if bend.radius < 0 and inside < LEAST_RADIUS:
        least = np.degrees(bend.width / (thickest + LEAST_RADIUS))
        raise PathgenError(
            f"bend {bend.degrees:g}° leaves a radius of {inside:.2f} mm inside the wall",
            where="bend",
            allowed=f"{-least:.0f}° or more for this width and thickness",
        )


def column_area(thickness: Floats, radius: float) -> Floats:
    """Area of a bent wall's section per mm of u, mm: t + t²/2R, same shape."""
    return thickness + thickness**2 / (2 * radius)


def column_thickness(area: Floats, radius: float) -> Floats:
    """Thickness of the bent wall that has an area per mm of u: the inverse of `column_area`.

    Examples
    --------
    >>> column_thickness(column_area(np.array([0.8, 3.0]), -20.0), -20.0).round(9).tolist()
    [0.8, 3.0]
    """
    root: Floats = radius * (np.sqrt(np.maximum(0.0, 1.0 + 2 * area / radius)) - 1.0)
    return root
