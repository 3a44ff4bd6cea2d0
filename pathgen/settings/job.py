"""The requested settings of one panel: a flat, frozen record.

Every field is a key of a job file and an option of `pathgen panel` (with dashes instead of underscores). The
description in its metadata is the help text of the option.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import CELSIUS, FAN, MM, SPEED, Profile
from pathgen.settings.preparation import Preparation

MIN_BEND = 0.1  # degrees; a smaller bend looks flat, and its radius is huge

Length = Annotated[float, Meta(gt=0, le=2000)]
Spacing = Annotated[float, Meta(gt=0, le=5)]
Thickness = Annotated[float, Meta(gt=0, le=50)]
Share = Annotated[float, Meta(ge=0, le=1)]
Spots = Annotated[tuple[Annotated[float, Meta(ge=0, le=2000)], ...], Meta(min_length=1, max_length=8)]
Places = Annotated[tuple[Share, ...], Meta(max_length=4)]
Feed = Annotated[float, Meta(ge=0.1, le=1000)]
Solid = Annotated[float, Meta(gt=0.5, le=1.2)]
NozzleCelsius = Annotated[float, Meta(gt=0, le=500)]
PlatformCelsius = Annotated[float, Meta(ge=0, le=200)]


LISTS = ("eyelet_at", "wedge_at")  # keys with several values; in text, separated by commas


class Band(Profile, frozen=True):
    """Settings of the layers from a height up to the next band. None: as in the job."""

    above: Annotated[float, Meta(ge=0, le=2000, extra=MM)]  # mm above the platform
    feed: Annotated[Feed, Meta(extra=SPEED)] | None = None  # of walls, hairpins and supports, mm/s
    packing: Solid | None = None
    nozzle_temperature: Annotated[NozzleCelsius, Meta(extra=CELSIUS)] | None = None  # °C
    fan: Annotated[float, Meta(ge=0, le=1, extra=FAN)] | None = None  # part cooling


class Job(Preparation, frozen=True):
    """Requested settings of one panel, with the preparation of its photograph.

    Lengths are in mm, feeds in mm/s, temperatures in °C. A value of None is open: it is taken from the
    picture, the machine or the material, as the description of its field says.
    """

    machine: Annotated[
        str, Meta(description="Machine profile: the name of a shipped profile, or a TOML file.")
    ] = "moving-table"
    material: Annotated[
        str, Meta(description="Material profile: the name of a shipped profile, or a TOML file.")
    ] = "pla-white"
    width: Annotated[
        Length | None,
        Meta(
            description="Outer width as viewed. By default 100 mm; a thickness map keeps its own size.",
            extra=MM,
        ),
    ] = None
    height: Annotated[
        Length | None,
        Meta(
            description="Outer height as viewed. By default it follows from the proportions of the picture.",
            extra=MM,
        ),
    ] = None
    centre_across: Annotated[
        Share,
        Meta(
            description="Point of the picture that is placed in the middle of the panel: share of the "
            "picture's width from the left. Limited so that the picture covers the panel."
        ),
    ] = 0.5
    centre_up: Annotated[
        Share, Meta(description="The same point vertically: share of the picture's height from the bottom.")
    ] = 0.5
    zoom: Annotated[
        float,
        Meta(
            ge=0.05,
            le=50,
            description="Size of the picture: at 1 it just covers the panel, at 2 it is twice as large. Below"
            " 1, uncovered parts are as thick as the picture's white.",
        ),
    ] = 1.0
    tilt: Annotated[
        float,
        Meta(
            ge=-360,
            le=360,
            description="Rotation of the picture inside the outline, counter-clockwise.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    thinnest: Annotated[
        float, Meta(gt=0, le=20, description="Thickness of the picture's white.", extra=MM)
    ] = 0.8
    thickest: Annotated[
        float, Meta(gt=0, le=20, description="Thickness of the picture's black.", extra=MM)
    ] = 3.0
    tones: Annotated[
        Literal["global", "local", "clip"],
        Meta(
            description="Treatment of tones darker than the material can show: `global` compresses all tones "
            "alike, `local` keeps fine detail and compresses large-scale contrast, `clip` cuts "
            "them off."
        ),
    ] = "global"
    aim: Annotated[
        Literal["tone", "picture"],
        Meta(
            description="Target of the thickness: `tone` shows the tone of each pixel by itself, `picture` "
            "also compensates for the blur by nozzle, layers and scattered light."
        ),
    ] = "tone"
    aim_room: Annotated[
        float,
        Meta(
            ge=0,
            le=10,
            description="Thickness that the wall may have beyond `thickest` if `aim` is `picture`.",
            extra=MM,
        ),
    ] = 1.0
    dither: Annotated[
        Literal["off", "diffused"],
        Meta(
            description="Rounding of the thickness to whole motor steps of the filament drive: `diffused` "
            "passes the remainder on to neighbouring pixels. Used only if one step would be "
            "visible."
        ),
    ] = "off"
    pixel: Annotated[float, Meta(ge=0.02, le=2, description="Pixel size of the thickness map.", extra=MM)] = (
        0.1
    )
    layer: Annotated[
        Annotated[float, Meta(ge=0.02, le=1)] | Literal["auto"],
        Meta(
            description="Layer height. `auto`: thin layers where the picture has vertical detail and thick "
            "layers elsewhere, with the error of uniform layers of `layer_like`.",
            extra={"unit": "mm", "allowed": "0.02 to 1 mm, or 'auto'"},
        ),
    ] = 0.1
    layer_like: Annotated[
        float,
        Meta(
            ge=0.02,
            le=1,
            description="For `layer = auto`: height of uniform layers that have the same error.",
            extra=MM,
        ),
    ] = 0.1
    within: Annotated[
        Annotated[str, Meta(max_length=30)] | None,
        Meta(
            description="Maximum time of the print, such as 6h or 90min. Layer heights, feed and bead spacing"
            " are chosen for the best picture in that time.",
        ),
    ] = None
    first_layer: Annotated[float, Meta(ge=0.05, le=1, description="Height of the first layer.", extra=MM)] = (
        0.2
    )
    rim_width: Annotated[
        float, Meta(ge=0, le=50, description="Width of the raised rim; 0 for none.", extra=MM)
    ] = 3.0
    rim_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the rim. By default 1 mm more than `thickest`.", extra=MM),
    ] = None
    rim_bevel: Annotated[
        float,
        Meta(
            ge=0,
            le=89,
            description="Angle between the rim's inner face and the panel's normal: 0 is a vertical step, 45 "
            "a slope of 1 mm per mm.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    line_width: Annotated[
        float,
        Meta(
            ge=0,
            le=50,
            description="Width of a border line along the inside of the rim, or along the edge of a panel "
            "without a rim; 0 for none.",
            extra=MM,
        ),
    ] = 0.0
    line_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the border line. By default `thickest`.", extra=MM),
    ] = None
    fill: Annotated[
        str,
        Meta(
            description="Method that turns a section of the wall into strokes: tailored, terraced, contour, "
            "raster, or a fill from another package."
        ),
    ] = "tailored"
    packing: Annotated[
        Solid | None,
        Meta(
            description="Deposited volume divided by geometric volume. By default that of the material: 0.99."
        ),
    ] = None
    spacing: Annotated[
        Spacing | None,
        Meta(description="Target bead spacing. By default 1.05 times the nozzle diameter.", extra=MM),
    ] = None
    spacing_min: Annotated[
        Spacing | None,
        Meta(description="Minimum bead spacing. By default 0.70 times the nozzle diameter.", extra=MM),
    ] = None
    spacing_max: Annotated[
        Spacing | None,
        Meta(description="Maximum bead spacing. By default 1.55 times the nozzle diameter.", extra=MM),
    ] = None
    change_cost: Annotated[
        float,
        Meta(
            ge=0,
            le=100,
            description="Cost of each bead that is added or dropped along a layer, compared with "
            "log²(spacing) summed over its length in mm.",
        ),
    ] = 0.15
    end_cost: Annotated[
        float,
        Meta(
            ge=0,
            le=100,
            description="Additional cost of a change that leaves the end of a bead inside the wall.",
        ),
    ] = 0.3
    tolerance: Annotated[
        float,
        Meta(
            gt=0,
            le=0.5,
            description="Maximum error of a column's thickness that is accepted to save moves.",
            extra=MM,
        ),
    ] = 0.03
    feed: Annotated[
        Feed | None,
        Meta(description="Feed of the walls. By default `wall_feed` of the machine: 20.", extra=SPEED),
    ] = None
    first_feed: Annotated[
        float, Meta(ge=0.1, le=1000, description="Feed of the first layer and the brim.", extra=SPEED)
    ] = 15.0
    pace: Annotated[
        Literal["steady-feed", "steady-flow"],
        Meta(
            description="Quantity that stays constant along a wall: the feed, or the volume that is fed per "
            "second."
        ),
    ] = "steady-feed"
    lead: Annotated[
        Literal["off", "on"],
        Meta(
            description="Whether filament is fed ahead to compensate for the pressure lag (`hot_end.lag` of "
            "the machine)."
        ),
    ] = "off"
    brim: Annotated[
        float, Meta(ge=0, le=100, description="Width of the brim around the foot; 0 for none.", extra=MM)
    ] = 10.0
    direction: Annotated[
        Literal["auto", "along", "across", "alternate"],
        Meta(
            description="Direction of raster lines. `auto`: the direction with the smallest error of the "
            "section; on ties, the fastest."
        ),
    ] = "auto"
    hairpins: Annotated[
        Literal["deposit", "dry"],
        Meta(
            description="Whether the crossing from one bead to the next at the end of the wall deposits "
            "plastic."
        ),
    ] = "deposit"
    bend: Annotated[
        float,
        Meta(
            ge=-360,
            le=360,
            description="Angle through which the panel is bent: above 0 it bulges toward the viewer, below 0 "
            "it is hollow, 360 is a closed ring. Either 0, or at least 0.1 in either direction.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    seam: Annotated[
        Literal["rim", "dark"],
        Meta(
            description="Position of the seam of a closed ring: in the rims that meet at its sides, or, with "
            "rims only above and below, in the darkest column of the picture."
        ),
    ] = "rim"
    turn: Annotated[
        Literal[0, 90, 180, 270, "auto"],
        Meta(
            description="Edge that the panel stands on while it is made: lower (0), left (90), upper (180), "
            "right (270), or `auto` for the best of them. Pictures and maps stay upright.",
        ),
    ] = 0
    relief: Annotated[
        Literal["toward", "away"],
        Meta(
            description="Side of the relief: toward the viewer, or away from the viewer, who then sees a flat"
            " back."
        ),
    ] = "toward"
    outline: Annotated[
        str,
        Meta(
            description="Outline of the panel: a name such as rectangle, disc or arch, or a polygon file (WKT"
            " or GeoJSON, mm)."
        ),
    ] = "rectangle"
    corner: Annotated[float, Meta(ge=0, le=500, description="Radius of a rectangle's corners.", extra=MM)] = (
        0.0
    )
    foot: Annotated[
        Length | None,
        Meta(
            description="Minimum width of the flat edge that an outline stands on. By default 0.4 of its "
            "width.",
            extra=MM,
        ),
    ] = None
    eyelets: Annotated[
        int, Meta(ge=0, le=4, description="Number of hanging loops, evenly spaced along the top; 0 for none.")
    ] = 0
    eyelet_at: Annotated[
        Places | None,
        Meta(
            description="Positions of the loops along the top, as shares of the width from the left: 0.2,0.8."
            " By default they are evenly spaced.",
            extra={"allowed": "at most 4 shares from 0 to 1, such as [0.2, 0.8]"},
        ),
    ] = None
    eyelet_opening: Annotated[
        float, Meta(ge=0.5, le=50, description="Width of a loop's opening.", extra=MM)
    ] = 4.0
    eyelet_wall: Annotated[
        float, Meta(ge=0.4, le=20, description="Minimum wall around a loop's opening.", extra=MM)
    ] = 1.5
    comb: Annotated[
        Literal["auto", "none"], Meta(description="Break-off comb under an outline with too much overhang.")
    ] = "auto"
    overhang: Annotated[
        Annotated[float, Meta(ge=20, le=80)] | None,
        Meta(
            description="Maximum overhang of a layer, as an angle from the vertical. By default that of the "
            "machine: 45.",
            extra={"unit": "deg"},
        ),
    ] = None
    slope: Annotated[
        Literal["free", "minimum", "thick", "thin"],
        Meta(
            description="Way to keep the relief within `overhang`: the smallest change (`minimum`), thickening "
            "below, thinning above, or no change."
        ),
    ] = "free"
    wedges: Annotated[
        Annotated[int, Meta(ge=0, le=8)] | Literal["auto"],
        Meta(
            description="Number of places along the rim with a break-off wedge on each face; 0 for none. "
            "`auto`: two, if the panel needs them, and only as high as it needs them.",
            extra={"allowed": "0 to 8, or 'auto'"},
        ),
    ] = 0
    wedge_at: Annotated[
        Spots | None,
        Meta(
            description="Positions of the wedges along the standing panel, from the left: 5,95. By default in"
            " the rim at both sides.",
            extra={"unit": "mm", "allowed": "at most 8 places along the panel, such as [5, 95]"},
        ),
    ] = None
    wedge_height: Annotated[
        Length | None, Meta(description="Height of the wedges. By default two thirds of the panel.", extra=MM)
    ] = None
    wedge_base: Annotated[
        float,
        Meta(gt=0, le=60, description="Length of a wedge on the platform, away from the panel.", extra=MM),
    ] = 12.0
    wedge_gap: Annotated[
        float, Meta(ge=0, le=2, description="Gap between wedge and rim, bridged by tabs.", extra=MM)
    ] = 0.2
    support_feed: Annotated[
        Feed | None,
        Meta(description="Feed of wedges and comb. By default the feed of the walls.", extra=SPEED),
    ] = None
    copies: Annotated[int, Meta(ge=1, le=100, description="Number of copies on the platform.")] = 1
    panel_gap: Annotated[
        float,
        Meta(gt=0, le=200, description="Gap between the brims of neighbouring panels.", extra=MM),
    ] = 5.0
    build: Annotated[
        Literal["abreast", "in-turn"],
        Meta(
            description="Order of several panels: all of them layer by layer (`abreast`), or one after "
            "another (`in-turn`), which needs room for the head."
        ),
    ] = "abreast"
    axis: Annotated[
        Literal["auto", "x", "y"], Meta(description="Machine axis along which the panel stands.")
    ] = "auto"
    band: Annotated[
        Annotated[tuple[Band, ...], Meta(max_length=50)],
        Meta(
            description="Settings above a height, repeatable: above=20,feed=30 (also packing, "
            "nozzle_temperature, fan). In a job file, [[band]] tables.",
        ),
    ] = ()
    nozzle_temperature: Annotated[
        NozzleCelsius | None,
        Meta(description="Nozzle temperature. By default that of the material.", extra=CELSIUS),
    ] = None
    platform_temperature: Annotated[
        PlatformCelsius | None,
        Meta(description="Platform temperature. By default that of the material.", extra=CELSIUS),
    ] = None
