"""Transmittance laws: how much light a thickness of a plastic lets through.

Glossary. *Transmittance* T: light that leaves over light that arrives, 0 to 1. *t0*: what the two surfaces
alone let through, the transmittance at thickness 0. *Absorption* K and *scattering* S: shares of light lost,
and turned back, in each millimetre. *Valid*: the thicknesses that a law was measured at. *Error*: relative
standard error of T there. Thickness is in mm and never negative.

A law is chosen by the type of a material's `light`. Another law joins by registering a function for its
settings type: ``law.register(Settings)(function from settings to law)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import singledispatch
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pathgen.errors import PathgenError
from pathgen.optics.measured_law import TableLaw
from pathgen.settings.material import THICKEST, Exponential, LightLaw, Table, TwoFlux

Floats = NDArray[np.float64]
Range = tuple[float, float]


class TransmittanceLaw(Protocol):
    """What every law can do. Arrays in, float64 of the same shape out; empty gives empty."""

    @property
    def valid(self) -> Range:
        """Thicknesses the law holds for, mm: those it was measured at."""
        ...

    @property
    def error(self) -> float | None:
        """Relative standard error of a transmittance in that range; None where nobody measured."""
        ...

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Transmittance, 0 to t0, of a thickness in mm; falls as thickness grows."""
        ...

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Thickness in mm that has a transmittance; 0 from t0 upwards, infinite from 0 downwards."""
        ...

    def slope(self, thickness: ArrayLike) -> Floats:
        """Change of transmittance with thickness, dT/dt in 1/mm; never positive."""
        ...


@singledispatch
def law(light: object) -> TransmittanceLaw:
    """Build the law that a material's `light` describes.

    Parameters
    ----------
    light : Exponential, TwoFlux, Table or another registered settings type
        The `light` of a `Material`.

    Returns
    -------
    TransmittanceLaw
        The law, with `transmittance`, `inverse`, `slope`, `valid` and `error`.

    Raises
    ------
    PathgenError
        When no law is registered for the type.

    Examples
    --------
    >>> two_flux = law(TwoFlux(absorption=0.1, scattering=2.0))
    >>> two_flux.transmittance([1.0, 2.0]).round(7).tolist()
    [0.2891367, 0.135423]
    >>> round(float(two_flux.inverse(0.1354230)), 4)
    2.0
    """
    known = sorted(kind.__name__ for kind in law.registry if kind is not object)
    raise PathgenError(f"no transmittance law for {type(light).__name__}", allowed=", ".join(known))


@dataclass(frozen=True, slots=True)
class ExponentialLaw:
    """T = t0·exp(−t/ℓ), the law of a plastic that scatters little (Bouguer, Lambert; from memory).

    Attributes
    ----------
    length : float
        ℓ, mm.
    t0 : float
        Transmittance at thickness 0.
    valid, error
        As those of `TransmittanceLaw`.
    """

    length: float
    t0: float = 1.0
    valid: Range = (0.0, THICKEST)
    error: float | None = None

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Transmittance of a thickness in mm."""
        return np.asarray(self.t0 * np.exp(np.asarray(thickness, dtype=np.float64) / -self.length))

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Thickness in mm that has a transmittance."""
        share = np.clip(np.asarray(transmittance, dtype=np.float64) / self.t0, 0.0, 1.0)
        with np.errstate(divide="ignore"):  # nothing comes through an infinite thickness
            return np.asarray(-self.length * np.log(share) + 0.0)  # + 0.0: no negative zero

    def slope(self, thickness: ArrayLike) -> Floats:
        """Change of transmittance with thickness, 1/mm."""
        return self.transmittance(thickness) / -self.length


@dataclass(frozen=True, slots=True)
class TwoFluxLaw:
    """The law of a plastic that scatters: light is followed on its way out and on its way back.

    T = t0·b/(a·sinh bSt + b·cosh bSt), a = 1 + K/S, b = √(a² − 1) (P. Kubelka, J. Opt. Soc. Am. 38, 448,
    1948). Written here with γ = bS = √(K(K + 2S)) and decaying exponentials only: so it holds from K = 0,
    where it is t0/(1 + St), to S = 0, where it is t0·exp(−Kt), and for walls that let nothing through.

    Attributes
    ----------
    absorption, scattering : float
        K and S, 1/mm; not both 0.
    t0 : float
        Transmittance at thickness 0.
    valid, error
        As those of `TransmittanceLaw`.
    """

    absorption: float
    scattering: float
    t0: float = 1.0
    valid: Range = (0.0, THICKEST)
    error: float | None = None

    @property
    def decay(self) -> float:
        """γ, the rate −d ln T/dt that a thick wall tends to, 1/mm."""
        return float(np.sqrt(self.absorption * (self.absorption + 2 * self.scattering)))

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Transmittance of a thickness in mm."""
        fall, reach = self._terms(np.asarray(thickness, dtype=np.float64))
        loss = self.absorption + self.scattering
        return np.asarray(self.t0 * fall / (loss * reach + (1 + fall * fall) / 2))

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Thickness in mm that has a transmittance: a quadratic in exp(γt), solved without cancellation."""
        gamma, loss = self.decay, self.absorption + self.scattering
        transmittance = np.asarray(transmittance, dtype=np.float64)
        # Below the smallest share light is a matter of rounding, and 1/share would overflow.
        over = self.t0 / np.clip(transmittance, self.t0 * 1e-300, self.t0)
        root = np.hypot(gamma * over, self.scattering) + loss
        grown = (over - 1) * (1 + gamma * (over + 1) / root) / (loss + gamma)  # (exp(γt) − 1)/γ
        thickness = np.log1p(gamma * grown) / gamma if gamma > 0 else grown
        return np.where(transmittance > 0, thickness, np.inf)

    def slope(self, thickness: ArrayLike) -> Floats:
        """Change of transmittance with thickness, 1/mm."""
        fall, reach = self._terms(np.asarray(thickness, dtype=np.float64))
        loss = self.absorption + self.scattering
        spread = loss * reach + (1 + fall * fall) / 2
        rate = (loss * (1 + fall * fall) / 2 + self.decay**2 * reach) / spread  # −d ln T/dt
        return np.asarray(-self.t0 * fall / spread * rate)

    def _terms(self, thickness: Floats) -> tuple[Floats, Floats]:
        """exp(−γt), and (1 − exp(−2γt))/2γ, which tends to t as γ tends to 0."""
        gamma = self.decay
        if gamma == 0:
            return np.ones_like(thickness), thickness
        return np.exp(-gamma * thickness), np.expm1(-2 * gamma * thickness) / (-2 * gamma)


def spread_width(light: LightLaw, thickness: ArrayLike) -> Floats:
    """Width of the spot that a point of light behind the wall makes on its face.

    Parameters
    ----------
    light : Light
        The `light` of a `Material`.
    thickness : array_like
        mm, any shape.

    Returns
    -------
    array of float64
        Standard deviation along either direction, mm: spread + spread_growth·t; same shape, empty for empty
        input. Light that has been scattered often enough to forget its direction leaves a slab over a spot as
        wide as the slab is thick, hence the part that grows with t (from memory); what the light has spread
        before it enters the wall, as across an air gap, does not grow.

    Examples
    --------
    >>> spread_width(Exponential(length=1.2, spread=0.1, spread_growth=0.2), [0.0, 2.0]).tolist()
    [0.1, 0.5]
    """
    return np.asarray(light.spread + light.spread_growth * np.asarray(thickness, dtype=np.float64))


@law.register
def _(light: Exponential) -> TransmittanceLaw:
    return ExponentialLaw(light.length, light.t0, light.valid, light.error)


@law.register
def _(light: TwoFlux) -> TransmittanceLaw:
    return TwoFluxLaw(light.absorption, light.scattering, light.t0, light.valid, light.error)


@law.register
def _(light: Table) -> TransmittanceLaw:
    ends = (light.thickness[0], light.thickness[-1])
    valid = (max(ends[0], light.valid[0]), min(ends[1], light.valid[1]))
    return TableLaw(light.thickness, light.transmittance, valid if valid[0] < valid[1] else ends, light.error)
