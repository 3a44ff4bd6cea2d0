"""Machine profiles: frozen, typed records read from TOML.

Glossary. *Platform axis*: the horizontal axis along which the build platform moves ("none" if only the head
moves). *Step change*: the largest instantaneous change of velocity that an axis follows without losing
position. *Melt rate*: the volume of plastic that the hot end can melt per second. *Dialect*: the words and
formats that the controller expects in a program.
"""

from __future__ import annotations

import math
import re
from inspect import cleandoc
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from pathgen.settings.program_words import OwnEffect

_FIELD_TEXT = re.compile(r"^(\w+)\n((?: {4}.+\n?)+)", re.MULTILINE)  # a name, and indented lines

Positive = Annotated[float, Meta(gt=0)]
Range = tuple[float, float]

# Upper bounds are far above those of any real machine, to catch values in the wrong unit. `unit` and `note`
# are shown when a value is rejected.
MM = {"unit": "mm"}
DEGREES = {"unit": "deg"}
CELSIUS = {"unit": "°C"}
SPEED = {"unit": "mm/s", "note": "speeds are in mm/s: divide mm/min by 60"}
NAME = {"allowed": "letters, digits, blanks and ._+- (it is written into the program)"}
LETTER = {"allowed": "one capital letter, such as 'E' or 'A'"}
WORD = {"allowed": "a letter such as 'E', or a command such as 'M104'"}
Speed = Annotated[float, Meta(ge=0.01, le=1000, extra=SPEED)]
Acceleration = Annotated[float, Meta(ge=0.1, le=100_000, extra={"unit": "mm/s²"})]
Small = Annotated[float, Meta(gt=0, le=5, extra=MM)]
Seconds = Annotated[float, Meta(ge=0, le=7200, extra={"unit": "s"})]
Fan = Annotated[float, Meta(ge=0, le=1, extra={"note": "a fraction: 80 % is 0.8"})]
NozzleCelsius = Annotated[float, Meta(gt=0, le=500, extra=CELSIUS)]
PlatformCelsius = Annotated[float, Meta(ge=0, le=200, extra=CELSIUS)]
Name = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,59}\Z", extra=NAME)]
About = Annotated[str, Meta(max_length=120, extra={"allowed": "one line of at most 120 characters"})]
Word = Annotated[str, Meta(pattern=r"^([A-Z]|[GM][0-9]+(\.[0-9])?)\Z", extra=WORD)]


class Profile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of all records read from TOML: frozen, and unknown keys are rejected.

    Subclasses repeat `frozen=True` only for the type checker, which does not inherit it.
    """


def describe_fields(kind: type[Profile]) -> dict[str, str]:
    """Return the text of each field, on one line, from the docstrings of a record and its bases.

    Examples
    --------
    >>> from pathgen.settings import Job
    >>> describe_fields(Job)["thinnest"]
    'Wall thickness for white.'
    """
    docs = "\n\n".join(cleandoc(base.__doc__ or "") for base in kind.__mro__)
    return {name: " ".join(text.split()) for name, text in _FIELD_TEXT.findall(docs)}


class Axis(Profile, frozen=True):
    """Limits of one axis (mm, mm/s, mm/s²)."""

    feed: Speed  # highest speed, mm/s
    acceleration: Acceleration  # mm/s²
    step_change: Speed  # largest instantaneous change of velocity, mm/s
    steps_per_mm: Positive  # motor steps per millimetre
    positioning: Small | None = None  # error, measured, mm; by default one motor step


class Axes(Profile, frozen=True):
    """The three machine axes and the filament drive."""

    x: Axis
    y: Axis
    z: Axis
    filament: Axis


class Volume(Profile, frozen=True):
    """Build volume in machine coordinates, mm."""

    x: Range
    y: Range
    z: Range


class KeepOut(Profile, frozen=True):
    """Box on the platform that neither beads nor the head may enter, mm.

    The head goes around it, or above it if its height is known and the head is high enough.
    """

    x: Range
    y: Range
    why: str = ""
    height: Annotated[float, Meta(ge=0, le=5000, extra=MM)] | None = None  # above the platform; None: unknown


class HeadPart(Profile, frozen=True):
    """One part of the head: a box around the nozzle, starting at a height above the nozzle tip, mm."""

    x: Range  # extent from the nozzle, such as [-30, 30]
    y: Range
    z: Annotated[float, Meta(ge=0, le=5000, extra=MM)]  # height of its lower side above the tip
    why: About = ""


class Junction(Profile, frozen=True):
    """Speed limit of the controller in corners."""

    rule: Literal["deviation", "step"]
    deviation: Annotated[float, Meta(gt=0, le=1, extra=MM)] = 0.01  # mm, for the "deviation" rule


class HotEnd(Profile, frozen=True):
    """Nozzle and filament."""

    nozzle_diameter: Annotated[float, Meta(gt=0, le=2, extra=MM)]  # nozzle diameter, mm
    filament_diameter: Annotated[float, Meta(gt=0.5, le=5, extra=MM)]  # mm
    melt_rate: Annotated[float, Meta(ge=0.01, le=500, extra={"unit": "mm³/s"})]  # mm³/s
    lag: Seconds = 0.0  # time constant of pressure behind the nozzle, s
    filament_factor: Annotated[float, Meta(ge=0.5, le=1.5)] = 1.0  # deposited volume divided by fed volume
    spacing_min: Small | None = None  # narrowest stable bead, mm; by default 0.70 times the nozzle diameter
    spacing_max: Small | None = None  # widest solid bead, mm; by default 1.55 times the nozzle diameter

    @property
    def section(self) -> float:
        """Deposited volume per mm of filament, mm²."""
        return math.pi / 4 * self.filament_diameter**2 * self.filament_factor


class Heaters(Profile, frozen=True):
    """Heater limits, °C, and preparation times before a print, s."""

    nozzle_max: NozzleCelsius
    platform_max: PlatformCelsius  # 0: the platform has no heater
    warm_up: Seconds  # s, nozzle and platform from cold to working temperature
    homing: Seconds  # s


class Retraction(Profile, frozen=True):
    """Retraction of filament before a travel."""

    length: Annotated[float, Meta(ge=0, le=50, extra=MM)]  # mm of filament
    feed: Speed  # mm/s
    over: Annotated[float, Meta(ge=0, le=1000, extra=MM)] = 2.0  # travels longer than this retract, mm


class Dialect(Profile, frozen=True):
    """Words and formats of programs; see `pathgen.settings.PLACEHOLDERS` for the placeholders."""

    extruder: Annotated[str, Meta(pattern=r"^[A-Z]\Z", extra=LETTER)]  # word letter that feeds filament
    filament_mode: Literal["relative", "absolute"]
    filament_unit: Literal["mm", "mm3"]  # length of filament, or its volume
    comment: Literal["semicolon", "parentheses"]
    heaters: Literal["program", "machine"]  # which of them sets the temperatures
    start: str  # blocks before the first move; placeholders in braces
    finish: str  # blocks after the last move
    position_decimals: Annotated[int, Meta(ge=1, le=6)] = 3
    filament_decimals: Annotated[int, Meta(ge=2, le=7)] = 5
    feed_decimals: Annotated[int, Meta(ge=0, le=3)] = 0
    own_words: tuple[Word, ...] = ()  # words beyond RS-274 that the controller accepts, such as "E" or "M104"
    fan_on: str = ""  # turns part cooling on; {fan} is 0 to 255, {fan_fraction} 0 to 1
    fan_off: str = ""  # turns part cooling off
    nozzle_change: str = ""  # sets another nozzle temperature, {nozzle}, during the program
    own_effects: tuple[tuple[Word, OwnEffect], ...] = ()  # of own words that neither table nor blocks show


class Machine(Profile, frozen=True):
    """Machine profile. Lengths mm, speeds mm/s, accelerations mm/s², temperatures °C."""

    name: Name
    about: About  # the kind of machine, in one line
    volume: Volume
    platform_axis: Literal["x", "y", "none"]
    axes: Axes
    junction: Junction
    hot_end: HotEnd
    heaters: Heaters
    retraction: Retraction
    dialect: Dialect
    travel_feed: Speed  # mm/s
    blocks_per_second: Annotated[float, Meta(ge=0.1, le=1_000_000)]  # maximum rate of program lines
    wall_feed: Speed = 20.0  # default feed of walls, mm/s
    overhang: Annotated[float, Meta(ge=20, le=80, extra=DEGREES)] = 45.0  # default maximum overhang
    sway_limit: Small | None = None  # smallest visible sway, mm
    z_zero: Annotated[float, Meta(ge=-1, le=1, extra=MM)] = 0.0  # mm, nozzle tip above the platform at z = 0
    queue: Annotated[int, Meta(ge=1)] = 16  # number of moves that the controller looks ahead
    margin: Annotated[float, Meta(ge=0, le=500, extra=MM)] = 2.0  # unused border of the platform, mm
    keep_out: tuple[KeepOut, ...] = ()
    head: tuple[HeadPart, ...] = ()  # without parts, panels cannot be made one after another
