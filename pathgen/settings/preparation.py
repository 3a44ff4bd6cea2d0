"""Preparation of a photograph: keys of a job, and options of `pathgen picture`.

The steps are applied in the order of the keys. A step with its default value does not change the picture.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import Profile

Percent = Annotated[float, Meta(ge=0, le=100)]
Weight = Annotated[float, Meta(ge=-2, le=3)]


class Preparation(Profile, frozen=True):
    """Preparation of a photograph. Tones are sRGB values from 0 to 1, as in picture editors."""

    mirror: Annotated[
        Literal["no", "yes"], Meta(description="Whether to mirror the picture left to right.")
    ] = "no"
    straighten: Annotated[
        float,
        Meta(
            ge=-20,
            le=20,
            description="Rotation of the photograph, counter-clockwise. The rotated picture is cropped "
            "to a full rectangle.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    isolate: Annotated[
        str,
        Meta(
            description="Separation of the subject from the backdrop: off, auto (for a plain backdrop), "
            "alpha (the transparency of the file), or the path of a mask that is white on "
            "the subject."
        ),
    ] = "off"
    backdrop_tolerance: Annotated[
        float,
        Meta(
            ge=1,
            le=80,
            description="Largest colour difference (CIE ΔE) from the backdrop's colour that `isolate = "
            "auto` still treats as backdrop.",
        ),
    ] = 10.0
    backdrop_tone: Annotated[
        float, Meta(ge=0, le=1, description="Tone that replaces the backdrop: 0 is black, 1 is white.")
    ] = 1.0
    feather: Annotated[
        Annotated[float, Meta(ge=0, le=100)] | None,
        Meta(
            description="Width of the subject's soft edge, in pixels. Default: 2 for `isolate = auto`; "
            "masks are not feathered."
        ),
    ] = None
    stray: Annotated[
        Percent,
        Meta(
            description="Maximum size of isolated pieces that are removed from the subject, in percent "
            "of the picture's area."
        ),
    ] = 0.1
    trim: Annotated[
        Percent | None,
        Meta(
            description="Margin around the subject when the picture is cropped to it, in percent of the "
            "subject's size. Default: no crop."
        ),
    ] = None
    red: Annotated[
        Weight | None,
        Meta(description="Weight of red in the grey picture. Default: the weight of red in luminance."),
    ] = None
    green: Annotated[
        Weight | None,
        Meta(description="Weight of green in the grey picture. Default: the weight of green in luminance."),
    ] = None
    blue: Annotated[
        Weight | None,
        Meta(description="Weight of blue in the grey picture. Default: the weight of blue in luminance."),
    ] = None
    smooth: Annotated[
        float, Meta(ge=0, le=1, description="Strength of the edge-preserving smoothing that removes grain.")
    ] = 0.0
    levels_low: Annotated[
        Percent, Meta(description="Percentage of the pixels, starting with the darkest, that become black.")
    ] = 0.0
    levels_high: Annotated[
        Percent, Meta(description="Percentile of the tones that becomes white. 100: no change.")
    ] = 100.0
    local_contrast: Annotated[
        float, Meta(ge=0, le=1, description="Strength of local contrast enhancement.")
    ] = 0.0
    gamma: Annotated[
        float, Meta(ge=0.1, le=10, description="Gamma of the middle tones. Above 1: brighter.")
    ] = 1.0
    contrast: Annotated[float, Meta(ge=0.1, le=10, description="Contrast factor about middle grey.")] = 1.0
    brightness: Annotated[float, Meta(ge=-1, le=1, description="Value added to all tones.")] = 0.0
    sharpen: Annotated[float, Meta(ge=0, le=5, description="Strength of edge sharpening.")] = 0.0
    invert: Annotated[Literal["no", "yes"], Meta(description="Whether to exchange black and white.")] = "no"


def is_plain(asked: Preparation) -> bool:
    """Return whether a preparation leaves every picture unchanged."""
    plain = Preparation()
    idle = {"backdrop_tolerance", "backdrop_tone", "feather", "stray"} if asked.isolate == "off" else set()
    return all(
        getattr(asked, name) == getattr(plain, name)
        for name in Preparation.__struct_fields__
        if name not in idle
    )
