"""What is done to a photograph before it becomes a panel: keys of a job, options of `pathgen picture`.

Steps are taken in the order the keys stand in. At its default a step leaves the picture alone.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import Profile

Percent = Annotated[float, Meta(ge=0, le=100)]
Weight = Annotated[float, Meta(ge=-2, le=3)]


class Preparation(Profile, frozen=True):
    """Preparation of a photograph. Tones are sRGB codes from 0 to 1, as an editor shows them."""

    mirror: Annotated[
        Literal["no", "yes"], Meta(description="Whether left and right of the picture change places.")
    ] = "no"
    straighten: Annotated[
        float,
        Meta(
            ge=-20,
            le=20,
            description="Degrees the photograph is turned, counter-clockwise, and cropped to stay full.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    isolate: Annotated[
        str,
        Meta(
            description="How the subject is told from its backdrop: off, auto (a plain backdrop), alpha (the "
            "file's transparency), or a mask's file, white for the subject."
        ),
    ] = "off"
    backdrop_tolerance: Annotated[
        float, Meta(ge=1, le=80, description="Colour difference (CIE ΔE) up to which auto sees backdrop.")
    ] = 10.0
    backdrop_tone: Annotated[float, Meta(ge=0, le=1, description="Tone of the backdrop: 1 is white.")] = 1.0
    feather: Annotated[
        Annotated[float, Meta(ge=0, le=100)] | None,
        Meta(
            description="Pixels over which the subject's edge is softened. By default 2 for auto; a mask is "
            "taken as it is."
        ),
    ] = None
    stray: Annotated[
        Percent, Meta(description="Percent of the picture under which bits of subject are removed.")
    ] = 0.1
    trim: Annotated[
        Percent | None,
        Meta(description="Crop to the subject with this margin, in percent of it. By default it is not."),
    ] = None
    red: Annotated[Weight | None, Meta(description="Share of red in the grey. By default luminance's.")] = (
        None
    )
    green: Annotated[Weight | None, Meta(description="Share of green in the grey.")] = None
    blue: Annotated[Weight | None, Meta(description="Share of blue in the grey.")] = None
    smooth: Annotated[float, Meta(ge=0, le=1, description="How much grain is smoothed, edges kept.")] = 0.0
    levels_low: Annotated[Percent, Meta(description="Percent of the picture that becomes black.")] = 0.0
    levels_high: Annotated[Percent, Meta(description="Percent under which the picture stays off white.")] = (
        100.0
    )
    local_contrast: Annotated[
        float, Meta(ge=0, le=1, description="How much contrast is raised place by place.")
    ] = 0.0
    gamma: Annotated[float, Meta(ge=0.1, le=10, description="Bends the middle tones: above 1 brighter.")] = (
        1.0
    )
    contrast: Annotated[float, Meta(ge=0.1, le=10, description="Contrast about the middle grey.")] = 1.0
    brightness: Annotated[float, Meta(ge=-1, le=1, description="Added to all tones.")] = 0.0
    sharpen: Annotated[float, Meta(ge=0, le=5, description="How much edges are sharpened.")] = 0.0
    invert: Annotated[Literal["no", "yes"], Meta(description="Whether black and white change places.")] = "no"


def is_plain(asked: Preparation) -> bool:
    """Tell whether a preparation leaves every picture as it is."""
    plain = Preparation()
    idle = {"backdrop_tolerance", "backdrop_tone", "feather", "stray"} if asked.isolate == "off" else set()
    return all(
        getattr(asked, name) == getattr(plain, name)
        for name in Preparation.__struct_fields__
        if name not in idle
    )
