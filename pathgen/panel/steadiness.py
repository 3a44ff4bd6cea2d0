"""Steadiness: how far the growing panel sways, as numbers.

*Model.* At height z the panel is an upright beam: the wall below z, clamped where the brim holds it, free at
the top, bending about the u axis (Euler–Bernoulli). Each row's section is its columns, all standing on one
flat back: plane sections stay plane over the whole width, so the second moment is that of the section about
its own centroid. What acts along the normal n is the acceleration of the wall itself, where the platform
carries it that way, and the nozzle's drag at the top; both as if at rest, as in δ = 12ρaL⁴/(8Et²).

*What it leaves out.* A jerk makes an undamped wall swing up to twice as far as this. A thin middle between
stiff rims sways more than the section as a whole does. Held widths (E/(1 − ν²), an eighth stiffer) and shear
are left out too; they matter little and pull in opposite directions.

*Wedges* hold the wall as the platform does, up to their top: the clamp moves there. They touch the rim over
their whole height, so they resist turning as well as moving; a support that touched in one point would not.

*Method.* Every height's beam is cut into as many cells, with mean compliance and mass in each, taken from
sums over the rows. Sway follows by integrating four times, down and up. The frequency is Rayleigh's quotient
of the static shape bettered twice by the shape under its own inertia (Stodola's iteration). The static shape
alone is 0.4 % too high for an even wall; one step is enough there, but leaves 0.3 % on strongly stepped ones.
So all heights go in a few array operations instead of an eigenproblem each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError

Floats = NDArray[np.float64]

DUST = 1e-3  # mm; a wall thinner than this carries nothing, and its stiffness could not be counted with
CELLS = 200  # cells of every height's beam: within 2 in 10 000 of finite elements, stepped walls included
STEPS = 2  # by which the static shape is bettered for the frequency
FRACTION = 0.25  # of a bead's spacing that sway may reach: a judgement
# Assumed, not measured: melt of some 300 Pa·s under 0.5 mm² of nozzle face, sheared at 20 mm/s over 0.1 mm.
DRAG = 0.03  # N
THICKEST_RIM = 20.0  # mm; a rim thicker than this is no longer one
HALVINGS = 40
STANDING = "rows of wall from the platform up"


@dataclass(frozen=True, slots=True)
class Sections:
    """The wall's horizontal sections, row by row from the platform up.

    Attributes
    ----------
    top : (R,) float64
        Upper edge of each row, mm.
    moments : (4, R) float64
        ∫ tᵏ du over each row's wall for k = 0 to 3; k = 0 is its width.
    rim : (4, R) float64
        The same of the rim alone.
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
        area: Floats = self.moments[1]
        return area

    @property
    def inertia(self) -> Floats:
        """Second moment of each section about its centroidal axis along u, mm⁴, (R,).

        Columns reach from the back n = 0 to n = t, so it is ∫t³/3 du − A·n̄², n̄ = ∫t²/2 du / A.
        """
        _, area, second, third = self.moments
        return np.asarray(third / 3 - second**2 / (4 * area))

    @property
    def rim_thickness(self) -> float:
        """Mean thickness of the rim, mm; 0 where there is none."""
        width = float(self.rim[0].sum())
        return float(self.rim[1].sum()) / width if width else 0.0

    def with_rim(self, thickness: float) -> Sections:
        """Give the same wall with its rim `thickness` mm thick, as wide as it was."""
        rim = self.rim[0] * thickness ** np.arange(4.0)[:, None]
        return Sections(self.top, self.moments - self.rim + rim, rim)


def measure_sections(
    thickness: NDArray[np.floating], pixel: float, rim: int | NDArray[np.bool_] = 0
) -> Sections:
    """Measure a panel's horizontal sections.

    Parameters
    ----------
    thickness : (R, C) float
        Thickness of the whole panel, mm, row 0 at the top; 0 (or less than `DUST`) where there is no wall.
    pixel : float
        Spacing of the map, mm.
    rim : int or (R, C) bool
        Width of the rim in pixels on all four sides, or which pixels are rim.

    Returns
    -------
    Sections
        Rows without wall above the uppermost one with wall are left away.

    Raises
    ------
    PathgenError
        When a row has no wall to carry what is above it, or a thickness is negative or not a number.

    Examples
    --------
    >>> plate = measure_sections(np.full((10, 20), 3.0), 0.5)
    >>> plate.height, float(plate.area[0]), float(plate.inertia[0])  # 10 mm wide: 10·3³/12
    (5.0, 30.0, 22.5)
    """
    t = np.asarray(thickness, np.float64)[::-1]
    if t.ndim != 2 or not t.any():
        raise PathgenError(f"no wall in a thickness map of {t.shape} pixels", allowed=STANDING)
    if not (t.min() >= 0 and np.isfinite(t.max())):
        raise PathgenError("the thickness map has values below 0 or not finite", allowed="mm, 0 or more")
    if (dust := (t > 0) & (t < DUST)).any():
        t = np.where(dust, 0.0, t)
        if not t.any():
            raise PathgenError(f"no wall of {DUST:g} mm or more in the thickness map", allowed=STANDING)
    framed = np.zeros(t.shape, bool)
    if isinstance(rim, np.ndarray):
        framed |= rim[::-1]
    elif rim > 0:
        framed[:] = True
        framed[rim:-rim, rim:-rim] = False
    moments = _moments(t, pixel)
    rows = int(np.flatnonzero(moments[1])[-1]) + 1
    gaps = np.flatnonzero(moments[1, :rows] == 0)
    if gaps.size:
        what = f"no wall at {gaps[0] * pixel:.1f} mm, under what should stand on it"
        raise PathgenError(what, allowed=STANDING)
    edge = _moments(np.where(framed, t, 0.0), pixel) if framed.any() else np.zeros_like(moments)
    return Sections(pixel * np.arange(1.0, rows + 1), moments[:, :rows], edge[:, :rows])


def _moments(t: Floats, pixel: float) -> Floats:
    """∫ tᵏ du of every row, k = 0 to 3, (4, R)."""
    width = np.count_nonzero(t, axis=1)
    square = t * t
    return pixel * np.stack([width, t.sum(axis=1), square.sum(axis=1), np.einsum("ij,ij->i", square, t)])


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the wall is made of and what shakes it.

    Attributes
    ----------
    modulus : float
        Young's modulus, GPa.
    density : float
        kg/m³.
    acceleration : float
        Of the wall along its normal, mm/s²: the platform axis's where it moves that way, 0 where only the
        head moves.
    drag : float
        Force of the nozzle on the top along the normal, N. The default is an assumption.
    support : float
        Height that wedges hold the wall up to, mm.
    spacing : float
        Spacing of a bead, mm: what sway is measured against.
    """

    modulus: float
    density: float
    acceleration: float = 0.0
    drag: float = DRAG
    support: float = 0.0
    spacing: float = 0.42

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for name in self.__slots__:
            value, least = getattr(self, name), name in ("modulus", "density", "spacing")
            if not (value > 0 if least else value >= 0) or math.isinf(value):
                allowed = "more than 0" if least else "0 or more"
                raise PathgenError(f"{name} is {value:g}", where="steadiness", allowed=allowed)


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How far the wall sways at every height of its growth.

    Attributes
    ----------
    sections : Sections
    conditions : Conditions
    z : (H,) float64
        Heights the wall has reached, rising, mm.
    by_acceleration : (H,) float64
        Sway of the top for 1 mm/s² along the normal, mm.
    by_force : (H,) float64
        Sway of the top for 1 N on it, mm.
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
        """Sway of the top under the conditions, mm, (H,); 0 where wedges hold the whole wall."""
        c = self.conditions
        return c.acceleration * self.by_acceleration + c.drag * self.by_force

    def limit_height(self, fraction: float = FRACTION, measure: float | None = None) -> float | None:
        """Height at which sway passes a fraction of a bead's spacing.

        Parameters
        ----------
        fraction : float
        measure : float, optional
            What to take the fraction of instead of the spacing, such as the layer height, mm.

        Returns
        -------
        float or None
            mm, interpolated between heights; None when it is not passed.
        """
        limit, sway = self._limit(fraction, measure), self.sway
        if not sway.size or sway[-1] <= limit:
            return None
        return float(np.interp(limit, np.append(0.0, sway), np.append(0.0, self.z)))

    def rim_needed(self, fraction: float = FRACTION, measure: float | None = None) -> float | None:
        """Thinnest rim, as wide as it is, with which the finished wall stays within the limit.

        Parameters are those of `limit_height`.

        Returns
        -------
        float or None
            mm, not less than the present one; None when there is no rim, or none up to 20 mm is enough.
        """
        limit, s = self._limit(fraction, measure), self.sections
        if not s.rim.any():
            return None

        def holds(rim: float) -> bool:
            return _sway_of_top(s.with_rim(rim), self.conditions) <= limit

        if _sway_of_top(s, self.conditions) <= limit:
            return s.rim_thickness
        # A thicker rim is more mass at the top too, so on a low wide wall sway may rise before it falls.
        steps = np.linspace(s.rim_thickness, max(THICKEST_RIM, s.rim_thickness), 33)
        enough = next((i for i, rim in enumerate(steps) if holds(float(rim))), None)
        if enough is None:
            return None
        return _least(holds, float(steps[max(enough - 1, 0)]), float(steps[enough]))

    def wedges_needed(self, fraction: float = FRACTION, measure: float | None = None) -> float:
        """Least height wedges must hold the finished wall up to, mm; 0 when none are needed.

        Parameters are those of `limit_height`.
        """
        limit = self._limit(fraction, measure)

        def holds(support: float) -> bool:
            return _sway_of_top(self.sections, replace(self.conditions, support=support)) <= limit

        return 0.0 if holds(0.0) else _least(holds, 0.0, self.sections.height)

    def acceleration_needed(self, fraction: float = FRACTION, measure: float | None = None) -> float | None:
        """Highest acceleration along the normal that the finished wall stands, mm/s².

        Parameters are those of `limit_height`. Sway is linear in it, so nothing has to be searched.

        Returns
        -------
        float or None
            Infinite when wedges hold the whole wall; None when the nozzle's drag alone is too much.
        """
        s, c = self.sections, self.conditions
        left = self._limit(fraction, measure) - _sway_of_top(s, replace(c, acceleration=0.0))
        each = _sway_of_top(s, replace(c, acceleration=1.0, drag=0.0))
        if left < 0:
            return None
        return left / each if each else math.inf

    def advice_line(self, fraction: float = FRACTION) -> str:
        """Say in one line how steady the finished wall is, and what would hold it where it is not.

        Examples
        --------
        >>> high = measure_sections(np.full((300, 200), 0.8), 0.5)
        >>> compute_steadiness(high, Conditions(3.5, 1240.0, 100.0, drag=0.0)).advice_line()[:67]
        'at 150 mm the top sways 0.042 mm, 10 % of a bead, and rings at 9.65'
        """
        c, height = self.conditions, self.sections.height
        grown = compute_steadiness(self.sections, c)  # whatever heights were asked for
        sway, rings, passed = float(grown.sway[-1]), float(grown.frequency[-1]), grown.limit_height(fraction)
        said = f"at {height:g} mm the top sways {sway:.3f} mm, {100 * sway / c.spacing:.0f} % of a bead"
        said += f", and rings at {_hertz(rings)} Hz" if math.isfinite(rings) else ""
        if passed is None:
            return f"{said}: steady"
        ways = [f"wedges up to {math.ceil(self.wedges_needed(fraction)):g} mm"]
        rim, most = self.rim_needed(fraction), self.acceleration_needed(fraction)
        if rim is not None:
            ways.append(f"a rim {math.ceil(rim * 10) / 10:g} mm thick")
        if most is not None and math.floor(most) > 0 and c.acceleration > most:
            ways.append(f"at most {math.floor(most):g} mm/s² along its normal")
        limit = f"{100 * fraction:.0f} % is passed at {passed:.0f} mm"
        return f"{said}; {limit}; what holds it: {', or '.join(ways)}"

    def _limit(self, fraction: float, measure: float | None) -> float:
        return fraction * (self.conditions.spacing if measure is None else measure)


def _hertz(frequency: float) -> str:
    return f"{frequency:.3g}" if frequency < 1000 else f"{frequency:,.0f}"


def compute_steadiness(wall: Sections, conditions: Conditions, heights: Floats | None = None) -> Steadiness:
    """Work out how far a growing wall sways, at every height.

    Parameters
    ----------
    wall : Sections
    conditions : Conditions
    heights : (H,) float64, optional
        Heights the wall has reached, rising, mm, such as the layers' tops; by default each row's. What is
        above the wall counts as its top.

    Returns
    -------
    Steadiness
        Arrays of H values; empty for no heights.

    Raises
    ------
    PathgenError
        For heights that do not rise from above 0.

    Examples
    --------
    >>> plate = measure_sections(np.full((1000, 10), 3.0), 0.1)
    >>> s = compute_steadiness(plate, Conditions(modulus=3.5, density=1240.0, acceleration=1000.0, drag=0.0))
    >>> round(float(s.sway[-1]), 5), round(float(s.frequency[-1]), 2)  # 12·ρ·a·L⁴/(8·E·t²) = 0.0059048 mm
    (0.0059, 81.42)
    """
    z = np.asarray(wall.top if heights is None else heights, np.float64)
    if z.size and not (z[0] > 0 and (np.diff(z) >= 0).all()):
        raise PathgenError("heights do not rise from above 0", where="steadiness", allowed="rising, mm")
    # mm, N, s and tonnes: 1 GPa is 1000 N/mm², 1 kg/m³ is 1e-12 t/mm³.
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
    """Cut the free part below each height into cells: their length (H, 1) and mean values (H, CELLS)."""
    foot = min(support, wall.height)
    length = np.clip(z - foot, 0.0, wall.height - foot)[:, None] / CELLS
    edges = foot + length * np.arange(CELLS + 1)
    rows = np.diff(wall.top, prepend=0.0)
    total = np.interp(edges, np.append(0.0, wall.top), np.append(0.0, np.cumsum(values * rows)))
    return length, np.diff(total, axis=1) / np.where(length > 0, length, 1.0)


def _deflection(length: Floats, compliance: Floats, mass: Floats, pull: Floats, force: float = 0.0) -> Floats:
    """Deflect beams clamped at their foot: exact for stiffness even and load linear within each cell.

    Parameters
    ----------
    length : (H, 1) float64
    compliance, mass : (H, K) float64
        1/EI and mass a length, of each cell.
    pull : (H, K + 1) float64
        Acceleration at each cell's edges; load is mass times it.
    force : float
        At the top.

    Returns
    -------
    (H, K + 1) float64
        Deflection at the cells' edges, from the foot up.
    """
    h, low, high = length, mass * pull[:, :-1], mass * pull[:, 1:]
    shear = force + _downward(h * (low + high) / 2)
    moment = _downward(shear[:, 1:] * h + h**2 * (low + 2 * high) / 6)
    v, m = shear[:, 1:], moment[:, 1:]  # at each cell's upper edge
    slope = _upward(compliance * h * (m + h * (v / 2 + h * (low + 3 * high) / 24)))
    within = compliance * h**2 * (m / 2 + h * (v / 3 + h * (4 * low + 11 * high) / 120))
    return _upward(slope[:, :-1] * h + within)


def _upward(steps: Floats) -> Floats:
    """Sum from the foot up, (H, K) to (H, K + 1)."""
    return np.pad(np.cumsum(steps, axis=1), ((0, 0), (1, 0)))


def _downward(steps: Floats) -> Floats:
    """Sum from the top down, (H, K) to (H, K + 1)."""
    return _upward(steps[:, ::-1])[:, ::-1]


def _product(mass: Floats, a: Floats, b: Floats) -> Floats:
    """∫ mass·a·b over each beam in cell lengths, a and b linear in each cell, (H,)."""
    ends = a[:, :-1] * (2 * b[:, :-1] + b[:, 1:]) + a[:, 1:] * (b[:, :-1] + 2 * b[:, 1:])
    return np.asarray(np.einsum("ij,ij->i", mass, ends) / 6)


def _sway_of_top(wall: Sections, conditions: Conditions) -> float:
    return float(compute_steadiness(wall, conditions, wall.top[-1:]).sway[0])


def _least(holds: Callable[[float], bool], fails: float, held: float) -> float:
    """Halve the way between a value that fails and one that holds; give the least found to hold."""
    for _ in range(HALVINGS):
        middle = (fails + held) / 2
        fails, held = (fails, middle) if holds(middle) else (middle, held)
    return held
