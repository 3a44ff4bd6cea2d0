"""Bend: a flat panel rolled into part of a cylinder, or into a closed ring.

Flat coordinates are (u, n): u along the panel, n from its back toward the viewer. *Plan* coordinates (p, q)
are the same plane after bending: p to the viewer's right, q toward the viewer, equal to (u, n) for a flat
panel. The back keeps its length. With the signed radius R = width / bend,

    p = width/2 + (R + n)·sin φ,    q = (R + n)·cos φ − R,    φ = (u − width/2) / R.

For R > 0 the panel is convex toward the viewer and the relief is outside; for R < 0 it is concave and the
relief is inside. A bead at n is longer than its extent in u by a factor 1 + n/R, so a column of wall contains
∫(1 + n/R) dn = t + t²/2R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

CHORD_ERROR = 0.008  # maximum distance between an arc and the straight moves along it, mm
MINIMUM_RADIUS = 1.0  # minimum inner radius of a concave panel, mm


@dataclass(frozen=True, slots=True)
class Bend:
    """Curvature of a panel.

    Attributes
    ----------
    width : float
        Length of the back, mm.
    degrees : float
        Angle through which the panel is bent, −360 to 360, not 0.
    """

    width: float
    degrees: float

    @property
    def radius(self) -> float:
        """Signed radius of the panel's back face, mm."""
        return self.width / float(np.radians(self.degrees))

    @property
    def closed(self) -> bool:
        """Whether the panel closes into a ring."""
        return abs(abs(self.degrees) - 360.0) < 1e-9

    def to_plan(self, u: Floats, n: Floats) -> tuple[Floats, Floats]:
        """Convert flat coordinates to plan coordinates.

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
        """Convert plan coordinates to flat coordinates; u is 0 to the width for points of the panel."""
        side = np.sign(self.radius)
        across, away = (p - self.width / 2) * side, (q + self.radius) * side
        angle = np.arctan2(across, away)
        return self.width / 2 + self.radius * angle, side * np.hypot(across, away) - self.radius

    def stretch(self, n: Floats) -> Floats:
        """Ratio of a bead's length at n to its extent along u, 1 + n/R."""
        return 1.0 + n / self.radius

    def minimum_stretch(self, reach: float) -> float:
        """Minimum of `stretch` within `reach` mm of the back face, but at least 0.1."""
        return max(1.0 - reach / abs(self.radius), 0.1)

    def longest_move(self, thickest: float) -> float:
        """Longest step along u, mm, whose chord deviates from the arc by at most `CHORD_ERROR`."""
        reach = max(abs(self.radius), abs(self.radius + thickest))
        return float(np.sqrt(8 * CHORD_ERROR * reach) * abs(self.radius) / reach)


def check_bend(bend: Bend, thickest: float) -> None:
    """Raise a PathgenError if the relief of a concave panel would intersect itself inside the bend."""
    inside = -bend.radius - thickest
    if bend.radius < 0 and inside < MINIMUM_RADIUS:
        limit = np.degrees(bend.width / (thickest + MINIMUM_RADIUS))
        what = f"a bend of {bend.degrees:g}° leaves an inner radius of {inside:.2f} mm"
        allowed = f"{-limit:.0f}° or more for this width and thickness"
        raise PathgenError(what, where="bend", allowed=allowed)


def column_area(thickness: Floats, radius: float) -> Floats:
    """Return the section area of a bent wall per mm along u, t + t²/2R, mm."""
    return thickness + thickness**2 / (2 * radius)


def column_thickness(area: Floats, radius: float) -> Floats:
    """Return the thickness of a bent wall from its section area per mm along u; invert `column_area`.

    Examples
    --------
    >>> column_thickness(column_area(np.array([0.8, 3.0]), -20.0), -20.0).round(9).tolist()
    [0.8, 3.0]
    """
    return np.asarray(radius * (np.sqrt(np.maximum(0.0, 1.0 + 2 * area / radius)) - 1.0))
