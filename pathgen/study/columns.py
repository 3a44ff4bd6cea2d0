"""What a study can measure: every column by name, with its unit, where it comes from and what it says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pathgen.errors import PathgenError, nearest
from pathgen.motion import Kind

DEFAULT = (
    "time_s", "filament_m", "moves", "bead_changes_per_layer", "strokes", "travel_mm", "sway_mm",
    "thickness_rms_mm", "thickness_p99_mm", "lightness_rms", "void_share", "overlap_share", "outside_share",
)  # fmt: skip

# The more of it the better; of all others less is, or neither.
RISING = ("frequency_hz", "tone_contrast", "tone_steps", "shortest_stroke_mm", "ssim", "psnr_db")

GROUPS = {
    "plan": "of the plan, as `pathgen panel --summary` gives them",
    "text": "of the written program, as `pathgen replay` reads it back",
    "against": "of the written program against the thickness wanted, as `pathgen replay --against` says",
    "plane": "in the plane of `layers` layers, spread evenly: what beads cover, once, twice or not at all",
    "path": "along the written program's path: spacings, crossings, what is asked of the hot end",
}

_PLAN = """
picture                    text    name of the picture
machine                    text    name of the machine profile
material                   text    name of the material profile
fill                       text    name of the fill
digest                     text    digest of the settings
panels                     count   panels in the program
width_mm                   mm      outer width, as the viewer sees it
height_mm                  mm      outer height, as the viewer sees it
standing_height_mm         mm      height of what stands on the platform
thickest_mm                mm      thickest wall, rim included
layers                     count   layers
layer_mm                   mm      layer height
moves                      count   motion lines of the program
time_s                     s       time, warming up and homing included
moving_time_s              s       time of the moves alone
dry_time_s                 s       time of travel, retraction and reloading
filament_m                 m       filament
mass_g                     g       mass
price                      money   price, in the currency of the material profile
turn_deg                   deg     edge the panel stands on
rotation_deg               deg     along X (0) or Y (90)
rotation_reason            text    why it stands so
wall_mm                    mm      path of walls and turns
travel_mm                  mm      path of travel
retractions                count   retractions
strokes                    count   continuous deposits
shortest_stroke_mm         mm      shortest stroke
bead_changes_per_layer     1       beads added or dropped along a layer
loose_ends_per_layer       1       starts and ends of strokes inside the picture
slowed_moves               count   moves slower than asked
tone_contrast              1       light of white over light of black
tone_steps                 count   steps of light that an eye tells apart
sway_mm                    mm      sway of the top of the finished panel under the machine's acceleration
frequency_hz               Hz      its first frequency
steadiness                 text    advice on how it stands
supports_share                share   supports' part of the filament
support_contacts              count   places where supports touch the panel
overhang_share              share   wall that leans out too far
leaning                    text    the worst places that do
axis_x_cost                1       score of standing along X
axis_x_sway_mm             mm      sway along X
axis_x_step_mm             mm      positioning of the axis across the face, along X
axis_x_acceleration_mm_s2  mm/s²   acceleration across the face, along X
axis_x_carried             0 or 1  whether the platform carries it along X
axis_x_time_s              s       estimate of the walls' time along X
axis_y_cost                1       score of standing along Y
axis_y_sway_mm             mm      sway along Y
axis_y_step_mm             mm      positioning of the axis across the face, along Y
axis_y_acceleration_mm_s2  mm/s²   acceleration across the face, along Y
axis_y_carried             0 or 1  whether the platform carries it along Y
axis_y_time_s              s       estimate of the walls' time along Y
notes                      text    what the person should know
"""
_TEXT = """
text_complete              yes/no  whether the program ends as one
text_moves                 count   moves
text_time_s                s       time, warming up and homing included
text_moving_time_s         s       time of the moves alone
text_filament_m            m       filament
text_mass_g                g       mass
text_layers_deposited      count   layers with deposit in them
text_thinnest_mm           mm      thinnest wall deposited, the ends left out
text_thickest_mm           mm      thickest wall deposited, the ends left out
text_outside_mm3           mm³     plastic fed beside the panel
"""
_AGAINST = """
thickness_rms_mm           mm      thickness error, root mean square
thickness_bias_mm          mm      thickness error, mean
thickness_p99_mm           mm      thickness error, 99th percentile of its absolute value
thickness_max_mm           mm      thickness error, largest absolute value
layer_volume_rms_share     share   error of whole layers' volumes, root mean square
layer_volume_max_share     share   error of whole layers' volumes, largest absolute value
lightness_rms              L*      error of the picture lit from behind, root mean square
lightness_p99              L*      the same, 99th percentile of its absolute value
ssim                       1       structural similarity of both pictures' lightness
psnr_db                    dB      peak signal to noise; none where nothing differs
"""
_PLANE = """
sampled_layers             count   layers that were judged
section_mm2                mm²     area of their sections
covered_mm2                mm²     what of it any bead covers
void_share                 share   of the section that no bead covers
overlap_share              share   of the section that is covered again
outside_share              share   covered outside the section
wrong_share                share   the three together
filled_share               share   deposited volume over packing and layer height
"""
_PATH = """
strokes_per_layer          1       continuous deposits a layer
travels_per_layer          1       long or lifted dry crossings a layer
links_per_layer            1       short dry crossings a layer
hairpins_per_layer            1       reversals inside strokes a layer
"""
_SPREADS = (
    ("bead_width", "mm", "beads' own spacing, by path length"),
    ("column_spacing", "mm", "spacing that light meets in a column, by width"),
    ("melt_by_time", "mm3_s", "volume melted a second, by time"),
    ("melt_by_length", "mm3_s", "volume melted a second, by path length"),
)
_QUANTILES = {
    "p01": "1st percentile",
    "p05": "5th percentile",
    "median": "median",
    "p95": "95th percentile",
    "p99": "99th percentile",
    "mean": "mean",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One figure of a case: its name, unit and group, and what it says."""

    name: str
    unit: str
    group: str
    text: str


def _listed(group: str, lines: str) -> list[Column]:
    rows = (line.split(None, 1) for line in lines.strip().splitlines())
    return [Column(name, rest[:8].strip(), group, rest[8:].strip()) for name, rest in rows]


def _all() -> dict[str, Column]:
    every = _listed("plan", _PLAN)
    for kind in Kind:
        word = kind.name.lower()
        every.append(Column(f"time_{word}_s", "s", "plan", f"time of {word} moves"))
    for which, what in (("deposit", "what is deposited"), ("reach", "all moves")):
        for axis in "xyz":
            for end, name in (("lowest", "min"), ("highest", "max")):
                text = f"{end} {axis.upper()} of {what}"
                every.append(Column(f"{which}_{axis}_{name}_mm", "mm", "plan", text))
    every += _listed("text", _TEXT) + _listed("against", _AGAINST) + _listed("plane", _PLANE)
    every += _listed("path", _PATH)
    for name, unit, text in _SPREADS:
        spelled = unit.replace("mm3_s", "mm³/s")
        every += [
            Column(f"{name}_{key}_{unit}", spelled, "path", f"{q} of {text}") for key, q in _QUANTILES.items()
        ]
        if unit == "mm":
            beyond = f"outside spacing_min to spacing_max, {text}"
            every.append(Column(f"{name}_beyond_share", "share", "path", beyond))
    every.append(Column("melt_peak_mm3_s", "mm³/s", "path", "highest volume melted a second"))
    return {column.name: column for column in every}


COLUMNS: dict[str, Column] = _all()


def check_columns(names: Sequence[str], where: str) -> tuple[str, ...]:
    """Check the columns that a study names; the default set where it names none.

    Parameters
    ----------
    names : sequence of str
        A name with a ``*`` at its end stands for all columns that begin so; "default" for the default set.
    where : str
        Named in a refusal.

    Raises
    ------
    PathgenError
        For an unknown column, and for one named twice.

    Examples
    --------
    >>> check_columns(["time_s", "psnr*"], "study.toml: columns")
    ('time_s', 'psnr_db')
    """
    found: list[str] = []
    for name in names or DEFAULT:
        if name == "default":
            found += DEFAULT
        elif name.endswith("*") and (begun := [known for known in COLUMNS if known.startswith(name[:-1])]):
            found += begun
        elif name in COLUMNS:
            found.append(name)
        else:
            hint = nearest(name, COLUMNS) or "`pathgen study --columns` lists them"
            raise PathgenError(f"unknown column {name!r}", where=where, hint=hint)
    twice = next((name for i, name in enumerate(found) if name in found[:i]), None)
    if twice:
        raise PathgenError(f"column {twice!r} is named twice", where=where, hint="leave one of them out")
    return tuple(found)


def listing() -> str:
    """List all columns for people, group by group; those measured by default carry a mark."""
    lines = []
    wide = max(map(len, COLUMNS))
    for group, text in GROUPS.items():
        lines.append(f"{text}:")
        for column in COLUMNS.values():
            if column.group == group:
                mark = "+" if column.name in DEFAULT else " "
                lines.append(f" {mark} {column.name:<{wide}}  {column.unit:<6}  {column.text}")
    return "\n".join([*lines, "+ measured unless the study names its columns"])
