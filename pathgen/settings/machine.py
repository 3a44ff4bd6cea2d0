"""What a machine can do: a frozen, typed profile read from TOML.

Glossary. *Platform axis*: the horizontal axis along which the build platform itself moves ("none" when only
the head moves). *Step change*: the largest instantaneous change of velocity an axis follows without losing
position. *Melt rate*: the volume of plastic the hot end can melt in a second. *Dialect*: how this machine's
controller wants its program spelled.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

Positive = Annotated[float, Meta(gt=0)]
Range = tuple[float, float]

# Upper bounds are far beyond any real machine: they are there to catch a figure in the wrong unit. `unit` and
# `note` are shown when a value is refused.
MM = {"unit": "mm"}
CELSIUS = {"unit": "°C"}
SPEED = {"unit": "mm/s", "note": "speeds are in mm/s: divide mm/min by 60"}
FAN = {"note": "a fraction: 80 % is 0.8"}
NAME = {"allowed": "letters, digits, blanks and ._+- (it is written into the program)"}
LETTER = {"allowed": "one capital letter, such as 'E' or 'A'"}
WORD = {"allowed": "a letter such as 'E', or a command such as 'M104'"}
Speed = Annotated[float, Meta(ge=0.01, le=1000, extra=SPEED)]
Acceleration = Annotated[float, Meta(ge=0.1, le=100_000, extra={"unit": "mm/s²"})]
Width = Annotated[float, Meta(gt=0, le=5, extra=MM)]
Seconds = Annotated[float, Meta(ge=0, le=7200, extra={"unit": "s"})]
Name = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,59}\Z", extra=NAME)]
About = Annotated[str, Meta(max_length=120, extra={"allowed": "one line of at most 120 characters"})]
Word = Annotated[str, Meta(pattern=r"^([A-Z]|[GM][0-9]+(\.[0-9])?)\Z", extra=WORD)]


class Profile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of everything read from TOML: frozen, unknown keys refused.

    Subclasses say `frozen=True` again only for the type checker, which does not see it inherited.
    """


class Axis(Profile, frozen=True):
    """Limits of one axis (mm, mm/s, mm/s²)."""

    feed: Speed  # highest speed, mm/s
    acceleration: Acceleration  # mm/s²
    step_change: Speed  # largest instantaneous change of velocity, mm/s
    steps_per_mm: Positive  # motor steps a millimetre
    positioning: Annotated[float, Meta(gt=0, le=5, extra=MM)] | None = None  # measured, else one motor step


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
    """A box of the platform that neither bead nor head may enter, mm.

    The head goes round it. With a height it may also go over it, where it is high enough anyway.
    """

    x: Range
    y: Range
    why: str = ""
    height: Annotated[float, Meta(ge=0, le=5000, extra=MM)] | None = None  # over the platform; None: unknown


class HeadPart(Profile, frozen=True):
    """A part of the head, as a box around the nozzle that begins some way above its tip, mm."""

    x: Range  # how far it reaches to low and high x, such as [-30, 30]
    y: Range
    z: Annotated[float, Meta(ge=0, le=5000, extra=MM)]  # from this height over the tip upward
    why: About = ""


class Junction(Profile, frozen=True):
    """How fast the controller passes a corner."""

    rule: Literal["deviation", "step"]
    deviation: Annotated[float, Meta(gt=0, le=1, extra=MM)] = 0.01  # mm, used by the "deviation" rule


class HotEnd(Profile, frozen=True):
    """Nozzle and filament."""

    nozzle_diameter: Annotated[float, Meta(gt=0, le=2, extra=MM)]  # nozzle diameter, mm
    filament_diameter: Annotated[float, Meta(gt=0.5, le=5, extra=MM)]  # mm
    melt_rate: Annotated[float, Meta(ge=0.01, le=500, extra={"unit": "mm³/s"})]  # mm³/s
    lag: Seconds = 0.0  # time constant of pressure behind the nozzle, s
    filament_factor: Annotated[float, Meta(ge=0.5, le=1.5)] = 1.0  # volume laid down over volume fed
    spacing_min: Width | None = (
        None  # narrowest bead that holds, mm; where not measured, 0.70 times the nozzle
    )
    spacing_max: Width | None = (
        None  # widest bead that is solid, mm; where not measured, 1.55 times the nozzle
    )

    @property
    def section(self) -> float:
        """Volume laid down for each mm of filament, mm²."""
        return math.pi / 4 * self.filament_diameter**2 * self.filament_factor


class Heaters(Profile, frozen=True):
    """Limits of the heaters and how long they take, °C and s."""

    nozzle_max: Annotated[float, Meta(gt=0, le=500, extra=CELSIUS)]
    platform_max: Annotated[float, Meta(ge=0, le=200, extra=CELSIUS)]  # 0: the platform has no heater
    warm_up: Seconds  # s, nozzle and platform from cold to working temperature
    homing: Seconds  # s


class Retraction(Profile, frozen=True):
    """Filament drawn back before a travel."""

    length: Annotated[float, Meta(ge=0, le=50, extra=MM)]  # mm of filament
    feed: Speed  # mm/s
    over: Annotated[float, Meta(ge=0, le=1000, extra=MM)] = 2.0  # travels longer than this retract, mm


class Dialect(Profile, frozen=True):
    """How the controller's program is spelled; `pathgen.settings.PLACEHOLDERS` has the placeholders."""

    extruder: Annotated[str, Meta(pattern=r"^[A-Z]\Z", extra=LETTER)]  # word letter that feeds filament
    filament_mode: Literal["relative", "absolute"]
    filament_unit: Literal["mm", "mm3"]  # length of filament, or its volume
    comment: Literal["semicolon", "parentheses"]
    heaters: Literal["program", "machine"]  # who sets temperatures
    start: str  # blocks before the first move; placeholders in braces
    finish: str  # blocks after the last move
    position_decimals: Annotated[int, Meta(ge=1, le=6)] = 3
    filament_decimals: Annotated[int, Meta(ge=2, le=7)] = 5
    feed_decimals: Annotated[int, Meta(ge=0, le=3)] = 0
    own_words: tuple[Word, ...] = ()  # words beyond RS-274 that this controller knows, such as "E" or "M104"
    fan_on: str = ""  # part cooling on, from the second layer; {fan} is 0 to 255, {fan_fraction} 0 to 1
    fan_off: str = ""  # part cooling off
    nozzle_change: str = ""  # another nozzle temperature, {nozzle}, while the program runs


class Machine(Profile, frozen=True):
    """One kind of machine. Lengths mm, speeds mm/s, accelerations mm/s², temperatures °C."""

    name: Name
    about: About  # one line, what kind of machine this is
    volume: Volume
    platform_axis: Literal["x", "y", "none"]
    axes: Axes
    junction: Junction
    hot_end: HotEnd
    heaters: Heaters
    retraction: Retraction
    dialect: Dialect
    travel_feed: Speed  # mm/s
    blocks_per_second: Annotated[float, Meta(ge=0.1, le=1_000_000)]  # program lines taken in a second
    wall_feed: Speed = 20.0  # of image walls where a job says none, mm/s
    overhang: Annotated[float, Meta(ge=20, le=80, extra={"unit": "deg"})] = 45.0  # where a job says none
    sway_limit: Annotated[float, Meta(gt=0, le=5, extra=MM)] | None = (
        None  # that shows; else 1/4 of a spacing
    )
    z_zero: Annotated[float, Meta(ge=-1, le=1, extra=MM)] = 0.0  # tip over the platform at z = 0, mm
    queue: Annotated[int, Meta(ge=1)] = 16  # moves the controller looks ahead
    margin: Annotated[float, Meta(ge=0, le=500, extra=MM)] = 2.0  # kept free at the platform's edge, mm
    keep_out: tuple[KeepOut, ...] = ()
    head: tuple[HeadPart, ...] = ()  # none: panels cannot be made in turn
