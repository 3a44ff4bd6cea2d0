"""The requested settings of one panel: a flat, frozen record.

Every field is a key of a job file and an option of `pathgen panel` (with dashes instead of underscores). Its
text in the docstring of the record is the help text of the option.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from pathgen.settings.machine import DEGREES, MM, SPEED, Fan, NozzleCelsius, PlatformCelsius, Profile
from pathgen.settings.preparation import Preparation, Share

MIN_BEND = 0.1  # degrees; a smaller bend looks flat, and its radius is huge

Length = Annotated[float, Meta(gt=0, le=2000, extra=MM)]
Spacing = Annotated[float, Meta(gt=0, le=5, extra=MM)]
WallThickness = Annotated[float, Meta(gt=0, le=20, extra=MM)]
RimThickness = Annotated[float, Meta(gt=0, le=50, extra=MM)]
BorderWidth = Annotated[float, Meta(ge=0, le=50, extra=MM)]
Turn = Annotated[float, Meta(ge=-360, le=360, extra=DEGREES)]
Cost = Annotated[float, Meta(ge=0, le=100)]
LayerHeight = Annotated[float, Meta(ge=0.02, le=1, extra=MM)]
Spots = Annotated[tuple[Annotated[float, Meta(ge=0, le=2000)], ...], Meta(min_length=1, max_length=8)]
Places = Annotated[tuple[Share, ...], Meta(max_length=4)]
Feed = Annotated[float, Meta(ge=0.1, le=1000, extra=SPEED)]
Solid = Annotated[float, Meta(gt=0.5, le=1.2)]

LAYERS = {"allowed": "0.02 to 1 mm, or 'auto'"}
PLACES = {"allowed": "at most 4 fractions from 0 to 1, such as [0.2, 0.8]"}
SPOTS = MM | {"allowed": "at most 8 positions along the panel, such as [5, 95]"}
WEDGES = {"allowed": "0 to 8, or 'auto'"}

LISTS = ("eyelet_at", "wedge_at")  # keys with several values; in text, separated by commas


class Band(Profile, frozen=True):
    """Settings of the layers from one height up to the next band. None: the value of the job."""

    above: Annotated[float, Meta(ge=0, le=2000, extra=MM)]  # mm above the platform
    feed: Feed | None = None  # of walls, hairpins and supports, mm/s
    packing: Solid | None = None
    nozzle_temperature: NozzleCelsius | None = None  # °C
    fan: Fan | None = None  # part cooling


class Job(Preparation, frozen=True):
    """Requested settings of one panel, with the preparation of its photograph.

    Lengths are in mm, feeds in mm/s, temperatures in °C. A value of None is open: the value comes from the
    picture, the machine or the material, as described for each field.

    Attributes
    ----------
    machine
        Machine profile: the name of a shipped profile, or a TOML file.
    material
        Material profile: the name of a shipped profile, or a TOML file.
    width
        Outer width of the panel as viewed. Default: 100 mm for a photograph, the stored size for a thickness
        map.
    height
        Outer height of the panel as viewed. Default: computed from the width and the picture's proportions.
    centre_across
        Horizontal position, within the picture, that is placed at the panel's centre. 0: left edge; 1:
        right edge. The picture is shifted if it would not cover the panel.
    centre_up
        Vertical position, within the picture, that is placed at the panel's centre. 0: bottom edge; 1: top
        edge.
    zoom
        Scale of the picture: at 1 the picture just covers the panel, at 2 it is twice as large. Below 1, the
        area around the picture gets the wall thickness of white.
    tilt
        Rotation of the picture inside the outline, counter-clockwise.
    thinnest
        Wall thickness for white.
    thickest
        Wall thickness for black.
    tones
        Method for tones that are darker than the material can show. `global`: compress all tones equally.
        `local`: compress large-scale contrast and keep fine detail. `clip`: clip the dark tones.
    aim
        Aim of the thickness computation. `tone`: match the tone of each pixel separately. `picture`: also
        compensate for blur from the nozzle, the layers and scattered light.
    aim_room
        Thickness that `aim = picture` may add to `thickest`.
    dither
        Rounding of the thickness to whole motor steps of the filament drive. `off`: no rounding. `diffused`:
        the rounding error is passed on to neighbouring pixels; used only if a single motor step would be
        visible.
    pixel
        Pixel size of the thickness map.
    layer
        Layer height, or `auto`. With `auto`, layers are thin where the picture has vertical detail and thick
        elsewhere. The error is then the same as with uniform layers of height `layer_like`.
    layer_like
        For `layer = auto`: the allowed error is that of uniform layers of this height.
    within
        Time limit for the print, such as 6h or 90min. pathgen chooses the layer heights, feed and bead
        spacing for the best picture within this limit.
    first_layer
        Height of the first layer.
    rim_width
        Width of the raised rim. 0: no rim.
    rim_thickness
        Thickness of the rim. Default: `thickest` + 1 mm.
    rim_bevel
        Angle between the inner face of the rim and the panel's normal. 0: a vertical step. 45: a slope of 1
        mm per mm.
    line_width
        Width of a border line along the inside of the rim, or along the edge of a panel without a rim. 0: no
        line.
    line_thickness
        Thickness of the border line. Default: `thickest`.
    fill
        Method that fills each layer with beads: tailored, terraced, contour, raster, or a fill from an
        installed plug-in package.
    packing
        Ratio of deposited volume to geometric volume. Default: the material's value (0.99).
    spacing
        Target bead spacing. Default: 1.05 × nozzle diameter.
    spacing_min
        Minimum bead spacing. Default: 0.70 × nozzle diameter.
    spacing_max
        Maximum bead spacing. Default: 1.55 × nozzle diameter.
    change_cost
        Cost of adding or dropping one bead along a layer. The cost of bead spacing, for comparison, is
        log²(spacing / target), integrated along the layer in mm.
    end_cost
        Additional cost of a bead that ends inside the wall.
    tolerance
        Maximum thickness error of a pixel column when moves are merged.
    feed
        Feed of the walls. Default: the machine's `wall_feed` (20).
    first_feed
        Feed of the first layer and the brim.
    pace
        Quantity that is constant along a wall. `steady-feed`: the feed. `steady-flow`: the deposited volume
        per second.
    lead
        Whether to feed filament early, to compensate for pressure lag (`hot_end.lag` of the machine).
    brim
        Width of the brim around the foot. 0: no brim.
    direction
        Direction of raster lines. `auto`: the direction with the smallest cross-section error or, if the
        errors are equal, the faster direction.
    hairpins
        Whether the nozzle deposits plastic while it moves from one bead to the next at the end of the wall.
    bend
        Angle through which the panel is bent. Positive: the panel bulges toward the viewer. Negative: the
        panel is hollow. 360: a closed ring. 0: a flat panel. Apart from 0, the smallest angle is 0.1 in
        either direction.
    seam
        Position of the seam of a closed ring. `rim`: where the side rims meet. `dark`: in the darkest column
        of the picture; the ring then has no side rims.
    turn
        Edge that the panel stands on during printing. 0: bottom. 90: left. 180: top. 270: right. `auto`: the
        best of the four. Pictures and maps stay upright.
    relief
        Side of the panel that carries the relief. `toward`: the side that faces the viewer. `away`: the far
        side, so that the viewer sees a flat face.
    outline
        Outline of the panel: a name such as rectangle, disc or arch, or a polygon file (WKT or GeoJSON, in
        mm).
    corner
        Corner radius of a rectangular panel.
    foot
        Minimum width of the flat edge that the outline stands on. Default: 0.4 × the outline's width.
    eyelets
        Number of hanging loops, evenly spaced along the top. 0: none.
    eyelet_at
        Positions of the hanging loops along the top, as fractions of the width from the left, such as
        0.2,0.8. Default: evenly spaced.
    eyelet_opening
        Width of the opening in a hanging loop.
    eyelet_wall
        Minimum wall width around the opening in a hanging loop.
    comb
        Break-off comb that supports an outline with too much overhang. `auto`: only if the outline needs it.
        `none`: no comb.
    overhang
        Maximum overhang of a layer, as an angle from the vertical. Default: the machine's value (45).
    slope
        Correction of a relief that exceeds `overhang`. `free`: none. `minimum`: the smallest change. `thick`:
        add material below. `thin`: remove material above.
    wedges
        Number of positions along the rim that get a break-off wedge on each face. 0: none. `auto`: two
        positions if the panel needs wedges, with the smallest height that is sufficient.
    wedge_at
        Positions of the wedges, measured from the left end of the standing panel, such as 5,95. Default: in
        the rim on both sides.
    wedge_height
        Height of the wedges. Default: two thirds of the panel height.
    wedge_base
        Length of a wedge on the platform, measured away from the panel.
    wedge_gap
        Gap between a wedge and the rim. Break-off tabs bridge the gap.
    support_feed
        Feed of wedges and comb. Default: the feed of the walls.
    copies
        Number of copies on the platform.
    panel_gap
        Gap between the brims of neighbouring panels.
    build
        Printing order of several panels. `abreast`: all panels together, layer by layer. `in-turn`: one panel
        after another, which needs clearance for the head.
    axis
        Machine axis along which the panel stands.
    band
        Settings for all layers above a height, such as above=20,feed=30. Further keys: packing,
        nozzle_temperature, fan. Repeat the option for more bands. In a job file, use [[band]] tables.
    nozzle_temperature
        Nozzle temperature. Default: the material's value.
    platform_temperature
        Platform temperature. Default: the material's value.
    """

    machine: str = "moving-table"
    material: str = "pla-white"
    width: Length | None = None
    height: Length | None = None
    centre_across: Share = 0.5
    centre_up: Share = 0.5
    zoom: Annotated[float, Meta(ge=0.05, le=50)] = 1.0
    tilt: Turn = 0.0
    thinnest: WallThickness = 0.8
    thickest: WallThickness = 3.0
    tones: Literal["global", "local", "clip"] = "global"
    aim: Literal["tone", "picture"] = "tone"
    aim_room: Annotated[float, Meta(ge=0, le=10, extra=MM)] = 1.0
    dither: Literal["off", "diffused"] = "off"
    pixel: Annotated[float, Meta(ge=0.02, le=2, extra=MM)] = 0.1
    layer: Annotated[LayerHeight | Literal["auto"], Meta(extra=LAYERS)] = 0.1
    layer_like: LayerHeight = 0.1
    within: Annotated[str, Meta(max_length=30)] | None = None
    first_layer: Annotated[float, Meta(ge=0.05, le=1, extra=MM)] = 0.2
    rim_width: BorderWidth = 3.0
    rim_thickness: RimThickness | None = None
    rim_bevel: Annotated[float, Meta(ge=0, le=89, extra=DEGREES)] = 0.0
    line_width: BorderWidth = 0.0
    line_thickness: RimThickness | None = None
    fill: str = "tailored"
    packing: Solid | None = None
    spacing: Spacing | None = None
    spacing_min: Spacing | None = None
    spacing_max: Spacing | None = None
    change_cost: Cost = 0.15
    end_cost: Cost = 0.3
    tolerance: Annotated[float, Meta(gt=0, le=0.5, extra=MM)] = 0.03
    feed: Feed | None = None
    first_feed: Feed = 15.0
    pace: Literal["steady-feed", "steady-flow"] = "steady-feed"
    lead: Literal["off", "on"] = "off"
    brim: Annotated[float, Meta(ge=0, le=100, extra=MM)] = 10.0
    direction: Literal["auto", "along", "across", "alternate"] = "auto"
    hairpins: Literal["deposit", "dry"] = "deposit"
    bend: Turn = 0.0
    seam: Literal["rim", "dark"] = "rim"
    turn: Literal[0, 90, 180, 270, "auto"] = 0
    relief: Literal["toward", "away"] = "toward"
    outline: str = "rectangle"
    corner: Annotated[float, Meta(ge=0, le=500, extra=MM)] = 0.0
    foot: Length | None = None
    eyelets: Annotated[int, Meta(ge=0, le=4)] = 0
    eyelet_at: Annotated[Places | None, Meta(extra=PLACES)] = None
    eyelet_opening: Annotated[float, Meta(ge=0.5, le=50, extra=MM)] = 4.0
    eyelet_wall: Annotated[float, Meta(ge=0.4, le=20, extra=MM)] = 1.5
    comb: Literal["auto", "none"] = "auto"
    overhang: Annotated[float, Meta(ge=20, le=80, extra=DEGREES)] | None = None
    slope: Literal["free", "minimum", "thick", "thin"] = "free"
    wedges: Annotated[Annotated[int, Meta(ge=0, le=8)] | Literal["auto"], Meta(extra=WEDGES)] = 0
    wedge_at: Annotated[Spots | None, Meta(extra=SPOTS)] = None
    wedge_height: Length | None = None
    wedge_base: Annotated[float, Meta(gt=0, le=60, extra=MM)] = 12.0
    wedge_gap: Annotated[float, Meta(ge=0, le=2, extra=MM)] = 0.2
    support_feed: Feed | None = None
    copies: Annotated[int, Meta(ge=1, le=100)] = 1
    panel_gap: Annotated[float, Meta(gt=0, le=200, extra=MM)] = 5.0
    build: Literal["abreast", "in-turn"] = "abreast"
    axis: Literal["auto", "x", "y"] = "auto"
    band: Annotated[tuple[Band, ...], Meta(max_length=50)] = ()
    nozzle_temperature: NozzleCelsius | None = None
    platform_temperature: PlatformCelsius | None = None
