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
    """Settings of the layers from one height up to the next band. None: the value of the job."""

    above: Annotated[float, Meta(ge=0, le=2000, extra=MM)]  # mm above the platform
    feed: Annotated[Feed, Meta(extra=SPEED)] | None = None  # of walls, hairpins and supports, mm/s
    packing: Solid | None = None
    nozzle_temperature: Annotated[NozzleCelsius, Meta(extra=CELSIUS)] | None = None  # °C
    fan: Annotated[float, Meta(ge=0, le=1, extra=FAN)] | None = None  # part cooling


class Job(Preparation, frozen=True):
    """Requested settings of one panel, with the preparation of its photograph.

    Lengths are in mm, feeds in mm/s, temperatures in °C. A value of None is open: the value comes from the
    picture, the machine or the material, as described for each field.
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
            description="Outer width of the panel as viewed. Default: 100 mm for a photograph, the "
            "stored size for a thickness map.",
            extra=MM,
        ),
    ] = None
    height: Annotated[
        Length | None,
        Meta(
            description="Outer height of the panel as viewed. Default: computed from the width and the "
            "picture's proportions.",
            extra=MM,
        ),
    ] = None
    centre_across: Annotated[
        Share,
        Meta(
            description="Point of the picture that lies at the centre of the panel, as a fraction of the "
            "picture's width from the left. The point is moved if the picture would not "
            "cover the panel."
        ),
    ] = 0.5
    centre_up: Annotated[
        Share, Meta(description="The same point as a fraction of the picture's height from the bottom.")
    ] = 0.5
    zoom: Annotated[
        float,
        Meta(
            ge=0.05,
            le=50,
            description="Scale of the picture: at 1 the picture just covers the panel, at 2 it is twice "
            "as large. Below 1, the area around the picture gets the wall thickness of white.",
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
    thinnest: Annotated[float, Meta(gt=0, le=20, description="Wall thickness for white.", extra=MM)] = 0.8
    thickest: Annotated[float, Meta(gt=0, le=20, description="Wall thickness for black.", extra=MM)] = 3.0
    tones: Annotated[
        Literal["global", "local", "clip"],
        Meta(
            description="Treatment of tones that are darker than the material can show: `global` "
            "compresses all tones equally, `local` keeps fine detail and compresses "
            "large-scale contrast, `clip` clips the dark tones."
        ),
    ] = "global"
    aim: Annotated[
        Literal["tone", "picture"],
        Meta(
            description="Optimisation target of the thickness: `tone` matches the tone of each pixel "
            "separately, `picture` also compensates for blur from the nozzle, the layers and "
            "scattered light."
        ),
    ] = "tone"
    aim_room: Annotated[
        float,
        Meta(
            ge=0,
            le=10,
            description="Thickness allowed in addition to `thickest` if `aim` is `picture`.",
            extra=MM,
        ),
    ] = 1.0
    dither: Annotated[
        Literal["off", "diffused"],
        Meta(
            description="Rounding of the thickness to whole motor steps of the filament drive: "
            "`diffused` passes the rounding error on to neighbouring pixels. Used only if a "
            "single step would be visible."
        ),
    ] = "off"
    pixel: Annotated[float, Meta(ge=0.02, le=2, description="Pixel size of the thickness map.", extra=MM)] = (
        0.1
    )
    layer: Annotated[
        Annotated[float, Meta(ge=0.02, le=1)] | Literal["auto"],
        Meta(
            description="Layer height. `auto`: thin layers where the picture has vertical detail and "
            "thick layers elsewhere, with the same error as uniform layers of height "
            "`layer_like`.",
            extra={"unit": "mm", "allowed": "0.02 to 1 mm, or 'auto'"},
        ),
    ] = 0.1
    layer_like: Annotated[
        float,
        Meta(
            ge=0.02,
            le=1,
            description="For `layer = auto`: height of the uniform layers whose error must be matched.",
            extra=MM,
        ),
    ] = 0.1
    within: Annotated[
        Annotated[str, Meta(max_length=30)] | None,
        Meta(
            description="Time limit of the print, such as 6h or 90min. Layer heights, feed and bead "
            "spacing are chosen for the best picture within that time.",
        ),
    ] = None
    first_layer: Annotated[float, Meta(ge=0.05, le=1, description="Height of the first layer.", extra=MM)] = (
        0.2
    )
    rim_width: Annotated[
        float, Meta(ge=0, le=50, description="Width of the raised rim. 0: no rim.", extra=MM)
    ] = 3.0
    rim_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the rim. Default: `thickest` + 1 mm.", extra=MM),
    ] = None
    rim_bevel: Annotated[
        float,
        Meta(
            ge=0,
            le=89,
            description="Angle between the inner face of the rim and the panel's normal. 0: a vertical "
            "step; 45: a slope of 1 mm per mm.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    line_width: Annotated[
        float,
        Meta(
            ge=0,
            le=50,
            description="Width of a border line along the inside of the rim, or along the edge of a "
            "panel without a rim. 0: no line.",
            extra=MM,
        ),
    ] = 0.0
    line_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the border line. Default: `thickest`.", extra=MM),
    ] = None
    fill: Annotated[
        str,
        Meta(
            description="Method that fills each layer of the wall with beads: tailored, terraced, "
            "contour, raster, or a fill from an installed plug-in package."
        ),
    ] = "tailored"
    packing: Annotated[
        Solid | None,
        Meta(
            description="Ratio of deposited volume to geometric volume. Default: the material's value (0.99)."
        ),
    ] = None
    spacing: Annotated[
        Spacing | None,
        Meta(description="Target bead spacing. Default: 1.05 × nozzle diameter.", extra=MM),
    ] = None
    spacing_min: Annotated[
        Spacing | None,
        Meta(description="Minimum bead spacing. Default: 0.70 × nozzle diameter.", extra=MM),
    ] = None
    spacing_max: Annotated[
        Spacing | None,
        Meta(description="Maximum bead spacing. Default: 1.55 × nozzle diameter.", extra=MM),
    ] = None
    change_cost: Annotated[
        float,
        Meta(
            ge=0,
            le=100,
            description="Cost of adding or dropping one bead along a layer, on the same scale as "
            "log²(spacing / target) integrated along the layer in mm.",
        ),
    ] = 0.15
    end_cost: Annotated[
        float,
        Meta(
            ge=0,
            le=100,
            description="Additional cost if the added or dropped bead ends inside the wall.",
        ),
    ] = 0.3
    tolerance: Annotated[
        float,
        Meta(
            gt=0,
            le=0.5,
            description="Largest thickness error per pixel column allowed when moves are merged.",
            extra=MM,
        ),
    ] = 0.03
    feed: Annotated[
        Feed | None,
        Meta(description="Feed of the walls. Default: the machine's `wall_feed` (20).", extra=SPEED),
    ] = None
    first_feed: Annotated[
        float, Meta(ge=0.1, le=1000, description="Feed of the first layer and the brim.", extra=SPEED)
    ] = 15.0
    pace: Annotated[
        Literal["steady-feed", "steady-flow"],
        Meta(
            description="Quantity kept constant along a wall: the feed, or the volume deposited per second."
        ),
    ] = "steady-feed"
    lead: Annotated[
        Literal["off", "on"],
        Meta(
            description="Whether to feed filament ahead of the motion to compensate for pressure lag "
            "(`hot_end.lag` of the machine)."
        ),
    ] = "off"
    brim: Annotated[
        float, Meta(ge=0, le=100, description="Width of the brim around the foot. 0: no brim.", extra=MM)
    ] = 10.0
    direction: Annotated[
        Literal["auto", "along", "across", "alternate"],
        Meta(
            description="Direction of raster lines. `auto`: the direction with the smallest "
            "cross-section error; the faster one on ties."
        ),
    ] = "auto"
    hairpins: Annotated[
        Literal["deposit", "dry"],
        Meta(
            description="Whether the nozzle deposits plastic while it crosses from one bead to the next "
            "at the end of the wall."
        ),
    ] = "deposit"
    bend: Annotated[
        float,
        Meta(
            ge=-360,
            le=360,
            description="Angle through which the panel is bent. Positive: bulges toward the viewer; "
            "negative: hollow; 360: a closed ring; 0: flat. The smallest bend is 0.1 either "
            "way.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    seam: Annotated[
        Literal["rim", "dark"],
        Meta(
            description="Position of the seam of a closed ring: `rim`, where the side rims meet, or "
            "`dark`, in the darkest column of the picture (rims only above and below)."
        ),
    ] = "rim"
    turn: Annotated[
        Literal[0, 90, 180, 270, "auto"],
        Meta(
            description="Edge that the panel stands on while it is printed: bottom (0), left (90), top "
            "(180), right (270), or `auto` for the best of the four. Pictures and maps stay "
            "upright.",
        ),
    ] = 0
    relief: Annotated[
        Literal["toward", "away"],
        Meta(
            description="Side of the panel that carries the relief: the viewer's side (`toward`), or the "
            "far side (`away`), which leaves a flat face for the viewer."
        ),
    ] = "toward"
    outline: Annotated[
        str,
        Meta(
            description="Outline of the panel: a name such as rectangle, disc or arch, or a polygon file "
            "(WKT or GeoJSON, in mm)."
        ),
    ] = "rectangle"
    corner: Annotated[
        float, Meta(ge=0, le=500, description="Corner radius of a rectangular panel.", extra=MM)
    ] = 0.0
    foot: Annotated[
        Length | None,
        Meta(
            description="Minimum width of the flat edge that the outline stands on. Default: 0.4 × the "
            "outline's width.",
            extra=MM,
        ),
    ] = None
    eyelets: Annotated[
        int, Meta(ge=0, le=4, description="Number of hanging loops, evenly spaced along the top. 0: none.")
    ] = 0
    eyelet_at: Annotated[
        Places | None,
        Meta(
            description="Positions of the loops along the top, as fractions of the width from the left, "
            "such as 0.2,0.8. Default: evenly spaced.",
            extra={"allowed": "at most 4 fractions from 0 to 1, such as [0.2, 0.8]"},
        ),
    ] = None
    eyelet_opening: Annotated[
        float, Meta(ge=0.5, le=50, description="Width of the opening in a loop.", extra=MM)
    ] = 4.0
    eyelet_wall: Annotated[
        float, Meta(ge=0.4, le=20, description="Minimum wall width around the opening in a loop.", extra=MM)
    ] = 1.5
    comb: Annotated[
        Literal["auto", "none"],
        Meta(
            description="Break-off comb that supports an outline with too much "
            "overhang. `auto`: only if it is needed."
        ),
    ] = "auto"
    overhang: Annotated[
        Annotated[float, Meta(ge=20, le=80)] | None,
        Meta(
            description="Maximum overhang of a layer, as an angle from the vertical. Default: the "
            "machine's value (45).",
            extra={"unit": "deg"},
        ),
    ] = None
    slope: Annotated[
        Literal["free", "minimum", "thick", "thin"],
        Meta(
            description="Correction of a relief that exceeds `overhang`: none (`free`), the smallest "
            "change (`minimum`), material added below (`thick`), or material removed above "
            "(`thin`)."
        ),
    ] = "free"
    wedges: Annotated[
        Annotated[int, Meta(ge=0, le=8)] | Literal["auto"],
        Meta(
            description="Number of positions along the rim with a break-off wedge on each face. 0: none. "
            "`auto`: two, if the panel needs them, and no taller than necessary.",
            extra={"allowed": "0 to 8, or 'auto'"},
        ),
    ] = 0
    wedge_at: Annotated[
        Spots | None,
        Meta(
            description="Positions of the wedges along the standing panel, measured from its left end, "
            "such as 5,95. Default: in the rim at both sides.",
            extra={"unit": "mm", "allowed": "at most 8 positions along the panel, such as [5, 95]"},
        ),
    ] = None
    wedge_height: Annotated[
        Length | None,
        Meta(description="Height of the wedges. Default: two thirds of the panel height.", extra=MM),
    ] = None
    wedge_base: Annotated[
        float,
        Meta(
            gt=0,
            le=60,
            description="Length of a wedge on the platform, measured away from the panel.",
            extra=MM,
        ),
    ] = 12.0
    wedge_gap: Annotated[
        float,
        Meta(
            ge=0,
            le=2,
            description="Gap between a wedge and the rim; break-off tabs bridge the gap.",
            extra=MM,
        ),
    ] = 0.2
    support_feed: Annotated[
        Feed | None,
        Meta(description="Feed of wedges and comb. Default: the feed of the walls.", extra=SPEED),
    ] = None
    copies: Annotated[int, Meta(ge=1, le=100, description="Number of copies on the platform.")] = 1
    panel_gap: Annotated[
        float,
        Meta(gt=0, le=200, description="Gap between the brims of neighbouring panels.", extra=MM),
    ] = 5.0
    build: Annotated[
        Literal["abreast", "in-turn"],
        Meta(
            description="Order of printing several panels: all of them layer by layer (`abreast`), or "
            "one after another (`in-turn`), which needs clearance for the head."
        ),
    ] = "abreast"
    axis: Annotated[
        Literal["auto", "x", "y"], Meta(description="Machine axis along which the panel stands.")
    ] = "auto"
    band: Annotated[
        Annotated[tuple[Band, ...], Meta(max_length=50)],
        Meta(
            description="Settings for all layers above a height, such as above=20,feed=30; other keys: "
            "packing, nozzle_temperature, fan. Repeat the option for more bands. In a job "
            "file: [[band]] tables.",
        ),
    ] = ()
    nozzle_temperature: Annotated[
        NozzleCelsius | None,
        Meta(description="Nozzle temperature. Default: the material's value.", extra=CELSIUS),
    ] = None
    platform_temperature: Annotated[
        PlatformCelsius | None,
        Meta(description="Platform temperature. Default: the material's value.", extra=CELSIUS),
    ] = None
