"""Steadiness: the sway of a panel while it is printed.

*Model.* At height z the panel is an upright beam: the wall below z, clamped where the brim holds it, free at
the top, bending about the u axis (Euler–Bernoulli). Each row's section consists of its columns, which share
one flat back. Plane sections remain plane over the whole width, so the second moment is that of the section
about its own centroid. The loads along the normal n are the inertia of the wall, on machines whose platform
moves along n, and the drag of the nozzle at the top. Both are applied statically, as in δ = 12ρaL⁴/(8Et²).

*Limits of the model.* A jerk makes an undamped wall swing up to twice as far. A thin middle between stiff
rims sways more than the section as a whole. Transverse restraint (E/(1 − ν²), one eighth stiffer) and shear
are neglected; both effects are small and opposite.

*Wedges* hold the wall up to their top as the platform does, so the clamp moves there. They touch the rim over
their whole height and therefore resist rotation as well as displacement; a support that touches at one point
would not.

*Method.* The beam of every height is divided into the same number of cells, with mean compliance and mass in
each, from sums over the rows. Four integrations, two downward and two upward, give the sway. The frequency is
Rayleigh's quotient of the static shape after two refinements by the shape under its own inertia (Stodola's
iteration). The static shape alone is 0.4 % too high for a uniform wall; one refinement is sufficient there
but leaves 0.3 % on strongly stepped walls. All heights are thus computed in a few array operations instead of
one eigenproblem each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

DUST = 1e-3  # wall thinner than this counts as no wall, mm
CELLS = 200  # per beam: within 0.02 % of finite elements, stepped walls included
STEPS = 2  # refinements of the static shape for the frequency
FRACTION = 0.25  # maximum sway as a fraction of the bead spacing; a judgement
# Assumed, not measured: melt of about 300 Pa·s under 0.5 mm² of nozzle face, sheared at 20 mm/s over 0.1 mm.
DRAG = 0.03  # N
THICKEST_RIM = 20.0  # thickest rim that is considered, mm
HALVINGS = 40
STANDING = "a map with wall in every row from the platform up"


@dataclass(frozen=True, slots=True)
class Sections:
    """Horizontal sections of the wall, row by row from the platform up.

    Attributes
    ----------
    top : (R,) float64
        Upper edge of each row, mm.
    moments : (4, R) float64
        ∫ tᵏ du over the wall of each row for k = 0 to 3; k = 0 is its width.
    rim : (4, R) float64
        The same integrals over the rim alone.
    """

    top: Floats
    moments: Floats
    rim: Floats

    @property
    def height(self) -> float:
        """Height of the finished wall, mm."""
        return float(self.top[-1])

    @property
    def area(self) -> Floats:
        """Area of each section, mm², (R,)."""
        return np.asarray(self.moments[1])

    @property
    def inertia(self) -> Floats:
        """Second moment of each section about its centroidal axis along u, mm⁴, (R,).

        Columns extend from the back n = 0 to n = t, so it is ∫t³/3 du − A·n̄², with n̄ = ∫t²/2 du / A.
        """
        _, area, second, third = self.moments
        return np.asarray(third / 3 - second**2 / (4 * area))

    @property
    def rim_thickness(self) -> float:
        """Mean thickness of the rim, mm; 0 without a rim."""
        width = float(self.rim[0].sum())
        return float(self.rim[1].sum()) / width if width else 0.0

    def with_rim(self, thickness: float) -> Sections:
        """Return the same wall with a rim of unchanged width and the given thickness, mm."""
        rim = self.rim[0] * thickness ** np.arange(4.0)[:, None]
        return Sections(self.top, self.moments - self.rim + rim, rim)


def measure_sections(
    thickness: NDArray[np.floating], pixel: float, rim: NDArray[np.bool_] | None = None
) -> Sections:
    """Compute the horizontal sections of a panel.

    Parameters
    ----------
    thickness : (R, C) float
        Thickness of the whole panel, mm, row 0 at the top; 0 (or less than `DUST`) where there is no wall.
    pixel : float
        Pixel size, mm.
    rim : (R, C) bool, optional
        Mask of the rim pixels.

    Returns
    -------
    Sections
        Without the empty rows at the top of the map.

    Raises
    ------
    PathgenError
        If a row without wall has wall above it, or a thickness is negative, NaN or infinite.

    Examples
    --------
    >>> plate = measure_sections(np.full((10, 20), 3.0), 0.5)
    >>> plate.height, float(plate.area[0]), float(plate.inertia[0])  # 10 mm wide: 10·3³/12
    (5.0, 30.0, 22.5)
    """
    t = np.asarray(thickness, np.float64)[::-1]
    if t.ndim != 2 or not t.any():
        raise PathgenError(f"the thickness map of shape {t.shape} contains no wall", allowed=STANDING)
    if not (t.min() >= 0 and np.isfinite(t.max())):
        what = "the thickness map contains negative, NaN or infinite values"
        raise PathgenError(what, allowed="finite values of 0 mm or more")
    if (dust := (t > 0) & (t < DUST)).any():
        t = np.where(dust, 0.0, t)
        if not t.any():
            what = f"the thickness map contains no wall of {DUST:g} mm or more"
            raise PathgenError(what, allowed=STANDING)
    moments = _moments(t, pixel)
    rows = int(np.flatnonzero(moments[1])[-1]) + 1
    gaps = np.flatnonzero(moments[1, :rows] == 0)
    if gaps.size:
        what = f"the thickness map has no wall at a height of {gaps[0] * pixel:.1f} mm, but wall above it"
        raise PathgenError(what, allowed=STANDING)
    edge = np.zeros_like(moments) if rim is None else _moments(np.where(rim[::-1], t, 0.0), pixel)
    return Sections(pixel * np.arange(1.0, rows + 1), moments[:, :rows], edge[:, :rows])


def _moments(t: Floats, pixel: float) -> Floats:
    """Return ∫ tᵏ du of every row for k = 0 to 3, (4, R)."""
    width = np.count_nonzero(t, axis=1)
    square = t * t
    return pixel * np.stack([width, t.sum(axis=1), square.sum(axis=1), np.einsum("ij,ij->i", square, t)])


@dataclass(frozen=True, slots=True)
class Conditions:
    """Material properties of the wall, and the loads on it.

    Attributes
    ----------
    modulus : float
        Young's modulus, GPa.
    density : float
        kg/m³.
    acceleration : float
        Acceleration of the wall along its normal, mm/s²: that of the platform axis if the platform moves
        along the normal, 0 if only the head does.
    drag : float
        Force of the nozzle on the top along the normal, N. The default is an assumption.
    support : float
        Height up to which wedges hold the wall, mm.
    spacing : float
        Bead spacing, mm; the limit of the sway is a fraction of it.
    """

    modulus: float
    density: float
    acceleration: float = 0.0
    drag: float = DRAG
    support: float = 0.0
    spacing: float = 0.42

    def __post_init__(self) -> None:
        """Reject negative and infinite values."""
        for name in self.__slots__:
            value, positive = getattr(self, name), name in ("modulus", "density", "spacing")
            if not (value > 0 if positive else value >= 0) or math.isinf(value):
                allowed = "more than 0" if positive else "0 or more"
                raise PathgenError(f"{name} is {value:g}", where="steadiness", allowed=allowed)


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Sway of a growing wall, for a series of heights.

    Attributes
    ----------
    sections : Sections
    conditions : Conditions
    z : (H,) float64
        Heights of the growing wall, ascending, mm.
    by_acceleration : (H,) float64
        Sway of the top per 1 mm/s² along the normal, mm.
    by_force : (H,) float64
        Sway of the top per 1 N applied to it, mm.
    frequency : (H,) float64
        First natural frequency, Hz; infinite where wedges hold the whole wall.
    """

    sections: Sections
    conditions: Conditions
    z: Floats
    by_acceleration: Floats
    by_force: Floats
    frequency: Floats

    @property
    def sway(self) -> Floats:
        """Sway of the wall's top, mm, (H,); 0 while wedges hold the whole wall."""
        c = self.conditions
        return c.acceleration * self.by_acceleration + c.drag * self.by_force

    @property
    def limit(self) -> float:
        """Maximum acceptable sway, mm: `FRACTION` times the bead spacing."""
        return FRACTION * self.conditions.spacing

    def limit_height(self) -> float | None:
        """Height at which the sway reaches the limit, mm, interpolated; None if the limit is not reached."""
        limit, sway = self.limit, self.sway
        if not sway.size or sway[-1] <= limit:
            return None
        return float(np.interp(limit, np.append(0.0, sway), np.append(0.0, self.z)))

    def rim_needed(self) -> float | None:
        """Minimum thickness of a rim of the same width for a sway within the limit.

        Returns
        -------
        float or None
            mm, not less than the present thickness; None without a rim, or if a rim of 20 mm is not enough.
        """
        s = self.sections
        if not s.rim.any():
            return None

        def is_enough(rim: float) -> bool:
            return _final_sway(s.with_rim(rim), self.conditions) <= self.limit

        if _final_sway(s, self.conditions) <= self.limit:
            return s.rim_thickness
        # A thicker rim also adds mass at the top, so the sway of a low, wide wall may increase at first.
        steps = np.linspace(s.rim_thickness, max(THICKEST_RIM, s.rim_thickness), 33)
        enough = next((i for i, rim in enumerate(steps) if is_enough(float(rim))), None)
        if enough is None:
            return None
        return _bisect(is_enough, float(steps[max(enough - 1, 0)]), float(steps[enough]))

    def wedges_needed(self) -> float:
        """Minimum height of wedges that keep the finished wall within the limit, mm; 0 if none are needed."""

        def is_enough(support: float) -> bool:
            return _final_sway(self.sections, replace(self.conditions, support=support)) <= self.limit

        return 0.0 if is_enough(0.0) else _bisect(is_enough, 0.0, self.sections.height)

    def acceleration_needed(self) -> float | None:
        """Maximum acceleration along the wall's normal with a sway within the limit, mm/s².

        Returns
        -------
        float or None
            Infinite if wedges hold the whole wall; None if the drag of the nozzle alone exceeds the limit.
        """
        s, c = self.sections, self.conditions
        margin = self.limit - _final_sway(s, replace(c, acceleration=0.0))
        per_unit = _final_sway(s, replace(c, acceleration=1.0, drag=0.0))
        if margin < 0:
            return None
        return margin / per_unit if per_unit else math.inf

    def advice_line(self) -> str:
        """Summarise the sway of the finished wall in one line, with remedies if the sway exceeds the limit.

        Examples
        --------
        >>> high = measure_sections(np.full((300, 200), 0.8), 0.5)
        >>> compute_steadiness(high, Conditions(3.5, 1240.0, 100.0, drag=0.0)).advice_line().split(";")[0]
        'at 150 mm height the top sways by 0.042 mm, 10 % of the bead spacing (limit: 25 %)'
        """
        c, height = self.conditions, self.sections.height
        finished = compute_steadiness(self.sections, c)  # `z` may end below the finished height
        sway, frequency = float(finished.sway[-1]), float(finished.frequency[-1])
        line = f"at {height:g} mm height the top sways by {sway:.3f} mm, {100 * sway / c.spacing:.0f} %"
        line += f" of the bead spacing (limit: {100 * FRACTION:.0f} %)"
        line += f"; natural frequency {_hertz(frequency)} Hz" if math.isfinite(frequency) else ""
        exceeded = finished.limit_height()
        if exceeded is None:
            return f"{line}; steady"
        remedies = [f"wedges up to {math.ceil(self.wedges_needed()):g} mm"]
        rim, maximum = self.rim_needed(), self.acceleration_needed()
        if rim is not None:
            remedies.append(f"a rim {math.ceil(rim * 10) / 10:g} mm thick")
        if maximum is not None and math.floor(maximum) > 0 and c.acceleration > maximum:
            remedies.append(f"at most {math.floor(maximum):g} mm/s² along the normal")
        return f"{line}; above the limit from {exceeded:.0f} mm on; use {', or '.join(remedies)}"


def _hertz(frequency: float) -> str:
    return f"{frequency:.3g}" if frequency < 1000 else f"{frequency:,.0f}"


def compute_steadiness(wall: Sections, conditions: Conditions, heights: Floats | None = None) -> Steadiness:
    """Compute the sway of a growing wall at every height.

    Parameters
    ----------
    wall : Sections
    conditions : Conditions
    heights : (H,) float64, optional
        Heights of the growing wall, ascending, mm, such as the tops of the layers; by default the top of each
        row. Heights above the wall count as its top.

    Returns
    -------
    Steadiness
        Arrays of H values; empty for no heights.

    Raises
    ------
    PathgenError
        If the heights are not positive and ascending.

    Examples
    --------
    >>> plate = measure_sections(np.full((1000, 10), 3.0), 0.1)
    >>> s = compute_steadiness(plate, Conditions(modulus=3.5, density=1240.0, acceleration=1000.0, drag=0.0))
    >>> round(float(s.sway[-1]), 5), round(float(s.frequency[-1]), 2)  # 12·ρ·a·L⁴/(8·E·t²) = 0.0059048 mm
    (0.0059, 81.42)
    """
    z = np.asarray(wall.top if heights is None else heights, np.float64)
    if z.size and not (z[0] > 0 and (np.diff(z) >= 0).all()):
        raise PathgenError("heights are not positive and ascending", where="steadiness")
    # Units: mm, N, s and tonnes; 1 GPa is 1000 N/mm², 1 kg/m³ is 1e-12 t/mm³.
    length, compliance = _cells(wall, 1 / (1e3 * conditions.modulus * wall.inertia), z, conditions.support)
    length, mass = _cells(wall, 1e-12 * conditions.density * wall.area, z, conditions.support)
    even = np.ones((len(z), CELLS + 1))
    shape = static = _deflection(length, compliance, mass, even)
    pushed = _deflection(length, compliance, mass, 0 * even, force=1.0)
    for _ in range(STEPS):
        before, shape = shape, _deflection(length, compliance, mass, shape)
    squared = np.full(len(z), np.inf)  # ω²
    inertia = _product(mass, shape, shape)
    np.divide(_product(mass, before, shape), inertia, out=squared, where=inertia > 0)
    frequency = np.sqrt(squared) / (2 * np.pi)
    return Steadiness(wall, conditions, z, static[:, -1], pushed[:, -1], frequency)


def _cells(wall: Sections, values: Floats, z: Floats, support: float) -> tuple[Floats, Floats]:
    """Divide the free wall below each height into cells; return lengths (H, 1) and means (H, CELLS)."""
    foot = min(support, wall.height)
    length = np.clip(z - foot, 0.0, wall.height - foot)[:, None] / CELLS
    edges = foot + length * np.arange(CELLS + 1)
    rows = np.diff(wall.top, prepend=0.0)
    total = np.interp(edges, np.append(0.0, wall.top), np.append(0.0, np.cumsum(values * rows)))
    return length, np.diff(total, axis=1) / np.where(length > 0, length, 1.0)


def _deflection(length: Floats, compliance: Floats, mass: Floats, pull: Floats, force: float = 0.0) -> Floats:
    """Compute the deflection of clamped beams; exact for constant stiffness and linear load within each cell.

    Parameters
    ----------
    length : (H, 1) float64
        Length of a cell.
    compliance, mass : (H, K) float64
        1/EI and mass per length of each cell.
    pull : (H, K + 1) float64
        Acceleration at the edges of the cells; the load is mass times acceleration.
    force : float
        Force at the top.

    Returns
    -------
    (H, K + 1) float64
        Deflection at the edges of the cells, from the foot up.
    """
    h, low, high = length, mass * pull[:, :-1], mass * pull[:, 1:]
    shear = force + _downward(h * (low + high) / 2)
    moment = _downward(shear[:, 1:] * h + h**2 * (low + 2 * high) / 6)
    v, m = shear[:, 1:], moment[:, 1:]  # at each cell's upper edge
    slope = _upward(compliance * h * (m + h * (v / 2 + h * (low + 3 * high) / 24)))
    within = compliance * h**2 * (m / 2 + h * (v / 3 + h * (4 * low + 11 * high) / 120))
    return _upward(slope[:, :-1] * h + within)


def _upward(steps: Floats) -> Floats:
    """Accumulate from the foot up; (H, K) becomes (H, K + 1)."""
    return np.pad(np.cumsum(steps, axis=1), ((0, 0), (1, 0)))


def _downward(steps: Floats) -> Floats:
    """Accumulate from the top down; (H, K) becomes (H, K + 1)."""
    return _upward(steps[:, ::-1])[:, ::-1]


def _product(mass: Floats, a: Floats, b: Floats) -> Floats:
    """Return ∫ mass·a·b over each beam in cell lengths, (H,), with a and b linear in each cell."""
    ends = a[:, :-1] * (2 * b[:, :-1] + b[:, 1:]) + a[:, 1:] * (b[:, :-1] + 2 * b[:, 1:])
    return np.asarray(np.einsum("ij,ij->i", mass, ends) / 6)


def _final_sway(wall: Sections, conditions: Conditions) -> float:
    return float(compute_steadiness(wall, conditions, wall.top[-1:]).sway[0])


def _bisect(is_enough: Callable[[float], bool], failing: float, sufficient: float) -> float:
    """Bisect between a failing value and a sufficient value; return the smallest sufficient value found."""
    for _ in range(HALVINGS):
        middle = (failing + sufficient) / 2
        failing, sufficient = (failing, middle) if is_enough(middle) else (middle, sufficient)
    return sufficient
