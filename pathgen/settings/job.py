"""Everything that describes one panel: a flat, frozen record.

Every field is a key of a job file and an option of `pathgen panel` (underscores become dashes); the text of
the metadata is the option's help, so there is one place to read it and one to change it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import CELSIUS, FAN, MM, SPEED, Profile
from pathgen.settings.preparation import Preparation

LEAST_BEND = 0.1  # degrees either way; less is flat to the eye, and its radius without bound

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


LISTS = ("eyelet_at", "wedge_at")  # keys that take several values, as text with commas between


class Band(Profile, frozen=True):
    """What differs in the layers that begin at a height or over it, up to the next band's."""

    above: Annotated[float, Meta(ge=0, le=2000, extra=MM)]  # mm over the platform
    feed: Annotated[Feed, Meta(extra=SPEED)] | None = None  # of walls, turns and supports, mm/s
    packing: Solid | None = None
    nozzle_temperature: Annotated[NozzleCelsius, Meta(extra=CELSIUS)] | None = None  # °C
    fan: Annotated[float, Meta(ge=0, le=1, extra=FAN)] | None = None  # part cooling


class Job(Preparation, frozen=True):
    """One panel, preparation of its photograph included. Lengths in mm, feeds in mm/s, temperatures in °C.

    `None` means: chosen from the picture, the machine or the material, as the field's text says.
    """

    machine: Annotated[str, Meta(description="Machine profile: a shipped name or a TOML file.")] = (
        "moving-table"
    )
    material: Annotated[str, Meta(description="Material profile: a shipped name or a TOML file.")] = (
        "pla-white"
    )
    width: Annotated[
        Length | None,
        Meta(
            description="Outer width, upright. By default 100; a thickness array keeps its own size.",
            extra=MM,
        ),
    ] = None
    height: Annotated[
        Length | None,
        Meta(
            description="Outer height, upright. By default what keeps the picture's proportions.",
            extra=MM,
        ),
    ] = None
    centre_across: Annotated[
        Share,
        Meta(
            description="Place in the picture that goes to the panel's middle: share of its width, from the "
            "left. Kept where the picture covers the panel."
        ),
    ] = 0.5
    centre_up: Annotated[
        Share, Meta(description="The same up the picture: share of its height, from the bottom.")
    ] = 0.5
    zoom: Annotated[
        float,
        Meta(
            ge=0.05,
            le=50,
            description="Size of the picture: 1 just covers the panel, 2 is twice as large. What is left "
            "uncovered under 1 is as thick as the picture's white.",
        ),
    ] = 1.0
    tilt: Annotated[
        float,
        Meta(
            ge=-360,
            le=360,
            description="Degrees the picture is turned inside the outline, counter-clockwise.",
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
            description="How tones darker than the plastic can show are brought in: global compresses all "
            "alike, local keeps detail and compresses what is wide, clip cuts them off."
        ),
    ] = "global"
    aim: Annotated[
        Literal["tone", "picture"],
        Meta(
            description="What thickness is worked out for: each tone by itself, or the picture as it will "
            "look through nozzle, layers and the material's spread of light."
        ),
    ] = "tone"
    aim_room: Annotated[
        float,
        Meta(
            ge=0,
            le=10,
            description="How far over the thickest the wall may go where the aim is the picture.",
            extra=MM,
        ),
    ] = 1.0
    dither: Annotated[
        Literal["off", "diffused"],
        Meta(
            description="Whether thickness keeps to whole motor steps of the filament drive, what is left "
            "over passed on to neighbours, where one step would show."
        ),
    ] = "off"
    pixel: Annotated[
        float, Meta(ge=0.02, le=2, description="Spacing of the thickness map's pixels.", extra=MM)
    ] = 0.1
    layer: Annotated[
        Annotated[float, Meta(ge=0.02, le=1)] | Literal["auto"],
        Meta(
            description="Layer height; auto: thin where the picture has detail upward, thick where it has "
            "none, as true to it as even layers of layer_like.",
            extra={"unit": "mm", "allowed": "0.02 to 1 mm, or 'auto'"},
        ),
    ] = 0.1
    layer_like: Annotated[
        float,
        Meta(ge=0.02, le=1, description="Even layers whose error those of layer = auto may have.", extra=MM),
    ] = 0.1
    within: Annotated[
        Annotated[str, Meta(max_length=30)] | None,
        Meta(
            description="Time the print may take, such as 6h or 90min: layers, feed and spacing are chosen "
            "for the best picture in it.",
        ),
    ] = None
    first_layer: Annotated[float, Meta(ge=0.05, le=1, description="Height of the first layer.", extra=MM)] = (
        0.2
    )
    rim_width: Annotated[
        float, Meta(ge=0, le=50, description="Width of the raised frame; 0 for none.", extra=MM)
    ] = 3.0
    rim_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the rim. By default 1 mm more than the thickest.", extra=MM),
    ] = None
    rim_bevel: Annotated[
        float,
        Meta(
            ge=0,
            le=89,
            description="Angle of the rim's inner face from the panel's normal: 0 is a step, 45 falls 1 mm "
            "each mm.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    line_width: Annotated[
        float,
        Meta(
            ge=0,
            le=50,
            description="Width of a border line inside the rim, or along the edge where there is no rim; 0 "
            "for none.",
            extra=MM,
        ),
    ] = 0.0
    line_thickness: Annotated[
        Thickness | None,
        Meta(description="Thickness of the border line. By default the thickest.", extra=MM),
    ] = None
    fill: Annotated[
        str,
        Meta(
            description="How a section of wall becomes strokes: tailored, terraced, contour, raster, or "
            "one of another package."
        ),
    ] = "tailored"
    packing: Annotated[
        Solid | None,
        Meta(description="Deposited volume over geometric volume. By default the material's: 0.99."),
    ] = None
    spacing: Annotated[
        Spacing | None,
        Meta(description="Spacing the fill aims at. By default 1.05 times the nozzle diameter.", extra=MM),
    ] = None
    spacing_min: Annotated[
        Spacing | None, Meta(description="Narrowest spacing. By default 0.70 times the nozzle.", extra=MM)
    ] = None
    spacing_max: Annotated[
        Spacing | None, Meta(description="Widest spacing. By default 1.55 times the nozzle.", extra=MM)
    ] = None
    change_cost: Annotated[
        float,
        Meta(
            ge=0,
            le=100,
            description="Cost of each bead added or dropped along a layer, against log²(spacing) in mm.",
        ),
    ] = 0.15
    end_cost: Annotated[
        float,
        Meta(ge=0, le=100, description="Further cost of a change that leaves a bead's end inside the wall."),
    ] = 0.3
    tolerance: Annotated[
        float,
        Meta(
            gt=0,
            le=0.5,
            description="Largest departure of a column's thickness for the sake of fewer moves.",
            extra=MM,
        ),
    ] = 0.03
    feed: Annotated[
        Feed | None,
        Meta(description="Feed of the image walls. By default the machine's wall_feed: 20.", extra=SPEED),
    ] = None
    first_feed: Annotated[
        float, Meta(ge=0.1, le=1000, description="Feed of the first layer, brim included.", extra=SPEED)
    ] = 15.0
    pace: Annotated[
        Literal["steady-feed", "steady-flow"],
        Meta(description="What stays the same along image walls: the feed, or the volume fed in a second."),
    ] = "steady-feed"
    lead: Annotated[
        Literal["off", "on"],
        Meta(description="Whether filament is fed ahead of the pressure's lag (the machine's hot_end.lag)."),
    ] = "off"
    brim: Annotated[
        float, Meta(ge=0, le=100, description="Width of the brim around the foot; 0 for none.", extra=MM)
    ] = 10.0
    direction: Annotated[
        Literal["auto", "along", "across", "alternate"],
        Meta(description="Direction of a raster's lines; auto: least of the section wrong, then time."),
    ] = "auto"
    hairpins: Annotated[
        Literal["deposit", "dry"],
        Meta(description="Whether the crossing from bead to bead at the wall's end deposits."),
    ] = "deposit"
    bend: Annotated[
        float,
        Meta(
            ge=-360,
            le=360,
            description="Degrees the panel is bent through: above 0 it bulges toward the viewer, below 0 "
            "it is hollow, 360 is a closed ring; 0, or at least 0.1 either way.",
            extra={"unit": "deg"},
        ),
    ] = 0.0
    seam: Annotated[
        Literal["rim", "dark"],
        Meta(
            description="Where a closed ring's seam lies: in the rims that meet at its sides, or, with rims "
            "above and below only, in the picture's darkest column."
        ),
    ] = "rim"
    turn: Annotated[
        Literal[0, 90, 180, 270, "auto"],
        Meta(
            description="Degrees the panel is turned for its making, counter-clockwise: it stands on its "
            "lower edge (0), left (90), upper (180) or right (270); auto: as it stands best. What is shown "
            "of it stays upright.",
        ),
    ] = 0
    relief: Annotated[
        Literal["toward", "away"],
        Meta(
            description="Whether the relief looks toward the viewer, or away, so that a flat back is shown."
        ),
    ] = "toward"
    outline: Annotated[
        str,
        Meta(description="Silhouette: rectangle, disc, arch, or a polygon's file (WKT or GeoJSON, mm)."),
    ] = "rectangle"
    corner: Annotated[float, Meta(ge=0, le=500, description="Radius of a rectangle's corners.", extra=MM)] = (
        0.0
    )
    foot: Annotated[
        Length | None,
        Meta(
            description="Least width of the flat that an outline stands on. By default 0.4 of its width.",
            extra=MM,
        ),
    ] = None
    eyelets: Annotated[
        int, Meta(ge=0, le=4, description="Hanging loops, spread evenly along the top; 0 for none.")
    ] = 0
    eyelet_at: Annotated[
        Places | None,
        Meta(
            description="Where along the top the loops hang, as shares of the width from the left: 0.2,0.8. "
            "By default they are spread evenly.",
            extra={"allowed": "at most 4 shares from 0 to 1, such as [0.2, 0.8]"},
        ),
    ] = None
    eyelet_opening: Annotated[
        float, Meta(ge=0.5, le=50, description="Width of a loop's opening.", extra=MM)
    ] = 4.0
    eyelet_wall: Annotated[
        float, Meta(ge=0.4, le=20, description="Least wall around a loop's opening.", extra=MM)
    ] = 1.5
    comb: Annotated[
        Literal["auto", "none"], Meta(description="Break-off comb under an outline that leans out too far.")
    ] = "auto"
    overhang: Annotated[
        Annotated[float, Meta(ge=20, le=80)] | None,
        Meta(
            description="Degrees from the vertical that a layer may lean out over the one below. By default "
            "the machine's: 45.",
            extra={"unit": "deg"},
        ),
    ] = None
    slope: Annotated[
        Literal["free", "least", "thick", "thin"],
        Meta(
            description="Keep the face within the overhang: by the least change, by thickening below, by "
            "thinning above, or not at all."
        ),
    ] = "free"
    wedges: Annotated[
        Annotated[int, Meta(ge=0, le=8)] | Literal["auto"],
        Meta(
            description="Places along the rim with a break-off wedge on each face; 0 for none; auto: two, as "
            "high as it needs to be steady, where it needs any.",
            extra={"allowed": "0 to 8, or 'auto'"},
        ),
    ] = 0
    wedge_at: Annotated[
        Spots | None,
        Meta(
            description="Where along the panel as it stands wedges lean on it, mm from the left: 5,95. By "
            "default in the rim of either side.",
            extra={"unit": "mm", "allowed": "at most 8 places along the panel, such as [5, 95]"},
        ),
    ] = None
    wedge_height: Annotated[
        Length | None, Meta(description="Height of the wedges. By default two thirds of the panel.", extra=MM)
    ] = None
    wedge_base: Annotated[
        float, Meta(gt=0, le=60, description="How far a wedge stands out at the platform.", extra=MM)
    ] = 12.0
    wedge_gap: Annotated[
        float, Meta(ge=0, le=2, description="Gap between wedge and rim, bridged by the tabs.", extra=MM)
    ] = 0.2
    support_feed: Annotated[
        Feed | None,
        Meta(description="Feed of wedges and comb. By default the feed of the walls.", extra=SPEED),
    ] = None
    copies: Annotated[int, Meta(ge=1, le=100, description="How many of it stand on the platform.")] = 1
    panel_gap: Annotated[
        float,
        Meta(gt=0, le=200, description="Free platform between one panel's brim and the next's.", extra=MM),
    ] = 5.0
    build: Annotated[
        Literal["abreast", "in-turn"],
        Meta(
            description="Several panels: all grow together, layer by layer, or one is finished before the "
            "next begins, where the head has room for it."
        ),
    ] = "abreast"
    axis: Annotated[Literal["auto", "x", "y"], Meta(description="Machine axis the panel stands along.")] = (
        "auto"
    )
    band: Annotated[
        Annotated[tuple[Band, ...], Meta(max_length=50)],
        Meta(
            description="What differs from a height on, several times: above=20,feed=30 (also packing, "
            "nozzle_temperature, fan). In a job file [[band]] tables.",
        ),
    ] = ()
    nozzle_temperature: Annotated[
        NozzleCelsius | None,
        Meta(description="Nozzle temperature. By default the material's.", extra=CELSIUS),
    ] = None
    platform_temperature: Annotated[
        PlatformCelsius | None,
        Meta(description="Platform temperature. By default the material's.", extra=CELSIUS),
    ] = None
