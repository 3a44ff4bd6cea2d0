"""Preparation of a photograph: keys of a job, and options of `pathgen picture`.

The steps are applied in the order of the keys. A step with its default value does not change the picture.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import DEGREES, Profile

Percent = Annotated[float, Meta(ge=0, le=100)]
Share = Annotated[float, Meta(ge=0, le=1)]
Weight = Annotated[float, Meta(ge=-2, le=3)]


class Preparation(Profile, frozen=True):
    """Preparation of a photograph. Tones are sRGB values from 0 to 1, as in picture editors.

    Attributes
    ----------
    mirror
        Whether to mirror the picture left to right.
    straighten
        Rotation of the photograph, counter-clockwise. The rotated picture is cropped to a full rectangle.
    isolate
        Method that separates the subject from the backdrop: off, auto (for a plain backdrop), alpha (for a
        file with transparency), or the path of a mask in which the subject is white.
    backdrop_tolerance
        For `isolate = auto`: maximum difference (CIE ΔE) between the backdrop's colour and a pixel that
        counts as backdrop.
    backdrop_tone
        Tone that replaces the backdrop: 0 is black, 1 is white.
    feather
        Width of the subject's soft edge, in pixels. Default: 2 for `isolate = auto`, otherwise 0.
    stray
        Maximum size of an isolated piece that is removed from the subject, in percent of the picture's area.
    trim
        Margin that remains around the subject after cropping, in percent of the subject's size. Default: no
        cropping.
    red
        Weight of red in the grey picture. Default: the weight of red in luminance.
    green
        Weight of green in the grey picture. Default: the weight of green in luminance.
    blue
        Weight of blue in the grey picture. Default: the weight of blue in luminance.
    smooth
        Strength of the edge-preserving smoothing that removes grain.
    levels_low
        Percentage of the pixels that become black, starting with the darkest.
    levels_high
        Percentile of the tones that becomes white. 100: no change.
    local_contrast
        Strength of local contrast enhancement.
    gamma
        Gamma of the middle tones. Above 1: brighter.
    contrast
        Factor that changes contrast about middle grey. Above 1: more contrast.
    brightness
        Value added to all tones.
    sharpen
        Strength of edge sharpening.
    invert
        Whether to exchange black and white.
    """

    mirror: Literal["no", "yes"] = "no"
    straighten: Annotated[float, Meta(ge=-20, le=20, extra=DEGREES)] = 0.0
    isolate: str = "off"
    backdrop_tolerance: Annotated[float, Meta(ge=1, le=80)] = 10.0
    backdrop_tone: Share = 1.0
    feather: Annotated[float, Meta(ge=0, le=100)] | None = None
    stray: Percent = 0.1
    trim: Percent | None = None
    red: Weight | None = None
    green: Weight | None = None
    blue: Weight | None = None
    smooth: Share = 0.0
    levels_low: Percent = 0.0
    levels_high: Percent = 100.0
    local_contrast: Share = 0.0
    gamma: Annotated[float, Meta(ge=0.1, le=10)] = 1.0
    contrast: Annotated[float, Meta(ge=0.1, le=10)] = 1.0
    brightness: Annotated[float, Meta(ge=-1, le=1)] = 0.0
    sharpen: Annotated[float, Meta(ge=0, le=5)] = 0.0
    invert: Literal["no", "yes"] = "no"


def is_plain(asked: Preparation) -> bool:
    """Return whether a preparation leaves every picture unchanged."""
    plain = Preparation()
    idle = {"backdrop_tolerance", "backdrop_tone", "feather", "stray"} if asked.isolate == "off" else set()
    return all(
        getattr(asked, name) == getattr(plain, name)
        for name in Preparation.__struct_fields__
        if name not in idle
    )
