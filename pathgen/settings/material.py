"""What a plastic is: density, temperatures, stiffness, and how light comes through it."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from pathgen.settings.machine import CELSIUS, MM, About, Name, Profile

PER_MM = {"unit": "1/mm"}
DENSITY = {"unit": "kg/m³", "note": "1.24 g/cm³ is 1240 kg/m³"}
MODULUS = {"unit": "GPa", "note": "3500 MPa is 3.5 GPa"}
FAN = {"note": "a fraction: 80 % is 0.8"}
Fraction = Annotated[float, Meta(gt=0, le=1)]
NozzleCelsius = Annotated[float, Meta(gt=0, le=500, extra=CELSIUS)]
PlatformCelsius = Annotated[float, Meta(ge=0, le=200, extra=CELSIUS)]


class Exponential(Profile, frozen=True, tag_field="law", tag="exponential"):
    """Transmittance T = T0·exp(−t/ℓ): one scattering length, a first guess where nothing was measured."""

    length: Annotated[float, Meta(gt=0, le=100, extra=MM)]  # ℓ, mm
    t0: Fraction = 1.0  # transmittance of the two surfaces alone


class TwoFlux(Profile, frozen=True, tag_field="law", tag="two-flux"):
    """Kubelka–Munk transmittance with absorption and scattering."""

    absorption: Annotated[float, Meta(ge=0, le=1000, extra=PER_MM)]  # K, 1/mm
    scattering: Annotated[float, Meta(gt=0, le=1000, extra=PER_MM)]  # S, 1/mm
    t0: Fraction = 1.0


Law = Exponential | TwoFlux


class Temperatures(Profile, frozen=True):
    """Working temperatures, °C."""

    nozzle: NozzleCelsius
    nozzle_min: NozzleCelsius  # below this no filament is fed
    nozzle_max: NozzleCelsius
    platform: PlatformCelsius
    platform_max: PlatformCelsius
    glass_transition: NozzleCelsius


class Material(Profile, frozen=True):
    """One plastic. Figures are typical values unless the file says they were measured."""

    name: Name
    about: About
    density: Annotated[float, Meta(ge=100, le=10000, extra=DENSITY)]  # kg/m³
    modulus: Annotated[float, Meta(gt=0, le=100, extra=MODULUS)]  # Young's modulus, GPa
    price: Annotated[float, Meta(ge=0)]  # per kg, in the currency you calculate in
    fan: Annotated[float, Meta(ge=0, le=1, extra=FAN)]  # part cooling, 0 to 1, from the second layer on
    temperature: Temperatures
    light: Law
