"""Material profiles: density, temperatures, stiffness, transmittance of light, and viewing conditions."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

from msgspec import Meta

from pathgen.settings.machine import MM, About, Fan, Name, NozzleCelsius, PlatformCelsius, Profile, Range
from pathgen.settings.validation import Fault, bad, refuse_first

PER_MM = {"unit": "1/mm"}
DENSITY = {"unit": "kg/m³", "note": "1.24 g/cm³ is 1240 kg/m³"}
MODULUS = {"unit": "GPa", "note": "3500 MPa is 3.5 GPa"}
SHARE = {"note": "a fraction: 80 % is 0.8"}
LEAST_STEPS = 4  # of a measured wedge; fewer do not determine the curvature of the law
THINNEST, THICKEST = 0.001, 100.0  # mm, limits of a step; 0 stands for no wall
Fraction = Annotated[float, Meta(gt=0, le=1)]


class LightLaw(Profile, frozen=True, kw_only=True):
    """Optional keys that all light laws share."""

    valid: Range = (0.0, THICKEST)  # mm, range of measured thicknesses; by default unlimited
    error: Annotated[float, Meta(ge=0, le=1, extra=SHARE)] | None = None  # relative standard error of T
    # Standard deviation of the lateral spread of light in a wall of thickness t: spread + spread_growth·t.
    spread: Annotated[float, Meta(ge=0, le=20, extra=MM)] = 0.0  # mm
    spread_growth: Annotated[float, Meta(ge=0, le=10, extra={"unit": "mm per mm"})] = 0.0

    def __post_init__(self) -> None:
        """Reject values that define no valid law."""
        refuse_first(light_faults(self), "material")


class Exponential(LightLaw, frozen=True, tag_field="law", tag="exponential"):
    """Transmittance T = T0·exp(−t/ℓ) with one scattering length: a first guess before any measurement."""

    length: Annotated[float, Meta(gt=0, le=100, extra=MM)]  # ℓ, mm
    t0: Fraction = 1.0  # transmittance of the two surfaces alone


class TwoFlux(LightLaw, frozen=True, tag_field="law", tag="two-flux"):
    """Kubelka–Munk transmittance with absorption and scattering."""

    absorption: Annotated[float, Meta(ge=0, le=1000, extra=PER_MM)]  # K, 1/mm
    scattering: Annotated[float, Meta(gt=0, le=1000, extra=PER_MM)]  # S, 1/mm
    t0: Fraction = 1.0


class Table(LightLaw, frozen=True, tag_field="law", tag="table"):
    """Measured transmittance of several steps, in order of increasing thickness."""

    thickness: tuple[Annotated[float, Meta(ge=0, le=THICKEST, extra=MM)], ...]  # mm
    transmittance: tuple[Fraction, ...]


Law = Exponential | TwoFlux | Table


class Viewing(Profile, frozen=True):
    """Viewing conditions: backlight and room light, with typical default values."""

    luminance: Annotated[float, Meta(gt=0, le=1e6, extra={"unit": "cd/m²"})] = 1000.0  # of the backlight
    evenness: Fraction = 0.8  # minimum luminance of the backlight divided by its maximum
    room: Annotated[float, Meta(ge=0, le=200_000, extra={"unit": "lux"})] = 100.0  # lux on the face
    reflectance: Annotated[float, Meta(ge=0, le=1, extra=SHARE)] = 0.6  # of the face, diffuse


def light_faults(light: LightLaw) -> Iterator[Fault]:
    """Find contradictions in the `light` table of a material."""
    low, high = light.valid
    if not 0 <= low < high:
        yield bad("light.valid", [low, high], "[low, high] in mm with 0 ≤ low < high")
    if isinstance(light, Table):
        yield from _table_faults(light)


def _table_faults(table: Table) -> Iterator[Fault]:
    steps, through = table.thickness, table.transmittance
    if len(steps) != len(through):
        what = f"there are {len(steps)} thicknesses but {len(through)} transmittances"
        yield Fault("light.transmittance", what, "one transmittance for each thickness")
    if len(steps) < LEAST_STEPS:
        yield Fault("light.thickness", f"only {len(steps)} thicknesses are listed", f"at least {LEAST_STEPS}")
    for number, (before, after) in enumerate(pairwise(steps), 1):
        if not before < after:
            what = f"thickness {after:g} comes after {before:g}"
            yield Fault(f"light.thickness[{number}]", what, "thicknesses in increasing order")
    for number, step in enumerate(steps):
        if 0 < step < THINNEST:
            yield bad(f"light.thickness[{number}]", step, f"0, or {THINNEST:g} to {THICKEST:g} mm")
    for number, (before, after) in enumerate(pairwise(through), 1):
        if not before > after:
            what = f"transmittance {after:g} at {steps[number]:g} mm comes after {before:g}"
            yield Fault(f"light.transmittance[{number}]", what, "transmittances in decreasing order")
    if steps[0] > 0 and through[0] == 1:
        allowed = f"less than 1, because the wall is {steps[0]:g} mm thick there"
        yield bad("light.transmittance[0]", 1.0, allowed)


class Temperatures(Profile, frozen=True):
    """Working temperatures, °C."""

    nozzle: NozzleCelsius
    nozzle_min: NozzleCelsius  # no filament is fed below this temperature
    nozzle_max: NozzleCelsius
    platform: PlatformCelsius
    platform_max: PlatformCelsius
    glass_transition: NozzleCelsius


class Material(Profile, frozen=True):
    """Material profile. Values are typical unless the profile states that they were measured."""

    name: Name
    about: About
    density: Annotated[float, Meta(ge=100, le=10000, extra=DENSITY)]  # kg/m³
    modulus: Annotated[float, Meta(gt=0, le=100, extra=MODULUS)]  # Young's modulus, GPa
    price: Annotated[float, Meta(ge=0)]  # per kg, in any currency
    fan: Fan  # part cooling, 0 to 1, from the second layer on
    temperature: Temperatures
    light: Law
    packing: Annotated[float, Meta(gt=0.5, le=1.2)] = 0.99  # deposited volume divided by geometric volume
    viewing: Viewing = Viewing()
