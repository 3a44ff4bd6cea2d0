"""Complete settings of a panel: one record per topic, without open values.

A `Job` is flat and holds what was asked for: a key that is None is still open. `pathgen.settings.settle`
fills the open keys from the machine and the material and sorts all keys into the records below. Functions
take the record they need, or a whole `Setup` where they need several. `Job` describes the keys.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from pathgen.settings.job import Band, Job
from pathgen.settings.machine import Machine
from pathgen.settings.material import Material
from pathgen.settings.preparation import Preparation


class HeatSettings(msgspec.Struct, frozen=True):
    """Names of machine and material, and the initial temperatures, °C."""

    machine: str
    material: str
    nozzle_temperature: float
    platform_temperature: float


class PictureSettings(msgspec.Struct, frozen=True):
    """Size of the panel, mm, and position of the picture. None: computed from the picture's proportions."""

    width: float | None
    height: float | None
    centre_across: float
    centre_up: float
    zoom: float
    tilt: float

    @property
    def whole(self) -> bool:
        """Whether the picture is centred, upright and at zoom 1."""
        return (self.centre_across, self.centre_up, self.zoom, self.tilt) == (0.5, 0.5, 1.0, 0.0)


class FormSettings(msgspec.Struct, frozen=True):
    """Outline and bend of the panel."""

    outline: str
    corner: float
    foot: float | None
    bend: float
    seam: Literal["rim", "dark"]
    relief: Literal["toward", "away"]


class RimSettings(msgspec.Struct, frozen=True):
    """Rim, border line and eyelets, mm."""

    rim_width: float
    rim_thickness: float
    rim_bevel: float
    line_width: float
    line_thickness: float | None
    eyelets: int
    eyelet_at: tuple[float, ...] | None
    eyelet_opening: float
    eyelet_wall: float

    @property
    def eyelet_places(self) -> tuple[float, ...]:
        """Positions of the eyelets along the top, as fractions of the width."""
        if self.eyelet_at is not None:
            return self.eyelet_at
        return tuple((i + 0.5) / self.eyelets for i in range(self.eyelets))


class LightSettings(msgspec.Struct, frozen=True):
    """Conversion of tones to thickness, mm."""

    thinnest: float
    thickest: float
    tones: Literal["global", "local", "clip"]
    aim: Literal["tone", "picture"]
    aim_room: float
    dither: Literal["off", "diffused"]
    pixel: float


class LayerSettings(msgspec.Struct, frozen=True):
    """Layer heights, mm, and the bands with different settings."""

    layer: float | Literal["auto"]
    layer_like: float
    first_layer: float
    within: str | None
    band: tuple[Band, ...]

    @property
    def nominal(self) -> float:
        """Layer height, or `layer_like` for automatic layers, mm."""
        return self.layer_like if self.layer == "auto" else self.layer


class BeadSettings(msgspec.Struct, frozen=True):
    """Settings for filling a wall section with beads, mm."""

    fill: str
    direction: Literal["auto", "along", "across", "alternate"]
    hairpins: Literal["deposit", "dry"]
    spacing: float
    spacing_min: float
    spacing_max: float
    packing: float
    change_cost: float
    end_cost: float
    tolerance: float


class FeedSettings(msgspec.Struct, frozen=True):
    """Feeds during deposition, mm/s."""

    feed: float
    first_feed: float
    pace: Literal["steady-feed", "steady-flow"]
    lead: Literal["off", "on"]
    support_feed: float | None


class StandingSettings(msgspec.Struct, frozen=True):
    """Orientation, brim, overhang and supports of the growing panel, mm and degrees."""

    turn: Literal[0, 90, 180, 270, "auto"]
    axis: Literal["auto", "x", "y"]
    brim: float
    overhang: float
    slope: Literal["free", "minimum", "thick", "thin"]
    comb: Literal["auto", "none"]
    wedges: int | Literal["auto"]
    wedge_at: tuple[float, ...] | None
    wedge_height: float | None
    wedge_base: float
    wedge_gap: float

    @property
    def edge(self) -> int:
        """Edge that the panel stands on, degrees; 0 while an automatic choice is undecided."""
        return 0 if self.turn == "auto" else self.turn

    def wedge_top(self, height: float) -> float:
        """Return the height of the wedges of a panel `height` mm high: by default, two thirds of it."""
        return self.wedge_height or 2 * height / 3

    @property
    def wedge_sites(self) -> int:
        """Number of positions with wedges; 0 while automatic wedges are undecided."""
        if self.wedge_at:
            return len(self.wedge_at)
        return 0 if self.wedges == "auto" else self.wedges


class SeveralSettings(msgspec.Struct, frozen=True):
    """Several panels on one platform."""

    copies: int
    panel_gap: float
    build: Literal["abreast", "in-turn"]


class Setup(msgspec.Struct, frozen=True):
    """Complete settings of one panel: both profiles, and the keys of the job by topic."""

    machine: Machine
    material: Material
    heat: HeatSettings
    picture: PictureSettings
    form: FormSettings
    rim: RimSettings
    light: LightSettings
    layers: LayerSettings
    beads: BeadSettings
    feeds: FeedSettings
    standing: StandingSettings
    several: SeveralSettings
    preparation: Preparation

    @classmethod
    def of(cls, job: Job, machine: Machine, material: Material) -> Setup:
        """Build the records from a job without open values.

        Raises
        ------
        msgspec.ValidationError
            When a key is still open. `settle` fills all of them.
        """
        values: dict[str, object] = {"machine": machine, "material": material}
        return msgspec.convert(values | dict.fromkeys(RECORDS, job), cls, from_attributes=True)

    def keys(self) -> dict[str, Any]:
        """Return the keys of the job with their final values, in the order of `Job`."""
        values: dict[str, Any] = {}
        for name in RECORDS:
            values |= msgspec.structs.asdict(getattr(self, name))
        return {key: values[key] for key in Job.__struct_fields__}

    @property
    def job(self) -> Job:
        """The complete settings as a flat job."""
        return Job(**self.keys())

    def changed(self, **keys: object) -> Setup:
        """Return a copy of the setup with changed job keys.

        Examples
        --------
        >>> from pathgen.settings import settle
        >>> settle(Job()).changed(wedges=2).standing.wedges
        2
        """
        return Setup.of(msgspec.structs.replace(self.job, **keys), self.machine, self.material)


RECORDS = Setup.__struct_fields__[2:]  # names of the records of settings, in the order of the command's help
