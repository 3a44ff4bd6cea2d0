"""Transmittance laws: the fraction of light that a thickness of plastic transmits.

Glossary. *Transmittance* T: light that leaves over light that arrives, 0 to 1. *t0*: transmittance of the two
surfaces alone, at thickness 0. *Absorption* K and *scattering* S: shares of the light that are absorbed, and
scattered back, per millimetre. *Valid*: range of thickness in which a law was measured. *Error*: relative
standard error of T in that range. Thickness is in mm and never negative.

To add a law with a few parameters, add its settings type to `pathgen.settings.material` and, in this module,
its class and an entry of `LAW_MODELS`; the fit, the command line and the material file follow from the entry.
A law that is not fitted registers a function from its settings type: ``law.register(Settings)(function)``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import singledispatch
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pathgen.errors import PathgenError
from pathgen.optics.measured_law import TableLaw
from pathgen.settings.material import THICKEST, Exponential, Table, TwoFlux

Floats = NDArray[np.float64]
Range = tuple[float, float]


class TransmittanceLaw(Protocol):
    """Interface of a transmittance law; methods take arrays and return float64 of the same shape."""

    @property
    def valid(self) -> Range:
        """Range of thickness in which the law was measured, (low, high) mm."""

    @property
    def error(self) -> float | None:
        """Relative standard error of the transmittance within `valid`; None if it was not measured."""

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Return the transmittance of a thickness in mm, which decreases from t0 to 0."""

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Return the thickness in mm for a transmittance: 0 for t0 or more, infinity for 0 or less."""

    def slope(self, thickness: ArrayLike) -> Floats:
        """Return the derivative dT/dt at a thickness, in 1/mm, at most 0."""


@singledispatch
def law(light: object) -> TransmittanceLaw:
    """Return the transmittance law that the `light` table of a material describes.

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
        If no law is registered for the type.

    Examples
    --------
    >>> two_flux = law(TwoFlux(absorption=0.1, scattering=2.0))
    >>> two_flux.transmittance([1.0, 2.0]).round(7).tolist()
    [0.2891367, 0.135423]
    >>> round(float(two_flux.inverse(0.1354230)), 4)
    2.0
    """
    known = sorted(kind.__name__ for kind in law.registry if kind is not object)
    raise PathgenError(f"{type(light).__name__} is not a known transmittance law", allowed=", ".join(known))


@dataclass(frozen=True, slots=True)
class ExponentialLaw:
    """Exponential law T = t0·exp(−t/ℓ), for plastics that scatter little (Bouguer–Lambert; from memory).

    Attributes
    ----------
    length : float
        Attenuation length ℓ, mm.
    t0 : float
        Transmittance at thickness 0.
    valid, error
        As in `TransmittanceLaw`.
    """

    length: float
    t0: float = 1.0
    valid: Range = (0.0, THICKEST)
    error: float | None = None

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Return the transmittance of a thickness in mm."""
        return np.asarray(self.t0 * np.exp(np.asarray(thickness, dtype=np.float64) / -self.length))

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Return the thickness that has a transmittance, in mm."""
        share = np.clip(np.asarray(transmittance, dtype=np.float64) / self.t0, 0.0, 1.0)
        with np.errstate(divide="ignore"):  # a transmittance of 0 needs an infinite thickness
            return np.asarray(-self.length * np.log(share) + 0.0)  # + 0.0: no negative zero

    def slope(self, thickness: ArrayLike) -> Floats:
        """Return the derivative dT/dt at a thickness, in 1/mm."""
        return self.transmittance(thickness) / -self.length


@dataclass(frozen=True, slots=True)
class TwoFluxLaw:
    """Kubelka–Munk law, for plastics that scatter light forwards and backwards.

    T = t0·b/(a·sinh bSt + b·cosh bSt), a = 1 + K/S, b = √(a² − 1) (P. Kubelka, J. Opt. Soc. Am. 38, 448,
    1948). The code uses γ = bS = √(K(K + 2S)) and only decaying exponentials. It therefore covers K = 0
    (T = t0/(1 + St)), S = 0 (T = t0·exp(−Kt)) and opaque walls.

    Attributes
    ----------
    absorption, scattering : float
        K and S, 1/mm; not both 0.
    t0 : float
        Transmittance at thickness 0.
    valid, error
        As in `TransmittanceLaw`.
    """

    absorption: float
    scattering: float
    t0: float = 1.0
    valid: Range = (0.0, THICKEST)
    error: float | None = None

    @property
    def decay(self) -> float:
        """Attenuation γ, the limit of −d ln T/dt for a thick wall, 1/mm."""
        return float(np.sqrt(self.absorption * (self.absorption + 2 * self.scattering)))

    def transmittance(self, thickness: ArrayLike) -> Floats:
        """Return the transmittance of a thickness in mm."""
        fall, _, spread = self._terms(thickness)
        return np.asarray(self.t0 * fall / spread)

    def inverse(self, transmittance: ArrayLike) -> Floats:
        """Return the thickness in mm for a transmittance, from a quadratic equation in exp(γt)."""
        gamma, loss = self.decay, self.absorption + self.scattering
        transmittance = np.asarray(transmittance, dtype=np.float64)
        # A smaller transmittance is rounding error, and its reciprocal would overflow.
        over = self.t0 / np.clip(transmittance, self.t0 * 1e-300, self.t0)
        root = np.hypot(gamma * over, self.scattering) + loss
        grown = (over - 1) * (1 + gamma * (over + 1) / root) / (loss + gamma)  # (exp(γt) − 1)/γ
        thickness = np.log1p(gamma * grown) / gamma if gamma > 0 else grown
        return np.where(transmittance > 0, thickness, np.inf)

    def slope(self, thickness: ArrayLike) -> Floats:
        """Return the derivative dT/dt at a thickness, in 1/mm."""
        fall, reach, spread = self._terms(thickness)
        loss = self.absorption + self.scattering
        rate = (loss * (1 + fall * fall) / 2 + self.decay**2 * reach) / spread  # −d ln T/dt
        return np.asarray(-self.t0 * fall / spread * rate)

    def _terms(self, thickness: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return exp(−γt), r = (1 − exp(−2γt))/2γ, and the denominator of T."""
        gamma, t = self.decay, np.asarray(thickness, dtype=np.float64)
        fall = np.exp(-gamma * t) if gamma else np.ones_like(t)
        reach = np.expm1(-2 * gamma * t) / (-2 * gamma) if gamma else t
        return fall, reach, (self.absorption + self.scattering) * reach + (1 + fall * fall) / 2


@dataclass(frozen=True, slots=True)
class LawModel:
    """A law that can be fitted, with its settings, class, and initial values and bounds of parameters.

    Attributes
    ----------
    record : type
        Settings type. Its tag is the name of the law in a material's `[light]` table.
    build : callable
        Class of the law, called with the parameters, then `t0`, `valid` and `error`.
    parameters : tuple of (key, unit)
        Keys of the parameters in `[light]`, without `t0`.
    low, high : tuple of float
        Bounds of the parameters.
    starts : callable
        Initial parameters for the fit, several sets, from the mean rate −d ln T/dt in 1/mm.
    """

    record: type[Exponential] | type[TwoFlux]
    build: Callable[..., TransmittanceLaw]
    parameters: tuple[tuple[str, str], ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    starts: Callable[[float], list[list[float]]]

    @property
    def name(self) -> str:
        """Name of the law in the `[light]` table of a material."""
        return str(self.record.__struct_config__.tag)

    def read(self, light: Any) -> TransmittanceLaw:
        """Return the law that a settings record describes."""
        own = (getattr(light, key) for key, _ in self.parameters)
        return self.build(*own, light.t0, light.valid, light.error)


LAW_MODELS = (
    LawModel(Exponential, ExponentialLaw, (("length", "mm"),), (1e-3,), (100.0,), lambda rate: [[1 / rate]]),
    LawModel(
        TwoFlux,
        TwoFluxLaw,
        (("absorption", "1/mm"), ("scattering", "1/mm")),
        (0.0, 1e-6),
        (1000.0, 1000.0),
        # Moderate and strong scattering, and almost none, where the law is nearly exponential.
        lambda rate: [[rate / 4, rate * 2], [rate / 40, rate * 8], [rate, rate / 100]],
    ),
)

for _model in LAW_MODELS:
    law.register(_model.record)(_model.read)


@law.register
def _(light: Table) -> TransmittanceLaw:
    ends = (light.thickness[0], light.thickness[-1])
    valid = (max(ends[0], light.valid[0]), min(ends[1], light.valid[1]))
    return TableLaw(light.thickness, light.transmittance, valid if valid[0] < valid[1] else ends, light.error)
